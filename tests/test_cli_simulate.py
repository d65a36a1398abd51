"""What the simulator draws on request, as the other commands take it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import calib
from calib import files
from calib.core.geometry import angle_between_deg
from calib.intake.centroids.names import find_sources
from tests.program import Call, snapshot

SMALL = ("--cameras", 4, "--frames", 300, "--seed", 5)


def test_a_later_wave_sees_the_same_rig_with_the_knock_stated(call: Call, tmp_path: Path) -> None:
    code, _, err = call(
        "simulate",
        tmp_path / "t",
        *SMALL,
        "--cameras",
        6,
        "--waves",
        3,
        "--knock",
        "cam02:0.3deg,4mm",
    )
    assert code == 0 and "wave2.h5, wave3.h5, truth_after.h5" in err
    before, after = (calib.load_rig(tmp_path / "t" / f"{n}.h5") for n in ("truth", "truth_after"))
    for old, new in zip(before.cameras, after.cameras, strict=True):
        turn = angle_between_deg(old.cam_from_world.R, new.cam_from_world.R)
        shift = np.linalg.norm(old.position_mm - new.position_mm)
        assert (turn, shift) == pytest.approx((0.3, 4.0) if old.name == "cam02" else (0, 0))
    for name in ("wave2", "wave3"):
        wave = calib.load_tracks(tmp_path / "t" / f"{name}.h5")
        found = calib.recheck(before, wave)
        assert found.moved == ("cam02",), name
    waves = [snapshot(tmp_path / "t")[f"{name}.h5"] for name in ("tracks", "wave2", "wave3")]
    assert len(set(waves)) == 3


def test_images_are_of_the_frames_asked_for_and_their_list_fits(call: Call, tmp_path: Path) -> None:
    folder = tmp_path / "t"
    assert call("simulate", folder, *SMALL, "--images", 2, "--nameless")[0] == 0
    tracks = calib.load_tracks(folder / "tracks.h5")
    assert all((c.marker == -1).all() for c in tracks.cameras)
    listed = files.load_image_list(folder / "images.toml")
    found = find_sources([folder / "images"], listed)
    assert [(s.camera, s.frame) for s in found] == [(c, n) for c in tracks.names for n in (0, 1)]
    assert listed.frame_rate_hz == tracks.frame_rate_hz
    code, out, _ = call(
        "centroids", folder / "images", "--list", folder / "images.toml", "-o", tmp_path / "s.h5"
    )
    spots = calib.load_tracks(tmp_path / "s.h5")
    assert code == 0 and "8 images of 4 cameras" in out
    for seen, shown in zip(spots.cameras, tracks.cameras, strict=True):
        assert (seen.width, seen.focal_mm) == (shown.width, shown.focal_mm)


def test_images_written_again_leave_nothing_of_the_earlier(call: Call, tmp_path: Path) -> None:
    folder = tmp_path / "t"
    assert call("simulate", folder, *SMALL, "--images", 2)[0] == 0
    before = snapshot(tmp_path)
    code, _, err = call("simulate", folder, *SMALL, "--images", 1, "--force")
    assert code == 2 and "images" in err and snapshot(tmp_path) == before


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--knock", "cam02:0.3deg"), "--waves 2"),
        (("--waves", 2, "--knock", "cam2:0.3deg"), "cam01 to cam04"),
        (("--waves", 2, "--knock", "cam02"), "cam03:0.3deg"),
        (("--waves", 2, "--knock", "cam02:0.3"), "cam03:0.3deg"),
        (("--waves", 2, "--knock", "cam02:1deg", "--knock", "cam02:1mm"), "once"),
        (("--waves", 0), "--waves"),
        (("--images", 0), "--images"),
    ],
)
def test_bad_requests_end_in_one_line(
    options: tuple[object, ...], message: str, refused: Callable[..., str], tmp_path: Path
) -> None:
    assert message in refused("simulate", tmp_path / "t", *SMALL, *options)
