"""From pair poses to one rig: focal lengths and poses that all good edges agree on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, rotation_from_vector, vector_from_rotation
from calib.solve.start.graph import spanning_tree
from calib.solve.start.pairs import PairPose, fuse_focal

# What a pair's own standard deviation cannot know: distortion not yet modelled bends poses by this
# much.
FLOOR_ROTATION = 0.02  # radian, about a degree: what 15 px of principal point do at 1500 px
FLOOR_RELATIVE_SHIFT = (
    0.05  # of the distance between the two cameras, as a focal length some percent off does
)
REJECT_SIGMAS = 6.0  # an edge further off than this from what all others say is wrong, not noisy


@dataclass(frozen=True, slots=True, eq=False)
class InitialRig:
    """Starting poses cam_from_world (C, 3, 3) and (C, 3) in mm, focal lengths (C,), and what became
    of the edges.

    ``is_placed (C,)`` is False for cameras that no chain of good edges reaches; ``rejected`` edges
    contradict the others.
    """

    cam_R: Array
    cam_t: Array
    focal_px: Array
    is_placed: NDArray[np.bool_]
    rejected: tuple[tuple[int, int], ...]


def initial_rig(n_cameras: int, edges: list[PairPose], start_focal_px: Array) -> InitialRig:
    """Return starting poses that agree with as many edges as can agree.

    Chains the strongest tree, then averages rotations over all edges, L1 first and redescending
    after, then positions likewise; edges that end far from the rest are dropped and the average
    repeated without them. The world is the frame of the best-connected camera.

    Source: Chatterjee & Govindu, Efficient and robust large-scale rotation averaging, ICCV 2013.
    """
    kept = list(edges)
    rejected: list[tuple[int, int]] = []
    while True:
        pairs = [(e.a, e.b) for e in kept]
        tree = spanning_tree(n_cameras, pairs, [_strength(e) for e in kept])
        is_placed = np.zeros(n_cameras, bool)
        is_placed[list({c for pair in tree for c in pair})] = True
        inside = [e for e in kept if is_placed[e.a] and is_placed[e.b]]
        R = _average_rotations(n_cameras, inside, tree)
        position = _average_positions(n_cameras, inside, R, tree)
        off = np.array([_disagreement(e, R, position) for e in inside])
        is_bad = off > REJECT_SIGMAS
        if not is_bad.any():
            t = -(R @ position[:, :, None])[..., 0]
            focal = fuse_focal(inside, start_focal_px)
            return InitialRig(R, t, focal, is_placed, tuple(rejected))
        # The worst third at most a round: one bad edge makes its neighbours look bad as well.
        worst = np.argsort(-off)[: max(1, int(is_bad.sum()) // 3)]
        drop = {id(inside[k]) for k in worst}
        rejected += [(inside[k].a, inside[k].b) for k in worst]
        kept = [e for e in kept if id(e) not in drop]


def _sigma_rotation(e: PairPose) -> float:
    return float(np.hypot(e.sigma_rotation, FLOOR_ROTATION))


def _sigma_shift(e: PairPose) -> float:
    return float(np.hypot(e.sigma_mm, FLOOR_RELATIVE_SHIFT * np.linalg.norm(e.b_from_a.t_mm)))


def _strength(e: PairPose) -> float:
    return 1.0 / (_sigma_rotation(e) * e.residual_px)


def _disagreement(e: PairPose, R: Array, position: Array) -> float:
    """Return how far an edge is from the averaged rig, in its own standard deviations (the worse of
    turn and shift).
    """
    turn = np.linalg.norm(vector_from_rotation(e.b_from_a.R.T @ R[e.b] @ R[e.a].T))
    shift = R[e.b] @ (position[e.a] - position[e.b]) - e.b_from_a.t_mm
    return float(max(turn / _sigma_rotation(e), np.linalg.norm(shift) / _sigma_shift(e)))


def _edge_matrix(edges: list[PairPose], n: int) -> Array:
    """Return the incidence matrix (E, n): -1 at a, +1 at b."""
    D = np.zeros((len(edges), n))
    D[np.arange(len(edges)), [e.a for e in edges]] = -1.0
    D[np.arange(len(edges)), [e.b for e in edges]] = 1.0
    return D


def _average_rotations(n: int, edges: list[PairPose], tree: list[tuple[int, int]]) -> Array:
    """Return cam_from_world rotations (n, 3, 3): the tree's, refined over all edges; the tree's
    root is the world.

    With R_c = P_c W_c the error of an edge, brought to world axes, is log(R_bᵀ R_ab R_a) ≈ w_b -
    w_a, which makes every step one graph Laplacian with three right-hand sides.
    """
    R = np.broadcast_to(np.eye(3), (n, 3, 3)).copy()
    by_pair = {(e.a, e.b): e.b_from_a.R for e in edges} | {
        (e.b, e.a): e.b_from_a.R.T for e in edges
    }
    for parent, child in tree:
        R[child] = by_pair[(parent, child)] @ R[parent]
    if not edges:
        return R
    a, b = np.array([e.a for e in edges]), np.array([e.b for e in edges])
    R_ab, sigma = (
        np.stack([e.b_from_a.R for e in edges]),
        np.array([_sigma_rotation(e) for e in edges]),
    )
    D = _edge_matrix(edges, n)
    for step in range(40):
        error = vector_from_rotation(np.swapaxes(R[b], 1, 2) @ R_ab @ R[a])
        weight = _influence(np.linalg.norm(error, axis=1) / sigma, step < 15) / sigma**2
        w = _laplacian_solve(D, weight, error)
        R = R @ rotation_from_vector(w)
        if step > 15 and np.abs(w).max() < 1e-9:
            break
    return np.asarray(R @ R[_root(tree)].T)


def _average_positions(
    n: int, edges: list[PairPose], R: Array, tree: list[tuple[int, int]]
) -> Array:
    """Return camera positions (n, 3) in mm from the edges' metric shifts, the root at the
    origin.
    """
    if not edges:
        return np.zeros((n, 3))
    b = np.array([e.b for e in edges])
    shift = -(np.stack([e.b_from_a.t_mm for e in edges])[:, None, :] @ R[b])[
        :, 0
    ]  # position b minus a, world axes
    sigma = np.array([_sigma_shift(e) for e in edges])
    D = _edge_matrix(edges, n)
    weight = 1.0 / sigma**2
    position = np.zeros((n, 3))
    for step in range(40):
        position = _laplacian_solve(D, weight, shift)
        weight = (
            _influence(np.linalg.norm(shift - D @ position, axis=1) / sigma, step < 15) / sigma**2
        )
    return np.asarray(position - position[_root(tree)])


def _root(tree: list[tuple[int, int]]) -> int:
    return tree[0][0] if tree else 0


def _influence(size: Array, is_first: bool) -> Array:
    """Return weights for errors in sigmas: those of L1 first, then Geman-McClure's, which ignores
    gross errors.
    """
    return 1.0 / np.maximum(size, 0.1) if is_first else 1.0 / (1.0 + (size / 3.0) ** 2) ** 2


def _laplacian_solve(D: Array, weight: Array, rhs: Array) -> Array:
    """Return the least-norm x (n, 3) that minimises the weighted ``|D x - rhs|²``."""
    root = np.sqrt(weight)[:, None]
    return np.asarray(np.linalg.lstsq(root * D, root * rhs, rcond=1e-10)[0])
