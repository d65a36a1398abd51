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

from calib.core.camera import distort_point
from calib.core.compiled import compiled
from calib.core.geometry import Array


def row_width(n: int) -> int:
    """Return the columns of n parameters and the residual, filled up to whole vector registers.

    The compiler then sums products four at a time, without a loop for the rest.
    """
    return (n + 4) // 4 * 4


@compiled
def _distort(lens: Array, c: int, x: float, y: float) -> Any:
    """Return distorted image-plane points of camera c, and more, as ``distort_point`` does."""
    k1, k2, p1, p2, k3 = lens[c, 4], lens[c, 5], lens[c, 6], lens[c, 7], lens[c, 8]
    return distort_point(k1, k2, p1, p2, k3, lens[c, 9], lens[c, 10], lens[c, 11], x, y)


@compiled
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


@compiled
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
    cam: Any, frame: Any, uv: Array, first: int, last: int,
    cam_R: Array, cam_t: Array, lens: Array, wand_R: Array, wand_t: Array, shape: Array, out: Array,
) -> None:  # fmt: skip
    """Write the residuals of the pairs from first to last into out (2, M, P)."""
    R, t = np.empty((3, 3)), np.empty(3)
    for p in range(first, last):
        c, f = cam[p], frame[p]
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            x, y, _ = _image_plane(R, t, shape, m)
            xd, yd, _, _, _, _ = _distort(lens, c, x, y)
            out[0, m, p] = uv[0, m, p] - (lens[c, 0] * xd + lens[c, 2])
            out[1, m, p] = uv[1, m, p] - (lens[c, 1] * yd + lens[c, 3])


@compiled
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


@compiled
def twist_rows(
    R: Array, t: Array, lens: Array, c: int, shape: Array, m: int, codes: Any, u: float, v: float,
    weight: float,
    loss_scale: float, rows: Array,
) -> float:  # fmt: skip
    """Write a point's two rows (y × q, q), lens terms and minus the residual into rows (2, ...) and
    return its cost.

    They are of the motion between camera and wand, as a twist about the wand's origin in the
    camera's axes: y = R X.
    """
    x, y, inverse_z = _image_plane(R, t, shape, m)
    xd, yd, xd_x, xd_y, yd_y, inverse = _distort(lens, c, x, y)
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


@compiled
def wand_row(R: Array, row: Array, n_turn: int, out: Array) -> None:
    """Write the derivatives by the wand's turns and shifts in its own frame of a row of
    ``twist_rows``.
    """
    for j in range(3):
        out[n_turn + j] = R[0, j] * row[3] + R[1, j] * row[4] + R[2, j] * row[5]
        if j >= 3 - n_turn:
            out[n_turn - 3 + j] = R[0, j] * row[0] + R[1, j] * row[1] + R[2, j] * row[2]


@compiled
def rows_kernel(
    cam: Any, frame: Any, uv: Array, weight: Array, first: int, last: int,
    cam_R: Array, cam_t: Array, lens: Array, wand_R: Array, wand_t: Array, shape: Array,
    codes: Any, n_turn: int, out: Array,
) -> None:  # fmt: skip
    """Write the rows of the pairs from first to last into out (last - first, M, 2, d + 6 +
    L + 1).
    """
    R, t, d = np.empty((3, 3)), np.empty(3), n_turn + 3
    point = np.empty((2, 6 + len(codes) + 1))
    for p in range(first, last):
        c, f = cam[p], frame[p]
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            rows = out[p - first, m]
            if weight[m, p] > 0.0:
                twist_rows(
                    R,
                    t,
                    lens,
                    c,
                    shape,
                    m,
                    codes,
                    uv[0, m, p],
                    uv[1, m, p],
                    weight[m, p],
                    np.inf,
                    point,
                )
                for k in range(2):
                    wand_row(R, point[k], n_turn, rows[k])
                    rows[k, d:] = point[k]
                    rows[k, d] += t[1] * point[k, 5] - t[2] * point[k, 4]
                    rows[k, d + 1] += t[2] * point[k, 3] - t[0] * point[k, 5]
                    rows[k, d + 2] += t[0] * point[k, 4] - t[1] * point[k, 3]
            else:
                rows[:] = 0.0


