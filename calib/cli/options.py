"""Arguments and options that several commands share, so that they read the same everywhere."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from calib.cli.help import argument, option
from calib.errors import InputError

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
