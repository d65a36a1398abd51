"""What stands off of a camera in the usual stretch of time, beyond independent noise.

Air that shimmers or a floor that trembles all the time moves every camera's points in every
stretch: a process, of which no part is an exception. Held against independent noise its larger
swings would be left out as stretches that stand off, a third of a capture; the rest would seem
calmer than it is. So what counts as off is held against what is usual: the median chi-square of
stretches of a length, which a few that stand off hardly move, against that of independent noise.

Source: Efron, Large-scale simultaneous hypothesis testing: the choice of a null hypothesis, Journal
of the American Statistical Association 99, 2004 (the null told from the middle of the statistics).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from calib.core.geometry import Array
from calib.solve.lasting.shifts import Shifts, chi_square

LENGTHS = (3, 6, 12, 24, 48)  # in bins, as searched
MEDIAN = float(special.chdtri(2, 0.5))  # of chi-square
# The median of n of them has a standard deviation of 2 / sqrt(n), or 1.44 / sqrt(n) of itself.
OF_MEDIAN, SURE, LEAST = 2.0 / MEDIAN, 4.0, 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Unrest:
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


CALM = Unrest(np.ones(len(LENGTHS)))


def unrest(found: Shifts) -> Unrest:
    """Return that of the points of ``found``, none of which stand out."""
    factor = np.ones(len(LENGTHS))
    for k, m in enumerate(LENGTHS):
        first = np.arange(0, found.n_bins - m + 1, m)
        if not len(first):
            break
        u, I, taken = found.in_stretches(first, first + m)
        value, _ = chi_square(u, I - taken)
        value = value[value > 0]
        if len(value):
            ratio = float(np.median(value)) / MEDIAN
            if ratio > 1.0 + max(SURE * OF_MEDIAN / np.sqrt(len(value)), LEAST):
                factor[k] = ratio
    return Unrest(factor)
