"""How far planned cameras reach, quickly: sums over cameras at few places, so that one camera more,
less or turned elsewhere is reckoned in a moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.plan.assess import Assessment
from calib.plan.coverage import look, noise_sigma, places_in
from calib.plan.records import Need, Plan

MOST_PLACES, CAMERAS_TIMES_PLACES = 1500, 30_000
MOST_WORK = 5e5  # places times pairs of cameras
USUAL_RATIO = 1.3  # of all errors to the centroids' noise, where a wave has not told it
RESERVE = 1e-4  # weight of what is beyond the need: it tells which way is up where nothing lacks
WORST = 5.0  # logarithm of a precision that lacks: a place that is not placed at all


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """What cameras see and tell of places (n): ``is_seen (C, n)``, ``information (C, n, 3, 3)``.

    ``ratio``, one or (n,), is that of a marker's whole standard deviation to the one by centroids'
    noise.
    """

    need: Need
    places_mm: Array
    is_seen: NDArray[np.bool_]
    information: Array
    ratio: float | Array

    def without(self, gone: tuple[int, ...]) -> tuple[Array, Array]:
        """Return how many cameras see each place (n,), and its standard deviation (n,), without
        some of the cameras.
        """
        kept = [k for k in range(len(self.is_seen)) if k not in gone]
        count, total = self.is_seen[kept].sum(axis=0), self.information[kept].sum(axis=0)
        return count, self.ratio * noise_sigma(total)

    def is_met_without(self, gone: tuple[int, ...]) -> bool:
        """Return whether the need is still met without some of the cameras."""
        return is_met(self.need, *self.without(gone))


def is_met(need: Need, count: Array, sigma: Array) -> bool:
    """Return whether counts (n,) and standard deviations (n,) meet the need."""
    most = np.inf if need.precision_mm is None else need.precision_mm
    return bool((count >= need.cameras).all() and (sigma <= most).all())


def shortfall(need: Need, count: Array, sigma: Array) -> float:
    """Return how far counts (n,) and standard deviations (n,) are from the need; where nothing
    lacks, less is still better by a little.
    """
    few = np.maximum(0.0, need.cameras - count) / need.cameras
    log = np.log(np.clip(sigma, 1e-3, 1e3))
    value = float(few.mean()) + RESERVE * float(log.mean())
    if need.precision_mm is not None:
        value += float(np.clip(log - np.log(need.precision_mm), 0.0, WORST).mean())
    return value


def reach_of(plan: Plan, ratio: float = USUAL_RATIO, more_mm: Array | None = None) -> Reach:
    """Return what the plan's cameras reach at many places all over the volume, and at more of
    them, (n, 3).
    """
    n = min(MOST_PLACES, CAMERAS_TIMES_PLACES / len(plan.cameras))
    places = places_in(plan.volume, float(plan.volume.size_mm.prod() / n) ** (1.0 / 3.0))
    places = places if more_mm is None else np.concatenate([places, more_mm])
    looks = [look(plan, c, places) for c in plan.cameras]
    return Reach(
        plan.need,
        places,
        np.stack([one.is_seen for one in looks]),
        np.stack([one.information for one in looks]),
        ratio,
    )


def ratio_of(found: Assessment) -> float:
    """Return the ratio of all errors to the centroids' noise, at places where it is large."""
    sigma, noise = found.sigma_mm, found.noise_mm[found.judged]
    known = np.isfinite(sigma) & np.isfinite(noise)
    if not known.any():
        return USUAL_RATIO
    return float(np.percentile(sigma[known] / noise[known], 90))


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """Whose loss breaks a need that is met: single cameras, and pairs neither of which does alone;
    ``n_pairs`` were examined.
    """

    single: tuple[str, ...]
    pairs: tuple[tuple[str, str], ...]
    n_pairs: int


def losses(found: Assessment) -> Losses | None:
    """Return which camera's loss breaks the need, and which two cameras'; None where it is not met
    as it is.

    Reckoned at the judged places, fewer of them for the pairs of many cameras; the rig's own share
    of the errors is taken to stay in proportion to that of the noise.
    """
    if not found.is_met:
        return None
    names, ratio = found.plan.names, found.sigma_mm / found.noise_mm[found.judged]
    n_pairs = len(names) * (len(names) - 1) // 2

    def at(rows: NDArray[np.intp], of: Array) -> Reach:
        looks, places = found.looks, found.judged[rows]
        return Reach(
            found.plan.need,
            found.places_mm[places],
            np.stack([one.is_seen[places] for one in looks]),
            np.stack([one.information[places] for one in looks]),
            of[rows],
        )

    every = np.arange(len(found.judged))
    few = every[:: max(1, round(len(every) * n_pairs / MOST_WORK))]
    of_one, of_two = at(every, ratio), at(few, ratio)
    alone = [not of_one.is_met_without((k,)) for k in range(len(names))]
    left = [k for k in range(len(names)) if not alone[k]]
    pairs = [
        (names[a], names[b]) for a, b in combinations(left, 2) if not of_two.is_met_without((a, b))
    ]
    single = tuple(n for n, breaks in zip(names, alone, strict=True) if breaks)
    return Losses(single, tuple(pairs), len(left) * (len(left) - 1) // 2)


def rest_of(reach: Reach, gone: int) -> tuple[Array, Array]:
    """Return counts (n,) and information (n, 3, 3) of all cameras but one."""
    count = reach.is_seen.sum(axis=0) - reach.is_seen[gone]
    return count, reach.information.sum(axis=0) - reach.information[gone]
