"""Residuals, their analytic Jacobian and the blocks of the normal equations."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from calib.core.geometry import Array
from calib.core.parameters import PLACE, n_unknowns
from calib.core.threads import in_groups
from calib.solve.bundle.kernels import (
    cost_kernel,
    leverage_kernel,
    residual_kernel,
    row_width,
    rows_kernel,
)
from calib.solve.bundle.normal_kernels import (
    coupling_kernel,
    normal_kernel,
    to_cameras_again_kernel,
    to_frames_again_kernel,
)
from calib.solve.bundle.problem import Chunk, Problem, State

# Couplings of up to so many numbers are kept from one use to the next (a quarter of a gigabyte): to
# form them again takes some 40 % of forming everything.
KEPT = 32_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Unkept:
    """Couplings that are not kept, of what ``given`` is as kernels take it, with d rows and n
    columns a pair.
    """

    problem: Problem
    given: tuple[Any, ...]
    d: int
    n: int

    def couplings(self, chunk: Chunk) -> Array:
        """Return those of a chunk's pairs (P', d, n)."""
        out = np.zeros((chunk.pairs.stop - chunk.pairs.start, self.d, self.n))
        self._of(coupling_kernel, chunk, out)
        return out

    def to_cameras(self, chunk: Chunk, response: Array, out: Array) -> None:
        """Add to out (C, n) what they make of the frames' ``response (F, d)``; that takes less than
        to form them.
        """
        self._of(to_cameras_again_kernel, chunk, response, out)

    def to_frames(self, chunk: Chunk, step: Array, out: Array) -> None:
        """Add to out (F, d) what they make of the cameras' ``step (C, n)``."""
        self._of(to_frames_again_kernel, chunk, step, out)

    def _of(self, kernel: Callable[..., None], chunk: Chunk, *more: Array) -> None:
        problem, weight, *rest = self.problem, *self.given
        at = chunk.frames.start, chunk.frames.stop
        kernel(problem.cam, problem.starts, problem.uv_px, weight, *at, *rest, *more)


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """The normal equations' blocks: cameras (C, n, n) and (C, n), frames (F, d, d) and (F, d),
    coupling (P, d, n), which is empty where pairs are so many that they are formed ``again`` chunk
    by chunk; of ``unkept`` ones what they make of a step is had for less.

    ``frame_cost (F,)`` is half the sum of the (robust) squared residuals of each frame. With the
    wand's shape free, its s coordinates have a block (s, s) and (s,) of their own and couplings to
    frames (F, d, s) and cameras (C, n, s); s is 0 otherwise. ``of_prior (C, n)`` is what a prior
    added to the cameras' diagonals, None without one.
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
    again: Callable[[Chunk], Array] | None = None
    unkept: Unkept | None = None
    of_prior: Array | None = None

    def couplings(self, chunk: Chunk) -> Array:
        """Return the couplings (P', d, n) of a chunk's pairs."""
        return self.coupling[chunk.pairs] if self.again is None else self.again(chunk)

    @property
    def cost(self) -> float:
        return float(self.frame_cost.sum())


def cauchy(squared: Array, scale: float) -> tuple[Array, Array]:
    """Return (rho, weight) of Cauchy's loss for squared residuals in units of sigma: scale² log(1 +
    s / scale²).

    Source: Hartley & Zisserman, Multiple View Geometry, 2nd edition, appendix A6.8.
    """
    ratio = 1.0 + squared / scale**2
    return scale**2 * np.log(ratio), 1.0 / ratio


def state_arrays(state: State) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Return the state's arrays as the kernels take them: contiguous and writable, so that one
    compilation serves.
    """
    return (
        _plain(state.cam_R),
        _plain(state.cam_t),
        _plain(state.lens),
        _plain(state.wand_R),
        _plain(state.wand_t),
        _plain(state.shape_mm),
    )


def _plain(values: Array) -> Array:
    return np.require(values, np.float64, ["C", "W"])


def term_codes(names: tuple[str, ...]) -> NDArray[np.int64]:
    return np.array([PLACE[name] for name in names], dtype=np.int64)


def residuals(problem: Problem, state: State) -> Array:
    """Return all residuals (2, M, P), observed minus predicted, in px; meaningless where the weight
    is 0.
    """
    out, arrays = np.empty_like(problem.uv_px), state_arrays(state)

    def run(chunks: Sequence[Chunk]) -> None:
        first, last = chunks[0].pairs.start, chunks[-1].pairs.stop
        residual_kernel(problem.cam, problem.frame, problem.uv_px, first, last, *arrays, out)

    in_groups(run, problem.chunks)
    return out


def frame_costs(problem: Problem, state: State, loss_scale: float) -> Array:
    """Return the ``frame_cost`` (F,) that ``linearise`` would."""
    out, arrays, weight = np.empty(problem.n_frames), state_arrays(state), _plain(problem.weight)

    def run(chunks: Sequence[Chunk]) -> None:
        first, last = chunks[0].frames.start, chunks[-1].frames.stop
        data = problem.cam, problem.starts, problem.uv_px, weight
        cost_kernel(*data, first, last, *arrays, float(loss_scale), out)

    in_groups(run, problem.chunks)
    return out


