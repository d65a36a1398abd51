"""Names checked and completed by motion: a hand moves smoothly, so a marker lies where those before
and after say.

Times are in the steps of ``hand``, so that motion is the same at every frame rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import compiled
from calib.core.frames import Ints
from calib.core.geometry import Array

REACH = 6.0  # steps: what lies farther off than 0.24 s says little about this one
APART = 0.999  # of a step: points nearer than that to each other show noise, not motion
SHORT, LONG = 0.5, 2.0  # of the bend: below, a miss is noise alone; above, the motion shows
SIGMAS = 4.5  # of noise: a good point fails once in 25,000
BENDS = 8.0  # of what a usual stretch of the motion leaves, medians
MAX_LIMIT_PX = 3.0  # a place less certain than this names no further point
MAX_JUMP_PX = 40.0  # beyond it an extrapolation vouches for nothing
N_ROUNDS = 6
FEW = 20  # points that tell how smooth a motion is


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where a marker should be (k, d), nan where not to be told, how noise adds up there, and how
    the motion's bend.
    """

    xy: Array
    noise: Array
    bend: Array

    def limit(self, sigma: float, curl: float) -> Array:
        """Return how far (k,) a point may lie off, from a coordinate's noise and the motion's
        fourth derivative.
        """
        return SIGMAS * sigma * self.noise + BENDS * curl * self.bend


def interpolate(time: Array, xy: Array, goal: Array, reach: float = REACH) -> Places:
    """Return the places of one marker at the times ``goal`` from its points ``xy (n, d)`` at
    sorted times (n,).

    Cubic through two points to either side, a step apart and none farther than ``reach``; a point
    of the goal's own time takes no part.
    """
    pick = np.stack([*_outwards(time, goal, -1, 2), *_outwards(time, goal, 1, 2)])
    return _through(time, xy, goal, pick, reach)


def extrapolate(time: Array, xy: Array, goal: Array, side: int) -> Places:
    """Return the places at ``goal`` from three points before (side -1) or after (+1), a step apart,
    by their parabola.
    """
    return _through(time, xy, goal, np.stack(_outwards(time, goal, side, 3)), 2 * REACH)


def _outwards(time: Array, goal: Array, side: int, n: int) -> list[Ints]:
    """Return the first n points (k,) on one side of each goal, each a step or more beyond the one
    before; -1 or ``len(time)`` where there are no more.
    """
    if side > 0:
        return [len(time) - 1 - at for at in _outwards(-time[::-1], -goal, -1, n)]
    out = [np.searchsorted(time, goal, side="left") - 1]
    for _ in range(n - 1):
        last = np.where(out[-1] < 0, -np.inf, time[out[-1]])
        out.append(np.searchsorted(time, last - APART, side="right") - 1)
    return out


def _through(time: Array, xy: Array, goal: Array, pick: Ints, reach: float) -> Places:
    """Return the places (k, d) on the polynomials through the points ``pick (n, k)``.

    The error is the n-th derivative times Π (t - t_i) / n! (Lagrange's remainder).
    """
    n = len(pick)
    inside = np.clip(pick, 0, len(time) - 1)
    gap = time[inside] - goal
    is_there = ((pick == inside) & (np.abs(gap) <= reach)).all(axis=0)
    place, noise = np.full((len(goal), xy.shape[1]), np.nan), np.ones(len(goal))
    at, near = inside[:, is_there], gap[:, is_there]
    total, gain = np.zeros((at.shape[1], xy.shape[1])), np.ones(at.shape[1])
    for i in range(n):
        weight = np.ones(at.shape[1])
        for j in range(n):
            if i != j:
                weight = weight * near[j] / (near[j] - near[i])
        total += weight[:, None] * xy[at[i]]
        gain += weight**2
    place[is_there], noise[is_there] = total, np.sqrt(gain)
    return Places(place, noise, np.abs(gap).prod(axis=0) / math.factorial(n))


def ends_checked(time: Array, xy_px: Array, rows: Ints, sigma: float) -> Ints:
    """Return rows (n, M) without the points at a visit's ends that leave the motion or that nothing
    vouches for.
    """
    rows = rows.copy()
    for m in range(rows.shape[1]):
        at = np.flatnonzero(rows[:, m] >= 0)
        if len(at) < FEW:
            continue
        xy, known = xy_px[rows[at, m]], time[at]
        is_open = np.isnan(interpolate(known, xy, known).xy).any(axis=1)
        is_good = ~is_open
        for side in (-1, 1):
            place = extrapolate(known, xy, known, side)
            miss = np.linalg.norm(xy - place.xy, axis=1)
            rest = np.maximum(miss - sigma * place.noise, 0.0) / place.bend
            jerk = float(np.nanmedian(rest[~is_open])) if np.isfinite(rest[~is_open]).any() else 0.0
            is_good |= miss <= np.minimum(
                SIGMAS * sigma * place.noise + BENDS * jerk * place.bend, MAX_JUMP_PX
            )
        rows[at[~is_good], m] = -1
    return rows


