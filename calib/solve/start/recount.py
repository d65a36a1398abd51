"""By how much a camera's frame count is off, and from when on: the share of its points that one
epipolar geometry explains has its peak where counts agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import Ints, point_keys
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks
from calib.solve.start.counts import NEAR
from calib.solve.start.epipolar import EPIPOLAR_PX, fundamental
from calib.solve.start.graph import MIN_SHARED_POINTS
from calib.solve.start.late import image_velocity
from calib.solve.start.motion import shared_points
from calib.solve.start.pair_bundle import Shared
from calib.solve.start.pair_views import PARTNERS, as_shared, thin

PEAK = 0.75  # share of inliers of the right reading at least
BETTER = 0.15  # and by how much it must stand above the reading given
END = 0.3  # share of a camera's points at the beginning and the end in which shifts are compared
TIP = 0.12  # and that are asked by themselves where these hold a jump
PART = 1 / 3  # of a frame: a drifting count's ends are tried so far beside the whole one
MAX_SHIFT_S = 2.0  # every shift is tried this far either way, beyond those that speed tells
TELLS = 60  # points of a pair: fewer, of a short way of the wand, fit one of many shifts by chance
# A jump is looked for so far either way, by so many points first, and at so many shifts by all.
MAX_JUMP_S, MOST_SCREENED, MOST_TRIED = 20.0, 300, 4
# Of lines told by one part of a wave: lenses bend them by ten px elsewhere, other counts by more.
WIDE = 6


@dataclass(frozen=True, slots=True)
class Shift:
    """By how many frames a count is off, and the share that fits with and without."""

    frames: int
    share: float
    before: float


@dataclass(frozen=True, slots=True)
class Jump:
    """The shifts before and after the frame from which on another count fits, and the share that
    fits where it is another than most of the points'.
    """

    first: int
    second: int
    since: int
    share: float


def _share(a: CameraTracks, b: CameraTracks) -> tuple[float, int]:
    """Return the share of common points that one fundamental matrix explains, and their number."""
    shared = thin(Shared(*as_shared(a, b)))
    n = len(shared.frame)
    if n < MIN_SHARED_POINTS:
        return 0.0, n
    return float(fundamental(shared.uv_a, shared.uv_b)[1].mean()), n


def pooled(camera: CameraTracks, others: list[CameraTracks]) -> float:
    """Return the share of the points common with others that fit, each pair by itself, of those
    that share enough.
    """
    found = [(share * n, n) for share, n in (_share(camera, other) for other in others)]
    fitting, points = np.sum([of for of in found if of[1] >= TELLS] or [(0, 0)], axis=0)
    return float(fitting / points) if points else 0.0


def _shifted(camera: CameraTracks, frames: int) -> CameraTracks:
    return replace(camera, frame=camera.frame + frames)


def best_shift(camera: CameraTracks, others: list[CameraTracks], rate_hz: float) -> Shift | None:
    """Return the shift of a camera's frame numbers at which the share that fits has its peak; None
    where there is none, or nobody tells whether it fits as given.
    """
    if not any(_share(camera, other)[1] >= TELLS for other in others):
        return None
    reach = max(3, round(MAX_SHIFT_S * rate_hz))
    share = {0: pooled(camera, others)}
    for shift in sorted(range(-reach, reach + 1), key=abs):
        if shift:
            share[shift] = pooled(_shifted(camera, shift), others)
        # Shares fall steadily on either side of the peak: three steps down and it is passed.
        best = max(share, key=lambda k: share[k])
        if share[best] >= PEAK and abs(shift) >= abs(best) + 3:
            break
    if share[best] < PEAK or (best and share[best] < share[0] + BETTER):
        return None
    return Shift(best, share[best], share[0])


def shift_among(
    shifts: list[int], camera: CameraTracks, witnesses: list[CameraTracks]
) -> Shift | None:
    """Return which of some shifts, or of those about them, makes a camera's points fit witnesses,
    each time those that it shares most with; None where none does.
    """
    about = {shift + step for shift in (0, *shifts) for step in range(-NEAR, NEAR + 1)}
    found = {shift: _beside(_shifted(camera, shift), witnesses) for shift in about}
    most = max(n for _, n in found.values())
    share = {shift: of if 2 * n >= most else 0.0 for shift, (of, n) in found.items()}
    best = max(share, key=lambda k: (share[k], -abs(k)))
    if share[best] < PEAK or (best and share[best] < found[0][0] + BETTER):
        return None
    return Shift(best, share[best], found[0][0])


def _beside(camera: CameraTracks, witnesses: list[CameraTracks]) -> tuple[float, int]:
    """Return the share of the points common with the witnesses that it shares most with that fit,
    and their number.
    """
    common = [len(shared_points(camera, other)[2]) for other in witnesses]
    nearest = np.argsort(common)[::-1][:PARTNERS]
    return pooled(camera, [witnesses[k] for k in nearest]), int(sum(common[k] for k in nearest))


def is_drifting(
    camera: CameraTracks, others: list[CameraTracks], ends: tuple[Ints, Ints], found: Jump
) -> bool:
    """Return whether a camera's points fit its neighbours better under a count that runs evenly
    through those of its beginning and end, told from the frames ``ends``, than under one that
    jumps.
    """
    frame, marker = camera.frame, camera.marker
    velocity = image_velocity(camera, frame, marker, 1)
    known = np.isfinite(velocity).all(axis=1) & (marker >= 0)
    camera, velocity, frame = camera.rows(known), velocity[known], frame[known]
    at = [float(np.median(end)) for end in ends]
    way = np.asarray((frame - at[0]) / (at[1] - at[0]), float)
    counts = found.first, found.second
    late = np.where(frame >= found.since, float(found.second), float(found.first))
    jumping = _away(camera, others, velocity, late)
    # Counts at the ends are known to the whole frame.
    first, second = ([k - PART, float(k), k + PART] for k in counts)
    return any(
        _away(camera, others, velocity, a + (b - a) * way) < jumping for a in first for b in second
    )


def _away(camera: CameraTracks, others: list[CameraTracks], velocity: Array, late: Array) -> float:
    """Return how far a camera's points lie from the lines of its neighbours' in the median, each
    seen ``late (n,)`` frames after what its number says and moved back along its ``velocity``.
    """
    whole = np.round(late).astype(np.int64)
    xy = camera.xy_px - (late - whole)[:, None] * velocity
    xy = np.clip(xy, -0.5, np.array([camera.width, camera.height]) - 0.5)  # none leaves the sensor
    _, first = np.unique(point_keys(camera.frame + whole, camera.marker), return_index=True)
    first = first[np.argsort((camera.frame + whole)[first], kind="stable")]
    timed = replace(
        camera,
        frame=(camera.frame + whole)[first],
        xy_px=xy[first],
        marker=camera.marker[first],
        radius_px=None,
    )
    away = [np.array([np.inf])]
    for other in others:
        shared = Shared(*as_shared(timed, other))
        if len(shared.frame) >= MIN_SHARED_POINTS:
            some = thin(shared)
            F, _ = fundamental(some.uv_a, some.uv_b)
            away += [] if F is None else [_epipolar_px(F, shared)]
    return float(np.median(np.concatenate(away)))


def changes_at(camera: CameraTracks, others: list[CameraTracks], first: int, second: int) -> int:
    """Return the frame from which on the second shift fits rather than the first.

    One geometry holds throughout: that of the camera's beginning, under the first shift. Every
    point that fits under one shift alone votes for its side of the change.
    """
    frames, votes = [], []
    for other in others:
        for shift, vote in ((first, 1), (second, -1)):
            shared = Shared(*as_shared(_shifted(camera, shift), other))
            number = shared.frame - shift
            if vote > 0:
                F = None
                if len(number) >= MIN_SHARED_POINTS:
                    early = thin(shared.rows(number < np.quantile(number, END)))
                    F, _ = fundamental(early.uv_a, early.uv_b)
            if F is None:
                break
            frames.append(number)
            votes.append(vote * (_epipolar_px(F, shared) < 2 * EPIPOLAR_PX))
    if not frames:  # nobody tells: half-way
        return int(np.median(camera.frame))
    at = np.concatenate(frames)
    order = np.argsort(at, kind="stable")
    most = int(np.cumsum(np.concatenate(votes)[order].astype(int)).argmax())
    return int(at[order][min(most + 1, len(at) - 1)])


def _lines(F: Array, uv: Array) -> Array:
    """Return the epipolar lines (n, 3) of points in the second image, of unit normals."""
    lines = np.column_stack([uv, np.ones(len(uv))]) @ F.T
    return np.asarray(lines / np.maximum(np.hypot(*lines[:, :2].T), 1e-300)[:, None])


def _epipolar_px(F: Array, shared: Shared) -> Array:
    """Return the distances (n,) of the second image's points from their epipolar lines."""
    lines = _lines(F, shared.uv_a)
    return np.asarray(np.abs((lines[:, :2] * shared.uv_b).sum(axis=1) + lines[:, 2]))


