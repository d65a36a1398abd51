"""A rig's files one after another: what stayed, what jumped, what drifts, and what is printed,
written and drawn.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from typer.testing import CliRunner

from calib.check.history.compare import history
from calib.check.history.records import Entry, History
from calib.check.recheck.run import recheck
from calib.check.verdicts import Fault
from calib.cli.main import app
from calib.core.geometry import Pose, rotation_from_vector, vector_from_rotation
from calib.core.rig import Rig
from calib.errors import InputError
from calib.export.history import history_as_csv
from calib.files import save_rig, save_tracks, sha256
from calib.pipeline import calibrate
from calib.prove.world import moved
from calib.report.changes.history import as_blocks, as_json, findings
from calib.report.figures.history import QUANTITIES, history_chart
from calib.report.tables import lines_of
from calib.simulate import Knock
from calib.solve.repair import repair
from tests.rigs_in_time import (
    LENS_ERROR,
    NAMES,
    drawn,
    measured,
    moved_as_one,
    stored,
    turned,
    wave,
)

N_FILES = 5


def dated(rig: Rig, k: int) -> Rig:
    return replace(rig, provenance={"time": f"2031-0{k + 1}-01T09:00:00+00:00"})


def series(seed: int, change=lambda rig, k: rig) -> list[Entry]:
    """Return files as solves of independent waves would give them, each in a world of its own."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(N_FILES):
        rig = drawn(change(stored(), k), rng)
        rig = moved_as_one(rig, NAMES, rng.normal(0, 3.0, 3), rng.normal(0, 200.0, 3))
        out.append(Entry(f"rig{k}.h5", dated(rig, k), f"{k:064d}"))
    return out


def verdicts(history: History) -> dict[str, str]:
    return {c.name: c.verdict for c in history.cameras}


@pytest.mark.parametrize("seed", range(3))
def test_independent_solves_of_an_unmoved_rig_are_steady(seed: int):
    """The level is 0.005 a history: three of them without a camera named happen in 98 of 100."""
    assert set(verdicts(history(series(seed))).values()) == {"steady"}


@pytest.mark.parametrize("share", [0.2, -0.02])
def test_a_rig_that_changed_in_size_is_that_and_no_camera_moved(share: float):
    entries = series(3)
    last = entries[-1]
    cameras = tuple(
        replace(c, cam_from_world=Pose(c.cam_from_world.R, (1 + share) * c.cam_from_world.t_mm))
        for c in last.rig.cameras
    )
    found = history([*entries[:-1], replace(last, rig=replace(last.rig, cameras=cameras))])
    assert found.grown == pytest.approx({last.name: share}, abs=1e-3)
    assert set(verdicts(found).values()) == {"steady"} and found.needs_a_hand
    word = "grew" if share > 0 else "shrank"
    assert f"the whole rig {word} by " in " ".join(lines_of(as_blocks(found)))


def test_a_rig_scaled_to_a_survey_is_no_rig_that_changed():
    """By 0.05 %, too little for a rig that grew, it named five of six cameras as moved."""
    own = series(3)[0].rig
    large = moved(own, Pose(np.eye(3), np.zeros(3)), 1.002)

    def course(alignment: dict[str, float] | None, *, is_large_first: bool) -> History:
        rigs = own, replace(large, alignment=alignment)
        pair = rigs[::-1] if is_large_first else rigs
        return history([Entry(f"{k}.h5", dated(r, k), f"{k:064d}") for k, r in enumerate(pair)])

    for is_large_first in (True, False):
        for alignment in ({"scale": 1.002}, {"scale": 1.0, "enlarged": 1.002}):
            found = course(alignment, is_large_first=is_large_first)
            assert set(verdicts(found).values()) == {"steady"} and not found.grown
        assert course(None, is_large_first=is_large_first).grown


