"""Typed values out of a table (a TOML table, the attributes of an HDF5 group), and the records that
tables describe.

Every value is checked where it is read, so that an error names the key, what it should hold and
what it holds.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from calib.core.camera import Lens
from calib.core.geometry import Array
from calib.core.names import check_name
from calib.core.wand import SINGLE_MARKER, CertifiedLength, Wand
from calib.errors import CalibError, InputError, did_you_mean

T = TypeVar("T")


MOST_NUMBER = 1e100  # what is larger is a slip, and its square no number
DECIMAL_POINT = "Write decimals with a point: 185.0, not 185,0."
AS_NUMBER = "Store it as a number; in TOML without quotes."
AS_TEXT = "Store it as text; in TOML in quotes."
LEAST_MM = 5.0  # of a wand: less is no wand to carry about, and more than any has in metres
MOST_WHOLE = 2**53  # up to which a double holds every whole number


@dataclass(frozen=True, slots=True)
class Item:
    """One key of a table: what it holds and means, and whether it must be there.

    ``kind`` is one that ``Fields.read`` knows, or says in words what another reader checks;
    ``shapes`` are those that "numbers" may have. The same items check a file and explain its
    format.
    """

    key: str
    kind: str
    meaning: str
    is_needed: bool = False
    shapes: tuple[tuple[int, ...], ...] = ()

    @property
    def holds(self) -> str:
        """What the key holds, in words."""
        return f"numbers, {_sizes(self.shapes)}" if self.shapes else self.kind


CAMERA = (
    Item("width", "whole number", "sensor, px", True),
    Item("height", "whole number", "sensor, px", True),
    Item("pixel_pitch_mm", "number", "size of a pixel, mm"),
    Item("focal_mm", "number", "what the zoom ring says, mm; may be off by a quarter"),
    Item(
        "K",
        "numbers",
        "measured lens: [[fx, 0, cx], [0, fy, cy], [0, 0, 1]], px; with dist",
        shapes=((3, 3),),
    ),
    Item(
        "dist",
        "numbers",
        "its distortion: k1, k2, p1, p2, k3 and perhaps k4, k5, k6, as OpenCV",
        shapes=((5,), (8,)),
    ),
    Item(
        "lens_sigma",
        "numbers",
        "how sure K and dist are: of fx, fy, cx, cy, then each of dist",
        shapes=((9,), (12,)),
    ),
    Item("serial", "text", "the camera's serial number, for the record"),
    Item("model", "text", "its make and model, for the record"),
)
WAND = (
    Item("name", "text", "what the wand is called; without it, the file's name"),
    Item("unit", "text", '"mm": lengths in this file are in millimetre', True),
    Item("sigma", "number", "standard uncertainty of each coordinate, mm; without it, 0"),
    Item("markers", "table", "a name and [x, y, z] in mm for each; their order numbers them", True),
    Item("certified", "tables", "lengths that a certificate states; they fix the scale"),
)
CERTIFIED = (
    Item("between", "names of two markers", "where the length begins and ends", True),
    Item("length", "number", "the certified length, mm", True),
    Item("sigma", "number", "its standard uncertainty, mm", True),
)


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """A table and the place it has in its file; reads raise InputError with that place.

    >>> Fields({"width": 2000}, "[cameras.cam01]").integer("width")
    2000
    """

    table: Mapping[str, Any]
    where: str = ""

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def place(self, key: str) -> str:
        """The place of a key, for an error."""
        return f"{self.where}: {key}" if self.where else key

    def refuse_unknown(self, items: Sequence[Item]) -> None:
        """Raise InputError that names the keys that are not among ``items``: most often a slip of
        the pen.
        """
        known = [item.key for item in items]
        unknown = [key for key in self.table if key not in known]
        if unknown:
            remedy = f"{did_you_mean(unknown[0], known)} Correct the spelling or remove it."
            needed = {item.key for item in items if item.is_needed}
            if not self.where and needed and not needed & set(self.table):
                remedy = "Name the right file, perhaps two are exchanged."
            raise InputError(
                self.where or "top level",
                expected=f"only the keys {', '.join(known)}",
                found=", ".join(unknown),
                remedy=remedy.strip(),
            )

    def optional(self, read: Callable[[str], T], key: str) -> T | None:
        """Return ``read(key)``, or None where the key is absent."""
        return read(key) if key in self.table else None

    def read(self, item: Item) -> Any:
        """Return what an item holds; None where it is absent and need not be there."""
        if item.key not in self.table and not item.is_needed:
            return None
        match item.kind:
            case "text" | "date":
                return self.text(item.key)
            case "number":
                return self.number(item.key)
            case "whole number":
                return self.integer(item.key)
            case "numbers":
                return self.array(item.key, *item.shapes)
            case "table":
                return self.tables(item.key)
            case "tables":
                return self.rows(item.key)
        raise ValueError(f"no kind {item.kind!r}")

    def read_all(self, items: Sequence[Item]) -> dict[str, Any]:
        """Return what all items hold, by key."""
        return {item.key: self.read(item) for item in items}

    def number(self, key: str) -> float:
        """Return a finite number."""
        value = self._value(key, "a number")
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not abs(value) < math.inf or abs(value) > MOST_NUMBER:
            to_do = AS_NUMBER if isinstance(value, str) else ""
            where, found = self.place(key), _shown(value)
            raise InputError(where, expected="a finite number", found=found, remedy=to_do)
        return float(value)

    def integer(self, key: str) -> int:
        """Return a whole number; one stored as a float, as some programs do, counts."""
        value = self._value(key, "a whole number")
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value // 1:
            raise InputError(self.place(key), expected="a whole number", found=_shown(value))
        if abs(value) > MOST_WHOLE:
            raise InputError(
                self.place(key), expected=f"a whole number up to {MOST_WHOLE}", found=_shown(value)
            )
        return int(value)

    def text(self, key: str) -> str:
        """Return text; a date comes out in ISO 8601."""
        value = self._value(key, "text")
        if hasattr(value, "isoformat"):
            return str(value.isoformat())
        if not isinstance(value, str):
            where, found = self.place(key), _shown(value)
            raise InputError(where, expected="text", found=found, remedy=AS_TEXT)
        return check_name(value, self.place(key))

    def array(self, key: str, *shapes: tuple[int, ...]) -> Array:
        """Return finite numbers in one of the shapes."""
        value = self._value(key, "numbers")
        expected = f"{_sizes(shapes)} finite numbers"
        try:
            array = np.asarray(value)
        except ValueError:  # rows of unequal length
            array = np.empty(0, dtype=object)
        if (
            array.dtype.kind not in "iuf"
            or array.shape not in shapes
            or not (np.abs(array) <= MOST_NUMBER).all()
        ):
            # 185,0 among them is two numbers to TOML
            is_long = array.dtype.kind in "iuf" and array.size > max(map(math.prod, shapes))
            has_whole = isinstance(value, list) and any(isinstance(v, int) for v in value)
            remedy = DECIMAL_POINT if is_long and has_whole else ""
            raise InputError(self.place(key), expected=expected, found=_shown(value), remedy=remedy)
        return array.astype(float)

    def tables(self, key: str) -> Mapping[str, Any]:
        """Return the table under a key."""
        value = self._value(key, "a table")
        if not isinstance(value, Mapping):
            raise InputError(self.place(key), expected="a table", found=_shown(value))
        return value

    def rows(self, key: str) -> list[Mapping[str, Any]]:
        """Return the list of tables under a key."""
        rows = self._value(key, "a list of tables")
        if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
            raise InputError(self.place(key), expected=f"[[{key}]] tables", found=_shown(rows))
        return rows

    def _value(self, key: str, kind: str) -> Any:
        if key not in self.table:
            raise InputError(
                self.place(key), expected=kind, found="nothing of that name", remedy=f"Add {key}."
            )
        value = self.table[key]
        if isinstance(value, np.ndarray | np.generic) and value.size == 1:
            value = value.item()
        return value.decode(errors="replace") if isinstance(value, bytes) else value


def camera_from_fields(fields: Fields) -> dict[str, Any]:
    """Return the arguments of CameraTracks that the items ``CAMERA`` state: sensor, lens, nominal
    zoom, labels.

    ``K`` and ``dist`` go together: distortion that nobody stated is not taken to be zero.
    """
    if ("K" in fields) != ("dist" in fields):
        has, lacks = ("K", "dist") if "K" in fields else ("dist", "K")
        raise InputError(
            fields.place(lacks),
            expected=f"{lacks} beside {has}",
            found=f"{has} alone",
            remedy="Add dist = [0, 0, 0, 0, 0] if the lens has no distortion."
            if has == "K"
            else "Add K, or remove dist and state focal_mm and pixel_pitch_mm.",
        )
    stated = fields.read_all(CAMERA)
    K, dist = stated.pop("K"), stated.pop("dist")
    try:
        lens = None if K is None else Lens.from_matrix(K, dist)
    except CalibError as error:
        raise error.inside(fields.where) from None
    return stated | {"lens": lens}


def wand_from_table(table: Mapping[str, Any], default_name: str) -> Wand:
    """Return the wand that a wand file's table states."""
    top = Fields(table)
    top.refuse_unknown(WAND)
    if table.get("unit") != "mm":
        raise InputError(
            "unit",
            expected='"mm"',
            found=_shown(table["unit"]) if "unit" in table else "nothing of that name",
            remedy='State every length in millimetre and unit = "mm".',
        )
    stated = top.read_all(WAND)
    markers = Fields(stated["markers"], "[markers]")
    names = tuple(markers.table)
    if len(names) < 2:
        raise InputError(
            "[markers]",
            expected="two or more markers",
            found=str(len(names)),
            remedy=SINGLE_MARKER if names else "",
        )
    points = np.array([markers.array(name, (3,)) for name in names]).reshape(-1, 3)
    certified = tuple(
        _certified(Fields(row, f"[[certified]] {i + 1}"), names)
        for i, row in enumerate(stated["certified"] or ())
    )
    wand = Wand(stated["name"] or default_name, names, points, stated["sigma"] or 0.0)
    if wand.span_mm < LEAST_MM:
        raise InputError(
            "[markers]",
            expected=f"lengths in mm, {LEAST_MM:g} mm or more between the outermost markers",
            found=f"{wand.span_mm:g} mm",
            remedy="These seem to be metres: give each in mm, as 500.0 for half a metre.",
        )
    return replace(wand, certified=certified)


