"""Names checked across cameras: what one camera sees must lie where the wand stands that the others
see.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, project
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.naming.bridging import Poses, bridged
from calib.naming.hand import in_steps
from calib.naming.identify import identify, is_unnamed
from calib.naming.smooth import interpolate, lone_points, motion_scales
from calib.naming.views import is_whole
from calib.solve.bundle.problem import State
from calib.solve.hold import RigFit, hold_cameras, rig_state

SIGMAS = 5.0  # a good point fails once in 270,000
MAX_LIMIT_PX = 6.0  # a place less certain than this names no point
REACH = 15.0  # steps between wands that are placed; how sure the place is decides
N_PASSES = 5  # names found first help to place the wands that find the rest
SETTLED = 2e-3  # of the names: a pass that changes fewer is the last


@dataclass(frozen=True, slots=True, eq=False)
class Renamed:
    """The capture with its names checked: how many points were named, named otherwise, and lost
    their name.
    """

    tracks: Tracks
    n_added: int
    n_changed: int
    n_dropped: int

    @property
    def is_settled(self) -> bool:
        """Whether so few names differ that a fit hardly would."""
        n_named = sum(int((c.marker >= 0).sum()) for c in self.tracks.cameras)
        return self.n_added + self.n_changed + self.n_dropped <= SETTLED * n_named

    def __str__(self) -> str:
        """One line for people."""
        return (
            f"names checked across cameras: {self.n_added} points added, "
            f"{self.n_changed} named otherwise,"
            f" {self.n_dropped} left without a name"
        )


def named_tracks(rig: Rig, tracks: Tracks) -> Tracks:
    """Return a capture with all names that the rig can give: identified where need be and checked
    across cameras.

    Parameters
    ----------
    rig : Rig
        Of the cameras of the tracks.
    tracks : Tracks
        Named by somebody else they come back as they are.

    Returns
    -------
    Tracks
        The same points, with markers of the rig's wand.

    Raises
    ------
    InputError
        The wand's markers cannot be told apart.
    UnsolvableError
        No wand, a still one or two of them are found.
    """
    if is_unnamed(tracks):
        tracks = identify(tracks, rig.wand).tracks
    if not tracks.is_identified:
        return tracks
    return rename(tracks, rig.wand_used, rig_state(rig, tracks.names)).tracks


def rename(tracks: Tracks, wand: Wand, cameras: State) -> Renamed:
    """Return the capture with every point named as the wand says that the cameras together see;
    ``cameras`` are held.

    In a frame that places the wand, or lies between such frames, each marker takes the one point
    near its place: a camera that read the wand the wrong way round is put right, points that it
    could not tell are named, and those that lie elsewhere lose their name, unless its whole wand
    does. Other frames keep their names.
    """
    before = tracks
    for _ in range(N_PASSES):
        fit = hold_cameras(tracks, wand, cameras)
        n_least = 2 if wand.dimension == 1 else 3
        cameras_now = _named_again(tracks, fit, len(wand.markers), n_least)
        poses = _poses(fit, n_least)
        markers = bridged(cameras_now, fit.state, fit.sigma_px, poses, tracks.frame_rate_hz)
        cameras_now = tuple(replace(c, marker=m) for c, m in zip(cameras_now, markers, strict=True))
        last, tracks = tracks, replace(tracks, cameras=cameras_now)
        if compared(last, tracks).is_settled:
            break
    return compared(before, tracks)


def compared(before: Tracks, tracks: Tracks) -> Renamed:
    """Return ``tracks`` with the count of the names that differ from those ``before``."""
    old, new = (np.concatenate([c.marker for c in of.cameras]) for of in (before, tracks))
    return Renamed(
        tracks,
        int(((old < 0) & (new >= 0)).sum()),
        int(((old >= 0) & (new >= 0) & (old != new)).sum()),
        int(((old >= 0) & (new < 0)).sum()),
    )


def _is_fixed(fit: RigFit, n_least: int) -> NDArray[np.bool_]:
    """Return the frames (F,) in which two cameras or more see each of ``n_least`` markers."""
    return np.asarray((fit.problem.n_views(fit.is_inlier) >= 2).sum(axis=0) >= n_least)


def _poses(fit: RigFit, n_least: int) -> Poses:
    """Return the wands that ``n_least`` markers place, each seen by two cameras or more."""
    problem, state = fit.problem, fit.state
    row = np.full((problem.n_frames, problem.n_cameras, len(state.shape_mm)), -1)
    row[problem.frame, problem.cam] = np.where(fit.is_inlier, problem.row, -1).T
    is_fixed = _is_fixed(fit, n_least)
    return Poses(
        problem.frame_number[is_fixed],
        state.wand_R[is_fixed],
        state.wand_t[is_fixed],
        row[is_fixed],
    )


def _named_again(
    tracks: Tracks, fit: RigFit, n_markers: int, n_least: int
) -> tuple[CameraTracks, ...]:
    frame = np.unique(np.concatenate([c.frame for c in tracks.cameras]))
    place, slack = _places(fit, frame, tracks.frame_rate_hz, n_markers, n_least)
    return tuple(_camera(c, k, fit, frame, place, slack) for k, c in enumerate(tracks.cameras))


def _places(
    fit: RigFit, frame: Ints, rate_hz: float, n_markers: int, n_least: int
) -> tuple[Array, Array]:
    """Return the markers' places (F, M, 3) in mm, nan where not to be told, and how far off they
    may be (F,).

    From the frame's own wand where two cameras or more fix it, from those about it elsewhere.
    """
    problem, state = fit.problem, fit.state
    is_fixed = _is_fixed(fit, n_least)
    points = state.markers_mm
    number, points = problem.frame_number[is_fixed], points[is_fixed]
    place, slack = np.full((len(frame), n_markers, 3), np.nan), np.full(len(frame), np.inf)
    if not len(number):
        return place, slack
    flat, time = points.reshape(len(number), -1), in_steps(number, rate_hz)
    own = interpolate(time, flat, time)
    miss = np.linalg.norm((flat - own.xy).reshape(points.shape), axis=2).max(axis=1)
    sigma, curl = motion_scales(miss, own.noise, own.bend)
    if np.isfinite(sigma):
        between = interpolate(time, flat, in_steps(frame, rate_hz), REACH)
        place, slack = between.xy.reshape(place.shape), between.limit(sigma, curl)
    at = np.searchsorted(frame, number)
    # The wand's own uncertainty: a pose from two cameras is some two sigma off in a third.
    n_cameras = np.bincount(problem.frame[fit.is_inlier.any(axis=0)], minlength=problem.n_frames)
    place[at], slack[at] = points, -2.0 / np.maximum(n_cameras[is_fixed] - 1, 1)
    return place, slack


def _camera(
    camera: CameraTracks, k: int, fit: RigFit, frame: Ints, place: Array, slack: Array
) -> CameraTracks:
    """Return the camera's tracks with the names that the places (F, M, 3) give; see ``_places`` for
    slack (F,).
    """
    if not camera.n_points:
        return camera
    state, sigma = fit.state, float(fit.sigma_px[k])
    number, first = np.unique(camera.frame, return_index=True)
    starts, at = np.append(first, camera.n_points), np.searchsorted(frame, number)
    in_cam = place[at] @ state.cam_R[k].T + state.cam_t[k]
    uv = project(Lens.from_vector(state.lens[k], camera.name), in_cam)
    depth = in_cam[..., 2]
    mm = slack[at][:, None]
    with np.errstate(invalid="ignore"):
        far = SIGMAS * sigma + mm * state.lens[k, 0] / depth
        limit = np.where(mm < 0, SIGMAS * sigma * (1.0 - mm), far)
        is_predicted = np.asarray(np.isfinite(uv).all(axis=2) & (limit <= MAX_LIMIT_PX))
    is_free, marker = ~camera.is_masked, np.full(camera.n_points, -1)
    claims = np.zeros(camera.n_points, int)
    of_point = np.repeat(np.arange(len(number)), np.diff(starts))
    for m in range(place.shape[1]):
        f = np.flatnonzero(is_predicted[:, m])
        row = lone_points(starts, camera.xy_px, is_free, f, uv[f, m], limit[f, m], 2.0)
        # A name that fits stays where another point is not far, but only where that one does not
        # fit as well.
        f = f[row < 0]
        kept = lone_points(starts, camera.xy_px, is_free, f, uv[f, m], limit[f, m], 1.0)
        row = np.concatenate([row[row >= 0], kept[(kept >= 0) & (camera.marker[kept] == m)]])
        marker[row] = m
        claims += np.bincount(row, minlength=camera.n_points)
    marker[claims > 1] = -1
    is_known = np.any(is_predicted, axis=1)[of_point]
    # A camera all of whose wand lies elsewhere is off itself, by its clock or as it stands: what a
    # fit leaves out tells that, and without names nothing would.
    n_named = np.bincount(of_point[camera.marker >= 0], minlength=len(number))
    n_fit = np.bincount(of_point[marker >= 0], minlength=len(number))
    is_off = (is_whole(n_named, place.shape[1]) & (n_fit == 0))[of_point]
    return replace(camera, marker=np.where(is_known & ~is_off, marker, camera.marker))
