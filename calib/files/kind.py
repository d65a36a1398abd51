"""What kind of file a file is, by what it holds and not by its name."""

from __future__ import annotations

import os
from codecs import getincrementaldecoder

import h5py

from calib import guard
from calib.core.fields import WAND
from calib.core.layout import POINT_TABLE
from calib.errors import InputError
from calib.files.hdf5 import attributes
from calib.files.text import MOST_LINE, PathLike, load_toml, nonempty
from calib.intake.table import REQUIRED

KINDS = "a tracks, rig, points, wand or plan file, a camera list, an image list or a scenario"
_OWN_KEYS = {item.key for item in WAND} - {"name", "sigma"}  # what only a wand has


def kind_of(path: PathLike) -> str:
    """Return "tracks", "rig", "points", "wand", "plan", "cameras", "images" or "scenario".

    What it holds is not checked beyond that; InputError where the file is none of them.
    """
    with nonempty(path, KINDS) as stream:
        head = stream.read(MOST_LINE)
    if h5py.is_hdf5(os.fspath(path)):
        return _hdf5_kind(path)
    header = head.partition(b"\n")[0].decode("utf-8", "replace").strip("\ufeff\r ")
    if header.split(",") == [item.key for item in POINT_TABLE]:
        return "points"
    if set(REQUIRED) <= {name.strip() for name in header.split(",")}:
        raise InputError(
            str(path),
            expected=KINDS,
            found="a table (CSV) of points",
            remedy="calib import makes a tracks file of it.",
        )
    table = load_toml(path, KINDS) if _is_text(head) else {}
    if _OWN_KEYS & set(table):
        return "wand"
    if "volume" in table:
        return "plan"
    if {"frame_rate", "file_names", "cameras"} & set(table):
        cameras = table.get("cameras")
        rows = list(cameras.values()) if isinstance(cameras, dict) else []
        has_sensors = all(isinstance(r, dict) and {"width", "height"} <= set(r) for r in rows)
        return "cameras" if rows and has_sensors and "file_names" not in table else "images"
    if table:
        return "scenario"
    raise InputError(
        str(path),
        expected=KINDS,
        found="something else",
        remedy="calib formats lists what there is.",
    )


def _hdf5_kind(path: PathLike) -> str:
    guard.check(path, KINDS)
    try:
        with h5py.File(path, "r") as file:
            top = attributes(file)
            found = top.text("format") if "format" in top else "nothing"
    except OSError as error:
        raise InputError(
            str(path),
            expected=KINDS,
            found=f"a damaged or cut-off file ({error})",
            remedy="Copy or make it again.",
        ) from None
    kind = found.removeprefix("calib.")
    if kind not in {"tracks", "rig", "points"}:
        raise InputError(
            f"{path}: format",
            expected="calib.tracks, calib.rig or calib.points",
            found=found,
            remedy="calib formats lists what there is.",
        )
    return kind


def _is_text(head: bytes) -> bool:
    """Return whether a file may be text, by its first bytes; they may end within a character."""
    try:
        return "\0" not in getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return False
