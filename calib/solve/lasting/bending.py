"""Stretches of time that cameras' poses and lenses gave way to, from a fit of all points.

Where a stretch alone shows the camera a part of its image, the camera follows it and a sound
stretch beside it seems off; where few others see the wand, these follow it too. With the cameras
held nothing tells the one that is off. So here the cameras give way in the test itself, in two
steps.

*One camera*, all others held: with its parameters whitened (S = 1), H the gradients that unit
shifts of the stretches T taken so far make, D their information and ``P = D - Hᵀ H``, the shifts
are ``s = P⁻¹ u_T`` and another stretch has

    score u + hᵀ H s,   information I - hᵀ (1 + H P⁻¹ Hᵀ) h.

Stretches are taken sweep by sweep, each time the largest chi-square and those of half its size at
other times, down to SCREENED of what counts: what other cameras take is not in it yet.

*All of them*: these stretches of all cameras have the scores u and the information ``M = I - G C
Gᵀ``, with the frames' poses given way in I, which couples stretches at the same time, G the
gradients of all cameras and C the covariance of a fit; with the cost's gradient g, u is u - G C g
at its minimum. Again the largest is taken, one after the other: where one alone is off, its own
chi-square is never less than that of another which only seems to be (Cauchy and Schwarz). Then
those go that the others of those taken explain.

Sources: Rao, 1948 (score test, as in ``shifts``); Pati, Rezaiifar & Krishnaprasad, Orthogonal
matching pursuit, 1993 (one after the other, all of them fitted anew); Glaz, Naus & Wallenstein,
Scan Statistics, 2001 (windows at any place).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse, special

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.parameters import n_unknowns
from calib.core.threads import in_groups
from calib.solve.bundle.problem import Index, Problem, State
from calib.solve.lasting.find import LEAST_SHIFT, bin_frames
from calib.solve.lasting.gradients import Gradients
from calib.solve.lasting.overdispersion import AS_NOISE, Overdispersion
from calib.solve.lasting.shifts import SINGULAR, Shifts, chi_square, in_unit, running, shifts
from calib.solve.lasting.solved import Solved
from calib.solve.lasting.stretches import Off

# Windows of any place, in lengths a quarter apart. They overlap, so noise passes a limit less often
# than in as many apart.
WINDOW_BINS = (3, 4, 5, 6, 8, 10, 12, 15, 19, 24, 30, 38, 48, 60)
WINDOW_STEPS = 4  # a length
BY_CHANCE = 0.05  # that any is taken of a sound capture
SCREENED = 0.6  # of the limit: what one camera's chi-square must come to for all to be asked
# Windows that are so strong, as a share of the strongest, are taken beside it: in a long capture
# one at a time would take longer by the square of its length.
ALONG = 0.5
# Windows that are weighed up together: through cameras that are known by as many, those at other
# times hardly feel one another.
TOGETHER = 300
MOST_SHARE = 0.5  # of a camera's information: beyond half, what is kept may be what is off


def find_followed(
    problem: Problem,
    state: State,
    solved: Solved,
    sigma_px: Array,
    usual: Overdispersion = AS_NOISE,
) -> list[Off]:
    """Return what the cameras ``solved`` followed, by more than the ``usual``, in a fit of the
    problem's points, the minimum of which may lie a step away.
    """
    own = solved.gradient[: problem.n_cameras * n_unknowns(solved.terms)]
    own = own.reshape(problem.n_cameras, -1)
    length = bin_frames(problem.rate_hz)
    found = shifts(problem, state, solved.terms, length, own, solved.blocks, solved.reduced)
    first, last = _windows(found.n_bins)
    limit = chance_limit(problem.n_cameras, found.n_bins) * usual.most

    def run(cameras: Sequence[int]) -> list[tuple[int, int, int]]:
        return [
            (c, int(first[k]), int(last[k]))
            for c in cameras
            for k in _of_camera(found, c, float(sigma_px[c]), first, last, SCREENED * limit)
        ]

    windows = [w for part in in_groups(run, range(problem.n_cameras)) for w in part]
    if not windows:
        return []
    views = problem.pairs_by_camera()
    of_bin = [found.bin_of_frame[problem.frame[at]] for at in views]
    out: list[Off] = []
    for some in _apart(windows):
        group = np.full(len(problem.cam), -1)
        for k, (c, a, b) in enumerate(some):
            at = views[c][slice(*np.searchsorted(of_bin[c], [a, b]))]
            group[at[group[at] < 0]] = k  # one may reach over another that was taken before
        u, M = joint_scores(problem, state, solved, found, group)
        sigma = sigma_px[[c for c, *_ in some][: len(u) // 2]]  # the last may have no pairs left
        taken = _taken(u, M, sigma, limit)
        out += [(np.flatnonzero(group == k), shift, value) for k, shift, value in taken]
    return out


def _apart(windows: list[tuple[int, int, int]]) -> Iterator[list[tuple[int, int, int]]]:
    """Yield windows (camera, first bin, end), in their order, in runs of some hundred that have no
    time in common.
    """
    run: list[int] = []
    end = 0
    for k in sorted(range(len(windows)), key=lambda k: windows[k][1]):
        if len(run) >= TOGETHER and windows[k][1] >= end:
            yield [windows[j] for j in sorted(run)]
            run = []
        run.append(k)
        end = max(end, windows[k][2])
    yield [windows[j] for j in sorted(run)]


def chance_limit(n_cameras: int, n_bins: int) -> float:
    """Return what chance lets no chi-square pass among all windows of all cameras, in most captures
    that are sound.
    """
    return float(special.chdtri(2, BY_CHANCE / max(n_cameras * len(_windows(n_bins)[0]), 1)))


def _windows(n_bins: int) -> tuple[Index, Index]:
    """Return the first bin of each window and that after its last (K,)."""
    first = [
        np.arange(0, n_bins - length + 1, max(1, length // WINDOW_STEPS)) for length in WINDOW_BINS
    ]
    last = [a + length for a, length in zip(first, WINDOW_BINS, strict=True)]
    return np.concatenate(first), np.concatenate(last)


def _of_camera(
    found: Shifts, camera: int, sigma_px: float, first: Index, last: Index, limit: float
) -> list[int]:
    """Return the windows in which a camera may be off, all others held."""
    scores, given = found.scores[camera].copy(), found.given[camera].copy()
    n, most = given.shape[1], MOST_SHARE * scores[:, [2, 4]].sum()
    # Of the camera's information, the windows taken leave A = 1 - H D⁻¹ Hᵀ in its own units.
    H, HD, u = np.zeros((n, 0)), np.zeros((n, 0)), np.zeros(0)
    out: list[int] = []
    while True:
        A = np.eye(n) - HD @ H.T
        if np.linalg.eigvalsh(A)[0] < SINGULAR:  # nothing is left to judge the camera by
            return out
        unit = np.linalg.inv(np.linalg.cholesky(A))
        sums = running(scores, in_unit(unit, given))
        value = _window_values(*sums, unit @ (HD @ u), LEAST_SHIFT * sigma_px, first, last)
        is_taken, best = np.zeros(found.n_bins, bool), max(float(value.max(initial=0.0)), 1e-300)
        order = np.flatnonzero(value >= max(limit, ALONG * best))
        for k in order[np.argsort(-value[order], kind="stable")].tolist():
            a, b = first[k], last[k]
            if is_taken[a:b].any():
                continue
            u_k, (xx, xy, yy) = np.split(scores[a:b].sum(axis=0), [2])
            most -= xx + yy
            if most < 0:
                return out
            out.append(k)
            is_taken[a:b] = True
            of_shift = given[a:b].sum(axis=0)
            H, u = np.hstack([H, of_shift]), np.concatenate([u, u_k])
            HD = np.hstack([HD, of_shift @ np.linalg.inv([[xx, xy], [xy, yy]])])
        if not is_taken.any():
            return out
        scores[is_taken] = given[is_taken] = 0.0  # the frames of one window are in no other


def joint_scores(
    problem: Problem, state: State, solved: Solved, found: Shifts, group: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Return score (2 K,) and information (2 K, 2 K) of common shifts of the pairs of each
    ``group (P,)`` at the minimum, frames and cameras given way; pairs of -1 are in none.
    """
    pairs = np.flatnonzero(group >= 0)
    own, n_pairs, d = group[pairs], len(pairs), found.half.shape[1]
    n = int(own.max()) + 1
    u = np.zeros((n, 2))
    np.add.at(u, own, found.u[pairs])
    row = (problem.frame[pairs] * d)[:, None, None] + np.arange(d)[:, None]
    column = (2 * own)[:, None, None] + np.arange(2)
    at = tuple(np.broadcast_to(k, (n_pairs, d, 2)).ravel() for k in (row, column))
    B = sparse.csr_array((found.half[pairs].ravel(), at), shape=(problem.n_frames * d, 2 * n))
    I = np.diag(np.bincount(own, found.n[pairs]).repeat(2)) - (B.T @ B).toarray()
    gradients = Gradients.of(problem, state, solved.terms, solved.blocks)
    G = gradients.sums(found, pairs, own).reshape(2 * n, -1)
    GC = G @ solved.covariance
    return u.ravel() - GC @ solved.gradient, I - GC @ G.T


