"""What calib describe says of a file is what the file holds, and files are told apart by that."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

import calib
from calib import files
from calib.check.apart import with_faults
from calib.check.verdicts import Fault
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.export.points import HEADER, csv_lines
from calib.report.papers.formats import formats
from calib.report.papers.record import Read, hand_over
from tests.program import Call
from tests.test_formats import in_space, written

Refused = Callable[..., str]


def described(call: Call, path: Path) -> tuple[list[str], dict[str, Any]]:
    """The lines and the document; both bear the hash of the file."""
    code, text, said = call("describe", path)
    assert (code, said) == (0, "")
    code, out, said = call("describe", path, "--json")
    assert (code, said) == (0, "")
    document = json.loads(out)
    assert document["sha256"] == files.sha256(path) and document["file"] == str(path)
    assert files.sha256(path) in text
    return text.splitlines(), document


def fact(lines: list[str], label: str) -> str:
    """What stands beside a label."""
    (found,) = [line for line in lines if line.startswith(f"{label}  ")]
    return found[len(label) :].strip()


@pytest.mark.parametrize("name", [f.name for f in formats() if f.name != "table"])
def test_every_format_is_recognised_whatever_its_name(
    name: str, call: Call, tmp_path: Path
) -> None:
    (one,) = [f for f in formats() if f.name == name]
    path = tmp_path / "renamed.bin"
    written(one, tmp_path).rename(path)
    _, document = described(call, path)
    assert document["kind"] == ("wand" if name == "survey" else name)  # written as a wand file


def test_a_camera_at_fault_is_named_and_has_no_sigmas_on_any_page(
    call: Call, rig: Rig, tmp_path: Path
) -> None:
    """As the table of its solve has none; noise alone is within the sigmas."""
    stored = with_faults(rig, {"z": [Fault.NOISE], "a b": [Fault.SWAYS]}, ())
    calib.save_rig(stored, tmp_path / "rig.h5")
    lines, document = described(call, tmp_path / "rig.h5")
    assert [" ".join(ln.split()) for ln in lines if ln.startswith("at fault")] == [
        "at fault z: noise only",
        "at fault a b: sways",
    ]
    exported = tmp_path / "rig.json"
    assert call("export", tmp_path / "rig.h5", "--to", "json", "-o", exported)[0] == 0
    for cameras in (document["cameras"], json.loads(exported.read_text())["cameras"]):
        assert [c["faults"] for c in cameras] == [["noise only"], ["sways"], [], []]
        is_known = [c["sigma_rotation_deg"][0] is not None for c in cameras]
        assert is_known == [True, False, True, False]  # the last one's the fixture does not know
    page = str(hand_over(Read("rig.h5", "", calib.load_rig(tmp_path / "rig.h5"))))
    assert "At fault when the rig was solved: z and a b." in page
    poses = page.split("## Poses")[1].split("## ", maxsplit=1)[0].splitlines()
    has_sigma = [
        line.rstrip("| ").endswith("-") for line in poses if "| z" in line or "a b" in line
    ]
    assert has_sigma == [False, True]


def test_tracks_are_counted(call: Call, tracks: Tracks, tmp_path: Path) -> None:
    calib.save_tracks(tracks, tmp_path / "t.h5")
    lines, document = described(call, tmp_path / "t.h5")
    first = tracks.cameras[0]
    assert lines[0] == "Tracks file: 2 cameras, 300 points"
    assert fact(lines, "captured") == document["captured_at"] == tracks.captured_at
    assert fact(lines, "title") == tracks.title and fact(lines, "rate") == "119.88 Hz"
    n_frames = len(set(first.frame.tolist()))
    assert document["frames_with_points"] == n_frames
    assert (document["first_frame"], document["last_frame"]) == (
        min(first.frame.tolist()),
        max(first.frame.tolist()),
    )
    assert document["markers"] == [0, 1, 2, 3, 4, 5]
    west, east = document["cameras"]
    assert (west["points"], west["with_marker"], west["serial"]) == (300, 6, "0042")
    assert west["lens"] == "measured, 1100 px" and east["lens"] == "nominal, 8 mm"
    assert (east["points"], east["serial"]) == (0, None)
    row = next(line for line in lines if line.startswith("west 2"))
    assert row.split()[2:5] == ["300", "6", str(n_frames)] and "0042" in row and "тест" in row


def test_points_are_counted_marker_by_marker(call: Call, tmp_path: Path) -> None:
    made = {"rig": {"file": "rig.h5", "sha256": "ab12"}, "tracks": {"file": "t.h5"}}
    files.save_points(replace(in_space(), provenance=made), tmp_path / "p.h5")
    lines, document = described(call, tmp_path / "p.h5")
    assert fact(lines, "rig") == "rig.h5, SHA-256 ab12" and document["provenance"] == made
    assert fact(lines, "tracks") == "t.h5, SHA-256 not stated"
    assert lines[0] == "Points file: 3 markers in space" and fact(lines, "rate") == "50 Hz"
    assert fact(lines, "frames") == "3 to 5, 2 with points" and "7 more" in fact(
        lines, "not placed"
    )
    first, second = document["markers"]
    assert (first["points"], second["points"], first["marker"]) == (2, 1, 0)
    assert first["sigma_mm"] == pytest.approx(29**0.5) and first["n_cameras"] == 3.0
    (tmp_path / "p.csv").write_bytes(HEADER.encode() + csv_lines(in_space()))
    lines, document = described(call, tmp_path / "p.csv")
    assert document["kind"] == "points" and fact(lines, "made") == "not stated"


def test_tracks_without_any_point_are_described(call: Call, tracks: Tracks, tmp_path: Path) -> None:
    empty = replace(tracks, cameras=(tracks.cameras[1],))
    calib.save_tracks(empty, tmp_path / "t.h5")
    lines, document = described(call, tmp_path / "t.h5")
    assert lines[0] == "Tracks file: 1 camera, 0 points" and fact(lines, "frames") == "none"
    assert document["first_frame"] is None and fact(lines, "markers") == "not identified"


def test_a_rig_tells_where_it_is_from_and_what_was_done(
    call: Call, rig: Rig, tmp_path: Path
) -> None:
    calib.save_rig(rig, tmp_path / "r.h5")
    lines, document = described(call, tmp_path / "r.h5")
    assert lines[0] == f"Rig file: {len(rig.cameras)} cameras"
    assert fact(lines, "RMS").startswith("sqrt(mean(dx² + dy²))")
    assert fact(lines, "captured") == document["captured_at"] == rig.captured_at
    assert fact(lines, "repair of") == document["parent_sha256"] == rig.parent_sha256
    for finding in rig.findings:
        on_one_line = " ".join(finding.split())
        assert any(line.startswith("finding") and on_one_line in line for line in lines)
    for name, reason in rig.left_out.items():
        assert f"{name}: {reason}".strip() in fact(lines, "left out")
    assert document["alignment"] == rig.alignment and document["verification"] == rig.verification
    assert "cam2" in fact(lines, "alignment")
    for camera, row in zip(rig.cameras, document["cameras"], strict=True):
        assert row["name"] == camera.name
        assert row["position_mm"] == pytest.approx(camera.position_mm.tolist(), rel=1e-15)
        assert row["points"] == (None if camera.stats is None else camera.stats.points)


def test_what_speaks_against_a_rig_is_told(call: Call, rig: Rig, tmp_path: Path) -> None:
    doubt = Doubt("wand bends", (), {"marker": "q", "offset_mm": 1.5}, 1.0)
    calib.save_rig(replace(rig, doubts=(doubt,)), tmp_path / "r.h5")
    lines, document = described(call, tmp_path / "r.h5")
    assert fact(lines, "in doubt").startswith("Wand bends: marker q") and "1.50 mm" in " ".join(
        lines
    )
    assert document["doubts"][0]["figures"] == {"marker": "q", "offset_mm": 1.5}


def test_what_was_not_done_says_so(call: Call, rig: Rig, tmp_path: Path) -> None:
    bare = Rig(rig.cameras, rig.wand, rig.wand)
    calib.save_rig(bare, tmp_path / "r.h5")
    lines, document = described(call, tmp_path / "r.h5")
    assert fact(lines, "alignment") == fact(lines, "verification") == "not done"
    assert document["alignment"] is document["verification"] is None
    assert fact(lines, "repair of") == "none: solved as a whole"
    assert fact(lines, "made") == fact(lines, "tracks") == "not stated"


def test_a_wands_lengths_and_certificate_are_told(call: Call, rig: Rig, tmp_path: Path) -> None:
    files.save_wand(rig.wand_used, tmp_path / "w.toml")
    lines, document = described(call, tmp_path / "w.toml")
    wand = rig.wand_used
    assert fact(lines, "certified").count("mm ±") == len(wand.certified) == 2
    p, q, _ = (np.array(v) for v in document["markers"].values())
    length = float(np.linalg.norm(p - q))
    row = next(line for line in lines if line.startswith("p "))
    assert f"{length:.3f}" in row.split()
    assert document["certified"][0]["length_mm"] == 460.02


def test_a_scenario_tells_what_is_not_as_usual(call: Call, tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text('layout = "row"\nstrays = 4.0\n')
    lines, document = described(call, tmp_path / "s.toml")
    assert [line.split()[0] for line in lines[-2:]] == ["layout", "strays"]
    assert document["scenario"]["strays"] == 4.0


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "found an empty file"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "a tracks, rig, points, wand or plan file"),
        (b"camera, frame,x,y\r\n", "calib import makes a tracks file of it"),
        (b"colour = 3\n", "colour"),
        (b"[markers\n", "line 1, column"),
        (b"# nothing but a remark\n", "calib formats"),
        (b"frame_rate = 0\n", "frame_rate"),
    ],
)
def test_what_is_none_of_them_is_refused(
    data: bytes, words: str, refused: Refused, tmp_path: Path
) -> None:
    path = tmp_path / "x"
    path.write_bytes(data)
    line = refused("describe", path)
    assert words in line and str(path) in line


def test_hdf5_of_another_program_and_cut_off_files_are_refused(
    refused: Refused, rig: Rig, tmp_path: Path
) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = [1, 2]
    assert "calib.tracks, calib.rig or calib.points, found nothing" in refused(
        "describe", tmp_path / "other.h5"
    )
    calib.save_rig(rig, tmp_path / "r.h5")
    whole = (tmp_path / "r.h5").read_bytes()
    (tmp_path / "cut.h5").write_bytes(whole[: len(whole) // 2])
    assert "cut-off" in refused("describe", tmp_path / "cut.h5")
    assert "no such file" in refused("describe", tmp_path / "gone.h5")
    assert "a folder" in refused("describe", tmp_path)
