"""The recheck of a rig by whatever markers were in view: nameless, moving, on no wand.

The rig itself says which points show the same marker. Each then is a point in space by itself, in
one moment: a frame of three unknowns, as in a capture of a single marker. From there on it is the
recheck of a wave. No length is known, so the rig's size is taken as stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.check.recheck.exchange import under_right_names
from calib.check.recheck.free.groups import LEAST_VIEWS, groups_of, places_of
from calib.check.recheck.free.knock import knocked
from calib.check.recheck.free.moments import NOW, Moments, moments_of
from calib.check.recheck.free.stand import Stands, bearers, stands
from calib.check.recheck.inputs import islands, of_rig
from calib.check.recheck.judge import Clock, RecheckOptions, with_knocks
from calib.check.recheck.outcome import Recheck, as_one
from calib.check.recheck.run import compared
from calib.check.recheck.whole import with_serials
from calib.core.camera import Lens
from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import UnsolvableError
from calib.solve.bundle.problem import State
from calib.solve.clock.common_time import in_step, known_fractions
from calib.solve.hold import rig_state
from calib.solve.repair import of_points, solve_anew

Index = NDArray[np.intp]

SHOW = (
    "If markers moved where three cameras or more see them, no three stand as before (wave the "
    "wand) or this is another rig's capture; if they did not, let them, for longer, then: calib "
    "recheck RIG NEW_TRACKS --any"
)
USUAL_NOISE_PX = 0.2  # where a rig states none: of a well-lit marker (common practice, no source)
ROUNDS = 2  # of matching points and placing cameras
# Points that share a cell of this size say the same, error of the lens model and all: a few do.
CELL_MM, MOST_IN_CELL = 40.0, 3
# A camera is taken as late from this many sigmas and frames on: errors that last look like less.
SURE_LATE, LEAST_LATE = 6.0, 0.05


@one_blas_thread
def recheck_any(
    rig: Rig, tracks: Tracks, options: RecheckOptions | None = None, progress: Progress = quiet
) -> Recheck:
    """Return which cameras of a rig a capture of any markers shows to have changed; names that its
    points bear are ignored.

    Parameters
    ----------
    rig : Rig
        As it was.
    tracks : Tracks
        Whatever markers were in view.
    options : RecheckOptions, optional
        When a camera is named, and when its change matters.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    Recheck
        A verdict on each camera and on the rig as a whole.

    Raises
    ------
    InputError
        Rig and tracks do not belong together.
    UnsolvableError
        The rig has two cameras, or the markers join no three.
    """
    if (n := sum(c.n_points > 0 for c in tracks.cameras)) and len(rig.names) < LEAST_VIEWS:
        raise UnsolvableError(
            "recheck --any",
            expected="three cameras or more, as markers alone do not tell how far two stand apart",
            found=str(n),
            remedy="Wave the wand, then: calib recheck RIG NEW_TRACKS",
            cameras=rig.names,
        )
    given = tracks
    rig, tracks = of_points(rig), in_step(rig, of_rig(rig, tracks))
    stood = rig_state(rig, tracks.names)
    moments, group, found = _matched(rig, tracks, stood, progress)
    borne = _borne(rig, moments, group, stood, found)
    whole = np.rint(found.late_frames).astype(np.int64)
    if borne:
        tracks, whole = under_right_names(tracks, borne), 0 * whole
        moments, group, found = _matched(rig, tracks, stood, progress)
    elif whole.any():  # points of one moment come together
        moved = (replace(c, frame=c.frame + w) for c, w in zip(tracks.cameras, whole, strict=True))
        tracks = replace(tracks, cameras=tuple(moved))
        moments, group, found = _matched(rig, tracks, stood, progress)
    points = free_points(tracks, moments, group, found)
    parts, shared = islands(rig, points, SHOW, LEAST_VIEWS)
    options = options or RecheckOptions()
    options = replace(options, alpha=options.alpha / len(parts))

    fits: list[tuple[list[int], State]] = []

    def judged(part: Tracks) -> Recheck:
        at = [tracks.names.index(n) for n in part.names]
        solved = solve_anew(rig, part, progress, found.state.of_cameras(at))
        fits.append((at, solved[0].result.state))
        clock = Clock((whole + found.late_frames)[at], found.late_sigma[at])
        others = {n: k for n, k in shared.items() if n not in part.names}
        return compared(rig, part, solved, clock, borne, others, options, progress)

    largest, more = judged(parts[0]), []
    for part in parts[1:]:
        with suppress(UnsolvableError):
            more.append(judged(part))
    outcome = _in_frames(as_one(largest, more), tracks.frame_rate_hz, int(moments.number[0]))
    # Poses of one fit: errors of those found one by one look like steps as markers come and go.
    found = replace(found, state=_with(found.state, fits))
    moments = moments.earlier(
        np.zeros(len(tracks.names)), [Lens.from_vector(v) for v in found.state.lens]
    )
    fitted = sorted(c for at, _ in fits for c in at)
    knocks = knocked(moments, group, _sizes(rig, tracks.names), found, fitted)
    outcome = replace(outcome, cameras=tuple(with_knocks(outcome.cameras, knocks)))
    return with_serials(outcome, rig, given)


def _borne(rig: Rig, moments: Moments, group: Index, stood: State, found: Stands) -> dict[str, str]:
    """Return whose points stand under which camera's name, where these are not its own."""
    places = places_of(moments, group, found.state)
    return bearers(moments, group, places, stood, _sizes(rig, moments.names), found)