def _taken(u: Array, M: Array, sigma_px: Array, limit: float) -> list[tuple[int, Array, float]]:
    """Return which shifts stand off, their size (2,) in px and chi-square, given scores (2 K,),
    information (2 K, 2 K) and each camera's noise (K,).
    """
    n, v, taken = len(sigma_px), u.copy(), list[int]()
    own, R = _own(M), np.empty((2 * n, 2 * n))  # M = R Rᵀ over those taken, column by column
    least = SINGULAR * (own[:, 0] + own[:, 2])
    while len(taken) < n:
        value, shift = chi_square(v.reshape(-1, 2), own)
        value[taken] = 0.0
        xx, xy, yy = own.T
        # Those taken have all of it, or of one direction.
        value[(xx + yy <= least) | (xx * yy - xy * xy <= least * (xx + yy))] = 0.0
        value[np.hypot(*shift.T) <= LEAST_SHIFT * sigma_px] = 0.0
        k = int(np.argmax(value))
        if value[k] < limit:
            break
        two, m = slice(2 * k, 2 * k + 2), 2 * len(taken)
        left = M[:, two] - R[:, :m] @ R[two, :m].T
        L = np.linalg.cholesky(left[two])
        R[:, m : m + 2] = linalg.solve_triangular(L, left.T, lower=True).T
        v -= R[:, m : m + 2] @ linalg.solve_triangular(L, v[two], lower=True)
        x, y = R[:, m : m + 2].reshape(n, 2, 2).swapaxes(0, 1)
        own = own - np.stack([(x * x).sum(1), (x * y).sum(1), (y * y).sum(1)], axis=1)
        taken.append(k)
    every = (2 * np.array(taken, int)[:, None] + [0, 1]).ravel()
    C = np.linalg.inv(M[np.ix_(every, every)])
    s = C @ u[every]
    while taken:
        value, _ = chi_square(s.reshape(-1, 2), _own(C))
        k = int(np.argmin(value))
        if value[k] >= limit:
            return list(zip(taken, s.reshape(-1, 2), value.tolist(), strict=True))
        two, rest = slice(2 * k, 2 * k + 2), np.delete(np.arange(len(s)), [2 * k, 2 * k + 1])
        X = np.linalg.solve(C[two, two], C[two, rest])
        s, C = s[rest] - X.T @ s[two], C[np.ix_(rest, rest)] - C[rest, two] @ X
        taken.pop(k)
    return []


