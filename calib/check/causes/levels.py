"""Levels that are compared with the other cameras and with the rig's own solve: noise, share of
stray points.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from calib.core.geometry import Array

MIN_FACTOR = 1.5  # in noise: less is worth nobody's way up a ladder
# How far cameras of one rig differ in the logarithm of their noise with nothing wrong, and how many
# cameras' worth of knowledge that is (common practice, no source): a tenth, as good as four more
# cameras.
USUAL_SPREAD, USUAL_N = 0.10, 4
ALPHA = 1e-3
USUAL_STRAY = (
    0.01  # share of gross points that a good capture has at most (common practice, no source)
)
USUAL_REPEATED = (
    0.001  # of points that stray to where they were: a stray point seldom does (assumed)
)
TIMES_OTHERS = 2.0


def noise_against(
    sigma_px: float, others_px: Array, grown: float | None
) -> dict[str, float] | None:
    """Return what the noise is large against: ``grown``, else how many ``times`` the
    ``others_px`` it is and the ``p_value`` of that; None where it is not.

    ``grown`` is its ratio to the noise when the rig was solved, None where that is not known.
    Against the others by a t-test of a new value on log noise, its variance joined with what is
    usual in advance (Student's law with both degrees of freedom; Gelman et al., Bayesian Data
    Analysis, 3rd edition, section 3.3).
    """
    if not np.isfinite(sigma_px):
        return None
    if grown is not None and grown > MIN_FACTOR:
        return {"grown": grown}
    log = np.log(others_px[np.isfinite(others_px) & (others_px > 0)])
    if not len(log) or sigma_px <= MIN_FACTOR * np.exp(log.mean()):
        return None
    n = len(log)
    freedom = USUAL_N + n - 1
    variance = (USUAL_N * USUAL_SPREAD**2 + ((log - log.mean()) ** 2).sum()) / freedom
    t = (np.log(sigma_px) - log.mean()) / np.sqrt(variance * (1.0 + 1.0 / n))
    p = float(special.stdtr(freedom, -t))
    middle = float(np.exp(log.mean()))
    if p >= ALPHA:
        return None
    return {"times": sigma_px / middle, "others_px": middle, "p_value": p}


def middle_stray(shares: Array) -> float:
    """Return the median of shares of gross points, of those that are known (nan: not)."""
    known = shares[np.isfinite(shares)]
    return float(np.median(known)) if len(known) else 0.0


def is_straying(share: float, n: int, others: Array, usual: float = USUAL_STRAY) -> bool:
    """Return whether a share of n points is above what is usual and twice the others', by a
    binomial test.
    """
    limit = max(usual, TIMES_OTHERS * middle_stray(others))
    if limit >= 1.0:
        return False
    count = round(share * n)
    return bool(count > 0 and special.bdtrc(count - 1, n, limit) < ALPHA)
