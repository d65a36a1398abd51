"""Words, sentences and plain values that several reports share."""

from __future__ import annotations

import math
import re
import shlex
import textwrap
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from calib.core.names import listed

CAUTION = (
    "Before anyone goes up to an overhead camera: clear the floor below, have the ladder held, "
    "keep the camera on its safety tether, switch the strobes off and look into none. The site's "
    "rules and its licensed riggers come first."
)

RMS = "sqrt(mean(dx² + dy²)) over a camera's points"  # as OpenCV counts it

OVERHEAD = (
    "At a camera that moved, check mount, clamp and safety tether before anything else; it may be "
    "about to come down: keep people from under it."
)

RIGGING = (
    "Before anything hangs overhead: the truss must carry it, every camera and lens has a second "
    "tether, nobody stands below, ladders are held. How bright strobes may be to eyes is for IEC "
    "62471 and who is qualified to read it. Local codes and licensed riggers decide, not a plan."
)

# A command within a text: its words are quoted, in capitals, options with what follows, or hold a
# point, a slash, a digit or the like, as names of files and cameras do; prose goes on in words of
# small letters, or after a comma or a full stop.
COMMAND = re.compile(
    r"\bcalib [a-z]+(?:(?<![.,;:?)]) (?:'[^']*'\S*|--?[a-z][\w-]*(?<![.,;:]) (?!-)\S+"
    r"|--?[a-z][\w-]*\S*|\S*[A-Z./=\d_]\S*))*"
)
JOINT = "\0"  # in place of the spaces of a command while lines are filled; no text holds it


def plain(value: Any) -> Any:
    """Return ``value`` as JSON can hold it: lists for tuples and arrays, None for numbers that do
    not exist.

    >>> plain({"a": (1, float("nan")), "b": np.arange(2)})
    {'a': [1, None], 'b': [0, 1]}
    """
    if isinstance(value, dict):
        return {str(key): plain(v) for key, v in value.items()}
    if isinstance(value, (tuple, list)):
        return [plain(v) for v in value]
    if isinstance(value, (np.ndarray, np.generic)):
        return plain(value.tolist())
    if isinstance(value, str):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def picked(of: object, *names: str) -> dict[str, Any]:
    """Return some of a record's values under their own names.

    >>> picked(1 + 2j, "real", "imag")
    {'real': 1.0, 'imag': 2.0}
    """
    return {name: getattr(of, name) for name in names}


def document(value: dict[str, Any]) -> dict[str, Any]:
    """Return a table as JSON can hold it; see ``plain``."""
    return {str(key): plain(v) for key, v in value.items()}


def printable(text: str) -> str:
    """Return text on one line, a space for each character that does not print."""
    return "".join(c if c.isprintable() else " " for c in text)


def escaped(text: str) -> str:
    """Return text as HTML shows it: nothing in it is taken for markup.

    >>> escaped("<b> & \\"c\\"")
    '&lt;b&gt; &amp; &quot;c&quot;'
    """
    return escape(printable(text))


def ended(text: str) -> str:
    """Return text with a full stop, but for a command, which would take it for part of a name.

    >>> ended("look at its mount"), ended("see what moved: calib recheck RIG TRACKS")
    ('look at its mount.', 'see what moved: calib recheck RIG TRACKS')
    """
    *_, last = ("", *(found[0] for found in COMMAND.finditer(text)))
    is_command = last.count(" ") > 1 and text.endswith(last)
    return text if is_command or text.endswith((".", "?")) else f"{text}."


def filled(text: str, files: Mapping[str, str]) -> str:
    """Return text whose commands name files instead of what stands for them.

    >>> filled("RIG and TRACKS: calib recheck RIG TRACKS -o NEW_RIG", {"RIG": "my rig.h5"})
    "RIG and TRACKS: calib recheck 'my rig.h5' TRACKS -o NEW_RIG"
    """
    if not files:
        return text
    stands_for = re.compile(rf"(?<= )({'|'.join(files)})(?![\w=])")
    return COMMAND.sub(
        lambda found: stands_for.sub(lambda one: shlex.quote(files[one[0]]), found[0]), text
    )


def by_fault(faults: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the cameras that have each fault, by name what each has, and the fault.

    >>> by_fault({"cam01": ["noise only"], "cam02": ["sways"], "cam03": ["sways"]})
    ['cam01: noise only', 'cam02 and cam03: sways']
    """
    of: dict[str, list[str]] = {}
    for name, own in faults.items():
        for fault in own:
            of.setdefault(fault, []).append(name)
    return [f"{listed(names)}: {fault}" for fault, names in of.items()]


def sentence(text: str) -> str:
    """Return text with a capital and a full stop; not for what begins with a camera's name.

    >>> sentence("wave again")
    'Wave again.'
    """
    return ended(f"{text[:1].upper()}{text[1:]}")


def wrapped(text: str, width: int | None, label: str = "") -> list[str]:
    """Return text after its label in lines of at most ``width``, the later ones indented as far;
    a command is never broken, however long, so that it can be copied.

    >>> wrapped("Solve anew: calib solve WAVE --wand WAND -o NEW_RIG. Then align.", 40)
    ['Solve anew:', 'calib solve WAVE --wand WAND -o NEW_RIG.', 'Then align.']
    """
    if width is None:
        return [label + text]
    lines = textwrap.wrap(
        COMMAND.sub(lambda found: found[0].replace(" ", JOINT), text),
        max(width, 40),
        initial_indent=label,
        subsequent_indent=" " * len(label),
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace(JOINT, " ") for line in lines]
