"""Names that cannot be seen are refused where they are read, and escaped where they are shown."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from calib import files
from calib.core.names import check_name, visible
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import MOST_SHOWN, InputError
from tests.program import Call, program

# A cursor's move, a null, an end of line, what turns text about, half of a character; a zero-width
# space. Of the categories Cc, Cf, Cs, Zl of the Unicode Standard.
UNSEEN = ("a\x1b[2Jb", "a\0b", "a\nb", "a\u202eb", "a\udce9b", "a\u200bb", "a\u2028b", "a\x7fb")
SEEN = ("cam 1", "é", "カメラ", "a\u00a0b", "Ω²", "👁")


def test_what_cannot_be_seen_is_no_part_of_a_name() -> None:
    for name in SEEN:
        assert check_name(name, "x") == name == visible(name)
    for name in UNSEEN:
        with pytest.raises(InputError, match="invisible"):
            check_name(name, "x")
        assert visible(name).isprintable() and visible(name) != name


@pytest.mark.parametrize("name", ["a\x1b[2Jb", "a\nb", "a\u202eb", "a\udce9b"])
def test_every_reader_refuses_them(name: str, tracks: Tracks, rig: Rig, tmp_path: Path) -> None:
    path, quoted = tmp_path / "f.h5", json.dumps(name)
    for save, record, load in (
        (files.save_tracks, tracks, files.load_tracks),
        (files.save_rig, rig, files.load_rig),
    ):
        save(record, path, overwrite=True)  # type: ignore[operator]
        with h5py.File(path, "r+") as file:
            at = file["cameras"]
            at.move(record.names[0], os.fsencode(name))  # type: ignore[attr-defined]
        with pytest.raises(InputError):
            load(path)
    if "\udce9" in name:  # no text file in UTF-8 holds it
        return
    for text, read in (
        (f"unit = 'mm'\n[markers]\n{quoted} = [0, 0, 0]\nq = [1, 0, 0]", files.load_wand),
        (f"frame_rate = 1\n[cameras.{quoted}]\nwidth = 9\nheight = 9", files.load_cameras),
        (f"frame_rate = 1\ntitle = {quoted}\n[cameras]", files.load_cameras),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match="invisible"):
            read(path)


def test_texts_that_files_bring_along_move_no_cursor(rig: Rig, call: Call, tmp_path: Path) -> None:
    """What is no name may hold anything: the provenance, a reason, a finding."""
    told = {"tool": "calib", "command": "a\x1b[2J\x9b1m\u202e", "x": "\ud800"}
    path = tmp_path / "r.h5"
    files.save_rig(
        replace(rig, provenance={**told, "x": ""}, findings=("\x1b]0;\x07", "two\nlines")), path
    )
    code, out, err = call("describe", path)
    assert code == 0 and not set(out + err) & set("\x1b\x9b\u202e\x07")
    code, out, err = call("describe", path, "--json")
    assert not set(out + err) & set("\x1b\x9b\u202e\x07")
    assert json.loads(out)["provenance"]["command"] == told["command"]


def test_a_file_name_that_is_no_text_goes_all_the_way(rig: Rig, call: Call, tmp_path: Path) -> None:
    """Linux takes any bytes for a name."""
    name = os.fsdecode(b"r\xe9\x1b.h5")
    path = tmp_path / name
    files.save_rig(rig, path)
    done = program("describe", path, "--json")
    assert done.returncode == 0 and "\x1b" not in done.stdout
    assert json.loads(done.stdout)["file"] == str(path)
    for out, *options in (("r.json", "--to", "json"), ("r.gltf", "--to", "gltf")):
        done = call("export", path, *options, "-o", tmp_path / out)
        assert done == (0, "", f"wrote {tmp_path / out}\n")
        assert "\\xe9" in json.dumps(json.loads((tmp_path / out).read_text(encoding="utf-8")))
    code, _, err = call("record", path, "-o", tmp_path / "r.html")
    assert code == 0, err
    done = program("solve", path, "--wand", path, "-o", tmp_path / "x.h5")
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and "\x1b" not in done.stderr


def test_messages_are_never_longer_than_a_page(refused: Callable[..., str], tmp_path: Path) -> None:
    long = InputError("w" * 5000, expected="e" * 100, found="f" * 100_000, remedy="Do this.")
    assert len(str(long)) <= MOST_SHOWN and "e" * 100 in str(long) and "Do this." in str(long)
    assert long.found == "f" * 100_000
    told = InputError("w", expected="e", found="f", remedy="Do this. " + "Then that, " * 50 + "so.")
    assert str(told) == "w: expected e, found f. Do this."
    table, cameras = tmp_path / "t.csv", tmp_path / "c.toml"
    cameras.write_text("frame_rate = 50.0\n[cameras.a]\nwidth = 640\nheight = 480\n")
    table.write_text(",".join(f"column{k}" for k in range(50)) + "\n")
    line = refused("import", table, cameras, "-o", tmp_path / "t.h5")
    assert "no camera, frame, x, y" in line and len(line) <= MOST_SHOWN
    table.write_text("camera," + "\0" * 400 + "\n")  # shown escaped, four characters each
    line = refused("import", table, cameras, "-o", tmp_path / "t.h5")
    assert line.rstrip().endswith(", separated by commas.") and len(line) <= MOST_SHOWN + 1


@pytest.mark.parametrize(
    "width", ["1" * 30, "1e308", "9" * 5000, "-1" * 1, "inf", "1e400", "0x" + "f" * 400]
)
def test_numbers_that_no_sensor_has_are_refused(
    width: str, refused: Callable[..., str], tmp_path: Path
) -> None:
    table, cameras = tmp_path / "t.csv", tmp_path / "c.toml"
    cameras.write_text(f"frame_rate = 50.0\n[cameras.a]\nwidth = {width}\nheight = 480\n")
    table.write_text("camera,frame,x,y\na,1,1,2\n")
    line = refused("import", table, cameras, "-o", tmp_path / "t.h5")
    assert line.startswith(str(cameras)) and len(line) <= MOST_SHOWN


def test_a_wand_of_seen_names_is_a_wand() -> None:
    assert Wand("カメラ", SEEN[:2], np.eye(3)[:2] * 100).markers == SEEN[:2]
