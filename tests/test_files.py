"""Files: what is written comes back to the bit in the documented layout; what is wrong is told
in one line.
"""

from __future__ import annotations

import errno
import json
import math
import os
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

import calib
from calib import files, guard
from calib.core.layout import POINT_TABLE
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import CertifiedLength, Wand
from calib.errors import CalibError, InputError, OutputError

VERSION_1 = Path(__file__).parent / "data" / "rig_version_1.h5"


def same(a: Any, b: Any) -> bool:
    """Whether two records hold the same, arrays to the bit."""
    if is_dataclass(a) and not isinstance(a, type):
        return type(a) is type(b) and all(
            same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a)
        )
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
    if isinstance(a, tuple):
        return len(a) == len(b) and all(map(same, a, b))
    return type(a) is type(b) and (
        a == b or (isinstance(a, float) and math.isnan(a) and math.isnan(b))
    )


# ---- there and back


def test_tracks_come_back_to_the_bit_in_their_order(tracks: Tracks, tmp_path: Path) -> None:
    files.save_tracks(tracks, tmp_path / "t.h5")
    assert same(files.load_tracks(tmp_path / "t.h5"), tracks)


def test_a_rig_comes_back_to_the_bit(rig: Rig, tmp_path: Path) -> None:
    files.save_rig(rig, tmp_path / "r.h5")
    assert same(files.load_rig(tmp_path / "r.h5"), rig)


def test_a_rig_comes_back_without_what_it_does_not_tell(rig: Rig, tmp_path: Path) -> None:
    bare = Rig(rig.cameras, rig.wand, rig.wand_used)
    files.save_rig(bare, tmp_path / "r.h5")
    back = files.load_rig(tmp_path / "r.h5")
    assert same(back, bare)
    assert back.covariance is None and back.alignment is None and back.captured_at is None


def test_a_rig_file_of_version_1_is_read_into_the_fields(tmp_path: Path) -> None:
    """The file was written by a solve before version 2 was: cam03 exposes 0.4 frames late in
    the simulation, porch shares no frame with the others.
    """
    rig = files.load_rig(VERSION_1)
    assert rig.names == ("cam01", "cam02", "cam03", "cam04")
    offset = np.array([c.time_offset_frames for c in rig.cameras])
    sigma = np.array([c.time_offset_sigma_frames for c in rig.cameras], dtype=float)
    assert (np.abs(offset - [0.0, 0.0, 0.4, 0.0]) < 4.0 * sigma).all() and (sigma < 0.01).all()
    assert list(rig.left_out) == ["porch"] and "too few wand frames" in rig.left_out["porch"]
    assert len(rig.findings) == 1 and rig.findings[0].startswith("cam03 exposes 16.0")
    assert rig.captured_at == "2031-05-06T07:08:09+00:00" and rig.parent_sha256 is None
    assert rig.lasting_share == 0.0 and rig.alignment is None and rig.verification is None
    assert rig.covariance is not None and rig.covariance.matrix.shape == (63, 63)
    assert set(rig.provenance) == {
        *("tool", "version", "command", "time", "options", "tracks", "wand", "parent")
    }
    assert set(rig.provenance["tracks"]) == {"file", "sha256"}
    files.save_rig(rig, tmp_path / "r.h5")
    with h5py.File(tmp_path / "r.h5") as file:
        assert file.attrs["version"] == 2
    assert same(files.load_rig(tmp_path / "r.h5"), rig)


def _told_in_version_1(path: Path, **facts: Any) -> None:
    """Copy the file of version 1 with more in its provenance."""
    path.write_bytes(VERSION_1.read_bytes())
    with h5py.File(path, "r+") as file:
        table = json.loads(file["provenance"][()]) | facts
        del file["provenance"]
        file["provenance"] = json.dumps(table)


def test_parent_and_lasting_errors_of_version_1_are_read(tmp_path: Path) -> None:
    lasting = {"share": 0.125, "cameras": {"cam01": {"count": 2}}}
    _told_in_version_1(tmp_path / "r.h5", parent_sha256="cd" * 32, lasting=lasting, scale="far")
    rig = files.load_rig(tmp_path / "r.h5")
    assert (rig.parent_sha256, rig.lasting_share) == ("cd" * 32, 0.125)
    assert "lasting" not in rig.provenance and rig.provenance["scale"] == "far"


