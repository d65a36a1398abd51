"""Which points lie on a camera's sensor, and what is said of those that do not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.errors import InputError

# Stray points beyond the edge are few; of a tenth and more, the sensor's size is stated wrongly.
MOST_OUTSIDE = 0.1


def is_outside(xy_px: Array, width: int, height: int) -> NDArray[np.bool_]:
    """Return which points (n,) lie outside a sensor; nan does not.

    Half a pixel of grace beyond its edge serves files that count pixels from another corner.
    """
    return np.asarray(((xy_px < -1.0) | (xy_px > np.array([width, height]))).any(axis=1))


def kept_inside(xy_px: Array, width: int, height: int, drop_outside: bool) -> NDArray[np.bool_]:
    """Return which points (n,) to keep of a camera's: those on its sensor where others are to be
    dropped, all where these are too many to be stray points.
    """
    is_off = is_outside(xy_px, width, height)
    is_few = is_off.sum() <= MOST_OUTSIDE * len(xy_px)
    return ~is_off if drop_outside and is_few else np.ones(len(xy_px), dtype=bool)


def outside_error(
    where: str, size: tuple[int, int], xy_px: Array, is_off: NDArray[np.bool_]
) -> InputError:
    """Return the error of a camera with points outside its sensor; ``where`` is the camera and the
    place of the first of them.
    """
    x, y = xy_px[int(is_off.argmax())]
    n, share = int(is_off.sum()), float(is_off.mean())
    remedy = (
        "Correct width and height, or leave these points out: --drop-outside of calib import, "
        "select and solve."
    )
    if share > MOST_OUTSIDE:
        remedy = "Correct width and height: so many are no stray points."
    return InputError(
        where,
        expected=f"px on the {size[0]} × {size[1]} sensor",
        found=f"({x:g}, {y:g}); {n} of {len(xy_px)} points ({share:.1%}) lie outside",
        remedy=remedy,
    )
