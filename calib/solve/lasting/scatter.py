"""What is left of errors that last in a fit, and what it does to the covariance.

A shift of variance v that lasts T frames and begins anywhere makes the scores of a camera
(``shifts``) k frames apart covary by ``v I_f I_f+k (1 - k / T)``. Variances for several T are found
by moments: the squares of scores summed over stretches of several lengths, against what independent
noise lets expect. They add to the covariance of the reduced gradient ``D = Σ v A_b A_bᵀ`` over
stretches b, with A_b the gradient that a unit of shift makes; the covariance C of the solution
becomes C + C D C. What a few stretches leave that the search missed is too little for moments, and
bends the cameras where it hides best: that is told from those found (``hidden``).

Sources: White, A heteroskedasticity-consistent covariance matrix estimator, Econometrica 48, 1980,
and Liang & Zeger, Longitudinal data analysis using generalized linear models, Biometrika 73, 1986
(C + C D C for errors that hang together in clusters; here D has a few numbers a rig, as a full D
would take more clusters than a wave has).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize

from calib.core.geometry import Array
from calib.core.threads import each_group, in_groups
from calib.solve.bundle.descent import BundleOptions
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Index, Problem, State
from calib.solve.certainty.normal import Information
from calib.solve.lasting.bending import chance_limit
from calib.solve.lasting.by_place import SURE, Field, field_matrix, find_field
from calib.solve.lasting.find import bin_frames
from calib.solve.lasting.gradients import Gradients
from calib.solve.lasting.hidden import found_for_sure, hidden
from calib.solve.lasting.leaning import Leaning, find_leaning, leaning_gradient, without_leaning
from calib.solve.lasting.overdispersion import overdispersion
from calib.solve.lasting.shifts import Shifts, shifts
from calib.solve.lasting.solved import Solved
from calib.solve.lasting.stretches import BY_CHANCE, Stretch, share_off

LENGTH_BINS = (
    2,
    4,
    8,
    16,
    32,
    64,
)  # lengths of shifts and of the stretches that are summed, some 0.12 to 2 s
LONG_BINS = 16  # from this length on other cameras give way to a shift as well
MOST_NUMBERS = 30_000_000  # that finding that out may take
ROOM = 10_000_000  # numbers that the gradients of a stretch may take at a time
MOST_LOST = 1.0 / 3.0  # of a camera's views: with more left out what is kept may be what stands off
OWN = 3.0  # by which a camera's scatter must differ from the others'


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """By how much a camera's points scatter together: variances (C, J) in px² of shifts that last
    ``frames (J,)``.

    ``share (C,)`` is their sum as a share of a point's variance. All 0 where points scatter no more
    than independent noise lets expect. ``kinds`` are frames and squared shifts in px² of stretches
    that were found for sure and left out; ``field`` is what points of one place of an image share,
    ``leaning`` how markers look off along their stick. ``kept_px2 (C,)`` is the variance
    of one shift of all points that a camera kept, if it lost so many that these may be what is off.
    """

    variance_px2: Array
    frames: tuple[int, ...]
    share: Array
    kinds: tuple[tuple[float, float], ...] = ()
    field: Field | None = None
    leaning: Leaning | None = None
    kept_px2: tuple[float, ...] = ()

    @property
    def is_any(self) -> bool:
        return bool(
            (self.variance_px2 > 0).any()
            or self.kinds
            or self.field
            or self.leaning
            or any(self.kept_px2)
        )


def scatter(
    found: Shifts,
    sigma_px: Array,
    sure: float = SURE,
    gives_way: Callable[[int], Array] | None = None,
) -> Scatter:
    """Return what shifts of whole stretches are left in a fit; ``found`` is of its inliers alone.

    Non-negative least squares over the lengths, for all cameras together in units of their noise; a
    camera whose scatter is another by three standard deviations has its own. All is 0 where squares
    exceed what independent noise lets expect by no more than ``sure`` of these. ``gives_way`` tells
    how much of the information (C, K, 3) on shifts of so many bins, one after the other, all
    cameras together take; without it each does alone.
    """
    n_bins = found.n_bins
    lengths = [m for m in LENGTH_BINS if m <= n_bins]
    excess, square, trace = (np.zeros((len(sigma_px), len(lengths))) for _ in range(3))
    for k, m in enumerate(lengths):
        is_long = gives_way is not None and m >= LONG_BINS
        first = np.arange(0, n_bins - m + 1, m if is_long else 1)
        of_all = gives_way(m) if gives_way is not None and is_long else None
        n = 1 if is_long else m  # stretches that begin in each bin: every error is in m of them
        for c, sigma in enumerate(sigma_px.tolist()):  # one by one: a long capture has many bins
            (u,), (I,), (taken,) = found.in_stretches(first, first + m, slice(c, c + 1))
            u, I = u * sigma, (I - (taken if of_all is None else of_all[c])) * sigma**2
            trace[c, k] = I[:, [0, 2]].sum() / n
            excess[c, k] = (u**2).sum() / n - trace[c, k]
            square[c, k] = (I**2 @ [1.0, 2.0, 1.0]).sum() / n
    of_sum, T = np.array(lengths, float)[:, None], np.array(lengths, float)
    # Mean of 1 - k / T over a stretch.
    overlap = np.where(of_sum <= T, 1.0 - of_sum / (3.0 * T), T / of_sum - T**2 / (3.0 * of_sum**2))

    def expected(cameras: Any) -> Array:
        """Return the excess that a unit of each variance lets expect: the noise holds its own share
        of it.
        """
        return np.asarray(
            square[cameras].sum(axis=0)[:, None] * overlap - trace[cameras].sum(axis=0)[:, None]
        )

    every = np.arange(len(sigma_px))
    sd = np.sqrt(np.maximum(2.0 * square.sum(axis=0), 1e-300))
    variance = np.zeros((len(sigma_px), len(lengths)))
    if (excess.sum(axis=0) / sd).max(initial=0.0) > sure:
        pooled, _ = optimize.nnls(expected(every) / sd[:, None], excess.sum(axis=0) / sd)
        for c in every.tolist():
            of_pool, own_sd = expected([c]) @ pooled, np.sqrt(np.maximum(2.0 * square[c], 1e-300))
            k = int(np.argmax(of_pool / own_sd))
            if of_pool[k] > 0:
                factor = excess[c, k] / float(of_pool[k])
                is_own = abs(factor - 1.0) * of_pool[k] > OWN * own_sd[k]
                variance[c] = pooled * (max(factor, 0.0) if is_own else 1.0)
    share = variance.sum(axis=1)
    return Scatter(
        variance * (sigma_px**2)[:, None], tuple(n * found.length for n in lengths), share
    )


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """The ``scatter`` of a fit and what it makes of the reduced gradient's covariance: ``(1 -
    share) S + D``.

    ``D (N, N)`` is that of errors that points share; their own are smaller by the ``share`` than S,
    which holds both.
    """

    scatter: Scatter
    D: Array
    share: float

    def covariance(self, C: Array, free: NDArray[np.intp]) -> Array:
        """Return the covariance of the free parameters, given C (k, k) of independent errors of the
        same size.
        """
        return np.asarray((1.0 - self.share) * C + C @ self.D[np.ix_(free, free)] @ C)

    def of_independent(self, found: Information) -> Information:
        """Return what independent noise would make of information S that has these errors: ``S M⁻¹
        S`` with M = (1 - share) S + D, and the gradient times S M⁻¹.

        The estimate S⁻¹ g keeps its value and has the inverse of ``S M⁻¹ S`` for its covariance.
        """
        # Of motions of the world nothing is told, nor of what the wave does not determine.
        into, out = found.roots()
        M = (1.0 - self.share) * np.eye(out.shape[1]) + out.T @ self.D @ out
        K = into @ linalg.solve(M, out.T, assume_a="pos")
        S = K @ found.matrix
        return Information(0.5 * (S + S.T), K @ found.gradient, found.own)


def _give_way(
    problem: Problem, state: State, solved: Solved, found: Shifts
) -> Callable[[int], Array] | None:
    """Return what ``scatter`` asks for, None where it would take too much memory."""
    n_cameras, n_short, size = problem.n_cameras, found.n_bins // LONG_BINS, len(solved.covariance)
    if n_cameras * n_short * 2 * size > MOST_NUMBERS:
        return None
    gradients = Gradients.of(problem, state, solved.terms, solved.blocks)
    short = np.zeros((n_short, n_cameras, 2, size))

    def run(stretches: Sequence[int]) -> None:
        for k in stretches:
            pairs = _pairs_in_bins(problem, found, k * LONG_BINS, (k + 1) * LONG_BINS)
            of_cameras = gradients.sums(found, pairs, problem.cam[pairs])
            short[k, : len(of_cameras)] = of_cameras

    in_groups(run, range(n_short))

    def taken(m: int) -> Array:
        n, of_short = found.n_bins // m, m // LONG_BINS
        out = np.empty((n_cameras, n, 3))
        for k in range(n):  # one by one, as all together take memory
            A = short[k * of_short : (k + 1) * of_short].sum(axis=0)
            AC = (A.reshape(-1, size) @ solved.covariance).reshape(A.shape)
            for e, (i, j) in enumerate(((0, 0), (0, 1), (1, 1))):
                out[:, k, e] = (AC[:, i] * A[:, j]).sum(axis=1)
        return out

    return taken


def _pairs_in_bins(problem: Problem, found: Shifts, first: int, last: int) -> Index:
    """Return the pairs of the frames in the bins from first to last."""
    frames = np.searchsorted(found.bin_of_frame, [first, last])
    return np.arange(*problem.starts[frames])


def scatter_of_fit(
    problem: Problem,
    state: State,
    options: BundleOptions,
    blocks: Blocks,
    information: Information | None,
    stretches: Sequence[Stretch] = (),
) -> Scatter:
    """Return how points still scatter together about a fit with the ``blocks`` that left the
    ``stretches`` out; ``information`` is what the blocks say with the frames
    eliminated, where that is known.
    """
    length, reduced = bin_frames(problem.rate_hz), information.matrix if information else None
    found = shifts(problem, state, options.terms, length, blocks=blocks, reduced=reduced)
    weight = np.zeros(problem.n_cameras)
    np.maximum.at(weight, problem.cam, problem.weight.max(axis=0, initial=0.0))
    sigma = 1.0 / np.maximum(weight, 1e-3)
    gives_way, sure = None, SURE
    # With more in stretches than the search finds by chance, smaller ones are there as well.
    if share_off(problem, stretches) > BY_CHANCE:
        sure = 0.0
        solved = Solved.of(problem, state, options, blocks, information)
        gives_way = _give_way(problem, state, solved, found)
    scattered = scatter(found, sigma, sure, gives_way)
    limit = chance_limit(problem.n_cameras, found.n_bins) * overdispersion(found).most
    leaning = find_leaning(problem, state)
    if leaning is not None:
        even = without_leaning(problem, state, leaning)
        found = shifts(even, state, options.terms, length, blocks=blocks, reduced=reduced)
    return replace(
        scattered,
        kinds=found_for_sure(problem, found, stretches, limit),
        field=find_field(problem, found, sigma),
        leaning=leaning,
        kept_px2=_off_if_kept(problem, stretches),
    )


def together(
    problem: Problem,
    state: State,
    terms: tuple[str, ...],
    blocks: Blocks,
    scattered: Scatter | None,
    information: Information | None = None,
) -> Together | None:
    """Return what a fit's ``scattered`` errors do to the reduced equations of ``blocks``; None
    where there are none. ``information`` is what the blocks say with the frames eliminated, where
    that is known.
    """
    if scattered is None or not scattered.is_any:
        return None
    length, reduced = bin_frames(problem.rate_hz), information.matrix if information else None
    found = shifts(problem, state, terms, length, blocks=blocks, reduced=reduced)
    n_points = np.bincount(problem.cam, (problem.weight > 0).sum(axis=0), problem.n_cameras)
    share = float(min(n_points @ scattered.share / max(n_points.sum(), 1), 0.5))
    everywhere = [
        (n // found.length, np.repeat(v[:, None], -(-found.n_bins * found.length // n), axis=1))
        for n, v in zip(scattered.frames, scattered.variance_px2.T, strict=True)
    ]
    limit = chance_limit(problem.n_cameras, found.n_bins) * overdispersion(found).most
    of_places = [*everywhere, *hidden(found, scattered.kinds, limit)]
    D = scatter_matrix(problem, state, terms, blocks, found, of_places)
    of_shift = Gradients.of(problem, state, terms, blocks)
    if scattered.field is not None:
        D += field_matrix(problem, of_shift, found, scattered.field)
    for c in np.flatnonzero(scattered.kept_px2):
        own = np.flatnonzero(problem.cam == c)
        (of_one,) = of_shift.sums(found, own, np.zeros(len(own), np.intp))
        D += scattered.kept_px2[c] * of_one.T @ of_one
    if scattered.leaning is not None:
        of_one = leaning_gradient(problem, state, terms, len(blocks.shape) // len(problem.row))
        D += scattered.leaning.size_mm**2 * np.outer(of_one, of_one)
    return Together(scattered, D, share)


def _off_if_kept(problem: Problem, stretches: Sequence[Stretch]) -> tuple[float, ...]:
    """Return the variance (C,) in px² of a shift of all that a camera kept; 0 if it kept most.

    With a good part of its views lost, the others may be what stands off: knocked half-way, a
    camera fits where it stood at first or where it stands now. One shift of all is a matter of its
    own pose; counted as shifts of one stretch after another it would be one of all cameras' poses.
    """
    variance = [0.0] * problem.n_cameras
    for c, at in enumerate(problem.pairs_by_camera()):
        own = [s for s in stretches if s.camera == c]
        number = problem.frame_number[problem.frame[at]]
        lost = np.array([np.diff(np.searchsorted(number, [s.first, s.last + 1]))[0] for s in own])
        if lost.sum() > MOST_LOST * len(at):
            usual = float(np.median(np.repeat([np.square(s.shift_px).sum() for s in own], lost)))
            variance[c] = 0.5 * usual * float(lost.sum()) / len(at)
    return tuple(variance)


def scatter_matrix(
    problem: Problem,
    state: State,
    terms: tuple[str, ...],
    blocks: Blocks,
    found: Shifts,
    of_places: Sequence[tuple[int, Array]],
) -> Array:
    """Return D (N, N): what shifts of whole stretches add to the covariance of the reduced
    gradient, given bins m, powers of two, and variances (C, K) in px² of stretches of m bins, one
    after the other.

    ``blocks`` are those at the state with these lens terms.
    """
    of_shift, n_bins = Gradients.of(problem, state, terms, blocks), found.n_bins
    size, of_places = of_shift.size, [p for p in of_places if p[1].any()]
    of_places.sort(key=lambda of: of[0])
    if not of_places:
        return np.zeros((size, size))
    short, longest = (of([m for m, _ in of_places]) for of in (min, max))
    has_any = np.any([variance.any(axis=1) for _, variance in of_places], axis=0)
    n_short, cameras = longest // short, np.flatnonzero(has_any)

    def of_stretch(first: int, some: Index) -> tuple[Index, Array]:
        """Return the columns that some cameras' shifts reach in the longest stretch from bin
        ``first`` on, and their part of D.
        """
        pairs = _pairs_in_bins(problem, found, first, first + longest)
        used = of_shift.columns(np.unique(problem.cam[pairs]))
        if not len(used):  # a pause
            return used, np.zeros((0, 0))
        pairs = pairs[np.isin(problem.cam[pairs], some)]
        at = np.searchsorted(some, problem.cam[pairs])
        of_bin = (found.bin_of_frame[problem.frame[pairs]] - first) // short
        each = np.zeros((len(some) * n_short, 2, size))
        sums = of_shift.sums(found, pairs, at * n_short + of_bin)
        each[: len(sums)] = sums
        A = (each if len(used) == size else each[..., used]).reshape(len(some), n_short, 2, -1)
        D = np.zeros((len(used), len(used)))
        for m, variance in of_places:  # short to long, each by the sums of the one before
            A = A.reshape(len(some), longest // m, -1, 2, len(used)).sum(axis=2)
            own = variance[some, first // m : (first + longest) // m]  # none after the last bin
            has = np.nonzero(own)
            flat = (A[has] * np.sqrt(own[has])[:, None, None]).reshape(-1, len(used))
            D += flat.T @ flat
        return used, D

    def run(stretches: Sequence[int]) -> Array:
        D = np.zeros((size, size))
        for first in stretches:
            for some in np.array_split(cameras, -(-len(cameras) * n_short * 2 * size // ROOM)):
                used, part = of_stretch(first, some)
                D[np.ix_(used, used)] += part
        return D

    D = np.zeros((size, size))
    for part in each_group(run, range(0, n_bins, longest)):
        D += part
    return D
