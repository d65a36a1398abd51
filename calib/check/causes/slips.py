"""Did a camera's recorder lose frames? Its points then fit the wand as it stood some whole frames
earlier or later, from one frame on.

Such points lie far off, along the wand's way: a fit leaves them out, or bends to half of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, project
from calib.core.geometry import Array, Pose
from calib.core.threads import in_groups
from calib.core.tracks import Tracks
from calib.solve.bundle.problem import Index
from calib.solve.clock.frame_slip import find_frames
from calib.solve.fit import in_placed_frames
from calib.solve.hold import RigFit

# Frame counts are searched this far either way, by so many points that lie far off; a clock that
# runs away does not go farther than the shorter one.
MAX_SLIP_S, MAX_DRIFT_S, MOST_TRIED = 20.0, 0.5, 200
MOST_POINTS = 30_000  # of a camera, evenly: of an hour's each count would be held against a million
MIN_POINTS = 60  # that a frame count tells apart: a share of them is then known to 6 %
# Shares of the points that lie nearer at the frames found: before the change few, after it most.
FEW, MOST = 0.25, 0.75
NEARER = 0.5  # a point votes whose distance falls to less than this
FAR = 4.0  # and was this many sigmas before
MIN_SIDE = 0.1  # of the votes: what speaks against a few at an end may be chance
DRIFT_STEP = (
    0.25  # in frames, of the ends of a count that runs evenly: points are known to some such
)
EXPLAINED = 0.3  # of their distance is left, in the median: what a lens or a pose leaves is more
MOST_LEFT_PX = 20.0  # and no more than this: of points a thousand px off a third is any other place


@dataclass(frozen=True, slots=True)
class Slip:
    """By how many frames a camera's count is off (later positive) from a frame number on."""

    frames: int
    since_frame: int


def slips(fit: RigFit, tracks: Tracks) -> list[Slip | None]:
    """Return by how much each camera's frame count is off in a part of the capture; None where it
    is not, or throughout.
    """
    problem = fit.problem
    seen = in_placed_frames(problem, problem.row >= 0)
    n_views = problem.n_views(fit.is_inlier)

    def run(cameras: Sequence[tuple[int, Index]]) -> list[Slip | None]:
        return [_slip(fit, tracks, c, at, seen[:, at], n_views) for c, at in cameras]

    parts = in_groups(run, list(enumerate(problem.pairs_by_camera())))
    return [found for part in parts for found in part]