def motion_scales(size: Array, noise: Array, bend: Array) -> tuple[float, float]:
    """Return the noise of a coordinate and the usual fourth derivative that misses ``size (n,)``
    show; nan from few.
    """
    is_short, is_long = (bend < SHORT) & np.isfinite(size), (bend > LONG) & np.isfinite(size)
    if is_short.sum() < FEW:
        return np.nan, np.nan
    # The median length of a 2D normal law is 1.177 sigma.
    sigma = float(np.median(size[is_short] / noise[is_short])) / 1.177
    rest = np.maximum(size[is_long] - sigma * noise[is_long], 0.0) / bend[is_long]
    return sigma, float(np.median(rest)) if is_long.sum() >= FEW else 0.1 * sigma


def checked(time: Array, xy_px: Array, rows: Ints) -> tuple[Ints, float, float]:
    """Return rows (n, M) without the points that break a smooth motion, the noise in px and the
    motion's usual bend.

    ``time (n,)`` increases; rows index ``xy_px`` by marker, -1 where there is none.
    """
    rows = rows.copy()
    sigma = curl = np.nan
    for _ in range(N_ROUNDS):
        miss, places = [], []
        for m in range(rows.shape[1]):
            at = np.flatnonzero(rows[:, m] >= 0)
            known = xy_px[rows[at, m]]
            place = interpolate(time[at], known, time[at]) if len(at) else None
            places.append(place)
            miss.append(np.linalg.norm(known - place.xy, axis=1) if place else np.empty(0))
        noise = np.concatenate([p.noise for p in places if p])
        bend = np.concatenate([p.bend for p in places if p])
        size = np.concatenate(miss)
        sigma, curl = motion_scales(size, noise, bend)
        if not np.isfinite(sigma):
            break
        n_out = 0
        for m, (place, gap) in enumerate(zip(places, miss, strict=True)):
            if place is None:
                continue
            at = np.flatnonzero(rows[:, m] >= 0)
            excess = np.nan_to_num(gap / place.limit(sigma, curl))
            # A wrong point makes its neighbours look wrong: only the worst of its neighbourhood
            # goes at a time.
            padded = np.pad(excess, 2)
            worst = np.max([padded[k : k + len(excess)] for k in range(5)], axis=0)
            is_out = (excess > 1.0) & (excess >= worst)
            rows[at[is_out], m] = -1
            n_out += int(is_out.sum())
        if not n_out:
            break
    return rows, sigma, curl


def completed(
    time: Array,
    starts: Ints,
    xy_px: Array,
    is_free: NDArray[np.bool_],
    rows: Ints,
    sigma: float,
    curl: float,
) -> Ints:
    """Return rows (F, M) of all frames, at ``time (F,)``, with the markers added that the motion
    points out.

    Frame f's points are rows ``starts[f]`` to ``starts[f + 1]`` of ``xy_px``; ``is_free`` says
    which may be named. A point is named where it alone lies near the place, with none other close
    by.
    """
    out = rows.copy()
    for m in range(rows.shape[1]):
        at = np.flatnonzero(rows[:, m] >= 0)
        wanted = np.flatnonzero(rows[:, m] < 0)
        if not len(at) or not len(wanted):
            continue
        place = interpolate(time[at], xy_px[rows[at, m]], time[wanted])
        limit = place.limit(sigma, curl)
        is_sure = np.isfinite(place.xy).all(axis=1) & (limit <= MAX_LIMIT_PX)
        wanted, limit = wanted[is_sure], limit[is_sure]
        found = lone_points(starts, xy_px, is_free, wanted, place.xy[is_sure], limit, 2.0)
        out[wanted, m] = found
        is_free = is_free.copy()
        is_free[found[found >= 0]] = False
    return out


@compiled
def lone_points(
    starts: Ints,
    xy: Array,
    is_free: NDArray[np.bool_],
    at: Ints,
    place: Array,
    limit: Array,
    clear: float,
) -> Ints:
    """Return the rows (k,) of the points within ``limit`` of ``place`` in frames ``at``, -1 unless
    one alone is near.

    Another free point within ``clear`` times the limit leaves the choice open.
    """
    out = np.full(at.shape[0], -1)
    for k in range(at.shape[0]):
        n_near = 0
        for q in range(starts[at[k]], starts[at[k] + 1]):
            if not is_free[q]:
                continue
            d = np.hypot(xy[q, 0] - place[k, 0], xy[q, 1] - place[k, 1])
            n_near += d <= clear * limit[k]
            if d <= limit[k]:
                out[k] = q
        if n_near != 1:
            out[k] = -1
    return out
