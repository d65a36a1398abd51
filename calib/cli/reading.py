"""What a command reads, and what it says of where that came from."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from calib.core.names import visible
from calib.errors import CalibError

if TYPE_CHECKING:
    from calib.core.tracks import Tracks
    from calib.core.wand import Wand

T = TypeVar("T")


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
def inside(path: Path, **files: Path) -> Iterator[None]:
    """Give the errors of a block the name of the file that they are about, and the commands of
    their remedies those of ``files``.
    """
    try:
        yield
    except CalibError as error:
        from calib.report.words import filled

        error.remedy = filled(error.remedy, {name: str(file) for name, file in files.items()})
        if f"{error.where}:".startswith(f"{path}:"):  # who reads a file names it
            raise
        raise error.inside(str(path)) from None
