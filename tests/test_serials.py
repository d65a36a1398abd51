"""Serial numbers: kept in the rig file, and told where a capture states others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import h5py
import pytest

import calib
from calib.check.recheck.outcome import CameraChange
from calib.check.recheck.run import recheck
from calib.check.recheck.whole import with_serials
from calib.check.serials import NewSerial, new_serials
from calib.check.verdicts import Standing
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.pipeline import solve_rig
from calib.report.changes.recheck import as_json, note
from calib.simulate import Scenario, simulate

SERIALS = {"cam01": "1001", "cam02": "1002", "cam03": "1003", "cam04": "1004", "cam05": "1005"}


def stating(tracks: Tracks, serials: dict[str, str]) -> Tracks:
    cameras = (replace(c, serial=serials.get(c.name)) for c in tracks.cameras)
    return replace(tracks, cameras=tuple(cameras))


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return Scenario(n_cameras=5, n_frames=500, seed=77)


@pytest.fixture(scope="module")
def rig(scenario: Scenario) -> Rig:
    sim = simulate(scenario)
    return solve_rig(stating(sim.tracks, SERIALS), sim.wand).rig


@pytest.fixture(scope="module")
def wave(scenario: Scenario) -> Tracks:
    return simulate(replace(scenario, wave=1)).tracks


def test_a_solve_and_its_file_keep_them(rig: Rig, tmp_path: Path) -> None:
    assert {c.name: c.serial for c in rig.cameras} == SERIALS
    calib.save_rig(rig, tmp_path / "r.h5")
    assert [c.serial for c in calib.load_rig(tmp_path / "r.h5").cameras] == [*SERIALS.values()]
    with h5py.File(tmp_path / "r.h5", "r+") as file:  # as an older file, which has none
        for name in SERIALS:
            del file[f"cameras/{name}"].attrs["serial"]
    assert [c.serial for c in calib.load_rig(tmp_path / "r.h5").cameras] == [None] * 5


def test_names_that_were_exchanged_are_told_from_serials_and_geometry(
    rig: Rig, wave: Tracks
) -> None:
    moved = {"cam03": "cam05", "cam05": "cam03"}
    serials = {name: SERIALS[moved.get(name, name)] for name in SERIALS}
    exchanged = replace(
        wave, cameras=tuple(replace(wave.camera(moved.get(n, n)), name=n) for n in wave.names)
    )
    found = recheck(rig, stating(exchanged, serials))
    for name, other in moved.items():
        c = found.camera(name)
        assert (c.verdict, c.borne) == (Standing.EXCHANGED, other)
        assert f"bears the serial number {SERIALS[other]} that {other} had" in note(found, c)
    others = {c.name for c in found.cameras if c.serial is None}
    assert others == {"cam01", "cam02", "cam04"}


def test_a_camera_that_was_replaced_is_told(rig: Rig, wave: Tracks) -> None:
    found = recheck(rig, stating(wave, SERIALS | {"cam02": "2002"}))
    c = found.camera("cam02")
    assert c.serial == NewSerial("cam02", "1002", "2002")
    assert c.verdict == Standing.UNMOVED and "fit as before" in note(found, c)
    told = {c["name"]: c["serial"] for c in as_json(found)["cameras"]}
    assert told["cam02"] == {"name": "cam02", "before": "1002", "now": "2002", "had": None}
    assert told["cam01"] is None


def test_numbers_that_stayed_behind_are_not_taken_for_an_exchange(rig: Rig, wave: Tracks) -> None:
    """Points stand where their names say, as after names were put right: geometry is believed."""
    found = recheck(rig, stating(wave, SERIALS | {"cam03": "1005", "cam05": "1003"}))
    assert not found.needs_a_hand
    assert "points are those of its own place" in note(found, found.camera("cam03"))


def test_where_geometry_cannot_judge_the_number_does(rig: Rig, wave: Tracks) -> None:
    found = recheck(rig, wave)
    blind = replace(
        found,
        cameras=tuple(
            CameraChange.unseen(c.name, 3) if c.name in {"cam03", "cam05"} else c
            for c in found.cameras
        ),
    )
    serials = SERIALS | {"cam03": "1005", "cam05": "2005"}
    told = with_serials(blind, rig, stating(wave, serials))
    assert (told.camera("cam03").verdict, told.camera("cam03").borne) == ("exchanged", "cam05")
    assert told.camera("cam05").verdict == Standing.UNSEEN
    assert "another camera hangs there" in note(told, told.camera("cam05"))


def test_without_numbers_on_both_sides_nothing_is_said(rig: Rig, wave: Tracks) -> None:
    assert new_serials(rig, wave) == {}
    bare = replace(rig, cameras=tuple(replace(c, serial=None) for c in rig.cameras))
    assert new_serials(bare, stating(wave, SERIALS)) == {}


def test_the_residual_table_tells_them_too(rig: Rig, wave: Tracks) -> None:
    table = calib.residuals(rig, stating(wave, SERIALS | {"cam02": "2002"}))
    assert "cam02: its serial number is 2002" in " ".join(str(table).split())