@pytest.mark.parametrize(
    ("facts", "place"),
    [
        ({"left_out": ["porch"]}, "provenance: left_out"),
        ({"left_out": {"porch": 3}}, "left_out: porch"),
        ({"findings": "none"}, "provenance: findings"),
        ({"time_offset_frames": {"cam01": 0.1}}, "time_offset_frames: cam01"),
        ({"time_offset_frames": {"cam01": {"offset": 0.1}}}, "cam01: sigma"),
        ({"time_offset_frames": {"cam01": {"offset": 0.1, "sigma": -1}}}, "cam01: time offset"),
        ({"lasting": {"share": 2}}, "lasting_share"),
        ({"tracks": "t.h5"}, "provenance: tracks"),
    ],
)
def test_what_version_1_tells_amiss_is_refused(facts: Any, place: str, tmp_path: Path) -> None:
    _told_in_version_1(tmp_path / "r.h5", **facts)
    with pytest.raises(InputError, match=place) as caught:
        files.load_rig(tmp_path / "r.h5")
    assert str(caught.value).startswith(str(tmp_path / "r.h5"))


def test_a_file_that_changes_while_it_is_read_is_refused(rig: Rig, tmp_path: Path) -> None:
    path = tmp_path / "r.h5"
    files.save_rig(rig, path)

    def load(p: Path) -> Rig:
        out = files.load_rig(p)
        files.save_rig(replace(out, lasting_share=0.5), p, overwrite=True)
        return out

    assert files.with_sha256(files.load_rig, path)[1] == files.sha256(path)
    with pytest.raises(InputError, match="changed while it was read"):
        files.with_sha256(load, path)


def test_whose_the_names_are_is_kept_and_told_by_masks_where_a_file_does_not_say(
    tracks: Tracks, tmp_path: Path
) -> None:
    path = tmp_path / "t.h5"
    masked = replace(
        tracks, cameras=tuple(replace(c, masks_px=np.ones((1, 3))) for c in tracks.cameras)
    )
    for given in (tracks, masked, replace(tracks, is_identified=True)):
        files.save_tracks(given, path, overwrite=True)
        assert same(files.load_tracks(path), given)
        with h5py.File(path, "r+") as file:  # as files were before they said so
            file.attrs.pop("identified", None)
        assert files.load_tracks(path).is_identified == (given is masked)


def test_provenance_of_any_length_is_kept(rig: Rig, tmp_path: Path) -> None:
    # An HDF5 attribute holds at most 64 KiB. Source: the HDF5 user guide, chapter on attributes.
    names = {f"c{i}": "x" * 200 for i in range(1000)}
    long = Rig(rig.cameras, rig.wand, rig.wand_used, None, {"cameras": names}, left_out=names)
    files.save_rig(long, tmp_path / "r.h5")
    assert same(files.load_rig(tmp_path / "r.h5"), long)


def test_a_wand_comes_back_to_the_bit(rig: Rig, tmp_path: Path) -> None:
    for wand in (
        rig.wand,
        rig.wand_used,
        Wand('a "b" \\', ('"', "é \u3000"), np.eye(3)[:2] * 1e2 / 3),
    ):
        files.save_wand(wand, tmp_path / "w.toml", overwrite=True)
        assert same(files.load_wand(tmp_path / "w.toml"), wand)


def test_the_same_record_gives_the_same_bytes_at_another_time(
    tracks: Tracks, rig: Rig, tmp_path: Path
) -> None:
    files.save_tracks(tracks, tmp_path / "t1.h5")
    files.save_rig(rig, tmp_path / "r1.h5")
    time.sleep(1.1)  # HDF5 keeps times in whole seconds
    files.save_tracks(tracks, tmp_path / "t2.h5")
    files.save_rig(rig, tmp_path / "r2.h5")
    for name in "tr":
        assert files.sha256(tmp_path / f"{name}1.h5") == files.sha256(tmp_path / f"{name}2.h5")


# ---- the layout, seen by h5py alone


