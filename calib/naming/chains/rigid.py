"""The wand's pose before one camera, on the plane z = 1: projection and the pose that fits named
points best.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.compiled import compiled
from calib.core.frames import Ints
from calib.core.geometry import Array, factor_in_place, solve_in_place

N_STEPS = 5  # from a prediction or a seed that is a few per cent off


@compiled
def turned(R: Array, w: Array) -> Array:
    """Return ``exp(w) R`` (3, 3) for a small turn w (3,) in radian (Rodrigues' formula)."""
    angle = math.sqrt(w[0] * w[0] + w[1] * w[1] + w[2] * w[2])
    out = R.copy()
    if angle > 1e-12:
        x, y, z = w[0] / angle, w[1] / angle, w[2] / angle
        c, s = math.cos(angle), math.sin(angle)
        for k in range(3):
            a, b, d = R[0, k], R[1, k], R[2, k]
            dot = (x * a + y * b + z * d) * (1.0 - c)
            out[0, k] = c * a + s * (y * d - z * b) + dot * x
            out[1, k] = c * b + s * (z * a - x * d) + dot * y
            out[2, k] = c * d + s * (x * b - y * a) + dot * z
    return out


@compiled
def packed(R: Array, t: Array, out: Array) -> None:
    """Write a pose into one row (12,): the rotation's rows, then the shift."""
    for k in range(3):
        out[3 * k : 3 * k + 3] = R[k]
    out[9:] = t


@compiled
def unpacked(pose: Array) -> tuple[Array, Array]:
    """Return R (3, 3) and t (3,) of a row that ``packed`` wrote."""
    return pose[:9].copy().reshape(3, 3), pose[9:].copy()


@compiled
def project_wand(R: Array, t: Array, shape: Array, out: Array) -> bool:
    """Write the markers' places on the plane z = 1 into out (M, 2); False where one is behind the
    camera.
    """
    for m in range(shape.shape[0]):
        x = R[0, 0] * shape[m, 0] + R[0, 1] * shape[m, 1] + R[0, 2] * shape[m, 2] + t[0]
        y = R[1, 0] * shape[m, 0] + R[1, 1] * shape[m, 1] + R[1, 2] * shape[m, 2] + t[1]
        z = R[2, 0] * shape[m, 0] + R[2, 1] * shape[m, 1] + R[2, 2] * shape[m, 2] + t[2]
        if z <= 1.0:
            return False
        out[m, 0], out[m, 1] = x / z, y / z
    return True


@compiled
def fit_pose(
    R: Array,
    t: Array,
    shape: Array,
    xy: Array,
    rows: Ints,
    sigma: float,
    turn_sigma: float,
    shift_sigma: float,
) -> tuple[bool, Array, Array]:
    """Return (solved, R, t): the pose that fits points ``xy[rows[m]]`` of noise sigma, starting
    from R and t.

    ``turn_sigma`` (radian) and ``shift_sigma`` (mm) say how far the start may be off. They decide
    alone where the points say nothing, as of a line's turn about itself.
    """
    R0, t0 = R.copy(), t.copy()
    R, t = R.copy(), t.copy()
    A, b = np.empty((6, 6)), np.empty(6)
    row = np.empty((2, 6))
    total = np.zeros(3)
    for _ in range(N_STEPS):
        A[:] = 0.0
        for k in range(3):
            A[k, k] = 1.0 / turn_sigma**2
            A[3 + k, 3 + k] = 1.0 / shift_sigma**2
            b[k] = -total[k] / turn_sigma**2
            b[3 + k] = (t0[k] - t[k]) / shift_sigma**2
        for m in range(shape.shape[0]):
            if rows[m] < 0:
                continue
            px = R[0, 0] * shape[m, 0] + R[0, 1] * shape[m, 1] + R[0, 2] * shape[m, 2]
            py = R[1, 0] * shape[m, 0] + R[1, 1] * shape[m, 1] + R[1, 2] * shape[m, 2]
            pz = R[2, 0] * shape[m, 0] + R[2, 1] * shape[m, 1] + R[2, 2] * shape[m, 2]
            z = pz + t[2]
            if z <= 1.0:
                return False, R0, t0
            u, v = (px + t[0]) / z, (py + t[1]) / z
            du, dv = xy[rows[m], 0] - u, xy[rows[m], 1] - v
            # d(point) = w × p + shift; d(u) = (dx - u dz) / z
            row[0, 0], row[0, 1], row[0, 2] = -u * py / z, (pz + u * px) / z, -py / z
            row[1, 0], row[1, 1], row[1, 2] = -(pz + v * py) / z, v * px / z, px / z
            row[0, 3], row[0, 4], row[0, 5] = 1.0 / z, 0.0, -u / z
            row[1, 3], row[1, 4], row[1, 5] = 0.0, 1.0 / z, -v / z
            weight = 1.0 / (sigma * sigma)
            for i in range(6):
                b[i] += weight * (row[0, i] * du + row[1, i] * dv)
                for j in range(i + 1):
                    A[i, j] += weight * (row[0, i] * row[0, j] + row[1, i] * row[1, j])
        if not factor_in_place(A):
            return False, R0, t0
        solve_in_place(A, b)
        size = math.sqrt(b[0] * b[0] + b[1] * b[1] + b[2] * b[2])
        # A larger turn leaves the range of the linear step.
        shrink = min(1.0, 0.5 / max(size, 1e-12))
        for k in range(3):
            total[k] += shrink * b[k]
            t[k] += shrink * b[3 + k]
        R = turned(R, shrink * b[:3])
        if size < 1e-4:
            break
    return bool(t[2] > 1.0), R, t
