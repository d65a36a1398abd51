"""Levenberg-Marquardt's damping, and many small descents side by side.

Source: Madsen, Nielsen & Tingleff, Methods for non-linear least squares problems, 2nd edition 2004,
section 3.2 (gain ratio and damping).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Index, State

MOST_DAMPED = 1e12  # a step so short changes nothing


def next_damping(
    damping: Array, growth: Array, fall: Array, predicted: Array
) -> tuple[Array, Array]:
    """Return dampings (K,) and their growth after trials by which costs fell where a fall was
    ``predicted``.

    The better the model foresaw the fall the less damping; at each refusal it grows faster.
    """
    gain = np.clip(fall / np.maximum(predicted, 1e-300), 0.0, 2.0)
    kinder = np.maximum(damping * np.maximum(0.1, 1.0 - (2.0 * gain - 1.0) ** 3), 1e-12)
    is_better = fall > 0
    return np.where(is_better, kinder, damping * growth), np.where(is_better, 2.0, growth * 2.0)


def damped(blocks: Array, damping: Array) -> Array:
    """Return blocks (K, n, n) with their diagonals raised by the share ``damping`` (K,)."""
    out = blocks.copy()
    np.einsum("kii->ki", out)[:] *= 1.0 + damping[:, None]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Owners:
    """Which of K descents each camera (C,), frame (F,) and pair (P,) belongs to."""

    cameras: Index
    frames: Index
    pairs: Index


def descend_each(
    state: State,
    terms: tuple[str, ...],
    owners: Owners,
    linearised: Callable[[State], tuple[Blocks, Array]],
    steps: Callable[[Blocks, Array], tuple[Array, Array, Array]],
    is_settled: Callable[[Array, Array, Array], NDArray[np.bool_]],
    damping: float,
    max_iterations: int,
) -> tuple[State, Blocks]:
    """Return where K descents that see nothing of one another end, and the blocks there.

    ``linearised`` gives blocks and costs (K,) at a state; ``steps`` those of cameras (C, n) and
    frames (F, d) and the falls (K,) that they foresee, from blocks and dampings (K,);
    ``is_settled`` which end, from falls, predicted falls and the costs before.
    """
    blocks, cost = linearised(state)
    dampings, growth = np.full(len(cost), damping), np.full(len(cost), 2.0)
    is_done = np.zeros(len(cost), bool)
    for _ in range(max_iterations):
        camera_step, frame_step, predicted = steps(blocks, dampings)
        trial = state.moved(camera_step, frame_step, terms)
        trial_blocks, trial_cost = linearised(trial)
        fall = np.nan_to_num(cost - trial_cost, nan=-1.0)
        is_better = (fall > 0) & ~is_done
        is_done |= is_settled(fall, predicted, cost) | (dampings > MOST_DAMPED)
        dampings, growth = next_damping(dampings, growth, fall, predicted)
        cost = np.where(is_better, trial_cost, cost)
        if is_better.all():
            state, blocks = trial, trial_blocks
        else:
            state, blocks = _taken(owners, is_better, (state, blocks), (trial, trial_blocks))
        if is_done.all():
            break
    return state, blocks


def _taken(
    owners: Owners,
    is_better: NDArray[np.bool_],
    old: tuple[State, Blocks],
    new: tuple[State, Blocks],
) -> tuple[State, Blocks]:
    """Return state and blocks of the trial for descents that got better, the old ones of the
    others.
    """
    cameras, frames = is_better[owners.cameras], is_better[owners.frames]
    pairs = is_better[owners.pairs][: len(old[1].coupling)]

    def picked(k: int, **rows: NDArray[np.bool_]) -> dict[str, Any]:
        out = {}
        for name, of_rows in rows.items():
            now = getattr(new[k], name)
            which = of_rows.reshape(-1, *[1] * (now.ndim - 1))
            out[name] = np.where(which, now, getattr(old[k], name))
        return out

    return (
        replace(
            old[0],
            **picked(0, cam_R=cameras, cam_t=cameras, lens=cameras, wand_R=frames, wand_t=frames),
        ),
        replace(
            old[1],
            **picked(
                1,
                camera=cameras,
                camera_gradient=cameras,
                frame=frames,
                frame_gradient=frames,
                coupling=pairs,
                frame_cost=frames,
            ),
        ),
    )
