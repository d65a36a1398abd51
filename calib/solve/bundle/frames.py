"""Wand poses with the cameras held: starting values by triangulation, then the best fit frame by
frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.core.geometry import Array, rigid_fit
from calib.core.threads import N_GROUPS, in_groups
from calib.solve.bundle.damping import Owners, damped, descend_each
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.intersect import ROBUST_ROUNDS, triangulate_markers
from calib.solve.bundle.linearise import Blocks, frame_costs, linearise
from calib.solve.bundle.problem import Index, Problem, State

# How many triangulated markers fix a pose, by the rotations that a wand has.
FIXES = {0: 1, 2: 2, 3: 3}
TURNS = Rotation.create_group("O").as_matrix()  # no turn is farther than 63 degrees from one
N_DESCENTS = 12  # from the turns that fit best; a quarter of them differ, of a line
ROBUST_SCALE = 3.0  # of Cauchy's loss, in units of the weights: of three views one may be gross


def place_wands(problem: Problem, state: State) -> tuple[State, NDArray[np.bool_]]:
    """Return the state with wand poses fitted to triangulated markers, and which frames (F,) have
    one.

    Where fewer markers are triangulated than fix a pose, it is that of those that fit them which
    single views of other markers say; where none is, the frame keeps the identity at the origin and
    is marked False.
    """
    points = triangulate_markers(problem, state)
    is_seen = np.asarray(np.isfinite(points).all(axis=2))
    has_pose = np.asarray(is_seen.any(axis=1))
    target = np.where(is_seen[..., None], points, 0.0)[has_pose]
    source = np.broadcast_to(state.shape_mm, target.shape)
    weight = is_seen[has_pose].astype(float)
    edges = np.linspace(0, len(target), N_GROUPS + 1).astype(int)
    runs = list(pairwise(edges.tolist()))

    def fit(some: Sequence[tuple[int, int]]) -> list[tuple[Array, ...]]:
        return [rigid_fit(source[a:b], target[a:b], weight[a:b])[1:] for a, b in some]

    for _ in range(ROBUST_ROUNDS):
        parts = [part for of_some in in_groups(fit, runs) for part in of_some]
        R, t = (np.concatenate(values) for values in zip(*parts, strict=True))
        miss = np.linalg.norm(source @ np.swapaxes(R, 1, 2) + t[:, None] - target, axis=2)
        scale = np.median(miss[is_seen[has_pose]]) if has_pose.any() else 1.0
        weight = is_seen[has_pose] / (1.0 + (miss / max(3.0 * scale, 1e-9)) ** 2)
    wand_R, wand_t = (
        np.broadcast_to(np.eye(3), (problem.n_frames, 3, 3)).copy(),
        np.zeros((problem.n_frames, 3)),
    )
    wand_R[has_pose], wand_t[has_pose] = R, t
    # One frame without a finite pose would spoil the cost of all.
    is_finite = np.isfinite(wand_R).all(axis=(1, 2)) & np.isfinite(wand_t).all(axis=1)
    wand_R[~is_finite], wand_t[~is_finite] = np.eye(3), 0.0
    has_pose &= is_finite
    state = replace(state, wand_R=wand_R, wand_t=wand_t)
    n_seen = (problem.n_views(np.asarray(problem.weight > 0)) > 0).sum(axis=0)
    n_triangulated = is_seen.sum(axis=1)
    fixes = FIXES[problem.n_rotation]
    frames = np.flatnonzero(has_pose & (n_triangulated < fixes) & (n_triangulated < n_seen))
    return _by_single_views(problem, state, frames, points[frames]), has_pose


def _by_single_views(problem: Problem, state: State, frames: Index, points: Array) -> State:
    """Return the state with the wands of some frames, of which the ``points (f, M, 3)`` are
    triangulated, nan where not, at the best of the poses that a descent reaches from turns all
    around.
    """
    if not frames.size:
        return state
    own, of_own = problem.of_frames(frames)[0], state.of_frames(frames)
    known = np.asarray(np.isfinite(points).all(axis=2))[..., None]
    n = known.sum(axis=1)
    middle = np.where(known, points, 0.0).sum(axis=1) / n
    of_wand = (known * state.shape_mm).sum(axis=1) / n

    def turned(R: Array, of: Index) -> State:
        """Return wands of the frames ``of`` (n,), with turns R (n, 3, 3) about the middle of what
        is triangulated.
        """
        wand_t = middle[of] - (R @ of_wand[of, :, None])[..., 0]
        return replace(of_own, wand_R=R, wand_t=wand_t)

    once = np.arange(len(frames))
    every = [turned(np.broadcast_to(turn, of_own.wand_R.shape), once) for turn in TURNS]
    order = np.argsort([frame_costs(own, start, ROBUST_SCALE) for start in every], axis=0)
    # A frame's descents stand beside each other as frames of their own: one descent of many frames
    # takes little more than one of a few.
    of_each = np.repeat(once, N_DESCENTS)
    repeated = own.of_frames(of_each)[0]
    ends = fit_frames(repeated, turned(TURNS[order[:N_DESCENTS].T.reshape(-1)], of_each))
    cost = frame_costs(repeated, ends, ROBUST_SCALE).reshape(-1, N_DESCENTS)
    best = once * N_DESCENTS + cost.argmin(axis=1)
    wand_R, wand_t = state.wand_R.copy(), state.wand_t.copy()
    wand_R[frames], wand_t[frames] = ends.wand_R[best], ends.wand_t[best]
    return replace(state, wand_R=wand_R, wand_t=wand_t)


def fit_frames(
    problem: Problem, state: State, loss_scale: float = np.inf, max_iterations: int = 15
) -> State:
    """Return the state with each frame's wand pose at the minimum of its own (robust) cost, cameras
    held.

    Each frame has a damping of its own: one bad frame does not hold back the others.
    """
    still = np.zeros((problem.n_cameras, 6))

    def linearised(state: State) -> tuple[Blocks, Array]:
        blocks = linearise(problem, state, (), loss_scale, has_cameras=False)
        return blocks, blocks.frame_cost

    def steps(blocks: Blocks, damping: Array) -> tuple[Array, Array, Array]:
        factors, g = inverse_factors(damped(blocks.frame, damping)), blocks.frame_gradient
        step = -(np.swapaxes(factors, 1, 2) @ (factors @ g[:, :, None]))[..., 0]
        raised = damping[:, None] * np.einsum("fii->fi", blocks.frame) * step
        return still, step, 0.5 * ((raised - g) * step).sum(axis=1)

    def is_settled(fall: Array, predicted: Array, _: Array) -> NDArray[np.bool_]:
        # In units of noise: a fall this small moves a pose by a hundredth of its own standard
        # deviation. A step that was too long is tried again, shorter.
        goes_on = np.where(fall > 0, fall, predicted) > 1e-4
        return np.full(len(fall), not goes_on.any())

    owners = Owners(
        np.zeros(problem.n_cameras, dtype=np.intp), np.arange(problem.n_frames), problem.frame
    )
    return descend_each(state, (), owners, linearised, steps, is_settled, 1e-3, max_iterations)[0]


def settle(problem: Problem, state: State, frames: Index, loss_scale: float) -> State:
    """Return the state with these frames' poses at the minima of their own costs, all else held."""
    own = fit_frames(problem.of_frames(frames)[0], state.of_frames(frames), loss_scale)
    wand_R, wand_t = state.wand_R.copy(), state.wand_t.copy()
    wand_R[frames], wand_t[frames] = own.wand_R, own.wand_t
    return replace(state, wand_R=wand_R, wand_t=wand_t)
