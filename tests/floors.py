"""Rigs drawn about the truth, and markers laid out at random."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from calib.core.geometry import Array, Pose, rotation_from_vector
from calib.core.parameters import with_term_steps
from calib.core.rig import CameraStats, Rig
from calib.prove.world import moved
from calib.solve.certainty.rig_errors import RigErrors, rig_errors


def placed_on_floor(points_mm: Array, rng: np.random.Generator, reach_mm: float = 800.0) -> Array:
    """The points turned about z and shifted on the floor."""
    turn = rotation_from_vector(np.array([0.0, 0.0, rng.uniform(-np.pi, np.pi)]))
    return points_mm @ turn.T + [*rng.uniform(-reach_mm, reach_mm, 2), 0.0]


def drawn(rig: Rig, rng: np.random.Generator, errors: RigErrors | None = None) -> Rig:
    """The rig with errors drawn from its own covariance; the covariance stays as stated."""
    errors = errors or rig_errors(rig)
    step = errors.root @ rng.normal(size=errors.root.shape[2])
    cameras = []
    for camera, s in zip(rig.cameras, step, strict=True):
        R = rotation_from_vector(s[:3]) @ camera.cam_from_world.R
        lens = with_term_steps(camera.lens.vector[None], errors.terms, s[None, 6:])[0]
        cameras.append(
            replace(
                camera,
                cam_from_world=Pose(R, -R @ (camera.position_mm + s[3:6])),
                lens=type(camera.lens).from_vector(lens),
            )
        )
    return replace(rig, cameras=tuple(cameras))


def in_other_world(rig: Rig, rng: np.random.Generator) -> tuple[Rig, Pose]:
    """The rig in a world somewhere else, and how that lies to its own: ``other_from_own``."""
    pose = Pose(rotation_from_vector(rng.normal(size=3)), rng.uniform(-2000, 2000, 3))
    return moved(rig, pose), pose


def stats(sigma_px: float, **more: Any) -> CameraStats:
    values: dict[str, Any] = {
        "points": 1000,
        "n_left_out": 0,
        "rms_px": 1.4 * sigma_px,
        "median_px": sigma_px,
        "p95_px": 2.4 * sigma_px,
        "sigma_px": sigma_px,
        "bias_px": (0.0, 0.0),
        "coverage": 0.7,
    }
    return CameraStats(**(values | more))


def poses_within(low: Array, high: Array, n: int, rng: np.random.Generator) -> list[Pose]:
    """Random poses in a box."""
    turns = rotation_from_vector(rng.normal(0, 1.5, (n, 3)))
    return [Pose(R, t) for R, t in zip(turns, rng.uniform(low, high, (n, 3)), strict=True)]
