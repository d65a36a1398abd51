"""Faults of single cameras: late exposure, rolling rows, vibration, a bent window, a half-blind
sensor.

Each has a random stream of its own, and a camera without the fault is left as it is, to the bit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import project
from calib.core.geometry import Array
from calib.core.rig import RigCamera
from calib.simulate.scenario import Scenario

USUAL_HZ = 4.0  # a loaded truss swings at a few hertz (common practice, no source)


def exposed(s: Scenario, camera: RigCamera, points: Array) -> Array:
    """Return the markers (F, M, 3) where they are when the camera exposes them, by a parabola
    through three frames.

    ``late`` delays all rows, ``row_delay`` the last row against the first.
    """
    late, rows = s.late.get(camera.name, 0.0), s.row_delay.get(camera.name, 0.0)
    if not (late or rows) or len(points) < 3:
        return points
    before, after = np.empty_like(points), np.empty_like(points)
    before[1:], after[:-1] = points[:-1], points[1:]
    before[0], after[-1] = 2 * points[0] - points[1], 2 * points[-1] - points[-2]
    delay = np.full((*points.shape[:2], 1), late)
    out = points
    for _ in range(2 if rows else 1):  # the row at which a marker is met depends a little on when
        if rows:
            with np.errstate(all="ignore"):  # behind the camera: nan, never seen
                row = project(camera.lens, camera.cam_from_world.apply(out))[..., 1:] / s.height
            delay = late + rows * np.clip(np.nan_to_num(row), 0.0, 1.0)
        out = (
            points + delay * (after - before) / 2.0 + delay**2 * (after - 2 * points + before) / 2.0
        )
    return out


def image_shifts(s: Scenario, index: int, uv: Array) -> Array | float:
    """Return what vibration and a bent window add to image points (F, M, 2), in px."""
    name = s.names[index]
    swing, bend = s.vibration_px.get(name, 0.0), s.window_px.get(name, 0.0)
    out: Array | float = 0.0
    if swing:
        # A small turn of the camera shifts its whole image alike.
        angle, phase = s.rng("vibration", index).uniform(0, 2 * np.pi, 2)
        cycles = s.vibration_hz.get(name, USUAL_HZ) / s.frame_rate_hz * np.arange(len(uv))
        out = out + (swing * np.sin(2 * np.pi * cycles + phase))[:, None, None] * [
            np.cos(angle),
            np.sin(angle),
        ]
    if bend:
        # Two waves of one to one and a half periods over the sensor in each coordinate: the RMS of
        # each is 1.
        rng = s.rng("window", index, of_wave=False)
        turn, phase = (
            rng.uniform(1.0, 1.5, (2, 2, 1)) * rng.choice([-1.0, 1.0], (2, 2, 2)),
            rng.uniform(0, 6.28, (2, 2)),
        )
        place = uv / [s.width, s.height] * [1.0, s.height / s.width]
        waves = [np.sin(2 * np.pi * (place @ turn[k].T) + phase[k]).sum(axis=-1) for k in range(2)]
        out = out + bend / np.sqrt(2.0) * np.stack(waves, axis=-1)
    return out


def seen_side(s: Scenario, index: int, uv: Array) -> NDArray[np.bool_] | bool:
    """Return which points (F, M) lie on the part of the sensor that sees: left, right, upper or
    lower.
    """
    share = s.side_seen.get(s.names[index], 1.0)
    if share >= 1.0:
        return True
    side = int(s.rng("side", index, of_wave=False).integers(4))
    place = uv[..., side // 2] / (s.width, s.height)[side // 2]
    return np.asarray(place <= share if side % 2 else place >= 1.0 - share)
