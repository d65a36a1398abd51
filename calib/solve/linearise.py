"""Residuals, their analytic Jacobian and the blocks of the normal equations, chunk by chunk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from calib.core.camera import distort
from calib.core.geometry import Array
from calib.solve.problem import Chunk, Problem, State
from calib.solve.threads import in_groups


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """The normal equations' blocks: cameras (C, n, n) and (C, n), frames (F, d, d) and (F, d), coupling (P, d, n).

    ``frame_cost (F,)`` is half the sum of the (robust) squared residuals of each frame. With the wand's shape free,
    its s coordinates have a block (s, s) and (s,) of their own and couplings to frames (F, d, s) and cameras (C, n, s);
    s is 0 otherwise.
    """

    camera: Array
    camera_gradient: Array
    frame: Array
    frame_gradient: Array
    coupling: Array
    frame_cost: Array
    shape: Array
    shape_gradient: Array
    frame_shape: Array
    camera_shape: Array

    @property
    def cost(self) -> float:
        return float(self.frame_cost.sum())


def cauchy(squared: Array, scale: float) -> tuple[Array, Array]:
    """Return (rho, weight) of Cauchy's loss for squared residuals in units of sigma: scale² log(1 + s / scale²).

    Source: Hartley & Zisserman, Multiple View Geometry, 2nd edition, appendix A6.8.
    """
    ratio = 1.0 + squared / scale**2
    return scale**2 * np.log(ratio), 1.0 / ratio


def project_chunk(problem: Problem, state: State, chunk: Chunk) -> tuple[Array, tuple[Array, ...]]:
    """Return residuals (2, M, P) observed minus predicted in px, and what the Jacobian needs of the way there."""
    cam, frame = problem.cam[chunk.pairs], problem.frame[chunk.pairs]
    # Nine short sums over pairs beat a batch of tiny matrix products.
    cam_R, wand_R = state.cam_R.T[:, :, cam], state.wand_R.transpose(1, 2, 0)[:, :, frame]  # cam_R as [column, row]
    R = cam_R[0][:, None] * wand_R[0]
    R += cam_R[1][:, None] * wand_R[1]
    R += cam_R[2][:, None] * wand_R[2]
    wand_t = state.wand_t.T[:, frame]
    t = state.cam_t.T[:, cam] + cam_R[0] * wand_t[0] + cam_R[1] * wand_t[1] + cam_R[2] * wand_t[2]
    lens = state.lens.T[:, cam]
    shape = state.shape_mm[:, :, None]
    X, Y, Z = (
        R[i, 0] * shape[:, 0] + t[i] if problem.n_turn == 2 else
        R[i, 0] * shape[:, 0] + R[i, 1] * shape[:, 1] + R[i, 2] * shape[:, 2] + t[i]
        for i in range(3)
    )  # fmt: skip
    # A point pushed behind its camera by a trial step must cost much, not change sign: 1 mm in front of it.
    inverse_z = 1.0 / np.maximum(Z, 1.0)
    x, y = X * inverse_z, Y * inverse_z
    distorted = distort(lens[4:], x, y)
    uv = problem.uv_px[:, :, chunk.pairs]
    residual = np.empty_like(uv)
    np.subtract(uv[0], lens[0] * distorted[0] + lens[2], out=residual[0])
    np.subtract(uv[1], lens[1] * distorted[1] + lens[3], out=residual[1])
    return residual, (x, y, inverse_z, R, lens, *distorted)


def jacobian_chunk(
    problem: Problem,
    state: State,
    way: tuple[Array, ...],
    names: tuple[str, ...],
    out: Array,
    weight: Array | float = 1.0,
) -> None:
    """Write the derivatives of the predicted points, times ``weight (M, P)``, into ``out (d + 6 + L, 2, M, P)``.

    Rows: wand turns and shifts in the wand's frame, camera turns and shifts in the camera's frame, lens terms.
    With q the derivative of a coordinate by the camera-frame point x, a camera's twist gives (x × q, q) and a wand's,
    with h = R^T q, (X × h, h) for the marker at X. For a line along x the turn about x has no column at all.
    """
    x, y, inverse_z, R, lens, _, _, xd_x, xd_y, yd_x, yd_y, _ = way
    n_turn = problem.n_turn
    d = n_turn + 3
    shape = state.shape_mm[:, :, None]
    fx, fy = lens[0] * weight, lens[1] * weight
    for row, (f, along_x, along_y) in enumerate(((fx, xd_x, xd_y), (fy, yd_x, yd_y))):
        a0, a1 = f * along_x, f * along_y
        a2 = -(a0 * x + a1 * y)
        np.subtract(y * a2, a1, out=out[d, row])
        np.subtract(a0, x * a2, out=out[d + 1, row])
        np.subtract(x * a1, y * a0, out=out[d + 2, row])
        q0 = np.multiply(a0, inverse_z, out=out[d + 3, row])
        q1 = np.multiply(a1, inverse_z, out=out[d + 4, row])
        q2 = np.multiply(a2, inverse_z, out=out[d + 5, row])
        h = out[n_turn : n_turn + 3, row]
        for k in range(3):
            np.multiply(R[0, k], q0, out=h[k])
            h[k] += R[1, k] * q1
            h[k] += R[2, k] * q2
        if n_turn == 3:
            np.subtract(shape[:, 1] * h[2], shape[:, 2] * h[1], out=out[0, row])
        if n_turn:
            np.subtract(shape[:, 2] * h[0], shape[:, 0] * h[2], out=out[n_turn - 2, row])
            np.subtract(shape[:, 0] * h[1], shape[:, 1] * h[0], out=out[n_turn - 1, row])
    if names:
        _lens_columns(way, names, weight, out[d + 6 :])


def _lens_columns(way: tuple[Array, ...], names: tuple[str, ...], weight: Array | float, out: Array) -> None:
    x, y, _, _, lens, xd, yd, _, _, _, _, inverse = way
    fx, fy = lens[0] * weight, lens[1] * weight
    x2, y2 = x * x, y * y
    r2 = x2 + y2
    power = {"k1": 1, "k2": 2, "k3": 3, "k4": 1, "k5": 2, "k6": 3}
    for name, column in zip(names, out, strict=True):
        if name == "focal":
            np.multiply(weight, xd, out=column[0])
            np.multiply(weight * (lens[1] / lens[0]), yd, out=column[1])
        elif name == "aspect":
            column[0] = 0.0
            np.multiply(fx, yd, out=column[1])
        elif name in {"cx", "cy"}:
            column[int(name == "cx")] = 0.0
            column[int(name == "cy")] = weight
        elif name == "p1":
            column[0], column[1] = 2.0 * fx * (x * y), fy * (r2 + 2.0 * y2)
        elif name == "p2":
            column[0], column[1] = fx * (r2 + 2.0 * x2), 2.0 * fy * (x * y)
        else:
            factor = r2 if power[name] == 1 else r2 * r2 if power[name] == 2 else r2 * r2 * r2
            if np.ndim(inverse):
                factor = factor * inverse
            if name in {"k4", "k5", "k6"}:
                k1, k2, k3 = lens[4], lens[5], lens[8]
                factor = factor * (-(1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))) * inverse)
            np.multiply(fx * factor, x, out=column[0])
            np.multiply(fy * factor, y, out=column[1])


def residuals(problem: Problem, state: State) -> Array:
    """Return all residuals (2, M, P), observed minus predicted, in px; meaningless where the weight is 0."""
    return np.concatenate([project_chunk(problem, state, c)[0] for c in problem.chunks], axis=2)


def linearise(problem: Problem, state: State, names: tuple[str, ...], loss_scale: float, n_axes: int = 0) -> Blocks:
    """Return the normal equations of the (robust) cost at ``state``; gradients are of the cost, not its negative.

    One small matrix product a pair, ``J_wand^T [J_wand J_camera r]``, gives all that concerns a frame; one tall product
    a camera and chunk, ``[J_camera r]^T [J_camera r]``, all that concerns a camera alone. ``n_axes`` coordinates of
    each marker are free (1 along a line, 3 otherwise, 0: none); their columns are the wand's shifts, marker by marker.
    """
    d, n = problem.n_turn + 3, 6 + len(names)
    n_markers, n_pairs = problem.weight.shape
    frame = np.empty((problem.n_frames, d, d + 1))
    products = np.empty((n_pairs, d, d + n + 1))
    frame_cost = np.empty(problem.n_frames)
    own = [*range(d), d + n]  # the columns of a product that concern the frame alone

    n_shape = n_axes * n_markers
    frame_shape = np.zeros((problem.n_frames, d, n_shape))

    def run(chunks: Sequence[Chunk]) -> tuple[Array, Array, Array]:
        """Fill the rows of these chunks and return their sums: cameras, cameras with shape, shape by marker."""
        camera = np.zeros((problem.n_cameras, n + 1, n + 1))
        camera_shape = np.zeros((problem.n_cameras, n + 1, n_shape))
        shape = np.zeros((n_markers, n_axes, n_axes))
        for chunk in chunks:
            residual, way = project_chunk(problem, state, chunk)
            row_weight: Array = problem.weight[:, chunk.pairs]
            squared = (residual[0] ** 2 + residual[1] ** 2) * row_weight**2
            if np.isfinite(loss_scale):
                squared, influence = cauchy(squared, loss_scale)
                row_weight = row_weight * np.sqrt(influence)
            frame_cost[chunk.frames] = 0.5 * (chunk.sum_to_frames @ squared.sum(axis=0))
            size = row_weight.shape[1]
            J = np.empty((d + n + 1, 2, n_markers, size))
            jacobian_chunk(problem, state, way, names, J[:-1], row_weight)
            np.multiply(residual, -row_weight, out=J[-1])  # d residual = -d predicted: J holds (J_predicted, -r)
            by_pair = np.ascontiguousarray(J.reshape(d + n + 1, 2 * n_markers, size).transpose(2, 1, 0))
            product = np.matmul(by_pair[:, :, :d].transpose(0, 2, 1), by_pair, out=products[chunk.pairs])
            sums = chunk.sum_to_frames @ product[:, :, own].reshape(size, -1)
            frame[chunk.frames] = sums.reshape(-1, d, d + 1)
            for k, c in enumerate(chunk.cameras):
                block = by_pair[chunk.bounds[k] : chunk.bounds[k + 1]].reshape(-1, d + n + 1)[:, d:]
                camera[c] += block.T @ block
            if n_axes:
                rows = by_pair.reshape(size, 2, n_markers, d + n + 1)
                shifts = rows[..., problem.n_turn : problem.n_turn + n_axes]
                by_frame = np.einsum("prmd,prma->pdma", rows[..., :d], shifts).reshape(size, -1)
                frame_shape[chunk.frames] = (chunk.sum_to_frames @ by_frame).reshape(-1, d, n_shape)
                shape += np.einsum("prma,prmb->mab", shifts, shifts)
                for k, c in enumerate(chunk.cameras):
                    at = slice(chunk.bounds[k], chunk.bounds[k + 1])
                    part = np.einsum("prmn,prma->nma", rows[at, ..., d:], shifts[at], optimize=True)
                    camera_shape[c] += part.reshape(n + 1, n_shape)
        return camera, camera_shape, shape

    parts = in_groups(run, problem.chunks)
    camera, camera_shape, by_marker = (np.sum([part[k] for part in parts], axis=0) for k in range(3))
    return Blocks(
        camera=camera[:, :n, :n],
        camera_gradient=camera[:, :n, n],
        frame=frame[:, :, :d],
        frame_gradient=frame[:, :, d],
        coupling=products[:, :, d : d + n],
        frame_cost=frame_cost,
        shape=linalg.block_diag(*by_marker) if n_axes else np.zeros((0, 0)),
        shape_gradient=camera_shape[:, n].sum(axis=0),
        frame_shape=frame_shape,
        camera_shape=camera_shape[:, :n],
    )


def frame_leverage(problem: Problem, state: State, factors: Array) -> Array:
    """Return how many degrees of freedom of its frame each pair (P,) takes up, cameras held.

    That is the trace of ``J H⁻¹ Jᵀ`` over the pair's weighted rows J, with H = (factors)⁻¹(factors)⁻ᵀ the frame's
    block. Over the pairs of a frame it sums to the frame's number of parameters.
    """
    d, (n_markers, n_pairs) = problem.n_turn + 3, problem.weight.shape
    out = np.empty(n_pairs)
    for chunk in problem.chunks:
        _, way = project_chunk(problem, state, chunk)
        size = chunk.pairs.stop - chunk.pairs.start
        J = np.empty((d + 6, 2, n_markers, size))
        jacobian_chunk(problem, state, way, (), J, problem.weight[:, chunk.pairs])
        by_pair = np.ascontiguousarray(J[:d].reshape(d, 2 * n_markers, size).transpose(2, 1, 0))
        whitened = by_pair @ np.swapaxes(factors[problem.frame[chunk.pairs]], 1, 2)
        out[chunk.pairs] = np.einsum("pij,pij->p", whitened, whitened)
    return out
