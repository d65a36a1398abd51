"""Which of the chains that a search found in one camera show the wand, and which came about by
chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.frames import Ints
from calib.core.geometry import Array

NOISE_PX = 0.3  # of a centroid's coordinate, at most: well-lit round markers reach a third of it
# Log-likelihood that a chain needs in a crowd of 17 points a frame, where chance stayed below 2 in
# 14,000 simulated frames; threes of points that chance can pick grow with the cube of the crowd.
EVIDENCE, CROWD, LEAST_EVIDENCE = 3.0, 17.0, 1.0
UNITS = 12  # constraints that chains meet: what chance reaches once in some 10,000 frames
N_LINKS, LINK_S, HAND_MM_S = 5, 1.0, 2000.0
LEAST_SEEN = 3  # markers that tell a wand by themselves; of more than these one may be hidden
RIVAL_SHARE = 0.1  # of a chain's views: with more that a stronger one names otherwise it is chance


def is_whole(n_seen: Ints, n_markers: int) -> NDArray[np.bool_]:
    """Return where as many of a wand's markers are seen (k,) as tell it without the other cameras.

    >>> is_whole(np.array([3, 4, 5]), 5).tolist()
    [False, True, True]
    """
    return np.asarray(n_seen >= max(min(LEAST_SEEN, n_markers), n_markers - 1))


@dataclass(frozen=True, slots=True, eq=False)
class Views:
    """Views of the wand in one camera: their chains (k,), frame numbers (k,), rows of points by
    marker (k, M), -1 for none, poses (k, 12) and root mean square misses (k,).
    """

    chain: Ints
    frame: Ints
    rows: Ints
    pose: Array
    miss_px: Array
    is_line: bool

    @property
    def n_met(self) -> Ints:
        """The constraints that each view meets: two a point, less the pose's freedoms."""
        return np.asarray(2 * (self.rows >= 0).sum(axis=1) - (5 if self.is_line else 6))

    @property
    def strong(self) -> Ints:
        """Views of chains that chance does not make, and that show the wand as whole as usual."""
        n_met = self.n_met
        if not len(n_met):
            return np.empty(0, np.int64)
        weight = np.bincount(self.chain, n_met)[self.chain]
        return np.flatnonzero((weight >= 3 * UNITS) & (n_met >= np.median(n_met)))

    def evidence(self) -> Array:
        """Return each view's log-likelihood ratio of a wand seen with Gaussian noise to points
        that came near by chance.

        Of k constraints met with the sum of squares chi² (in sigmas), against as many spread evenly
        over the limits, four sigma to either side: k log(8 / sqrt(2 pi)) - chi² / 2. Sigma is the
        one that strong chains show.
        """
        n_met, strong = self.n_met, self.strong
        squares = self.miss_px**2 * (self.rows >= 0).sum(axis=1)
        variance = NOISE_PX**2
        if len(strong):
            variance = np.median(squares[strong] / special.chdtri(n_met[strong], 0.5))
        return np.asarray(np.maximum(1.16 * n_met - 0.5 * squares / max(variance, 1e-12), -1.0))


@dataclass(frozen=True, slots=True)
class Sight:
    """How one camera sees: focal length in px, its sensor's area in px², frames a second, and open
    points a frame.
    """

    focal_px: float
    area_px: float
    rate_hz: float
    crowd: float


def settled(views: Views, sight: Sight) -> tuple[Ints, int]:
    """Return the views to keep, one a frame, and in how many frames another disjoint wand was seen.

    A chain counts by its evidence, and one that follows or precedes an accepted chain by how
    unlikely that place is.
    """
    if not len(views.chain):
        return np.empty(0, np.int64), 0
    by_chain: Array = np.bincount(views.chain, views.evidence()).astype(float)
    is_good = _linked(views, by_chain, sight)
    frame, weight = np.unique(views.frame, return_inverse=True)[1], by_chain[views.chain]
    good = np.flatnonzero(is_good[views.chain])
    good = good[np.lexsort((good, -weight[good]))]
    best = _first_of_frames(good, frame)
    rows, best_rows = views.rows[good], views.rows[best[frame[good]]]
    is_shared = ((rows[:, :, None] == best_rows[:, None]) & (rows >= 0)[:, :, None]).any((1, 2))
    is_second = ~is_shared & (weight[good] >= UNITS)
    # A weak chain that names otherwise than a stronger one where both see the wand is chance.
    is_rival = (rows != best_rows).any(axis=1) & (weight[good] < 4 * UNITS)
    chain = views.chain[good]
    left = good[np.bincount(chain, is_rival)[chain] <= RIVAL_SHARE * np.bincount(chain)[chain]]
    keep = _first_of_frames(left, frame)
    return keep[keep >= 0], len(np.unique(frame[good[is_second]]))


def _first_of_frames(chosen: Ints, frame: Ints) -> Ints:
    """Return the first of the chosen views in each frame (F,), -1 for none."""
    out = np.full(frame.max() + 1, -1)
    at, first = np.unique(frame[chosen], return_index=True)
    out[at] = chosen[first]
    return out


def _linked(views: Views, weight: Array, sight: Sight) -> NDArray[np.bool_]:
    """Return which chains count: by their own weight, or by that and their nearness in time and
    place to such a one.
    """
    needed = EVIDENCE + 3.0 * np.log(max(sight.crowd, 1.0) / CROWD)
    needed = max(LEAST_EVIDENCE, needed)
    n = len(weight)
    in_time = np.lexsort((views.frame, views.chain))
    bounds = np.searchsorted(views.chain[in_time], np.arange(n + 1))
    first, last = in_time[bounds[:-1]], in_time[bounds[1:] - 1]
    begin, end = views.frame[first], views.frame[last]
    is_good = weight >= needed
    for _ in range(N_LINKS):
        good = np.flatnonzero(is_good)
        if not len(good):
            break
        before, after = good[np.argsort(end[good])], good[np.argsort(begin[good])]
        b = np.searchsorted(end[before], begin, side="left") - 1
        a = np.searchsorted(begin[after], end, side="right")
        earlier = last[before[np.clip(b, 0, None)]]
        later = first[after[np.clip(a, None, len(after) - 1)]]
        gain = np.maximum(
            np.where(b >= 0, _nearness(views, first, earlier, sight), 0.0),
            np.where(a < len(after), _nearness(views, last, later, sight), 0.0),
        )
        now = is_good | (weight + gain >= needed)
        if (now == is_good).all():
            break
        is_good = now
    return np.asarray(is_good)


def _nearness(views: Views, here: Ints, there: Ints, sight: Sight) -> Array:
    """Return log(1 / p) (k,), p being the share of the sensor to which a hand can have taken the
    wand from one view to the other; 0 where it cannot.
    """
    seconds = np.abs(views.frame[here] - views.frame[there]) / sight.rate_hz
    way = HAND_MM_S * seconds
    depth = np.minimum(views.pose[here, 11], views.pose[there, 11])
    off = np.linalg.norm(views.pose[here, 9:] - views.pose[there, 9:], axis=1)
    share = np.pi * (sight.focal_px * way / depth) ** 2 / sight.area_px
    # In depth a single view is good to some per cent.
    is_near = (seconds <= LINK_S) & (off < way + 0.1 * depth)
    return np.where(is_near, -np.log(np.clip(share, 1e-3, 1.0)), 0.0)
