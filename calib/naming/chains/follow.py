"""A wand followed from the frame where it was found, to both sides: predict, gather the points near
by, fit, check.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.compiled import compiled
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.naming.chains.records import Chains, Limits, Points, Run, Shape
from calib.naming.chains.rigid import fit_pose, packed, project_wand, turned, unpacked
from calib.naming.chains.seeds import nearest
from calib.naming.hand import ACCELERATION_MM_S2, SPEED_MM_S, SPIN_RAD_S2, TURN_RAD_S

N_NEAR = 3  # points within the gate that are tried for a marker
MAX_LOST_S, MIN_LOST_FRAMES = 0.16, 3  # out of sight for longer, the wand has to be found anew
MAX_PARTIAL_S = 0.6  # in sight with too few markers to be sure of
JOINED_FRAMES = 2  # chains that name the same points in so many frames are one


@compiled
def follow(
    points: Points,
    shape: Shape,
    limits: Limits,
    chains: Chains,
    at: int,
    step: int,
    pose: Array,
    run: Run,
) -> int:
    """Follow a wand from its pose (12,) in frame ``at`` in direction ``step``; return how many
    views were written to ``run``.

    Where it runs into one of the chains so far it ends. The wand is lost after a while out of
    sight, or with too few markers to be sure of.
    """
    n_written = n_joined = 0
    patience = max(MIN_LOST_FRAMES, int(MAX_LOST_S / points.frame_s))
    longest = max(2 * MIN_LOST_FRAMES, int(MAX_PARTIAL_S / points.frame_s))
    frame, markers = points.frame, shape.points_mm
    R, t = unpacked(pose)
    velocity, spin, is_fresh = np.zeros(3), np.zeros(3), True
    rows, place = np.empty(len(markers), np.int64), np.empty((len(markers), 2))
    last_seen = last_sure = frame[at]
    for f in range(at + step, len(frame) if step > 0 else -1, step):
        number = frame[f]
        if abs(number - last_seen) > patience or abs(number - last_sure) > longest:
            break
        dt = abs(number - last_seen) * points.frame_s
        R_next, t_next = turned(R, spin * dt), t + velocity * dt
        if t_next[2] < shape.nearest_mm or not project_wand(R_next, t_next, markers, place):
            break
        shift, turn = freedom(dt, is_fresh)
        xy = points.xy[points.starts[f] : points.starts[f + 1]]
        n_seen, R_new, t_new = fitted(xy, R_next, t_next, shift, turn, shape, limits, place, rows)
        if n_seen < 2:
            continue
        # A fresh velocity is noisy in depth, where a single view is weak.
        trust = 1.0 if is_fresh else 0.7
        velocity += trust * (t_new - t_next) / dt
        spin += trust * small_turn(R_new @ R_next.T) / dt
        R, t, last_seen, is_fresh = R_new, t_new, number, False
        if n_seen < shape.n_least:
            continue
        last_sure = number
        run.frame[n_written], run.rows[n_written] = f, rows
        packed(R, t, run.pose[n_written])
        n_written += 1
        n_joined = n_joined + 1 if is_known(chains, f, rows) else 0
        if n_joined == JOINED_FRAMES:
            return n_written - JOINED_FRAMES
    return n_written


@compiled
def freedom(dt: float, is_fresh: bool) -> tuple[float, float]:
    """Return how far a wand may have moved (mm) and turned (radian) from where it was foretold for
    ``dt`` seconds on, from its velocity or, where it ``is_fresh``, without one.
    """
    if is_fresh:
        return SPEED_MM_S * dt, min(TURN_RAD_S * dt, 1.0)
    return 0.5 * ACCELERATION_MM_S2 * dt * dt, min(0.5 * SPIN_RAD_S2 * dt * dt, 1.0)


@compiled
def small_turn(R: Array) -> Array:
    """Return the vector (3,) of a small rotation."""
    return 0.5 * np.array([R[2, 1] - R[1, 2], R[0, 2] - R[2, 0], R[1, 0] - R[0, 1]])


@compiled
def is_known(chains: Chains, f: int, rows: Ints) -> bool:
    """Say whether a view of frame f has these points under these names already."""
    view = chains.newest[f]
    while view >= 0:
        is_same = True
        for m in range(len(rows)):
            is_same = is_same and (rows[m] < 0 or chains.rows[view, m] == rows[m])
        if is_same:
            return True
        view = chains.older[view]
    return False


@compiled
def fitted(
    xy: Array,
    R: Array,
    t: Array,
    shift: float,
    turn: float,
    shape: Shape,
    limits: Limits,
    place: Array,
    rows: Ints,
) -> tuple[int, Array, Array]:
    """Return how many of a frame's points ``xy (n, 2)`` fit a wand foretold at R and t, fewer than
    two for none, and its pose by them; write them into ``rows (M,)``.

    It may be off by ``shift`` (mm) and ``turn`` (radian). ``place (M, 2)`` are its markers there,
    and those of its pose after.
    """
    size = shape.width_mm / t[2]
    gate = min(shift / t[2] + 0.5 * turn * size, 0.5 * size + 0.02) + 3.0 * limits.noise
    limit = limits.tolerance + limits.relative * size
    n_left = gather(xy, place, gate, 2.0 * limit + 0.1 * gate, rows)
    for _ in range(2):
        if n_left < 2:
            break
        ok, R_new, t_new = fit_pose(
            R, t, shape.points_mm, xy, rows, limits.noise, turn + 0.02, shift + 5.0
        )
        if not ok or not project_wand(R_new, t_new, shape.points_mm, place):
            break
        n_off = drop_far(xy, place, limit, rows)
        if n_off == 0:
            return n_left, R_new, t_new
        # A point that does not fit has pulled the pose of the others: once more without it.
        n_left -= n_off
    return 0, R, t


@compiled
def drop_far(xy: Array, place: Array, limit: float, rows: Ints) -> int:
    """Drop the points that are farther than the limit from their markers' places; return how
    many.
    """
    n_off = 0
    for m in range(len(rows)):
        if rows[m] >= 0:
            gap = math.hypot(xy[rows[m], 0] - place[m, 0], xy[rows[m], 1] - place[m, 1])
            if gap > limit:
                rows[m] = -1
                n_off += 1
    return n_off


@compiled
def gather(xy: Array, place: Array, gate: float, stiff: float, rows: Ints) -> int:
    """Write the points that best fit the predicted markers ``place (M, 2)`` into rows (M,); return
    how many.

    Any two markers with points near them say how the prediction is to be moved, turned and scaled;
    the set counts whose other markers then meet most points within ``stiff``, and among those the
    one that meets them closest.
    """
    n, near, chosen = len(place), near_points(xy, place, gate), np.empty(len(place), np.int64)
    best, best_cost = 0, np.inf
    rows[:] = -1
    # One function, as a call that passes arrays on costs more than what is done in here.
    for a in range(n):
        for b in range(a + 1, n):
            px, py = place[b, 0] - place[a, 0], place[b, 1] - place[a, 1]
            size2 = px * px + py * py
            for pair in range(N_NEAR * N_NEAR):
                qa, qb = near[a, pair // N_NEAR], near[b, pair % N_NEAR]
                if qa < 0 or qb < 0 or qa == qb or size2 < 1e-12:
                    continue
                ox, oy = xy[qb, 0] - xy[qa, 0], xy[qb, 1] - xy[qa, 1]
                re, im = (ox * px + oy * py) / size2, (oy * px - ox * py) / size2
                chosen[:] = -1
                chosen[a], chosen[b] = qa, qb
                count, cost = 0, 0.0
                for m in range(n):
                    wx, wy = place[m, 0] - place[a, 0], place[m, 1] - place[a, 1]
                    x, y = xy[qa, 0] + re * wx - im * wy, xy[qa, 1] + im * wx + re * wy
                    if m not in (a, b):
                        chosen[m] = nearest(xy, x, y, stiff, chosen)
                    if chosen[m] >= 0:
                        u, v = xy[chosen[m], 0], xy[chosen[m], 1]
                        count += 1
                        # Movement itself costs a little, so that the set that moved less counts.
                        cost += (u - x) ** 2 + (v - y) ** 2
                        cost += 0.05 * ((u - place[m, 0]) ** 2 + (v - place[m, 1]) ** 2)
                if count > best or (count == best and cost < best_cost):
                    best, best_cost = count, cost
                    rows[:] = chosen
    return best


@compiled
def near_points(xy: Array, place: Array, gate: float) -> Ints:
    """Return the points (M, N_NEAR) nearest to each place within the gate, nearest first, -1 for
    none.
    """
    near = np.full((len(place), N_NEAR), -1)
    distance = np.full(N_NEAR, np.inf)
    for m in range(len(place)):
        distance[:] = np.inf
        for q in range(len(xy)):
            d = math.hypot(xy[q, 0] - place[m, 0], xy[q, 1] - place[m, 1])
            if d > gate or d >= distance[N_NEAR - 1]:
                continue
            s = N_NEAR - 1
            while s > 0 and distance[s - 1] > d:
                distance[s], near[m, s] = distance[s - 1], near[m, s - 1]
                s -= 1
            distance[s], near[m, s] = d, q
    return near