def test_tracks_have_the_documented_layout(tracks: Tracks, tmp_path: Path) -> None:
    files.save_tracks(tracks, tmp_path / "t.h5")
    with h5py.File(tmp_path / "t.h5") as file:
        assert dict(file.attrs) == {
            "format": "calib.tracks",
            "version": 1,
            "frame_rate": 119.88,
            "captured_at": "2024-02-29T10:00:00+02:00",
            "title": "an invented capture",
        }
        assert list(file) == ["cameras"] and set(file["cameras"]) == {"west 2", "east"}
        west, east = file["cameras/west 2"], file["cameras/east"]
        assert set(west.attrs) == {"width", "height", "K", "dist", "serial", "model"}
        assert set(east.attrs) == {"width", "height", "pixel_pitch_mm", "focal_mm"}
        assert west.attrs["K"].shape == (3, 3) and west.attrs["dist"].shape == (8,)
        types = {key: (d.dtype.str, d.shape) for key, d in west.items()}
        assert types == {
            "frame": ("<i8", (300,)),
            "xy": ("<f8", (300, 2)),
            "marker": ("<i2", (300,)),
            "radius": ("<f4", (300,)),
        }
        assert set(east) == {"frame", "xy", "marker"} and east["xy"].shape == (0, 2)


def test_what_a_later_version_adds_is_ignored(tracks: Tracks, tmp_path: Path) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    with h5py.File(path, "r+") as file:
        file.create_group("notes/east").create_dataset("rows", data=[1, 2])
        file["cameras/east"].attrs["temperature"] = 21.5
        file["cameras/east/brightness"] = np.ones(3)
    assert same(files.load_tracks(path), tracks)


def test_numbers_as_other_programs_store_them_are_read(tracks: Tracks, tmp_path: Path) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    with h5py.File(path, "r+") as file:
        file.attrs["format"] = np.bytes_(b"calib.tracks")  # fixed length, not UTF-8 of any length
        file.attrs["version"] = np.array([[1.0]])
        group = file["cameras/west 2"]
        group.attrs["width"] = np.array([1280.0])
        group.attrs.create("serial", ["0042"], dtype=h5py.string_dtype())
        for key, dtype in (("frame", "i4"), ("marker", "i8")):
            values = group[key][()]
            del group[key]
            group.create_dataset(key, data=values.astype(dtype))
    assert same(files.load_tracks(path), tracks)


# ---- bad tracks files


def _replace(key: str, values: Any) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        group = file["cameras/west 2"]
        del group[key]
        if values is not None:
            group.create_dataset(key, data=values)

    return change


def _at(key: str, index: Any, value: Any) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        file[f"cameras/west 2/{key}"][index] = value

    return change


def _attribute(place: str, key: str, value: Any) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        if value is None:
            del file[place].attrs[key]
        else:
            file[place].attrs[key] = value

    return change


def _double(file: h5py.File) -> None:
    group = file["cameras/west 2"]
    group["frame"][:2] = group["frame"][0]
    group["marker"][:2] = 3


def _no_cameras(file: h5py.File) -> None:
    del file["cameras"]


def _empty_cameras(file: h5py.File) -> None:
    del file["cameras"]
    file.create_group("cameras")


def _camera_is_data(file: h5py.File) -> None:
    del file["cameras/east"]
    file["cameras/east"] = np.zeros(3)


def _broken_link(file: h5py.File) -> None:
    file["cameras/south"] = h5py.SoftLink("/nowhere")


