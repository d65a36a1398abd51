"""The loops over frames that take the wands' poses out of the normal equations, compiled."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array


@compiled
def inverse_factor_kernel(blocks: Array, out: Array) -> None:
    """Write the inverses of the lower Cholesky factors of blocks (F, d, d) into out (F, d, d),
    zeros before.
    """
    d = blocks.shape[1]
    L = np.zeros((d, d))
    for f in range(len(blocks)):
        for j in range(d):
            pivot = blocks[f, j, j]
            for k in range(j):
                pivot -= L[j, k] * L[j, k]
            # Below 1e-13 of the diagonal only rounding is left of the pivot.
            if pivot > 1e-13 * blocks[f, j, j]:
                r = 1.0 / np.sqrt(pivot)
                L[j, j] = pivot * r
            else:
                r, L[j, j] = 0.0, 1.0
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
def whiten_kernel(cam: Any, starts: Any, first: int, last: int, place: Any, factors: Array,
coupling: Array,
                  half_shape: Array, out: Array) -> None:  # fmt: skip
    """Write ``L⁻¹ [W, shape]`` of the frames from first to last into out ((last - first) d, n_seen
    n + s).

    out starts as zeros; ``place (C,)`` is where a camera's columns begin.
    """
    _, d, n = coupling.shape
    n_shape = half_shape.shape[2]
    for f in range(first, last):
        base = (f - first) * d
        for p in range(starts[f], starts[f + 1]):
            at = place[cam[p]]
            for i in range(d):
                for k in range(i + 1):
                    value = factors[f, i, k]
                    for j in range(n):
                        out[base + i, at + j] += value * coupling[p, k, j]
        for i in range(d):
            for j in range(n_shape):
                out[base + i, out.shape[1] - n_shape + j] = half_shape[f, i, j]


@compiled
def pull_kernel(
    cam: Any, starts: Any, first: int, last: int, coupling: Array, step: Array, out: Array
) -> None:
    """Add to out (F, d), frames from first to last, what the cameras' steps (C, n) pull at the
    frames.
    """
    _, d, n = coupling.shape
    for f in range(first, last):
        for p in range(starts[f], starts[f + 1]):
            for i in range(d):
                value = 0.0
                for j in range(n):
                    value += coupling[p, i, j] * step[cam[p], j]
                out[f, i] += value
