"""The residual table: how well each camera of a rig fits a capture, worst first, and which ones
need a hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from scipy import special

from calib.check.apart import UNSURE, causes_apart, share_points, stats_of, whole_apart, with_faults
from calib.check.causes import Cause, of_last
from calib.check.causes.last_seen import LastSeen, last_seen
from calib.check.recheck.exchange import bearers, under_right_names
from calib.check.recheck.inputs import check_strangers, with_sensors_of
from calib.check.serials import NewSerial, new_serials
from calib.check.sizes import NOT_KNOWN, Sizes, sizes_of
from calib.check.verdicts import Fault, RigFault, Verdict
from calib.check.whole.find import Whole, ended, is_symptom
from calib.check.whole.left_out import lost_at_end
from calib.core.geometry import Array
from calib.core.parameters import LENS_GROUPS, CameraParameter, term_values
from calib.core.rig import CameraStats, Doubt, Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import UnsolvableError
from calib.naming.renaming import named_tracks
from calib.printed import Reported
from calib.solve.certainty.normal import wald
from calib.solve.clock.common_time import at_common_time, in_step
from calib.solve.hold import RigFit, fit_to_rig
from calib.solve.lasting.stretches import in_words

SMALL_TERMS = ("aspect", "tangential", "k3", "rational")  # groups beyond the usual lens


@dataclass(frozen=True, slots=True, eq=False)
class CameraRow:
    """One camera's line of the table: its statistics, and the causes for its verdict, none where it
    is good.

    The sigmas (3,) are how sure the rig's own solve is of its position and rotation, nan where that
    is not known. ``lens_terms`` are those that its lens has beside focal length, centre, k1 and k2,
    None where the solve held it; ``n_outside`` counts points outside the sensor that were left out
    when the tracks were read.
    """

    name: str
    stats: CameraStats
    causes: tuple[Cause, ...]
    sigma_position_mm: Array
    sigma_rotation_deg: Array
    lens_terms: tuple[str, ...] | None = None
    n_outside: int = 0

    @property
    def verdict(self) -> Verdict:
        return Verdict.ACT if self.causes else Verdict.OK


@dataclass(frozen=True, slots=True, eq=False)
class WandLengths:
    """Errors in mm of the wand's lengths between markers that were reconstructed one by one:
    measured minus known.
    """

    n_lengths: int
    length_mean_mm: float
    length_sd_mm: float
    length_p95_mm: float  # of the absolute error
    length_rms_mm: float
    span_mm: float = 0.0  # the wand's longest length


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ResidualTable(Reported):
    """Residuals of all cameras, worst first, and of the wand's lengths.

    Parameters
    ----------
    cameras : tuple of CameraRow
        Figures and causes of each camera.
    wand : WandLengths
        How the wand's lengths come out.
    n_frames : int
        Frames used.
    lasting : dict
        Errors that last: share of all points, and by camera.
    doubts : tuple of Doubt
        What speaks against the rig as a whole.
    sizes : Sizes
        Of wand, markers and cameras, to hold against the room.
    serials : tuple of NewSerial
        Cameras whose serial numbers are not those that the rig keeps.
    left_out : dict
        Cameras that the rig's solve left out, and why.
    """

    REPORT: ClassVar[str] = "rigs.residuals"

    cameras: tuple[CameraRow, ...]
    wand: WandLengths
    n_frames: int
    lasting: dict[str, Any] = field(default_factory=dict)  # see ``solve.lasting.find.in_words``
    doubts: tuple[Doubt, ...] = ()  # what speaks against the rig as a whole
    sizes: Sizes = NOT_KNOWN
    serials: tuple[NewSerial, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict)

    @property
    def told(self) -> tuple[Doubt | CameraRow, ...]:
        """What needs a hand, in the order in which it is told: the rig's doubts, cameras at fault,
        the largest fault first, and points left out, which are mostly a consequence.
        """
        acting = [row for row in self.cameras if row.causes]
        acting.sort(key=lambda row: -max(cause.size_px for cause in row.causes))
        symptoms = [d for d in self.doubts if is_symptom(d)]
        return (*(d for d in self.doubts if not is_symptom(d)), *acting, *symptoms)

    @property
    def may_hang_loose(self) -> bool:
        """Whether a camera or the rig gave way."""
        is_moved = any(d.finding == RigFault.CHANGED for d in self.doubts)
        return is_moved or any(c.cause in GAVE_WAY for row in self.cameras for c in row.causes)

    @property
    def sends_up(self) -> bool:
        """Whether somebody may have to go up to a camera: not for what another wave mends."""
        causes = {c.cause for row in self.cameras for c in row.causes}
        return bool(causes - {Fault.ONE_SIDED}) or any(d.cameras for d in self.doubts)

    @property
    def faults(self) -> dict[str, list[Fault]]:
        """What is wrong with each camera."""
        return {row.name: [c.cause for c in row.causes] for row in self.cameras}

    @property
    def needs_a_hand(self) -> bool:
        return bool(self.doubts) or any(row.verdict == Verdict.ACT for row in self.cameras)


@one_blas_thread
def residual_table(
    rig: Rig, tracks: Tracks, fit: RigFit | None = None, whole: Whole | None = None
) -> ResidualTable:
    """Return the residuals that the rig's cameras leave on a capture of its wand, with the rig
    held.

    Points of cameras that the rig's solve found to expose late or early are first moved to the
    common time. Each frame's wand pose is fitted to all cameras; gross outliers are left out by the
    test that the solve uses.

    Parameters
    ----------
    rig : Rig
        Of all cameras of the tracks.
    tracks : Tracks
        Named points of its wand.
    fit : RigFit, optional
        A ready fit of these tracks' cameras at the common time, such as the solve's own.
    whole : Whole, optional
        What is said of the rig as a whole, where that is known.

    Returns
    -------
    ResidualTable
        Cameras, worst first, each with what its residuals follow; the wand; the rig as a whole.

    Raises
    ------
    InputError
        Cameras of the tracks are not in the rig, or sensors differ.
    UnsolvableError
        No two cameras see the same marker in the same frame.
    """
    borne: dict[str, str] = {}
    serials = tuple(new_serials(rig, tracks).values())
    tracks = _of_rig(rig, tracks)
    if fit is None:
        borne = bearers(rig, in_step(rig, tracks))
        tracks, fit = held(rig, under_right_names(tracks, borne))
    stats = stats_of(tracks, fit)
    causes = causes_apart(rig, tracks, fit, stats)
    whole = whole or whole_apart(rig, tracks, fit)
    in_doubt = {name for d in whole.doubts for name in d.cameras}
    at_fault = [
        c
        for c, (name, found) in enumerate(zip(tracks.names, causes, strict=True))
        if name in whole.knocked or any(one.cause in UNSURE for one in found)
    ]
    late = last_seen(fit, at_fault)
    ends = {n: e for n, e in zip(tracks.names, late, strict=True) if n not in in_doubt}
    doubts = _with_stored(whole.doubts, rig)
    of = {
        n: _but_stated(n, _causes(n, k, s, whole.knocked, borne, ends.get(n)), doubts)
        for n, s, k in zip(tracks.names, stats, causes, strict=True)
    }
    if len(of) == 2:
        doubts, of = _of_two(doubts, of, max(s.sigma_px for s in stats))
    if not doubts and (lost := lost_at_end(fit, tracks.names, {n for n in of if of[n]})):
        doubts = (ended(fit, lost),)
    told = with_faults(rig, {n: [c.cause for c in k] for n, k in of.items()}, doubts)
    rows = [_row(told, c, s, of[c.name]) for c, s in zip(tracks.cameras, stats, strict=True)]
    rows.sort(key=lambda r: (-np.nan_to_num(r.stats.rms_px, nan=np.inf), r.name))
    lengths = wand_lengths(whole.points_mm, rig.wand.lengths_mm)
    return ResidualTable(
        tuple(rows),
        lengths,
        fit.problem.n_frames,
        in_words(fit.problem, fit.stretches, tracks.names),
        doubts,
        sizes_of(rig, tracks),
        serials,
        rig.left_out,
    )


def held(rig: Rig, tracks: Tracks) -> tuple[Tracks, RigFit]:
    """Return the tracks of the rig's cameras, in its order and at the common time, and how the rig,
    held, explains them. Raises as ``residual_table`` does.
    """
    tracks = _of_rig(rig, tracks)
    if not share_points(tracks):
        raise UnsolvableError(
            "residuals",
            expected="identified markers that two of the rig's cameras see in the same frame",
            found="none",
            remedy="Check that the tracks are of this rig, genlocked, with the wand's "
            "markers identified.",
            cameras=tracks.names,
        )
    tracks = at_common_time(rig, tracks)
    return tracks, fit_to_rig(rig, tracks)


# Of what lies off to the last: where so little is left by one shift, some count out of thousands
# fits by chance.
ONE_SHIFT = 0.2
GAVE_WAY = frozenset({Fault.KNOCK, Fault.MOVED, Fault.CREEPS})
# A knock looks like one of these once the points on one side of it, such a share, are left out.
BENT_BY_A_KNOCK, BENT_SHARE = frozenset({Fault.MOVED, Fault.STRAY}), 0.3


def _row(rig: Rig, of: CameraTracks, stats: CameraStats, causes: tuple[Cause, ...]) -> CameraRow:
    """Return a camera's line; ``rig`` knows of its faults."""
    terms = lens_terms_of(rig, of.name)
    return CameraRow(of.name, stats, causes, *rig.sigmas(of.name), terms, of.n_outside)


