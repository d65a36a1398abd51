"""Residual statistics per camera."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import coverage
from calib.core.geometry import Array
from calib.core.rig import CameraStats


def camera_stats(
    residual_px: Array, xy_px: Array, is_left_out: NDArray[np.bool_], width: int, height: int
) -> CameraStats:
    """Return the statistics of one camera's residuals (n, 2), observed minus predicted in px, at points xy_px (n, 2).

    Points that ``is_left_out`` marks (gross outliers) count in ``n_left_out`` and nowhere else.
    """
    used = residual_px[~is_left_out]
    if not len(used):
        nan = float("nan")
        return CameraStats(0, int(is_left_out.sum()), nan, nan, nan, nan, (nan, nan), 0.0)
    length = np.linalg.norm(used, axis=1)
    return CameraStats(
        points=len(used),
        n_left_out=int(is_left_out.sum()),
        rms_px=float(np.sqrt(np.mean(length**2))),
        median_px=float(np.median(length)),
        p95_px=float(np.percentile(length, 95)),
        # Of one coordinate: the median squared length of a 2D normal law is 2 ln 2 sigma².
        sigma_px=float(np.median(length) / np.sqrt(2.0 * np.log(2.0))),
        bias_px=(float(used[:, 0].mean()), float(used[:, 1].mean())),
        coverage=coverage(xy_px[~is_left_out], width, height),
    )
