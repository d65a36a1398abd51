"""Tracks from a table of comma-separated values and the list of cameras that goes with it."""

from __future__ import annotations

import csv
from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import is_outside, kept_inside, outside_error
from calib.core.fields import CAMERA, Fields, Item, camera_from_fields
from calib.core.frames import check_rate
from calib.core.names import check_date, listed
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError, require_kinds

COLUMNS = (
    Item("camera", "text", "one of the camera list's", True),
    Item("frame", "whole number", "one count for all cameras of a genlocked rig", True),
    Item("x", "number", "centroid, px to the right; the top-left pixel's centre is (0, 0)", True),
    Item("y", "number", "px down", True),
    Item("marker", "whole number", "the wand's marker from 0 on; -1 or empty: not identified"),
    Item("radius", "number", "blob radius, px"),
)
REQUIRED = tuple(item.key for item in COLUMNS if item.is_needed)
OPTIONAL = tuple(item.key for item in COLUMNS if not item.is_needed)
CAMERA_LIST = (
    Item("frame_rate", "number", "Hz", True),
    Item("captured_at", "date", "when the wave was captured, ISO 8601"),
    Item("title", "text", "what the capture is called"),
    Item("cameras", "table", "a table [cameras.<name>] for each, as below", True),
)
_CHUNK = 100_000  # rows: text is some ten times the size of the numbers in it
_INT16_MAX = 32767
# A wave crosses the image: so many points of all cameras within such a share of it are no px (mm on
# a sensor are some hundredths of its px).
_ENOUGH, _CORNER = 100, 0.02


@dataclass(frozen=True, slots=True, eq=False)
class CameraList:
    """What a table of points does not say.

    Parameters
    ----------
    sensors : mapping of str to mapping
        By camera, its sensor and lens with the keys of the file.
    frame_rate_hz : float
        Frames a second.
    captured_at : str, optional
        ISO 8601.
    title : str, optional
        What the capture is called.
    """

    sensors: Mapping[str, Mapping[str, Any]]
    frame_rate_hz: float
    captured_at: str | None = None
    title: str | None = None

    def __post_init__(self) -> None:
        require_kinds(self, "camera list: ")

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> CameraList:
        """Return the list of a TOML table.

        It holds ``frame_rate``, optionally ``captured_at`` and ``title``, and for each camera a
        table ``[cameras.<name>]`` of the attributes that a tracks file has. Raises InputError with
        the key.
        """
        top = Fields(table)
        top.refuse_unknown(CAMERA_LIST)
        stated = top.read_all(CAMERA_LIST)
        sensors = {name: _sensor(name, own) for name, own in stated["cameras"].items()}
        check_rate("frame_rate", stated["frame_rate"])
        check_date(stated["captured_at"], "captured_at")
        return cls(sensors, stated["frame_rate"], stated["captured_at"], stated["title"])


def tracks_from_csv(
    lines: Iterable[str], cameras: CameraList, drop_outside: bool = False
) -> Tracks:
    """Return the capture that a table states, its rows sorted by frame within each camera.

    The first line names the columns camera, frame, x, y and optionally marker and radius, in any
    order; an empty marker is -1. Cameras without rows have no points. Points outside their sensors
    are left out and counted where asked for. Raises InputError with the line that breaks a rule.
    """
    columns = _read(lines, tuple(cameras.sensors))
    widths = [sensor["width"] for sensor in cameras.sensors.values()]
    check_px([columns["x"]], [columns["y"]], widths)
    captures = []
    for code, (name, sensor) in enumerate(cameras.sensors.items()):
        mine = np.flatnonzero(columns["camera"] == code)
        mine = mine[np.argsort(columns["frame"][mine], kind="stable")]
        xy = np.column_stack([columns["x"][mine], columns["y"][mine]])
        kept = kept_inside(xy, sensor["width"], sensor["height"], drop_outside)
        own = {key: values[mine[kept]] for key, values in columns.items()}
        _check_on_sensor(name, sensor, own)
        points: dict[str, Any] = {
            "frame": own["frame"],
            "xy_px": xy[kept],
            "marker": own["marker"],
            "radius_px": _radius(name, own),
            "n_outside": int((~kept).sum()),
        }
        captures.append(CameraTracks(name, **points, **sensor))
    return Tracks(tuple(captures), cameras.frame_rate_hz, cameras.captured_at, cameras.title)