def _causes(
    name: str,
    causes: tuple[Cause, ...],
    stats: CameraStats,
    knocked: dict[str, tuple[int, float]],
    borne: dict[str, str],
    end: LastSeen | None,
) -> tuple[Cause, ...]:
    if name in borne:  # judged by its own points, which stand under another name
        return (Cause(Fault.EXCHANGED, {}, borne[name]),)
    causes = _with_knock(causes, stats, knocked.get(name))
    if end is not None and not end.frames and end.left < ONE_SHIFT:
        causes = tuple(c for c in causes if c.cause != Fault.LOST)
    if end is None or any(c.cause in UNSURE for c in causes):
        return causes
    return (of_last(end), *causes)


def _with_knock(
    causes: tuple[Cause, ...], stats: CameraStats, knock: tuple[int, float] | None
) -> tuple[Cause, ...]:
    """Return the causes, with the knock where they are not what makes it seem one."""
    halves = stats.n_left_out > BENT_SHARE * (stats.points + stats.n_left_out)
    known = (UNSURE | {Fault.STRAY}) - (BENT_BY_A_KNOCK if halves else frozenset())
    if knock is None or any(c.cause in known for c in causes):
        return causes
    figures = {"frame": float(knock[0]), "size_px": knock[1]}
    return (Cause(Fault.KNOCK, figures), *causes)


