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
GAP = 10  # frames from one rest to the next


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
    """What the cameras see of markers at rest (n, 3), in the truth's world; or of markers that rest
    at one place after the other (k, n, 3).
    """
    rests = points_mm.reshape(-1, *points_mm.shape[-2:])
    shape = rests.shape[:2]
    images = [camera.image_of(rests.reshape(-1, 3), RANGE_MM) for camera in truth.cameras]
    seen: list[list[Array]] = [[] for _ in images]
    for k in range(len(rests)):
        for (uv, is_seen), own in zip(images, seen, strict=True):
            is_there = rng.random((n_frames, shape[1])) >= dropout
            frame, marker = np.nonzero(is_seen.reshape(shape)[k] & is_there)
            xy = uv.reshape(*shape, 2)[k, marker] + rng.normal(0, sigma_px, (len(marker), 2))
            own.append(np.column_stack([frame + k * (n_frames + GAP), marker, xy]))
    cameras = []
    for camera, own in zip(truth.cameras, seen, strict=True):
        frame, marker, *xy = np.concatenate(own).T
        xy = np.clip(np.column_stack(xy), 0, [camera.width - 1, camera.height - 1])
        name = marker if named else np.full(len(marker), -1)
        cameras.append(
            CameraTracks(
                *(camera.name, camera.width, camera.height),
                *(frame.astype(np.int64), xy, name.astype(np.int16)),
            )
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