def test_errors_of_held_lenses_are_no_history():
    """Each solve's poses answer them a little differently, by where its wave went; a knock shows
    all the same.
    """
    hit = (Knock(camera="cam03", rotation_deg=0.3, translation_mm=0.0),)
    sims = [wave(0), wave(1), wave(2), wave(3, knock=hit)]
    files = [
        Entry(f"rig{k}.h5", dated(calibrate(measured(s, LENS_ERROR), s.wand), k))
        for k, s in enumerate(sims)
    ]
    still = history(files[:3])
    assert set(verdicts(still).values()) == {"steady"} and not findings(still)
    found = history(files)
    assert verdicts(found) == {n: "jump" if n == "cam03" else "steady" for n in NAMES}
    (c,) = (c for c in found.cameras if c.name == "cam03")
    size, sigma = c.length(3, slice(0, 3))
    assert c.at_file == 3 and np.degrees(size) == pytest.approx(0.3, abs=4.0 * np.degrees(sigma))


def test_files_that_do_not_say_what_held_lenses_did_are_named():
    sims = [wave(0), wave(1)]
    files = [
        Entry(f"rig{k}.h5", dated(calibrate(measured(s, LENS_ERROR), s.wand), k))
        for k, s in enumerate(sims)
    ]
    known = files[1].rig.covariance
    assert known is not None
    files[1] = replace(files[1], rig=replace(files[1].rig, covariance=replace(known, held=())))
    assert [f for f in findings(history(files)) if "measured lenses" in f and ": rig1.h5." in f]


def test_what_a_repair_solved_anew_changed_however_unsure_its_rig_is():
    """A repair keeps its rig's errors; with the two files taken as independent, a camera that the
    recheck had found moved was steady. Its turn is the truth's, by what is stated of it.
    """
    hit = (Knock(camera="cam03", rotation_deg=0.12, translation_mm=1.0),)
    off = []
    for k in range(2):
        begun = wave(k, n_frames=80)  # too short a wave to be sure of much
        first = calibrate(begun.tracks, begun.wand)
        later = wave(100 + k, knock=hit)
        found = recheck(first, later.tracks)
        mended = repair(first, found.tracks, found.repairable)
        new_from_old = Pose(rotation_from_vector([0.1, 0.2, 0.3]), np.array([50.0, 0.0, 9.0]))
        aligned, turned_too = (moved(rig, new_from_old) for rig in (first, mended))
        files = [
            Entry(f"rig{k}.h5", dated(r, k)) for k, r in enumerate([first, aligned, turned_too])
        ]
        three = history(files)
        assert verdicts(three) == {n: "jump" if n == "cam03" else "steady" for n in NAMES}
        assert next(c.at_file for c in three.cameras if c.name == "cam03") == 2
        told = history(files[::2])
        assert verdicts(told) == {n: "changed" if n == "cam03" else "steady" for n in NAMES}
        for c in told.cameras:
            if c.name != "cam03":
                assert c.change[1] == pytest.approx(0.0, abs=1e-6)
                assert c.sigma[1] == pytest.approx(0.0, abs=1e-3)
        (c,) = (c for c in told.cameras if c.name == "cam03")
        was, now = (t.camera("cam03") for t in (later.truth, later.truth_after))
        turn = vector_from_rotation(now.cam_from_world.R @ was.cam_from_world.R.T)
        off += ((c.change[1, :3] - turn) / c.sigma[1, :3]).tolist()
    # By the normal law, at a chance of 1e-4 for all.
    assert np.abs(off).max() < stats.norm.isf(0.5e-4 / len(off))


def test_a_jump_is_dated_and_sized():
    found = history(series(11, lambda rig, k: turned(rig, "cam03", 0.3) if k >= 3 else rig))
    assert verdicts(found) == {n: "jump" if n == "cam03" else "steady" for n in NAMES}
    c = next(c for c in found.cameras if c.name == "cam03")
    assert c.at_file == 3
    for k in range(1, N_FILES):
        size, sigma = c.length(k, slice(0, 3))
        assert np.degrees(size) == pytest.approx(
            0.3 if k >= 3 else 0.0, abs=5.0 * np.degrees(sigma)
        )
    lines = lines_of(as_blocks(found))
    assert lines[0] == "5 of 6 cameras steady; cam03 (in rig3.h5) jumped."
    assert sum(line.endswith("<- jump") for line in lines) == 1


