"""What a camera did from file to file: the simplest of nothing, one jump, a steady drift, or change
without a pattern.

All changes are against the first file, whose own error they have in common (``compare``).
"""

from __future__ import annotations

import numpy as np
from scipy import special

from calib.check.history.records import N_SHOWN, CameraHistory
from calib.check.verdicts import Course
from calib.core.geometry import Array

MIN_FOR_DRIFT = 3  # files: between two, a drift and a jump are the same


def of_camera(
    name: str,
    change: Array,
    joint: Array,
    shared: Array,
    times: Array,
    level: float,
    n_cameras: int,
) -> CameraHistory:
    """Return one camera's history with its verdict, from changes (K, 7) and their joint covariance
    (K, 7, K, 7).

    ``shared (K, 7, h)`` is what unit errors that files have in common do to each beyond what they
    do to the first.
    """
    known = np.flatnonzero(np.isfinite(change).all(axis=1))
    sigma = np.full_like(change, np.nan)
    if len(known) and known[0] == 0:
        both = joint[known, :, known] + shared[known] @ np.swapaxes(shared[known], 1, 2)
        sigma[known] = np.sqrt(np.maximum(np.einsum("kii->ki", both), 0.0))
    if len(known) < 2 or known[0] != 0:
        return CameraHistory(name, Course.UNKNOWN, change, sigma, float("nan"), None)
    later = known[1:]
    y = change[later]
    common = shared[later].reshape(y.size, -1)
    root = _whitener(joint[later][:, :, later].reshape((y.size,) * 2) + common @ common.T)
    nothing = float(((root @ y.ravel()) ** 2).sum())
    p = float(min(1.0, n_cameras * special.chdtrc(N_SHOWN * (len(known) - 1), nothing)))
    jumps = {int(k): _misfit(y, root, later >= k) for k in later}
    at = min(jumps, key=lambda k: jumps[k])
    drift = _misfit(y, root, times[later] - times[0])
    # A jump could lie between any two files: each of them is a chance to find one.
    best = min(drift, jumps[at])
    is_seen = min(
        special.chdtrc(N_SHOWN, nothing - best) * len(known),
        special.chdtrc(N_SHOWN * (len(known) - 1), nothing),
    )
    if is_seen >= level:
        return CameraHistory(name, Course.STEADY, change, sigma, p, None)
    p = float(min(p, 1.0, n_cameras * is_seen))
    if len(known) < MIN_FOR_DRIFT:
        return CameraHistory(name, Course.CHANGED, change, sigma, p, None)
    fits = special.chdtrc(N_SHOWN * (len(known) - 2), best) > level if len(known) > 2 else True
    if not fits:
        return CameraHistory(name, Course.CHANGED, change, sigma, p, None)
    if jumps[at] <= drift:
        return CameraHistory(name, Course.JUMP, change, sigma, p, at)
    return CameraHistory(name, Course.DRIFT, change, sigma, p, None)


def _whitener(C: Array) -> Array:
    """Return the matrix that makes errors of covariance C (n, n) independent and of unit size."""
    s = np.sqrt(np.where(np.diag(C) > 0, np.diag(C), 1e-12))
    values, vectors = np.linalg.eigh(C / s[:, None] / s)
    return np.asarray((vectors / np.sqrt(np.maximum(values, 1e-9))).T / s)


def _misfit(y: Array, root: Array, course: Array) -> float:
    """Return the least sum of squares of y (K, 7) over what goes as ``course (K,)``, each column by
    its own.
    """
    A = root @ np.kron(course[:, None] / max(np.abs(course).max(), 1e-300), np.eye(y.shape[1]))
    b = root @ y.ravel()
    left = b - A @ np.linalg.lstsq(A, b, rcond=None)[0]
    return float(left @ left)
