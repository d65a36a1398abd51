"""What a solve does from tracks to rig: name the points, solve, complete the names."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.check.apart import whole_apart, with_faults
from calib.check.refused import explained
from calib.check.residuals import ResidualTable, residual_table
from calib.check.stated import stated_lenses
from calib.check.verdicts import RigFault
from calib.check.whole.find import Whole, is_symptom
from calib.core.names import listed
from calib.core.progress import Progress, quiet
from calib.core.rig import Doubt, Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.naming.identify import Identification, hardly_named, identify, is_unnamed
from calib.naming.renaming import compared, named_tracks, rename
from calib.solve.calibrate import SolveOptions, Task, bare_rig, begin, finish
from calib.solve.certainty.determined import require_certain, uncertain
from calib.solve.certainty.sound import is_far_off, require_lenses
from calib.solve.certainty.wand_check import WandFinding
from calib.solve.fit import Fit
from calib.solve.hold import RigFit, as_held, ring_sigmas
from calib.solve.refine import Rough, finished
from calib.solve.start.counts import beyond_others
from calib.solve.start.epipolar import EPIPOLAR_PX
from calib.solve.start.graph import overlap
from calib.solve.start.lenses import is_lens_free
from calib.solve.start.motion import require_depth, require_motion
from calib.solve.start.pair_views import PairViews, exchanged_markers, pair_views
from calib.solve.start.single import POINT
from calib.solve.start.suspects import ALONE, OF_ALL_POINTS, Reading, Suspect, as_error, suspects

MUCH_ALONE = 0.1  # of a camera's points: of a wand carried in and out, less is seen by one alone
NAMING_ROUNDS = 3  # cameras that more names place better reach points farther out, as at the edges


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A solved rig, the named tracks it is of, and the fit in the rig's world.

    Parameters
    ----------
    rig : Rig
        The result.
    tracks : Tracks
        With all names.
    fit : Fit
        The solve's fit.
    rig_fit : RigFit
        The same as holding the capture against the rig would give it.
    whole : Whole
        What is said of the rig as a whole by it.
    table : ResidualTable
        What each camera's points leave, and who is at fault, as the rig keeps it.
    named : Identification, optional
        What naming the points came to, of tracks without names.
    """

    rig: Rig
    tracks: Tracks
    fit: Fit
    rig_fit: RigFit
    whole: Whole
    table: ResidualTable
    named: Identification | None = None

    def __repr__(self) -> str:
        return f"<Solution: {self.rig!r} of {self.tracks!r}>"


def calibrate(
    tracks: Tracks,
    wand: Wand | None,
    options: SolveOptions | None = None,
    progress: Progress = quiet,
) -> Rig:
    """Return the rig that the tracks of a waved wand determine; the world is the first camera's
    frame.

    A capture that shows one and the same marker throughout needs no wand, but a focal length of
    each camera and a known distance between two, ``options.distance``.

    Parameters
    ----------
    tracks : Tracks
        The wave; points without names are named first.
    wand : Wand or None
        None for a capture of a single marker.
    options : SolveOptions, optional
        Lenses, frames, timing; the defaults solve a whole capture.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    Rig
        Poses, lenses and wand, with their joint covariance.

    Raises
    ------
    InputError
        Tracks and wand do not fit together.
    UnsolvableError
        The capture does not determine the rig; the error names the cameras.
    """
    return solve_rig(tracks, wand, options, progress).rig