def test_a_steady_creep_is_a_drift():
    found = history(series(12, lambda rig, k: turned(rig, "cam05", 0.06 * k)))
    assert verdicts(found) == {n: "drift" if n == "cam05" else "steady" for n in NAMES}


def test_two_files_only_show_that_it_changed():
    files = series(13, lambda rig, k: turned(rig, "cam01", 0.3) if k else rig)[:2]
    assert verdicts(history(files)) == {n: "changed" if n == "cam01" else "steady" for n in NAMES}


@pytest.mark.parametrize("at", [0, 1])
def test_where_a_fault_spoiled_a_camera_is_no_change_of_it(at: int):
    """A late camera's pose is off by centimetres; the rig file says that it is unsure."""
    entries = series(5)[:2]
    late = entries[at].rig
    camera = replace(turned(late, "cam03", 0.3).camera("cam03"), faults=(Fault.TIMING,))
    camera = replace(camera, is_placed=False)
    cameras = tuple(camera if c.name == "cam03" else c for c in late.cameras)
    entries[at] = replace(entries[at], rig=replace(late, cameras=cameras))
    found = history(entries)
    assert verdicts(found).pop("cam03") == "unknown"
    assert {v for n, v in verdicts(found).items() if n != "cam03"} == {"steady"}
    told = lines_of(as_blocks(found), 200)
    assert any(f"cam03 (out of time) stood is unsure in rig{at}.h5" in line for line in told)
    # Who does not know where a camera stands now has something to do.
    assert found.needs_a_hand == (at == 1)
    assert any("wave again and solve" in line for line in told) == (at == 1)


def test_a_changed_focal_length_shows():
    def longer(rig: Rig, k: int) -> Rig:
        cameras = []
        for c in rig.cameras:
            f = c.lens.fx * (1.01 if c.name == "cam02" and k >= 3 else 1.0)
            cameras.append(replace(c, lens=replace(c.lens, fx=f, fy=f)))
        return replace(rig, cameras=tuple(cameras))

    found = history(series(14, longer))
    assert (
        verdicts(found)["cam02"] == "jump" and list(verdicts(found).values()).count("steady") == 5
    )
    c = next(c for c in found.cameras if c.name == "cam02")
    assert c.change[4, 6] == pytest.approx(0.01, abs=4.5 * c.sigma[4, 6])


def test_files_are_put_in_order_of_time():
    files = series(15, lambda rig, k: turned(rig, "cam03", 0.3) if k >= 3 else rig)
    found = history([files[0], files[4], *files[1:4]])
    assert [e.name for e in found.entries] == [
        f"rig{k}.h5" for k in range(N_FILES)
    ] and found.is_by_time


def test_without_times_the_order_given_is_kept_and_said():
    files = [replace(e, rig=replace(e.rig, provenance={})) for e in series(16)]
    found = history(files[::-1])
    assert [e.name for e in found.entries] == [f"rig{k}.h5" for k in range(N_FILES)][::-1]
    assert any("no time" in f for f in findings(found))


def test_a_camera_added_later_has_no_history():
    files = series(17)
    first = replace(files[0].rig, cameras=files[0].rig.cameras[:5])
    found = history([replace(files[0], rig=first), *files[1:]])
    assert verdicts(found)["cam06"] == "unknown" and any("cam06" in f for f in findings(found))


def test_parents_are_named():
    files = series(18)
    child = replace(files[2].rig, parent_sha256=files[1].sha256)
    found = history([*files[:2], replace(files[2], rig=child)])
    assert [found.parent(k) for k in range(3)] == ["", "", "rig1.h5"]
    assert as_json(found)["files"][2]["parent"] == "rig1.h5"


