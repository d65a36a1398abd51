"""Frame numbers: what rows of sorted numbers have in common, and how they go on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError

Ints = NDArray[np.int64]
N_KEYS = 65536  # of a frame: more than an index of 16 bit counts
MOST_FRAME = 2**63 // N_KEYS  # so that a frame and an index make one whole number of 64 bits
MOST_HZ = 100_000.0  # no tracking camera is as fast; counts by the second stay countable


def check_rate(name: str, rate_hz: float) -> None:
    """Raise InputError about the field ``name`` where it holds no frame rate."""
    if not 0 < rate_hz <= MOST_HZ:
        expected = f"a rate above 0 Hz and at most {MOST_HZ:.0f} Hz"
        raise InputError(name, expected=expected, found=f"{rate_hz:g}")


def point_keys(frame: Ints, marker: NDArray[np.int16]) -> Ints:
    """Return a number (n,) for each named point that no other frame and marker have, in their
    order.
    """
    return np.asarray(frame * N_KEYS + marker, dtype=np.int64)


def group_starts(sorted_values: Ints) -> Ints:
    """Return where each run of equal values begins.

    >>> group_starts(np.array([4, 4, 7, 9, 9]))
    array([0, 2, 3])
    """
    return np.flatnonzero(np.diff(sorted_values, prepend=sorted_values[:1] - 1))


def common_frames(frames: Sequence[Ints]) -> tuple[Ints, list[NDArray[np.intp]]]:
    """Return the numbers of all frames that sorted lists (n,) hold, in order, and where each entry
    is among them.

    >>> common_frames([np.array([3, 3, 7]), np.array([5, 7])])
    (array([3, 5, 7]), [array([0, 0, 2]), array([1, 2])])
    """
    distinct = [f[group_starts(f)] for f in frames]
    number = np.unique(np.concatenate(distinct))
    return number, [np.searchsorted(number, f) for f in frames]


def without_gaps(frame: Ints, longest: float) -> Ints:
    """Return times (n,) in frames from the first on, as ``frame`` that never decrease but with
    gaps of ``longest`` at most: what goes frame by frame need not grow with a night between waves.

    >>> without_gaps(np.array([5, 6, 6, 9, 1009]), 10)
    array([ 0,  1,  1,  4, 14])
    """
    step = np.diff(frame, prepend=frame[:1])
    return np.asarray(np.cumsum(np.minimum(step, int(np.ceil(longest)))))
