"""A wand followed from the frame where it was found, to both sides: predict, gather the points near
by, fit, check.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.tracks import Ints
from calib.naming.rigid import fit_pose, project_wand, turned
from calib.naming.seeds import nearest

# What a hand does with a wand at most (common practice, no source): speeds, and accelerations
# between frames.
SPEED_MM_S, TURN_RAD_S = 4000.0, 8.0
ACCELERATION_MM_S2, SPIN_RAD_S2 = 25000.0, 60.0
N_NEAR = 3  # points within the gate that are tried for a marker
MAX_LOST_S, MIN_LOST_FRAMES = 0.16, 3  # out of sight for longer, the wand has to be found anew
MAX_PARTIAL_S = 0.6  # in sight with too few markers to be sure of
JOINED_FRAMES = 2  # chains that agree for so long are one


@compiled
def gather(
    xy: Array,
    first: int,
    last: int,
    place: Array,
    gate: float,
    stiff: float,
    rows: Ints,
    chosen: Ints,
) -> int:
    """Write the points that best fit the predicted markers ``place (M, 2)`` into rows (M,); return
    how many.

    Any two markers with points near them say how the prediction is to be moved, turned and scaled;
    the set counts whose other markers then meet most points within ``stiff``, and among those the
    one that meets them closest.
    """
    n = place.shape[0]
    near, n_near = np.full((n, N_NEAR), -1), np.zeros(n, np.int64)
    distance = np.full((n, N_NEAR), np.inf)
    for m in range(n):
        for q in range(first, last):
            d = math.hypot(xy[q, 0] - place[m, 0], xy[q, 1] - place[m, 1])
            if d > gate or d >= distance[m, N_NEAR - 1]:
                continue
            s = N_NEAR - 1
            while s > 0 and distance[m, s - 1] > d:
                distance[m, s], near[m, s] = distance[m, s - 1], near[m, s - 1]
                s -= 1
            distance[m, s], near[m, s] = d, q
            n_near[m] = min(N_NEAR, n_near[m] + 1)
    best, best_cost = 0, np.inf
    rows[:] = -1
    for a in range(n):
        for b in range(a + 1, n):
            px, py = place[b, 0] - place[a, 0], place[b, 1] - place[a, 1]
            size2 = px * px + py * py
            if size2 < 1e-12:
                continue
            for ia in range(n_near[a]):
                for ib in range(n_near[b]):
                    qa, qb = near[a, ia], near[b, ib]
                    if qa == qb:
                        continue
                    ox, oy = xy[qb, 0] - xy[qa, 0], xy[qb, 1] - xy[qa, 1]
                    re, im = (ox * px + oy * py) / size2, (oy * px - ox * py) / size2
                    chosen[:] = -1
                    chosen[a], chosen[b] = qa, qb
                    count = 2
                    # Movement itself costs a little, so that of two sets the one that moved less
                    # counts.
                    cost = 0.05 * (distance[a, ia] ** 2 + distance[b, ib] ** 2)
                    for m in range(n):
                        if m in (a, b):
                            continue
                        wx, wy = place[m, 0] - place[a, 0], place[m, 1] - place[a, 1]
                        x, y = xy[qa, 0] + re * wx - im * wy, xy[qa, 1] + im * wx + re * wy
                        at = nearest(xy, first, last, x, y, stiff, chosen)
                        if at >= 0:
                            chosen[m] = at
                            count += 1
                            cost += (xy[at, 0] - x) ** 2 + (xy[at, 1] - y) ** 2
                            d = math.hypot(xy[at, 0] - place[m, 0], xy[at, 1] - place[m, 1])
                            cost += 0.05 * d * d
                    if count > best or (count == best and cost < best_cost):
                        best, best_cost = count, cost
                        rows[:] = chosen
    return best


@compiled
def follow(
    starts: Ints, frame: Ints, xy: Array, at: int, step: int, R: Array, t: Array, rows: Ints,
    shape: Array,
    frame_s: float, noise: float, tolerance: float, relative: float, n_full: int, n_least: int,
    nearest_mm: float,
    newest: Ints, older: Ints, known: Ints, out_frame: Ints, out_rows: Ints, out_pose: Array,
) -> int:  # fmt: skip
    """Follow a wand from frame index ``at`` in direction ``step``; return how many frames were
    written.

    ``starts (F + 1,)`` are the rows at which frames begin, ``frame (F,)`` their numbers. A frame is
    written with ``n_least`` markers or more within tolerance + relative L of the pose (L the
    image's size), as index, rows by marker and pose (R, then t). The wand is lost after a while
    without ``n_full`` of them. ``newest``, ``older`` and ``known`` are the table of chains so far:
    where this one runs into another it ends.
    """
    n_markers, n_frames, n_written = shape.shape[0], frame.shape[0], 0
    span = 0.0
    for m in range(n_markers):
        span = max(span, 2.0 * math.sqrt((shape[m] * shape[m]).sum()))
    v, w = np.zeros(3), np.zeros(3)
    place, got, work = (
        np.empty((n_markers, 2)),
        np.empty(n_markers, np.int64),
        np.empty(n_markers, np.int64),
    )
    n_seen, last_number, last_full, n_joined = 1, frame[at], frame[at], 0
    patience = max(MIN_LOST_FRAMES, int(MAX_LOST_S / frame_s))
    longest = max(2 * MIN_LOST_FRAMES, int(MAX_PARTIAL_S / frame_s))
    f = at + step
    while 0 <= f < n_frames and n_written < out_frame.shape[0]:
        if abs(frame[f] - last_number) > patience or abs(frame[f] - last_full) > longest:
            break
        n_steps = abs(frame[f] - last_number)
        dt = n_steps * frame_s
        R_next, t_next = turned(R, w * dt), t + v * dt
        if t_next[2] < nearest_mm or not project_wand(R_next, t_next, shape, place):
            break
        if n_seen < 2:
            shift, turn = SPEED_MM_S * dt, TURN_RAD_S * dt
        else:
            shift, turn = 0.5 * ACCELERATION_MM_S2 * dt * dt, 0.5 * SPIN_RAD_S2 * dt * dt
        turn = min(turn, 1.0)
        size = span / t_next[2]
        gate = min(shift / t_next[2] + 0.5 * turn * size, 0.5 * size + 0.02) + 3.0 * noise
        limit = tolerance + relative * size
        count = gather(
            xy, starts[f], starts[f + 1], place, gate, 2.0 * limit + 0.1 * gate, got, work
        )
        if count >= 2:
            ok, R_new, t_new = fit_pose(
                R_next, t_next, shape, xy, got, noise, turn + 0.02, shift + 5.0
            )
            ok = ok and project_wand(R_new, t_new, shape, place)
            n_kept = 0
            if ok:
                for m in range(n_markers):
                    if got[m] >= 0:
                        gap = math.hypot(xy[got[m], 0] - place[m, 0], xy[got[m], 1] - place[m, 1])
                        if gap > limit:
                            got[m] = -1
                        else:
                            n_kept += 1
                # A point that does not fit has pulled the pose of the others: once more without it.
                if n_kept < count and n_kept >= 2:
                    ok, R_new, t_new = fit_pose(
                        R_next, t_next, shape, xy, got, noise, turn + 0.02, shift + 5.0
                    )
                    ok = ok and project_wand(R_new, t_new, shape, place)
                    for m in range(n_markers):
                        if ok and got[m] >= 0:
                            gap = math.hypot(
                                xy[got[m], 0] - place[m, 0], xy[got[m], 1] - place[m, 1]
                            )
                            ok = gap <= limit
            if ok and n_kept >= 2:
                # A fresh velocity is noisy in depth, where a single view is weak.
                trust = 0.7 if n_seen > 1 else 1.0
                turn_error = np.empty(3)
                relative_R = R_new @ R_next.T
                turn_error[0] = 0.5 * (relative_R[2, 1] - relative_R[1, 2])
                turn_error[1] = 0.5 * (relative_R[0, 2] - relative_R[2, 0])
                turn_error[2] = 0.5 * (relative_R[1, 0] - relative_R[0, 1])
                v = v + trust * (t_new - t_next) / dt
                w = w + trust * turn_error / dt
                R, t = R_new, t_new
                last_number = frame[f]
                n_seen += 1
                if n_kept >= n_least:
                    out_frame[n_written], out_rows[n_written] = f, got
                    for k in range(3):
                        out_pose[n_written, 3 * k : 3 * k + 3] = R[k]
                    out_pose[n_written, 9:] = t
                    n_written += 1
                    line, is_known = newest[f], False
                    while line >= 0 and not is_known:
                        is_known = True
                        for m in range(n_markers):
                            is_known = is_known and known[line, m] == got[m]
                        line = older[line]
                    n_joined = n_joined + 1 if is_known else 0
                    if n_joined == JOINED_FRAMES:
                        return n_written - JOINED_FRAMES
                if n_kept >= n_full:
                    last_full = frame[f]
        f += step
    return n_written