def test_table_json_csv_and_charts_hold_the_same_figures():
    found = history(series(11, lambda rig, k: turned(rig, "cam03", 0.3) if k >= 3 else rig))
    document = json.loads(json.dumps(as_json(found), allow_nan=False))
    rows = list(csv.DictReader(io.StringIO(history_as_csv(found))))
    assert len(rows) == N_FILES * len(NAMES)
    by_key = {(r["file"], r["camera"]): r for r in rows}
    for c in document["cameras"]:
        for change in c["changes"]:
            row = by_key[change["file"], c["name"]]
            assert float(row["rotation_deg"]) == pytest.approx(change["rotation_deg"], rel=1e-6)
            assert row["verdict"] == c["verdict"]
    for quantity in QUANTITIES:
        chart = history_chart(found, quantity)
        named = {unescape(t.name): t for t in chart.data if t.name != "steady"}
        (line,) = (t for name, t in named.items() if "cam03" in name)
        assert "jump" in line.name and str(line.x[0]).startswith("2031-01-01")
        (told,) = (c for c in document["cameras"] if c["name"] == "cam03")
        factor = QUANTITIES[quantity][2]
        assert list(line.y) == pytest.approx(
            [factor * (c[quantity] or 0.0) for c in told["changes"]]
        )
        assert line.error_y.array[-1] == pytest.approx(
            2 * factor * told["changes"][-1][f"sigma_{quantity}"]
        )
        # Who is steady has bars too: without, one known badly seems to have moved unsaid.
        steady = [t for t in chart.data if t.name == "steady"]
        assert len(steady) == len(NAMES) - 1 and all(max(t.error_y.array) > 0 for t in steady)
        assert chart.layout.xaxis.title.text == "date" and "(" in chart.layout.yaxis.title.text


def test_bad_input_is_told():
    files = series(19)
    with pytest.raises(InputError, match="two rig files"):
        history(files[:1])
    strangers = replace(
        files[1].rig, cameras=tuple(replace(c, name=f"x{c.name}") for c in files[1].rig.cameras)
    )
    with pytest.raises(InputError, match="one rig"):
        history([files[0], replace(files[1], rig=strangers)])


def test_command_takes_a_folder_and_writes_csv_and_charts(tmp_path: Path):
    folder = tmp_path / "rigs"
    folder.mkdir()
    for e in series(20, lambda rig, k: turned(rig, "cam03", 0.3) if k >= 3 else rig):
        save_rig(e.rig, folder / e.name)
    save_tracks(wave(1).tracks, folder / "wave.h5")
    words = [
        "history",
        str(folder),
        "--csv",
        str(tmp_path / "h.csv"),
        "--plot",
        str(tmp_path / "h.html"),
    ]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 1, done.stderr  # a camera jumped
    lines = done.stdout.splitlines()
    assert lines[0].endswith("cam03 (in rig3.h5) jumped.") and any(
        x.startswith("rig0.h5 2031-01-01 09:00 UTC") for x in [" ".join(x.split()) for x in lines]
    )
    assert f"calib recheck {folder / 'rig4.h5'} TRACKS" in done.stdout and "ladder" in done.stderr
    assert any(line.startswith("cam03") and "jump" in line for line in lines)
    assert (
        (tmp_path / "h.csv")
        .read_text()
        .startswith("file,time,parent,camera,verdict,p_value,rotation_deg")
    )
    assert "<!DOCTYPE html>" in (tmp_path / "h.html").read_text(encoding="utf-8")[:20]
    document = json.loads(CliRunner().invoke(app, ["history", str(folder), "--json"]).stdout)
    assert document["files"][0]["sha256"] == sha256(folder / "rig0.h5")
    again = CliRunner().invoke(app, words)
    assert again.exit_code == 2 and "--force" in again.stderr
    alone = CliRunner().invoke(app, ["history", str(folder / "rig0.h5")])
    assert alone.exit_code == 2 and "two rig files" in alone.stderr


def test_a_damaged_rig_of_a_folder_is_told_whatever_the_folder_is_called(tmp_path: Path):
    folder = tmp_path / "new_format"
    folder.mkdir()
    for e in series(21)[:3]:
        save_rig(e.rig, folder / e.name)
    damaged = folder / "rig1.h5"
    damaged.write_bytes(damaged.read_bytes()[:4000])
    done = CliRunner().invoke(app, ["history", str(folder)])
    assert done.exit_code == 2 and f"{damaged}: " in done.stderr
