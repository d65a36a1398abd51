"""When did it change: the frame from which on another linear model explains the residuals best."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.solve.certainty.normal import SINGULAR, Information


def changes(step: Array, rest: Array, y: Array, candidates: Array) -> Array:
    """Return the fall (T,) of the sum of squares by letting ``step`` act from each candidate row
    on.

    ``step (P, n, a)`` and ``rest (P, n, b)`` are effects and ``y (P, n)`` values by frame in
    independent unit noise; ``rest`` acts throughout, and the fall is that beyond what it explains.
    With a change at a known place the fall follows a chi-square law of a degrees of freedom.
    Source: Quandt, JASA 55 (1960), 324-330 (likelihood ratio of a switch at each place).

    >>> x = np.ones((6, 1, 1))
    >>> y = np.array([0.0, 0, 0, 1, 1, 1])[:, None]
    >>> changes(x, x, y, np.array([2, 3])).round(3).tolist()
    [0.75, 1.5]
    """
    a = step.shape[2]
    everything = np.concatenate([step, rest, y[..., None]], axis=2)
    product = np.swapaxes(step, 1, 2) @ everything
    after = np.cumsum(product[::-1], axis=0)[::-1][candidates]
    flat = everything[..., a:].reshape(-1, everything.shape[2] - a)
    whole = flat.T @ flat
    N, h = whole[:-1, :-1], whole[:-1, -1]
    _, out = Information.of(N).roots()
    cross = after[:, :, a:-1] @ out
    # What of the step the rest does not explain: Schur's complement.
    S = after[:, :, :a] - cross @ np.swapaxes(cross, 1, 2)
    g = after[:, :, -1] - cross @ (out.T @ h)
    size = np.sqrt(np.maximum(np.einsum("tii->ti", after[:, :, :a]), 1e-300))
    S, g = S / size[:, :, None] / size[:, None], g / size
    values, axes = np.linalg.eigh(S)
    along = (np.swapaxes(axes, 1, 2) @ g[..., None])[..., 0]
    return np.asarray(
        np.where(values > SINGULAR, along**2 / np.maximum(values, SINGULAR), 0.0).sum(axis=1)
    )


def moment(frame: NDArray[np.int64], is_used: NDArray[np.bool_], first: int) -> float:
    """Return the frame of a change at a row ``first``: half-way between the points (P, M) before
    and after it, as nothing tells where it lies between them.

    >>> moment(np.array([3, 4, 9, 12]), np.array([[True], [True], [False], [True]]), 2)
    8.0
    """
    used = np.flatnonzero(is_used.any(axis=1))
    before, after = frame[used[used < first]], frame[used[used >= first]]
    if not (before.size and after.size):
        return float(frame[first])
    return float(np.ceil((before[-1] + after[0]) / 2))