def _geometry(camera: CameraTracks, others: list[CameraTracks]) -> list[tuple[CameraTracks, Array]]:
    """Return those others that a camera shares most with, each with its fundamental matrix."""
    common = {id(other): len(shared_points(camera, other)[2]) for other in others}
    found = []
    for other in sorted(others, key=lambda o: -common[id(o)])[: 2 * PARTNERS]:
        if common[id(other)] >= TELLS:
            some = thin(Shared(*as_shared(camera, other)))
            F, _ = fundamental(some.uv_a, some.uv_b)
            found += [] if F is None else [(other, F)]
    return found


def jump(
    camera: CameraTracks, others: list[CameraTracks], part: CameraTracks, count: int, rate_hz: float
) -> Jump | None:
    """Return where a camera's count jumps: a ``part`` of it fits others when shifted by ``count``,
    and what lies before or after some frame does, in the same geometry, under another shift alone.
    None where nothing does; jumps of a few frames show at the ends.
    """
    geometry = _geometry(_shifted(part, count), others)
    if not geometry:
        return None
    at, is_near = _near(camera, geometry, count)
    best, most = None, float(TELLS)
    # A few points tell which shifts are worth a look at all.
    some_rows = np.linspace(0, camera.n_points - 1, min(camera.n_points, MOST_SCREENED))
    some_of = camera.rows(some_rows.astype(int))
    reach = round(MAX_JUMP_S * rate_hz)
    fitting = _fitting(some_of, geometry[:PARTNERS], reach)
    fitting[max(0, reach + count - NEAR) : max(0, reach + count + NEAR + 1)] = -1
    likeliest = np.argsort(-fitting, kind="stable")[:MOST_TRIED] - reach
    for shift in {0, *likeliest.tolist()} - {count}:
        at_other, is_other = _near(camera, geometry, shift)
        frame = np.concatenate([at, at_other])
        order = np.argsort(frame, kind="stable")
        votes = np.concatenate([-is_near.astype(int), is_other.astype(int)])[order]
        before = np.append(0, np.cumsum(votes))
        for is_late in (True, False):
            gain = before[-1] - before[:-1] if is_late else before[:-1]
            k = int(gain.argmax())
            since = int(frame[order][k])
            own, other_own = (
                near[(of >= since) == is_late] for of, near in ((at_other, is_other), (at, is_near))
            )
            if gain[k] <= most or own.sum() < TELLS:
                continue
            share = float(own.mean())
            if share >= max(PEAK, float(other_own.mean() if other_own.size else 0.0) + BETTER):
                first, second = (count, shift) if is_late else (shift, count)
                best, most = Jump(first, second, since, share), float(gain[k])
    return best


