"""Taking the wands' poses out of the normal equations, and putting them back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.threads import each_group, in_groups
from calib.solve.bundle.kernels import row_width
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Chunk, Problem

# Few enough to see little more than the cameras of each, as products grow with the square of their
# number, and enough for these to be at full speed.
PART_FRAMES = 50
ROUNDING = 1e-13  # some hundred sums and products of double precision


def inverse_factors(blocks: Array) -> Array:
    """Return the inverses (F, d, d) of the lower Cholesky factors of symmetric blocks (F, d, d).

    A direction that a block does not determine gets a zero row: the step along it is zero. Turns
    come before three shifts, where there are both.
    """
    out = np.zeros(blocks.shape)
    inverse_factor_kernel(np.ascontiguousarray(blocks), out)
    return out


def reduced_system(
    problem: Problem, blocks: Blocks, factors: Array, *, is_rough: bool = False
) -> tuple[Array, Array]:
    """Return the reduced matrix (C n + s, C n + s) and gradient of cameras and shape, given the
    frames' factors.

    ``is_rough`` forms what the frames take off in single precision: enough for a step, not for a
    covariance.
    """
    kind = np.float32 if is_rough else np.float64
    n_cameras, n = blocks.camera_gradient.shape
    d, n_shape = factors.shape[1], len(blocks.shape)
    size = n_cameras * n + n_shape
    half_gradient = (factors @ blocks.frame_gradient[:, :, None])[..., 0]
    half_shape = factors @ blocks.frame_shape

    def run(chunks: Sequence[Chunk]) -> tuple[Array, Array]:
        """Return what eliminating these chunks' frames takes off the matrix and the gradient."""
        S, g = np.zeros((size, size)), np.zeros(size)
        for chunk in chunks:
            coupling = np.ascontiguousarray(blocks.couplings(chunk))
            for part in problem.parts(chunk, PART_FRAMES):
                place, width = np.full(n_cameras, -1), len(part.cameras) * n
                place[part.cameras] = n * np.arange(len(part.cameras))
                first, last = part.frames.start, part.frames.stop
                A = np.zeros(((last - first) * d, width + n_shape), kind)
                own = coupling[part.pairs.start - chunk.pairs.start :]
                half_coupling_kernel(
                    problem.cam, problem.starts, first, last, place, factors, own, half_shape, A
                )
                at = (part.cameras[:, None] * n + np.arange(n)).ravel()
                at = np.append(at, np.arange(n_cameras * n, size))
                add_lower_kernel(A.T @ A, at, n, S)
                g[at] += A.T @ half_gradient[part.frames].ravel().astype(kind)
        return S, g

    parts = each_group(run, problem.chunks)
    S, own = next(parts)
    for more, gradient in parts:
        S += more
        own += gradient
    np.negative(S, out=S)
    S += np.tril(S, -1).T
    g = np.append(blocks.camera_gradient.ravel(), blocks.shape_gradient) - own
    for c in range(n_cameras):
        at = slice(c * n, (c + 1) * n)
        S[at, at] += blocks.camera[c]
        S[at, n_cameras * n :] += blocks.camera_shape[c]
        S[n_cameras * n :, at] += blocks.camera_shape[c].T
    S[n_cameras * n :, n_cameras * n :] += blocks.shape
    return S, g


def cameras_alone(
    problem: Problem, blocks: Blocks, factors: Array, reduced: Array | None = None
) -> Array:
    """Return what the points say of each camera (C, n, n) by itself, all others held, the frames
    eliminated: blocks of the diagonal of the ``reduced`` matrix, which may be known, without
    priors.
    """
    n_cameras, n = blocks.camera_gradient.shape

    def run(chunks: Sequence[Chunk]) -> Array:
        """Return what these chunks' frames take off."""
        own = np.zeros((n_cameras, n, row_width(n)))
        for chunk in chunks:
            first, last = chunk.frames.start, chunk.frames.stop
            coupling = np.ascontiguousarray(blocks.couplings(chunk))
            taken_kernel(problem.cam, problem.starts, first, last, factors, coupling, own)
        return own

    if reduced is None:
        out = blocks.camera - np.sum(in_groups(run, problem.chunks), axis=0)[..., :n]
    else:
        of_cameras = reduced[: n_cameras * n, : n_cameras * n].reshape(n_cameras, n, n_cameras, n)
        out = np.einsum("cicj->cij", of_cameras).copy()
    if blocks.of_prior is not None:
        np.einsum("cjj->cj", out)[:] -= blocks.of_prior
    return np.asarray(out)


