"""What a fit leaves out is evidence: points left out of one camera, or in one stretch of time, are
not stray points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.solve.fit import frames_with_pose
from calib.solve.hold import RigFit

TIME_PARTS = 20  # of the capture: a change in its last tenth fills two
MIN_POINTS = 60  # of a group: a share is then known to 6 %
# Share left out that needs a word. Gross errors are a percent or two of named points, errors that
# last a few more; a tenth is what a bad camera has (common practice, no source).
MANY = 0.35
# A group stands out whose share is this many times the median group's, and this large.
TIMES, LEAST = 4.0, 0.3
BARE = 0.6  # share of a stretch of time left out, in two parts running, that is no chance
LASTS_S = 5.0  # and for this long: where cameras are few, errors that last take whole frames along


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Shares of the points left out: of each camera (C,), but for stretches that stand off and
    pass, and of each part of the time (T,), with these; nan where there are too few points to say.

    ``since (T + 1,)`` are the frame numbers at which the stretches begin, and the last frame.
    """

    by_camera: NDArray[np.float64]
    by_time: NDArray[np.float64]
    since: NDArray[np.int64]

    @property
    def is_bare(self) -> NDArray[np.bool_]:
        """Which parts of the time (T,) are mostly left out, beside another that is."""
        with np.errstate(invalid="ignore"):
            bare = self.by_time > BARE
        beside = np.append(bare[1:], False) | np.append(False, bare[:-1])
        return np.asarray(bare & beside & stands_out(self.by_time))

    def stretch(self, rate_hz: float) -> tuple[int, int, float] | None:
        """First and last frame of the longest time whose points are mostly left out, and their
        share; None where it is shorter than what passes.
        """
        change = np.flatnonzero(np.diff(np.r_[False, self.is_bare, False].astype(int)))
        runs = [(int(self.since[b] - self.since[a]), a, b) for a, b in change.reshape(-1, 2)]
        length, a, b = max(runs, default=(0, 0, 0))
        if length < LASTS_S * rate_hz:
            return None
        share = float(np.mean(self.by_time[a:b]))
        return int(self.since[a]), int(self.since[b]), share


def stands_out(share: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which groups' shares stand out of the usual one, the median of all or, of few groups,
    of the others.
    """
    known = np.flatnonzero(np.isfinite(share))
    usual = np.full(len(share), np.nan)
    for k in known if len(known) > 1 else ():
        usual[k] = np.median(share[known[known != k]])
    with np.errstate(invalid="ignore"):
        return np.asarray((share > LEAST) & (share > TIMES * usual))


def left_out(fit: RigFit) -> LeftOut:
    """Return where the points lie that a fit leaves out, those in stretches that last too."""
    problem = fit.problem
    seen = problem.row >= 0
    seen &= frames_with_pose(problem, seen)[problem.frame]
    marker, pair = np.nonzero(seen)
    out = ~fit.is_inlier[marker, pair]
    edges = np.linspace(0, problem.n_frames, TIME_PARTS + 1).astype(int)
    part = np.searchsorted(edges, problem.frame[pair], side="right") - 1
    part = np.clip(part, 0, TIME_PARTS - 1)
    return LeftOut(
        by_camera=_shares(out & ~fit.is_passing[pair], problem.cam[pair], problem.n_cameras),
        by_time=_shares(out, part, TIME_PARTS),
        since=problem.frame_number[np.minimum(edges, problem.n_frames - 1)],
    )


def _shares(out: NDArray[np.bool_], group: NDArray[np.intp], n: int) -> NDArray[np.float64]:
    count = np.bincount(group, minlength=n).astype(float)
    count[count < MIN_POINTS] = np.nan
    return np.asarray(np.bincount(group, out, n) / count)
