"""Where a lens's radial distortion folds over, whether that is on the sensor, and priors that keep
it off.

A real lens never folds: its image moves outward as the ray does. A fit to points in the middle of
the sensor alone can, in the corners that it has not seen; undistorting a point there then fails or
gives another ray.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import radial_ends
from calib.core.geometry import Array
from calib.core.parameters import PLACE
from calib.core.tracks import Tracks
from calib.solve.bundle.descent import Prior
from calib.solve.certainty.lens_terms import USUAL_CORNER

# Standard deviations of the share by which each radial term moves the sensor's corner. Barrel
# distortion of 2 to 10 % there is common, of 15 % strong (common practice, no source). With these
# the slope at the corner, 1 + 3 c1 + 5 c2 + 7 c3, is 1 ± 0.4: a fold is 2.4 sigmas off before a
# single point is seen, and a lens whose points reach the corners does not feel it. The
# denominator's terms act like the numerator's, half as much is enough.
CORNER_SIGMA = {"k1": 0.1, "k2": 0.05, "k3": 0.02, "k4": 0.05, "k5": 0.025, "k6": 0.01}
_POWER = {"k1": 2, "k2": 4, "k3": 6, "k4": 2, "k5": 4, "k6": 6}


def turning_radius(lens: Array) -> Array:
    """Return the smallest image-plane radii (...), before distortion, where the radial map of
    ``lens`` (..., 12) turns back.

    Infinite where a pole of the map comes first (it then reaches every radius) or there is no fold.

    >>> lens = np.array([1000, 1000, 500, 500, -1 / 3, 0, 0, 0, 0, 0, 0, 0.0])
    >>> float(np.round(turning_radius(lens), 9))
    1.0
    """
    fold, pole = radial_ends(lens[..., 4:12])
    return np.where(fold < pole, fold, np.inf)


def sensor_sizes(tracks: Tracks) -> tuple[Array, Array]:
    """Return widths and heights (C,) of the cameras' sensors in px."""
    size = np.array([(float(c.width), float(c.height)) for c in tracks.cameras])
    return size[:, 0], size[:, 1]


def fold_reach(lens: Array, widths: Array, heights: Array) -> Array:
    """Return at which share of the way to the sensor's farthest corner each lens (C, 12) folds
    (C,), in the image.

    Above 1 the whole sensor is within the fold. Measured in radius from the principal point after
    distortion, aspect counted; the tangential terms, a thousandth of the radial ones, are not.
    """
    x = np.maximum(lens[:, 2] + 0.5, widths - 0.5 - lens[:, 2]) / lens[:, 0]
    y = np.maximum(lens[:, 3] + 0.5, heights - 0.5 - lens[:, 3]) / lens[:, 1]
    r = turning_radius(lens)
    k1, k2, _, _, k3, k4, k5, k6 = lens[:, 4:12].T
    s = np.where(np.isfinite(r), r * r, 0.0)
    growth = (1 + s * (k1 + s * (k2 + s * k3))) / (1 + s * (k4 + s * (k5 + s * k6)))
    return np.asarray(r * growth / np.hypot(x, y))


def is_monotonic(lens: Array, widths: Array, heights: Array) -> NDArray[np.bool_]:
    """Return whether the radial distortion of each lens (C, 12) grows all the way to the sensor's
    corners (C,).
    """
    return np.asarray(fold_reach(lens, widths, heights) > 1.0)


def monotonic_prior(
    prior: Prior,
    names: tuple[str, ...],
    focal_px: Array,
    widths: Array,
    heights: Array,
    *,
    is_usual: bool = False,
) -> Prior:
    """Return the prior of the lens terms ``names`` with radial sigmas that suit each sensor's
    corner.

    The corner's radius on the image plane is half the sensor's diagonal over ``focal_px`` (C,): the
    same coefficient that is nothing to a long lens folds a short one. With ``is_usual`` small terms
    are about as usual.
    """
    known = CORNER_SIGMA | (USUAL_CORNER if is_usual else {})
    corner = 0.5 * np.hypot(widths, heights) / focal_px
    sigma = prior.sigma.copy()
    for k, name in enumerate(names):
        if name in known:
            sigma[:, k] = known[name] / corner ** _POWER[name]
    return Prior(prior.mean, sigma)


def tightened(
    prior: Prior, names: tuple[str, ...], lens: Array, widths: Array, heights: Array
) -> Prior | None:
    """Return the prior with half the radial sigmas for the cameras whose lens (C, 12) folds, None
    where none does.

    Repeated after each solve this ends with lenses near the prior's mean, which does not fold. A
    camera whose radial terms are not among ``names``, or whose prior's mean folds (a lens measured
    so), is left as it is.
    """
    radial = [k for k, name in enumerate(names) if name in CORNER_SIGMA]
    at_mean = lens.copy()
    at_mean[:, [PLACE[names[k]] for k in radial]] = prior.mean[:, radial]
    folds = ~is_monotonic(lens, widths, heights) & is_monotonic(at_mean, widths, heights)
    if not folds.any():
        return None
    sigma = prior.sigma.copy()
    sigma[np.ix_(np.flatnonzero(folds), np.array(radial))] *= 0.5
    return Prior(prior.mean, sigma)
