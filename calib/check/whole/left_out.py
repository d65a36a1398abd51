"""What a fit leaves out is evidence: points left out of one camera, or in one stretch of time, are
not stray points.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from math import comb
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.causes.last_seen import far_px
from calib.solve.bundle.problem import Index
from calib.solve.fit import in_placed_frames
from calib.solve.hold import RigFit
from calib.solve.lasting.stretches import MOSTLY, STEP_PX, chance_from

TIME_PARTS = 20  # of the capture: a change in its last tenth fills two
MIN_POINTS = 60  # of a group: a share is then known to 6 %
# Share left out that needs a word. Gross errors are a percent or two of named points, errors that
# last a few more; a tenth is what a bad camera has (common practice, no source).
MANY = 0.35
# A group stands out whose share is this many times the median group's, and this large.
TIMES, LEAST = 4.0, 0.3
BARE = 0.6  # share of a stretch of time left out, in two parts running, that is no chance
LASTS_S = 5.0  # and for this long: where cameras are few, errors that last take whole frames along
# Errors that last come to a camera by itself. Where they would have to take several at once to the
# wave's end, for no less than this, and do so once in two hundred waves, the rig moved.
# Those are told that hardly do so by chance beside these.
LAST_S, CHANCE, SURE = 1.0, 5e-3, 0.05
NO_TRACE = 0.2  # of the largest shift: less may be a trace of another's
FEWEST = 8  # points of a camera there, to tell most from few
NEARLY_ALL, FEWEST_FAR = 0.9, 20  # of what lies farther off than anything that lasts


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Shares of the points left out: of each camera (C,), but for stretches that stand off and
    pass, of each in all, and of each part of the time (T,); nan where there are too few points to
    say.

    ``since (T + 1,)`` are the frame numbers at which the stretches begin, and the last frame.
    """

    by_camera: NDArray[np.float64]
    in_all: NDArray[np.float64]
    by_time: NDArray[np.float64]
    since: NDArray[np.int64]

    def of_most(self, is_own: bool) -> dict[int, float]:
        """Return the cameras that lost so much that it needs a word, by their share: that does not
        pass, or, of what the rig was solved from, in all.
        """
        with np.errstate(invalid="ignore"):
            much = (self.by_camera > MANY) | (self.in_all > MANY) & is_own
        return {c: float(self.in_all[c]) for c in np.flatnonzero(much).tolist()}

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


@dataclass(frozen=True, slots=True)
class End:
    """The cameras whose points stand off from frame ``first`` to the wave's ``last``, the share
    left out of them, and by how many px they lie off; whether others see something there, and fit.
    Where these are no more, either may have moved, as on one truss, and all are named.
    """

    cameras: tuple[str, ...]
    first: int
    last: int
    share: float
    size_px: float
    others_fit: bool


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
    pair, out, _ = _points(fit)
    edges = np.linspace(0, problem.n_frames, TIME_PARTS + 1).astype(int)
    cam, n_cameras = problem.cam[pair], problem.n_cameras
    part = np.searchsorted(edges, problem.frame[pair], side="right") - 1
    part = np.clip(part, 0, TIME_PARTS - 1)
    return LeftOut(
        by_camera=_shares(out & ~fit.is_passing[pair], cam, n_cameras),
        in_all=_shares(out, cam, n_cameras),
        by_time=_shares(out, part, TIME_PARTS),
        since=problem.frame_number[np.minimum(edges, problem.n_frames - 1)],
    )


