"""Residual statistics per camera, of a solve and of a capture held against a rig alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import coverage
from calib.core.geometry import Array
from calib.core.rig import CameraStats
from calib.core.threads import in_groups
from calib.core.tracks import CameraTracks, Tracks
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.linearise import frame_leverage, linearise, residuals
from calib.solve.bundle.problem import Index, Problem, State


def rig_stats(
    tracks: Tracks,
    problem: Problem,
    state: State,
    is_inlier: NDArray[np.bool_],
    sigma_px: Array,
    frame: Array | None = None,
) -> list[CameraStats]:
    """Return each camera's residual statistics at a state, given the inliers (M, P) and the noise
    (C,) in px.

    ``sigma_px`` of the result is corrected for what fitting the wand poses took up. ``frame (F, d,
    d)`` are the frames' blocks there with the problem's weights, where these are those of the
    inliers and the noise all but a trifle.
    """
    residual = residuals(problem, state)
    used = is_inlier | ((problem.row >= 0) & has_judges(problem)[problem.frame])
    if frame is None:
        problem = problem.with_weight(is_inlier / sigma_px[problem.cam])
        frame = linearise(problem, state, (), np.inf, has_cameras=False).frame
    share_left = _share_left(problem, state, frame, is_inlier)

    def run(cameras: Sequence[tuple[CameraTracks, Index, float]]) -> list[CameraStats]:
        stats = []
        for camera, own, share in cameras:
            here = used[:, own]
            px = np.column_stack([of_axis[:, own][here] for of_axis in residual])
            row, out = problem.row[:, own][here], ~is_inlier[:, own][here]
            found = camera_stats(px, camera.xy_px[row], out, camera.width, camera.height)
            stats.append(replace(found, sigma_px=found.sigma_px / float(np.sqrt(share))))
        return stats

    parts = in_groups(
        run, list(zip(tracks.cameras, problem.pairs_by_camera(), share_left, strict=True))
    )
    return [stats for part in parts for stats in part]


def has_judges(problem: Problem) -> NDArray[np.bool_]:
    """Return the frames (F,) in which two cameras each see enough markers to fix the wand's pose.

    In others a point that does not fit is no gross outlier: nothing says where it should be.
    """
    return np.asarray(
        (problem.n_views(problem.row >= 0) >= 2).sum(axis=0)
        >= {2: 2, 3: 3, 0: 1}[problem.n_rotation]
    )


def _share_left(
    problem: Problem, state: State, frame: Array, is_inlier: NDArray[np.bool_]
) -> Array:
    """Return which share (C,) of each camera's residuals the fitted wand poses leave free, nan
    without points.
    """
    taken = np.bincount(
        problem.cam, frame_leverage(problem, state, inverse_factors(frame)), problem.n_cameras
    )
    n = np.bincount(problem.cam, 2.0 * is_inlier.sum(axis=0), problem.n_cameras)
    return np.where(n > taken, (n - taken) / np.maximum(n, 1.0), np.nan)


def camera_stats(
    residual_px: Array, xy_px: Array, is_left_out: NDArray[np.bool_], width: int, height: int
) -> CameraStats:
    """Return the statistics of one camera's residuals (n, 2), observed minus predicted in px, at
    points xy_px (n, 2).

    Points that ``is_left_out`` marks (gross outliers) count in ``n_left_out`` and nowhere else.
    """
    used = residual_px[~is_left_out]
    if not len(used):
        nan = float("nan")
        return CameraStats(0, int(is_left_out.sum()), nan, nan, nan, nan, (nan, nan), 0.0)
    length = np.sqrt(used[:, 0] ** 2 + used[:, 1] ** 2)
    median, p95 = (float(v) for v in np.quantile(length, [0.5, 0.95]))
    return CameraStats(
        points=len(used),
        n_left_out=int(is_left_out.sum()),
        rms_px=float(np.sqrt(np.mean(length**2))),
        median_px=median,
        p95_px=p95,
        # Of one coordinate: the median squared length of a 2D normal law is 2 ln 2 sigma².
        sigma_px=median / float(np.sqrt(2.0 * np.log(2.0))),
        bias_px=(float(used[:, 0].mean()), float(used[:, 1].mean())),
        coverage=coverage(xy_px[~is_left_out], width, height),
    )
