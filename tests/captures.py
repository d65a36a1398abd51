"""Simulated captures and changes to them, for the tests of the residual table."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from calib.check.residuals import residual_table
from calib.core.tracks import Tracks
from calib.simulate import Scenario, simulate
from calib.simulate.scenario import INDEPENDENT

SIGMA = Scenario().sigma_px
IDEAL = {"outliers": 0.0, "strays": 0.0, "occlusion": False, "person": False, **INDEPENDENT}


@lru_cache
def capture(layout="room", n_cameras=6, seed=0, n_frames=500, **changes):
    changes = {
        k: dict(v) if k == "noisy" else v for k, v in changes.items()
    }  # a cache key must be hashable
    return simulate(
        Scenario(
            layout=layout,
            n_cameras=n_cameras,
            seed=seed,
            n_frames=n_frames,
            connected=False,
            **changes,
        )
    )


RATES_HZ = (25.0, 100.0, 360.0)


@lru_cache
def at_rate(rate_hz, seconds, **changes):
    """Return a nameless capture of a motion that is the same in seconds at every frame rate."""
    tremble = Scenario().tremble * rate_hz / Scenario().frame_rate_hz  # as a time: 80 µs
    n_frames = round(seconds * rate_hz)
    return capture(
        n_frames=n_frames,
        frame_rate_hz=rate_hz,
        tremble=tremble,
        strays=10.0,
        is_named=False,
        **changes,
    )


def table_of(sim):
    return residual_table(sim.truth, sim.tracks)


def with_points(camera, keep):
    return replace(
        camera,
        frame=camera.frame[keep],
        xy_px=camera.xy_px[keep],
        marker=camera.marker[keep],
        radius_px=camera.radius_px[keep],
    )


def with_camera(tracks, camera):
    cameras = tuple(camera if c.name == camera.name else c for c in tracks.cameras)
    return Tracks(cameras, tracks.frame_rate_hz)


def act(table, causes=None):
    """Return the cameras with verdict act, worst first; with ``causes`` those that have one of
    them.
    """
    return [
        r.name
        for r in table.cameras
        if r.verdict == "act" and (causes is None or causes & {c.cause for c in r.causes})
    ]


def seen_twice(tracks, n_markers):
    """Return the frames in which two cameras see each of two markers or more, which fixes a line
    wand.
    """
    keys = np.concatenate(
        [c.frame[c.marker >= 0] * n_markers + c.marker[c.marker >= 0] for c in tracks.cameras]
    )
    key, count = np.unique(keys, return_counts=True)
    frame, n = np.unique(key[count >= 2] // n_markers, return_counts=True)
    return frame[n >= 2]


def fixed_only(sim):
    """Return the named points of a capture's frames that fix a line wand."""
    frames = seen_twice(sim.tracks, 3)
    cameras = tuple(
        with_points(c, np.isin(c.frame, frames) & (c.marker >= 0)) for c in sim.tracks.cameras
    )
    return Tracks(cameras, sim.tracks.frame_rate_hz), frames


def table_in(text):
    """Return the lines of the first table of cameras in a text: its headings, and its rows."""
    lines = text.splitlines()
    start = next(k for k, line in enumerate(lines) if line.startswith("camera  "))
    end = next((k for k in range(start, len(lines)) if not lines[k]), len(lines))
    n_headings = 1 + lines[start + 1].startswith(" ")
    return lines[start : start + n_headings], lines[start + n_headings : end]
