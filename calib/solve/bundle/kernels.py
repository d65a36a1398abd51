"""The loops over points behind residuals and normal equations, compiled.

All take the arrays of a Problem and a State: ``uv (2, M, P)``, ``weight (M, P)``, pairs sorted by
frame. A *row* holds the derivatives of one predicted coordinate, times its weight: wand turns and
shifts in the wand's frame (d), camera turns and shifts in the camera's frame (6), lens terms, and
last minus the weighted residual. With q the derivative of the coordinate by the camera-frame point
x, a camera's twist gives (x × q, q) and a wand's, with h = Rᵀ q, (X × h, h) for the marker at X.
For a line along x the turn about x has no column at all.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.camera import distorted
from calib.core.compiled import compiled, inlined
from calib.core.geometry import Array


def row_width(n: int) -> int:
    """Return the columns of n parameters and the residual, filled up to whole vector registers.

    The compiler then sums products four at a time, without a loop for the rest.
    """
    return (n + 4) // 4 * 4


@inlined
def join_poses(
    cam_R: Array, cam_t: Array, c: int, wand_R: Array, wand_t: Array, f: int, R: Array, t: Array
) -> None:
    """Write cam_from_wand into R and t."""
    for i in range(3):
        t[i] = cam_t[c, i]
        for j in range(3):
            t[i] += cam_R[c, i, j] * wand_t[f, j]
            R[i, j] = 0.0
            for k in range(3):
                R[i, j] += cam_R[c, i, k] * wand_R[f, k, j]


@inlined
def _image_plane(R: Array, t: Array, shape: Array, m: int) -> Any:
    """Return x, y and 1 / z of a marker."""
    a = R[0, 0] * shape[m, 0] + R[0, 1] * shape[m, 1] + R[0, 2] * shape[m, 2] + t[0]
    b = R[1, 0] * shape[m, 0] + R[1, 1] * shape[m, 1] + R[1, 2] * shape[m, 2] + t[1]
    c = R[2, 0] * shape[m, 0] + R[2, 1] * shape[m, 1] + R[2, 2] * shape[m, 2] + t[2]
    # A point pushed behind its camera by a trial step must cost much, not change sign: 1 mm in
    # front of it.
    inverse_z = 1.0 / max(c, 1.0)
    return a * inverse_z, b * inverse_z, inverse_z


@compiled
def residual_kernel(
    cam: Any,
    frame: Any,
    uv: Array,
    first: int,
    last: int,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    out: Array,
) -> None:
    """Write the residuals of the pairs from first to last into out (2, M, P)."""
    R, t = np.empty((3, 3)), np.empty(3)
    for p in range(first, last):
        c, f = cam[p], frame[p]
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            x, y, _ = _image_plane(R, t, shape, m)
            xd, yd, _, _, _, _ = distorted(lens, c, x, y)
            out[0, m, p] = uv[0, m, p] - (lens[c, 0] * xd + lens[c, 2])
            out[1, m, p] = uv[1, m, p] - (lens[c, 1] * yd + lens[c, 3])


@compiled
def cost_kernel(
    cam: Any,
    starts: Any,
    uv: Array,
    weight: Array,
    first: int,
    last: int,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    loss_scale: float,
    out: Array,
) -> None:
    """Write half the sums of (robust) squared residuals of the frames from first to last into out
    (F,).
    """
    R, t = np.empty((3, 3)), np.empty(3)
    for f in range(first, last):
        out[f] = 0.0
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            for m in range(len(shape)):
                w = weight[m, p]
                if w > 0.0:
                    x, y, _ = _image_plane(R, t, shape, m)
                    xd, yd, _, _, _, _ = distorted(lens, c, x, y)
                    du = uv[0, m, p] - (lens[c, 0] * xd + lens[c, 2])
                    dv = uv[1, m, p] - (lens[c, 1] * yd + lens[c, 3])
                    squared = (du * du + dv * dv) * w * w
                    if loss_scale < np.inf:
                        ratio = 1.0 + squared / (loss_scale * loss_scale)
                        squared = loss_scale * loss_scale * np.log(ratio)
                    out[f] += 0.5 * squared


@inlined
def _lens_columns(
    lens: Array,
    c: int,
    codes: Any,
    x: float,
    y: float,
    xd: float,
    yd: float,
    inverse: float,
    weight: float,
    rows: Array,
) -> None:
    """Write the derivatives of a point by lens terms, times the weight, into rows (2, ...) from
    column 6 on.
    """
    r2 = x * x + y * y
    fx, fy = lens[c, 0] * weight, lens[c, 1] * weight
    for k in range(len(codes)):
        code = codes[k]
        to_x, to_y = 0.0, 0.0
        if code == 0:
            to_x, to_y = weight * xd, weight * yd * lens[c, 1] / lens[c, 0]
        elif code == 1:
            to_y = fx * yd
        elif code == 2:
            to_x = weight
        elif code == 3:
            to_y = weight
        elif code == 6:
            to_x, to_y = 2.0 * fx * x * y, fy * (r2 + 2.0 * y * y)
        elif code == 7:
            to_x, to_y = fx * (r2 + 2.0 * x * x), 2.0 * fy * x * y
        else:
            factor = r2 * inverse
            if code in (5, 10):
                factor *= r2
            elif code in (8, 11):
                factor *= r2 * r2
            if code >= 9:
                factor *= -(1.0 + r2 * (lens[c, 4] + r2 * (lens[c, 5] + r2 * lens[c, 8]))) * inverse
            to_x, to_y = fx * factor * x, fy * factor * y
        rows[0, 6 + k], rows[1, 6 + k] = to_x, to_y


@inlined
def twist_rows(
    R: Array,
    t: Array,
    lens: Array,
    c: int,
    shape: Array,
    m: int,
    codes: Any,
    u: float,
    v: float,
    weight: float,
    loss_scale: float,
    rows: Array,
) -> float:
    """Write a point's two rows (y × q, q), lens terms and minus the residual into rows (2, ...) and
    return its cost.

    They are of the motion between camera and wand, as a twist about the wand's origin in the
    camera's axes: y = R X.
    """
    x, y, inverse_z = _image_plane(R, t, shape, m)
    xd, yd, xd_x, xd_y, yd_y, inverse = distorted(lens, c, x, y)
    fx, fy, last = lens[c, 0], lens[c, 1], 6 + len(codes)
    du, dv = u - (fx * xd + lens[c, 2]), v - (fy * yd + lens[c, 3])
    squared = (du * du + dv * dv) * weight * weight
    if loss_scale < np.inf:
        ratio = 1.0 + squared / (loss_scale * loss_scale)
        squared = loss_scale * loss_scale * np.log(ratio)
        weight /= np.sqrt(ratio)
    y0 = R[0, 0] * shape[m, 0] + R[0, 1] * shape[m, 1] + R[0, 2] * shape[m, 2]
    y1 = R[1, 0] * shape[m, 0] + R[1, 1] * shape[m, 1] + R[1, 2] * shape[m, 2]
    y2 = R[2, 0] * shape[m, 0] + R[2, 1] * shape[m, 1] + R[2, 2] * shape[m, 2]
    scale = weight * inverse_z
    for k in range(2):
        q0, q1 = (
            (scale * fx * xd_x, scale * fx * xd_y)
            if k == 0
            else (scale * fy * xd_y, scale * fy * yd_y)
        )
        q2 = -(q0 * x + q1 * y)
        rows[k, 0], rows[k, 1], rows[k, 2] = y1 * q2 - y2 * q1, y2 * q0 - y0 * q2, y0 * q1 - y1 * q0
        rows[k, 3], rows[k, 4], rows[k, 5] = q0, q1, q2
    _lens_columns(lens, c, codes, x, y, xd, yd, inverse, weight, rows)
    rows[0, last], rows[1, last] = -weight * du, -weight * dv
    return float(0.5 * squared)


@inlined
def columns_to_camera(t: Array, G: Array) -> None:
    """Move the twist in the columns of G (k, 6 and more) from the wand's origin to the camera's, in
    place.
    """
    for i in range(len(G)):
        G[i, 0] += t[1] * G[i, 5] - t[2] * G[i, 4]
        G[i, 1] += t[2] * G[i, 3] - t[0] * G[i, 5]
        G[i, 2] += t[0] * G[i, 4] - t[1] * G[i, 3]


@inlined
def wand_row(R: Array, row: Array, n_rotation: int, out: Array) -> None:
    """Write the derivatives by the wand's turns and shifts in its own frame of a row of
    ``twist_rows``.
    """
    for j in range(3):
        out[n_rotation + j] = R[0, j] * row[3] + R[1, j] * row[4] + R[2, j] * row[5]
        if j >= 3 - n_rotation:
            out[n_rotation - 3 + j] = R[0, j] * row[0] + R[1, j] * row[1] + R[2, j] * row[2]


@compiled
def rows_kernel(
    cam: Any,
    frame: Any,
    uv: Array,
    weight: Array,
    first: int,
    last: int,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    codes: Any,
    n_rotation: int,
    out: Array,
) -> None:
    """Write the rows of the pairs from first to last into out (last - first, M, 2, d + 6 +
    L + 1).
    """
    R, t, d = np.empty((3, 3)), np.empty(3), n_rotation + 3
    point = np.empty((2, 6 + len(codes) + 1))
    for p in range(first, last):
        c, f = cam[p], frame[p]
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            rows = out[p - first, m]
            w = weight[m, p]
            if w > 0.0:
                twist_rows(
                    R, t, lens, c, shape, m, codes, uv[0, m, p], uv[1, m, p], w, np.inf, point
                )
                for k in range(2):
                    wand_row(R, point[k], n_rotation, rows[k])
                columns_to_camera(t, point)
                rows[:, d:] = point
            else:
                rows[:] = 0.0


@compiled
def leverage_kernel(
    cam: Any,
    frame: Any,
    uv: Array,
    weight: Array,
    first: int,
    last: int,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    n_rotation: int,
    factors: Array,
    out: Array,
) -> None:
    """Write the squared lengths of the rows' wand part, times the frame's factors, summed by pair,
    into out (P,).
    """
    R, t, rows, row = np.empty((3, 3)), np.empty(3), np.empty((2, 7)), np.empty(n_rotation + 3)
    codes = np.empty(0, np.int64)
    for p in range(first, last):
        c, f, total = cam[p], frame[p], 0.0
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            w = weight[m, p]
            if w > 0.0:
                twist_rows(
                    R, t, lens, c, shape, m, codes, uv[0, m, p], uv[1, m, p], w, np.inf, rows
                )
                for k in range(2):
                    wand_row(R, rows[k], n_rotation, row)
                    for i in range(n_rotation + 3):
                        value = 0.0
                        for j in range(i + 1):
                            value += factors[f, i, j] * row[j]
                        total += value * value
        out[p] = total
