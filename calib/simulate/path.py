"""The wand and the way a hand carries it through the volume."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy  # its submodules load at first use: who reads a scenario asks for none

from calib.core.geometry import Array
from calib.core.wand import CertifiedLength, Wand
from calib.errors import InputError
from calib.simulate.layouts import volume_mm
from calib.simulate.scenario import Scenario

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation

# No turn, end for end or about an axis, brings any of them on to itself.
MARKERS_MM = {
    "line3": [[0, 0, 0], [170, 0, 0], [460, 0, 0]],
    "plane5": [[0, 0, 0], [150, 0, 0], [480, 0, 0], [190, 230, 0], [260, -120, 0]],
    "solid6": [[0, 0, 0], [150, 0, 0], [450, 0, 0], [180, 220, 0], [250, -110, 40], [90, 60, 160]],
}
CERTIFICATE_SIGMA_MM = 0.01  # what a measuring machine states for half a metre
N_SINES = 12  # that make a process
WALK_MM_S, FASTEST_WALK_MM_S = 700.0, 1800.0  # while waving, and as fast as one walks with a wand

# The normal distribution function spreads a unit Gaussian process g evenly over (0, 1); the RMS of
# the rate at which it moves there is RMS(g') divided by this, as the mean of the squared density is
# 1 / (2 pi sqrt(3)).
UNIFORM_RATE = np.sqrt(2 * np.pi * np.sqrt(3))


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """True poses ``world_from_wand`` by frame, R (F, 3, 3) and t_mm (F, 3), and where the person
    stands (F, 2).
    """

    R: Array
    t_mm: Array
    person_mm: Array

    def part(self, frames: slice) -> Motion:
        """Return the motion of some of the frames."""
        return Motion(self.R[frames], self.t_mm[frames], self.person_mm[frames])

    def markers_world_mm(self, wand: Wand) -> Array:
        """Return the markers' places (F, M, 3)."""
        return wand.points_mm @ np.swapaxes(self.R, 1, 2) + self.t_mm[:, None]


def make_wand(scenario: Scenario) -> tuple[Wand, Wand]:
    """Return the wand as its file states it and the wand as it is."""
    points = np.array(MARKERS_MM[scenario.wand], dtype=float)
    stated = Wand(scenario.wand, tuple("pqrstu"[: len(points)]), points, scenario.wand_sigma_mm)
    rng = scenario.rng("wand", of_wave=False)
    real = replace(
        stated, points_mm=points + rng.normal(0, 1, points.shape) * scenario.marker_error_mm
    )
    if scenario.is_certified:
        i, j = np.unravel_index(int(stated.lengths_mm.argmax()), stated.lengths_mm.shape)
        length = real.lengths_mm[i, j] + rng.normal(0, CERTIFICATE_SIGMA_MM)
        stated = replace(
            stated,
            certified=(CertifiedLength(int(i), int(j), round(length, 4), CERTIFICATE_SIGMA_MM),),
        )
    return stated, real


def n_frames(scenario: Scenario) -> int:
    """Return the number of frames: as stated, or 1500, or as many as walking a long rig up and down
    takes.
    """
    if scenario.n_frames is not None:
        return scenario.n_frames
    length = _walk_length(scenario)
    return max(1500, int(np.ceil(2 * length / WALK_MM_S * scenario.frame_rate_hz)))


