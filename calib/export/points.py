"""Points in space as comma-separated values, piece by piece."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.layout import POINT_TABLE
from calib.core.points import UPPER, Points

# Of the columns between marker and cameras: a ten-thousandth of a millimetre or pixel, a millionth
# of its square.
DECIMALS = (4,) * 3 + (6,) * 6 + (4,)
HEADER = ",".join(item.key for item in POINT_TABLE) + "\n"


def csv_lines(points: Points) -> bytes:
    """Return lines of comma-separated values, one a point, under ``HEADER``."""
    whole = np.column_stack([points.frame, points.marker, points.n_cameras])
    numbers = np.column_stack(
        [points.points_mm, points.covariance_mm2[:, UPPER[0], UPPER[1]], points.rms_px]
    )
    out = np.empty(22 * len(POINT_TABLE) * len(numbers), np.uint8)
    n = _lines(whole, numbers, np.array(DECIMALS), out)
    return out[:n].tobytes()


@compiled
def _lines(whole: Any, numbers: Array, decimals: Any, out: Any) -> int:
    """Write all lines and return how many letters they are."""
    at = 0
    for k in range(len(numbers)):
        at = _number(float(whole[k, 0]), 0, out, at)
        out[at] = 44
        at = _number(float(whole[k, 1]), 0, out, at + 1)
        for j in range(numbers.shape[1]):
            out[at] = 44
            at = _number(numbers[k, j], decimals[j], out, at + 1)
        out[at] = 44
        at = _number(float(whole[k, 2]), 0, out, at + 1)
        out[at] = 10
        at += 1
    return at


@compiled
def _number(value: float, decimals: int, out: Any, at: int) -> int:
    """Write a number with so many decimals, up to 1e12, and return where it ends."""
    scale = 10**decimals
    whole = np.int64(np.rint(abs(value) * scale))
    if value < 0 and whole > 0:
        out[at] = 45
        at += 1
    first = at
    for place in range(20):  # digits from the last to the first, turned round below
        if place == decimals and decimals > 0:
            out[at] = 46
            at += 1
        out[at] = 48 + whole % 10
        at += 1
        whole //= 10
        if whole == 0 and place >= decimals:
            break
    i, j = first, at - 1
    while i < j:
        out[i], out[j] = out[j], out[i]
        i += 1
        j -= 1
    return at
