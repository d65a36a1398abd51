"""The loop over points that forms normal equations, compiled; rows as in ``kernels``."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.compiled import compiled, inlined
from calib.core.geometry import Array
from calib.solve.bundle.kernels import columns_to_camera, join_poses, twist_rows, wand_row


@inlined
def to_wand(R: Array, G: Array, W: Array) -> None:
    """Write the twist in the rows of G (6, k) into W (6, k), its axes turned from the camera's to
    the wand's.
    """
    for i in range(3):
        for j in range(G.shape[1]):
            W[i, j] = R[0, i] * G[0, j] + R[1, i] * G[1, j] + R[2, i] * G[2, j]
            W[3 + i, j] = R[0, i] * G[3, j] + R[1, i] * G[4, j] + R[2, i] * G[5, j]


@inlined
def rows_to_camera(t: Array, G: Array) -> None:
    """Move the twist in the rows of G (6 and more, k) from the wand's origin to the camera's, in
    place.
    """
    for j in range(G.shape[1]):
        G[0, j] += t[1] * G[5, j] - t[2] * G[4, j]
        G[1, j] += t[2] * G[3, j] - t[0] * G[5, j]
        G[2, j] += t[0] * G[4, j] - t[1] * G[3, j]


@compiled
def normal_kernel(
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
    codes: Any,
    n_rotation: int,
    loss_scale: float,
    n_axes: int,
    has_cameras: bool,
    frame: Array,
    coupling: Array,
    frame_cost: Array,
    frame_shape: Array,
    camera: Array,
    camera_shape: Array,
    by_marker: Array,
) -> None:
    """Add up the normal equations of the frames from first to last.

    frame (F, d, d + 1) ends with the gradient, coupling (P, d, n; none where it is empty),
    frame_cost (F,) and frame_shape (F, d, M a) are written; camera (C, n, width; upper triangles),
    camera_shape (C, M a, width) and by_marker (M, a, a) are added to, the first two with the
    gradient in column n and ``row_width(n)`` wide. Without ``has_cameras`` only what concerns
    frames alone is formed.

    A pair's points see one rigid motion between camera and wand: their products are summed for one
    twist, of which the camera's and the wand's are linear maps. That takes a third of the
    arithmetic of whole rows.
    """
    d, skip, n = n_rotation + 3, 3 - n_rotation, 6 + len(codes)
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
            to_wand(R, G, W)
            for i in range(d):
                k = skip + i
                for j in range(3):
                    if j >= skip:
                        frame[f, i, j - skip] += (
                            W[k, 0] * R[0, j] + W[k, 1] * R[1, j] + W[k, 2] * R[2, j]
                        )
                    frame[f, i, n_rotation + j] += (
                        W[k, 3] * R[0, j] + W[k, 4] * R[1, j] + W[k, 5] * R[2, j]
                    )
                frame[f, i, d] += W[k, n]
            if has_cameras:
                if len(coupling):
                    columns_to_camera(t, W)
                    for i in range(d):
                        for j in range(n):
                            coupling[p, i, j] = W[skip + i, j]
                columns_to_camera(t, G)
                rows_to_camera(t, G)
                for i in range(n):
                    for j in range(width):
                        camera[c, i, j] += G[i, j]
        _close_shape(f, shape, n_rotation, n_axes, of_frame, frame_shape, by_marker)
        frame_cost[f] = cost


@compiled
def coupling_kernel(
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
    codes: Any,
    n_rotation: int,
    loss_scale: float,
    out: Array,
) -> None:
    """Write the couplings of the pairs of the frames from first to last into out (P', d, n), as
    ``normal_kernel`` does.
    """
    d, skip, n, base = n_rotation + 3, 3 - n_rotation, 6 + len(codes), starts[first]
    width = (n + 4) // 4 * 4
    R, t, rows = np.empty((3, 3)), np.empty(3), np.zeros((2, width))
    G, W = np.empty((6, width)), np.empty((6, width))
    for f in range(first, last):
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            G[:] = 0.0
            for m in range(len(shape)):
                w = weight[m, p]
                if w > 0.0:
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
                        w,
                        loss_scale,
                        rows,
                    )
                    for i in range(6):
                        of_x, of_y = rows[0, i], rows[1, i]
                        for j in range(width):
                            G[i, j] += of_x * rows[0, j] + of_y * rows[1, j]
            to_wand(R, G, W)
            columns_to_camera(t, W)
            for i in range(d):
                for j in range(n):
                    out[p - base, i, j] = W[skip + i, j]


@compiled
def to_cameras_again_kernel(
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
    codes: Any,
    n_rotation: int,
    loss_scale: float,
    response: Array,
    out: Array,
) -> None:
    """Add to out (C, n) what the couplings of the frames from first to last make of the frames'
    ``response (F, d)``, as ``elimination.to_cameras_kernel`` does of couplings that are kept.
    """
    n, skip = 6 + len(codes), 3 - n_rotation
    width = (n + 4) // 4 * 4
    R, t, rows = np.empty((3, 3)), np.empty(3), np.zeros((2, width))
    twist, seen, own = np.zeros(6), np.empty(6), np.empty((1, width))
    for f in range(first, last):
        for i in range(n_rotation + 3):
            twist[skip + i] = response[f, i]
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            for i in range(3):
                seen[i] = R[i, 0] * twist[0] + R[i, 1] * twist[1] + R[i, 2] * twist[2]
                seen[3 + i] = R[i, 0] * twist[3] + R[i, 1] * twist[4] + R[i, 2] * twist[5]
            own[:] = 0.0
            for m in range(len(shape)):
                w, u, v = weight[m, p], uv[0, m, p], uv[1, m, p]
                if w > 0.0:
                    twist_rows(R, t, lens, c, shape, m, codes, u, v, w, loss_scale, rows)
                    for k in range(2):
                        along = 0.0
                        for i in range(6):
                            along += rows[k, i] * seen[i]
                        for j in range(width):
                            own[0, j] += along * rows[k, j]
            columns_to_camera(t, own)
            for j in range(n):
                out[c, j] += own[0, j]


@compiled
def to_frames_again_kernel(
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
    codes: Any,
    n_rotation: int,
    loss_scale: float,
    step: Array,
    out: Array,
) -> None:
    """Add to out (F, d) what the couplings of the frames from first to last make of the cameras'
    ``step (C, n)``, as ``elimination.to_frames_kernel`` does of couplings that are kept.
    """
    n = 6 + len(codes)
    R, t, rows = np.empty((3, 3)), np.empty(3), np.zeros((2, n + 1))
    way, twist, moved = np.empty(n), np.empty(6), np.empty(n_rotation + 3)
    for f in range(first, last):
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            for j in range(n):
                way[j] = step[c, j]
            # The camera's twist as one about the wand's origin.
            way[3] += way[1] * t[2] - way[2] * t[1]
            way[4] += way[2] * t[0] - way[0] * t[2]
            way[5] += way[0] * t[1] - way[1] * t[0]
            twist[:] = 0.0
            for m in range(len(shape)):
                w, u, v = weight[m, p], uv[0, m, p], uv[1, m, p]
                if w > 0.0:
                    twist_rows(R, t, lens, c, shape, m, codes, u, v, w, loss_scale, rows)
                    for k in range(2):
                        along = 0.0
                        for j in range(n):
                            along += rows[k, j] * way[j]
                        for i in range(6):
                            twist[i] += along * rows[k, i]
            wand_row(R, twist, n_rotation, moved)
            for i in range(n_rotation + 3):
                out[f, i] += moved[i]


@inlined
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


@inlined
def _close_shape(
    f: int,
    shape: Array,
    n_rotation: int,
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
            if n_rotation == 3:
                frame_shape[f, 0, column] = shape[m, 1] * n2 - shape[m, 2] * n1
            if n_rotation > 0:
                frame_shape[f, n_rotation - 2, column] = shape[m, 2] * n0 - shape[m, 0] * n2
                frame_shape[f, n_rotation - 1, column] = shape[m, 0] * n1 - shape[m, 1] * n0
            frame_shape[f, n_rotation, column] = n0
            frame_shape[f, n_rotation + 1, column] = n1
            frame_shape[f, n_rotation + 2, column] = n2
            for b in range(n_axes):
                by_marker[m, a, b] += of_frame[m, b, a]