def make_motion(scenario: Scenario, wand: Wand, attempt: int = 0) -> Motion:
    """Return a smooth random wave; another ``attempt`` is another wave."""
    s, rng, n = scenario, scenario.rng("path", attempt), n_frames(scenario)
    time = np.arange(n) / s.frame_rate_hz
    low, high = volume_mm(s)
    # A wand held upright stays above the floor.
    low[2] += min(wand.span_mm / 2, (high[2] - low[2]) / 3)
    walk, walk_speed = _walk(s, time, rng)
    axes = np.array([1, 2] if walk is not None else [0, 1, 2])
    speed = np.sqrt(max(s.speed_mm_s**2 - walk_speed**2, (0.3 * s.speed_mm_s) ** 2) / len(axes))
    share = np.full((n, 3), 0.5)
    for axis in axes:
        rate = speed / (high[axis] - low[axis]) * UNIFORM_RATE
        share[:, axis] = evenly(time, rate, 1, rng)[:, 0]
    if walk is not None:
        share[:, 0] = walk
    centre = low + share * (high - low)
    turn = hand_turns(time, s.turn_rad_s, rng)
    azimuth = 2 * np.pi * evenly(time, 0.3, 1, rng)[:, 0] + rng.uniform(0, 2 * np.pi)
    if s.path == "plane":
        # Everything stays in one upright plane along x.
        centre[:, 1] = 0.0
        heading = 2.0 * wander(time, s.turn_rad_s / 2.0, 1, rng)[:, 0]
        turn = _turns("xy", np.full(n, np.pi / 2), heading)
    elif s.path == "still":
        middle = np.full(n, n // 2)
        centre, turn, azimuth = (low + high) / 2 + np.zeros((n, 3)), turn[middle], azimuth[middle]
    R = turn.as_matrix()
    # Upright at arm's length from the wand's centre.
    person = centre[:, :2] + 650.0 * np.stack([np.cos(azimuth), np.sin(azimuth)], -1)
    return Motion(R, centre - R @ wand.points_mm.mean(axis=0), person)


def hand_turns(time: Array, turn_rad_s: float, rng: np.random.Generator) -> Rotation:
    """Return how a hand turns a wand (F): direction and tilt of its long axis, then the turn about
    it, a third of the squared rate each.
    """
    rate = turn_rad_s / np.sqrt(3)
    heading, roll = 2.0 * wander(time, rate / 2.0, 2, rng).T
    tilt = np.pi * (evenly(time, rate / np.pi * UNIFORM_RATE, 1, rng)[:, 0] - 0.5)
    return _turns("ZYX", heading, tilt, roll)


def _turns(axes: str, *angles: Array) -> Rotation:
    return scipy.spatial.transform.Rotation.from_euler(axes, np.stack(angles, -1))


def _walk_length(scenario: Scenario) -> float:
    low, high = volume_mm(scenario)
    return float(high[0] - low[0]) if scenario.layout in {"corridor", "row"} else 0.0


def _walk(scenario: Scenario, time: Array, rng: np.random.Generator) -> tuple[Array | None, float]:
    """Return the share (F,) of a long rig's length walked, up and down in whole passes, and its
    speed in mm/s.
    """
    length = _walk_length(scenario)
    duration = len(time) / scenario.frame_rate_hz
    if not length or scenario.path == "still":
        return None, 0.0
    passes = max(1, int(duration * WALK_MM_S / length))
    speed = passes * length / duration
    if speed > FASTEST_WALK_MM_S:
        raise InputError(
            "scenario n_frames",
            expected=f"time to walk {length / 1000:.1f} m at "
            f"{FASTEST_WALK_MM_S / 1000:g} m/s or slower",
            found=f"{duration:.1f} s ({len(time)} frames at {scenario.frame_rate_hz:g} Hz)",
            remedy="Raise n_frames or lower frame_rate_hz.",
        )
    # A rounded triangle wave, with the pace varying a little.
    sway = 0.15 * min(1.0, 4000.0 / length) * wander(time, 0.5, 1, rng)[:, 0]
    phase = np.pi * (passes * time / duration - 0.5) + sway
    return 0.5 + np.arcsin(0.99 * np.sin(phase)) / (2 * np.arcsin(0.99)), speed


def wander(time: Array, rate: float, n: int, rng: np.random.Generator) -> Array:
    """Return n band-limited processes (F, n) of mean 0 and variance 1 whose derivatives have RMS
    ``rate``.

    Sums of sines with frequencies of 0.3 to 1.6 times ``rate``, scaled to the exact RMS, and random
    phases.
    """
    frequency = rng.uniform(0.3, 1.6, (n, N_SINES))
    frequency *= rate / np.sqrt((frequency**2).mean(axis=1, keepdims=True))
    phase = rng.uniform(0, 2 * np.pi, (n, N_SINES))
    angle = frequency * time[:, None, None] + phase
    return np.asarray(np.sqrt(2 / N_SINES) * np.sin(angle).sum(axis=-1))


def evenly(time: Array, rate: float, n: int, rng: np.random.Generator) -> Array:
    """Return what ``wander`` does, spread evenly over (0, 1)."""
    return np.asarray(scipy.special.ndtr(wander(time, rate, n, rng)))