def _slip(
    fit: RigFit,
    tracks: Tracks,
    c: int,
    at: Index,
    seen: NDArray[np.bool_],
    n_views: NDArray[np.int64],
) -> Slip | None:
    """Return camera c's slip from the points that are ``seen (M, P')`` of its pairs ``at``;
    ``n_views (M, F)`` are how many cameras place each marker.
    """
    problem = fit.problem
    own_pair, marker = (of[:: 1 + int(seen.sum()) // MOST_POINTS] for of in np.nonzero(seen.T))
    pair = at[own_pair]
    if len(pair) < 2 * MIN_POINTS:
        return None
    frame = problem.frame_number[problem.frame[pair]]
    own = np.linalg.norm(fit.residual_px[:, marker, pair], axis=0)
    others = problem.n_others(n_views, fit.is_inlier, at)
    placed = np.asarray((others >= 2).any(axis=0))
    # Points that lie far off alone speak for another count, and most cameras have few.
    every, least = np.flatnonzero(own > FAR * fit.sigma_px[c]), MOST * MIN_POINTS
    if len(every) < least:
        return None
    far = every[np.linspace(0, len(every) - 1, min(len(every), MOST_TRIED)).astype(int)]
    least *= len(far) / len(every)
    best: tuple[float, Slip] | None = None
    reach = max(2, round(MAX_SLIP_S * tracks.frame_rate_hz))
    votes_of = _nearer_by_count(fit, c, marker[far], pair[far], placed, NEARER * own[far], reach)
    for frames in (np.flatnonzero(votes_of >= least) - reach).tolist():
        other = np.linalg.norm(off_by_count(fit, c, marker, pair, placed, frames), axis=1)
        known = np.isfinite(other)
        # Points of a slow wand lie alike under both counts and say nothing.
        votes = known & (np.maximum(own, other) > FAR * fit.sigma_px[c])
        votes &= (other < NEARER * own) | (own < NEARER * other)
        found = _since(other[votes] < own[votes], frame[votes])
        if found is None:
            continue
        late = votes & (frame >= found)
        left = float(np.median(other[late]))
        if left > min(EXPLAINED * np.median(own[late]), MOST_LEFT_PX):
            continue
        if best is None or left < best[0]:  # of neighbouring counts as many points vote for each
            best = left, Slip(frames, found)
    if best is None:
        return None
    may_drift = abs(best[1].frames) <= MAX_DRIFT_S * tracks.frame_rate_hz
    return None if may_drift and _is_drifting(fit, c, marker, pair, placed, best[1]) else best[1]


def _is_drifting(
    fit: RigFit, c: int, marker: Index, pair: Index, placed: NDArray[np.bool_], slip: Slip
) -> bool:
    """Return whether points (n,) lie nearer to where the wand stood, in the median, under a count
    that runs evenly than under one that jumps.
    """
    frame = fit.problem.frame_number[fit.problem.frame[pair]]
    shifts = range(min(0, slip.frames) - 1, max(0, slip.frames) + 2)
    off = np.stack([off_by_count(fit, c, marker, pair, placed, k) for k in shifts])
    known = np.isfinite(off).all(axis=(0, 2))
    if known.sum() < MIN_POINTS:
        return False
    off, frame = off[:, known], frame[known]
    way = (frame - frame.min()) / max(int(np.ptp(frame)), 1)

    def away(late: Array) -> float:
        low = np.clip(np.floor(late).astype(int), shifts[0], shifts[-2])
        part, row, n = (late - low)[:, None], low - shifts[0], np.arange(len(late))
        between = (1.0 - part) * off[row, n] + part * off[row + 1, n]
        return float(np.median(np.linalg.norm(between, axis=1)))

    ends = np.arange(-1.0, 1.0 + DRIFT_STEP, DRIFT_STEP)
    evenly = min(away(a + (slip.frames + b - a) * way) for a in ends for b in ends)
    return evenly < away(np.where(frame >= slip.since_frame, float(slip.frames), 0.0))


def _nearer_by_count(
    fit: RigFit,
    c: int,
    marker: Index,
    pair: Index,
    placed: NDArray[np.bool_],
    within_px: Array,
    reach: int,
) -> NDArray[np.int64]:
    """Return how many of the points (n,) lie ``within_px (n,)`` of where the wand stood so many
    frames from their own, from ``reach`` frames before to as many after (2 reach + 1,).

    The wand's way past the camera is projected once for all points and counts.
    """
    problem, number = fit.problem, fit.problem.frame_number
    every = np.arange(len(problem.weight))
    way = np.full((len(every), len(number), 2), np.nan)
    way[:, placed] = _seen(fit, c, every[:, None], np.flatnonzero(placed))
    own = number[problem.frame[pair]]
    first = np.searchsorted(number, own - reach)
    last = np.searchsorted(number, own + reach, side="right")
    found = np.zeros(2 * reach + 1, dtype=np.int64)
    for uv, m, a, b, at, most in zip(
        problem.uv_px[:, marker, pair].T, marker, first, last, own - reach, within_px, strict=True
    ):
        is_near = np.hypot(*(way[m, a:b] - uv).T) < most
        found[number[a:b][is_near] - at] += 1
    found[reach] = 0
    return found


def _seen(fit: RigFit, c: int, marker: Index, frame: Index) -> Array:
    """Return where camera c sees the wand's markers in these frames (..., 2); the two broadcast."""
    state = fit.state
    place = np.einsum("...ij,...j->...i", state.wand_R[frame], state.shape_mm[marker])
    pose = Pose(state.cam_R[c], state.cam_t[c])
    place = place + state.wand_t[frame]
    uv = project(Lens.from_vector(state.lens[c]), pose.apply(place.reshape(-1, 3)))
    return uv.reshape(*place.shape[:-1], 2)


def off_by_count(
    fit: RigFit, c: int, marker: Index, pair: Index, placed: NDArray[np.bool_], frames: int
) -> Array:
    """Return how far along x and y in px points (n, 2) lie from where the wand stood so many frames
    from their own; nan where it was not ``placed (F,)``.
    """
    problem = fit.problem
    at = find_frames(problem.frame_number, problem.frame_number[problem.frame[pair]] + frames)
    known = (at >= 0) & placed[at]
    uv = _seen(fit, c, marker, at)
    return np.where(known[:, None], uv - problem.uv_px[:, marker, pair].T, np.nan)


def _since(is_nearer: NDArray[np.bool_], frame: NDArray[np.int64]) -> int | None:
    """Return the frame of the change with which the most votes agree, None where there is none."""
    n = len(is_nearer)
    if n < 2 * MIN_POINTS:
        return None
    vote = np.where(is_nearer, 1, -1)
    after = np.cumsum(vote[::-1])[::-1] - np.append(0, np.cumsum(vote))[:-1]
    side = max(MIN_POINTS, int(MIN_SIDE * n))
    first = int(after[side : n - side + 1].argmax()) + side
    if is_nearer[:first].mean() > FEW or is_nearer[first:].mean() < MOST:
        return None
    return int(frame[first])