WEST = "cameras/west 2"
BAD_TRACKS: dict[str, tuple[Callable[[h5py.File], None], tuple[str, ...]]] = {
    "format of a rig": (
        _attribute("/", "format", "calib.rig"),
        ("format", "calib.tracks", "calib.rig"),
    ),
    "no format": (_attribute("/", "format", None), ("format", "nothing")),
    "format a number": (_attribute("/", "format", 3), ("format", "text", "3")),
    "later version": (_attribute("/", "version", 2), ("version", "expected 1", "found 2")),
    "no version": (_attribute("/", "version", None), ("version",)),
    "no rate": (_attribute("/", "frame_rate", None), ("frame_rate", "nothing")),
    "rate zero": (_attribute("/", "frame_rate", 0.0), ("frame_rate", "above 0")),
    "rate nan": (_attribute("/", "frame_rate", np.nan), ("frame_rate", "finite", "nan")),
    "rate text": (_attribute("/", "frame_rate", "fast"), ("frame_rate", "number", "fast")),
    "no cameras": (_no_cameras, ("cameras", "group")),
    "captured yesterday": (
        _attribute("/", "captured_at", "yesterday"),
        ("captured_at", "a date of ISO 8601", "'yesterday'", "2031-05-06"),
    ),
    "captured on no day": (
        _attribute("/", "captured_at", "2031-02-30"),
        ("captured_at", "a date of ISO 8601", "'2031-02-30'"),
    ),
    "cameras empty": (_empty_cameras, ("cameras", "none")),
    "camera not a group": (_camera_is_data, ("/cameras/east", "a dataset")),
    "broken link": (_broken_link, ("/cameras/south", "broken link")),
    "no width": (_attribute(WEST, "width", None), ("west 2: width",)),
    "width negative": (_attribute(WEST, "width", -5), ("west 2: width", "-5")),
    "width broken": (_attribute(WEST, "width", 12.5), ("west 2: width", "whole", "12.5")),
    "focal zero": (_attribute("cameras/east", "focal_mm", 0.0), ("east: focal_mm", "above 0")),
    "pitch negative": (
        _attribute("cameras/east", "pixel_pitch_mm", -0.1),
        ("east: pixel_pitch_mm", "-0.1"),
    ),
    "K alone": (_attribute(WEST, "dist", None), ("west 2: dist", "K alone")),
    "dist alone": (_attribute(WEST, "K", None), ("west 2: K", "dist alone")),
    "K nan": (_attribute(WEST, "K", np.full((3, 3), np.nan)), ("west 2: K", "finite")),
    "K of two rows": (_attribute(WEST, "K", np.eye(3)[:2]), ("west 2: K", "3 × 3")),
    "K skewed": (_attribute(WEST, "K", np.eye(3) + np.eye(3, k=1)), ("west 2: K", "fx, 0, cx")),
    "K in mm": (
        _attribute(WEST, "K", np.diag([8.0, 8.0, 1.0])),
        ("west 2: K", "focal lengths in px, 128 to", "found 8 and 8", "divide by the pixel pitch"),
    ),
    "K of negative focal length": (
        _attribute(WEST, "K", np.diag([-1.0, 1, 1])),
        ("west 2", "above 0"),
    ),
    "dist of four": (_attribute(WEST, "dist", np.zeros(4)), ("west 2: dist", "5 or 8")),
    "serial a number": (_attribute(WEST, "serial", 42), ("west 2: serial", "text", "42")),
    "no frame": (_replace("frame", None), ("west 2: frame", "nothing")),
    "no xy": (_replace("xy", None), ("west 2: xy", "300 × 2")),
    "no marker": (_replace("marker", None), ("west 2: marker",)),
    "frame of floats": (
        _replace("frame", np.arange(300.0)),
        ("west 2: frame", "integers", "float64"),
    ),
    "marker of floats": (
        _replace("marker", np.zeros(300)),
        ("west 2: marker", "integers", "float64"),
    ),
    "xy of text": (_replace("xy", [["a", "b"]] * 300), ("west 2: xy", "floating-point")),
    "xy of three columns": (
        _replace("xy", np.zeros((300, 3))),
        ("west 2: xy", "300 × 2", "300 × 3"),
    ),
    "xy too short": (_replace("xy", np.zeros((299, 2))), ("west 2: xy", "299 × 2")),
    "xy without values": (_replace("xy", h5py.Empty("f8")), ("west 2: xy", "no values")),
    "frame a table": (_replace("frame", np.zeros((300, 1), int)), ("west 2: frame", "300 × 1")),
    "xy nan": (_at("xy", (7, 1), np.nan), ("west 2: xy row 7", "nan")),
    "xy infinite": (_at("xy", (9, 0), np.inf), ("west 2: xy row 9", "inf")),
    "xy off the sensor": (
        _at("xy", (11, 0), 1281.5),
        ("west 2: xy row 11", "1280 × 1024", "1281.5"),
    ),
    "frames unsorted": (_at("frame", 5, 10_000), ("west 2: frame row 6", "after 10000", "Sort")),
    "frame a time stamp": (_at("frame", 299, 2**62), ("west 2: frame row 299", "time stamp")),
    "marker below -1": (_at("marker", 4, -2), ("west 2: marker row 4", "-2")),
    "marker beyond 16 bits": (
        _replace("marker", np.r_[np.zeros(299, int), 65536 - 1]),  # would wrap round to -1
        ("west 2: marker row 299", "65535"),
    ),
    "twice the same": (_double, ("west 2: frame", "marker 3 more than once")),
    "radius negative": (_at("radius", 0, -1.0), ("west 2: radius", "0 px or more")),
    "radius too short": (
        _replace("radius", np.zeros(5, np.float32)),
        ("west 2: radius", "300", "5"),
    ),
}