def weighted_rows(
    problem: Problem,
    state: State,
    names: tuple[str, ...],
    weight: Array,
    pairs: slice = slice(None),
) -> Array:
    """Return derivatives of the predicted points and residuals, times ``weight (M, P)``: (P', M, 2,
    d + 6 + L + 1).

    Columns: wand turns and shifts in the wand's frame, camera turns and shifts in the camera's
    frame, lens terms, and minus the residual. Rows of points with weight 0 are zero.
    """
    first, last, _ = pairs.indices(len(problem.cam))
    n_columns = problem.n_rotation + 3 + n_unknowns(names) + 1
    out = np.empty((last - first, len(state.shape_mm), 2, n_columns))
    rows_kernel(
        problem.cam,
        problem.frame,
        problem.uv_px,
        _plain(weight),
        first,
        last,
        *state_arrays(state),
        term_codes(names),
        problem.n_rotation,
        out,
    )
    return out


def linearise(
    problem: Problem,
    state: State,
    names: tuple[str, ...],
    loss_scale: float,
    n_axes: int = 0,
    *,
    has_cameras: bool = True,
    reuse: Blocks | None = None,
) -> Blocks:
    """Return the normal equations of the (robust) cost at ``state``; gradients are of the cost, not
    its negative.

    ``n_axes`` coordinates of each marker are free (1 along a line, 3 otherwise, 0: none); their
    columns are the wand's shifts, marker by marker. Without ``has_cameras`` only the frames' own
    blocks are formed, the cameras' stay zero. ``reuse`` gives up the memory of its coupling where
    that has the same size, most of what a call needs: fresh memory takes as long as the sums. Of
    more than ``KEPT`` numbers couplings are not kept.
    """
    d, n = problem.n_rotation + 3, n_unknowns(names)
    n_markers, n_pairs = problem.weight.shape
    n_shape = n_axes * n_markers
    frame = np.empty((problem.n_frames, d, d + 1))
    is_kept = has_cameras and n_pairs * d * n <= KEPT
    size = n_pairs if is_kept else 0, d, n
    is_lent = reuse is not None and reuse.coupling.shape == size
    coupling = reuse.coupling if reuse is not None and is_lent else np.empty(size)
    frame_cost, frame_shape = np.empty(problem.n_frames), np.empty((problem.n_frames, d, n_shape))
    arrays, weight, codes = state_arrays(state), _plain(problem.weight), term_codes(names)
    given = weight, *arrays, codes, problem.n_rotation, float(loss_scale)

    def run(chunks: Sequence[Chunk]) -> tuple[Array, Array, Array]:
        """Fill the rows of these chunks and return their sums: cameras, cameras with shape, shape
        by marker.
        """
        camera = np.zeros((problem.n_cameras, n, row_width(n)))
        camera_shape = np.zeros((problem.n_cameras, n_shape, row_width(n)))
        by_marker = np.zeros((n_markers, n_axes, n_axes))
        normal_kernel(
            problem.cam,
            problem.starts,
            problem.uv_px,
            weight,
            chunks[0].frames.start,
            chunks[-1].frames.stop,
            *arrays,
            codes,
            problem.n_rotation,
            float(loss_scale),
            n_axes,
            has_cameras,
            frame,
            coupling,
            frame_cost,
            frame_shape,
            camera,
            camera_shape,
            by_marker,
        )
        return camera, camera_shape, by_marker

    parts = in_groups(run, problem.chunks)
    upper, camera_shape, by_marker = (np.sum([part[k] for part in parts], axis=0) for k in range(3))
    own = np.triu(upper[:, :, :n])
    unkept = Unkept(problem, given, d, n) if has_cameras and not is_kept else None
    return Blocks(
        camera=own + np.swapaxes(np.triu(own, 1), 1, 2),
        camera_gradient=upper[:, :, n].copy(),
        frame=frame[:, :, :d],
        frame_gradient=frame[:, :, d],
        coupling=coupling,
        frame_cost=frame_cost,
        shape=linalg.block_diag(*by_marker) if n_axes else np.zeros((0, 0)),
        shape_gradient=camera_shape[:, :, n].sum(axis=0),
        frame_shape=frame_shape,
        camera_shape=np.swapaxes(camera_shape[:, :, :n], 1, 2),
        again=None if unkept is None else unkept.couplings,
        unkept=unkept,
    )


def frame_leverage(problem: Problem, state: State, factors: Array) -> Array:
    """Return how many degrees of freedom of its frame each pair (P,) takes up, cameras held.

    That is the trace of ``J H⁻¹ Jᵀ`` over the pair's weighted rows J, with H =
    (factors)⁻¹(factors)⁻ᵀ the frame's block. Over the pairs of a frame it sums to the frame's
    number of parameters.
    """
    out, arrays, weight = np.empty(len(problem.cam)), state_arrays(state), _plain(problem.weight)

    def run(chunks: Sequence[Chunk]) -> None:
        leverage_kernel(
            problem.cam,
            problem.frame,
            problem.uv_px,
            weight,
            chunks[0].pairs.start,
            chunks[-1].pairs.stop,
            *arrays,
            problem.n_rotation,
            factors,
            out,
        )

    in_groups(run, problem.chunks)
    return out
