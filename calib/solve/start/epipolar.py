"""Essential and fundamental matrices of a pair of cameras, robustly, by OpenCV."""

from __future__ import annotations

from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array

EPIPOLAR_PX = 3.0  # before the lens is known, distortion alone moves points by pixels


def essential_candidates(
    xy_a: Array,
    xy_b: Array,
    focal: tuple[float, float],
    to_try: tuple[tuple[float, ...], tuple[float, ...]],
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return essential matrices (k, 3, 3), the focal scales (k, 2) they go with and the inliers
    (n,).

    With both lenses known, one matrix from a robust five-point search. With a focal length open,
    the fundamental matrix, which does not depend on it, is found robustly first and turned into one
    matrix for every scale ``to_try``.
    """
    mean_focal = float(np.sqrt(focal[0] * focal[1]))
    identity = np.eye(3)
    nothing = np.empty((0, 3, 3)), np.empty((0, 2)), np.zeros(len(xy_a), bool)
    if to_try == ((1.0,), (1.0,)):
        E, mask = cv2.findEssentialMat(
            xy_a,
            xy_b,
            identity,
            method=cv2.USAC_MAGSAC,
            prob=0.9999,
            threshold=EPIPOLAR_PX / mean_focal,
        )
        if E is None or E.shape[0] < 3:
            return nothing
        return np.asarray(E[None, :3], float), np.ones((1, 2)), mask.ravel().astype(bool)
    F, is_inlier = fundamental(xy_a * focal[0], xy_b * focal[1], 0.9999, 2000)
    if F is None:
        return nothing
    scales = np.array(list(product(*to_try)))
    K_a = np.stack([np.diag([focal[0] * s, focal[0] * s, 1.0]) for s, _ in scales])
    K_b = np.stack([np.diag([focal[1] * s, focal[1] * s, 1.0]) for _, s in scales])
    return K_b @ F @ K_a, scales, is_inlier


def fundamental(
    uv_a: Array, uv_b: Array, confidence: float = 0.99, most_samples: int = 500
) -> tuple[Array | None, NDArray[np.bool_]]:
    """Return the fundamental matrix (3, 3) of points (n, 2) in px, found robustly, and its inliers
    (n,); None where there is none.

    By default so surely as a look at whether two cameras fit asks for, in some milliseconds; a pair
    that a rig starts from is worth more.
    """
    try:
        F, mask = cv2.findFundamentalMat(
            uv_a, uv_b, cv2.USAC_MAGSAC, EPIPOLAR_PX, confidence, most_samples
        )
    except cv2.error:  # OpenCV 5 raises where no sample gives a matrix, as with points that stand
        F = None
    if F is None or F.shape != (3, 3):
        return None, np.zeros(len(uv_a), bool)
    return np.asarray(F, float), mask.ravel().astype(bool)


def decompose(E: Array) -> tuple[Array, Array]:
    """Return the four (R (k, 4, 3, 3), unit t (k, 4, 3)), b_from_a, of essential matrices (k, 3,
    3).

    Source: Hartley & Zisserman, Multiple View Geometry, 2nd edition, result 9.19.
    """
    u, _, vt = np.linalg.svd(E)
    u = u * np.where(np.linalg.det(u) < 0, -1.0, 1.0)[:, None, None]
    vt = vt * np.where(np.linalg.det(vt) < 0, -1.0, 1.0)[:, None, None]
    W = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    R1, R2, t = u @ W @ vt, u @ W.T @ vt, u[:, :, 2]
    return np.stack([R1, R1, R2, R2], axis=1), np.stack([t, -t, t, -t], axis=1)
