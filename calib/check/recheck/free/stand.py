"""Where each camera must stand for its points to be those that the other cameras place.

Only near enough to say which point is which: the recheck proper starts from there. A camera that
shows few of the places where its own pose has them is looked for: everything in its image then lies
off alike, and moves as it should.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from calib.check.recheck.free.groups import Places
from calib.check.recheck.free.moments import NOW, Moments
from calib.core.camera import Lens, project
from calib.core.compiled import compiled
from calib.core.geometry import Array, rotation_from_vector, sigma_of_squares
from calib.solve.bundle.problem import State

Index = NDArray[np.intp]

# Of the places that lie on a camera's sensor it shows most, but for what hides them; a camera that
# shows fewer than this share is looked for.
FEW = 0.35
SEARCH_SHARE = 0.3  # of the sensor's width, either way: a turn by ten to twenty degrees
ALIKE_PX = 24.0  # points that lie off by so nearly the same count together
LEAST_ALIKE = 12
SLIPS = (0, 1, -1, 2, -2)  # whole frames by which a camera may have become late
# How far a point may lie off from where it should, round by round, in px.
GATES_PX = (24.0, 8.0, 4.0)
WAY_PX, OF_WAY = 3.0, 0.1  # by how much two ways may differ, and besides by a share of the way
LEAST_MATCHED = 12
# A camera that shows fewer than this share may bear another's points, if these fit at the other's
# place by so many times better.
LOST, SURELY = 0.15, 3
# A step's usual size in turn (rad), place (mm) and frames: the damping of what few points do not
# tell.
USUAL_STEP = np.array([*[np.radians(5.0)] * 3, *[300.0] * 3, 2.0])
STEPS, SETTLED_PX = 12, 0.02
NUDGE_MM = 1.0  # for derivatives by differences


@dataclass(frozen=True, slots=True, eq=False)
class Stands:
    """Cameras (C) as their points have them: poses in ``state``, how late they are in frames and
    its sigma, how many places they show and by which share of those that lie on their sensor, and
    their noise.
    """

    state: State
    late_frames: Array
    late_sigma: Array
    n_shown: NDArray[np.int64]
    share: Array
    sigma_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What a camera should show (k): groups, their places in space (k, S, 3) and on its image (k,
    S, 2).
    """

    group: Index
    points_mm: Array
    uv_px: Array


def stands(
    moments: Moments, group: Index, places: Places, state: State, sizes: Array, sigma_px: Array
) -> Stands:
    """Return where all cameras stand, each by the places that the others give; ``sizes (C, 2)``
    are the sensors', ``sigma_px (C,)`` their noise as it was.
    """
    n = len(moments.names)
    R, t = state.cam_R.copy(), state.cam_t.copy()
    late, late_sigma = np.zeros(n), np.full(n, np.inf)
    n_shown, share = np.zeros(n, np.int64), np.zeros(n)
    sigma = sigma_px.copy()
    every = places.points_mm()
    for c in range(n):
        own = np.flatnonzero(moments.cam == c)
        points, shared = places_for(c, moments, group, places, every)
        if len(shared) < LEAST_MATCHED or len(own) < LEAST_MATCHED:
            continue
        lens = Lens.from_vector(state.lens[c])
        pose, tau = (R[c], t[c]), 0.0
        gates: tuple[float, ...] = GATES_PX[1:]
        shown = shown_by(lens, pose, points, shared, sizes[c])
        pairs = paired(moments, own, places, shown, gates[0], tau)
        if len(pairs) < FEW * len(shown.group):
            found = searched(moments, own, places, lens, pose, points, shared, sizes[c])
            if len(found[0]) > len(pairs):
                pairs, tau, gates = *found, GATES_PX
        for gate in (*gates, gates[-1]):
            if len(pairs) < LEAST_MATCHED:
                break
            at, k = pairs.T
            pose, tau, sigma_tau, noise = _fitted(
                moments, own[at], lens, pose, tau, shown.points_mm[k]
            )
            shown = shown_by(lens, pose, points, shared, sizes[c])
            pairs = paired(moments, own, places, shown, gate, tau)
        n_shown[c], share[c] = len(pairs), len(pairs) / max(len(shown.group), 1)
        if len(pairs) >= LEAST_MATCHED:
            R[c], t[c] = pose
            late[c], late_sigma[c], sigma[c] = tau, sigma_tau, noise
    moved = replace(state, cam_R=R, cam_t=t)
    return Stands(moved, late, late_sigma, n_shown, share, sigma)


