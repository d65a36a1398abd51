"""Which points of several cameras show the same thing, given where the cameras stand.

Rays of two cameras must meet at a moment and just before and after it. Chance does that seldom, and
three cameras hardly ever; so every two points that keep meeting propose a place, and the place that
most cameras confirm takes its points first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.check.recheck.free.moments import LEAST_SEEN, NOW, Moments
from calib.core.compiled import compiled
from calib.core.geometry import Array, ray_miss, rays_meet
from calib.core.threads import in_groups
from calib.solve.bundle.problem import State

Index = NDArray[np.intp]
# A ray passes its marker by the noise of its point, and by what the camera's place is not yet known
# to.
NOISES, MORE_PX = 5.0, 1.0
# Rays of two cameras meet by chance, those of what is at rest moment after moment; and of two
# cameras neither could be said to be the one that moved.
LEAST_VIEWS = 3
FAR_MM = 3e4  # no marker is farther from a camera, nor from four times the rig's own radius


def groups_of(moments: Moments, state: State, sigma_px: Array) -> Index:
    """Return a number for each point (n,), the same for those that show one thing at one moment, -1
    where none is known; by moment, from 0 without gaps.

    ``sigma_px (C,)`` is the cameras' noise. Three cameras or more make a group; of a rig of two
    cameras two do, if neither point could belong to another.
    """
    n_cameras = len(moments.names)
    ray, position = rays(moments, state), np.ascontiguousarray(state.position_mm)
    reach = (NOISES * sigma_px + MORE_PX) / state.lens[:, 0]
    out = np.full(len(moments.cam), -1, np.int64)
    count = np.zeros(len(moments.number), np.int64)
    least = min(LEAST_VIEWS, n_cameras)
    radius = np.linalg.norm(position - position.mean(axis=0), axis=1).max()
    far = max(FAR_MM, 4.0 * float(radius))

    def run(some: Sequence[int]) -> None:
        for m in some:
            at = slice(moments.starts[m], moments.starts[m + 1])
            own = out[at]
            count[m] = _group(moments.cam[at], ray[at], position, reach, far, least, own)

    in_groups(run, range(len(moments.number)))
    first = np.cumsum(count) - count
    return np.where(out >= 0, out + first[moments.moment], -1).astype(np.intp)


def rays(moments: Moments, state: State) -> Array:
    """Return unit vectors (n, S, 3) in the world along each point's way; nan where it does not
    show.
    """
    ray = np.concatenate([moments.plane, np.ones((*moments.plane.shape[:2], 1))], axis=2)
    ray = ray @ state.cam_R[moments.cam]
    return np.asarray(ray / np.linalg.norm(ray, axis=2, keepdims=True))


@compiled
def _group(
    cam: Any, ray: Array, position: Array, reach: Array, far: float, least: int, out: Any
) -> int:
    """Write the numbers of one moment's points and return how many there are."""
    n, n_cameras, number = len(cam), len(position), 0
    meets = np.zeros((n, n), np.bool_)
    _find_meetings(cam, ray, position, reach, far, meets)
    first = np.zeros(n + 1, np.int64)
    for i in range(n):
        first[i + 1] = first[i] + meets[i].sum()
    partner, pairs = np.empty(first[n], np.int64), np.empty((first[n] // 2, 3), np.int64)
    k, p = 0, 0
    for i in range(n):
        for j in np.flatnonzero(meets[i]):
            partner[k] = j
            k += 1
            if j > i:
                pairs[p, 0], pairs[p, 1] = i, j
                p += 1
    x, at, best = np.empty(3), np.empty(n_cameras, np.int64), np.empty(n_cameras)
    most = least
    for k in range(len(pairs)):
        i, j = pairs[k, 0], pairs[k, 1]
        own = partner[first[i] : first[i + 1]]
        pairs[k, 2] = _confirm(cam, ray, position, reach, meets, own, out, i, j, x, at, best)
        most = max(most, pairs[k, 2])
    for level in range(most, least - 1, -1):
        for k in range(len(pairs)):
            i, j = pairs[k, 0], pairs[k, 1]
            if pairs[k, 2] < level or out[i] >= 0 or out[j] >= 0:
                continue
            own = partner[first[i] : first[i + 1]]
            if level == 2 and (len(own) > 1 or first[j + 1] - first[j] > 1):
                continue
            n_seen = _confirm(cam, ray, position, reach, meets, own, out, i, j, x, at, best)
            if n_seen >= level:
                for c in range(n_cameras):
                    if at[c] >= 0:
                        out[at[c]] = number
                number += 1
    return number


@compiled
def _find_meetings(
    cam: Any, ray: Array, position: Array, reach: Array, far: float, meets: Any
) -> None:
    """Write which points' rays keep meeting; the points come camera by camera."""
    x = np.empty(3)
    for i in range(len(cam)):
        c, r0, r1, r2 = -1, ray[i, NOW, 0], ray[i, NOW, 1], ray[i, NOW, 2]
        p0, p1, p2, most_off = r0, r0, r0, r0
        for j in range(i + 1, len(cam)):
            if cam[j] == cam[i]:
                continue
            if cam[j] != c:
                c = cam[j]
                b0 = position[c, 0] - position[cam[i], 0]
                b1 = position[c, 1] - position[cam[i], 1]
                b2 = position[c, 2] - position[cam[i], 2]
                p0, p1, p2 = b1 * r2 - b2 * r1, b2 * r0 - b0 * r2, b0 * r1 - b1 * r0
                most_off = far * (reach[cam[i]] + reach[c])
            # Few rays lie near the plane of base line and ray; these are looked at.
            off = p0 * ray[j, NOW, 0] + p1 * ray[j, NOW, 1] + p2 * ray[j, NOW, 2]
            if abs(off) <= most_off and _keep_meeting(cam, ray, position, reach, i, j, x):
                meets[i, j] = True
                meets[j, i] = True


@compiled
def _keep_meeting(
    cam: Any, ray: Array, position: Array, reach: Array, i: int, j: int, x: Array
) -> bool:
    """Return whether two rays meet now and whenever both are seen, three times or more."""
    if not rays_meet(cam, ray, position, reach, i, j, NOW, x):
        return False
    n = 1
    for s in range(ray.shape[1]):
        if s != NOW and not (np.isnan(ray[i, s, 0]) or np.isnan(ray[j, s, 0])):
            if not rays_meet(cam, ray, position, reach, i, j, s, x):
                return False
            n += 1
    return n >= LEAST_SEEN


@compiled
def _confirm(
    cam: Any,
    ray: Array,
    position: Array,
    reach: Array,
    meets: Any,
    partner: Any,
    out: Any,
    i: int,
    j: int,
    x: Array,
    at: Any,
    best: Array,
) -> int:
    """Return how many cameras have a free point that meets both i and j where these meet; write
    which. ``partner`` are those that meet i.
    """
    at[:] = -1
    at[cam[i]], at[cam[j]] = i, j
    n = 2
    rays_meet(cam, ray, position, reach, i, j, NOW, x)
    best[:] = np.inf
    best[cam[i]], best[cam[j]] = -1.0, -1.0
    for k in partner:
        if meets[j, k] and out[k] < 0:
            c = cam[k]
            miss = ray_miss(c, ray, position, reach, k, NOW, x)
            if miss <= 1.0 and miss < best[c]:
                n += at[c] < 0
                best[c], at[c] = miss, k
    return n


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where groups (G) are: the sums over their rays whose least squares that is, by which one ray
    can be taken out again; ``moment (G,)``, ``n_views (G,)``.

    ``own (n, S)`` is each point's weight in them, ``ray (n, S, 3)`` its ray.
    """

    A: Array
    b: Array
    moment: Index
    n_views: Index
    own: Array
    ray: Array
    position_mm: Array

    def points_mm(self) -> Array:
        """Return the groups' places along their ways (G, S, 3), nan where they do not show."""
        return _solved(self.A, self.b)

    def without(self, points: Index, groups: Index, cam: Index) -> Array:
        """Return the places (k, S, 3) of the ``groups (k,)`` without the rays of the ``points``."""
        return _solved(*self.sums_without(points, groups, cam))

    def sums_without(self, points: Index, groups: Index, cam: Index) -> tuple[Array, Array]:
        """Return the sums A (k, S, 3, 3) and b (k, S, 3) of the same."""
        A, b = _sums(self.own[points], self.ray[points], self.position_mm[cam[points]])
        return self.A[groups] - A, self.b[groups] - b


def places_of(moments: Moments, group: Index, state: State) -> Places:
    """Return where the groups (n,) of the moments' points are.

    A ray counts by the square of the inverse of its length, which is twice found.
    """
    at = np.flatnonzero(group >= 0)
    n_groups = int(group.max(initial=-1)) + 1
    ray, origin = rays(moments, state), state.position_mm[moments.cam]
    own = np.isfinite(ray[..., 0]).astype(float)
    moment = np.zeros(n_groups, np.intp)
    moment[group[at]] = moments.moment[at]
    for _ in range(3):
        A, b = np.zeros((n_groups, ray.shape[1], 3, 3)), np.zeros((n_groups, ray.shape[1], 3))
        of_A, of_b = _sums(own[at], ray[at], origin[at])
        np.add.at(A, group[at], of_A)
        np.add.at(b, group[at], of_b)
        x = _solved(A, b)[group[at]]
        length = np.linalg.norm(x - origin[at, None], axis=2)
        focal = state.lens[moments.cam[at], 0]
        weight = (focal[:, None] / np.maximum(length, 1.0)) ** 2
        own[at] = np.where(own[at] > 0, np.nan_to_num(weight), 0.0)
    n_views = np.bincount(group[at], minlength=n_groups)
    return Places(A, b, moment, n_views, own, ray, state.position_mm)


def _sums(weight: Array, ray: Array, origin: Array) -> tuple[Array, Array]:
    ray = np.nan_to_num(ray)
    P = weight[..., None, None] * (np.eye(3) - ray[..., :, None] * ray[..., None, :])
    return P, np.einsum("nsij,nj->nsi", P, origin)


def _solved(A: Array, b: Array) -> Array:
    size = np.maximum(np.trace(A, axis1=-2, axis2=-1), 1e-300)[..., None, None]
    # A single ray, or several almost along one another, places nothing.
    is_open = np.linalg.det(A / size) < 1e-9
    safe = np.where(is_open[..., None, None], np.eye(3), A)
    x = np.linalg.solve(safe, b[..., None])[..., 0]
    return np.asarray(np.where(is_open[..., None], np.nan, x))
