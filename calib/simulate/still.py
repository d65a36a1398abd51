"""What else a rig is shown: markers at rest, a frame on the floor, a certified bar."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.simulate.run import Simulation, simulate

FRAME_MM = np.array([[0.0, 0, 0], [600, 0, 0], [0, 400, 0]])  # corner, long leg, short leg
RANGE_MM = 9000.0  # as scenarios have it by default
RATE_HZ = 25.0


def still_tracks(
    truth: Rig,
    points_mm: Array,
    rng: np.random.Generator,
    *,
    n_frames: int = 50,
    sigma_px: float = 0.12,
    named: bool = True,
    dropout: float = 0.1,
) -> Tracks:
    """What the cameras see of markers at rest (n, 3), in the truth's world."""
    cameras = []
    for camera in truth.cameras:
        uv, is_seen = camera.image_of(points_mm, RANGE_MM)
        frame, marker = np.nonzero(is_seen & (rng.random((n_frames, len(points_mm))) >= dropout))
        xy = np.clip(
            uv[marker] + rng.normal(0, sigma_px, (len(marker), 2)),
            0,
            [camera.width - 1, camera.height - 1],
        )
        name = marker if named else np.full(len(marker), -1)
        cameras.append(
            CameraTracks(camera.name, camera.width, camera.height, frame, xy, name.astype(np.int16))
        )
    return Tracks(tuple(cameras), RATE_HZ)


def floor_capture(made: Simulation) -> Tracks:
    """Return what the cameras of a simulation see of a frame on the floor, in the middle of the
    volume, its markers on the floor and nameless; the floor is z = 0 of the truth.
    """
    s = made.scenario
    points = FRAME_MM + np.array([-300.0, -200.0, 0.5 * s.marker_diameter_mm])
    rng = s.rng("floor")
    return still_tracks(made.truth_after, points, rng, sigma_px=s.sigma_px, named=False)


def bar_capture(made: Simulation) -> tuple[Tracks, Wand]:
    """Return what the cameras see of a bar with a certified length, another than the wand, carried
    about in a wave of its own.
    """
    s = made.scenario
    other = "line3" if s.wand == "plane5" else "plane5"
    later = replace(s, wand=other, wave=s.wave + 1, is_certified=True, connected=False)
    shown = simulate(later)
    return shown.tracks, replace(shown.wand, name="bar")
