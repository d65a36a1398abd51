"""Arguments and options that several commands share, so that they read the same everywhere."""

# ruff: noqa: PLC0415 - what loads SciPy, OpenCV or HDF5 waits for the command that needs it: --help
# is quick

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from calib.cli.help import argument, option
from calib.core.names import visible
from calib.errors import CalibError, InputError

if TYPE_CHECKING:
    from calib.core.tracks import Tracks
    from calib.core.wand import Wand

T = TypeVar("T")
TracksFile = Annotated[Path, argument("TRACKS", "Tracks file (HDF5).", show_default=False)]
RigFile = Annotated[Path, argument("RIG", "Rig file (HDF5).", show_default=False)]
WandFile = Annotated[Path, option("--wand WAND", "Wand file (TOML).", show_default=False)]
DropOutside = Annotated[
    bool,
    option(
        "--drop-outside", "Go on without points outside the sensor, up to a tenth of a camera's."
    ),
]
Force = Annotated[bool, option("--force", "Overwrite existing output.")]
Explain = Annotated[
    bool, option("--explain", "Also say what the figures mean and how they came about.")
]
AsJson = Annotated[bool, option("--json", "Print one JSON document instead of tables.")]


def check_page(asked: str, path: Path | None) -> None:
    """Refuse the name of a page that is none."""
    if path is not None and path.suffix.lower() not in {".html", ".htm"}:
        raise InputError(
            f"{asked}: {path}",
            expected="a name that ends in .html, a page of charts",
            found=path.suffix or "no ending",
            remedy="Choose another name.",
        )


def load_capture(tracks: Path, wand: Path, drop_outside: bool = False) -> tuple[Tracks, Wand]:
    """Return a capture and its wand, which must have the markers that the capture names."""
    import calib

    capture, stated = calib.load_tracks(tracks, drop_outside), calib.load_wand(wand)
    with inside(tracks):
        capture.check_markers(len(stated.markers))
    return capture, stated


def provenance(command: str, **facts: Any) -> dict[str, Any]:
    """Return what a rig file keeps of how it was made: tool, version, command, time, and what the
    command adds.
    """
    import calib

    now = datetime.now(UTC).isoformat(timespec="seconds")
    return {"tool": "calib", "version": calib.__version__, "command": command, "time": now} | facts


@contextmanager
def inside(path: Path) -> Iterator[None]:
    """Give the errors of a block the name of the file that they are about."""
    try:
        yield
    except CalibError as error:
        raise error.inside(str(path)) from None


def frame_range(text: str | None) -> tuple[int | None, int | None]:
    """Return the first and the last frame of FIRST-LAST; numbers may be negative.

    >>> frame_range("100-2000"), frame_range("-5-10"), frame_range("100-")
    ((100, 2000), (-5, 10), (100, None))
    """
    if text is None:
        return None, None
    match = re.fullmatch(r"\s*(-?\d{1,18})?\s*-\s*(-?\d{1,18})?\s*", text, re.ASCII)
    first, last = (None if m is None else int(m) for m in match.groups()) if match else (None,) * 2
    if first is None and last is None:
        raise InputError("--frames", expected="FIRST-LAST, as 100-2000", found=repr(text))
    if first is not None and last is not None and first > last:
        raise InputError("--frames", expected="a first frame before the last", found=repr(text))
    return first, last


def loaded(load: Callable[[Path], T], path: Path) -> tuple[T, dict[str, str]]:
    """Return what ``load`` reads of a file, and where it came from, as a provenance has it."""
    from calib import files

    found, sha256 = files.with_sha256(load, path)
    return found, read_from(path, sha256)


def read_from(path: Path, sha256: str) -> dict[str, str]:
    """Return what a file keeps of another that it was made from: its name and its SHA-256."""
    return {"file": file_name(path), "sha256": sha256}


def file_name(path: Path) -> str:
    """Return a file's name as text that any file can hold; bytes that are no text are escaped."""
    return visible(os.fsencode(path.name).decode("utf-8", "backslashreplace"))
