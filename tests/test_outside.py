"""Points outside their sensors: refused with count and share, or left out and counted."""

from __future__ import annotations

import json
from pathlib import Path

import h5py
import numpy as np
import pytest

import calib
from calib.core.tracks import Tracks
from calib.intake.edit import join, select
from calib.simulate import Scenario, Simulation, simulate
from tests.program import Call


@pytest.fixture(scope="module")
def sim() -> Simulation:
    return simulate(Scenario.plain(n_cameras=4, n_frames=300, seed=12))


def save(tracks: Tracks, path: Path, *, n: int) -> list[int]:
    """Write a capture, n of cam02's points moved out over the right edge; return their rows."""
    calib.save_tracks(tracks, path)
    rows = list(range(5, 5 + 3 * n, 3))
    with h5py.File(path, "r+") as file:
        xy = file["cameras/cam02/xy"]
        for row in rows:
            xy[row] = [tracks.camera("cam02").width + 40.0, xy[row][1]]
    return rows


def test_the_refusal_names_camera_count_share_and_flag(sim, tmp_path: Path) -> None:
    save(sim.tracks, tmp_path / "t.h5", n=7)
    n = sim.tracks.camera("cam02").n_points
    with pytest.raises(calib.InputError) as raised:
        calib.load_tracks(tmp_path / "t.h5")
    text = str(raised.value)
    assert f"7 of {n} points ({7 / n:.1%})" in text and "--drop-outside" in text
    assert "cam02: xy row 5" in text


def test_they_are_left_out_and_counted_all_the_way(sim, tmp_path: Path) -> None:
    rows = save(sim.tracks, tmp_path / "t.h5", n=7)
    tracks = calib.load_tracks(tmp_path / "t.h5", drop_outside=True)
    own, before = tracks.camera("cam02"), sim.tracks.camera("cam02")
    kept = np.delete(np.arange(before.n_points), rows)
    assert own.n_outside == 7 and np.array_equal(own.xy_px, before.xy_px[kept])
    assert np.array_equal(own.frame, before.frame[kept])
    calib.save_tracks(tracks, tmp_path / "kept.h5")
    again = calib.load_tracks(tmp_path / "kept.h5")
    assert [c.n_outside for c in again.cameras] == [0, 7, 0, 0]
    swapped = select(again, rename={"cam02": "cam03", "cam03": "cam02"})
    assert {c.name: c.n_outside for c in swapped.cameras if c.n_outside} == {"cam03": 7}
    assert join([again, again]).tracks.camera("cam02").n_outside == 14


def test_solve_goes_on_without_them_and_keeps_the_count(sim, call: Call, tmp_path: Path) -> None:
    save(sim.tracks, tmp_path / "t.h5", n=7)
    calib.save_wand(sim.wand, tmp_path / "w.toml")
    solve = ["solve", tmp_path / "t.h5", "--wand", tmp_path / "w.toml", "-o", tmp_path / "r.h5"]
    code, _, err = call(*solve)
    assert code == 2 and "7 of" in err
    code, out, err = call(*solve, "--drop-outside", "--json")
    assert code == 0, err
    told = {c["name"]: c["outside"] for c in json.loads(out)["cameras"]}
    assert told == {"cam01": 0, "cam02": 7, "cam03": 0, "cam04": 0}
    rig = calib.load_rig(tmp_path / "r.h5")
    assert rig.provenance["points_outside"] == {"cam02": 7}


def test_inspect_counts_them_and_names_the_flag_for_the_solve(
    sim, call: Call, tmp_path: Path
) -> None:
    save(sim.tracks, tmp_path / "t.h5", n=7)
    n = sim.tracks.camera("cam02").n_points
    calib.save_wand(sim.wand, tmp_path / "w.toml")
    _, out, _ = call("inspect", tmp_path / "t.h5", "--wand", tmp_path / "w.toml")
    text = " ".join(out.split())
    assert f"cam02 (7, {7 / n:.1%})" in text
    assert "--drop-outside -o rig.h5" in text


def test_a_sensor_stated_too_small_is_not_cut_down(sim, tmp_path: Path) -> None:
    """Where a tenth or more lies outside, the size is wrong, and what is left would mislead."""
    calib.save_tracks(sim.tracks, tmp_path / "t.h5")
    with h5py.File(tmp_path / "t.h5", "r+") as file:
        file["cameras/cam02"].attrs["width"] = 1024
    share = float((sim.tracks.camera("cam02").xy_px[:, 0] > 1024).mean())
    assert share > 0.1
    with pytest.raises(calib.InputError, match="no stray points") as raised:
        calib.load_tracks(tmp_path / "t.h5", drop_outside=True)
    assert f"{share:.1%}" in str(raised.value)


def test_a_table_of_points_is_treated_alike(tmp_path: Path) -> None:
    rows = [f"cam01,{k},{10 + k},20,0" for k in range(30)] + ["cam01,4,700,20,1"]
    (tmp_path / "t.csv").write_text("\n".join(["camera,frame,x,y,marker", *rows]))
    (tmp_path / "c.toml").write_text(
        "frame_rate = 25.0\n[cameras.cam01]\nwidth = 640\nheight = 480\n"
    )
    with pytest.raises(calib.InputError, match=r"line 32: cam01.*1 of 31 points \(3.2%\)"):
        calib.load_table(tmp_path / "t.csv", tmp_path / "c.toml")
    tracks = calib.load_table(tmp_path / "t.csv", tmp_path / "c.toml", drop_outside=True)
    assert (tracks.cameras[0].n_points, tracks.cameras[0].n_outside) == (30, 1)
