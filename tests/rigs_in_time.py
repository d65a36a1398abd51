"""One small rig, waved at again and again, for the tests of recheck, repair and history."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

import numpy as np

from calib.core.camera import Lens
from calib.core.geometry import Array, Pose, rotation_from_vector
from calib.core.parameters import (
    AUTO,
    POSITION,
    ROTATION,
    CameraParameter,
    WandCoordinate,
    term_names,
    with_term_steps,
)
from calib.core.rig import Rig, RigCamera
from calib.core.tracks import Tracks
from calib.pipeline import calibrate
from calib.simulate import Scenario, Simulation, simulate

# Errors that last for a while have tests of their own: in waves as short as these they hide small
# moves.
SCENARIO = Scenario(
    n_cameras=6, n_frames=400, seed=21, sigma_px=0.15, noise_spread=1.3, lasting_share=0.0
)
NAMES = SCENARIO.names


@lru_cache
def stored() -> Rig:
    """Return the rig as its own wave solves it."""
    sim = simulate(SCENARIO)
    return calibrate(sim.tracks, sim.wand)


def wave(number: int, **changes) -> Simulation:
    """Return another wave before the same cameras, or before cameras with something amiss."""
    return simulate(replace(SCENARIO, wave=number, **changes))


def measured(sim: Simulation, error: Array) -> Tracks:
    """Return a wave's tracks with lenses measured apart, off by ``error (C, 8)``: share of focal
    length, px, k1, k2, p1, p2, aspect.
    """
    cameras = []
    for c, t, e in zip(sim.tracks.cameras, sim.truth.cameras, error, strict=True):
        fy = (e[0] + e[7]) * t.lens.fy
        vector = t.lens.vector + np.array([e[0] * t.lens.fx, fy, *e[1:7], *[0.0] * 4])
        cameras.append(replace(c, lens=Lens.from_vector(vector)))
    return replace(sim.tracks, cameras=tuple(cameras))


# As far off as lenses are that were measured apart (common practice, no source).
LENS_ERROR = np.random.default_rng(7).normal(size=(len(NAMES), 8)) * [
    *(1e-3, 2.0, 2.0, 3e-3, 3e-3),
    *(1e-4, 1e-4, 5e-4),
]


def with_camera(rig: Rig, camera: RigCamera) -> Rig:
    return replace(rig, cameras=tuple(camera if c.name == camera.name else c for c in rig.cameras))


def turned(rig: Rig, name: str, degrees: float, axis: Iterable[float] = (0.6, 0.8, 0.0)) -> Rig:
    """Return the rig with one camera's stored pose turned about its own centre."""
    c = rig.camera(name)
    R = rotation_from_vector(np.radians(degrees) * np.array(list(axis))) @ c.cam_from_world.R
    return with_camera(rig, replace(c, cam_from_world=Pose(R, -R @ c.position_mm)))


def moved_as_one(rig: Rig, names: Iterable[str], turn_deg: Array, shift_mm: Array) -> Rig:
    """Return the rig with some cameras carried along by a motion of the world about the origin."""
    motion = Pose(rotation_from_vector(np.radians(np.array(turn_deg))), np.array(shift_mm))
    for name in names:
        c = rig.camera(name)
        rig = with_camera(rig, replace(c, cam_from_world=c.cam_from_world @ motion.inverse()))
    return rig


def drawn(
    rig: Rig, rng: np.random.Generator, factor: float = 1.0, *, knows_wand: bool = False
) -> Rig:
    """Return the rig with errors drawn from its own covariance: another solve of the same cameras,
    without the work.

    With ``knows_wand`` the wand is as its file says, as in a simulation without errors of markers.
    """
    assert rig.covariance is not None
    C, parameters = rig.covariance.matrix, rig.covariance.parameters
    if knows_wand:
        is_wand = np.array([isinstance(p, WandCoordinate) for p in parameters])
        across = C[np.ix_(~is_wand, is_wand)]
        C = C[np.ix_(~is_wand, ~is_wand)] - across @ np.linalg.solve(
            C[np.ix_(is_wand, is_wand)], across.T
        )
        parameters = tuple(p for p, w in zip(parameters, is_wand, strict=True) if not w)
    s = np.sqrt(np.diag(C))
    values, vectors = np.linalg.eigh(C / s[:, None] / s)
    e = factor * s * (vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.normal(size=len(s))))
    of = dict(zip(parameters, e, strict=True))
    for c in rig.cameras:
        turn, shift = (
            np.array([of[CameraParameter(c.name, kind)] for kind in kinds])
            for kinds in (ROTATION, POSITION)
        )
        R = rotation_from_vector(turn) @ c.cam_from_world.R
        terms = term_names(AUTO)
        steps = np.array([[of.get(CameraParameter(c.name, term), 0.0) for term in terms]])
        vector = with_term_steps(c.lens.vector[None], terms, steps)[0]
        pose = Pose(R, -R @ (c.position_mm + shift))
        rig = with_camera(rig, replace(c, cam_from_world=pose, lens=Lens.from_vector(vector)))
    return rig


def as_solved(truth: Rig) -> Rig:
    """Return a true rig in the world of the stored one, the first camera's frame, with the stored
    covariance.
    """
    world = truth.cameras[0].cam_from_world.inverse()
    cameras = tuple(replace(c, cam_from_world=c.cam_from_world @ world) for c in truth.cameras)
    return replace(truth, cameras=cameras, covariance=stored().covariance)
