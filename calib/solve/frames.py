"""Wand poses with the cameras held: starting values by triangulation, then the best fit frame by frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, undistort
from calib.core.geometry import Array, rigid_fit, triangulate
from calib.solve.bundle import inverse_factors
from calib.solve.linearise import linearise
from calib.solve.problem import Problem, State

ROBUST_ROUNDS = 4  # reweighting rounds; a gross ray among three has lost its say by then


def image_plane(problem: Problem, lens: Array) -> Array:
    """Return undistorted image-plane points (2, M, P) of all observations; nan where the lens does not reach them."""
    out = np.empty_like(problem.uv_px)
    for c, at in enumerate(problem.pairs_by_camera()):
        if at.size:
            xy = undistort(Lens.from_vector(lens[c]), np.moveaxis(problem.uv_px[:, :, at], 0, -1))
            out[:, :, at] = np.moveaxis(xy, -1, 0)
    return out


def triangulate_markers(problem: Problem, state: State) -> Array:
    """Return markers (F, M, 3) in the world, in mm, by intersecting rays robustly; nan where fewer than two see one.

    Rays are reweighted by Cauchy's loss on their miss distance, in units of its median.
    """
    n_markers, n_frames = problem.weight.shape[0], problem.n_frames
    xy = image_plane(problem, state.lens)
    marker, pair = np.nonzero((problem.weight > 0) & np.isfinite(xy).all(axis=0))
    cam = problem.cam[pair]
    ray = np.stack([xy[0, marker, pair], xy[1, marker, pair], np.ones(len(pair))], axis=1)
    ray /= np.sqrt((ray**2).sum(axis=1))[:, None]
    origin = -(state.cam_t[:, None, :] @ state.cam_R)[:, 0]
    for c in np.unique(cam):
        ray[cam == c] = ray[cam == c] @ state.cam_R[c]
    origin = origin[cam]
    group = problem.frame[pair] * n_markers + marker
    weight = np.ones(len(pair))
    for _ in range(ROBUST_ROUNDS):
        points = triangulate(origin, ray, weight, group, n_frames * n_markers)
        away = points[group] - origin
        along = (away * ray).sum(axis=1)
        miss = np.sqrt(np.maximum((away**2).sum(axis=1) - along**2, 0.0)) / np.maximum(along, 1.0)
        known = miss[np.isfinite(miss)]
        scale = np.median(known) if known.size else 1.0
        weight = 1.0 / (1.0 + np.nan_to_num(miss / max(2.0 * scale, 1e-12)) ** 2)
    points[np.bincount(group, minlength=len(points)) < 2] = np.nan
    return points.reshape(n_frames, n_markers, 3)


def place_wands(problem: Problem, state: State) -> tuple[State, NDArray[np.bool_]]:
    """Return the state with wand poses fitted to triangulated markers, and which frames (F,) have one.

    Where fewer markers are triangulated than fix a pose, it is one of those that fit them; where none is, the frame
    keeps the identity at the origin and is marked False.
    """
    points = triangulate_markers(problem, state)
    is_seen = np.asarray(np.isfinite(points).all(axis=2))
    has_pose = np.asarray(is_seen.any(axis=1))
    target = np.where(is_seen[..., None], points, 0.0)[has_pose]
    source = np.broadcast_to(state.shape_mm, target.shape)
    weight = is_seen[has_pose].astype(float)
    for _ in range(ROBUST_ROUNDS):
        _, R, t = rigid_fit(source, target, weight)
        miss = np.linalg.norm(source @ np.swapaxes(R, 1, 2) + t[:, None] - target, axis=2)
        scale = np.median(miss[is_seen[has_pose]]) if has_pose.any() else 1.0
        weight = is_seen[has_pose] / (1.0 + (miss / max(3.0 * scale, 1e-9)) ** 2)
    wand_R, wand_t = np.broadcast_to(np.eye(3), (problem.n_frames, 3, 3)).copy(), np.zeros((problem.n_frames, 3))
    wand_R[has_pose], wand_t[has_pose] = R, t
    return replace(state, wand_R=wand_R, wand_t=wand_t), has_pose


def fit_frames(problem: Problem, state: State, loss_scale: float = np.inf, max_iterations: int = 15) -> State:
    """Return the state with each frame's wand pose at the minimum of its own (robust) cost, cameras held.

    Levenberg-Marquardt with a damping of each frame's own: one bad frame does not hold back the others.
    """
    blocks = linearise(problem, state, (), loss_scale, has_cameras=False)
    damping = np.full(problem.n_frames, 1e-3)
    no_camera_step = np.zeros((problem.n_cameras, 6))
    for _ in range(max_iterations):
        frame = blocks.frame.copy()
        np.einsum("fii->fi", frame)[:] *= 1.0 + damping[:, None]
        factors = inverse_factors(frame)
        step = -(np.swapaxes(factors, 1, 2) @ (factors @ blocks.frame_gradient[:, :, None]))[..., 0]
        trial = state.moved(no_camera_step, step, ())
        trial_blocks = linearise(problem, trial, (), loss_scale, has_cameras=False)
        fall = blocks.frame_cost - trial_blocks.frame_cost
        is_better = fall > 0
        damping = np.where(is_better, np.maximum(damping * 0.1, 1e-12), np.minimum(damping * 10.0, 1e12))
        pick = is_better[:, None]
        state = replace(
            state,
            wand_R=np.where(pick[..., None], trial.wand_R, state.wand_R),
            wand_t=np.where(pick, trial.wand_t, state.wand_t),
        )
        blocks = replace(
            blocks,
            frame=np.where(pick[..., None], trial_blocks.frame, blocks.frame),
            frame_gradient=np.where(pick, trial_blocks.frame_gradient, blocks.frame_gradient),
            frame_cost=np.where(is_better, trial_blocks.frame_cost, blocks.frame_cost),
        )
        # In units of noise: a fall this small moves a pose by a hundredth of its own standard deviation.
        if not (fall > 1e-4).any():
            break
    return state
