"""Frames that do not place the wand by themselves: its motion, followed into them, points out its
markers.

Filters (``wand_motion``) run into every stretch of such frames from both sides, all in step. Each
point that one names makes the next places sharper; a place where a stray point may lie by chance
names nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks
from calib.naming.hand import frames_a_step
from calib.naming.wand_motion import Motion, images, jerk_of, least_turn
from calib.solve.bundle.problem import Index, State

WARM_UP = 12.0  # steps before a stretch that teach the motion
LEAST_KNOWN = 4  # frames of them that must show the wand
GATE_SQUARED = 25.0  # five sigmas
CHANCE = 1e-3  # of a stray point within the gate: a place less sure than that names nothing
N_ROUNDS = 4  # points named first sharpen the places of the others in their frame
MOST_POINTS = 80  # of a camera in a frame: a picture fuller than that is left alone
LOST_MM = 2000.0  # a place less sure than a room is wide: the wand is lost and the filter ends


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """Wands that their frames fix: numbers (F,), world_from_wand R (F, 3, 3) and t (F, 3), and the
    points behind them.

    ``row (F, C, M)`` is a point's row in its camera's tracks, -1 where there is none.
    """

    number: Ints
    R: Array
    t: Array
    row: Index


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """What filters look at: the cameras with the wand's shape about its middle, and all points as
    one list.

    Camera c has the points from ``first[c]`` on. ``density (C,)`` is that of one point on the
    sensor, ``sizes (C, 2)`` and noise are in px.
    """

    state: State
    sigma_px: Array
    sizes: Array
    frames: tuple[Ints, ...]
    first: Ints
    xy: Array
    is_free: NDArray[np.bool_]
    rate_hz: float

    def points(self, frame: Ints, cam: Index) -> tuple[Index, NDArray[np.bool_]]:
        """Return the points (n, K) of these cameras in these frames (n,), and which of the K there
        are.
        """
        low, n = np.zeros(len(frame), np.int64), np.zeros(len(frame), np.int64)
        for c in np.unique(cam):
            at = np.flatnonzero(cam == c)
            begin, end = (
                np.searchsorted(self.frames[c], frame[at], side=side) for side in ("left", "right")
            )
            low[at], n[at] = self.first[c] + begin, end - begin
        n[n > MOST_POINTS] = 0
        k = np.arange(n.max(initial=1))
        is_there = k < n[:, None]
        at = np.where(is_there, low[:, None] + k, 0)
        return at, is_there & self.is_free[at]


def bridged(
    cameras: tuple[CameraTracks, ...], state: State, sigma_px: Array, poses: Poses, rate_hz: float
) -> tuple[NDArray[np.int16], ...]:
    """Return every camera's markers, with those that the wand's motion names in frames without a
    pose of their own.

    ``state`` holds the cameras and the wand's shape, ``sigma_px (C,)`` their noise. A frame gets
    names where they let two cameras see one marker, which checks them against each other. Other
    points keep what they have.
    """
    before = tuple(c.marker for c in cameras)
    middle = state.shape_mm.mean(axis=0)  # moves more smoothly than an end
    poses = replace(poses, t=poses.t + poses.R @ middle)
    jerk = jerk_of(poses.number, poses.R, poses.t, rate_hz)
    if jerk is None:
        return before
    first = np.append(0, np.cumsum([c.n_points for c in cameras]))
    scene = _Scene(
        replace(state, shape_mm=state.shape_mm - middle),
        sigma_px,
        np.array([[c.width, c.height] for c in cameras]),
        tuple(c.frame for c in cameras),
        first,
        np.concatenate([c.xy_px for c in cameras]),
        np.concatenate([~c.is_masked for c in cameras]),
        rate_hz,
    )
    found = np.concatenate([_sweep(scene, poses, jerk, way) for way in (1, -1)], axis=1)
    at, marker = np.unique(found, axis=1)
    number, n_markers = np.concatenate(scene.frames), len(state.shape_mm)
    camera = np.repeat(np.arange(len(cameras)), np.diff(first))
    view = number * len(cameras) + camera
    # Two filters that disagree name nothing.
    is_one = _is_alone(at) & _is_alone(view[at] * n_markers + marker)
    at, marker = at[is_one], marker[is_one]
    old = np.concatenate(before).astype(np.int64)
    named = np.where(np.isin(view * n_markers + old, view[at] * n_markers + marker), -1, old)
    named[at] = marker
    rows = np.flatnonzero(named >= 0)
    seen, n_views = np.unique(number[rows] * n_markers + named[rows], return_counts=True)
    is_checked = np.isin(number, seen[n_views >= 2] // n_markers) & np.isin(number, number[at])
    return tuple(np.split(np.where(is_checked, named, old).astype(np.int16), first[1:-1]))


def _is_alone(key: Ints) -> NDArray[np.bool_]:
    _, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    return np.asarray(count[inverse] == 1)


def _starts(number: Ints, last: int, way: int, warm_up: int) -> tuple[Ints, Ints]:
    """Return the frames (G,) where filters start, within ``warm_up`` of a gap between frames with a
    pose, and how far they run.

    The last gap goes on to frame ``last``.
    """
    ordered = number if way > 0 else -number[::-1]
    edge = np.append(np.flatnonzero(np.diff(ordered) > 1), len(ordered) - 1)
    begin = np.searchsorted(ordered, ordered[edge] - warm_up)
    is_taught = edge - begin + 1 >= LEAST_KNOWN
    edge, begin = edge[is_taught], begin[is_taught]
    end = np.append(ordered, way * last + 1)[edge + 1]
    return way * ordered[begin], end - ordered[begin]


def _sweep(scene: _Scene, poses: Poses, jerk: Array, way: int) -> Ints:
    """Return points and markers (2, n) that filters running forward (way 1) or backward
    (-1) name.
    """
    is_line = not scene.state.shape_mm[:, 1:].any()
    information = _information(scene, poses)
    ends = [f[-1 if way > 0 else 0] for f in scene.frames if len(f)]
    warm_up = round(WARM_UP * frames_a_step(scene.rate_hz))
    frame, length = _starts(poses.number, max(ends) if way > 0 else min(ends), way, warm_up)
    at = np.searchsorted(poses.number, frame)
    motion = Motion.at(poses.R[at], poses.t[at])
    out = [np.empty((2, 0), np.int64)]
    for step in range(int(length.max(initial=0))):
        if step:
            variance = np.trace(motion.P[:, :3, :3], axis1=1, axis2=2)
            goes_on = np.flatnonzero((length > step) & (variance < LOST_MM**2))
            frame, length = frame[goes_on] + way, length[goes_on]
            motion = motion.take(goes_on).after(1.0 / scene.rate_hz, jerk)
        if not len(frame):
            break
        at = np.minimum(np.searchsorted(poses.number, frame), len(poses.number) - 1)
        is_fixed = poses.number[at] == frame
        fixed, open_ = np.flatnonzero(is_fixed), np.flatnonzero(~is_fixed)
        if len(fixed):
            here, at = motion.take(fixed), at[fixed]
            R = least_turn(here.R, poses.R[at]) if is_line else poses.R[at]
            known = here.updated(R, poses.t[at], information[at], np.zeros((len(at), 6)))
            motion = motion.put(fixed, known)
        if len(open_):
            after, names = _search(scene, motion.take(open_), frame[open_])
            motion = motion.put(open_, after)
            out.append(names)
    return np.concatenate(out, axis=1)


def _information(scene: _Scene, poses: Poses) -> Array:
    """Return what the points behind each pose say of it: (F, 6, 6) by its shift and turn."""
    out = np.zeros((len(poses.number), 6, 6))
    for c in range(len(scene.sizes)):
        f = np.flatnonzero((poses.row[:, c] >= 0).any(axis=1))
        _, J = images(scene.state, np.full(len(f), c), poses.R[f], poses.t[f])
        J = np.where((poses.row[f, c] >= 0)[..., None, None], J, 0.0) / scene.sigma_px[c]
        J = J.reshape(len(f), -1, 6)
        out[f] += np.swapaxes(J, 1, 2) @ J
    return out


def _search(scene: _Scene, motion: Motion, frame: Ints) -> tuple[Motion, Ints]:
    """Return the filters after the points of their frames (G,) that they name, and these with their
    markers (2, n).
    """
    n = len(frame)
    g, cam = (i.ravel() for i in np.indices((n, len(scene.sizes))))
    uv, _ = images(scene.state, cam, motion.R[g], motion.t[g])
    is_near = (uv > -0.1 * scene.sizes[cam][:, None]) & (uv < 1.1 * scene.sizes[cam][:, None])
    sees = np.any(is_near.all(axis=2), axis=1)
    g, cam = g[sees], cam[sees]
    at, is_there = scene.points(frame[g], cam)
    crowd = is_there.sum(axis=1) / scene.sizes[cam].prod(axis=1)
    variance, now = scene.sigma_px[cam, None] ** 2, motion
    chosen = np.full((len(g), scene.state.shape_mm.shape[0]), -1)
    for _ in range(N_ROUNDS):
        uv, J = images(scene.state, cam, now.R[g], now.t[g])
        r = scene.xy[chosen] - uv
        before, chosen = chosen, np.where((r**2).sum(axis=2) < GATE_SQUARED * variance, chosen, -1)
        P = now.P[g, :6, :6]
        alone = _alone_in_gate(scene.xy[at], is_there, at, uv, J, P, variance, crowd)
        chosen = np.where(chosen < 0, alone, chosen)
        # A point at the places of two markers is neither's.
        n_same = (chosen[:, :, None] == chosen[:, None]).sum(axis=2)
        chosen[n_same > 1] = -1
        if (chosen == before).all():
            break
        weight = np.where(chosen >= 0, 1.0 / variance, 0.0)[..., None]
        r = np.where(weight > 0, scene.xy[chosen] - uv, 0.0)
        J = np.where(weight[..., None] > 0, J, 0.0)
        JW = (J * weight[..., None]).reshape(len(g), -1, 6)
        information, push = np.zeros((n, 6, 6)), np.zeros((n, 6))
        np.add.at(information, g, np.swapaxes(JW, 1, 2) @ J.reshape(JW.shape))
        np.add.at(push, g, (JW * r.reshape(len(g), -1, 1)).sum(axis=1))
        now = motion.updated(now.R, now.t, information, push)
    pair, marker = np.nonzero(chosen >= 0)
    return now, np.stack([chosen[pair, marker], marker])


def _alone_in_gate(
    xy: Array,
    is_there: NDArray[np.bool_],
    at: Index,
    uv: Array,
    J: Array,
    P: Array,
    variance: Array,
    crowd: Array,
) -> Index:
    """Return the points (n, M) that lie alone near the markers' places ``uv``, -1 where none, more,
    or chance may.

    Another point within twice the gate leaves the choice open.
    """
    JP = J @ P[:, None]
    S00, S11 = ((JP[:, :, k] * J[:, :, k]).sum(axis=2) + variance for k in (0, 1))
    S01 = (JP[:, :, 0] * J[:, :, 1]).sum(axis=2)
    with np.errstate(invalid="ignore"):
        det = S00 * S11 - S01**2
        is_sure = np.pi * GATE_SQUARED * np.sqrt(det) * crowd[:, None] <= CHANCE
    n, m = np.nonzero(is_sure)
    dx, dy = np.moveaxis(xy[n] - uv[n, m][:, None], -1, 0)
    far = S11[n, m, None] * dx**2 - 2.0 * S01[n, m, None] * dx * dy + S00[n, m, None] * dy**2
    far = np.where(is_there[n], far / det[n, m, None], np.inf)
    best = far.argmin(axis=1)
    is_one = (far <= 4.0 * GATE_SQUARED).sum(axis=1) == 1
    is_one &= far.min(axis=1, initial=np.inf) <= GATE_SQUARED
    out = np.full(uv.shape[:2], -1)
    out[n[is_one], m[is_one]] = at[n[is_one], best[is_one]]
    return out
