"""A wand wave as a bundle problem with a disturbed start, the same for every solver that is
measured on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.geometry import Array, rotation_from_vector
from calib.core.parameters import term_values
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.bundle.descent import Prior
from calib.solve.bundle.problem import Problem, State, problem_from_tracks

TERMS = ("focal", "cx", "cy", "k1", "k2")
SMALL_ROOM_MM = (4000.0, 3000.0, 2000.0)  # most cameras see most of it


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What both sides are given."""

    tracks: Tracks
    wand: Wand
    sigma_px: Array
    start: State
    prior: Prior

    def problem(self) -> Problem:
        return problem_from_tracks(
            self.tracks, len(self.wand.markers), self.wand.dimension, sigma_px=self.sigma_px
        )


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds to the mark and to the program's own end, iterations to each, and the cost at the
    end.
    """

    program: str
    to_mark_s: float
    total_s: float
    n_to_mark: int
    n_total: int
    cost: float


def make_simulation(
    n_cameras: int,
    n_frames: int,
    seed: int,
    layout: str = "room",
    size_mm: tuple[float, float, float] | None = None,
) -> Simulation:
    """Return a wave of a planar five-marker wand with noise and dropout alone, as no side here
    rejects points.
    """
    return simulate(
        Scenario(
            layout=layout,
            n_cameras=n_cameras,
            n_frames=n_frames,
            size_mm=size_mm,
            wand="plane5",
            dropout=0.013,
            outliers=0.0,
            strays=0.0,
            person=False,
            seed=seed,
        )
    )


def make_task(sim: Simulation, seed: int) -> Task:
    """Return the capture with a start that is off as a good initial rig is.

    Standard deviations of the start: cameras 0.5° and 20 mm, wands 1° and 10 mm; focal length up to
    3 % off either way, principal point at the sensor's centre, no distortion.
    """
    rng = np.random.default_rng(seed)
    cameras = sim.truth.cameras
    # Points that merged with a neighbour are no Gaussian noise: left out for both.
    clean = []
    for c, is_outlier in zip(sim.tracks.cameras, sim.is_outlier, strict=True):
        keep = ~is_outlier
        clean.append(
            type(c)(c.name, c.width, c.height, c.frame[keep], c.xy_px[keep], c.marker[keep])
        )
    tracks = Tracks(tuple(clean), sim.tracks.frame_rate_hz)
    sigma = np.full(len(cameras), sim.scenario.sigma_px)
    problem = problem_from_tracks(tracks, len(sim.wand.markers), sim.wand.dimension, sigma_px=sigma)

    n, frames = len(cameras), problem.frame_number
    R = rotation_from_vector(rng.normal(0, np.radians(0.5), (n, 3))) @ np.stack(
        [c.cam_from_world.R for c in cameras]
    )
    position = np.stack([c.position_mm for c in cameras]) + rng.normal(0, 20, (n, 3))
    lens = np.zeros((n, 12))
    lens[:, 0] = lens[:, 1] = np.array([c.lens.fx for c in cameras]) * rng.uniform(0.97, 1.03, n)
    lens[:, 2:4] = [[(c.width - 1) / 2, (c.height - 1) / 2] for c in cameras]
    turn = rotation_from_vector(rng.normal(0, np.radians(1.0), (len(frames), 3)))
    start = State(
        cam_R=R,
        cam_t=-(R @ position[:, :, None])[..., 0],
        lens=lens,
        wand_R=turn @ sim.R_world_from_wand[frames],
        wand_t=sim.t_world_from_wand_mm[frames] + rng.normal(0, 10, (len(frames), 3)),
        shape_mm=sim.wand.points_mm,
    )
    mean = np.stack([term_values(lens, name) for name in TERMS], axis=1)
    prior = Prior(
        mean,
        np.stack(
            [0.25 * lens[:, 0], *np.broadcast_to([[40.0], [40.0], [0.3], [0.3]], (4, n))], axis=1
        ),
    )
    return Task(tracks, sim.wand, sigma, start, prior)
