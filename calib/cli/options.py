"""Arguments and options that several commands share, so that they read the same everywhere."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, TypeVar

from calib.cli.help import argument, option
from calib.errors import InputError

R = TypeVar("R", bound=Sequence[str])
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


def cameras_in(flag: str, given: Sequence[str], names: Sequence[str]) -> list[str]:
    """Return the cameras of an option that takes CAM[,CAM] and may be repeated: a camera's exact
    name goes before the comma, and of several the names are those that the capture has.

    >>> cameras_in("--only", ["a,b,c", "a,b"], ["a,b", "b", "c"])
    ['a,b', 'c', 'a,b']
    """
    out: list[str] = []
    for text in given:
        if text.strip() in names:
            out.append(text.strip())
            continue
        parts = text.split(",")
        read = only_one(flag, text, _listings(parts, names))
        out += read if read else [name for part in parts if (name := part.strip())]
    return out


def camera_pair(flag: str, text: str, names: Sequence[str]) -> tuple[str, str]:
    """Return CAM=CAM as it was to as it should be, where the first is a camera of the capture.

    >>> camera_pair("--rename", "a=b=c", ["a=b", "c"])
    ('a=b', 'c')
    """
    pairs = halves(text, "=")
    if not pairs:
        raise InputError(flag, expected="CAM=CAM, as cam03=cam04", found=repr(text))
    known = [pair for pair in pairs if pair[0] in names]
    within = [pair for pair in known if pair[1] in names]
    return only_one(flag, text, within or known, " to ") or pairs[0]


def halves(text: str, sign: str) -> list[tuple[str, str]]:
    """Return the ways to part a text in two names at a sign."""
    at = [k for k, letter in enumerate(text) if letter == sign]
    pairs = [(text[:k].strip(), text[k + 1 :].strip()) for k in at]
    return [(first, second) for first, second in pairs if first and second]


def _listings(parts: Sequence[str], names: Sequence[str]) -> list[list[str]]:
    """Return the ways, two at most, in which parts between commas are cameras' names."""
    if not parts:
        return [[]]
    out: list[list[str]] = []
    for k in range(1, len(parts) + 1):
        name = ",".join(parts[:k]).strip()
        if name in names or (not name and k == 1):
            out += [[name] * bool(name) + rest for rest in _listings(parts[k:], names)]
    return out[:2]


def only_one(flag: str, text: str, readings: Sequence[R], between: str = " and ") -> R | None:
    """Return the one reading of a text, None where it has none; InputError where it has more."""
    if len(readings) > 1:
        told = [between.join(map(repr, reading)) for reading in readings]
        raise InputError(
            flag,
            expected="names that can be read in one way",
            found=f"{text!r}: {', or '.join(told)}",
            remedy="Rename a camera first (calib select --rename), or give each name on its own.",
        )
    return readings[0] if readings else None


PAGE = (".html", ".htm")


def check_ending(flag: str, path: Path | None, endings: Sequence[str] = PAGE) -> None:
    """Refuse the name of an output that does not say its format; by default it is to be a page."""
    if path is not None and path.suffix.lower() not in endings:
        raise InputError(
            f"{flag}: {path}",
            expected=f"a name that ends in {' or '.join(endings)}",
            found=path.suffix or "no ending",
            remedy="Choose the format by the ending.",
        )


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
