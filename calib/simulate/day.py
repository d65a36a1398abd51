"""A day's work before a rig: many markers that move about, nameless and on no wand."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.tracks import Tracks
from calib.simulate.imaging import take, usual_mm
from calib.simulate.layouts import volume_mm
from calib.simulate.path import UNIFORM_RATE, Motion, evenly, wander
from calib.simulate.run import Simulation

MARKERS_A_GROUP = 8  # at most, on one person or thing (assumed: evenly from one on)
N_FRAMES, STRAYS = 750, 10.0  # half a minute at 25 Hz, in a place with windows and bright things
STILL_SHARE = 0.1  # of the markers lie about all day (assumed)
GROUP_MM = 350.0  # SD of markers about their group's middle, each coordinate (assumed)
LIMB_MM_S = 300.0  # RMS speed of a marker about that middle, each coordinate (assumed)


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """A capture without names, with the true places ``points_mm (F, N, 3)`` of its markers and, of
    each camera, which marker its points show (-1: a stray point).
    """

    tracks: Tracks
    points_mm: Array
    marker: tuple[NDArray[np.int16], ...]


def day_capture(
    made: Simulation, n_markers: int, n_frames: int = N_FRAMES, strays: float = STRAYS
) -> Day:
    """Return what the cameras of a simulation, as they stand after all knocks, see of so many
    markers, and of so many stray points a camera and frame: groups that walk at a tenth to all of
    the scenario's speed, with each marker moving about its group's middle, and some at rest.
    """
    s = replace(made.scenario, strays=strays)
    points = _ways(made, n_markers, n_frames)
    # The person of a wave walks here as well, along a way that no marker takes.
    rng = s.rng("day's person")
    low, high = volume_mm(s)
    time = np.arange(n_frames) / s.frame_rate_hz
    person = low[:2] + evenly(time, 0.3, 2, rng) * (high - low)[:2]
    motion = Motion(np.broadcast_to(np.eye(3), (n_frames, 3, 3)), np.zeros((n_frames, 3)), person)
    # A camera is as noisy at a distance as in its wave, wherever a few markers happen to be.
    wand = made.markers_world_mm
    images = [
        take(s, i, c, c, n_frames, motion, points, usual_mm(c, wand))
        for i, c in enumerate(made.truth_after.cameras)
    ]
    cameras = tuple(im.tracks.without_names() for im in images)
    tracks = Tracks(cameras, s.frame_rate_hz, title=f"a day of {n_markers} markers")
    return Day(tracks, points, tuple(im.marker for im in images))


def _ways(made: Simulation, n_markers: int, n_frames: int) -> Array:
    """Return the places (F, N, 3) of all markers."""
    s, rng = made.scenario, made.scenario.rng("day")
    low, high = volume_mm(s)
    time = np.arange(n_frames) / s.frame_rate_hz
    n_still = round(STILL_SHARE * n_markers)
    out = np.empty((n_frames, n_markers, 3))
    out[:, :n_still] = rng.uniform(low, high, (n_still, 3))
    last = n_still
    while last < n_markers:
        first, last = last, min(last + int(rng.integers(1, MARKERS_A_GROUP + 1)), n_markers)
        speed = s.speed_mm_s * np.exp(rng.uniform(np.log(0.1), 0.0)) / np.sqrt(3)
        middle = np.stack(
            [evenly(time, speed / e * UNIFORM_RATE, 1, rng)[:, 0] for e in high - low], axis=1
        )
        middle = low + middle * (high - low)
        for k in range(first, last):
            about = rng.normal(0, GROUP_MM, 3) + 0.3 * GROUP_MM * wander(
                time, LIMB_MM_S / (0.3 * GROUP_MM), 3, rng
            )
            out[:, k] = np.clip(middle + about, low, high)
    return out
