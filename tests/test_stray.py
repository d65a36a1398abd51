"""Reflections that stay put are masked, told and drawn; a wand is not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

import calib
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.intake.stray import stray_masks
from calib.report.figures import sensor_named
from calib.report.page.charts import sensors_page
from tests.captures import capture

WIDTH, HEIGHT, N_FRAMES = 1280, 960, 300
NOISE_PX, RATE_HZ = 0.15, 25.0


def camera(
    places: np.ndarray, n_frames: int = N_FRAMES, seed: int = 0, seen: float = 0.9
) -> CameraTracks:
    """Return a camera that sees points at ``places`` (n, 2) or (frames, n, 2) in a share ``seen``
    of its frames.
    """
    rng = np.random.default_rng(seed)
    places = np.broadcast_to(places, (n_frames, *np.shape(places)[-2:]))
    frame, at = np.nonzero(rng.random(places.shape[:2]) < seen)
    xy = places[frame, at] + rng.normal(0, NOISE_PX, (len(frame), 2))
    return CameraTracks(
        "cam01", WIDTH, HEIGHT, frame=frame, xy_px=xy, marker=np.full(len(frame), -1)
    )


def swept(n: int, seed: int, n_frames: int = N_FRAMES) -> np.ndarray:
    """Return points (frames, n, 2) that wander over the whole sensor."""
    rng = np.random.default_rng(seed)
    t = np.arange(n_frames)[:, None]
    rate, phase = rng.uniform(0.01, 0.06, (2, n)), rng.uniform(0, 2 * np.pi, (2, n))
    x, y = (0.5 + 0.45 * np.sin(rate[k] * t + phase[k]) for k in (0, 1))
    return np.stack([x * (WIDTH - 1), y * (HEIGHT - 1)], axis=2)


def joined(*parts: CameraTracks) -> CameraTracks:
    frame = np.concatenate([p.frame for p in parts])
    order = np.argsort(frame, kind="stable")
    xy = np.concatenate([p.xy_px for p in parts])[order]
    return replace(parts[0], frame=frame[order], xy_px=xy, marker=np.full(len(xy), -1))


@pytest.mark.parametrize("seed", range(4))
def test_what_stays_put_is_masked_and_what_moves_is_not(seed: int) -> None:
    rng = np.random.default_rng(seed)
    still = rng.uniform(10, (WIDTH - 10, HEIGHT - 10), (15, 2))
    lamps, moving = camera(still, seed=seed), camera(swept(15, seed), seed=seed)
    both = joined(lamps, moving)
    both = replace(both, masks_px=stray_masks(both, RATE_HZ))
    assert both.masks_px is not None and 1 <= len(both.masks_px) <= 15
    distance = np.linalg.norm(still[:, None] - both.masks_px[:, :2], axis=2)
    assert (distance.min(axis=1) < both.masks_px[distance.argmin(axis=1), 2]).all()
    assert replace(lamps, masks_px=both.masks_px).is_masked.mean() > 0.98, (
        "a mask's radius holds 99 of 100 points"
    )
    # What moves crosses masks by chance, as often as they cover its sensor, and each turning point
    # may add as much.
    share = np.pi * np.sum(both.masks_px[:, 2] ** 2) / (WIDTH * HEIGHT)
    assert replace(moving, masks_px=both.masks_px).is_masked.mean() < 20 * share < 0.02
    assert (both.masks_px[:, 2] < 10).all()


def test_a_wave_alone_and_a_wand_at_rest_for_a_while_make_no_masks() -> None:
    assert len(stray_masks(camera(swept(6, 1)), RATE_HZ)) == 0
    resting = swept(3, 2)
    resting[100:175] = resting[100]  # a quarter of the capture: six stretches of twenty
    assert len(stray_masks(camera(resting), RATE_HZ)) == 0
    for tracks in capture(n_cameras=3, seed=4, n_frames=300, strays=0.0).tracks.cameras:
        assert len(stray_masks(tracks, RATE_HZ)) == 0


def test_a_lamp_that_is_seen_now_and_then_is_one_too_and_a_moment_is_not() -> None:
    assert len(stray_masks(camera(np.array([[400.0, 300.0]]), seen=0.3), RATE_HZ)) == 1
    assert len(stray_masks(camera(np.array([[400.0, 300.0]]), n_frames=30), RATE_HZ)) == 0
    assert len(stray_masks(camera(np.array([[400.0, 300.0]]), n_frames=300), 360.0)) == 0
    assert stray_masks(camera(np.empty((0, 2))), RATE_HZ).shape == (0, 3)
    corner = camera(np.array([[1.0, 1.0]]))
    assert len(stray_masks(corner, RATE_HZ)) == 1


def test_a_window_is_covered_whole() -> None:
    """A bright rail of 200 px: every point on it lies in a circle, and nothing beside it."""
    rng = np.random.default_rng(3)
    rail = np.stack(
        [500 + 200 * rng.random((N_FRAMES, 30)), np.full((N_FRAMES, 30), 250.0)], axis=2
    )
    found = replace(seen := camera(rail), masks_px=stray_masks(camera(rail), RATE_HZ))
    assert found.masks_px is not None and len(found.masks_px) > 20
    assert found.is_masked.mean() > 0.95 and seen.n_points > 5000
    beside = camera(np.stack([rail[..., 0], rail[..., 1] + 12.0], axis=2))
    assert not replace(beside, masks_px=found.masks_px).is_masked.any()


def test_masks_are_kept_in_the_file_even_where_there_are_none(tmp_path: Path) -> None:
    bare = camera(np.array([[400.0, 300.0]]))
    cameras = [
        replace(bare, name=name, masks_px=masks)
        for name, masks in (
            ("b", np.array([[400.0, 300.0, 2.0], [5.0, 6.5, 3.0]])),
            ("a", np.empty((0, 3))),
            ("c", None),
        )
    ]
    calib.save_tracks(Tracks(tuple(cameras), 50.0), tmp_path / "t.h5")
    read = calib.load_tracks(tmp_path / "t.h5")
    assert read.names == ("b", "a", "c")
    np.testing.assert_array_equal(read.cameras[0].masks_px, cameras[0].masks_px)
    assert read.cameras[1].masks_px is not None and read.cameras[1].masks_px.shape == (0, 3)
    assert read.cameras[2].masks_px is None
    calib.save_tracks(read, tmp_path / "again.h5")
    assert (tmp_path / "again.h5").read_bytes() == (tmp_path / "t.h5").read_bytes()
    calib.save_tracks(Tracks((bare,), 50.0), tmp_path / "none.h5")
    with h5py.File(tmp_path / "none.h5") as file:
        assert set(file) == {"cameras"}


@pytest.mark.parametrize(
    "masks",
    [
        np.zeros((2, 2)),
        np.array([[1.0, 2.0, 0.0]]),
        np.array([[1.0, np.nan, 3.0]]),
        np.ones((2, 3), int),
    ],
)
def test_masks_that_are_none_are_refused_with_file_and_camera(
    masks: np.ndarray, tmp_path: Path
) -> None:
    calib.save_tracks(Tracks((camera(np.array([[400.0, 300.0]])),), 50.0), tmp_path / "t.h5")
    with h5py.File(tmp_path / "t.h5", "r+") as file:
        file["masks/cam01"] = masks
    with pytest.raises(InputError, match=r"t\.h5.*masks.*cam01|t\.h5.*cam01.*masks"):
        calib.load_tracks(tmp_path / "t.h5")


def test_the_charts_show_every_mask_and_every_camera() -> None:
    """Circles about the masks' middles, in px of the sensor; a small one is drawn larger."""
    seen = camera(np.array([[0.0, 0.0], [639.5, 479.5]]))
    named = replace(
        seen, marker=np.where(seen.xy_px[:, 0] > 9, 0, -1), frame=np.arange(seen.n_points)
    )
    cameras = (
        replace(named, name="<one>", masks_px=np.array([[639.5, 479.5, 30.0], [0.0, 0.0, 2.0]])),
        replace(named, name="two", masks_px=np.empty((0, 3))),
    )
    of_kind = {trace.name: trace for trace in sensor_named(cameras[0]).data}
    ring = of_kind["masked: stays put"]
    x, y = (np.array(v, float).reshape(2, -1)[:, :-1] for v in (ring.x, ring.y))
    for k, (at, radius) in enumerate((((639.5, 479.5), 30.0), ((0.0, 0.0), 0.01 * WIDTH))):
        assert np.hypot(x[k] - at[0], y[k] - at[1]) == pytest.approx(radius, rel=1e-5)
    n = int((named.marker >= 0).sum())
    assert len(of_kind["named"].x) == n and len(of_kind["not named"].x) < named.n_points - n
    page = sensors_page(Tracks(cameras, 50.0, title="a & b"))
    told = ("a &amp; b", f"{n} of {named.n_points} points named, 0 masks", "&lt;one&gt;")
    assert [t for t in told if t not in page] == []
