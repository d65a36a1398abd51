"""What stands off unseen: the variance that stretches which a search may miss leave at each place.

A shift s that lasts is found where its chi-square passes the search's limit, which with the
information M on shifts there is noncentral by ``sᵀ M s``. M is another at each *place*, a camera
and a time: what nothing else ties a camera by, it gives way to, so that the same shift bends it
more and shows less. A stretch that was found for sure therefore stands for 1 / P of its size, with
P its chance to be found, a mean over all places (Horvitz & Thompson), each place alike. Of these a
place hides those that its own chance misses.

Source: Horvitz & Thompson, A generalization of sampling without replacement from a finite
universe, Journal of the American Statistical Association 47, 1952.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array
from calib.solve.bundle.problem import Problem
from calib.solve.lasting.shifts import Shifts
from calib.solve.lasting.stretches import Stretch, runs

# Bins of stretches, apart by a factor of two: shorter ones show more than they bend.
HIDDEN_BINS = (8, 16, 32, 64)
MOST_STOOD_FOR = 10.0  # stretches by one that was found: rarer finds tell too little
# Of a camera's variance: what a place must add for its matrix to be formed. All places together
# leave out less than a hundredth.
LEAST_BENT = 1e-4
# A marker half hidden is off by less than its image is wide. Points farther off are of other frames
# or beyond what the lens model can follow, by any number, and tell nothing of what may hide.
MOST_PX = 100.0
N_GRID = 400  # of the chance to be missed, between which it is straight to 1e-4


def found_for_sure(
    problem: Problem, found: Shifts, stretches: Sequence[Stretch], limit: float
) -> tuple[tuple[float, float], ...]:
    """Return frames and squared shift in px² of the ``stretches`` whose chi-square is beyond the
    limit and that are not gross errors; ``found`` are shifts of a fit without them.

    Pieces that follow one another are one. Their points were left out of ``found``: a view of a
    camera counts as its others do.
    """
    information, _, is_place = places(found, HIDDEN_BINS[0])
    is_kept, number = found.n > 0, problem.frame_number[problem.frame]
    of_view = (information * is_place).sum(axis=1) / np.maximum(
        np.bincount(problem.cam, is_kept, problem.n_cameras), 1
    )
    seen, out = [number[at] for at in problem.pairs_by_camera()], []
    for run in runs(stretches, problem.rate_hz):
        lengths = [s.last - s.first + 1 for s in run]
        shift = np.average([s.shift_px for s in run], axis=0, weights=lengths)
        square, own = float(shift @ shift), seen[run[0].camera]
        n_views = sum(int(np.diff(np.searchsorted(own, [s.first, s.last + 1]))[0]) for s in run)
        if square <= MOST_PX**2 and square * of_view[run[0].camera] * n_views > limit:
            out.append((float(run[-1].last - run[0].first + 1), square))
    return tuple(out)


def places(found: Shifts, m: int) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return the information per px² (C, K) on shifts along an axis of stretches of ``m`` bins, one
    after the other, what of it their camera takes as it gives way, and where it sees anything.
    """
    first = np.arange(0, found.n_bins, m)
    _, I, taken = found.in_stretches(first, np.minimum(first + m, found.n_bins))
    whole, taken = (0.5 * of[..., [0, 2]].sum(axis=-1) for of in (I, taken))
    return np.maximum(whole - taken, 0.0), taken, np.asarray(whole > 0)


def hidden(
    found: Shifts, kinds: Sequence[tuple[float, float]], limit: float
) -> list[tuple[int, Array]]:
    """Return bins m and variances (C, K) in px² of each axis of what stretches of m bins, one after
    the other, hide; ``kinds`` are ``found_for_sure``.
    """
    grid = np.linspace(0.0, 4.0 * limit, N_GRID)
    of_grid = special.chndtr(limit, 2.0, grid)
    frames, square = np.array(kinds).reshape(-1, 2).T
    size = np.argmin(
        np.abs(np.log2(frames[:, None] / (found.length * np.array(HIDDEN_BINS)))), axis=1
    )
    is_long = frames * np.sqrt(2.0) >= found.length * HIDDEN_BINS[0]
    out = []
    for j, m in enumerate(HIDDEN_BINS):
        own = square[is_long & (size == j)]
        if not own.size:
            continue
        information, taken, is_place = places(found, m)
        variance = np.zeros_like(information)
        for s in own:
            missed = np.interp(information * s, grid, of_grid, right=0.0)
            n = 1.0 / max(1.0 - float(missed[is_place].mean()), 1.0 / MOST_STOOD_FOR)
            variance += n * missed * 0.5 * s
        variance /= is_place.sum()
        out.append((m, np.where(variance * taken > LEAST_BENT, variance, 0.0)))
    return out
