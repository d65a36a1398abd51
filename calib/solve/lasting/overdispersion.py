"""What stands off of a camera in the usual stretch of time, beyond independent noise.

Air that shimmers or a floor that trembles all the time moves every camera's points in every
stretch: a process, of which no part is an exception. Held against independent noise its larger
swings would be left out as stretches that stand off, a third of a capture; the rest would seem
calmer than it is. So what counts as off is held against what is usual: the median chi-square of
stretches of a length, which a few that stand off hardly move, against that of independent noise.

Source: Efron, Large-scale simultaneous hypothesis testing: the choice of a null hypothesis, Journal
of the American Statistical Association 99, 2004 (the null seen from the middle of the statistics).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from calib.core.geometry import Array
from calib.solve.lasting.shifts import Shifts, chi_square

LENGTHS = (3, 6, 12, 24, 48)  # in bins, as searched
MEDIAN = float(special.chdtri(2, 0.5))  # of chi-square
# The median of n of them has a standard deviation of 2 / sqrt(n), or 1.44 / sqrt(n) of itself.
OF_MEDIAN, SURE, LEAST = 2.0 / MEDIAN, 4.0, 0.2
# Between stretches the wand goes on, and with it what a lens or a rig is off there.
LEAST_BETWEEN = 0.5
N_SHORT = 3  # of the LENGTHS, up to 0.7 s


@dataclass(frozen=True, slots=True, eq=False)
class Overdispersion:
    """By which ``factor (J,)`` chi-squares of stretches of LENGTHS exceed those of independent
    noise in the usual stretch, 1 where it is no more than chance.
    """

    factor: Array

    def at(self, n_bins: float) -> float:
        """Return the factor of stretches of so many bins."""
        return float(np.interp(np.log(n_bins), np.log(LENGTHS), self.factor))

    @property
    def most(self) -> float:
        return float(self.factor.max())


AS_NOISE = Overdispersion(np.ones(len(LENGTHS)))


def overdispersion(found: Shifts) -> Overdispersion:
    """Return that of the points of ``found``, none of which stand out."""
    return _raised([chi_square(u, I)[0] for u, I in _stretches(found)], LEAST)


def overdispersion_between(found: Shifts) -> Overdispersion:
    """Return that of the changes from each stretch to the next, to which what stays off, as a
    camera that was moved, adds nothing.

    It pulls the wands, and with them the other cameras' points, by more or less as the wand goes
    on: slowly. Where short stretches do not change, long ones do not count.
    """
    values = []
    for u, I in _stretches(found):
        of_each, shift = chi_square(u, I)
        is_seen = of_each > 0
        xx, xy, yy = np.moveaxis(np.where(is_seen[..., None], I, [1.0, 0.0, 1.0]), -1, 0)
        own = np.stack([yy, -xy, xx], axis=-1) / (xx * yy - xy * xy)[..., None]
        xx, xy, yy = np.moveaxis(own[:, 1:] + own[:, :-1], -1, 0)
        x, y = np.moveaxis(np.diff(shift, axis=1), -1, 0)
        value = (yy * x * x - 2.0 * xy * x * y + xx * y * y) / (xx * yy - xy * xy)
        values.append(np.where(is_seen[:, 1:] & is_seen[:, :-1], value, 0.0))
    raised = _raised(values, LEAST_BETWEEN)
    return raised if (raised.factor[:N_SHORT] > 1.0).any() else AS_NOISE


def _stretches(found: Shifts) -> Iterator[tuple[Array, Array]]:
    """Yield scores (C, K, 2) and information (C, K, 3) of stretches of each of the LENGTHS."""
    for m in LENGTHS:
        first = np.arange(0, found.n_bins - m + 1, m)
        if len(first):
            u, I, taken = found.in_stretches(first, first + m)
            yield u, I - taken


def _raised(values: Sequence[Array], least: float) -> Overdispersion:
    """Return by what factor chi-squares of each length lie above those of chance, 1 where that is
    less than ``least`` above it or no more than chance makes of so many.
    """
    factor = np.ones(len(LENGTHS))
    for k, of_length in enumerate(values):
        seen = of_length[of_length > 0]
        if len(seen):
            ratio = float(np.median(seen)) / MEDIAN
            if ratio > 1.0 + max(SURE * OF_MEDIAN / np.sqrt(len(seen)), least):
                factor[k] = ratio
    return Overdispersion(factor)
