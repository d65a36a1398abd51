"""Small bundle problems with known truth, for the solver's tests."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.geometry import rotation_from_vector
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem, State, arrange

LINE_MM = np.array([[-228.0, 0, 0], [-43.0, 0, 0], [271.0, 0, 0]])
SOLID_MM = np.array([[-200.0, 0, 0], [0, 150.0, 20], [210.0, -40, 0], [30.0, 20.0, 180.0]])


def make_problem(
    rng: np.random.Generator,
    n_cameras: int,
    n_frames: int,
    *,
    is_line: bool,
    noise_px: float = 0.2,
    drop: float = 0.2,
) -> tuple[Problem, State]:
    """Return a problem of cameras in a ring about a volume, and the true state."""
    shape = LINE_MM if is_line else SOLID_MM
    angle = 2 * np.pi * np.arange(n_cameras) / n_cameras + rng.uniform(0, 0.3, n_cameras)
    position = np.stack(
        [4000 * np.cos(angle), 4000 * np.sin(angle), rng.uniform(1800, 3000, n_cameras)], axis=1
    )
    z = np.array([0, 0, 1000.0]) + rng.normal(0, 200, (n_cameras, 3)) - position
    z /= np.linalg.norm(z, axis=1, keepdims=True)
    x = np.cross(z, [0.0, 0.0, 1.0])
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    R = np.stack([x, np.cross(z, x), z], axis=1)
    lens = np.zeros((n_cameras, 12))
    lens[:, 0] = rng.uniform(1200, 1600, n_cameras)
    lens[:, 1] = lens[:, 0] * rng.uniform(0.99, 1.01, n_cameras)
    lens[:, 2], lens[:, 3] = rng.normal(999.5, 10, n_cameras), rng.normal(599.5, 10, n_cameras)
    lens[:, 4:] = rng.normal(0, 1, (n_cameras, 8)) * [0.1, 0.03, 1e-3, 1e-3, 0.01, 0.02, 0.01, 0.01]
    state = State(
        R,
        -(R @ position[:, :, None])[..., 0],
        lens,
        rotation_from_vector(rng.normal(0, 1.5, (n_frames, 3))),
        rng.uniform([-1000, -1000, 300], [1000, 1000, 1800], (n_frames, 3)),
        shape,
    )
    cam, frame, marker = (v.ravel() for v in np.indices((n_cameras, n_frames, len(shape))))
    keep = rng.random(len(cam)) >= drop
    cam, frame, marker = cam[keep], frame[keep], marker[keep]
    n = len(cam)
    problem = arrange(
        cam,
        frame,
        marker,
        np.zeros((n, 2)),
        np.full(n, 1 / noise_px),
        np.arange(n),
        shape=(n_cameras, n_frames, len(shape)),
        n_rotation=2 if is_line else 3,
        frame_number=np.arange(n_frames),
    )
    uv = -residuals(problem, state)
    return replace(problem, uv_px=uv + rng.normal(0, noise_px, uv.shape)), state


def disturbed(state: State, rng: np.random.Generator, size: float = 1.0) -> State:
    """Return a start some degree, centimetres and percents away."""
    n_cameras, n_frames = len(state.cam_R), len(state.wand_R)
    lens = state.lens.copy()
    lens[:, :2] *= 1 + rng.normal(0, 0.02 * size, (n_cameras, 1))
    return replace(
        state,
        cam_R=rotation_from_vector(rng.normal(0, 0.01 * size, (n_cameras, 3))) @ state.cam_R,
        cam_t=state.cam_t + rng.normal(0, 20 * size, (n_cameras, 3)),
        lens=lens,
        wand_R=state.wand_R @ rotation_from_vector(rng.normal(0, 0.02 * size, (n_frames, 3))),
        wand_t=state.wand_t + rng.normal(0, 20 * size, (n_frames, 3)),
    )