def at_end(fit: RigFit, names: Sequence[str], told: Collection[str] = ()) -> End | None:
    """Return those of the cameras whose points stand off from one moment within the last tenth to
    the wave's end, None where errors that last may do it. Those ``told`` to have moved are no
    witnesses: they take the points of others along.

    A knock so late leaves the rig as it was before: it fits its wave and no later one. Points that
    are only left out do not count: one camera that is off takes the frames of few along.
    """
    problem = fit.problem
    number, n_last = problem.frame_number, problem.n_frames // 10
    last = number[-1] - LAST_S * problem.rate_hz
    moments = sorted({s.first for s in fit.stretches if number[-1 - n_last] <= s.first <= last})
    if not moments:
        return None
    pair, out, off_px = _points(fit)
    frame, camera, is_passing = number[problem.frame[pair]], problem.cam[pair], fit.is_passing[pair]
    is_told = np.isin(names, list(told))
    since = np.searchsorted(moments, frame, side="right")  # how many of them a point comes after

    def late(of: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return how many of the points are each camera's from each moment on, and in all (K + 1,
        C), latest first.
        """
        size = len(moments) + 1, problem.n_cameras
        at = (len(moments) - since[of]) * problem.n_cameras + camera[of]
        return np.bincount(at, minlength=size[0] * size[1]).reshape(size).cumsum(axis=0)

    n_all, n_passing, n_out = (late(of) for of in (np.ones_like(out), is_passing, out))
    best, found = CHANCE, None
    for k, first in enumerate(moments):
        j = len(moments) - 1 - k
        before = _share(n_passing[-1] - n_passing[j], n_all[-1] - n_all[j])
        after, lost = (_share(of[j], n_all[j], FEWEST) for of in (n_passing, n_out))
        with np.errstate(invalid="ignore"):
            is_off = (after > MOSTLY) & (before < LEAST) & ~is_told
            loses = lost >= LEAST
        if is_off.sum() < 2:
            continue
        own = (frame >= first) & is_passing
        off = {
            c: float(np.median(off_px[own & (camera == c)]))
            for c in np.flatnonzero(is_off).tolist()
        }
        sizes = {c: px for c, px in off.items() if px > STEP_PX}
        if len(sizes) < 2:
            continue
        each = chance_from(problem, fit.stretches, sizes, first)
        ranked = sorted(each, key=lambda c: each[c])
        together = product_chance(np.array([each[c] for c in ranked]))
        n_seeing = int(np.isfinite(lost).sum())
        tries = [n_last * comb(n_seeing, k) for k in range(1, len(ranked) + 1)]
        others = ~is_off & ~is_told & np.isfinite(lost)
        fits = bool(others.sum() > 1 and not loses[others].any())
        is_placed = (~loses[others]).sum() > 1
        # Of two that nobody else places, one that is off takes the other along, by what lasts.
        lasting = (np.hypot(*s.shift_px) for s in fit.stretches if s.camera not in sizes)
        is_rare = max(lasting, default=0.0) < min(sizes.values()) / 2.0
        chance = float((together * tries)[1 if is_placed or is_rare else 2 :].min(initial=1.0))
        sure = sorted(c for c in ranked if each[c] < SURE)
        most = max((sizes[c] for c in sure), default=0.0)
        who = [c for c in sure if sizes[c] > NO_TRACE * most]
        if who and chance < best:
            size, share = float(np.median([sizes[c] for c in who])), lost[who].mean()
            if fits and others.sum() <= is_off.sum():
                who = sorted({*who, *np.flatnonzero(others).tolist()})
            cameras = tuple(names[c] for c in who)
            best, found = chance, End(cameras, first, int(number[-1]), float(share), size, fits)
    return found


def lost_at_end(fit: RigFit, names: Sequence[str], told: Collection[str] = ()) -> End | None:
    """Return the cameras, but for those ``told`` to be at fault, nearly all of whose points lie off
    by more than errors that last make, for as long as counts and to the wave's end; whether they
    moved, or those that place the wand then, is not known.
    """
    problem = fit.problem
    number = problem.frame_number
    pair, out, off_px = _points(fit)
    frame, camera = number[problem.frame[pair]], problem.cam[pair]
    begin, since = int(number[-1 - problem.n_frames // 10]), {}
    for c in np.flatnonzero(~np.isin(names, list(told))).tolist():
        own = np.flatnonzero((frame >= begin) & (camera == c))
        own = own[np.argsort(frame[own], kind="stable")][::-1]
        n_far = np.cumsum(out[own] & (off_px[own] > far_px(fit, c, begin)))
        most = np.flatnonzero(n_far > NEARLY_ALL * np.arange(1, len(own) + 1))
        if most.size and n_far[most[-1]] >= FEWEST_FAR:
            first = int(frame[own[most[-1]]])
            if number[-1] - first >= LAST_S * problem.rate_hz:
                since[c] = first
    if not since:
        return None
    first, at = max(since.values()), np.isin(camera, list(since))
    at &= frame >= first
    lost = tuple(names[c] for c in since)
    size_px = float(np.median(off_px[at]))
    return End(lost, first, int(number[-1]), float(out[at].mean()), size_px, others_fit=False)


def product_chance(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return by what chance the product of the first, the first two... of independent p-values (n,)
    is as small as theirs, which is more than the product (Fisher, Statistical Methods for Research
    Workers, 4th edition 1932, section 21.1).
    """
    total = -np.cumsum(np.log(np.maximum(p, 1e-300)))
    return np.asarray(special.gammaincc(np.arange(1, len(p) + 1), total))


def _points(fit: RigFit) -> tuple[Index, NDArray[np.bool_], NDArray[np.float64]]:
    """Return of the points in frames with a pose the pair, whether it is left out, and by how many
    px it lies off.
    """
    problem = fit.problem
    marker, pair = np.nonzero(in_placed_frames(problem, problem.row >= 0))
    off = np.hypot(*fit.residual_px)
    return pair, ~fit.is_inlier[marker, pair], off[marker, pair]


def _shares(
    out: NDArray[np.bool_], group: NDArray[np.intp], n: int, least: int = MIN_POINTS
) -> NDArray[np.float64]:
    return _share(np.bincount(group, out, n), np.bincount(group, minlength=n), least)


def _share(
    out: NDArray[Any], count: NDArray[np.int64], least: int = MIN_POINTS
) -> NDArray[np.float64]:
    return np.asarray(out / np.where(count < least, np.nan, count))
