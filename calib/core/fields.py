"""Typed values out of a table (a TOML table, the attributes of an HDF5 group), and the records that
tables describe.

Every value is checked where it is read, so that an error names the key, what it should hold and
what it holds.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from calib.core.camera import Lens
from calib.core.geometry import Array
from calib.core.wand import CertifiedLength, Wand
from calib.errors import CalibError, InputError

T = TypeVar("T")

CAMERA_KEYS = (
    "width",
    "height",
    "pixel_pitch_mm",
    "focal_mm",
    "K",
    "dist",
    "lens_sigma",
    "serial",
    "model",
)
_WAND_KEYS = ("name", "unit", "sigma", "markers", "certified")
_CERTIFIED_KEYS = ("between", "length", "sigma")


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """A table and the place it has in its file; reads raise InputError with that place.

    >>> Fields({"width": 2048}, "[cameras.cam01]").integer("width")
    2048
    """

    table: Mapping[str, Any]
    where: str = ""

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def place(self, key: str) -> str:
        """The place of a key, for an error."""
        return f"{self.where}: {key}" if self.where else key

    def refuse_unknown(self, known: Collection[str]) -> None:
        """Raise InputError that names the keys that are not among ``known``: most often a slip of
        the pen.
        """
        unknown = [key for key in self.table if key not in known]
        if unknown:
            raise InputError(
                self.where or "top level",
                expected=f"only the keys {', '.join(known)}",
                found=", ".join(unknown),
                remedy="Correct the spelling or remove it.",
            )

    def optional(self, read: Callable[[str], T], key: str) -> T | None:
        """Return ``read(key)``, or None where the key is absent."""
        return read(key) if key in self.table else None

    def number(self, key: str) -> float:
        """Return a finite number."""
        value = self._value(key, "a number")
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise InputError(self.place(key), expected="a finite number", found=_shown(value))
        return float(value)

    def integer(self, key: str) -> int:
        """Return a whole number; one stored as a float, as some programs do, counts."""
        value = self._value(key, "a whole number")
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value // 1:
            raise InputError(self.place(key), expected="a whole number", found=_shown(value))
        return int(value)

    def text(self, key: str) -> str:
        """Return text; a date comes out in ISO 8601."""
        value = self._value(key, "text")
        if hasattr(value, "isoformat"):
            return str(value.isoformat())
        if not isinstance(value, str):
            raise InputError(self.place(key), expected="text", found=_shown(value))
        return value

    def array(self, key: str, *shapes: tuple[int, ...]) -> Array:
        """Return finite numbers in one of the shapes."""
        value = self._value(key, "numbers")
        expected = f"finite numbers, {' or '.join(' × '.join(map(str, s)) for s in shapes)}"
        try:
            array = np.asarray(value)
        except ValueError:  # rows of unequal length
            array = np.empty(0, dtype=object)
        if (
            array.dtype.kind not in "iuf"
            or array.shape not in shapes
            or not np.isfinite(array).all()
        ):
            raise InputError(self.place(key), expected=expected, found=_shown(value))
        return array.astype(float)

    def tables(self, key: str) -> Mapping[str, Any]:
        """Return the table under a key."""
        value = self._value(key, "a table")
        if not isinstance(value, Mapping):
            raise InputError(self.place(key), expected="a table", found=_shown(value))
        return value

    def _value(self, key: str, kind: str) -> Any:
        if key not in self.table:
            raise InputError(
                self.place(key), expected=kind, found="nothing of that name", remedy=f"Add {key}."
            )
        value = self.table[key]
        if isinstance(value, np.ndarray | np.generic) and value.size == 1:
            value = value.reshape(())[()].item() if isinstance(value, np.ndarray) else value.item()
        return value.decode(errors="replace") if isinstance(value, bytes) else value


def camera_from_fields(fields: Fields) -> dict[str, Any]:
    """Return the arguments of CameraTracks that ``CAMERA_KEYS`` state: sensor, lens, nominal zoom,
    labels.

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
    lens = None
    if "K" in fields:
        K, dist = fields.array("K", (3, 3)), fields.array("dist", (5,), (8,))
        try:
            lens = Lens.from_matrix(K, dist)
        except CalibError as error:
            raise error.inside(fields.where) from None
    return {
        "width": fields.integer("width"),
        "height": fields.integer("height"),
        "pixel_pitch_mm": fields.optional(fields.number, "pixel_pitch_mm"),
        "focal_mm": fields.optional(fields.number, "focal_mm"),
        "lens": lens,
        "lens_sigma": fields.array("lens_sigma", (9,), (12,)) if "lens_sigma" in fields else None,
        "serial": fields.optional(fields.text, "serial"),
        "model": fields.optional(fields.text, "model"),
    }


