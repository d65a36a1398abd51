"""Frame counts that are off by whole frames: found by placing a camera anew for every shift of its
count.

Such a camera fits badly and may have been pulled far from its place; no small correction leads back
from there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, project, undistort
from calib.core.frames import Ints
from calib.core.geometry import Array, rigid_fit, rotation_from_vector
from calib.core.tracks import Tracks
from calib.solve.bundle.frames import fit_frames, place_wands
from calib.solve.bundle.problem import State
from calib.solve.fit import Fit, in_placed_frames, squared_residuals
from calib.solve.refine import LOSS_SCALE
from calib.solve.start.lenses import start_lens

MOST_LOG_FOCAL = np.log(2.0)  # either way: a zoom's ring may be off by a third
FAR = 3.0  # a camera with residuals this many times the rig's may be off by whole frames
MAX_WHOLE = 3
MIN_POINTS, MAX_POINTS = 30, 600  # to place a camera of seven unknowns robustly, and quickly


def find_frames(numbers: Ints, wanted: Ints) -> NDArray[np.intp]:
    """Return where the sorted ``numbers`` hold the wanted ones, -1 where they do not."""
    at = np.minimum(np.searchsorted(numbers, wanted), len(numbers) - 1)
    return np.where(numbers[at] == wanted, at, -1)


def whole_frame_offsets(fit: Fit, tracks: Tracks) -> tuple[Ints, State]:
    """Return by how many whole frames (C,), three at most, cameras are off, and the state with
    these placed anew.

    Only cameras with far too large residuals are tried. Wands are placed by the other cameras; the
    camera is placed anew, with its focal length, for every shift of its frame numbers. A shift
    counts where it at least halves the median residual. Positive is an exposure later than the
    frame number says.
    """
    problem, state = fit.problem, fit.result.state
    offsets = np.zeros(problem.n_cameras, dtype=np.int64)
    seen = in_placed_frames(problem, problem.row >= 0)
    squared = squared_residuals(problem, state)
    middle = np.full(problem.n_cameras, np.nan)
    for c in range(problem.n_cameras):
        at = seen & (problem.cam == c)
        middle[c] = np.median(squared[at]) if at.any() else np.nan
    is_far = middle > FAR**2 * np.nanmedian(middle)
    if not is_far.any() or (~is_far & np.isfinite(middle)).sum() < 2:
        return offsets, state
    others = problem.with_weight(
        (seen & ~is_far[problem.cam]) / np.sqrt(np.nanmedian(middle[~is_far]))
    )
    placed, _ = place_wands(others, state)
    placed = fit_frames(others, placed, loss_scale=LOSS_SCALE)
    markers = placed.markers_mm
    views = others.n_views(others.weight > 0).T
    cam_R, cam_t, lens = state.cam_R.copy(), state.cam_t.copy(), state.lens.copy()
    for c in np.flatnonzero(is_far).tolist():
        camera = tracks.cameras[c]
        named = np.flatnonzero(camera.marker >= 0)
        named = named[:: max(1, len(named) // MAX_POINTS)]
        marker, tried = camera.marker[named], {}
        for shift in range(-MAX_WHOLE, MAX_WHOLE + 1):
            at = find_frames(problem.frame_number, camera.frame[named] + shift)
            use = (at >= 0) & (views[at, marker] >= 2)
            if use.sum() >= MIN_POINTS:
                start = start_lens(camera), -state.cam_R[c].T @ state.cam_t[c]
                tried[shift] = _place_camera(
                    markers[at, marker][use], camera.xy_px[named][use], *start
                )
        best = min(tried, key=lambda shift: tried[shift][0], default=0)
        if best and (0 not in tried or tried[best][0] < 0.5 * tried[0][0]):
            offsets[c] = best
            _, cam_R[c], cam_t[c], lens[c] = tried[best]
    return offsets, replace(state, cam_R=cam_R, cam_t=cam_t, lens=lens)


def _place_camera(
    points_mm: Array, xy_px: Array, lens: Array, position_mm: Array
) -> tuple[float, Array, Array, Array]:
    """Return the median residual in px of a camera placed before points (n, 3), and its R, t and
    lens.

    It starts with the lens (12,) and a position, and finds its pose and focal length robustly.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to load, and rarely wanted

    ray = np.column_stack([undistort(Lens.from_vector(lens), xy_px), np.ones(len(xy_px))])
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    away = points_mm - position_mm
    seen = np.isfinite(ray).all(axis=1)
    _, R0, _ = rigid_fit((away / np.linalg.norm(away, axis=1, keepdims=True))[seen], ray[seen])

    def placed(x: Array) -> tuple[Array, Array, Array]:
        R = rotation_from_vector(x[:3]) @ R0
        return R, 1000.0 * x[3:6] - R @ position_mm, np.append(np.exp(x[6]) * lens[:2], lens[2:])

    def residual(x: Array) -> Array:
        R, t, scaled = placed(x)
        in_cam = points_mm @ R.T + t
        in_cam[:, 2] = np.maximum(
            in_cam[:, 2], 1.0
        )  # behind the camera must cost much, not be undefined
        return np.asarray(project(Lens.from_vector(scaled), in_cam) - xy_px)

    def miss(x: Array) -> float:
        return float(np.median(np.linalg.norm(residual(x), axis=1)))

    # Points of no one place may want a camera infinitely far off, with as long a lens.
    x, most = np.zeros(7), np.array([*[np.inf] * 6, MOST_LOG_FOCAL])
    for _ in range(3):  # each time with the scale of what the last left
        x = least_squares(
            lambda y: residual(y).ravel(),
            x,
            loss="cauchy",
            f_scale=max(miss(x), 1e-6),
            x_scale="jac",
            bounds=(-most, most),
        ).x
    return miss(x), *placed(x)