def reduced_gradient(problem: Problem, blocks: Blocks, factors: Array) -> Array:
    """Return the gradient that ``reduced_system`` does, without its matrix."""
    swapped = np.swapaxes(factors, 1, 2)
    response = (swapped @ (factors @ blocks.frame_gradient[:, :, None]))[..., 0]

    def run(chunks: Sequence[Chunk]) -> Array:
        """Return what the frames of these chunks take off the cameras' gradient."""
        own = np.zeros(blocks.camera_gradient.shape)
        for chunk in chunks:
            first, last = chunk.frames.start, chunk.frames.stop
            if blocks.unkept is not None:
                blocks.unkept.to_cameras(chunk, response, own)
                continue
            coupling = np.ascontiguousarray(blocks.couplings(chunk))
            to_cameras_kernel(problem.cam, problem.starts, first, last, coupling, response, own)
        return own

    camera = blocks.camera_gradient - np.sum(in_groups(run, problem.chunks), axis=0)
    shape = blocks.shape_gradient - np.einsum("fds,fd->s", blocks.frame_shape, response)
    return np.append(camera.ravel(), shape)


def frame_steps(
    problem: Problem, blocks: Blocks, factors: Array, camera_step: Array, shape_step: Array
) -> Array:
    """Return the frames' steps (F, d) that go with the steps of cameras (C, n) and shape (s,)."""
    of_cameras = np.zeros(blocks.frame_gradient.shape)

    def run(chunks: Sequence[Chunk]) -> None:
        for chunk in chunks:
            first, last = chunk.frames.start, chunk.frames.stop
            if blocks.unkept is not None:
                blocks.unkept.to_frames(chunk, camera_step, of_cameras)
                continue
            coupling = np.ascontiguousarray(blocks.couplings(chunk))
            to_frames_kernel(
                problem.cam, problem.starts, first, last, coupling, camera_step, of_cameras
            )

    in_groups(run, problem.chunks)
    rhs = -blocks.frame_gradient - blocks.frame_shape @ shape_step - of_cameras
    return (np.swapaxes(factors, 1, 2) @ (factors @ rhs[:, :, None]))[..., 0]


@compiled
def inverse_factor_kernel(blocks: Array, out: Array) -> None:
    """Write the inverses of the lower Cholesky factors of blocks (F, d, d) into out (F, d, d),
    zeros before.

    A pivot counts that is more than rounding, which ``doubt`` bounds. That begins as a share of the
    largest entry of its kind in the diagonal, as its own may be nothing else (a turn about an axis
    that the only marker seen lies on), and what is eliminated hands its own on, many times over
    where its pivot was small.
    """
    d = blocks.shape[1]
    n_rotation = max(d - 3, 0)
    L, doubt = np.zeros((d, d)), np.zeros(d)
    for f in range(len(blocks)):
        of_turns = of_shifts = 0.0
        for j in range(d):
            if j < n_rotation:
                of_turns = max(of_turns, blocks[f, j, j])
            else:
                of_shifts = max(of_shifts, blocks[f, j, j])
        for j in range(d):
            pivot = blocks[f, j, j]
            doubt[j] = ROUNDING * (of_turns if j < n_rotation else of_shifts)
            for k in range(j):
                pivot -= L[j, k] * L[j, k]
                doubt[j] += L[j, k] * L[j, k] * doubt[k]
            if pivot > doubt[j]:
                r = 1.0 / np.sqrt(pivot)
                L[j, j] = pivot * r
                doubt[j] /= pivot  # as a share of it from here on
            else:
                r, L[j, j] = 0.0, 1.0
                doubt[j] = 0.0
            for i in range(j + 1, d):
                value = blocks[f, i, j]
                for k in range(j):
                    value -= L[i, k] * L[j, k]
                L[i, j] = value * r
            for k in range(j):
                value = 0.0
                for i in range(k, j):
                    value += L[j, i] * out[f, i, k]
                out[f, j, k] = -value * r
            out[f, j, j] = r


