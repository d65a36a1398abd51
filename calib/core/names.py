"""Names that people give to cameras, markers and files: which are allowed, how any is shown; and
their counts.
"""

from __future__ import annotations

import re
import shlex
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Protocol, TypeVar

from calib.errors import InputError, did_you_mean

# Control characters, invisible ones that change how a line is laid out, halves of a character, and
# ends of lines (Unicode Standard, general categories).
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def is_unseen(character: str) -> bool:
    """Return whether a character has no place in a name, as it cannot be seen."""
    return not character.isprintable() and unicodedata.category(character) in _UNSEEN


class Named(Protocol):
    """What bears a camera's name."""

    @property
    def name(self) -> str: ...


N = TypeVar("N", bound=Named)


def camera_named(cameras: Sequence[N], name: str) -> N:
    """Return the camera of that name, or raise InputError with the names there are."""
    for camera in cameras:
        if camera.name == name:
            return camera
    names = [c.name for c in cameras]
    raise InputError(
        "camera",
        expected=f"one of {listed(names)}",
        found=repr(name),
        remedy=did_you_mean(name, names),
    )


def check_name(name: str, where: str) -> str:
    """Return a name; InputError where it holds what cannot be seen: it would pass for another, or
    garble a terminal or a file.
    """
    if any(map(is_unseen, name)):
        raise InputError(
            where,
            expected="a name without control or invisible characters",
            found=visible(name),
            remedy="Take them out.",
        )
    return name


def check_date(text: str | None, where: str) -> None:
    """Raise InputError for a text that is no date of ISO 8601; days and months may be missing.

    >>> check_date("2031-05", "date"), check_date("20310506T0708Z", "date")
    (None, None)
    """
    if text is None or re.fullmatch(r"\d{4}(-(0[1-9]|1[0-2]))?", str(text), re.ASCII):
        return
    try:
        datetime.fromisoformat(text)
    except (ValueError, TypeError):
        raise InputError(
            where,
            expected="a date of ISO 8601",
            found=repr(text),
            remedy="Write it as 2031-05-06 or 2031-05-06T07:08:09+00:00, or leave it out.",
        ) from None


def numbers_in(text: str) -> list[float]:
    """Return the numbers of a list with commas; none where a part of it is no number.

    >>> numbers_in("1, -2.5"), numbers_in("1,x")
    ([1.0, -2.5], [])
    """
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        return []


def listed(names: Iterable[str], most: int = 8) -> str:
    """Return names as one readable phrase: of more than ``most``, and one more that may as well be
    named, the ends, where they count on, else the first few.

    >>> listed(["cam01", "cam02", "cam03"]), listed(["a", "b", "c", "d"], most=2)
    ('cam01, cam02 and cam03', 'a, b and 2 more')
    >>> listed([f"cam{k:03d}" for k in range(1, 201)])
    'cam001 to cam200 (200)'
    """
    names = list(names)
    if len(names) > most and _count_on(names):
        return f"{names[0]} to {names[-1]} ({len(names)})"
    if len(names) > most + 1:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def counted(n: int, noun: str) -> str:
    """Return a number with its noun.

    >>> counted(1, "camera"), counted(3, "camera")
    ('1 camera', '3 cameras')
    """
    return f"{n} {noun}{'' if n == 1 else 's'}"


def larger(share: float) -> str:
    """Return how much larger or smaller something is.

    >>> larger(0.000462), larger(-0.02)
    ('0.046% larger', '2.000% smaller')
    """
    return f"{abs(share):.3%} {'larger' if share > 0 else 'smaller'}"


def all_of(n: int, noun: str) -> str:
    """Return all of some things in words.

    >>> all_of(2, "camera"), all_of(3, "camera")
    ('both cameras', 'all 3 cameras')
    """
    return f"both {noun}s" if n == 2 else f"all {counted(n, noun)}"


def _count_on(names: list[str]) -> bool:
    """Return whether names end in numbers that follow one another."""
    parts = [re.fullmatch(r"(.*?)(\d+)", name, re.ASCII | re.DOTALL) for name in names]
    stems = {(m[1], int(m[2]) - k) for k, m in enumerate(parts) if m}
    return len(stems) == 1 and all(parts)


def visible(text: str) -> str:
    r"""Return a text with what cannot be seen escaped, as in ``repr``.

    >>> print(visible("cam\n1 \x1b[2J"))
    cam\n1 \x1b[2J
    """
    if text.isprintable():
        return text
    return "".join(repr(c)[1:-1] if is_unseen(c) else c for c in text)


def command(*words: str) -> str:
    """Return a command as a shell takes it: names with spaces and the like are quoted.

    >>> print(command("describe", "hall 2/rig.h5"))
    calib describe 'hall 2/rig.h5'
    """
    return shlex.join(["calib", *words])


def renaming(ring: Sequence[str]) -> str:
    """Return the command that puts cameras' names right; the points under each name of the ring are
    the next one's.

    >>> print(renaming(["a", "b"]))
    calib select TRACKS --rename a=b --rename b=a -o NEW
    """
    pairs = zip(ring, [*ring[1:], ring[0]], strict=True)
    renames = (word for name, to in pairs for word in ("--rename", f"{name}={to}"))
    return command("select", "TRACKS", *renames, "-o", "NEW")