def _own(A: Array) -> Array:
    """Return xx, xy, yy (K, 3) of each shift by itself from a matrix (2 K, 2 K) of all."""
    n = len(A) // 2
    return A.reshape(n, 2, n, 2)[np.arange(n), :, np.arange(n)].reshape(n, 4)[:, [0, 1, 3]]


@compiled
def _window_values(
    scores: Array, given: Array, way: Array, least: float, first: Any, last: Any
) -> Array:
    """Return the chi-square (K,) of a camera's windows, 0 of shifts no longer than ``least``;
    ``scores (B + 1, 5)`` and ``given (B + 1, n, 2)`` are ``running``, the latter and ``way (n,)``
    Rᵀ times those and R⁻¹ H s, with R Rᵀ = 1 + H P⁻¹ Hᵀ.
    """
    n, values = len(way), np.zeros(len(first))
    u, I = np.empty(2), np.empty(3)
    for k in range(len(first)):
        a, b = first[k], last[k]
        for i in range(2):
            u[i] = scores[b, i] - scores[a, i]
        for i in range(3):
            I[i] = scores[b, 2 + i] - scores[a, 2 + i]
        for j in range(n):
            x, y = given[b, j, 0] - given[a, j, 0], given[b, j, 1] - given[a, j, 1]
            u[0] += x * way[j]
            u[1] += y * way[j]
            I[0] -= x * x
            I[1] -= x * y
            I[2] -= y * y
        det = I[0] * I[2] - I[1] * I[1]
        if det > SINGULAR * (I[0] + I[2]) ** 2:
            x, y = (I[2] * u[0] - I[1] * u[1]) / det, (I[0] * u[1] - I[1] * u[0]) / det
            if x * x + y * y > least * least:
                values[k] = x * u[0] + y * u[1]
    return values
