"""The loops over points behind residuals and normal equations, compiled.

All take the arrays of a Problem and a State: ``uv (2, M, P)``, ``weight (M, P)``, pairs sorted by frame. A *row* holds
the derivatives of one predicted coordinate, times its weight: wand turns and shifts in the wand's frame (d), camera
turns and shifts in the camera's frame (6), lens terms, and last minus the weighted residual. With q the derivative of
the coordinate by the camera-frame point x, a camera's twist gives (x × q, q) and a wand's, with h = Rᵀ q, (X × h, h)
for the marker at X. For a line along x the turn about x has no column at all.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array

# Which derivative a lens column holds; from k1 on these are places in a lens vector.
TERM_CODES = {"focal": 0, "aspect": 1, "cx": 2, "cy": 3, "k1": 4, "k2": 5, "p1": 6, "p2": 7, "k3": 8}
TERM_CODES |= {"k4": 9, "k5": 10, "k6": 11}


@compiled
def _distort(lens: Array, c: int, x: float, y: float) -> Any:
    """Return distorted image-plane points, their derivatives xd_x, xd_y = yd_x, yd_y, and 1 / denominator."""
    k1, k2, p1, p2, k3 = lens[c, 4], lens[c, 5], lens[c, 6], lens[c, 7], lens[c, 8]
    k4, k5, k6 = lens[c, 9], lens[c, 10], lens[c, 11]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3)
    inverse = 1.0
    if k4 != 0.0 or k5 != 0.0 or k6 != 0.0:
        inverse = 1.0 / (1.0 + r2 * (k4 + r2 * (k5 + r2 * k6)))
        radial *= inverse
        slope = (slope - radial * (k4 + r2 * (2.0 * k5 + 3.0 * r2 * k6))) * inverse
    slope *= 2.0
    xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    yd = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    xd_x = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    xd_y = x * y * slope + 2.0 * (p1 * x + p2 * y)
    yd_y = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return xd, yd, xd_x, xd_y, yd_y, inverse


@compiled
def _join(cam_R: Array, cam_t: Array, c: int, wand_R: Array, wand_t: Array, f: int, R: Array, t: Array) -> None:
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
    # A point pushed behind its camera by a trial step must cost much, not change sign: 1 mm in front of it.
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
        _join(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            x, y, _ = _image_plane(R, t, shape, m)
            xd, yd, _, _, _, _ = _distort(lens, c, x, y)
            out[0, m, p] = uv[0, m, p] - (lens[c, 0] * xd + lens[c, 2])
            out[1, m, p] = uv[1, m, p] - (lens[c, 1] * yd + lens[c, 3])


@compiled
def _lens_columns(
    lens: Array, c: int, codes: Any, x: float, y: float, xd: float, yd: float, inverse: float, weight: float,
    rows: Array, r: int, first: int,
) -> None:  # fmt: skip
    """Write the derivatives of a point by lens terms, times the weight, into rows r and r + 1 from column first on."""
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
        rows[r, first + k], rows[r + 1, first + k] = to_x, to_y


@compiled
def _point_rows(
    R: Array, t: Array, lens: Array, c: int, shape: Array, m: int, codes: Any, n_turn: int,
    u: float, v: float, weight: float, rows: Array, r: int,
) -> None:  # fmt: skip
    """Write a point's rows into rows r and r + 1."""
    x, y, inverse_z = _image_plane(R, t, shape, m)
    xd, yd, xd_x, xd_y, yd_y, inverse = _distort(lens, c, x, y)
    fx, fy = lens[c, 0], lens[c, 1]
    du, dv = u - (fx * xd + lens[c, 2]), v - (fy * yd + lens[c, 3])
    d = n_turn + 3
    n = d + 6
    for k in range(2):
        if k == 0:
            a0, a1 = weight * fx * xd_x, weight * fx * xd_y
        else:
            a0, a1 = weight * fy * xd_y, weight * fy * yd_y
        a2 = -(a0 * x + a1 * y)
        rows[r + k, d], rows[r + k, d + 1], rows[r + k, d + 2] = y * a2 - a1, a0 - x * a2, x * a1 - y * a0
        q0, q1, q2 = a0 * inverse_z, a1 * inverse_z, a2 * inverse_z
        rows[r + k, d + 3], rows[r + k, d + 4], rows[r + k, d + 5] = q0, q1, q2
        h0 = R[0, 0] * q0 + R[1, 0] * q1 + R[2, 0] * q2
        h1 = R[0, 1] * q0 + R[1, 1] * q1 + R[2, 1] * q2
        h2 = R[0, 2] * q0 + R[1, 2] * q1 + R[2, 2] * q2
        rows[r + k, n_turn], rows[r + k, n_turn + 1], rows[r + k, n_turn + 2] = h0, h1, h2
        if n_turn == 3:
            rows[r + k, 0] = shape[m, 1] * h2 - shape[m, 2] * h1
        if n_turn > 0:
            rows[r + k, n_turn - 2] = shape[m, 2] * h0 - shape[m, 0] * h2
            rows[r + k, n_turn - 1] = shape[m, 0] * h1 - shape[m, 1] * h0
    _lens_columns(lens, c, codes, x, y, xd, yd, inverse, weight, rows, r, n)
    rows[r, n + len(codes)], rows[r + 1, n + len(codes)] = -weight * du, -weight * dv