def _with_stored(doubts: tuple[Doubt, ...], rig: Rig) -> tuple[Doubt, ...]:
    """Return what this capture says against the rig, and what its solve did besides."""
    now = {d.finding for d in doubts}
    return (*doubts, *(d for d in rig.doubts if d.finding not in now))


def _but_stated(
    name: str, causes: tuple[Cause, ...], doubts: tuple[Doubt, ...]
) -> tuple[Cause, ...]:
    """Return a camera's causes, without what comes of a stated lens that does not fit."""
    if not any(d.finding == RigFault.STATED and name in d.cameras for d in doubts):
        return causes
    return tuple(c for c in causes if c.cause not in UNSURE)


def _of_two(
    doubts: tuple[Doubt, ...], of: Mapping[str, tuple[Cause, ...]], noise_px: float
) -> tuple[tuple[Doubt, ...], dict[str, tuple[Cause, ...]]]:
    """Return doubts and causes of two cameras: what the residuals of one follow may be the other's
    fault, so it is told of both; noise that either has stays its own.
    """
    of_noise = frozenset({Fault.NOISE, Fault.ALSO_NOISY})
    is_noisy = [any(c.cause in of_noise for c in causes) for causes in of.values()]
    shared = UNSURE if all(is_noisy) else UNSURE | of_noise
    what = [str(c.cause) for causes in of.values() for c in causes if c.cause in shared]
    if what and not any(d.finding == RigFault.PAIR for d in doubts):
        figures = {"noise_px": noise_px, "what": what}
        doubts = (Doubt(RigFault.PAIR, tuple(of), figures), *doubts)
    return doubts, {n: tuple(c for c in k if c.cause not in shared) for n, k in of.items()}


