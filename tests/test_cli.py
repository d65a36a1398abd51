"""The program as its user meets it: what it prints, what it exits with, and what it leaves on the
disk.
"""

from __future__ import annotations

import errno
import json
import os
import re
import resource
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import h5py
import numpy as np
import pytest

import calib
from calib import files
from calib.core.rig import Doubt
from calib.core.tracks import Tracks
from calib.report.rigs.residuals import verdict
from calib.simulate import Scenario, simulate
from tests.captures import table_in, with_points
from tests.program import Call, called, snapshot
from tests.test_files import BAD_TRACKS, BAD_WANDS, GOOD_WAND


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated capture and the rig solved from it, by the program."""
    folder = tmp_path_factory.mktemp("capture") / "sim"
    code, told, said = called("simulate", folder, "--cameras", 4, "--frames", 400, "--seed", 11)
    assert (code, told) == (0, ""), said
    code, told, said = called(
        "solve", folder / "tracks.h5", "--wand", folder / "wand.toml", "-o", folder / "rig.h5"
    )
    assert code == 0 and "Wand lengths" in told, said
    return folder


# What may be said of any camera after so short a wave: parts of its image stayed bare.
BARE = {"one-sided points", "too few points"}


def causes_in(out: str) -> set[str]:
    """Every cause that is told of a camera."""
    return set(re.findall(r"^cam\d\d: ([\w -]+):", out, re.MULTILINE))


# ---- the way through


def test_simulate_writes_a_capture_and_its_truth(capture: Path) -> None:
    assert {p.name for p in capture.iterdir()} >= {
        "tracks.h5",
        "wand.toml",
        "truth.h5",
        "scenario.toml",
    }
    truth, simulated = (
        calib.load_rig(capture / "truth.h5"),
        calib.load_tracks(capture / "tracks.h5"),
    )
    assert truth.names == simulated.names == ("cam01", "cam02", "cam03", "cam04")


def test_a_scenario_file_gives_the_same_capture_again(
    capture: Path, call: Call, tmp_path: Path
) -> None:
    code, out, _ = call("simulate", tmp_path / "again", "--scenario", capture / "scenario.toml")
    assert (code, out) == (0, "")
    for name in ("tracks.h5", "wand.toml", "truth.h5", "scenario.toml"):
        assert (tmp_path / "again" / name).read_bytes() == (capture / name).read_bytes()


def test_options_go_before_the_scenario_file_and_a_knock_has_a_second_truth(
    call: Call, tmp_path: Path
) -> None:
    scenario = tmp_path / "s.toml"
    scenario.write_text(
        "n_cameras = 9\nn_frames = 300\n[noisy]\ncam02 = 3.0\n[[knock]]\ncamera = "
        '"cam01"\nframe = 5\n'
    )
    code, _, err = call(
        "simulate", tmp_path / "out", "--scenario", scenario, "--cameras", 3, "--noise", 0.2
    )
    assert code == 0 and "truth_after.h5" in err
    written = files.load_scenario(tmp_path / "out" / "scenario.toml", calib.Scenario.from_dict)
    assert (written.n_cameras, written.n_frames, written.sigma_px) == (3, 300, 0.2)
    assert dict(written.noisy) == {"cam02": 3.0} and written.knock[0].frame == 5


def test_solve_keeps_where_the_rig_comes_from(capture: Path) -> None:
    rig = calib.load_rig(capture / "rig.h5")
    origin = rig.provenance
    assert origin["tool"] == "calib" and origin["version"] == calib.__version__
    assert rig.parent_sha256 is None and rig.left_out == {}
    assert origin["tracks"]["sha256"] == files.sha256(capture / "tracks.h5")
    assert origin["wand"]["sha256"] == files.sha256(capture / "wand.toml")
    assert origin["options"]["terms"] == "auto"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", origin["time"])


def test_an_inspection_that_advises_a_solve_names_the_tracks(call: Call, tmp_path: Path) -> None:
    """One marker of a wand, nameless: the remedy is a command on the file that was read."""
    sim = simulate(Scenario(n_cameras=3, n_frames=200, seed=9, connected=False))
    one = [c.rows(c.marker == 0) for c in sim.tracks.cameras]
    cameras = tuple(replace(c, marker=np.full_like(c.marker, -1)) for c in one)
    tracks, wand = tmp_path / "t.h5", tmp_path / "wand.toml"
    files.save_tracks(replace(sim.tracks, cameras=cameras), tracks)
    files.save_wand(sim.wand, wand)
    code, printed, _ = call("inspect", tracks, "--wand", wand)
    assert code == 1 and f"calib solve {tracks} --distance CAM,CAM,MM -o RIG" in printed


def test_a_suggested_command_works_as_printed(capture: Path, call: Call, tmp_path: Path) -> None:
    """From any folder, with names that a shell would take apart."""
    folder = tmp_path / "hall 2's süd"
    shutil.copytree(capture, folder)

    def suggested(text: str) -> list[str]:
        line = next(line for line in text.splitlines() if "calib " in line)
        return shlex.split(line[line.index("calib ") + len("calib ") :], comments=True)

    code, out, _ = call("inspect", folder / "tracks.h5", "--wand", folder / "wand.toml")
    solve = suggested(out)
    solve[-1] = str(folder / "again.h5")
    code, out, _ = call(*solve, "--frames", "150")
    assert code in {0, 1} and (folder / "again.h5").is_file()
    rig = calib.load_rig(folder / "rig.h5")
    *others, last = rig.cameras
    far = replace(last, cam_from_world=replace(last.cam_from_world, t_mm=np.zeros(3)))
    later = {**rig.provenance, "time": "2099-01-01T00:00:00+00:00"}
    rig = replace(rig, cameras=(*others, far), provenance=later)
    calib.save_rig(rig, folder / "rig_later.h5")
    code, out, _ = call("history", folder / "rig_later.h5", folder / "rig.h5")
    assert code == 1 and suggested(out)[:2] == ["recheck", str(folder / "rig_later.h5")]
    example = call("formats", "plan", "--example")[1]
    (folder / "hall.toml").write_text(example, encoding="utf-8")
    code, out, _ = call("plan", folder / "hall.toml", "--step", "1000")
    assert code == 1 and suggested(out)[:2] == ["plan", str(folder / "hall.toml")]


def test_a_recheck_by_the_rigs_own_capture_says_so_first(capture: Path, call: Call) -> None:
    """Or a mixed-up file would pass for a rig that stands."""
    code, out, _ = call("--quiet", "recheck", capture / "rig.h5", capture / "tracks.h5")
    assert code == 0 and out.startswith("tracks.h5 is the capture that the rig was solved from: ")


def test_residuals_prints_the_table_and_the_same_numbers_as_json(capture: Path, call: Call) -> None:
    code, text, err = call("residuals", capture / "rig.h5", capture / "tracks.h5")
    assert (code, err) == (0, "")
    code, out, err = call("residuals", capture / "rig.h5", capture / "tracks.h5", "--json")
    document = json.loads(out)
    assert (code, err) == (0, "")
    rows = table_in(text)[1]
    assert text.splitlines()[0] == "All 4 cameras good."
    assert [line.split()[0] for line in rows] == [c["name"] for c in document["cameras"]]
    for camera, line in zip(document["cameras"], rows, strict=True):
        assert set(camera) >= {
            *("name", "points", "rms_px", "median_px", "p95_px", "sigma_px", "bias_px"),
            *("coverage", "verdict", "causes"),
        }
        cells = line.split()
        assert int(cells[2]) == camera["points"] and float(cells[4]) == round(camera["rms_px"], 3)
        assert cells[1] == camera["verdict"] == "ok" and len(camera["bias_px"]) == 2
    rms = [c["rms_px"] for c in document["cameras"]]
    assert rms == sorted(rms, reverse=True)
    assert document["wand"]["length_rms_mm"] > 0


def test_a_camera_that_needs_a_hand_is_exit_1_with_evidence_and_caution(
    capture: Path, call: Call, tmp_path: Path
) -> None:
    simulated = calib.load_tracks(capture / "tracks.h5")
    rng = np.random.default_rng(1)
    third = simulated.cameras[2]
    noise = rng.normal(scale=3.0, size=third.xy_px.shape)
    shaken = replace(
        third, xy_px=np.clip(third.xy_px + noise, 0, [third.width - 1, third.height - 1])
    )
    cameras = tuple(shaken if c is third else c for c in simulated.cameras)
    calib.save_tracks(replace(simulated, cameras=cameras), tmp_path / "t.h5")
    code, out, err = call("residuals", capture / "rig.h5", tmp_path / "t.h5")
    assert code == 1 and re.match(r"\d of 4 cameras good; cam03 ", out)
    assert table_in(out)[1][0].startswith("cam03") and "cam03: noise only" in out
    assert causes_in(out) <= {"noise only", *BARE}
    assert "ladder" in err and "strobes" in err
    code, out, err = call("residuals", capture / "rig.h5", tmp_path / "t.h5", "--json")
    assert (code, err) == (1, "") and json.loads(out)["cameras"][0]["verdict"] == "act"
    # What is wrong with the rig as a whole is told first of all; what a camera at fault does, not.
    table = calib.residuals(
        calib.load_rig(capture / "rig.h5"), calib.load_tracks(tmp_path / "t.h5")
    )
    doubts = (Doubt("wand not as its file", figures={"marker": "q", "offset_mm": 3.0}),)
    first = verdict(replace(table, doubts=doubts))
    assert first.startswith("The rig as a whole is in doubt: wand not as its file. ")
    assert " of 4 cameras good; cam03 " in first
    assert verdict(replace(table, doubts=(Doubt("much left out"),))) == verdict(table)


def test_solve_json_is_one_document(capture: Path, call: Call, tmp_path: Path) -> None:
    code, out, err = call(
        *("solve", capture / "tracks.h5", "--wand", capture / "wand.toml", "-o", tmp_path / "r.h5"),
        *("--json", "--lens", "free", "--terms", "focal, k1"),
    )
    document = json.loads(out)
    # Lenses have more than these two terms: the exit code says whether anybody needs action.
    acts = [c for c in document["cameras"] if c["verdict"] == "act"]
    in_doubt = document["rig"]["verdict"] == "act"
    assert (code, err) == (1 if acts or in_doubt else 0, "")
    assert document["left_out"] == {} and len(document["cameras"]) == 4
    assert calib.load_rig(tmp_path / "r.h5").provenance["options"]["terms"] == ["focal", "k1"]


def test_inspect_prints_and_judges(capture: Path, call: Call) -> None:
    code, out, err = call("inspect", capture / "tracks.h5", "--wand", capture / "wand.toml")
    assert (code, err) == (0, "") and "Good enough to solve." in out
    code, out, err = call(
        "inspect", capture / "tracks.h5", "--wand", capture / "wand.toml", "--json"
    )
    assert (code, err) == (0, "") and json.loads(out)["good"] is True


def test_inspect_of_a_blind_camera_is_exit_1_with_caution(
    capture: Path, call: Call, tmp_path: Path
) -> None:
    calib.save_tracks(emptied(calib.load_tracks(capture / "tracks.h5"), "cam02"), tmp_path / "t.h5")
    code, out, err = call("inspect", tmp_path / "t.h5", "--wand", capture / "wand.toml")
    assert code == 1 and "cam02" in out and "ladder" in err
    code, out, err = call("inspect", tmp_path / "t.h5", "--wand", capture / "wand.toml", "--json")
    assert (code, err) == (1, "") and json.loads(out)["good"] is False


def emptied(capture: Tracks, name: str) -> Tracks:
    """The capture without the points of one camera."""
    none = np.empty(0, np.int64)
    blank = {
        "frame": none,
        "xy_px": np.empty((0, 2)),
        "marker": none.astype(np.int16),
        "radius_px": None,
    }
    return replace(
        capture,
        cameras=tuple(replace(c, **blank) if c.name == name else c for c in capture.cameras),
    )


def test_partial_names_who_was_left_out_and_exits_1(
    capture: Path, call: Call, tmp_path: Path
) -> None:
    calib.save_tracks(emptied(calib.load_tracks(capture / "tracks.h5"), "cam02"), tmp_path / "t.h5")
    arguments = (
        "solve",
        tmp_path / "t.h5",
        "--wand",
        capture / "wand.toml",
        "-o",
        tmp_path / "r.h5",
    )
    code, out, err = call(*arguments)
    assert (
        (code, out) == (2, "")
        and "cam02" in err
        and "--partial" in err
        and err.count("\n") == 1
        and not (tmp_path / "r.h5").exists()
    )
    code, out, err = call(*arguments, "--partial")
    assert code == 1
    verdict, why, *_ = out.splitlines()
    assert verdict == "All 3 cameras good; cam02 is left out."
    assert why.startswith("cam02: left out: ") and "cam02" not in err
    assert calib.load_rig(tmp_path / "r.h5").names == ("cam01", "cam03", "cam04")
    # And the capture with its empty camera goes with the rig that was solved from it.
    assert call("residuals", tmp_path / "r.h5", tmp_path / "t.h5")[0] == 0


def test_export_prints_or_writes(capture: Path, call: Call, tmp_path: Path) -> None:
    code, out, err = call("export", capture / "rig.h5", "--to", "json")
    assert (code, err) == (0, "") and json.loads(out)["cameras"][0]["name"] == "cam01"
    code, out, err = call(
        "export", capture / "rig.h5", "--to", "opencv", "-o", tmp_path / "rig.yaml"
    )
    assert (code, out) == (0, "") and str(tmp_path / "rig.yaml") in err
    storage = cv2.FileStorage(str(tmp_path / "rig.yaml"), cv2.FILE_STORAGE_READ)
    assert storage.getNode("cameras").at(3).getNode("name").string() == "cam04"
    storage.release()


def test_import_makes_the_tracks_file_of_a_table(call: Call, tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("frame_rate = 50.0\n[cameras.a]\nwidth = 640\nheight = 480\n")
    (tmp_path / "t.csv").write_text(
        "\ufeffcamera,frame,x,y\na,2,1.5,2.5\na,1,3.5,4.5\n", encoding="utf-8"
    )
    code, out, err = call(
        "import", tmp_path / "t.csv", tmp_path / "c.toml", "-o", tmp_path / "t.h5"
    )
    assert (code, out) == (0, "") and "1 camera, 2 points" in err
    assert calib.load_tracks(tmp_path / "t.h5").cameras[0].xy_px.tolist() == [
        [3.5, 4.5],
        [1.5, 2.5],
    ]


def test_the_library_does_the_same_in_five_lines(capture: Path, call: Call, tmp_path: Path) -> None:
    tracks, wand = calib.load_tracks(capture / "tracks.h5"), calib.load_wand(capture / "wand.toml")
    rig = calib.calibrate(tracks, wand)
    table = calib.residual_table(rig, tracks)
    assert table_in(str(table))[1][0].split()[0] == table.cameras[0].name
    calib.save_rig(rig, tmp_path / "rig.h5")
    solved = calib.load_rig(capture / "rig.h5")
    for mine, theirs in zip(rig.cameras, solved.cameras, strict=True):
        # The same job in two processes; threads may sum in another order, which costs rounding
        # only.
        assert np.abs(mine.position_mm - theirs.position_mm).max() < 1e-6


def test_every_public_name_exists() -> None:
    for name in calib.__all__:
        assert getattr(calib, name) is not None and name in dir(calib)
    with pytest.raises(AttributeError):
        _ = calib.nothing_of_that_name


# ---- bad input


@pytest.mark.parametrize("case", BAD_TRACKS)
def test_a_bad_tracks_file_ends_in_one_line(
    case: str, tracks: Tracks, refused: Callable[..., str], tmp_path: Path
) -> None:
    change, words = BAD_TRACKS[case]
    path, wand = tmp_path / "bad.h5", tmp_path / "w.toml"
    files.save_tracks(tracks, path)
    wand.write_text(GOOD_WAND)
    with h5py.File(path, "r+") as file:
        change(file)
    line = refused("solve", path, "--wand", wand, "-o", tmp_path / "r.h5")
    assert line.startswith(str(path)) and all(word in line for word in words)


@pytest.mark.parametrize("case", BAD_WANDS)
def test_a_bad_wand_file_ends_in_one_line(
    case: str, capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    old, new, words = BAD_WANDS[case]
    wand = tmp_path / "w.toml"
    wand.write_text(GOOD_WAND.replace(old, new, 1))
    line = refused("solve", capture / "tracks.h5", "--wand", wand, "-o", tmp_path / "r.h5")
    assert line.startswith(str(wand)) and all(word in line for word in words)


def test_input_that_is_no_tracks_file_ends_in_one_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    whole = (capture / "tracks.h5").read_bytes()
    (tmp_path / "empty.h5").touch()
    (tmp_path / "text.h5").write_text("camera,frame,x,y\n")
    (tmp_path / "half.h5").write_bytes(whole[: len(whole) // 2])
    for name, found in {
        "none.h5": "no such file",
        "empty.h5": "an empty file",
        "text.h5": "not HDF5",
        "half.h5": "cut-off",
        ".": "a folder",
    }.items():
        line = refused("inspect", tmp_path / name, "--wand", capture / "wand.toml")
        assert line.startswith(str(tmp_path / name)) and found in line
        assert found in refused("export", tmp_path / name, "--to", "json")


def test_a_rig_and_tracks_that_are_mixed_up_end_in_one_line(
    capture: Path, refused: Callable[..., str]
) -> None:
    assert "found calib.tracks" in refused("residuals", capture / "tracks.h5", capture / "rig.h5")
    assert "found calib.rig" in refused(
        "inspect", capture / "rig.h5", "--wand", capture / "wand.toml"
    )


def test_a_capture_without_points_is_named_in_what_to_type(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    """The command said TRACKS, which no shell knows."""
    bare, rig = tmp_path / "t.h5", capture / "rig.h5"
    full = calib.load_tracks(capture / "tracks.h5")
    calib.save_tracks(full.between(-2, -1), bare)
    for command in (
        ("align", rig, bare, "-o", tmp_path / "o.h5"),
        ("verify", rig, bare, "--bar", capture / "wand.toml"),
        ("recheck", rig, bare),
    ):
        assert refused(*command).endswith(f"calib describe {bare}")


def test_cameras_that_the_rig_does_not_have_end_in_one_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    simulated = calib.load_tracks(capture / "tracks.h5")
    other = replace(
        simulated, cameras=(*simulated.cameras[1:], replace(simulated.cameras[0], name="cam99"))
    )
    calib.save_tracks(other, tmp_path / "t.h5")
    line = refused("residuals", capture / "rig.h5", tmp_path / "t.h5")
    assert line.startswith(str(tmp_path / "t.h5")) and "cam99" in line


def test_a_wand_with_too_few_markers_for_the_capture_ends_in_one_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    wand = tmp_path / "w.toml"
    wand.write_text('unit = "mm"\n[markers]\np = [0, 0, 0]\nq = [170, 0, 0]\n')
    for arguments in (("inspect",), ("solve", "-o", tmp_path / "r.h5")):
        line = refused(*arguments, capture / "tracks.h5", "--wand", wand)
        assert (
            line.startswith(str(capture / "tracks.h5"))
            and "below the wand's 2 markers, found 2" in line
        )


def test_a_wand_in_metres_ends_in_one_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    wand = tmp_path / "w.toml"
    wand.write_text('unit = "mm"\n[markers]\np = [0, 0, 0]\nq = [0.17, 0, 0]\nr = [0.46, 0, 0]\n')
    line = refused("solve", capture / "tracks.h5", "--wand", wand, "-o", tmp_path / "r.h5")
    assert "metres" in line


def test_what_a_solve_says_to_do_ends_its_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    """Where a camera was mirrored a pointer to the help stood behind it."""
    tracks = calib.load_tracks(capture / "tracks.h5")
    first = tracks.cameras[0]
    mirrored = replace(first, xy_px=np.array([first.width - 1.0, 0]) + first.xy_px * [-1.0, 1.0])
    calib.save_tracks(replace(tracks, cameras=(mirrored, *tracks.cameras[1:])), tmp_path / "t.h5")
    line = refused(
        "solve", tmp_path / "t.h5", "--wand", capture / "wand.toml", "-o", tmp_path / "r"
    )
    assert "mirrored" in line and line.endswith(f"off at {first.name}.")


def test_cameras_without_shared_frames_end_in_one_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    simulated = calib.load_tracks(capture / "tracks.h5")
    shifted = [replace(c, frame=c.frame + 1000 * i) for i, c in enumerate(simulated.cameras)]
    calib.save_tracks(replace(simulated, cameras=tuple(shifted)), tmp_path / "t.h5")
    line = refused(
        "solve", tmp_path / "t.h5", "--wand", capture / "wand.toml", "-o", tmp_path / "r.h5"
    )
    assert "cam01" in line and "cam02" in line


def test_islands_are_named_with_the_pair_to_wave_between(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    simulated = calib.load_tracks(capture / "tracks.h5")
    shifted = [replace(c, frame=c.frame + 1000 * (i > 1)) for i, c in enumerate(simulated.cameras)]
    calib.save_tracks(replace(simulated, cameras=tuple(shifted)), tmp_path / "t.h5")
    line = refused(
        "solve", tmp_path / "t.h5", "--wand", capture / "wand.toml", "-o", tmp_path / "r.h5"
    )
    assert (
        "cam01 and cam02" in line
        and "cam03 and cam04" in line
        and re.search(r"cam0[12] and cam0[34]", line)
    )


def test_a_still_wand_ends_in_one_line(
    call: Call, refused: Callable[..., str], tmp_path: Path
) -> None:
    (tmp_path / "s.toml").write_text('path = "still"\nn_cameras = 4\nn_frames = 300\n')
    assert call("simulate", tmp_path / "sim", "--scenario", tmp_path / "s.toml")[0] == 0
    tracks_file, wand = tmp_path / "sim" / "tracks.h5", tmp_path / "sim" / "wand.toml"
    assert "still" in refused("solve", tracks_file, "--wand", wand, "-o", tmp_path / "r.h5")
    assert call("inspect", tracks_file, "--wand", wand)[0] == 1


@pytest.mark.parametrize(
    ("option", "value", "word"),
    [("--terms", "k9", "k9"), ("--terms", "", "terms"), ("--lens", "loose", "loose")],
)
def test_a_solve_option_that_does_not_exist_ends_in_one_line(
    option: str, value: str, word: str, capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    arguments = (
        "solve",
        capture / "tracks.h5",
        "--wand",
        capture / "wand.toml",
        "-o",
        tmp_path / "r.h5",
    )
    assert word in refused(*arguments, option, value)


def test_terms_that_leave_a_nominal_focal_length_as_it_is_are_refused(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    files = ("solve", capture / "tracks.h5", "--wand", capture / "wand.toml", "--lens", "free")
    line = refused(*files, "--terms", "k1", "-o", tmp_path / "r.h5")
    assert "expected focal among them" in line and "--terms focal,principal,k1,k2" in line


def test_too_few_frames_of_a_sound_capture_are_told_as_that(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    files = ("solve", capture / "tracks.h5", "--wand", capture / "wand.toml")
    line = refused(*files, "--frames", "5", "-o", tmp_path / "r.h5")
    assert f"found 5 of {calib.load_tracks(capture / 'tracks.h5').n_frames}." in line
    assert "leave the number of frames out" in line and "genlock" not in line


def test_a_nominal_lens_that_is_held_is_said_to_be(
    capture: Path, call: Call, tmp_path: Path
) -> None:
    arguments = (
        "solve",
        capture / "tracks.h5",
        "--wand",
        capture / "wand.toml",
        "-o",
        tmp_path / "r.h5",
    )
    _, _, err = call(*arguments, "--lens", "hold", "--json")
    assert "nominal" in err and "cam01, cam02, cam03 and cam04" in err


def test_a_single_marker_solves_with_a_distance_and_no_wand(
    capture: Path, call: Call, refused: Callable[..., str], tmp_path: Path
) -> None:
    simulated = calib.load_tracks(capture / "tracks.h5")
    cameras = tuple(with_points(c, c.marker == 0) for c in simulated.cameras)
    calib.save_tracks(replace(simulated, cameras=cameras), tmp_path / "t.h5")
    arguments = ("solve", tmp_path / "t.h5", "-o", tmp_path / "r.h5")
    p, q = (calib.load_rig(capture / "truth.h5").camera(n).position_mm for n in ("cam01", "cam02"))
    given = f"cam01,cam02,{np.linalg.norm(p - q)}"
    assert "scale" in refused(*arguments, "--wand", capture / "wand.toml")
    for wrong in ("cam01,cam02", "cam01,cam02,far", "cam01,cam02,1,2,3"):
        assert "--distance" in refused(*arguments, "--distance", wrong)
    code, out, err = call(*arguments, "--distance", f"{given},3")
    assert code == (1 if causes_in(out) else 0) and causes_in(out) <= BARE
    assert "A single marker has no lengths" in out and "± 3 mm" in err and "cam01 and cam02" in err
    rig = calib.load_rig(tmp_path / "r.h5")
    assert rig.wand.markers == ("point",) and rig.provenance["wand"] is None
    assert call("residuals", tmp_path / "r.h5", tmp_path / "t.h5")[0] in {0, 1}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["slove"], ("slove", "solve")),
        (["solve"], ("calib solve", "TRACKS")),
        (["solve", "t.h5", "-o", "r.h5"], ("--wand",)),
        (["inspect", "t.h5", "--wand"], ("--wand",)),
        (["export", "r.h5", "--to", "xml"], ("xml", "json", "opencv")),
        (["simulate", "out", "--cameras", "many"], ("--cameras", "integer")),
        (["simulate", "out", "--colour", "red"], ("--colour",)),
        (["--shout"], ("--shout",)),
        (["residuals", "a", "b", "c"], ("c",)),
    ],
)
def test_a_wrong_call_ends_in_one_line(
    arguments: list[str], words: tuple[str, ...], refused: Callable[..., str]
) -> None:
    line = refused(*arguments)
    assert line.startswith("calib") and "--help" in line and all(word in line for word in words)


@pytest.mark.parametrize(
    ("arguments", "help_of"),
    [
        (["simulate", "out", "--cameras", "1"], "calib simulate"),
        (["formats", "--example"], "calib formats"),
        (["focus", "none.png"], "calib focus"),
        (["--quiet", "plan"], "calib plan"),
    ],
)
def test_a_wrong_call_says_where_help_is(
    arguments: list[str], help_of: str, refused: Callable[..., str]
) -> None:
    assert refused(*arguments).endswith(f". See {help_of} --help.")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("n_camera = 4\n", ("n_camera",)),
        ("n_cameras = 1\n", ("n_cameras", "2 to 300")),
        ("sigma_px = nan\n", ("sigma_px",)),
        ("layout = 'cave'\n", ("layout", "cave")),
        ("layout = \n", ("line 1",)),
        ("", ("an empty file",)),
    ],
)
def test_a_bad_scenario_ends_in_one_line(
    text: str, words: tuple[str, ...], refused: Callable[..., str], tmp_path: Path
) -> None:
    path = tmp_path / "s.toml"
    path.write_text(text)
    line = refused("simulate", tmp_path / "out", "--scenario", path)
    assert line.startswith(str(path)) and all(word in line for word in words)


def test_a_bad_table_names_the_table_and_a_bad_list_names_the_list(
    refused: Callable[..., str], tmp_path: Path
) -> None:
    table, cameras = tmp_path / "t.csv", tmp_path / "c.toml"
    good = "frame_rate = 50.0\n[cameras.a]\nwidth = 640\nheight = 480\n"
    for content, listing, culprit, words in (
        ("camera,frame,x,y\na,1,nan,2\n", good, table, ("line 2: x",)),
        ("camera,frame,x,y\nb,1,1,2\n", good, table, ("line 2: camera", "'b'")),
        ("camera,frame,x,y,marker\na,1,1,2,0\na,1,3,4,0\n", good, table, ("frame 1",)),
        ("", good, table, ("an empty file",)),
        ("camera,frame,x,y\n", good, table, ("a row for each point",)),
        ("camera,frame,x,y\na,1,1,5,2,5\n", good, table, ("line 2", "decimals with a point")),
        ('camera,frame,x,y\na,1,"1,5",2\n', good, table, ("line 2: x", "decimals with a point")),
        ("camera,frame,x,y\na,1\n", good, table, ("line 2", "found 2", "cut off")),
        ("camera,frame,x,y\na,0.04,1,2\n", good, table, ("line 2: frame", "not timed")),
        ("camera,frame,x,y,marker\na,1,1,2,p\n", good, table, ("marker", "counted from 0")),
        ("camera,frame,x,y\n" + "a,1,2.9,2.1\n" * 100, good, table, ("100 points", "mm")),
        ("camera,frame,x,y\n" + "a,1,1,-2\n" * 9, good, table, ("line 2", "or the origin")),
        ("camera,frame,x,y\n", good.replace("width", "wide"), cameras, ("wide",)),
        ("camera,frame,x,y\n", good.replace("640", "640 px"), cameras, ("line 3",)),
        ("camera,frame,x,y\n", good.replace("50.0", "0"), cameras, ("above 0 Hz",)),
        ("camera,frame,x,y\n", "", cameras, ("an empty file",)),
    ):
        table.write_text(content)
        cameras.write_text(listing)
        line = refused("import", table, cameras, "-o", tmp_path / "t.h5")
        assert line.startswith(str(culprit)) and all(word in line for word in words)


# ---- outputs


def test_an_existing_output_is_refused_without_force(
    capture: Path, call: Call, refused: Callable[..., str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.write_text("mine")
    (tmp_path / "t.csv").write_text("camera,frame,x,y\na,1,1,2\n")
    (tmp_path / "c.toml").write_text("frame_rate = 50.0\n[cameras.a]\nwidth = 640\nheight = 480\n")
    commands: list[tuple[object, ...]] = [
        ("solve", capture / "tracks.h5", "--wand", capture / "wand.toml", "-o", out),
        ("import", tmp_path / "t.csv", tmp_path / "c.toml", "-o", out),
        ("export", capture / "rig.h5", "--to", "json", "-o", out),
    ]
    for command in commands:
        assert refused(*command).startswith(f"{out}: expected no file there yet")
    assert "scenario.toml" in snapshot(capture) and "no file there yet" in refused(
        "simulate", capture
    )
    for command in commands:
        assert call(*command, "--force")[0] == 0 and out.read_bytes() != b"mine"


def test_an_input_is_never_overwritten(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    source = tmp_path / "t.h5"
    source.write_bytes((capture / "tracks.h5").read_bytes())
    line = refused("solve", source, "--wand", capture / "wand.toml", "-o", source, "--force")
    assert "apart from the inputs" in line


def test_a_missing_folder_is_refused_before_the_work(
    capture: Path, refused: Callable[..., str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise AssertionError("solved in vain")

    monkeypatch.setattr("calib.pipeline.solve_rig", fail)
    arguments = (
        "solve",
        capture / "tracks.h5",
        "--wand",
        capture / "wand.toml",
        "-o",
        tmp_path / "none" / "r.h5",
    )
    assert "no folder" in refused(*arguments)
    # Not by chmod, which does not hold the superuser back.
    monkeypatch.setattr(os, "access", lambda path, mode: mode == os.R_OK)
    assert "no permission" in refused(*arguments[:-1], tmp_path / "r.h5")


def test_a_disk_that_is_full_ends_in_one_line(
    capture: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    """The limit on a file's size stands for the full disk: the system refuses the write in the same
    way.
    """
    calls = (
        ("solve", capture / "tracks.h5", "--wand", capture / "wand.toml", "-o", tmp_path / "r.h5"),
        ("simulate", tmp_path / "sim", "--cameras", 3, "--frames", 200),
        ("export", capture / "rig.h5", "--to", "json", "-o", tmp_path / "r.json"),
    )
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))
    try:
        lines = [refused(*arguments) for arguments in calls]
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert all(os.strerror(errno.EFBIG).lower() in line for line in lines)


def test_standard_output_that_is_full_ends_in_one_line(capture: Path) -> None:
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "calib", "export", str(capture / "rig.h5"), "--to", "json"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2 and done.stderr.count("\n") == 1, done.stderr


def test_a_reader_that_goes_away_is_no_error(capture: Path) -> None:
    command = f"'{sys.executable}' -m calib export '{capture / 'rig.h5'}' --to json"
    done = subprocess.run(
        ["bash", "-c", f"{command} | head -c 1"], capture_output=True, text=True, check=True
    )
    assert (done.stdout, done.stderr) == ("{", "")


# ---- ways to stop


def test_ctrl_c_is_130_with_a_line_and_nothing_written(
    capture: Path, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("calib.pipeline.solve_rig", interrupt)
    arguments = (
        "solve",
        capture / "tracks.h5",
        "--wand",
        capture / "wand.toml",
        "-o",
        tmp_path / "r.h5",
    )
    code, out, err = call(*arguments)
    assert (code, out, err.count("\n")) == (130, "", 1) and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_signal_while_writing_leaves_nothing_or_says_what_it_left(
    step: str, sent: signal.Signals, code: int, capture: Path, tmp_path: Path
) -> None:
    """The signal comes when the data are written, or while the file is given its name."""
    script = (
        "import os, signal\n"
        # Started in the background a process has SIGINT ignored, and so would this one.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from calib.__main__ import run\n"
        f"true = os.{step}\n"
        f"os.{step} = lambda *names: (os.kill(os.getpid(), {int(sent)}), true(*names))\nrun()"
    )
    out = tmp_path / "r.json"
    command = [sys.executable, "-c", script, "export", str(capture / "rig.h5"), "--to", "json"]
    done = subprocess.run([*command, "-o", str(out)], capture_output=True, text=True, check=False)
    by = {signal.SIGINT: "by Ctrl-C", signal.SIGTERM: "by the system (SIGTERM)"}[sent]
    told = "no output file was written" if step == "fsync" else f"already written: {out}"
    assert (done.returncode, done.stderr) == (code, f"Stopped {by}; {told}.\n")
    assert list(tmp_path.iterdir()) == ([] if step == "fsync" else [out])


@pytest.mark.parametrize(
    "failure", [MemoryError(), OSError(errno.EIO, "Input/output error"), KeyError("x")]
)
def test_no_failure_ends_in_a_traceback(
    failure: Exception,
    capture: Path,
    refused: Callable[..., str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: Any) -> None:
        raise failure

    monkeypatch.setattr("calib.pipeline.solve_rig", fail)
    line = refused(
        "solve", capture / "tracks.h5", "--wand", capture / "wand.toml", "-o", tmp_path / "r.h5"
    )
    assert {MemoryError: "memory", OSError: "Input/output error", KeyError: "defect"}[
        type(failure)
    ] in line


def test_quiet_leaves_out_notes_and_nothing_else(call: Call, refused: Any, tmp_path: Path) -> None:
    made = ("simulate", tmp_path / "t", "--cameras", 2, "--frames", 60)
    assert call("--quiet", *made) == (0, "", "")
    assert "wrote" in call(*made, "--force")[2]
    assert "no file there yet" in refused("--quiet", *made)


def test_text_files_that_are_mixed_up_are_told_so(
    capture: Path, refused: Any, call: Call, tmp_path: Path
) -> None:
    example = call("formats", "cameras", "--example")[1]
    cameras, wand = tmp_path / "cameras.toml", capture / "wand.toml"
    cameras.write_text(example, encoding="utf-8")
    solve = ("solve", capture / "tracks.h5", "--wand", cameras, "-o", tmp_path / "r.h5")
    for arguments in (solve, ("plan", wand), ("import", cameras, wand, "-o", tmp_path / "t.h5")):
        assert "perhaps two are exchanged" in refused(*arguments)


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("Camera,Frame,X,Y", "columns Camera, Frame, X, Y. Names are lower case."),
        ("camera;frame;x;y", "not by semicolons, and write decimals with a point"),
        ("camera,frame,x_px,y_px", "Name them so in the first line"),
        ("camera\tframe\tx\ty", "not by tabs"),
        ("cam01,0,1,2", "names of the columns into the first line"),
        ("camera,frame,x,y,foo", "found also 'foo'. Each once, and take other columns out."),
    ],
)
def test_a_header_is_told_what_is_wrong_with_it(
    header: str, message: str, refused: Any, tmp_path: Path
) -> None:
    table, cameras = tmp_path / "a.csv", tmp_path / "c.toml"
    table.write_text(f"{header}\ncam01,0,1,2\n")
    cameras.write_text("frame_rate = 50.0\n[cameras.cam01]\nwidth = 640\nheight = 480\n")
    assert message in refused("import", table, cameras, "-o", tmp_path / "t.h5")


def test_what_was_likely_meant_is_suggested(capture: Path, refused: Any, tmp_path: Path) -> None:
    tracks, rig = capture / "tracks.h5", capture / "rig.h5"
    assert refused("solv").endswith("Did you mean 'solve'? See calib --help.")
    assert "--json" in refused("residuals", rig, tracks, "--jsn")
    assert "calib --quiet residuals ..." in refused("residuals", rig, tracks, "--quiet")
    assert f"Did you mean {tracks}?" in refused("residuals", rig, capture / "trakcs.h5")
    assert "two are exchanged" in refused("residuals", tracks, rig)
    assert "two are exchanged" in refused("inspect", tracks, "--wand", rig)
    told = refused("select", tracks, "--without", "cam3", "-o", tmp_path / "o.h5")
    assert told.endswith("Did you mean cam03?")
    assert refused("formats", "wnad").endswith("Did you mean wand?")


def test_help_and_version_are_exit_0(call: Call) -> None:
    for arguments in ([], ["--help"], ["solve", "--help"]):
        code, out, err = call(*arguments)
        assert (code, err) == (0, "") and "Usage" in out
    assert call("--version") == (0, f"calib {calib.__version__}\n", "")