def _certified(fields: Fields, markers: tuple[str, ...]) -> CertifiedLength:
    fields.refuse_unknown(CERTIFIED)
    between = fields.table.get("between")
    ends = between if isinstance(between, list) else []
    is_known = all(isinstance(end, str) and end in markers for end in ends)
    if len(ends) != 2 or not is_known or ends[0] == ends[1]:
        raise InputError(
            fields.place("between"),
            expected=f"two of the markers {', '.join(markers)}",
            found=_shown(between),
        )
    i, j = (markers.index(end) for end in ends)
    return CertifiedLength(i, j, fields.number("length"), fields.number("sigma"))


def wand_as_toml(wand: Wand) -> str:
    """Return the text of a wand file; ``wand_from_table`` reads every number back to the bit."""
    return as_toml({key: value for key, value in wand_table(wand).items() if value != []})


def wand_table(wand: Wand, unit: str = "mm", scale: float = 1.0) -> dict[str, Any]:
    """Return a wand with the keys of a wand file, its lengths times a scale in another unit."""
    names = wand.markers
    return {
        "name": wand.name,
        "unit": unit,
        "sigma": scale * float(wand.sigma_mm),
        "markers": dict(zip(names, (scale * wand.points_mm).tolist(), strict=True)),
        "certified": [
            {
                "between": [names[c.i], names[c.j]],
                "length": scale * float(c.length_mm),
                "sigma": scale * float(c.sigma_mm),
            }
            for c in wand.certified
        ],
    }


