"""Cameras that moved during the capture: from some moment on their points are not where they were,
but all off by alike.

Small steps show in the recheck proper; of larger ones the points match on one side alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.check.recheck.free.groups import MORE_PX, NOISES, Places, places_of
from calib.check.recheck.free.moments import NOW, Moments
from calib.check.recheck.free.stand import Shown, Stands, paired, places_for, searched, shown_by
from calib.core.camera import Lens
from calib.core.geometry import Array

Index = NDArray[np.intp]

LEAST_SIDE = 60  # places on either side that the camera should show, and of these on one side shown
FEWER = 0.2  # of that side's share is shown on the other
SURELY = 5  # times as many must be found there by looking elsewhere
# Smaller steps, of which both sides are matched.
PARTS = np.arange(2, 9)  # tenths of the capture
STEP_PX, LEAST_QUARTER = 0.7, 15  # in at least two quarters of the image, of so many points
LASTS_S = 2.0  # as long as errors last (assumed)
MATCHED_PX = 8.0


def knocked(
    moments: Moments, group: Index, sizes: Array, found: Stands, fitted: Sequence[int]
) -> dict[str, tuple[int, float]]:
    """Return by camera from which frame on it stood elsewhere, and by how many px its points moved
    then; of the cameras ``fitted``, whose poses a common fit has.

    No other places anything: off by some px, as who shares few points with others is, it pulls the
    places of what it sees, and where it sees it no longer its neighbours seem to step. Of these the
    largest step is told first, then that camera places nothing any more either.
    """
    out: dict[str, tuple[int, float]] = {}
    may = list(fitted)
    group = np.where(np.isin(moments.cam, may), group, -1)
    while may:
        places = places_of(moments, group, found.state)
        steps = {c: _step(c, moments, group, places, sizes[c], found) for c in may}
        real = {c: step for c, step in steps.items() if step is not None}
        if not real:
            break
        worst = max(real, key=lambda c: real[c][1])
        out[moments.names[worst]] = real.pop(worst)
        group = np.where(moments.cam == worst, -1, group)
        may = list(real)
    return out


def _step(
    c: int, moments: Moments, group: Index, places: Places, size: Array, found: Stands
) -> tuple[int, float] | None:
    """Return a camera's step, None where it stands."""
    own, state = np.flatnonzero(moments.cam == c), found.state
    points, shared = places_for(c, moments, group, places, places.points_mm())
    is_sure = _well_placed(c, moments, group, places, points, shared, float(state.lens[c, 0]))
    points, shared = points[is_sure], shared[is_sure]
    if len(shared) < 2 * LEAST_SIDE:
        return None
    lens, pose = Lens.from_vector(state.lens[c]), (state.cam_R[c], state.cam_t[c])
    shown, late = shown_by(lens, pose, points, shared, size), float(found.late_frames[c])
    pairs = paired(moments, own, places, shown, MATCHED_PX, late)
    if (small := small_step(moments, own, shown, pairs, size, late)) is not None:
        return small
    gate = NOISES * float(found.sigma_px[c]) + MORE_PX
    side = _lost(moments, own, places, shown, pairs, size, gate)
    if side is None:
        return None
    at, is_there, n_left = side
    rest = own[is_there]
    elsewhere, _ = searched(moments, rest, places, lens, pose, points, shared, size)
    if len(elsewhere) < max(LEAST_SIDE, SURELY * n_left):
        return None
    i, q = elsewhere.T
    off = moments.uv_px[rest[i], NOW] - shown.uv_px[q, NOW]
    return int(moments.number[at + 1]), float(np.median(np.hypot(*off.T)))


def _well_placed(
    c: int,
    moments: Moments,
    group: Index,
    places: Places,
    points: Array,
    shared: Index,
    focal_px: float,
) -> NDArray[np.bool_]:
    """Return which places (k, S, 3) the others alone know so well that their errors move the image
    in this camera by less than its own: else it seems to step as markers come and go.
    """
    own = np.flatnonzero((moments.cam == c) & (group >= 0))
    A = places.A[:, NOW].copy()  # of an error of a pixel
    A[group[own]] = places.sums_without(own, group[own], moments.cam)[0][:, NOW]
    way = points[:, NOW] - places.position_mm[c]
    away = np.linalg.norm(way, axis=1)[:, None, None]
    r = way[..., None] / away
    of_image = (focal_px / away) ** 2 * (np.eye(3) - r * np.swapaxes(r, 1, 2))
    variance = np.trace(np.linalg.solve(A[shared], of_image), axis1=1, axis2=2)
    return np.asarray(variance <= 2.0)  # of two coordinates