@one_blas_thread
def solve_rig(
    tracks: Tracks,
    wand: Wand | None,
    options: SolveOptions | None = None,
    progress: Progress = quiet,
) -> Solution:
    """Return what ``calibrate`` returns, with the fit and what naming the points came to.

    Parameters
    ----------
    tracks : Tracks
        The wave; points without names are named first.
    wand : Wand or None
        None for a capture of a single marker.
    options : SolveOptions, optional
        Lenses, frames, timing; the defaults solve a whole capture.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    Solution
        The rig, the named tracks that it is of, and the fit.

    Raises
    ------
    InputError
        Tracks and wand do not fit together.
    UnsolvableError
        The capture does not determine the rig; the error names the cameras.
    """
    stated, options = wand or POINT, options or SolveOptions()
    named = identify(tracks, stated, progress) if is_unnamed(tracks) else None
    seen = named.tracks if named else tracks
    reread = _Reread(seen, stated, is_lens_free(seen, options.lens))
    with _with_reason(reread, named, options.frames):
        task = begin(seen, stated, options, progress)
        rough = task.rough(progress)
    # With such a camera nothing settles: the whole fit would take ten times as long to be refused.
    if is_far_off(rough.fit, task.used) and not options.timing:
        wholly = OF_ALL_POINTS | {Reading.SHIFTED}
        if named:  # names of our own the rig puts right
            wholly -= {Reading.REVERSED}
        if otherwise := reread.as_one_of(wholly):
            raise otherwise
    with _with_reason(reread, named, options.frames):
        found = _solved(task, rough, tracks, progress, named)
    # What its points follow is told of it, but not by how much they are misread.
    is_open = bool(uncertain(found.rig)) or (beyond_others(seen) > ALONE).any()
    if is_open and (otherwise := reread.as_error()):
        raise otherwise
    # Wand, lens and neighbours give way to a camera of which some points fit, and seem at fault.
    noise = max((c.stats.sigma_px for c in found.rig.cameras if c.stats), default=0.0)
    in_doubt = bool(found.whole.doubts) or noise > EPIPOLAR_PX
    if in_doubt and (otherwise := reread.as_one_of(OF_ALL_POINTS)):
        raise otherwise
    return found


@contextmanager
def _with_reason(
    reread: _Reread, named: Identification | None, n_frames: int | None
) -> Iterator[None]:
    """Raise what is refused within as cameras that are misread, points hardly named, or too few of
    the frames chosen, where that is why.
    """
    try:
        try:
            yield
        except np.linalg.LinAlgError as error:  # of numbers that ran away
            raise UnsolvableError(
                "solve",
                expected="points that one rig explains",
                found="none near: the solve runs away",
                remedy="Look with calib inspect at what the cameras share; check wand file, "
                "mirrored images, marker names and sync.",
                cameras=reread.tracks.names,
            ) from error
    except UnsolvableError as error:
        if otherwise := reread.as_error():
            raise otherwise from error
        if named and (few := hardly_named(named, error, reread.wand)):
            raise few from error
        if n_frames is not None and (n_all := reread.tracks.n_frames) > n_frames:
            # What a part of a capture does not tell is no fault of the cameras.
            raise UnsolvableError(
                "frames",
                expected="enough of them to tell how the cameras stand",
                found=f"{n_frames} of {n_all}",
                remedy="Take more, or all: leave the number of frames out. What else may be wrong "
                "is told then.",
                cameras=error.cameras,
            ) from error
        raise


def misread(tracks: Tracks, wand: Wand, free: NDArray[np.bool_]) -> UnsolvableError | None:
    """Return the error of markers that the wand file exchanges, or of cameras that would fit if
    read in another way, of a wave that can tell; None where there are none.
    """
    return _Reread(tracks, wand, free).as_error()


@dataclass(frozen=True, eq=False)
class _Reread:
    """The points of a wave read otherwise than given, from pairs of cameras alone: looked into when
    first asked, and once, as it takes longer than a solve.
    """

    tracks: Tracks
    wand: Wand
    free: NDArray[np.bool_]

    @cached_property
    def views(self) -> PairViews | None:
        """How pairs of cameras see the wave; None of one that can tell nothing."""
        table = overlap(self.tracks)
        try:
            require_motion(self.tracks)
            require_depth(self.tracks, table)
        except UnsolvableError:
            return None
        return pair_views(self.tracks, self.wand, table, self.free)

    @cached_property
    def suspects(self) -> list[Suspect]:
        return [] if self.views is None else suspects(self.tracks, self.wand, self.views)

    def as_error(self) -> UnsolvableError | None:
        """Return the error of markers exchanged in the wand file, or of cameras that would fit if
        read in another way.
        """
        if self.views is not None and (names := exchanged_markers(self.wand, self.views)):
            return UnsolvableError(
                "wand",
                expected="markers where the wand file has them",
                found=f"{listed(names)} at one another's places",
                remedy="Put them right in the wand file.",
                cameras=self.tracks.names,
            )
        return as_error(self.suspects) if self.suspects else None

    def as_one_of(self, readings: Collection[Reading]) -> UnsolvableError | None:
        """Return the error of cameras that would fit if read in one of these ways."""
        if len(self.wand.markers) < 2:
            return None
        found = [s for s in self.suspects if s.reading in readings]
        return as_error(found) if found else None


