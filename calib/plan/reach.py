"""How far planned cameras reach, quickly: sums over cameras at few places, so that one camera more,
less or turned elsewhere is reckoned in a moment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calib.core.compiled import as_written
from calib.core.geometry import Array
from calib.plan.assess import Assessment
from calib.plan.coverage import is_hidden, limits_of, look, noise_sigma
from calib.plan.kernels import Rest, lack, value_settings
from calib.plan.records import Need, Plan, PlanCamera

MOST_PLACES, CAMERAS_TIMES_PLACES = 1500, 30_000
MOST_WORK = 5e5  # places times pairs of cameras
NO_PLACES = np.zeros((0, 3))
# A camera that sees fewer places than this share of what the rig's usual one does sees too little
# of the wave to be placed well, and spoils the places that it then counts for most.
LEAST_SEEN = 0.6
USUAL_RATIO = 1.3  # of all errors to the centroids' noise, where a wave has not told it


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """What cameras see and tell of places (n): ``is_seen (C, n)``, ``information (C, n, 3, 3)``.

    A marker's standard deviation is ``ratio (n,)`` times the one by centroids' noise, and beside it
    stands ``share_mm (n,)``, the rig's own; ``weight (n,)`` says how much a place counts.
    """

    need: Need
    places_mm: Array
    weight: Array
    is_seen: NDArray[np.bool_]
    information: Array
    ratio: Array
    share_mm: Array

    def without(self, gone: tuple[int, ...]) -> tuple[Array, Array]:
        """Return how many cameras see each place (n,), and its standard deviation (n,), without
        some of the cameras.
        """
        kept = [k for k in range(len(self.is_seen)) if k not in gone]
        count, total = self.is_seen[kept].sum(axis=0), self.information[kept].sum(axis=0)
        return count, np.hypot(self.ratio * noise_sigma(total), self.share_mm)

    def is_met_without(self, gone: tuple[int, ...]) -> bool:
        """Return whether the need is still met without some of the cameras."""
        return is_met(self.need, *self.without(gone))

    def shortfall(self, gone: tuple[int, ...] = ()) -> float:
        """Return how far the places are from the need without some of the cameras; where nothing
        lacks, less is still better by a little.
        """
        lacks = as_written(lack)(*self.without(gone), limits_of_need(self.need))
        return float(np.average(lacks, weights=self.weight))

    def with_camera(self, plan: Plan, k: int) -> Reach:
        """Return what is reached with one camera as it is in another plan."""
        one = look(plan, plan.cameras[k], self.places_mm)
        is_seen, information = self.is_seen.copy(), self.information.copy()
        is_seen[k], information[k] = one.is_seen, one.information
        return replace(self, is_seen=is_seen, information=information)


def is_met(need: Need, count: Array, sigma: Array) -> bool:
    """Return whether counts (n,) and standard deviations (n,) meet the need."""
    least, most = limits_of_need(need)
    return bool((count >= least).all() and (sigma <= most).all())


def limits_of_need(need: Need) -> tuple[float, float]:
    """Return the least number of cameras and the largest standard deviation in mm."""
    return float(need.cameras), np.inf if need.precision_mm is None else need.precision_mm


def reach_of(
    plan: Plan, found: Assessment, more_mm: Array = NO_PLACES, weight: float = 1.0
) -> Reach:
    """Return what the plan's cameras reach at many places all over the volume, and at more of
    them, (n, 3), that count by another weight.

    The rig's own share of the errors is as it was found at the nearest place, half of it in
    proportion to that of the noise: some of it are poses, which cameras have each for itself, some
    what all have in common.
    """
    n = min(MOST_PLACES, CAMERAS_TIMES_PLACES / len(plan.cameras))
    places = plan.volume.grid((plan.volume.size_mm.prod() / n) ** (1.0 / 3.0), to_faces=True)
    weights = np.repeat([1.0, weight], [len(places), len(more_mm)])
    places = np.concatenate([places, more_mm])
    noise = found.noise_mm[found.judged]
    known = np.isfinite(found.sigma_mm) & np.isfinite(noise)
    ratio, share = np.full(len(places), USUAL_RATIO), np.zeros(len(places))
    if known.any():
        _, nearest = cKDTree(found.places_mm[found.judged[known]]).query(places)
        noise, sigma = noise[known][nearest], found.sigma_mm[known][nearest]
        half = 0.5 * (sigma**2 - noise**2)
        ratio, share = np.sqrt(1.0 + half / noise**2), np.sqrt(half)
    looks = [look(plan, c, places) for c in plan.cameras]
    return Reach(
        plan.need,
        places,
        weights,
        np.stack([one.is_seen for one in looks]),
        np.stack([one.information for one in looks]),
        ratio,
        share,
    )


def rest_of(reach: Reach, gone: int | None = None) -> Rest:
    """Return what all cameras make of the places, or all but one."""
    count, information = reach.is_seen.sum(axis=0), reach.information.sum(axis=0)
    if gone is not None:
        count, information = count - reach.is_seen[gone], information - reach.information[gone]
    n_seen = reach.is_seen.sum(axis=1)
    least = LEAST_SEEN * float(np.median(n_seen))
    return Rest(
        reach.places_mm,
        reach.weight,
        count,
        information,
        reach.ratio,
        reach.share_mm,
        limits_of_need(reach.need),
        least if gone is None else min(least, float(n_seen[gone])),
    )


def shortfalls(rest: Rest, plan: Plan, camera: PlanCamera, R: Array, focal_mm: Array) -> Array:
    """Return the shortfall (a, f) with a camera besides, where it hangs, at each of the turns (a,
    3, 3) and focal lengths (f,).
    """
    zoomed = [replace(camera, focal_mm=f) for f in focal_mm.tolist()]
    out = np.empty((len(R), len(zoomed)))
    value_settings(
        rest,
        is_hidden(plan.obstacles, camera.position_mm, rest.places_mm),
        np.array(camera.position_mm),
        R,
        np.stack([c.lens.vector for c in zoomed]),
        np.stack([limits_of(plan, c) for c in zoomed]),
        out,
    )
    return out


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
            np.ones(len(places)),
            np.stack([one.is_seen[places] for one in looks]),
            np.stack([one.information[places] for one in looks]),
            of[rows],
            np.zeros(len(rows)),
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
