"""Wands, camera lists, image lists and scenarios in TOML, tables in CSV, and bytes of any file."""

from __future__ import annotations

import hashlib
import os
import re
import stat
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from typing import Any, TypeVar

from calib import guard
from calib.core.fields import DECIMAL_POINT, wand_as_toml, wand_from_table
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import CalibError, InputError, did_you_mean
from calib.intake.centroids.names import ImageList
from calib.intake.table import CameraList, tracks_from_csv
from calib.outputs import write_text
from calib.plan.records import Plan
from calib.plan.table import plan_as_toml, plan_from_table

T = TypeVar("T")
# A text is refused before it is taken apart: columns without end take all memory, and keys of many
# parts the square of a line's length. Within these limits a TOML file takes 1.2 GB at most.
MOST_LINE = 1000  # bytes
MOST_TOML = 1_000_000  # bytes: some 4,000 cameras
ROW_BYTES = 50  # of a table's usual row
DECIMAL_COMMA = re.compile(r"=\s*[-+]?\d+,\d")
PathLike = str | os.PathLike[str]


def load_wand(path: PathLike) -> Wand:
    """Return the wand of a wand file (TOML).

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    Wand
        Markers in mm, with the lengths that a certificate states.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    table = load_toml(path, "a wand file (TOML)")
    return inside(path, "wand", wand_from_table, table, Path(path).stem)


def save_wand(wand: Wand, path: PathLike, overwrite: bool = False) -> None:
    """Write a wand file (TOML).

    The file appears whole or not at all.

    Parameters
    ----------
    wand : Wand
        What to write.
    path : str or path
        The file to write.
    overwrite : bool
        Whether a file that is there may be replaced.

    Returns
    -------
    None

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    write_text(path, wand_as_toml(wand), overwrite)


def load_plan(path: PathLike) -> Plan:
    """Return the plan of a plan file (TOML).

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    Plan
        Volume, need and where cameras are to hang.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    table = load_toml(path, "a plan file (TOML)")
    return inside(path, "plan", plan_from_table, table, Path(path).stem)


def save_plan(plan: Plan, path: PathLike, overwrite: bool = False) -> None:
    """Write a plan file (TOML).

    The file appears whole or not at all.

    Parameters
    ----------
    plan : Plan
        What to write.
    path : str or path
        The file to write.
    overwrite : bool
        Whether a file that is there may be replaced.

    Returns
    -------
    None

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    write_text(path, plan_as_toml(plan), overwrite)


def load_cameras(path: PathLike) -> CameraList:
    """Return a camera list (TOML).

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    CameraList
        Rate, sensors and lenses.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    return inside(path, "cameras", CameraList.from_table, load_toml(path, "a camera list (TOML)"))


def load_table(table: PathLike, cameras: PathLike, drop_outside: bool = False) -> Tracks:
    """Return the capture of a table of points (CSV) and its camera list (TOML).

    Parameters
    ----------
    table : str or path
        Columns camera, frame, x, y and optionally marker, radius.
    cameras : str or path
        Rate, sensors and lenses.
    drop_outside : bool
        Leave points outside their sensors out and count them, up to a tenth of a camera's.

    Returns
    -------
    Tracks
        The capture.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    camera_list = load_cameras(cameras)
    rows = lines(table, "a table (CSV)", guard.most_points.get() * ROW_BYTES)
    return inside(table, "table", tracks_from_csv, rows, camera_list, drop_outside)