@compiled
def rows_kernel(
    cam: Any, frame: Any, uv: Array, weight: Array, first: int, last: int,
    cam_R: Array, cam_t: Array, lens: Array, wand_R: Array, wand_t: Array, shape: Array,
    codes: Any, n_turn: int, out: Array,
) -> None:  # fmt: skip
    """Write the rows of the pairs from first to last into out (last - first, M, 2, d + 6 + L + 1)."""
    R, t = np.empty((3, 3)), np.empty(3)
    for p in range(first, last):
        c, f = cam[p], frame[p]
        _join(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            rows = out[p - first, m]
            if weight[m, p] > 0.0:
                _point_rows(R, t, lens, c, shape, m, codes, n_turn, uv[0, m, p], uv[1, m, p], weight[m, p], rows, 0)
            else:
                rows[:] = 0.0


@compiled
def leverage_kernel(
    cam: Any, frame: Any, uv: Array, weight: Array, first: int, last: int,
    cam_R: Array, cam_t: Array, lens: Array, wand_R: Array, wand_t: Array, shape: Array,
    n_turn: int, factors: Array, out: Array,
) -> None:  # fmt: skip
    """Write the squared lengths of the rows' wand part, times the frame's factors, summed by pair, into out (P,)."""
    R, t, rows = np.empty((3, 3)), np.empty(3), np.empty((2, n_turn + 10))
    codes = np.empty(0, np.int64)
    for p in range(first, last):
        c, f, total = cam[p], frame[p], 0.0
        _join(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            if weight[m, p] > 0.0:
                _point_rows(R, t, lens, c, shape, m, codes, n_turn, uv[0, m, p], uv[1, m, p], weight[m, p], rows, 0)
                for r in range(2):
                    for i in range(n_turn + 3):
                        value = 0.0
                        for j in range(i + 1):
                            value += factors[f, i, j] * rows[r, j]
                        total += value * value
        out[p] = total


@compiled
def _add_point(
    R: Array, t: Array, lens: Array, c: int, shape: Array, m: int, codes: Any, u: float, v: float, weight: float,
    loss_scale: float, G: Array, of_lens: Array, own: Array, columns: Array,
) -> float:  # fmt: skip
    """Add a point's products to its pair's G (6, 6 + L + 1) and of_lens (L + 1, L + 1) and return its cost.

    G's rows are the twist (y × q, q) about the wand's origin in the camera's axes, y = R X; its columns that twist, the
    lens terms and minus the residual. ``own (6, 3 + L + 1)`` is left with the point's products of that twist by q, lens
    and residual; ``columns (2, L + 1)`` is room to work in.
    """
    x, y, inverse_z = _image_plane(R, t, shape, m)
    xd, yd, xd_x, xd_y, yd_y, inverse = _distort(lens, c, x, y)
    fx, fy, n_lens = lens[c, 0], lens[c, 1], len(codes)
    du, dv = u - (fx * xd + lens[c, 2]), v - (fy * yd + lens[c, 3])
    squared = (du * du + dv * dv) * weight * weight
    if loss_scale < np.inf:
        ratio = 1.0 + squared / (loss_scale * loss_scale)
        squared = loss_scale * loss_scale * np.log(ratio)
        weight /= np.sqrt(ratio)
    scale = weight * inverse_z
    a0, a1, b0, b1 = scale * fx * xd_x, scale * fx * xd_y, scale * fy * xd_y, scale * fy * yd_y
    a2, b2 = -(a0 * x + a1 * y), -(b0 * x + b1 * y)
    _lens_columns(lens, c, codes, x, y, xd, yd, inverse, weight, columns, 0, 0)
    columns[0, n_lens], columns[1, n_lens] = -weight * du, -weight * dv
    y0 = R[0, 0] * shape[m, 0] + R[0, 1] * shape[m, 1] + R[0, 2] * shape[m, 2]
    y1 = R[1, 0] * shape[m, 0] + R[1, 1] * shape[m, 1] + R[1, 2] * shape[m, 2]
    y2 = R[2, 0] * shape[m, 0] + R[2, 1] * shape[m, 1] + R[2, 2] * shape[m, 2]
    for k in range(3 + n_lens + 1):
        if k == 0:
            to_x, to_y = a0, b0
        elif k == 1:
            to_x, to_y = a1, b1
        elif k == 2:
            to_x, to_y = a2, b2
        else:
            to_x, to_y = columns[0, k - 3], columns[1, k - 3]
        q0, q1, q2 = a0 * to_x + b0 * to_y, a1 * to_x + b1 * to_y, a2 * to_x + b2 * to_y
        own[0, k], own[1, k], own[2, k] = y1 * q2 - y2 * q1, y2 * q0 - y0 * q2, y0 * q1 - y1 * q0
        own[3, k], own[4, k], own[5, k] = q0, q1, q2
    for i in range(3):
        G[i, 0] += y1 * own[i, 2] - y2 * own[i, 1]
        G[i, 1] += y2 * own[i, 0] - y0 * own[i, 2]
        G[i, 2] += y0 * own[i, 1] - y1 * own[i, 0]
    for i in range(6):
        for k in range(3 + n_lens + 1):
            G[i, 3 + k] += own[i, k]
    for i in range(n_lens + 1):
        for j in range(i, n_lens + 1):
            of_lens[i, j] += columns[0, i] * columns[0, j] + columns[1, i] * columns[1, j]
    return 0.5 * squared


@compiled
def _to_wand(R: Array, G: Array, W: Array) -> None:
    """Write G (6, k), whose rows are a twist in the camera's axes, into W with rows in the wand's axes."""
    for i in range(3):
        for j in range(G.shape[1]):
            W[i, j] = R[0, i] * G[0, j] + R[1, i] * G[1, j] + R[2, i] * G[2, j]
            W[3 + i, j] = R[0, i] * G[3, j] + R[1, i] * G[4, j] + R[2, i] * G[5, j]


@compiled
def _to_camera(t: Array, G: Array) -> None:
    """Move the twist of the rows of G (6, k) from the wand's origin to the camera's, in place."""
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

    frame (F, d, d + 1) ends with the gradient, coupling (P, d, n), frame_cost (F,) and frame_shape (F, d, M a) are
    written; camera (C, n + 1, n + 1; upper triangles) with the gradient last, camera_shape (C, n + 1, M a) and
    by_marker (M, a, a) are added to. Without ``has_cameras`` only what concerns frames alone is formed.

    A pair's points see one rigid motion between camera and wand: their products are summed for one twist, of which the
    camera's and the wand's are linear maps. That takes a third of the arithmetic of whole rows.
    """
    d, skip = n_turn + 3, 3 - n_turn
    n_markers, n_lens = len(shape), len(codes)
    n, width = 6 + n_lens, 6 + n_lens + 1
    R, t = np.empty((3, 3)), np.empty(3)
    G, W, of_lens = np.empty((6, width)), np.empty((6, width)), np.empty((n_lens + 1, n_lens + 1))
    own, columns, turned = np.empty((6, width - 3)), np.empty((2, n_lens + 1)), np.empty((6, 6))
    of_frame = np.empty((n_markers, 3, n_axes))
    for f in range(first, last):
        frame[f] = 0.0
        of_frame[:] = 0.0
        cost = 0.0
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            _join(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            G[:] = 0.0
            of_lens[:] = 0.0
            for m in range(n_markers):
                if weight[m, p] > 0.0:
                    cost += _add_point(
                        R, t, lens, c, shape, m, codes, uv[0, m, p], uv[1, m, p], weight[m, p], loss_scale,
                        G, of_lens, own, columns,
                    )  # fmt: skip
                    if n_axes:
                        _add_shape(R, t, own, c, shape, m, n_axes, of_frame, camera_shape)
            for i in range(3):
                for j in range(3):
                    G[3 + j, i] = G[i, 3 + j]
            _to_wand(R, G, W)
            for i in range(d):
                for j in range(3):
                    turned[i, j] = W[skip + i, 0] * R[0, j] + W[skip + i, 1] * R[1, j] + W[skip + i, 2] * R[2, j]
                    turned[i, 3 + j] = W[skip + i, 3] * R[0, j] + W[skip + i, 4] * R[1, j] + W[skip + i, 5] * R[2, j]
                for j in range(d):
                    frame[f, i, j] += turned[i, skip + j]
                frame[f, i, d] += W[skip + i, n]
            if has_cameras:
                for i in range(d):
                    k = skip + i
                    for j in range(3, n):
                        coupling[p, i, j] = W[k, j]
                    coupling[p, i, 0] = W[k, 0] + t[1] * W[k, 5] - t[2] * W[k, 4]
                    coupling[p, i, 1] = W[k, 1] + t[2] * W[k, 3] - t[0] * W[k, 5]
                    coupling[p, i, 2] = W[k, 2] + t[0] * W[k, 4] - t[1] * W[k, 3]
                _to_camera(t, G)
                for i in range(6):
                    camera[c, i, 0] += G[i, 0] + t[1] * G[i, 5] - t[2] * G[i, 4]
                    camera[c, i, 1] += G[i, 1] + t[2] * G[i, 3] - t[0] * G[i, 5]
                    camera[c, i, 2] += G[i, 2] + t[0] * G[i, 4] - t[1] * G[i, 3]
                    for j in range(3, n + 1):
                        camera[c, i, j] += G[i, j]
                for i in range(n_lens + 1):
                    for j in range(i, n_lens + 1):
                        camera[c, 6 + i, 6 + j] += of_lens[i, j]
        _close_shape(f, shape, n_turn, n_axes, of_frame, frame_shape, by_marker)
        frame_cost[f] = cost


@compiled
def _add_shape(
    R: Array, t: Array, own: Array, c: int, shape: Array, m: int, n_axes: int, of_frame: Array, camera_shape: Array
) -> None:
    """Add a point's products with the shifts of its marker, whose column is the wand's own shift.

    ``of_frame (M, 3, a)`` takes ``Rᵀ q qᵀ R``, from which the frame's follow.
    """
    n_lens = own.shape[1] - 4
    x0 = R[0, 0] * shape[m, 0] + R[0, 1] * shape[m, 1] + R[0, 2] * shape[m, 2] + t[0]
    x1 = R[1, 0] * shape[m, 0] + R[1, 1] * shape[m, 1] + R[1, 2] * shape[m, 2] + t[1]
    x2 = R[2, 0] * shape[m, 0] + R[2, 1] * shape[m, 1] + R[2, 2] * shape[m, 2] + t[2]
    for a in range(n_axes):
        r0, r1, r2, column = R[0, a], R[1, a], R[2, a], m * n_axes + a
        v0 = own[3, 0] * r0 + own[3, 1] * r1 + own[3, 2] * r2
        v1 = own[4, 0] * r0 + own[4, 1] * r1 + own[4, 2] * r2
        v2 = own[5, 0] * r0 + own[5, 1] * r1 + own[5, 2] * r2
        for b in range(3):
            of_frame[m, b, a] += R[0, b] * v0 + R[1, b] * v1 + R[2, b] * v2
        camera_shape[c, 0, column] += x1 * v2 - x2 * v1
        camera_shape[c, 1, column] += x2 * v0 - x0 * v2
        camera_shape[c, 2, column] += x0 * v1 - x1 * v0
        camera_shape[c, 3, column] += v0
        camera_shape[c, 4, column] += v1
        camera_shape[c, 5, column] += v2
        for k in range(n_lens + 1):
            camera_shape[c, 6 + k, column] += own[3, 3 + k] * r0 + own[4, 3 + k] * r1 + own[5, 3 + k] * r2


@compiled
def _close_shape(
    f: int, shape: Array, n_turn: int, n_axes: int, of_frame: Array, frame_shape: Array, by_marker: Array
) -> None:
    """Turn a frame's ``Rᵀ q qᵀ R`` into its couplings with the markers' shifts, and add up the markers' own."""
    for m in range(len(shape)):
        for a in range(n_axes):
            n0, n1, n2, column = of_frame[m, 0, a], of_frame[m, 1, a], of_frame[m, 2, a], m * n_axes + a
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