@compiled
def leverage_kernel(
    cam: Any, frame: Any, uv: Array, weight: Array, first: int, last: int,
    cam_R: Array, cam_t: Array, lens: Array, wand_R: Array, wand_t: Array, shape: Array,
    n_turn: int, factors: Array, out: Array,
) -> None:  # fmt: skip
    """Write the squared lengths of the rows' wand part, times the frame's factors, summed by pair,
    into out (P,).
    """
    R, t, rows, row = np.empty((3, 3)), np.empty(3), np.empty((2, 7)), np.empty(n_turn + 3)
    codes = np.empty(0, np.int64)
    for p in range(first, last):
        c, f, total = cam[p], frame[p], 0.0
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            if weight[m, p] > 0.0:
                twist_rows(
                    R,
                    t,
                    lens,
                    c,
                    shape,
                    m,
                    codes,
                    uv[0, m, p],
                    uv[1, m, p],
                    weight[m, p],
                    np.inf,
                    rows,
                )
                for k in range(2):
                    wand_row(R, rows[k], n_turn, row)
                    for i in range(n_turn + 3):
                        value = 0.0
                        for j in range(i + 1):
                            value += factors[f, i, j] * row[j]
                        total += value * value
        out[p] = total


@compiled
def _to_wand(R: Array, G: Array, W: Array) -> None:
    """Write the twist in the rows of G (6, k) into W (6, k), its axes turned from the camera's to
    the wand's.
    """
    for i in range(3):
        for j in range(G.shape[1]):
            W[i, j] = R[0, i] * G[0, j] + R[1, i] * G[1, j] + R[2, i] * G[2, j]
            W[3 + i, j] = R[0, i] * G[3, j] + R[1, i] * G[4, j] + R[2, i] * G[5, j]


@compiled
def _columns_to_camera(t: Array, G: Array) -> None:
    """Move the twist in the columns of G (k, 6 and more) from the wand's origin to the camera's, in
    place.
    """
    for i in range(len(G)):
        G[i, 0] += t[1] * G[i, 5] - t[2] * G[i, 4]
        G[i, 1] += t[2] * G[i, 3] - t[0] * G[i, 5]
        G[i, 2] += t[0] * G[i, 4] - t[1] * G[i, 3]


@compiled
def _rows_to_camera(t: Array, G: Array) -> None:
    """Move the twist in the rows of G (6 and more, k) from the wand's origin to the camera's, in
    place.
    """
    for j in range(G.shape[1]):
        G[0, j] += t[1] * G[5, j] - t[2] * G[4, j]
        G[1, j] += t[2] * G[3, j] - t[0] * G[5, j]
        G[2, j] += t[0] * G[4, j] - t[1] * G[3, j]


@compiled
def normal_kernel(
    cam: Any, starts: Any, uv: Array, weight: Array, first: int, last: int,
    cam_R: Array, cam_t: Array, lens: Array, wand_R: Array, wand_t: Array, shape: Array,
    codes: Any, n_turn: int, loss_scale: float, n_axes: int, has_cameras: bool,
    frame: Array, coupling: Array, frame_cost: Array, frame_shape: Array,
    camera: Array, camera_shape: Array, by_marker: Array,
) -> None:  # fmt: skip
    """Add up the normal equations of the frames from first to last.

    frame (F, d, d + 1) ends with the gradient, coupling (P, d, n), frame_cost (F,) and frame_shape
    (F, d, M a) are written; camera (C, n, width; upper triangles), camera_shape (C, M a, width) and
    by_marker (M, a, a) are added to, the first two with the gradient in column n and
    ``row_width(n)`` wide. Without ``has_cameras`` only what concerns frames alone is formed.

    A pair's points see one rigid motion between camera and wand: their products are summed for one
    twist, of which the camera's and the wand's are linear maps. That takes a third of the
    arithmetic of whole rows.
    """
    d, skip, n = n_turn + 3, 3 - n_turn, 6 + len(codes)
    width = camera.shape[2]
    R, t = np.empty((3, 3)), np.empty(3)
    rows, G, W = np.zeros((2, width)), np.empty((n, width)), np.empty((6, width))
    of_frame = np.empty((len(shape), 3, n_axes))
    for f in range(first, last):
        frame[f] = 0.0
        of_frame[:] = 0.0
        cost = 0.0
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            G[:] = 0.0
            for m in range(len(shape)):
                if weight[m, p] > 0.0:
                    cost += twist_rows(
                        R,
                        t,
                        lens,
                        c,
                        shape,
                        m,
                        codes,
                        uv[0, m, p],
                        uv[1, m, p],
                        weight[m, p],
                        loss_scale,
                        rows,
                    )
                    for i in range(n):
                        of_x, of_y = rows[0, i], rows[1, i]
                        for j in range(width):
                            G[i, j] += of_x * rows[0, j] + of_y * rows[1, j]
                    if n_axes:
                        _add_shape(R, t, rows, c, m, n_axes, of_frame, camera_shape)
            _to_wand(R, G, W)
            for i in range(d):
                k = skip + i
                for j in range(3):
                    if j >= skip:
                        frame[f, i, j - skip] += (
                            W[k, 0] * R[0, j] + W[k, 1] * R[1, j] + W[k, 2] * R[2, j]
                        )
                    frame[f, i, n_turn + j] += (
                        W[k, 3] * R[0, j] + W[k, 4] * R[1, j] + W[k, 5] * R[2, j]
                    )
                frame[f, i, d] += W[k, n]
            if has_cameras:
                _columns_to_camera(t, W)
                for i in range(d):
                    for j in range(n):
                        coupling[p, i, j] = W[skip + i, j]
                _columns_to_camera(t, G)
                _rows_to_camera(t, G)
                for i in range(n):
                    for j in range(width):
                        camera[c, i, j] += G[i, j]
        _close_shape(f, shape, n_turn, n_axes, of_frame, frame_shape, by_marker)
        frame_cost[f] = cost