def small_step(
    moments: Moments, own: Index, shown: Shown, pairs: Index, size: Array, late: float
) -> tuple[int, float] | None:
    """Return when and by how much a camera's points moved, of those that are matched on both
    sides: by medians in each quarter of the image.

    A camera that moves takes all that it sees along: quarters that step hold most of the points.
    Few points may step without it, as one marker comes for another. A median stands against an
    error that lasts where that holds less than half of its points.
    """
    at, k = pairs.T
    goal = shown.uv_px[k, NOW] + late * moments.rate_of(shown.uv_px)[k]
    off = moments.uv_px[own[at], NOW] - goal
    quarter = (goal > size / 2) @ np.array([1, 2])
    moment = moments.moment[own[at]]
    frame, lasts = moments.number[moment], moments.frames(LASTS_S)
    best: tuple[int, float] | None = None
    for tenth in PARTS.tolist():
        first = tenth * len(moments.number) // 10
        is_later = moment >= first
        judged = [
            here
            for here in (quarter == q for q in range(4))
            if all(_stands(frame[here & side], lasts) for side in (is_later, ~is_later))
        ]
        if len(judged) < 2:
            continue
        steps = np.linalg.norm(
            [
                np.median(off[here & is_later], axis=0) - np.median(off[here & ~is_later], axis=0)
                for here in judged
            ],
            axis=1,
        )
        n = np.array([here.sum() for here in judged])
        # One quarter alone may show a single marker that was taken for another.
        px = float(np.sort(steps)[-2])
        is_most = 2 * n[steps > STEP_PX].sum() > n.sum()
        if is_most and px > max(STEP_PX, best[1] if best else 0.0):
            best = int(moments.number[first]), px
    return best


def _stands(frame: NDArray[np.int64], lasts: float) -> bool:
    """Return whether the median over points of these frames (n,) stands against an error
    that lasts for so many.
    """
    n = len(frame)
    frame = np.sort(frame)
    most = (np.searchsorted(frame, frame + lasts) - np.arange(n)).max(initial=0)
    return bool(n >= LEAST_QUARTER and 2 * most < n)


def _lost(
    moments: Moments,
    own: Index,
    places: Places,
    shown: Shown,
    pairs: Index,
    size: Array,
    gate: float,
) -> tuple[int, NDArray[np.bool_], int] | None:
    """Return the moment before or after which a camera hardly shows what it should, which of its
    points lie on that side, and how many of them are matched there.
    """
    n, uv = len(moments.number), shown.uv_px[:, NOW]
    on_sensor = ((uv >= 0) & (uv < size)).all(axis=1)
    near = np.linalg.norm(moments.uv_px[own[pairs[:, 0]], NOW] - uv[pairs[:, 1]], axis=1) < gate
    due = np.cumsum(np.bincount(places.moment[shown.group[on_sensor]], minlength=n))
    seen = np.cumsum(np.bincount(moments.moment[own[pairs[near, 0]]], minlength=n))
    at = np.flatnonzero(np.minimum(due, due[-1] - due) >= LEAST_SIDE)
    if not len(at):
        return None
    share = np.stack([seen[at] / due[at], (seen[-1] - seen[at]) / (due[-1] - due[at])])
    k = int(np.abs(share[0] - share[1]).argmax())
    lost = int(share[:, k].argmin())  # before or after
    n_side = np.array([seen[at[k]], seen[-1] - seen[at[k]]])
    if share[lost, k] > FEWER * share[1 - lost, k] or n_side[1 - lost] < LEAST_SIDE:
        return None
    is_there = (moments.moment[own] > at[k]) == bool(lost)
    return int(at[k]), is_there, int(n_side[lost])
