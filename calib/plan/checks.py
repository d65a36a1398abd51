"""What the records of a plan are checked for, and how a person reads what is found."""

from __future__ import annotations

import numpy as np

from calib.core.geometry import Array, frozen
from calib.errors import InputError
from calib.prove.volume import Box


def place_each(record: object, where: str, *keys: str) -> None:
    """Take places over as read-only arrays; InputError where one is not x, y and z."""
    for key in keys:
        at = frozen(getattr(record, key), where=f"{where}{key}")
        if at.shape != (3,) or not np.isfinite(at).all():
            raise InputError(f"{where}{key}", expected="x, y and z in mm", found=str(at.tolist()))
        object.__setattr__(record, key, at)


def within(where: str, value: float, limits: tuple[float, float], unit: str, remedy: str) -> None:
    """Raise InputError for a value outside its limits."""
    low, high = limits
    if not low <= value <= high:
        raise InputError(
            where,
            expected=f"{low:g} to {high:g} {unit}".rstrip(),
            found=f"{value:g} {unit}".rstrip(),
            remedy=remedy,
        )


def above_0(record: object, where: str, *keys: str) -> None:
    """Raise InputError at a number that is stated and not above 0."""
    for key in keys:
        value = getattr(record, key)
        if value is not None and not value > 0:
            raise InputError(f"{where}: {key}", expected="more than 0", found=f"{value:g}")


def as_place(at: Array) -> str:
    """Return a place (3,) as a person reads it."""
    return f"({at[0]:g}, {at[1]:g}, {at[2]:g}) mm"


def as_corners(box: Box) -> str:
    """Return a box as a person reads it."""
    return f"{as_place(box.low_mm)[:-3]} to {as_place(box.high_mm)}"


def as_size(size: Array) -> str:
    """Return a size (3,) as a person reads it."""
    return f"{size[0]:g} × {size[1]:g} × {size[2]:g} mm"
