"""Stretches of time in which a camera stands off: which points lie in them, and how many."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array
from calib.solve.bundle.problem import Index, Problem

Bools = NDArray[np.bool_]
BY_CHANCE = 0.01  # of the points in stretches: up to so many are found where nothing is amiss
USUAL_SHARE = 2.0 * BY_CHANCE
USUAL_S = 1.0  # how long one lasts (assumed: shimmer, or a marker partly hidden for a step)
USUAL_PX = 1.0  # within which such a one is off (assumed)
N_USUAL = 3  # as many as usual count beside those seen of how long they last
# Until the wave's end: most of what a camera sees; some would be too little to tell. Of one alone
# shimmer seldom takes so much.
MOSTLY, ALONE_S = 0.5, 1.5
# A move counts that takes points along by as much as a good centroid is good to (common practice,
# no source): what warms up drifts by less in every wave.
STEP_PX = 0.15
PASSES = 1e-3  # chance in a wave: more, and errors that last are no rarity
# What stands off for longer without a break is no passing error: the camera was moved.
MOST_PASSING_S = 5.0
BREAK_S = 0.5  # between stretches that do not follow one another
Off = tuple[
    Index, Array, float
]  # pairs that stand off together, their shift (2,) in px and its chi-square


@dataclass(frozen=True, slots=True)
class Stretch:
    """A camera (index) whose points are off by ``shift_px`` together from frame ``first`` to
    ``last``, inclusive.
    """

    camera: int
    first: int
    last: int
    shift_px: tuple[float, float]


def camera_of(problem: Problem, off: Off) -> int:
    """Return whose stretch it is."""
    return int(problem.cam[off[0][0]])


def off_pairs(problem: Problem, off: Sequence[Off]) -> Bools:
    """Return the pairs (P,) that stand off."""
    out = np.zeros(len(problem.cam), bool)
    for pairs, *_ in off:
        out[pairs] = True
    return out


def runs(stretches: Sequence[Stretch], rate_hz: float) -> list[list[Stretch]]:
    """Return the stretches of each camera that follow one another."""
    out: list[list[Stretch]] = []
    for s in sorted(stretches, key=lambda s: (s.camera, s.first, s.last)):
        last = out[-1][-1] if out else None
        if last and last.camera == s.camera and s.first - last.last <= BREAK_S * rate_hz:
            out[-1].append(s)
        else:
            out.append([s])
    return out


def _largest_px(stretches: Iterable[Stretch]) -> float:
    return max((float(np.hypot(*s.shift_px)) for s in stretches), default=0.0)


def largest_before_px(stretches: Iterable[Stretch], camera: int, frame: int) -> float:
    """Return by how many px another camera is off at most in a stretch that was over before a
    frame.
    """
    return _largest_px(s for s in stretches if s.camera != camera and s.last < frame)


def stretch_of(problem: Problem, stretches: Sequence[Stretch]) -> Index:
    """Return which of the stretches each pair (P,) lies in, -1 in none."""
    out, views = np.full(len(problem.cam), -1), problem.pairs_by_camera()
    number = [problem.frame_number[problem.frame[at]] for at in views]
    for k, s in enumerate(stretches):
        first, last = np.searchsorted(number[s.camera], [s.first, s.last + 1])
        out[views[s.camera][first:last]] = k
    return out


def pairs_in(problem: Problem, stretches: Sequence[Stretch], most_s: float = np.inf) -> Bools:
    """Return the pairs (P,) that lie in stretches, but for those of a camera that follow one
    another for ``most_s``.
    """
    passing = [
        s
        for run in runs(stretches, problem.rate_hz)
        if run[-1].last - run[0].first <= most_s * problem.rate_hz
        for s in run
    ]
    return np.asarray(stretch_of(problem, passing) >= 0)


def share_off(problem: Problem, stretches: Sequence[Stretch]) -> float:
    """Return the share of all points that lie in stretches."""
    seen = (problem.row >= 0).sum(axis=0)
    return float(seen[pairs_in(problem, stretches)].sum() / max(seen.sum(), 1))


def chance_at_end(
    problem: Problem,
    stretches: Sequence[Stretch],
    cameras: Collection[int],
    frame: int,
    size_px: float,
) -> float:
    """Return by what chance errors that last have so many cameras of a wave stand off together, by
    such a size, in all that they see from a frame on, or up to it, whichever is less.

    Of a share p of the frames that others see, and of a length (mean by time), they fill t of each
    camera with chance p^(t / length). Views that a length and more lie between are each filled
    anew, with chance p at most.
    """
    share, usual = _share_and_length(*_as_usual(problem, stretches, cameras, frame, size_px))
    of_frame = problem.frame_number[problem.frame]
    seen = [of_frame[problem.cam == c] for c in cameras]
    sides = [min(own[own < frame], own[own >= frame], key=len) for own in seen]
    return float(2 * problem.n_cameras * share ** sum(_n_lengths(side, usual) for side in sides))


def _n_lengths(frame: NDArray[np.int64], length: float) -> float:
    """Return how many lengths fill the frames (n,) that a camera sees, one at least a view."""
    views = np.split(frame, np.flatnonzero(np.diff(frame) > length) + 1)
    return float(sum(max(len(view) / length, 1.0) for view in views if len(view)))


def chance_of_most(
    problem: Problem, stretches: Sequence[Stretch], camera: int, frame: int, size_px: float
) -> float:
    """Return by what chance errors that last have a camera stand off, by such a size, in as much as
    it does of what it sees from a frame on, or up to it, whichever is less.

    As for all of it, by the binomial law of so many lengths (as incomplete beta function, which
    takes parts of one).
    """
    share, usual = _share_and_length(*_as_usual(problem, stretches, [camera], frame, size_px))
    own = problem.cam == camera
    is_late = problem.frame_number[problem.frame] >= frame
    side = own & (is_late if (own & is_late).sum() < (own & ~is_late).sum() else ~is_late)
    n, n_off = side.sum() / usual, pairs_in(problem, stretches)[side].sum() / usual
    return float(2 * problem.n_cameras * special.betainc(n_off, n - n_off + 1.0, share))


def chance_from(
    problem: Problem, stretches: Sequence[Stretch], size_px: Mapping[int, float], frame: int
) -> dict[int, float]:
    """Return by what chance errors that last have each of some cameras stand off by its size from
    as near to a frame as it does, to the wave's end.

    They begin in a share of the frames that others see; one that is larger than twice all others
    the more seldom, as their variance is finite. How long one goes on is told by those of others
    and ``N_USUAL`` as usual, an exponential law of unknown mean: for t or longer with chance
    (1 + t / sum)^-n (Lomax, Business failures, JASA 49, 1954). Between two views of a camera it is
    not known when they begin.
    """
    is_off, number, out = pairs_in(problem, stretches), problem.frame_number[problem.frame], {}
    large_px = 2.0 * _largest_px(s for s in stretches if s.camera not in size_px)
    for c, size in size_px.items():
        length, n_seen = _as_usual(problem, stretches, size_px, frame, size)
        seen, width = number[problem.cam == c], np.inf
        for run in runs([s for s in stretches if s.camera == c], problem.rate_hz):
            large = [s for s in run if _largest_px([s]) >= 0.5 * size]
            for s in (run[0], *large) if large else ():
                gap = s.first - int(seen[seen < s.first].max(initial=problem.frame_number[0] - 1))
                width = min(width, gap + 2.0 * max(s.first - gap + 1 - frame, frame - s.first, 0))
        n_off = int((number[is_off & (problem.cam == c)] >= frame).sum())
        n_begin = len(length) - 1 + min(1.0, max(large_px, USUAL_PX) / size) ** 2
        begins = min(width * n_begin / n_seen, 1.0)
        n, total = len(length) - 1 + N_USUAL, length.sum() + (N_USUAL - 1) * length[-1]
        out[c] = float(begins * (1.0 + n_off / total) ** -n)
    return out


def _share_and_length(length: Array, n_seen: float) -> tuple[float, float]:
    """Return which share of frames errors that last take, and their mean length by time."""
    total = float(length.sum())
    return total / max(n_seen, total), float((length**2).sum()) / total


def _as_usual(
    problem: Problem,
    stretches: Sequence[Stretch],
    cameras: Collection[int],
    frame: int,
    size_px: float,
) -> tuple[Array, float]:
    """Return how long errors last beside those of some cameras from a frame on, or up to it, in
    frames each, and in how many frames that a camera sees.

    They are the other cameras' runs of half the size or more on the frame's longer side, that begin
    and end within it, and one run as usual. What begins at the frame is no witness: a knock of all
    looks so.
    """
    number, rate_hz = problem.frame_number, problem.rate_hz
    first, last, edge = int(number[0]), int(number[-1]), BREAK_S * rate_hz
    first, last = (first, frame) if frame - first > last - frame else (frame, last)
    of_frame = number[problem.frame]
    rest = ~np.isin(problem.cam, list(cameras)) & (of_frame >= first) & (of_frame <= last)
    length = np.array(
        [
            run[-1].last - run[0].first + 1.0
            for run in runs(stretches, rate_hz)
            if run[0].camera not in cameras
            and _largest_px(run) >= 0.5 * size_px
            and run[0].first - first > edge
            and last - run[-1].last > edge
        ]
        + [USUAL_S * rate_hz]
    )
    # A pair is a frame that a camera sees.
    return length, float(rest.sum() + length[-1] / USUAL_SHARE)


def in_words(
    problem: Problem, stretches: Sequence[Stretch], names: Sequence[str]
) -> dict[str, Any]:
    """Return the share of all points in stretches, and of each camera how many, how long in all and
    the largest, and from which frame on it lay off until the wave ended.
    """
    cameras: dict[str, dict[str, Any]] = {}
    until_end = off_until_end(problem, stretches)
    for c, name in enumerate(names):
        own = [s for s in stretches if s.camera == c]
        if own:
            seconds = sum(s.last - s.first + 1 for s in own) / problem.rate_hz
            largest = max(own, key=lambda s: np.hypot(*s.shift_px))
            cameras[name] = {
                "count": len(own),
                "seconds": float(seconds),
                "largest_px": float(np.hypot(*largest.shift_px)),
                "largest_frames": [largest.first, largest.last],
            }
            if c in until_end:
                cameras[name]["off_until_end_since"] = until_end[c]
    return {"share": share_off(problem, stretches), "cameras": cameras}


def off_until_end(problem: Problem, stretches: Sequence[Stretch]) -> dict[int, int]:
    """Return the cameras of which most of what was seen lies in stretches from a frame in the last
    tenth of a wave, or its last seconds, to its end, each with that frame; one alone only if it
    does so for long.
    """
    number, is_off = problem.frame_number[problem.frame], pairs_in(problem, stretches)
    last = problem.frame_number[-1]
    late = problem.frame_number[-1 - problem.n_frames // 10]
    late = min(late, last - MOST_PASSING_S * problem.rate_hz)
    found: dict[int, tuple[int, float]] = {}
    for run in runs(stretches, problem.rate_hz):
        c, first = run[0].camera, run[0].first
        if first < late:
            continue
        after = (problem.cam == c) & (number >= first)
        seconds = np.unique(number[after]).size / problem.rate_hz
        is_far = _largest_px(run) > STEP_PX
        if is_far and seconds >= BREAK_S and is_off[after].mean() > MOSTLY:
            found.setdefault(c, (first, seconds))
    together = len(found) > 1
    return {c: first for c, (first, lasts) in found.items() if together or lasts >= ALONE_S}