def wand_from_table(table: Mapping[str, Any], default_name: str) -> Wand:
    """Return the wand that a wand file's table states."""
    top = Fields(table)
    top.refuse_unknown(_WAND_KEYS)
    if (unit := top.text("unit")) != "mm":
        raise InputError(
            "unit",
            expected='"mm"',
            found=repr(unit),
            remedy='State every length in millimetre and unit = "mm".',
        )
    markers = Fields(top.tables("markers"), "[markers]")
    names = tuple(markers.table)
    if len(names) < 2:
        raise InputError("[markers]", expected="two or more markers", found=str(len(names)))
    points = np.array([markers.array(name, (3,)) for name in names]).reshape(-1, 3)
    rows = table.get("certified", [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise InputError("certified", expected="[[certified]] tables", found=_shown(rows))
    certified = tuple(
        _certified(Fields(row, f"[[certified]] {i + 1}"), names) for i, row in enumerate(rows)
    )
    name = top.optional(top.text, "name") or default_name
    return Wand(name, names, points, top.optional(top.number, "sigma") or 0.0, certified)


def _certified(fields: Fields, markers: tuple[str, ...]) -> CertifiedLength:
    fields.refuse_unknown(_CERTIFIED_KEYS)
    between = fields.table.get("between")
    ends = between if isinstance(between, list) else []
    if len(ends) != 2 or not all(isinstance(end, str) and end in markers for end in ends):
        raise InputError(
            fields.place("between"),
            expected=f"two of the markers {', '.join(markers)}",
            found=_shown(between),
        )
    i, j = (markers.index(end) for end in ends)
    return CertifiedLength(i, j, fields.number("length"), fields.number("sigma"))


def wand_as_toml(wand: Wand) -> str:
    """Return the text of a wand file; ``wand_from_table`` reads every number back to the bit."""
    names = wand.markers
    table: dict[str, Any] = {"name": wand.name, "unit": "mm", "sigma": float(wand.sigma_mm)}
    table["markers"] = dict(zip(names, wand.points_mm.tolist(), strict=True))
    if wand.certified:
        table["certified"] = [
            {
                "between": [names[c.i], names[c.j]],
                "length": float(c.length_mm),
                "sigma": float(c.sigma_mm),
            }
            for c in wand.certified
        ]
    return as_toml(table)


def as_toml(table: Mapping[str, Any]) -> str:
    """Return a table as TOML: plain values, tables by users' names (quoted), lists of tables with
    keys of ours.

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
            rows = [f"{_quoted(name)} = {_toml(v)}" for name, v in value.items()]
            sections += ["", f"[{key}]", *rows] if rows else []
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for row in value:
                sections += ["", f"[[{key}]]", *(f"{name} = {_toml(v)}" for name, v in row.items())]
        else:
            lines.append(f"{key} = {_toml(value)}")
    return "\n".join([*lines, *sections]) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return _quoted(value) if isinstance(value, str) else repr(value)


def _quoted(text: str) -> str:
    """A string or a quoted key in TOML, whose escapes are those of JSON but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _shown(value: Any) -> str:
    """A value in an error: on one line and not longer than a line."""
    text = " ".join(repr(value.tolist() if isinstance(value, np.ndarray) else value).split())
    return "nothing" if value is None else text if len(text) <= 80 else f"{text[:77]}..."