@compiled
def _add_shape(
    R: Array,
    t: Array,
    rows: Array,
    c: int,
    m: int,
    n_axes: int,
    of_frame: Array,
    camera_shape: Array,
) -> None:
    """Add a point's products with the shifts of its marker, whose column is the wand's own shift.

    ``of_frame (M, 3, a)`` takes ``Rᵀ q qᵀ R``, from which the frame's follow.
    """
    for a in range(n_axes):
        column = m * n_axes + a
        of_x = R[0, a] * rows[0, 3] + R[1, a] * rows[0, 4] + R[2, a] * rows[0, 5]
        of_y = R[0, a] * rows[1, 3] + R[1, a] * rows[1, 4] + R[2, a] * rows[1, 5]
        v0 = of_x * rows[0, 3] + of_y * rows[1, 3]
        v1 = of_x * rows[0, 4] + of_y * rows[1, 4]
        v2 = of_x * rows[0, 5] + of_y * rows[1, 5]
        for b in range(3):
            of_frame[m, b, a] += R[0, b] * v0 + R[1, b] * v1 + R[2, b] * v2
        for j in range(rows.shape[1]):
            camera_shape[c, column, j] += of_x * rows[0, j] + of_y * rows[1, j]
        camera_shape[c, column, 0] += t[1] * v2 - t[2] * v1
        camera_shape[c, column, 1] += t[2] * v0 - t[0] * v2
        camera_shape[c, column, 2] += t[0] * v1 - t[1] * v0


@compiled
def _close_shape(
    f: int,
    shape: Array,
    n_turn: int,
    n_axes: int,
    of_frame: Array,
    frame_shape: Array,
    by_marker: Array,
) -> None:
    """Turn a frame's ``Rᵀ q qᵀ R`` into its couplings with the markers' shifts, and add up the
    markers' own.
    """
    for m in range(len(shape)):
        for a in range(n_axes):
            n0, n1, n2, column = (
                of_frame[m, 0, a],
                of_frame[m, 1, a],
                of_frame[m, 2, a],
                m * n_axes + a,
            )
            if n_turn == 3:
                frame_shape[f, 0, column] = shape[m, 1] * n2 - shape[m, 2] * n1
            if n_turn > 0:
                frame_shape[f, n_turn - 2, column] = shape[m, 2] * n0 - shape[m, 0] * n2
                frame_shape[f, n_turn - 1, column] = shape[m, 0] * n1 - shape[m, 1] * n0
            frame_shape[f, n_turn, column] = n0
            frame_shape[f, n_turn + 1, column] = n1
            frame_shape[f, n_turn + 2, column] = n2
            for b in range(n_axes):
                by_marker[m, a, b] += of_frame[m, b, a]