def _sizes(rig: Rig, names: tuple[str, ...]) -> Array:
    return np.array([[rig.camera(n).width, rig.camera(n).height] for n in names], float)


def _in_frames(found: Recheck, rate_hz: float, first: int) -> Recheck:
    """Return what was found of points with moments as frames of the capture."""
    n_places = round(found.frame_rate_hz / rate_hz)
    cameras = tuple(
        c if c.since_frame is None else replace(c, since_frame=first + c.since_frame // n_places)
        for c in found.cameras
    )
    return replace(found, cameras=cameras, frame_rate_hz=rate_hz, is_any=True)


def _matched(
    rig: Rig, tracks: Tracks, stood: State, progress: Progress
) -> tuple[Moments, Index, Stands]:
    """Return moments of a capture, the groups (n,) of their points, and where the cameras stand by
    these, with their points brought in time.
    """
    cameras = [rig.camera(n) for n in tracks.names]
    lenses = [c.lens for c in cameras]
    sizes = _sizes(rig, tracks.names)
    stats = [c.stats.sigma_px if c.stats is not None else 0.0 for c in cameras]
    sigma = np.array([s if s > 0 else USUAL_NOISE_PX for s in stats])
    progress("points", 0, ROUNDS + 1)
    moments = moments_of(tracks, lenses).earlier(known_fractions(rig, tracks), lenses)
    in_time, state, late = moments, stood, np.zeros(len(cameras))
    for k in range(ROUNDS):
        group = groups_of(in_time, state, sigma)
        progress("points", k + 1, ROUNDS + 1)
        found = stands(moments, group, places_of(in_time, group, state), state, sizes, sigma)
        is_late = (np.abs(found.late_frames) > LEAST_LATE) & (
            np.abs(found.late_frames) > SURE_LATE * found.late_sigma
        )
        late = np.where(is_late, found.late_frames, 0.0)
        state, in_time = found.state, moments.earlier(late, lenses)
    found = replace(found, late_frames=late)
    noise = np.maximum(sigma, found.sigma_px)
    return in_time, groups_of(in_time, state, noise), found


def free_points(tracks: Tracks, moments: Moments, group: Index, found: Stands) -> Tracks:
    """Return the grouped points as a capture of one marker: a frame for each group, those of a
    moment side by side, at as many times the frame rate; frames count from the first moment.
    """
    group = _thinned(moments, group, found)
    at = np.flatnonzero(group >= 0)
    order = np.lexsort((moments.cam[at], group[at]))
    at = at[order]
    distinct, of_point = np.unique(group[at], return_inverse=True)
    moment = np.zeros(len(distinct), np.intp)
    moment[of_point] = moments.moment[at]
    first = np.searchsorted(moment, moment)
    place = np.arange(len(distinct)) - first
    n_places = int(place.max(initial=0)) + 1
    number = (moments.number[moment] - moments.number[0]) * n_places + place
    cameras = []
    for c, camera in enumerate(tracks.cameras):
        own = at[moments.cam[at] == c]
        frame = number[of_point[moments.cam[at] == c]]
        cameras.append(_with_points(camera, frame, moments.uv_px[own, NOW]))
    return replace(
        tracks,
        cameras=tuple(cameras),
        frame_rate_hz=tracks.frame_rate_hz * n_places,
        is_identified=False,
    )


def _with_points(camera: CameraTracks, frame: NDArray[np.int64], xy_px: Array) -> CameraTracks:
    edge = np.array([camera.width, camera.height], float)
    marker = np.zeros(len(frame), np.int16)
    xy = np.clip(xy_px, -1.0, edge)
    return replace(camera, frame=frame, xy_px=xy, marker=marker, radius_px=None, masks_px=None)


def _thinned(moments: Moments, group: Index, found: Stands) -> Index:
    """Return the groups (n,), -1 for those whose cell of space has had its share."""
    points = places_of(moments, group, found.state).points_mm()[:, NOW]
    cell = np.floor(np.nan_to_num(points) / CELL_MM).astype(np.int64)
    _, which = np.unique(cell, axis=0, return_inverse=True)
    order = np.argsort(which.ravel(), kind="stable")
    ordered = which.ravel()[order]
    nth = np.arange(len(order)) - np.searchsorted(ordered, ordered)
    is_kept = np.zeros(len(points), bool)
    # Evenly over the capture, not the first ones.
    size = np.bincount(ordered, minlength=len(points))[ordered] if len(points) else ordered
    is_kept[order] = (nth * MOST_IN_CELL) % np.maximum(size, MOST_IN_CELL) < MOST_IN_CELL
    is_kept &= np.isfinite(points).all(axis=1)
    return np.where((group >= 0) & np.append(is_kept, False)[group], group, -1)


def _with(state: State, fits: Sequence[tuple[list[int], State]]) -> State:
    """Return a state with the cameras of some fits as these have them."""
    R, t, lens = state.cam_R.copy(), state.cam_t.copy(), state.lens.copy()
    for at, fitted in fits:
        R[at], t[at], lens[at] = fitted.cam_R, fitted.cam_t, fitted.lens
    return replace(state, cam_R=R, cam_t=t, lens=lens)