def bearers(
    moments: Moments, group: Index, places: Places, state: State, sizes: Array, found: Stands
) -> dict[str, str]:
    """Return by name of a camera whose points stand under it, where these are not its own: points
    that fit nowhere near their own camera's place and fit at another's.

    ``state`` is where the cameras stood.
    """
    lost = np.flatnonzero(found.share < LOST)
    every = places.points_mm()
    n_there = np.zeros((len(lost), len(lost)), np.int64)
    for b, place in enumerate(lost.tolist()):
        points, shared = places_for(place, moments, group, places, every)
        pose = state.cam_R[place], state.cam_t[place]
        shown = shown_by(Lens.from_vector(state.lens[place]), pose, points, shared, sizes[place])
        for a, c in enumerate(lost):
            own = np.flatnonzero(moments.cam == c)
            if c != place and len(shared) and (sizes[c] == sizes[place]).all():
                n_there[a, b] = len(paired(moments, own, places, shown, GATES_PX[0], 0.0))
    rows, columns = linear_sum_assignment(-n_there)
    is_clear = n_there[rows, columns] >= np.maximum(
        SURELY * LEAST_MATCHED, SURELY * found.n_shown[lost[rows]]
    )
    names = moments.names
    of = {lost[r]: lost[k] for r, k in zip(rows[is_clear], columns[is_clear], strict=True)}
    # Names were exchanged among these cameras, or nothing is said.
    return {names[a]: names[b] for a, b in of.items()} if set(of) == set(of.values()) else {}


def places_for(
    c: int, moments: Moments, group: Index, places: Places, every: Array
) -> tuple[Array, Index]:
    """Return the places (k, S, 3) that two other cameras or more give a camera, and their groups
    (k,).
    """
    points, n_others = every.copy(), places.n_views.copy()
    own = np.flatnonzero((moments.cam == c) & (group >= 0))
    points[group[own]] = places.without(own, group[own], moments.cam)
    n_others[group[own]] -= 1
    good = np.flatnonzero((n_others >= 2) & np.isfinite(points[:, NOW, 0]))
    return points[good], good


def shown_by(
    lens: Lens, pose: tuple[Array, Array], points: Array, shared: Index, size: Array
) -> Shown:
    uv = project(lens, points @ pose[0].T + pose[1])
    margin = SEARCH_SHARE * size[0]
    with np.errstate(invalid="ignore"):
        near = ((uv[:, NOW] >= -margin) & (uv[:, NOW] < size + margin)).all(axis=1)
        at = np.flatnonzero(near)
    return Shown(shared[at], points[at], uv[at])


def paired(
    moments: Moments, own: Index, places: Places, shown: Shown, gate: float, late: float
) -> NDArray[np.intp]:
    """Return which of a camera's points shows which place (n, 2): the nearest to each other within
    the gate whose ways are alike.
    """
    goal = shown.uv_px + late * moments.rate_of(shown.uv_px)[:, None]
    mate = np.full(len(own), -1)
    _nearest(moments.uv_px[own], goal, moments.moment[own], places.moment[shown.group], gate, mate)
    at = np.flatnonzero(mate >= 0)
    return np.column_stack([at, mate[at]])


@compiled
def _nearest(seen: Array, goal: Array, m: Any, g: Any, gate: float, mate: Any) -> None:
    """Write which of the ways ``goal (k, S, 2)`` is nearest to each ``seen (n, S, 2)``, and to no
    other nearer; both sorted by moment.
    """
    best, by = np.full(len(goal), gate), np.full(len(goal), -1)
    first = 0
    for i in range(len(seen)):
        while first < len(goal) and g[first] < m[i]:
            first += 1
        nearest, k = gate, -1
        for q in range(first, len(goal)):
            if g[q] != m[i]:
                break
            off = np.hypot(seen[i, NOW, 0] - goal[q, NOW, 0], seen[i, NOW, 1] - goal[q, NOW, 1])
            if off < nearest and _is_alike(seen[i], goal[q]):
                nearest, k = off, q
        if k >= 0 and nearest < best[k]:
            best[k], by[k] = nearest, i
    for q in range(len(goal)):
        if by[q] >= 0:
            mate[by[q]] = q


@compiled
def _is_alike(seen: Array, goal: Array) -> bool:
    """Return whether two ways (S, 2) are alike, wherever they lie."""
    for s in range(len(seen)):
        x, y = goal[s, 0] - goal[NOW, 0], goal[s, 1] - goal[NOW, 1]
        off_x, off_y = seen[s, 0] - seen[NOW, 0] - x, seen[s, 1] - seen[NOW, 1] - y
        # Not so of nan: what is not seen.
        if np.hypot(off_x, off_y) > WAY_PX + OF_WAY * np.hypot(x, y):
            return False
    return True


