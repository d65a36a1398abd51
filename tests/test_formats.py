"""The explained formats against the readers: every example is read, every key that must be there is
missed when it is gone, every other is not, and nothing that is written goes unexplained.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

import calib
from calib import files
from calib.core.fields import as_toml
from calib.core.layout import RIG, SPACE, TRACKS, Section
from calib.core.points import Points
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.export.points import HEADER, csv_lines
from calib.report.papers.formats import FileFormat, as_blocks, formats, named, overview
from calib.report.tables import lines_of
from calib.simulate import Scenario
from calib.simulate.explain import sections as scenario_sections
from tests.program import Call

NAMES = [f.name for f in formats()]
# Keys of one statement: without one of them, the others have no meaning.
TOGETHER = (
    {"K", "dist", "lens_sigma"},
    {"held", "pull", "held_sigma"},
    {"time_offset_frames", "time_offset_sigma_frames"},
)


def load(one: FileFormat, path: Path) -> Any:
    """The reader that the commands use for a file of this format."""
    if one.name == "table":
        cameras = path.with_suffix(".cameras.toml")
        cameras.write_text(named("cameras").example, encoding="utf-8")
        return files.load_table(path, cameras)
    if one.name == "cameras":
        table = path.with_suffix(".csv")
        table.write_text("camera,frame,x,y\n", encoding="utf-8")
        return files.load_table(table, path)
    readers: dict[str, Callable[[Path], Any]] = {
        "tracks": files.load_tracks,
        "images": files.load_image_list,
        "wand": files.load_wand,
        "plan": files.load_plan,
        "survey": files.load_wand,
        "rig": files.load_rig,
        "points": files.load_points,
        "scenario": lambda p: files.load_scenario(p, Scenario.from_dict),
    }
    return readers[one.name](path)


def written(one: FileFormat, folder: Path, example: str = "") -> Path:
    """The example as a file; that of an HDF5 file is a program, which a process of its own runs."""
    text = example or one.example
    if one.language != "python":
        path = folder / f"file.{one.language}"
        path.write_text(text, encoding="utf-8")
        return path
    subprocess.run([sys.executable, "-c", text], cwd=folder, check=True)
    return folder / f"{one.name}.h5"


@pytest.mark.parametrize("name", NAMES)
def test_every_example_printed_is_read_back(name: str, call: Call, tmp_path: Path) -> None:
    code, printed, said = call("formats", name, "--example")
    assert (code, said) == (0, "")
    assert load(named(name), written(named(name), tmp_path, printed)) is not None
    code, whole, _ = call("formats", name)
    assert code == 0 and whole.endswith(printed)


def test_what_the_examples_say_is_what_is_read(tmp_path: Path) -> None:
    wand = load(named("wand"), written(named("wand"), tmp_path))
    assert wand.markers == ("p", "q", "r") and wand.certified[0].length_mm == 460.02
    capture = load(named("table"), written(named("table"), tmp_path))
    assert capture.names == ("cam01", "cam02") and capture.camera("cam01").n_points == 3
    again = load(named("tracks"), written(named("tracks"), tmp_path))
    assert again.camera("cam02").lens.fx == 1502.1 and not again.is_identified
    solved = load(named("rig"), written(named("rig"), tmp_path))
    assert solved.names == ("cam01", "cam02") and solved.left_out == {"cam03": "it saw nothing"}
    assert solved.camera("cam02").position_mm.tolist() == [2400.0, 0.0, 0.0]
    assert (
        calib.simulate.Scenario.from_dict(tomllib.loads(named("scenario").example)).names[-1]
        == "cam12"
    )


# Keys of a plan that may be absent, but not from the example: which key is then missed. A camera
# has one or another statement of its place and its aim, and of its sensor its own or the common.
MISSED = {
    "position_mm": "position_mm",
    "along_mm": "position_mm",
    "rail": "position_mm",
    "aim_mm": "aim_mm",
    "pan_deg": "aim_mm",
    "tilt_deg": "aim_mm",
    "common": "width",
    "rails": "rail",
}


def removed(item: Any) -> set[str]:
    """What goes with an item that is taken out."""
    together = (g for g in TOGETHER if item.key in g and not item.is_needed)
    return next(together, {item.key})


# ---- TOML


def places(table: dict[str, Any], section: Section) -> Iterator[dict[str, Any]]:
    """The tables of a TOML document that a section is about."""
    if section.place == "top level":
        yield table
    elif section.place.startswith("[["):
        yield from table[section.place.strip("[]")]
    elif section.place.endswith(".<name>]"):
        yield from table[section.place.strip("[]").partition(".")[0]].values()
    else:
        yield table[section.place.strip("[]")]


def as_text(table: dict[str, Any]) -> str:
    """TOML of an example, with a table that has become empty, which our own writer leaves out."""
    empty = [f"\n[{k}]\n" for k, v in table.items() if v == {}]
    return as_toml({k: v for k, v in table.items() if v != {}}) + "".join(empty)


TOML_CASES = [
    pytest.param(f.name, s, i, id=f"{f.name} {s.place} {i.key}")
    for f in formats()
    if f.language == "toml" and f.name != "scenario"
    for s in f.sections
    for i in s.items
]


@pytest.mark.parametrize(("name", "section", "item"), TOML_CASES)
def test_a_toml_key_is_missed_where_it_must_be_there(
    name: str, section: Section, item: Any, tmp_path: Path
) -> None:
    one = named(name)
    table = tomllib.loads(one.example)
    gone = removed(item)
    n_removed = 0
    for place in places(table, section):
        n_removed += sum(place.pop(key, None) is not None for key in gone)
    if name == "plan" and section.place.startswith("[cameras"):
        table["common"].pop(item.key, None)
    is_in_example = n_removed > 0
    if name != "images":  # whose cameras have what tracks files have; two keys show how
        assert is_in_example, "a complete example has every key"
    path = written(one, tmp_path, as_text(table))
    missed = MISSED.get(item.key) if name == "plan" else None
    if item.is_needed or missed:
        with pytest.raises(InputError) as raised:
            load(one, path)
        assert (missed or item.key) in str(raised.value) and str(tmp_path) in str(raised.value)
    else:
        load(one, path)


@pytest.mark.parametrize("name", [f.name for f in formats() if f.language == "toml"])
def test_a_toml_key_that_is_not_explained_is_refused(name: str, tmp_path: Path) -> None:
    one = named(name)
    for section in one.sections:
        table = tomllib.loads(one.example)
        next(places(table, section))["colour"] = 1
        with pytest.raises(InputError, match="colour"):
            load(one, written(one, tmp_path, as_text(table)))


@pytest.mark.parametrize("item", scenario_sections()[0].items, ids=lambda i: i.key)
def test_a_scenarios_keys_hold_what_is_said(item: Any) -> None:
    kind, _, range_ = item.kind.partition(", ")
    wrong: list[Any] = [1 if "text" in kind or "|" in kind else "x"]
    if " to " in range_ and "table" not in kind:
        low, high = map(float, range_.split(" to "))
        step = 1 if kind == "whole number" else 1e-3
        wrong += [type(step)(high) + step, type(step)(low) - step]
    for value in wrong:
        with pytest.raises(InputError, match=item.key):
            Scenario.from_dict({item.key: value})
    for value in item.kind.split(" | ") if "|" in item.kind else ():
        Scenario.from_dict({item.key: value})
    default, _, reason = item.meaning.partition("; ")
    assert reason or default, "says something"


# ---- CSV


def test_csv_columns_are_missed_where_they_must_be_there(tmp_path: Path) -> None:
    one = named("table")
    (section,) = one.sections
    header, *rows = [line.split(",") for line in one.example.splitlines()]
    assert header == [i.key for i in section.items]
    for k, item in enumerate(section.items):
        text = "\n".join(",".join(r[:k] + r[k + 1 :]) for r in (header, *rows))
        path = written(one, tmp_path, text)
        if item.is_needed:
            with pytest.raises(InputError, match=f"no {item.key}"):
                load(one, path)
        else:
            load(one, path)


# ---- HDF5

LAYOUTS = {"tracks": TRACKS, "rig": RIG, "points": SPACE}
HDF5_CASES = [
    pytest.param(name, s, i, id=f"{name} {s.place} {i.key}")
    for name, layout in LAYOUTS.items()
    for s in layout
    for i in s.items
]


@pytest.fixture(scope="module")
def hdf5_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("hdf5")
    return {name: written(named(name), folder).read_bytes() for name in LAYOUTS}


def groups(file: h5py.File, place: str) -> list[h5py.Group]:
    """The groups of a file that stand at a place."""
    if "<name>" not in place:
        return [file[place]] if place in file else []
    before, _, after = place.partition("<name>")
    inner = [own for name in file[before] if (own := f"{before}{name}{after}") in file]
    return [file[own] for own in inner]


@pytest.mark.parametrize(("name", "section", "item"), HDF5_CASES)
def test_an_hdf5_item_is_missed_where_it_must_be_there(
    name: str, section: Section, item: Any, hdf5_files: dict[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "file.h5"
    path.write_bytes(hdf5_files[name])
    gone = removed(item)
    n_removed = 0
    with h5py.File(path, "r+") as file:
        for group in groups(file, section.place):
            of = group.attrs if section.holds == "attributes" else group
            keys = list(of) if item.key == "<name>" else [k for k in gone if k in of]
            n_removed += len(keys)
            for key in keys:
                del of[key]
    assert n_removed, "a complete example has every item"
    if item.is_needed:
        with pytest.raises(InputError) as raised:
            load(named(name), path)
        assert item.key in str(raised.value)
    else:
        load(named(name), path)


@pytest.mark.parametrize("name", ["tracks", "rig"])
def test_a_part_that_may_be_absent_may(
    name: str, hdf5_files: dict[str, bytes], tmp_path: Path
) -> None:
    for section in named(name).sections:
        if section.place == "/" or section.place.endswith("<name>"):
            continue
        path = tmp_path / "file.h5"
        path.write_bytes(hdf5_files[name])
        with h5py.File(path, "r+") as file:
            for group in groups(file, section.place):
                del file[group.name]
        if section.is_needed:
            with pytest.raises(InputError):
                load(named(name), path)
        else:
            load(named(name), path)


def in_space() -> Points:
    """Three invented markers in space."""
    covariance = np.array([[[4.0, 1, 0.5], [1, 9, 0.25], [0.5, 0.25, 16]]] * 3)
    return Points(
        np.array([3, 3, 5]),
        np.array([0, 1, 0]),
        np.arange(9.0).reshape(3, 3) / 7,
        covariance,
        np.array([0.125, 0.25, 0.5]),
        np.array([0.25, 0.5, 1.0]),
        np.array([2, 3, 4]),
        7,
        50.0,
        {"tool": "by hand"},
    )


def test_points_come_back_from_both_kinds_of_file(tmp_path: Path) -> None:
    """The numbers chosen are exact in single precision."""
    points = in_space()
    files.save_points(points, tmp_path / "p.h5")
    (tmp_path / "p.csv").write_bytes(HEADER.encode() + csv_lines(points))
    for path, off in ((tmp_path / "p.h5", 0.0), (tmp_path / "p.csv", 5.1e-5)):
        back = files.load_points(path)
        for key in ("frame", "marker", "n_cameras"):
            np.testing.assert_array_equal(getattr(back, key), getattr(points, key))
        for key in ("points_mm", "covariance_mm2", "rms_px"):
            np.testing.assert_allclose(getattr(back, key), getattr(points, key), atol=off, rtol=0)
    back = files.load_points(tmp_path / "p.h5")
    np.testing.assert_array_equal(back.rms_mm, points.rms_mm)
    assert (back.n_open, back.frame_rate_hz, back.provenance) == (7, 50.0, {"tool": "by hand"})
    lines = (tmp_path / "p.csv").read_text().splitlines()
    for bad in (
        "x" + lines[0],
        "\n".join([lines[0], "1,2"]),
        "\n".join([lines[0], lines[1] + "x"]),
    ):
        (tmp_path / "bad.csv").write_text(bad)
        with pytest.raises(InputError, match=r"bad\.csv"):
            files.load_points(tmp_path / "bad.csv")
    (tmp_path / "none.csv").write_text(HEADER)
    assert len(files.load_points(tmp_path / "none.csv").frame) == 0


def explained(layout: tuple[Section, ...], holds: str) -> set[str]:
    return {f"{s.place.rstrip('/')}/{i.key}" for s in layout for i in s.items if s.holds == holds}


@pytest.mark.parametrize("name", list(LAYOUTS))
def test_nothing_that_is_written_goes_unexplained(
    name: str, tracks: Tracks, rig: Rig, tmp_path: Path
) -> None:
    path = tmp_path / "file.h5"
    if name == "tracks":
        first, *rest = tracks.cameras
        masked = replace(first, masks_px=np.ones((2, 3)))
        calib.save_tracks(Tracks((masked, *rest), 25.0, "2031-05-06", "t", True), path)
    elif name == "points":
        files.save_points(in_space(), path)
    else:
        calib.save_rig(rig, path)
    layout = LAYOUTS[name]
    attributes, datasets = explained(layout, "attributes"), explained(layout, "datasets")
    seen = set()

    def visit(place: str, node: Any) -> None:
        parts = place.strip("/").split("/") if place.strip("/") else []
        if len(parts) > 1 and parts[0] in {"cameras", "masks"}:
            parts[1] = "<name>"
        at = "".join(f"/{p}" for p in parts)
        seen.update(f"{at}/{key}" for key in node.attrs)
        assert {f"{at}/{key}" for key in node.attrs} <= attributes, at
        if isinstance(node, h5py.Dataset):
            assert at in datasets, at

    with h5py.File(path) as file:
        visit("", file)
        file.visititems(visit)
    assert ("/frame_rate" if name == "points" else "/cameras/<name>/width") in seen


# ---- the command


def test_the_overview_names_every_format(call: Call) -> None:
    code, out, said = call("formats")
    assert (code, said) == (0, "")
    assert [line.split()[0] for line in out.splitlines()[1 : len(NAMES) + 1]] == NAMES
    lines = lines_of(overview(), 80)
    assert max(map(len, lines)) <= 80
    assert [line.split()[0] for line in lines[1:-3] if not line.startswith(" ")] == NAMES


def test_json_has_every_format_with_its_items(call: Call) -> None:
    document = json.loads(call("formats", "--json")[1])
    assert [f["name"] for f in document["formats"]] == NAMES
    one = json.loads(call("formats", "wand", "--json")[1])["formats"]
    assert one == [f for f in document["formats"] if f["name"] == "wand"]
    unit = one[0]["sections"][0]["items"][1]
    assert (unit["key"], unit["needed"]) == ("unit", True)


def test_an_unknown_format_is_refused_with_those_there_are(refused: Any) -> None:
    line = refused("formats", "wands")
    assert all(name in line for name in NAMES)
    assert "the name of one format" in refused("formats", "--example")


@pytest.mark.parametrize("name", NAMES)
def test_lines_keep_to_the_width_but_for_the_example(name: str) -> None:
    one = named(name)
    lines = lines_of(as_blocks(one), 100)
    n_example = len(one.example.rstrip("\n").split("\n"))
    assert all(len(line) <= 100 for line in lines[:-n_example])