@pytest.mark.parametrize("case", BAD_TRACKS)
def test_a_bad_tracks_file_is_told_in_one_line(case: str, tracks: Tracks, tmp_path: Path) -> None:
    change, words = BAD_TRACKS[case]
    path = tmp_path / "bad.h5"
    files.save_tracks(tracks, path)
    with h5py.File(path, "r+") as file:
        change(file)
    with pytest.raises(InputError) as caught:
        files.load_tracks(path)
    line = str(caught.value)
    assert line.startswith(f"{path}: ") and "\n" not in line
    assert all(word in line for word in words), line
    assert caught.value.remedy and line.endswith(caught.value.remedy)


def test_a_tracks_file_cut_off_anywhere_is_refused(tracks: Tracks, tmp_path: Path) -> None:
    files.save_tracks(tracks, tmp_path / "whole.h5")
    whole = (tmp_path / "whole.h5").read_bytes()
    path = tmp_path / "cut.h5"
    for n in [*range(0, 100, 7), *range(100, len(whole), 251), len(whole) - 1]:
        path.write_bytes(whole[:n])
        with pytest.raises(InputError, match=r"cut\.h5: expected a calib\.tracks file"):
            files.load_tracks(path)


@pytest.mark.parametrize("load", [files.load_tracks, files.load_rig, files.load_wand, files.sha256])
def test_what_is_no_file_is_refused(load: Callable[[Path], Any], tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    for path, found in (
        (tmp_path / "none", "no such file"),
        (tmp_path, "a folder"),
        (tmp_path / "empty", "an empty file"),
    ):
        with pytest.raises(InputError) as caught:
            load(path)
        assert str(caught.value).startswith(f"{path}: expected a") and found in str(caught.value)


@pytest.mark.parametrize("units_a_px", [0.005, 1 / 1280])
def test_points_in_mm_or_in_shares_of_the_image_are_refused(
    units_a_px: float, tracks: Tracks, tmp_path: Path
) -> None:
    """A solve said that frames were lost, or that the wand was held still."""
    cameras = tuple(replace(c, xy_px=c.xy_px * units_a_px) for c in tracks.cameras)
    files.save_tracks(replace(tracks, cameras=cameras), tmp_path / "t.h5")
    with pytest.raises(InputError, match=r"t\.h5: x, y: expected px on .* divide them by"):
        files.load_tracks(tmp_path / "t.h5")


@pytest.mark.skipif(not Path("/dev/null").is_char_device(), reason="no device of that name")
def test_what_was_read_is_known_again_by_an_ordinary_file_alone() -> None:
    """Of a pipe nothing is left to take the SHA-256 of; it was told as an empty file."""
    with pytest.raises(InputError, match=r"a device or pipe\. Write what it holds to a file"):
        files.sha256("/dev/null")


def test_a_path_that_no_system_has_is_refused() -> None:
    with pytest.raises(InputError):
        files.load_tracks("a\0b")


@pytest.mark.parametrize("load", [files.load_tracks, files.load_rig])
def test_text_is_not_hdf5(load: Callable[[Path], Any], tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("camera,frame,x,y\n")
    with pytest.raises(InputError, match="not HDF5"):
        load(tmp_path / "t.csv")


# What follows the first line, for ever.
ENDLESS = {
    "a line": b"x",
    "columns": b",1",
    "quoted columns": b',"1"',
    "a row of many lines": b'"' + b"x" * 200 + b'\n","',
    "an open quote": b'"' + b"x" * 200 + b"\n",
    "rows of another length": b"a" + b",1" * 200 + b"\n",
    "keys of many parts": b"a." * 490 + b"a=1\n",
    "zeros": b"\0",
}
FIRST = {
    "table": b"camera,frame,x,y\n",
    "points": ",".join(item.key for item in POINT_TABLE).encode() + b"\n",
}
READERS: dict[str, Callable[[Path], Any]] = {
    "table": lambda p: files.load_table(p, p.with_name("c.toml")),
    "points": files.load_points,
    "wand": files.load_wand,
    "plan": files.load_plan,
    "cameras": files.load_cameras,
    "images": files.load_image_list,
    "scenario": lambda p: files.load_scenario(p, calib.Scenario.from_dict),
    "kind": files.kind_of,
}


@pytest.mark.parametrize("reader", READERS)
def test_a_text_without_end_is_refused_before_it_takes_memory(reader: str, tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("frame_rate = 50.0\n[cameras.a]\nwidth = 64\nheight = 48\n")
    path = tmp_path / "endless"
    for what, more in ENDLESS.items():
        path.write_bytes(FIRST.get(reader, b"") + more * (8_000_000 // len(more)))
        tracemalloc.start()
        try:
            with pytest.raises(InputError, match=r"endless: ") as caught:
                READERS[reader](path)
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert "\n" not in str(caught.value)
        assert peak < 32_000_000, f"{what}: {peak}"


def test_a_table_is_refused_beyond_the_points_that_are_allowed(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("frame_rate = 50.0\n[cameras.a]\nwidth = 64\nheight = 48\n")
    path = tmp_path / "t.csv"
    path.write_text("camera,frame,x,y\n" + "".join(f"a,{k},1.5,2.5\n" for k in range(1000)))
    assert READERS["table"](path).cameras[0].n_points == 1000
    token = guard.most_points.set(100)
    try:
        with pytest.raises(InputError, match=r"line \d+: .*--max-points"):
            READERS["table"](path)
    finally:
        guard.most_points.reset(token)


# ---- bad rig files


def _delete(place: str) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        del file[place]

    return change


def _not_json(file: h5py.File) -> None:
    del file["provenance"]
    file["provenance"] = "{"


def _list(file: h5py.File) -> None:
    del file["alignment"]
    file["alignment"] = "[1]"


def _shorter(file: h5py.File) -> None:
    del file["left_out/reasons"]
    file["left_out"].create_dataset("reasons", data=["why"], dtype=h5py.string_dtype())


BAD_RIGS: dict[str, tuple[Callable[[h5py.File], None], tuple[str, ...]]] = {
    "format of tracks": (_attribute("/", "format", "calib.tracks"), ("format", "calib.rig")),
    "later version": (_attribute("/", "version", 9), ("version", "found 9")),
    "no pose": (_attribute("cameras/z", "R", None), ("z: R",)),
    "pose no rotation": (
        _attribute("cameras/z", "R", np.diag([1.0, 1, -1])),
        ("z: pose", "proper rotation"),
    ),
    "no lens": (_attribute("cameras/z", "K", None), ("z: K",)),
    "half the residuals": (
        _attribute("cameras/a b/residuals", "rms_px", None),
        ("a b: residuals", "rms_px"),
    ),
    "no wand": (_delete("wand_used"), ("wand_used", "group")),
    "no provenance": (_delete("provenance"), ("provenance", "text")),
    "provenance no JSON": (_not_json, ("provenance", "JSON")),
    "no findings": (_delete("findings"), ("findings", "text, n")),
    "one reason less": (_shorter, ("left_out/reasons", "text, 2", "found object, 1")),
    "no lasting share": (_attribute("/", "lasting_share", None), ("lasting_share", "number")),
    "offset without sigma": (
        _attribute("cameras/cam2", "time_offset_sigma_frames", None),
        ("cam2: time_offset_sigma_frames", "a number"),
    ),
    "alignment no table": (_list, ("alignment", "JSON text of a table")),
    "no matrix": (_delete("covariance/matrix"), ("covariance: matrix", "12 × 12")),
    "no pull": (_delete("covariance/pull"), ("covariance: pull", "12 × 2")),
}


@pytest.mark.parametrize("case", BAD_RIGS)
def test_a_bad_rig_file_is_told_in_one_line(case: str, rig: Rig, tmp_path: Path) -> None:
    change, words = BAD_RIGS[case]
    path = tmp_path / "bad.h5"
    files.save_rig(rig, path)
    with h5py.File(path, "r+") as file:
        change(file)
    with pytest.raises(InputError) as caught:
        files.load_rig(path)
    line = str(caught.value)
    assert (
        line.startswith(f"{path}: ") and "\n" not in line and all(word in line for word in words)
    ), line
    assert caught.value.remedy and line.endswith(caught.value.remedy)


@pytest.mark.parametrize("key", ["provenance", "alignment", "verification"])
def test_what_json_cannot_hold_is_refused(key: str, rig: Rig, tmp_path: Path) -> None:
    for value in (float("nan"), object()):
        with pytest.raises(InputError, match=key):
            files.save_rig(replace(rig, **{key: {"x": value}}), tmp_path / "r.h5")
    assert not list(tmp_path.iterdir())


# ---- bad wand files

GOOD_WAND = """name = "line3"
unit = "mm"
sigma = 0.02

[markers]
p = [0.0, 0.0, 0.0]
q = [170.0, 0.0, 0.0]
r = [460.0, 0.0, 0.0]

[[certified]]
between = ["p", "r"]
length = 460.02
sigma = 0.01
"""
BAD_WANDS = {
    "syntax": ("[markers]", "[markers", ("line 5",)),
    "unit in metres": ('unit = "mm"', 'unit = "m"', ("unit", '"mm"', "'m'")),
    "unknown key": ("sigma = 0.02", "sigma_mm = 0.02", ("top level", "found sigma_mm")),
    "unknown key of a certificate": ("length = ", "lenght = ", ("[[certified]] 1", "found lenght")),
    "sigma negative": ("sigma = 0.02", "sigma = -1", ("sigma", "-1")),
    "sigma text": ("sigma = 0.02", 'sigma = "small"', ("sigma", "number", "small")),
    "one marker": (
        GOOD_WAND[GOOD_WAND.index("q =") :],
        "",
        ("[markers]", "two or more", "found 1"),
    ),
    "no markers": ("[markers]", "[marks]", ("marks",)),
    "no unit": ('unit = "mm"', "", ('unit: expected "mm"', 'in millimetre and unit = "mm"')),
    "two coordinates": (
        "[170.0, 0.0, 0.0]",
        "[170.0, 0.0]",
        ("[markers]: q", "expected 3 finite numbers", "[170.0, 0.0]"),
    ),
    "decimal comma": (
        "sigma = 0.02",
        "sigma = 0,02",
        ("a comma within a number: sigma = 0,02.", "185.0, not 185,0"),
    ),
    "decimal commas of a place": (
        "[170.0, 0.0, 0.0]",
        "[170,0, 0,0, 0,0]",
        ("[markers]: q", "expected 3 finite numbers", "185.0, not 185,0"),
    ),
    "coordinate nan": ("[170.0,", "[nan,", ("[markers]: q", "nan")),
    "coordinate infinite": ("[170.0,", "[inf,", ("[markers]: q", "inf")),
    "coordinate text": ("[170.0,", '["170",', ("[markers]: q",)),
    "lengths in metres": (
        "q = [170.0, 0.0, 0.0]\nr = [460.0, 0.0, 0.0]",
        "q = [0.17, 0.0, 0.0]\nr = [0.5, 0.0, 0.0]",
        ("[markers]", "found 0.5 mm", "metres", "give each in mm"),
    ),
    "coincident markers": ("[170.0,", "[0.0,", ("p and q", "0 mm between")),
    "marker twice": ("q =", "p =", ("line 7",)),
    "certified unknown marker": (
        '["p", "r"]',
        '["p", "s"]',
        ("[[certified]] 1: between", "p, q, r", "s"),
    ),
    "certified one marker": ('["p", "r"]', '["p"]', ("[[certified]] 1: between",)),
    "certified with itself": ('["p", "r"]', '["p", "p"]', ("between", "two of", "'p', 'p'")),
    "certified zero": ("length = 460.02", "length = 0", ("p to r", "above 0")),
    "certified negative": ("length = 460.02", "length = -460.02", ("p to r", "above 0")),
    "certified far off": ("length = 460.02", "length = 400", ("p to r", "460.000", "400.000")),
    "certified sigma zero": ("sigma = 0.01", "sigma = 0.0", ("p to r", "sigma above 0")),
    "certified without sigma": ("sigma = 0.01", "", ("[[certified]] 1: sigma", "nothing")),
    "certified no table": ("[[certified]]", "[certified]", ("certified", "[[certified]]")),
}


def test_a_documented_wand_is_read(tmp_path: Path) -> None:
    (tmp_path / "w.toml").write_text(GOOD_WAND)
    wand = files.load_wand(tmp_path / "w.toml")
    assert (wand.name, wand.markers, wand.sigma_mm) == ("line3", ("p", "q", "r"), 0.02)
    assert wand.points_mm.tolist() == [[0, 0, 0], [170, 0, 0], [460, 0, 0]]
    assert wand.certified == (CertifiedLength(0, 2, 460.02, 0.01),)


@pytest.mark.parametrize("case", BAD_WANDS)
def test_a_bad_wand_file_is_told_in_one_line(case: str, tmp_path: Path) -> None:
    old, new, words = BAD_WANDS[case]
    assert old in GOOD_WAND
    path = tmp_path / "w.toml"
    path.write_text(GOOD_WAND.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        files.load_wand(path)
    line = str(caught.value)
    assert (
        line.startswith(f"{path}: ") and "\n" not in line and all(word in line for word in words)
    ), line
    assert caught.value.remedy and line.endswith(caught.value.remedy)


def test_a_wand_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "w.toml").write_bytes(b'name = "caf\xe9"\n')
    with pytest.raises(InputError, match=r"UTF-8, found byte 0xe9 at 11"):
        files.load_wand(tmp_path / "w.toml")


# ---- writing


def test_an_existing_file_is_kept_unless_forced(tmp_path: Path) -> None:
    path = tmp_path / "out"
    path.write_text("mine")
    with pytest.raises(OutputError, match="--force"):
        files.write_text(path, "new")
    assert path.read_text() == "mine"
    files.write_text(path, "new", overwrite=True)
    assert path.read_text() == "new" and list(tmp_path.iterdir()) == [path]


def test_what_cannot_be_written_is_told_before_a_long_run(tmp_path: Path) -> None:
    for path, found in (
        (tmp_path, "a folder"),
        (tmp_path / "none" / "out", "no folder"),
        (Path("/dev/null"), "a device"),
    ):
        with pytest.raises(OutputError, match=found):
            files.check_output(path, overwrite=True)
    source = tmp_path / "in"
    source.write_text("x")
    (tmp_path / "same").symlink_to(source)
    with pytest.raises(OutputError, match="apart from the inputs"):
        files.check_output(tmp_path / "same", overwrite=True, inputs=[source])


def test_a_folder_without_permission_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Not by chmod: the superuser, who runs tests in containers, may write everywhere.
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="no permission"):
        files.write_text(tmp_path / "out", "x")


@pytest.mark.parametrize("step", ["fsync", "replace"])
@pytest.mark.parametrize(
    ("failure", "becomes"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), OutputError),
        (KeyboardInterrupt(), KeyboardInterrupt),
    ],
)
def test_a_failed_write_leaves_nothing_behind(
    step: str,
    failure: BaseException,
    becomes: type[BaseException],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: Any) -> None:
        raise failure

    (tmp_path / "out").write_text("before")
    monkeypatch.setattr(os, step, fail)
    with pytest.raises(becomes) as caught:
        files.write_text(tmp_path / "out", "after", overwrite=True)
    if isinstance(caught.value, CalibError):
        assert "no space left on device" in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["out"] and (
        tmp_path / "out"
    ).read_text() == "before"


def test_a_written_file_has_the_permissions_of_an_ordinary_one(tmp_path: Path) -> None:
    (tmp_path / "ordinary").touch()
    files.write_text(tmp_path / "out", "x")
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "ordinary").stat().st_mode


def test_a_link_is_written_through(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    files.write_text(tmp_path / "link", "new", overwrite=True)
    assert (tmp_path / "link").is_symlink() and (tmp_path / "real").read_text() == "new"


def test_sha256_is_the_standards(tmp_path: Path) -> None:
    # Source: FIPS 180-2, appendix B.1, the message "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    assert (
        files.sha256(tmp_path / "abc")
        == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