def residuals(rig: Rig, tracks: Tracks) -> ResidualTable:
    """Return the residual table of any capture of a rig: of the cameras that its solve did not
    leave out, with all names that the rig can give their points.

    Parameters
    ----------
    rig : Rig
        To be held.
    tracks : Tracks
        A wave of its wand, with names or without.

    Returns
    -------
    ResidualTable
        See ``residual_table``.

    Raises
    ------
    InputError
        Cameras of the tracks are not in the rig, or sensors differ.
    UnsolvableError
        No two cameras see the same marker in the same frame.
    """
    kept = [name for name in tracks.names if name in rig.names or name not in rig.left_out]
    return residual_table(rig, named_tracks(rig, tracks.subset(kept)))


def _of_rig(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the tracks of the rig's cameras in its order; InputError where others have points, a
    sensor is another, or a marker is none of the wand's.
    """
    seen = [c.name for c in tracks.cameras if c.n_points]
    check_strangers(rig, [name for name in seen if name not in rig.names])
    tracks.check_markers(len(rig.wand.markers))
    return with_sensors_of(rig, tracks)


def wand_lengths(points_mm: Array, lengths_mm: Array) -> WandLengths:
    """Return the errors of all lengths between markers (F, M, 3) in mm against the known ones (M,
    M); none where a single marker (F, 1, 3) was all that was seen.
    """
    i, j = np.triu_indices(points_mm.shape[1], 1)
    measured = np.linalg.norm(points_mm[:, i] - points_mm[:, j], axis=2)
    error = (measured - lengths_mm[i, j])[np.isfinite(measured)]
    span = float(lengths_mm.max(initial=0.0))
    if not error.size:
        nan = float("nan")
        return WandLengths(0, nan, nan, nan, nan, span)
    return WandLengths(
        int(error.size),
        float(error.mean()),
        float(error.std()),
        float(np.percentile(np.abs(error), 95)),
        float(np.sqrt(np.mean(error**2))),
        span_mm=span,
    )


def lens_terms_of(rig: Rig, name: str) -> tuple[str, ...] | None:
    """Return the groups of small terms that a camera's lens shows to have; None where the solve
    held it.

    A group counts where it is off nothing by more than chance lets expect once in a thousand
    lenses.
    """
    known, lens = rig.covariance, rig.camera(name).lens
    if known is None or not known.frees(name):
        return None
    found = []
    for group in SMALL_TERMS:
        of_group = [CameraParameter(name, term) for term in LENS_GROUPS[group]]
        if any(p not in known.row for p in of_group):
            continue
        at = [known.row[p] for p in of_group]
        value = np.array(
            [float(term_values(lens.vector[None], term)[0]) for term in LENS_GROUPS[group]]
        )
        value -= group == "aspect"
        if wald(value, known.matrix[np.ix_(at, at)])[0] > special.chdtri(len(at), 1e-3):
            found.append(group)
    return tuple(found)
