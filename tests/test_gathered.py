"""Left-out points that gather on one marker or in one part of an image, and those that do not."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from calib.check.verdicts import RigFault
from calib.check.whole.gathered import CHANCE, Seen, lost_marker, lost_places
from calib.core.rig import Doubt
from calib.core.tracks import CameraTracks, Tracks
from calib.pipeline import solve_rig
from calib.report.rigs.whole import as_json
from scripts.benchmarks.mistakes import planted

N_MARKERS, N_CAMERAS, N_SECONDS, RATE = 3, 4, 40, 25


def bursts(seed: int) -> Seen:
    """Points of wands that wander, left out in bursts: for half a second nearly all of a camera's
    points go, here and there single ones. Over-dispersed as what lasts makes them.
    """
    rng = np.random.default_rng(seed)
    n = N_SECONDS * RATE
    camera, frame, marker = (a.ravel() for a in np.mgrid[:N_CAMERAS, :n, :N_MARKERS])
    t = np.arange(n) / RATE
    phase = rng.uniform(0, 2 * np.pi, (N_CAMERAS, 2, 3))
    way = sum(np.sin((k + 1) * 0.4 * t + phase[..., k, None]) for k in range(3)) / 3
    uv = np.array([1000.0, 500.0]) * (1 + way[camera, :, frame])
    uv += rng.normal(0, 40, (len(frame), 2))
    burst = rng.random((N_CAMERAS, 2 * N_SECONDS)) < 0.04
    is_out = burst[camera, 2 * frame // RATE] & (rng.random(len(frame)) < 0.9)
    is_out |= rng.random(len(frame)) < 0.01
    return Seen(camera, marker, frame, frame // RATE, np.clip(uv, 0, [1999, 999]), is_out)


def tracks() -> Tracks:
    none = np.empty(0, int)
    cameras = [
        CameraTracks(f"cam{k}", 2000, 1000, none, np.empty((0, 2)), none) for k in range(N_CAMERAS)
    ]
    return Tracks(tuple(cameras), float(RATE))


def test_bursts_gather_nowhere() -> None:
    """At ``CHANCE`` a capture, one alarm among so many would be one chance in a hundred."""
    n = 100
    assert n * CHANCE <= 0.01
    for seed in range(n):
        seen = bursts(seed)
        assert lost_marker(seen, N_MARKERS) is None and lost_places(seen, tracks()) == []


@pytest.mark.parametrize("seed", range(3))
def test_a_marker_and_a_place_are_told_among_bursts(seed: int) -> None:
    seen, rng = bursts(500 + seed), np.random.default_rng(seed)
    of_marker = seen.is_out | ((seen.marker == 1) & (rng.random(len(seen.marker)) < 0.4))
    lost = lost_marker(replace(seen, is_out=of_marker), N_MARKERS)
    assert lost is not None and lost.marker == 1 and lost.share > 0.35 and lost.usual < 0.1

    own = seen.camera == 2
    middle = np.median(seen.uv_px[own], axis=0)
    near = own & (np.linalg.norm(seen.uv_px - middle, axis=1) < 100)
    # What the camera sees wrong is left out of another's view of the same points as well.
    key = seen.frame * N_MARKERS + seen.marker
    beside = (seen.camera == 3) & np.isin(key, key[near])
    (place,) = lost_places(replace(seen, is_out=seen.is_out | near | beside), tracks())
    left, top, right, bottom = place.window_px
    assert place.camera == 2 and left < middle[0] < right and top < middle[1] < bottom
    assert right - left <= 250


def told(kind: str, seed: int, strength: float) -> tuple[tuple[Doubt, ...], tuple[str, ...]]:
    capture = planted(kind, seed, strength)
    solution = solve_rig(capture.tracks, capture.wand)
    table = solution.table
    assert table.needs_a_hand and table.doubts == solution.rig.doubts
    return table.doubts, capture.cameras


def test_glints_on_a_marker_are_told() -> None:
    (doubt,), _ = told("marker glints", 303, 0.2)
    assert doubt.finding == RigFault.MARKER_LOST and doubt.figures["marker"] == "t"
    assert 0.15 < doubt.figures["share"] < 0.25
    (told_as,) = as_json([doubt])["findings"]
    share = f"{doubt.figures['share']:.0%}"
    assert told_as["evidence"].startswith(f"{share} of marker t's points fit nothing")


def test_a_marker_half_of_whose_points_are_glints_is_not_called_bent() -> None:
    """What is left of its points lies where the wand has it."""
    assert [d.finding for d in told("marker glints", 301, 0.5)[0]] == [RigFault.MARKER_LOST]


def test_a_reflection_is_told_with_its_place() -> None:
    capture = planted("reflection in one place", 313, 0.05)
    (doubt,), cameras = told("reflection in one place", 313, 0.05)
    assert doubt.finding == RigFault.PLACE_LOST and doubt.cameras == cameras
    assert doubt.figures["share"] > 0.9 and doubt.figures["usual"] < 0.05
    # A window amid the circle in which points were drawn to its middle.
    (name,) = cameras
    now, before = (t.camera(name).xy_px for t in (capture.tracks, capture.simulation.tracks))
    middle = np.median(now[(now != before).any(axis=1)], axis=0)
    window = re.search(r"columns (\d+) to (\d+) and rows (\d+) to (\d+)", str(doubt))
    assert window is not None
    left, right, top, bottom = map(int, window.groups())
    assert np.abs(middle - [(left + right) / 2, (top + bottom) / 2]).max() < 0.05 * 2000
