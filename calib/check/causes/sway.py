"""How far all points of a camera swing together from frame to frame, without a frequency of their
own: a mount that gives, warm air.

Noise of single points forgets itself from one frame to the next; what moves the whole image for a
while does not. So its variance is the autocovariance of each frame's mean residual at a short lag.
Source: Box, Jenkins & Reinsel, Time Series Analysis, 4th edition, section 2.1.5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import without_gaps
from calib.core.geometry import Array

LAG_S, LONGEST_S = 0.04, 4.0  # what is faster is blur or vibration, slower a drift or a knock
# Pairs of frames so far apart: half of the noise's square is then four standard deviations of what
# independent noise shows, 1 / sqrt(2 n) of its square (two coordinates).
FEWEST = 32


@dataclass(frozen=True, slots=True)
class Sway:
    """By how many px (RMS of one coordinate) the image swings, and for how many seconds it stays
    off alike.
    """

    size_px: float
    lasts_s: float


STILL = Sway(0.0, 0.0)


def sway(frame: NDArray[np.int64], left_px: Array, weight: Array, rate_hz: float) -> Sway:
    """Return how the residuals ``left_px (P, M, 2)`` of some frames swing, points weighted by their
    inverse variance ``weight (P, M)``, 0 where none is used.

    >>> noise = np.random.default_rng(1).normal(size=(4000, 1, 2))
    >>> sway(np.arange(4000), noise, np.ones((4000, 1)), 25.0).size_px < 0.2
    True
    >>> slow = np.repeat(noise[:100], 40, axis=0)
    >>> found = sway(np.arange(4000), slow, np.ones((4000, 1)), 25.0)
    >>> bool(0.95 < found.size_px / slow.std() < 1.0), 0.8 < found.lasts_s < 1.6
    (True, True)
    """
    if not len(frame):
        return STILL
    at = without_gaps(frame, LONGEST_S * rate_hz + 1)
    total, mean = np.zeros(at[-1] + 1), np.zeros((at[-1] + 1, 2))
    total[at] = weight.sum(axis=1)
    mean[at] = (weight[..., None] * left_px).sum(axis=1)
    mean -= total[:, None] * (mean.sum(axis=0) / max(total.sum(), 1e-300))

    def covariance(lag: int) -> float:
        """Return that of one coordinate, nan of too few pairs."""
        both = total[lag:] * total[:-lag]
        if (both > 0).sum() < FEWEST:
            return float("nan")
        return float((mean[lag:] * mean[:-lag]).sum() / (2.0 * both.sum()))

    first = max(1, round(LAG_S * rate_hz))
    square = covariance(first)
    if not square > 0.0:
        return STILL
    lags = np.unique(np.geomspace(first, max(first, LONGEST_S * rate_hz), 24).astype(int)).tolist()
    lasts = next((lag for lag in lags if not covariance(lag) > square / np.e), lags[-1])
    return Sway(float(np.sqrt(square)), lasts / rate_hz)
