"""What a camera did from file to file: the simplest of nothing, one jump, a steady drift, or change
without a pattern.

The first file's own error is an unknown like any other, so it is no change of all the later ones.
"""

from __future__ import annotations

import numpy as np
from scipy import linalg, special

from calib.check.history.records import N_SHOWN, CameraHistory
from calib.check.verdicts import Course
from calib.core.geometry import Array

MIN_FOR_DRIFT = 3  # files: between two, a drift and a jump are the same


def told(
    name: str, change: Array, own: Array, shared: Array, times: Array, level: float, n_cameras: int
) -> CameraHistory:
    """Return one camera's history with its verdict, from changes (K, 7) and each file's own
    covariance (K, 7, 7).

    ``shared (K, 7, h)`` is what unit errors that files have in common do to each beyond what they
    do to the first.
    """
    known = np.flatnonzero(np.isfinite(change).all(axis=1) & np.isfinite(own).all(axis=(1, 2)))
    sigma = np.full_like(change, np.nan)
    if len(known) and known[0] == 0:
        both = own[known] + own[0] + shared[known] @ np.swapaxes(shared[known], 1, 2)
        both[0] = own[0]
        sigma[known] = np.sqrt(np.maximum(np.einsum("kii->ki", both), 0.0))
    if len(known) < 2 or known[0] != 0:
        return CameraHistory(name, Course.UNKNOWN, change, sigma, float("nan"), None)
    y = change[known]
    common = shared[known].reshape(y.size, -1)
    root = _whitener(linalg.block_diag(*own[known]) + common @ common.T)
    constant = np.ones((len(known), 1))
    nothing = _misfit(y, root, constant)
    p = float(min(1.0, n_cameras * special.chdtrc(N_SHOWN * (len(known) - 1), nothing)))
    jumps = {int(k): _misfit(y, root, np.column_stack([constant, known >= k])) for k in known[1:]}
    at = min(jumps, key=lambda k: jumps[k])
    drift = _misfit(y, root, np.column_stack([constant, times[known]]))
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


def _misfit(y: Array, root: Array, design: Array) -> float:
    """Return the least sum of squares of y (K, 7) over what ``design`` (K, m) explains, each column
    by its own.
    """
    A = root @ np.kron(design / np.abs(design).max(axis=0), np.eye(y.shape[1]))
    b = root @ y.ravel()
    left = b - A @ np.linalg.lstsq(A, b, rcond=None)[0]
    return float(left @ left)