def every(tracks: Tracks) -> int:
    """Return by which step frame numbers go up: the largest whole number that divides all steps."""
    frames = np.unique(np.concatenate([c.frame for c in tracks.cameras]))
    return int(np.gcd.reduce(np.diff(frames))) if len(frames) > 1 else 1


def bare_camera(name: str, sensor: Mapping[str, Any]) -> CameraTracks:
    """Return a camera without points, of what a list states of it."""
    none = np.empty(0, np.int64)
    marker = none.astype(np.int16)
    return CameraTracks(name, frame=none, xy_px=np.empty((0, 2)), marker=marker, **sensor)


def _sensor(name: str, table: Any) -> dict[str, Any]:
    place = f"[cameras.{name}]"
    if not isinstance(table, Mapping):
        raise InputError(place, expected="a table", found=repr(table))
    fields = Fields(table, place)
    fields.refuse_unknown(CAMERA)
    sensor = camera_from_fields(fields)
    bare_camera(name, sensor)  # checks them
    return sensor


def _read(lines: Iterable[str], cameras: Sequence[str]) -> dict[str, NDArray[Any]]:
    """Return the columns, camera as an index into ``cameras``, and ``line``, the number of each
    row's line.
    """
    numbered = enumerate(lines, 1)
    header = [name.strip() for name in _values(*next(numbered, (1, "")))]
    _check_header(header)
    kinds = _KINDS | {"camera": _camera_kind(cameras)}
    parts: dict[str, list[NDArray[Any]]] = {
        key: [np.empty(0, int)] for key in (*REQUIRED, *OPTIONAL, "line")
    }
    at = array("q")
    rows = _rows(numbered, len(header), at)
    while chunk := list(islice(rows, _CHUNK)):
        here = np.array(at, dtype=np.int64)
        del at[:]
        for key, texts in zip(header, zip(*chunk, strict=True), strict=True):
            parts[key].append(_column(kinds[key], key, texts, here))
        for key in set(OPTIONAL) - set(header):
            parts[key].append(np.full(len(chunk), {"marker": -1, "radius": np.nan}[key]))
        parts["line"].append(here)
    return {
        key: np.concatenate(arrays) if arrays[1:] else arrays[0] for key, arrays in parts.items()
    }


def _check_header(header: Sequence[str]) -> None:
    missing = [key for key in REQUIRED if key not in header]
    unknown = [key for key in header if key not in (*REQUIRED, *OPTIONAL)]
    double = sorted(key for key, n in Counter(header).items() if n > 1)
    if missing or unknown or double:
        named = f"the columns {', '.join(header)}" if any(header) else "an empty line"
        problem = (
            f"no {', '.join(missing)}, but {named}"
            if missing
            else f"also {', '.join(map(repr, unknown))}"
        )
        raise InputError(
            "line 1",
            expected="a header with the columns camera,frame,x,y and optionally "
            "marker,radius, each once",
            found=f"{', '.join(double)} twice" if double else problem,
            remedy=_header_remedy(header),
        )


def _header_remedy(header: Sequence[str]) -> str:
    """Return what to do about a header, by what it holds."""
    text = ",".join(header)
    if ";" in text or "\t" in text:
        by = "semicolons" if ";" in text else "tabs"
        return f"Separate columns by commas, not by {by}, and write decimals with a point."
    if set(REQUIRED) <= set(header):
        return "Each once, and take other columns out."
    if set(REQUIRED) <= {name.lower() for name in header}:
        return "Names are lower case."
    try:
        [float(name) for name in header[1:]]
    except ValueError:
        return "Name them so in the first line, separated by commas."
    return "Put the names of the columns into the first line, above the values."


def _rows(
    numbered: Iterable[tuple[int, str]], n_columns: int, at: array[int]
) -> Iterator[list[str]]:
    """Yield the rows that are not blank and note the line of each."""
    for number, line in numbered:
        if not line.strip():
            continue
        row = _values(number, line)
        if len(row) != n_columns:
            many = len(row) > n_columns
            raise InputError(
                f"line {number}",
                expected=f"{n_columns} values",
                found=str(len(row)),
                remedy="Write decimals with a point, not a comma."
                if many
                else "Take the line out, or export the table again if it was cut off.",
            )
        at.append(number)
        yield row


def _values(number: int, line: str) -> list[str]:
    """Return the values of a line; none goes on in the next, so that no row is longer than one."""
    if '"' not in line:
        return line.rstrip("\r\n").split(",")
    try:
        return next(csv.reader((line,), strict=True))
    except csv.Error as error:
        raise InputError(
            f"line {number}", expected="comma-separated values", found=str(error)
        ) from None