def _fitting(
    camera: CameraTracks, geometry: Sequence[tuple[CameraTracks, Array]], reach: int
) -> Ints:
    """Return how many of a camera's few points lie near the lines of the others' under each shift,
    from ``-reach`` to ``reach`` (2 reach + 1,).
    """
    found = np.zeros(2 * reach + 1, dtype=np.int64)
    for other, F in geometry:
        rows = [other.rows(other.marker == m) for m in range(int(camera.marker.max()) + 1)]
        lines = _lines(F, camera.xy_px)
        for frame, marker, line in zip(camera.frame, camera.marker, lines, strict=True):
            if marker < 0:
                continue
            of = rows[marker]
            first, last = np.searchsorted(of.frame, [frame - reach, frame + reach + 1])
            off = np.abs(of.xy_px[first:last] @ line[:2] + line[2])
            is_near = off < WIDE * EPIPOLAR_PX
            found[of.frame[first:last][is_near] - frame + reach] += 1
    return found


def _near(
    camera: CameraTracks, geometry: Sequence[tuple[CameraTracks, Array]], shift: int
) -> tuple[Ints, NDArray[np.bool_]]:
    """Return the frames, by the camera's own count, of the points (n,) that it has in common with
    others when shifted, and whether they lie near the lines of the others'.
    """
    frames, near = [], []
    for other, F in geometry:
        shared = Shared(*as_shared(_shifted(camera, shift), other))
        frames.append(shared.frame - shift)
        near.append(_epipolar_px(F, shared) < WIDE * EPIPOLAR_PX)
    return np.concatenate(frames), np.concatenate(near)
