"""Wands, camera lists, image lists and scenarios in TOML, tables in CSV, and bytes of any file."""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from calib.core.fields import wand_as_toml, wand_from_table
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import CalibError, InputError, did_you_mean
from calib.intake.centroids.names import ImageList
from calib.intake.table import CameraList, tracks_from_csv
from calib.outputs import write_text
from calib.plan.records import Plan
from calib.plan.table import plan_as_toml, plan_from_table

T = TypeVar("T")
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
    return inside(path, wand_from_table, load_toml(path, "a wand file (TOML)"), Path(path).stem)


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
    return inside(path, plan_from_table, load_toml(path, "a plan file (TOML)"), Path(path).stem)


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
    camera_list = inside(cameras, CameraList.from_table, load_toml(cameras, "a camera list (TOML)"))
    text = read_text(table, "a table (CSV)")
    return inside(table, tracks_from_csv, text, camera_list, drop_outside)


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
    return inside(path, ImageList.from_table, load_toml(path, "an image list (TOML)"))


def load_scenario(path: PathLike, parse: Callable[[dict[str, Any]], T]) -> T:
    """Return ``parse(table)`` of a scenario file."""
    return inside(path, parse, load_toml(path, "a scenario (TOML)"))


def read_text(path: PathLike, kind: str = "a text file") -> str:
    """Return the text (UTF-8) of a file."""
    try:
        data = read_bytes(path, kind)
        if data.startswith(b"\x89HDF"):
            raise InputError(
                str(path),
                expected=kind,
                found="an HDF5 file",
                remedy="Name the right file, perhaps two are exchanged.",
            )
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            str(path),
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
            stat = os.fstat(stream.fileno())
            if not stat.st_size:
                raise InputError(str(path), expected="a file", found="an empty file")
            found = hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise unreadable(path, "a file", error) from None
    return found, stat.st_ino, stat.st_mtime_ns


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
    text = read_text(path, kind)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # of syntax, or a number of too many digits
        raise InputError(
            str(path),
            expected=f"{kind}",
            found=str(error),
            remedy="Correct the syntax at that place.",
        ) from None


def inside(path: PathLike, parse: Callable[..., T], *arguments: Any) -> T:
    """Return ``parse(*arguments)``, its errors with the file's name."""
    try:
        return parse(*arguments)
    except CalibError as error:
        raise error.inside(str(path)) from None


def read_bytes(path: PathLike, kind: str) -> bytes:
    try:
        data = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        raise unreadable(path, kind, error) from None
    if not data:
        raise InputError(str(path), expected=kind, found="an empty file")
    return data


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