def _whole(text: str) -> int:
    """Return a whole number; "12.0", as columns with gaps come out of tables of floats, counts."""
    try:
        return int(text)
    except ValueError:
        if not (value := float(text)).is_integer():
            raise
        return int(value)


def _marker(text: str) -> int:
    return _whole(text) if text.strip() else -1


def _radius_px(text: str) -> float:
    return float(text) if text.strip() else float("nan")


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a column holds: how one text is read, which values are allowed, and how an error says
    so.
    """

    parse: Callable[[str], Any]
    is_allowed: Callable[[Any], Any]
    expected: str
    remedy: str = ""


_DECIMALS = "Write decimals with a point, and leave out the line of a point that was not seen."
_KINDS = {
    # With a marker's 16 bits, a frame still makes a key of 64.
    "frame": _Kind(
        _whole,
        lambda v: np.abs(v) < 10**14,
        "a whole number of 14 digits at most",
        "Frames are counted from exposure to exposure, not timed.",
    ),
    "x": (_px := _Kind(float, np.isfinite, "a finite number of px", _DECIMALS)),
    "y": _px,
    "marker": _Kind(
        _marker,
        lambda v: (v >= -1) & (v <= _INT16_MAX),
        f"-1, or a marker index up to {_INT16_MAX}",
        "Markers are counted from 0 in the order of the wand file.",
    ),
    "radius": _Kind(_radius_px, lambda v: ~((v < 0) | np.isinf(v)), "a radius of 0 px or more"),
}


def _camera_kind(cameras: Sequence[str]) -> _Kind:
    code = {name: i for i, name in enumerate(cameras)}
    known = listed(cameras) or "cameras, which has none"
    return _Kind(
        lambda text: code[text.strip()],
        lambda v: v >= 0,
        f"one of the camera list's {known}",
        "Correct the name, or add its [cameras.<name>] table.",
    )


def _column(kind: _Kind, key: str, texts: Sequence[str], lines: NDArray[np.int64]) -> NDArray[Any]:
    try:
        values = np.array(list(map(kind.parse, texts)))
        is_bad = ~np.asarray(kind.is_allowed(values), dtype=bool)
    except (ValueError, KeyError):
        is_bad = np.array([not _is_readable(kind, text) for text in texts])
    if is_bad.any():
        row = int(is_bad.argmax())
        raise InputError(
            f"line {lines[row]}: {key}",
            expected=kind.expected,
            found=repr(texts[row]),
            remedy=kind.remedy,
        )
    return values


def _is_readable(kind: _Kind, text: str) -> bool:
    try:
        kind.parse(text)
    except (ValueError, KeyError):
        return False
    return True


def _check_on_sensor(name: str, sensor: Mapping[str, Any], own: Mapping[str, NDArray[Any]]) -> None:
    """The check of CameraTracks, with the line of the file, which sorting has moved away from the
    row.
    """
    size, order = (sensor["width"], sensor["height"]), np.argsort(own["line"])
    xy = np.column_stack([own["x"], own["y"]])[order]
    is_off = is_outside(xy, *size)
    if is_off.any():
        line = own["line"][order][is_off.argmax()]
        raise outside_error(f"line {line}: {name}", size, xy, is_off)


def check_px(xs: Sequence[NDArray[Any]], ys: Sequence[NDArray[Any]], widths: Iterable[int]) -> None:
    """Raise InputError for a capture whose points all lie in one corner of all sensors: in mm, or
    in shares of the image.
    """
    n = sum(map(len, xs))
    x, y = (max((float(np.abs(v).max(initial=0.0)) for v in vs), default=0.0) for vs in (xs, ys))
    width = min(widths, default=0)
    if n >= _ENOUGH and max(x, y) < _CORNER * width:
        raise InputError(
            "x, y",
            expected=f"px on sensors {width} px wide and more",
            found=f"{n} points, none beyond ({x:g}, {y:g})",
            remedy="If these are mm, divide them by the pixel pitch; if shares, multiply them by "
            "width and height.",
        )


def _radius(name: str, own: Mapping[str, NDArray[Any]]) -> NDArray[Any] | None:
    """Return the radii, None where the camera states none."""
    radius = own["radius"]
    if np.isnan(radius).all():
        return None
    if np.isnan(radius).any():
        line = own["line"][np.isnan(radius)].min()
        raise InputError(
            f"line {line}: radius",
            expected=f"a radius in every row of {name} or in none",
            found="none",
        )
    return radius