def load_image_list(path: PathLike) -> ImageList:
    """Return what an image list (TOML) says of image files.

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    ImageList
        Rate, pattern of file names, sensors and lenses.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    return inside(path, "images", ImageList.from_table, load_toml(path, "an image list (TOML)"))


def load_scenario(path: PathLike, parse: Callable[[dict[str, Any]], T]) -> T:
    """Return ``parse(table)`` of a scenario file."""
    return inside(path, "scenario", parse, load_toml(path, "a scenario (TOML)"))


def lines(path: PathLike, kind: str, most_bytes: int) -> Iterator[str]:
    """Return the lines of a text (UTF-8), with their ends, one by one; from them comes InputError,
    without the file's name, where one is too long, all of them are, or one is no text.
    """
    stream = nonempty(path, kind)
    if not stream.peek().startswith(b"\x89HDF"):
        return _lines(stream, kind, most_bytes)
    stream.close()
    raise InputError(
        str(path),
        expected=kind,
        found="an HDF5 file",
        remedy="Name the right file, perhaps two are exchanged.",
    )


def _lines(stream: BufferedReader, kind: str, most_bytes: int) -> Iterator[str]:
    left = most_bytes
    with stream:
        for number, line in enumerate(iter(lambda: stream.readline(MOST_LINE + 1), b""), 1):
            left -= len(line)
            if len(line) > MOST_LINE or left < 0:
                most = f"{MOST_LINE} bytes a line"
                remedy = "Break it into shorter lines; a table has one row a line."
                if left < 0:
                    most = f"{most_bytes} bytes"
                    remedy = "Take a part; calib --max-points N COMMAND allows more points."
                raise InputError(
                    f"line {number}",
                    expected=f"{kind} of at most {most}",
                    found="more",
                    remedy=remedy,
                )
            try:
                yield line.decode("utf-8-sig" if number == 1 else "utf-8")
            except UnicodeDecodeError as error:
                raise InputError(
                    f"line {number}",
                    expected=f"{kind} in UTF-8",
                    found=f"byte 0x{error.object[error.start]:02x} at {error.start}",
                    remedy="Save it as UTF-8 text.",
                ) from None


def sha256(path: PathLike) -> str:
    """Return the SHA-256 of a file in hexadecimal."""
    return _state(path)[0]


def _state(path: PathLike) -> tuple[str, int, int]:
    """Return the SHA-256 of a file, which file of the system it is, and when it was changed."""
    try:
        with Path(path).open("rb") as stream:
            info = os.fstat(stream.fileno())
            if not stat.S_ISREG(info.st_mode):
                raise InputError(
                    str(path),
                    expected="an ordinary file",
                    found="a device or pipe",
                    remedy="Write what it holds to a file first.",
                )
            if not info.st_size:
                raise empty(path, "a file")
            found = hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise unreadable(path, "a file", error) from None
    return found, info.st_ino, info.st_mtime_ns


def with_sha256(load: Callable[[Path], T], path: Path) -> tuple[T, str]:
    """Return what ``load`` reads of a file, and the SHA-256 of just these bytes; InputError where
    the file changes meanwhile.
    """
    with unchanged(path) as found:
        return load(path), found


@contextmanager
def unchanged(path: PathLike) -> Iterator[str]:
    """Yield the SHA-256 of a file that is read in the block; InputError at its end where the file
    has been changed or replaced meanwhile.
    """
    before = _state(path)
    yield before[0]
    if _state(path) != before:
        raise InputError(
            str(path),
            expected="a file that stays as it is",
            found="one that changed while it was read",
            remedy="Wait until it is written, then run this again.",
        )


def load_toml(path: PathLike, kind: str) -> dict[str, Any]:
    """Return the table of a TOML file."""
    rows = lines(path, kind, MOST_TOML)
    try:
        text = "".join(rows)
    except InputError as error:
        raise error.inside(str(path)) from None
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # of syntax, or a number of too many digits
        found, remedy = str(error), "Correct the syntax at that place, or name the right file."
        at = re.search(r"\(at line (\d+),", found)
        line = text.split("\n")[int(at[1]) - 1].strip() if at else ""
        if DECIMAL_COMMA.search(line):
            found, remedy = f"a comma within a number: {line[:80]}", DECIMAL_POINT
        raise InputError(str(path), expected=kind, found=found, remedy=remedy) from None


def inside(path: PathLike, form: str, parse: Callable[..., T], *arguments: Any) -> T:
    """Return ``parse(*arguments)``, its errors with the file's name and where its format, ``form``,
    is explained.
    """
    try:
        return parse(*arguments)
    except CalibError as error:
        raise error.inside(str(path), explained(form)) from None


def explained(form: str) -> str:
    """Return what to do about a file whose error says no more: read of its format."""
    return f"What belongs there: calib formats {form}"


def nonempty(path: PathLike, kind: str) -> BufferedReader:
    """Open a file that holds something."""
    try:
        stream = Path(path).open("rb")  # noqa: SIM115 - for its reader
        if stream.peek():
            return stream
    except (OSError, ValueError) as error:
        raise unreadable(path, kind, error) from None
    stream.close()
    raise empty(path, kind)


def empty(path: PathLike, kind: str) -> InputError:
    """Return the error of a file that holds nothing."""
    remedy = "Write, record or copy it again."
    return InputError(str(path), expected=kind, found="an empty file", remedy=remedy)


def _near(path: Path) -> str:
    """Return the file of the same folder that was likely meant, as a question."""
    try:
        name = did_you_mean(path.name, os.listdir(path.parent))
    except OSError:
        return ""
    return name.replace("mean ", f"mean {path.parent}{os.sep}", 1) if path.parent.name else name


def unreadable(path: PathLike, kind: str, error: OSError | ValueError) -> InputError:
    found, remedy = getattr(error, "strerror", None) or str(error), "Check the path."
    if isinstance(error, FileNotFoundError):
        found, remedy = "no such file", _near(Path(path)) or remedy
    elif isinstance(error, IsADirectoryError):
        found, remedy = "a folder", "Name the file in it."
    elif isinstance(error, PermissionError):
        found, remedy = "a file that may not be read", "Change its permissions."
    return InputError(str(path), expected=kind, found=found, remedy=remedy)
