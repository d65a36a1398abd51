"""Did a camera see the wand elsewhere, all alike, until it saw it last?

In a long rig a camera sees the wand for some seconds, and what it sees after a knock or lost frames
may be too little to follow it: a fit leaves that out as it does errors that last, and holds the
camera where it stood before.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.check.causes.slips import EXPLAINED, off_by_count
from calib.core.threads import in_groups
from calib.solve.bundle.problem import Index
from calib.solve.hold import RigFit
from calib.solve.lasting.stretches import largest_before_px

# A disc half hidden has its centroid 0.42 of its radius off (4 / (3 pi), a half disc's), warm air
# and tremble less than a pixel: 4 px are half of a marker 20 px wide (assumed: as wide as any is).
# Beside errors that last and are larger, a shift that is no more than twice as large is one.
LEAST_PX, TIMES = 4.0, 2.0
ALIKE = 0.5  # of how far they lie off: about their middle; those that fit nothing lie all over
FEWEST, LEAST_S = 20, 0.5  # points, and how long: errors that come one by one do not
AGAINST = 4  # points that lie off for each that fits among them, and before the other way round
MOST_COUNTS = 10  # frames by which the count may be off, either way


@dataclass(frozen=True, slots=True)
class LastSeen:
    """From which frame on all points of a camera lie off, by how many px in the median, by how many
    frames its count is off where that explains it, else 0, and which share of it no shift of the
    image takes.
    """

    first: int
    size_px: float
    frames: int
    left: float


def last_seen(fit: RigFit, at_fault: Collection[int] = ()) -> list[LastSeen | None]:
    """Return of each camera what all points to the last that it saw have in common, far off where
    the other cameras put them, without those ``at_fault``; None where they fit, or have nothing in
    common.
    """
    problem = fit.problem
    is_sound = fit.is_inlier & ~fit.is_passing
    of_others = is_sound & ~np.isin(problem.cam, list(at_fault))
    n_views = problem.n_views(of_others)
    placed = np.asarray((n_views >= 2).any(axis=0))

    def run(cameras: Sequence[tuple[int, Index]]) -> list[LastSeen | None]:
        return [
            _last(
                fit,
                c,
                at[placed[problem.frame[at]]],
                is_sound,
                placed,
                problem.n_others(n_views, of_others, at),
            )
            for c, at in cameras
        ]

    parts = in_groups(run, list(enumerate(problem.pairs_by_camera())))
    return [found for part in parts for found in part]


def far_px(fit: RigFit, camera: int, frame: int) -> float:
    """Return by how many px points of a camera lie off from a frame on at least where that is no
    error that lasts.
    """
    return max(LEAST_PX, TIMES * largest_before_px(fit.stretches, camera, frame))


def _last(
    fit: RigFit,
    c: int,
    at: Index,
    is_sound: NDArray[np.bool_],
    placed: NDArray[np.bool_],
    n_others: NDArray[np.int64],
) -> LastSeen | None:
    """Return what camera c's last pairs of ``at`` have in common, all of placed frames; other
    cameras have ``n_others (M, F)`` views of each marker.
    """
    problem = fit.problem
    seen, sound = problem.row[:, at] >= 0, is_sound[:, at]
    balance = ((seen & ~sound).sum(axis=0) - AGAINST * sound.sum(axis=0))[::-1].cumsum()[::-1]
    # A camera that is off most of the time stands elsewhere altogether.
    if not at.size or not FEWEST <= balance.max() <= sound.sum():
        return None
    before, late = np.split(at, [int(balance.argmax())])
    if not _stood(fit, before, is_sound, n_others):
        return None
    frame = problem.frame_number[problem.frame[late]]
    if len(np.unique(frame)) < LEAST_S * problem.rate_hz:
        return None
    marker, pair = np.nonzero((problem.row[:, late] >= 0) & ~is_sound[:, late])
    pair = late[pair]
    off = fit.residual_px[:, marker, pair]
    size = float(np.median(np.hypot(*off)))
    if size < far_px(fit, c, int(frame[0])):
        return None
    left = float(np.median(np.hypot(*(off - np.median(off, axis=1, keepdims=True)))))
    by_count = {
        k: float(np.median(known))
        for k in range(-MOST_COUNTS, MOST_COUNTS + 1)
        for away in [np.hypot(*off_by_count(fit, c, marker, pair, placed, k).T)]
        if k and len(known := away[np.isfinite(away)]) >= FEWEST
    }
    best = min(by_count, key=lambda k: by_count[k], default=0)
    if best and by_count[best] < min(EXPLAINED * size, left):
        return LastSeen(int(frame[0]), size, best, left / size)
    return LastSeen(int(frame[0]), size, 0, left / size) if left < ALIKE * size else None


def _stood(
    fit: RigFit, before: Index, is_sound: NDArray[np.bool_], n_others: NDArray[np.int64]
) -> bool:
    """Return whether a camera's pairs ``before`` fit where two others place the wand, by their
    views of each marker (M, F): with one alone it may fit wherever it stands.
    """
    problem = fit.problem
    at = before[(n_others[:, problem.frame[before]] >= 2).any(axis=0)]
    sound = is_sound[:, at]
    was_off = (problem.row[:, at] >= 0) & ~sound & ~fit.is_passing[at]
    return bool(AGAINST * was_off.sum() <= sound.sum())