@compiled
def half_coupling_kernel(
    cam: Any,
    starts: Any,
    first: int,
    last: int,
    place: Any,
    factors: Array,
    coupling: Array,
    half_shape: Array,
    out: Array,
) -> None:
    """Write ``L⁻¹ [W, shape]`` of the frames from first to last into out ((last - first) d, n_seen
    n + s).

    out starts as zeros; ``place (C,)`` is where a camera's columns begin, coupling (P', d, n) is of
    these frames' pairs.
    """
    _, d, n = coupling.shape
    before = starts[first]
    n_shape = half_shape.shape[2]
    for f in range(first, last):
        base = (f - first) * d
        for p in range(starts[f], starts[f + 1]):
            at = place[cam[p]]
            for i in range(d):
                for k in range(i + 1):
                    value = factors[f, i, k]
                    for j in range(n):
                        out[base + i, at + j] += value * coupling[p - before, k, j]
        for i in range(d):
            for j in range(n_shape):
                out[base + i, out.shape[1] - n_shape + j] = half_shape[f, i, j]


@compiled
def taken_kernel(
    cam: Any, starts: Any, first: int, last: int, factors: Array, coupling: Array, out: Array
) -> None:
    """Add to out (C, n, width) what the frames from first to last take off the cameras' own blocks,
    with the ``coupling (P', d, n)`` of their pairs.
    """
    _, d, n = coupling.shape
    before, half = starts[first], np.zeros((d, out.shape[2]))
    for f in range(first, last):
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            for i in range(d):
                for j in range(n):
                    half[i, j] = factors[f, i, i] * coupling[p - before, i, j]
                for k in range(i):
                    for j in range(n):
                        half[i, j] += factors[f, i, k] * coupling[p - before, k, j]
            for k in range(d):
                for i in range(n):
                    value = half[k, i]
                    for j in range(half.shape[1]):
                        out[c, i, j] += value * half[k, j]


@compiled
def add_lower_kernel(block: Array, at: Any, n: int, out: Array) -> None:
    """Add the lower triangle of a symmetric block (k, k) to rows and columns ``at (k,)`` of out, in
    order, n of which follow one another.
    """
    for i in range(len(at)):
        row = at[i]
        for first in range(0, i + 1, n):
            column = at[first]
            for j in range(min(n, i + 1 - first)):
                out[row, column + j] += block[i, first + j]


@compiled
def to_frames_kernel(
    cam: Any, starts: Any, first: int, last: int, coupling: Array, step: Array, out: Array
) -> None:
    """Add to out (F, d) the gradients of the frames from first to last that the cameras' steps (C,
    n) make, with the ``coupling (P', d, n)`` of their pairs.
    """
    _, d, n = coupling.shape
    before = starts[first]
    for f in range(first, last):
        for p in range(starts[f], starts[f + 1]):
            for i in range(d):
                value = 0.0
                for j in range(n):
                    value += coupling[p - before, i, j] * step[cam[p], j]
                out[f, i] += value


@compiled
def to_cameras_kernel(
    cam: Any, starts: Any, first: int, last: int, coupling: Array, response: Array, out: Array
) -> None:
    """Add to out (C, n) the gradients of the cameras that the ``response (F, d)`` of the frames
    from first to last makes, with the ``coupling (P', d, n)`` of their pairs.
    """
    _, d, n = coupling.shape
    before = starts[first]
    for f in range(first, last):
        for p in range(starts[f], starts[f + 1]):
            for i in range(d):
                for j in range(n):
                    out[cam[p], j] += coupling[p - before, i, j] * response[f, i]