def _sizes(shapes: Sequence[tuple[int, ...]]) -> str:
    return " or ".join(" × ".join(map(str, shape)) for shape in shapes)


def as_toml(table: Mapping[str, Any]) -> str:
    """Return a table as TOML: plain values, tables by users' names, tables of such by users'
    names, lists of tables with keys of ours.

    Empty tables are left out.

    >>> print(as_toml({"rate": 25.0, "slip": {"cam 1": 2}, "knock": [{"camera": "cam 2"}]}), end="")
    rate = 25.0
    <BLANKLINE>
    [slip]
    "cam 1" = 2
    <BLANKLINE>
    [[knock]]
    camera = "cam 2"
    """
    lines: list[str] = []
    sections: list[str] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            sections += _section(key, value)
            for name, own in value.items():
                sections += _section(f"{key}.{_key(name)}", own)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for row in value:
                sections += ["", f"[[{key}]]", *(f"{name} = {_toml(v)}" for name, v in row.items())]
        else:
            lines.append(f"{key} = {_toml(value)}")
    return "\n".join([*lines, *sections]) + "\n"


def _section(heading: str, table: Any) -> list[str]:
    """The lines of a table but for tables in it; none of what is no table, or has no such lines."""
    if not isinstance(table, Mapping):
        return []
    rows = [f"{_key(name)} = {_toml(v)}" for name, v in table.items() if not isinstance(v, Mapping)]
    return ["", f"[{heading}]", *rows] if rows else []


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return _quoted(value) if isinstance(value, str) else repr(value)


def _key(name: str) -> str:
    """A key, quoted where TOML wants it so."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)


def _quoted(text: str) -> str:
    """A string or a quoted key in TOML, whose escapes are those of JSON but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _shown(value: Any) -> str:
    """A value in an error: on one line and not longer than a line."""
    text = " ".join(repr(value.tolist() if isinstance(value, np.ndarray) else value).split())
    return "nothing" if value is None else text if len(text) <= 80 else f"{text[:77]}..."
