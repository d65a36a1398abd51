"""What shifts of a camera's points make of the gradient of all cameras' parameters, the frames
eliminated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.parameters import n_unknowns
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.kernels import columns_to_camera, join_poses, twist_rows, wand_row
from calib.solve.bundle.linearise import Blocks, state_arrays, term_codes
from calib.solve.bundle.problem import CHUNK_FRAMES, Chunk, Index, Problem, State
from calib.solve.lasting.shifts import Shifts


@dataclass(frozen=True, slots=True, eq=False)
class Gradients:
    """What a unit of shift makes of the reduced gradient of all cameras' parameters and the wand's
    shape.
    """

    problem: Problem
    state: State
    terms: tuple[str, ...]
    blocks: Blocks
    factors: Array

    @classmethod
    def of(
        cls, problem: Problem, state: State, terms: tuple[str, ...], blocks: Blocks
    ) -> Gradients:
        """Return them about a state, whose ``blocks`` have these lens terms."""
        return cls(problem, state, terms, blocks, inverse_factors(blocks.frame))

    @property
    def size(self) -> int:
        """How many parameters N cameras and shape have."""
        return self.problem.n_cameras * n_unknowns(self.terms) + len(self.blocks.shape)

    def columns(self, cameras: Index) -> Index:
        """Return the columns of some cameras' parameters and of the shape's."""
        n, n_shape = n_unknowns(self.terms), len(self.blocks.shape)
        of_cameras = (cameras[:, None] * n + np.arange(n)).ravel()
        return np.append(of_cameras, np.arange(self.size - n_shape, self.size))

    def sums(self, found: Shifts, pairs: Index, group: NDArray[np.intp]) -> Array:
        """Return the gradients (K, 2, N) of shifts along x and y of the ``pairs``, in order of
        frames, summed by ``group (n,)`` of K.
        """
        problem, n_shape = self.problem, len(self.blocks.shape)
        out = np.zeros((int(group.max(initial=-1)) + 1, 2, self.size))
        weight = np.require(problem.weight, np.float64, ["C", "W"])
        frame = problem.frame[pairs]
        for chunk in self._chunks(frame):
            own = slice(*np.searchsorted(frame, [chunk.frames.start, chunk.frames.stop]))
            if own.start == own.stop:
                continue
            _gradient_kernel(
                problem.cam,
                problem.frame,
                problem.starts,
                problem.uv_px,
                weight,
                pairs[own],
                group[own],
                *state_arrays(self.state),
                term_codes(self.terms),
                problem.n_rotation,
                n_shape // len(problem.weight),
                np.ascontiguousarray(self.blocks.couplings(chunk)),
                chunk.pairs.start,
                self.blocks.frame_shape,
                self.factors,
                found.half,
                out,
            )
        return out

    def _chunks(self, frame: Index) -> Iterator[Chunk]:
        """Yield the frames from the first to the last of some in order, as far as their couplings
        go into memory at once.
        """
        if len(frame):
            first, end = int(frame[0]), int(frame[-1]) + 1
            step = end - first if self.blocks.again is None else CHUNK_FRAMES
            for a in range(first, end, step):
                yield self.problem.chunk(a, min(a + step, end))


@compiled
def _gradient_kernel(
    cam: Any,
    frame: Any,
    starts: Any,
    uv: Array,
    weight: Array,
    at: Any,
    block: Any,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    codes: Any,
    n_rotation: int,
    n_axes: int,
    coupling: Array,
    before: int,
    frame_shape: Array,
    factors: Array,
    half: Array,
    out: Array,
) -> None:
    """Add to out (blocks, 2, N) the reduced gradient that a unit of shift along x and y of each
    pair ``at`` makes; ``coupling (P', d, n)`` is of the pairs from ``before`` on.
    """
    n, d = 6 + len(codes), n_rotation + 3
    R, t, rows, row = np.empty((3, 3)), np.empty(3), np.empty((2, n + 1)), np.empty(d)
    response = np.empty((d, 2))
    shape_at = out.shape[2] - n_axes * len(shape)
    for q in range(len(at)):
        p = at[q]
        c, f, b = cam[p], frame[p], block[q]
        join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
        for m in range(len(shape)):
            w = weight[m, p]
            if w > 0.0:
                twist_rows(
                    R, t, lens, c, shape, m, codes, uv[0, m, p], uv[1, m, p], w, np.inf, rows
                )
                for k in range(2):
                    wand_row(R, rows[k], n_rotation, row)
                    for a in range(n_axes):
                        out[b, k, shape_at + m * n_axes + a] -= w * row[n_rotation + a]
                columns_to_camera(t, rows)
                for k in range(2):
                    for j in range(n):
                        out[b, k, c * n + j] -= w * rows[k, j]
        for k in range(2):
            for i in range(d):
                response[i, k] = 0.0
                for j in range(i, d):
                    response[i, k] += factors[f, j, i] * half[p, j, k]
        for other in range(starts[f], starts[f + 1]):
            base = cam[other] * n
            for k in range(2):
                for i in range(d):
                    for j in range(n):
                        out[b, k, base + j] += coupling[other - before, i, j] * response[i, k]
        for k in range(2):
            for i in range(d):
                for j in range(n_axes * len(shape)):
                    out[b, k, shape_at + j] += frame_shape[f, i, j] * response[i, k]