def _solved(
    task: Task, rough: Rough, tracks: Tracks, progress: Progress, named: Identification | None
) -> Solution:
    """Return the solution of a task; ``tracks`` are those given."""
    stated, options = task.stated, task.options
    fit, findings = finished(task.used, rough, progress), _alone(task.used)
    if task.tracks.is_identified:
        require_lenses(fit, task.used)  # no lens, no place to look for a name
        before = task.tracks
        task, fit = _with_all_names(task, fit, progress)
        findings.append(str(compared(before, task.tracks)))
    try:
        rig, used, fit = finish(task, fit, progress, findings)
    except UnsolvableError as error:
        try:
            rig = bare_rig(task.used, stated, fit)
        except InputError:  # a lens or a pose that is none: there is nothing to look into
            raise error from None
        held = as_held(fit, tuple(camera.stats for camera in rig.cameras if camera.stats))
        raise explained(error, residual_table(rig, task.used, held)) from error
    held = as_held(fit, tuple(camera.stats for camera in rig.cameras if camera.stats))
    held = replace(held, ring_sigma_px=ring_sigmas(rig, used.names))
    progress("rig as a whole", 0, 1)
    whole = whole_apart(rig, used, held)
    free = is_lens_free(used, options.lens)
    whole = _wand_told_once(whole, fit.wand_finding, used, stated, free)
    if fit.wand_finding and any(d.finding == RigFault.WAND for d in whole.doubts):
        told = str(fit.wand_finding)
        rig = replace(rig, findings=tuple(text for text in rig.findings if text != told))
    whole = replace(
        whole, doubts=(*stated_lenses(rig, used, held, fit.freed, whole), *whole.doubts)
    )
    rig = replace(rig, doubts=whole.doubts)
    progress("residuals", 0, 1)
    if options.frames is None and not options.timing:
        table = residual_table(rig, used, held, whole)
    else:  # the fit is not of all points where the cameras saw them
        table = residual_table(rig, named_tracks(rig, tracks.subset(rig.names)))
    rig = with_faults(rig, table.faults, table.doubts)
    try:
        require_certain(rig)
    except UnsolvableError as error:
        raise explained(error, table) from error
    return Solution(rig, used, fit, held, whole, table, named)


def _alone(tracks: Tracks) -> list[str]:
    """Return what is to be said of cameras that saw much when no other recorded."""
    share = beyond_others(tracks)
    return [
        f"{name}: {share[c]:.0%} of its points lie in frames before all others' first or after "
        "their last, and tell nothing: see how its frames are counted, and when it records"
        for c, name in enumerate(tracks.names)
        if share[c] > MUCH_ALONE
    ]


def _wand_told_once(
    whole: Whole, found: WandFinding | None, tracks: Tracks, stated: Wand, free: NDArray[np.bool_]
) -> Whole:
    """Return the doubts with the wand's told once: by what was ``found`` before the solve gave way
    to it, or by the markers that its file exchanges, of which all else about it comes.
    """
    if not {d.finding for d in whole.doubts} & {RigFault.WAND, RigFault.OFF_LINE}:
        return whole
    if names := exchanged_markers(stated, pair_views(tracks, stated, overlap(tracks), free)):
        of_it = {RigFault.WAND, RigFault.OFF_LINE, RigFault.LENGTHS}
        rest = (d for d in whole.doubts if d.finding not in of_it and not is_symptom(d))
        return replace(whole, doubts=(Doubt(RigFault.WAND, (), {"exchanged": list(names)}), *rest))
    if found is None:
        return whole
    figures = {"marker": found.marker, "offset_mm": found.offset_mm}
    return replace(
        whole,
        doubts=tuple(
            replace(d, figures=figures) if d.finding == RigFault.WAND else d for d in whole.doubts
        ),
    )


def _with_all_names(task: Task, fit: Fit, progress: Progress) -> tuple[Task, Fit]:
    """Return task and fit with every point named as the wand says that the cameras together see."""
    for k in range(NAMING_ROUNDS):
        progress("names", k, NAMING_ROUNDS)
        renamed = rename(task.tracks, task.wand, fit.result.state)
        if k and renamed.is_settled:
            break
        task = replace(task, tracks=renamed.tracks)
        fit = task.fit(progress, fit.result.state)
    return task, fit