def _by_moment(
    moments: Moments, own: Index, places: Places, shown: Shown
) -> list[tuple[Index, Index]]:
    """Return the points and the places of each moment that has both."""
    m, g = moments.moment[own], places.moment[shown.group]
    edges = np.arange(len(moments.number) + 1)
    a, b = np.searchsorted(m, edges), np.searchsorted(g, edges)
    return [
        (np.arange(a[i], a[i + 1]), np.arange(b[i], b[i + 1]))
        for i in edges[:-1]
        if a[i] < a[i + 1] and b[i] < b[i + 1]
    ]


def _alike(seen: Array, goal: Array) -> NDArray[np.bool_]:
    """Return which ways seen (n, S, 2) and foreseen (k, S, 2) are alike (n, k), wherever they
    lie.
    """
    a, b = (w - w[:, NOW : NOW + 1] for w in (seen, goal))
    off = np.linalg.norm(a[:, None] - b[None], axis=3)
    may = WAY_PX + OF_WAY * np.linalg.norm(b, axis=2)[None]
    return np.asarray(~(off > may).any(axis=2))  # nan: not seen then


def searched(
    moments: Moments,
    own: Index,
    places: Places,
    lens: Lens,
    pose: tuple[Array, Array],
    points: Array,
    shared: Index,
    size: Array,
) -> tuple[NDArray[np.intp], float]:
    """Return pairs as ``paired`` does, of points that lie off from their places by nearly the same,
    and by how many frames the camera is late: what most pairs speak for.
    """
    shown = shown_by(lens, pose, points, shared, size)
    rate = moments.rate_of(shown.uv_px)
    best, late = np.empty((0, 2), np.intp), 0.0
    reach = SEARCH_SHARE * size[0]
    moving = (
        np.nanmax(np.linalg.norm(shown.uv_px - shown.uv_px[:, NOW : NOW + 1], axis=2), axis=1)
        > 2 * WAY_PX
    )
    for slip in SLIPS:
        goal = shown.uv_px + slip * rate[:, None]
        pairs, off = [], []
        for k, every in _by_moment(moments, own, places, shown):
            q = every[moving[every]]
            d = moments.uv_px[own[k], None, NOW] - goal[None, q, NOW]
            i, j = np.nonzero(
                _alike(moments.uv_px[own[k]], goal[q]) & (np.abs(d) < reach).all(axis=2)
            )
            pairs.append(np.column_stack([k[i], q[j]]))
            off.append(d[i, j])
        if not pairs or not sum(map(len, pairs)):
            continue
        both, offs = np.concatenate(pairs), np.concatenate(off)
        count = cKDTree(offs).query_ball_point(offs, ALIKE_PX, return_length=True)
        near = np.linalg.norm(offs - offs[count.argmax()], axis=1) < ALIKE_PX
        if near.sum() >= LEAST_ALIKE and near.sum() > 1.2 * len(best):
            best, late = both[near], float(slip)
    return best, late


def _fitted(
    moments: Moments, at: Index, lens: Lens, pose: tuple[Array, Array], late: float, points: Array
) -> tuple[tuple[Array, Array], float, float, float]:
    """Return the pose and lateness that best explain the points ``at`` (n,) as the images of
    ``points (n, S, 3)``, by Cauchy's loss; sigma of the lateness, and the noise in px.
    """
    (R, t), tau = pose, late
    uv, now = moments.uv_px[at, NOW], points[:, NOW]
    rate = moments.rate[at]
    for _ in range(STEPS):
        in_cam = now @ R.T + t
        r = uv - project(lens, in_cam) - tau * rate
        J = np.zeros((len(at), 2, 7))
        for i in range(3):
            by = np.eye(3)[i] * NUDGE_MM
            d = project(lens, in_cam + by) - project(lens, in_cam - by)
            J[:, :, 3 + i] = d / (2 * NUDGE_MM)
        J[:, :, :3] = np.cross((in_cam - t)[:, None], J[:, :, 3:6])
        J[:, :, 6] = rate
        size2 = (r**2).sum(axis=1)
        good = np.isfinite(size2)
        noise = max(sigma_of_squares(size2[good]), 0.02)
        w = np.where(good, 1.0 / (1.0 + size2 / (2.5 * noise) ** 2), 0.0)
        J, r = np.nan_to_num(J), np.nan_to_num(r)
        flat, weighted = J.reshape(-1, 7), (J * w[:, None, None]).reshape(-1, 7)
        H = weighted.T @ flat + np.diag((noise / USUAL_STEP) ** 2)
        step = np.linalg.solve(H, weighted.T @ r.ravel())
        R, t = rotation_from_vector(step[:3]) @ R, t + step[3:6]
        tau += float(step[6])
        if np.abs(J @ step).max() < SETTLED_PX:
            break
    sigma_tau = noise * float(np.sqrt(np.linalg.inv(H)[6, 6]))
    return (R, t), tau, sigma_tau, noise
