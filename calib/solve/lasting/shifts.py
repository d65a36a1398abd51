"""Scores of a shift that all points of a camera have in common, frame by frame and summed over
stretches of time.

With w the weights, r the residuals, H a frame's block and W_p its coupling with a shift s_p of
camera p's points in it (the frame's pose gives way to a shift), score and information of the shifts
of a frame are

    u_p = Σ w² r - W_pᵀ H⁻¹ g,    I_pq = [p = q] Σ w² - W_pᵀ H⁻¹ W_q.

Over a longer stretch the camera's own parameters give way too: with a the gradient of these that a
unit of shift makes and S their information, both with the frames eliminated, the information is I -
aᵀ S⁻¹ a, and so is the variance of u at a minimum. (Other cameras give way as well, by little as
long as they are well tied; ``gradients`` counts them too.)

Source: Rao, 1948 (score test, as in ``lens_model``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import compiled, inlined
from calib.core.frames import without_gaps
from calib.core.geometry import Array
from calib.core.parameters import n_unknowns
from calib.core.threads import each_group
from calib.solve.bundle.elimination import cameras_alone, inverse_factors
from calib.solve.bundle.kernels import columns_to_camera, join_poses, twist_rows, wand_row
from calib.solve.bundle.linearise import Blocks, linearise, state_arrays, term_codes
from calib.solve.bundle.problem import Chunk, Index, Problem, State

MOST_BINS = 64  # of any stretch that is looked at: a longer gap between frames counts as that
# Determinant over squared trace of the information: cameras take all of such a shift.
SINGULAR = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Scores of shifts, by pair and summed over ``length`` frames, the *bins* of time.

    By pair: ``u (P, 2)``, weight ``n (P,)`` and ``half (P, d, 2)`` = L⁻¹ W; pairs p and q of a
    frame have the information ``[p = q] n - half_pᵀ half_q``. By camera, summed over each bin:
    ``scores (C, B, 5)``, of u and of xx, xy, yy of I, and ``given (C, B, n, 2)`` = L⁻¹ a with the
    camera's S = L Lᵀ. n is 0 with the cameras held.
    """

    length: int
    bin_of_frame: NDArray[np.int64]
    u: Array
    n: Array
    half: Array
    scores: Array
    given: Array

    @property
    def n_bins(self) -> int:
        return int(self.scores.shape[1])

    @property
    def information(self) -> Array:
        """Each pair's own, (P, 3: xx, xy, yy)."""
        own = self.n[:, None] * [1.0, 0.0, 1.0]
        for k, (i, j) in enumerate(((0, 0), (0, 1), (1, 1))):
            own[:, k] -= np.einsum("pd,pd->p", self.half[:, :, i], self.half[:, :, j])
        return own

    def in_stretches(
        self, first: NDArray[np.intp], last: NDArray[np.intp], cameras: slice = slice(None)
    ) -> tuple[Array, Array, Array]:
        """Return score (C, K, 2), information (C, K, 3) and what cameras take of it (C, K, 3) of
        bins first to last.
        """
        sums, taken = _stretch_kernel(self.scores[cameras], self.given[cameras], first, last)
        return sums[..., :2], sums[..., 2:], taken


def shifts(
    problem: Problem,
    state: State,
    terms: tuple[str, ...] | None,
    length: int,
    gradient: Array | None = None,
    blocks: Blocks | None = None,
    reduced: Array | None = None,
) -> Shifts:
    """Return scores of common shifts of the problem's weighted points, in bins of ``length``
    frames.

    ``terms`` are the lens terms that are free beside the cameras' poses, None where cameras are
    held. With the ``gradient (C, n)`` of each camera, frames eliminated, scores are those at its
    own minimum. ``blocks`` are those of the same weights there, ``reduced`` is their matrix without
    frames, where these are known.
    """
    bins = without_gaps(problem.frame_number, MOST_BINS * length) // length
    has_cameras = terms is not None
    if blocks is None:
        blocks = linearise(problem, state, terms or (), np.inf, has_cameras=has_cameras)
    factors = inverse_factors(blocks.frame)
    by_pair, scores, given = _scores(problem, state, terms, (bins, int(bins[-1]) + 1), factors)
    if has_cameras:
        inverse = inverse_factors(cameras_alone(problem, blocks, factors, reduced))
        g = np.zeros(inverse.shape[:2]) if gradient is None else gradient
        _whiten(inverse, (inverse @ g[..., None])[..., 0], scores, given)
    return Shifts(length, bins, *by_pair, scores, given)


def chi_square(u: Array, I: Array) -> tuple[Array, Array]:
    """Return the statistic (...) of a shift and the shift (..., 2) from scores (..., 2) and
    information (..., 3).
    """
    xx, xy, yy = I[..., 0], I[..., 1], I[..., 2]
    det = xx * yy - xy * xy
    safe = np.where(det > SINGULAR * (xx + yy) ** 2, det, np.inf)
    shift = (
        np.stack([yy * u[..., 0] - xy * u[..., 1], xx * u[..., 1] - xy * u[..., 0]], axis=-1)
        / safe[..., None]
    )
    return (shift * u).sum(axis=-1), shift


def with_weights(found: Shifts, problem: Problem, state: State, frames: Index) -> Shifts:
    """Return ``found``, with cameras held, for the problem's weights, which are others than its own
    in some ``frames``.
    """
    is_changed = np.zeros(found.n_bins, bool)
    is_changed[found.bin_of_frame[frames]] = True
    own = np.flatnonzero(is_changed[found.bin_of_frame])
    part, pairs = problem.of_frames(own)
    bins = (found.bin_of_frame[own], found.n_bins)
    of_part = state.of_frames(own)
    factors = inverse_factors(linearise(part, of_part, (), np.inf, has_cameras=False).frame)
    by_pair, scores, _ = _scores(part, of_part, None, bins, factors)
    u, n, half = (values.copy() for values in (found.u, found.n, found.half))
    u[pairs], n[pairs], half[pairs] = by_pair
    scores = np.where(is_changed[:, None], scores, found.scores)
    return replace(found, u=u, n=n, half=half, scores=scores)


def _scores(
    problem: Problem,
    state: State,
    terms: tuple[str, ...] | None,
    bins: tuple[NDArray[np.int64], int],
    factors: Array,
) -> tuple[tuple[Array, Array, Array], Array, Array]:
    """Return u, n and half of each pair, and over ``bins`` (of each frame, and how many) the sums
    ``scores (C, B, 5)`` and ``a (C, B, n, 2)``, given the frames' ``factors``.
    """
    n_pairs, d, n_cameras = len(problem.cam), problem.n_rotation + 3, problem.n_cameras
    n = 0 if terms is None else n_unknowns(terms)
    by_pair = np.empty((n_pairs, 2)), np.empty(n_pairs), np.empty((n_pairs, d, 2))
    arrays, weight = state_arrays(state), np.require(problem.weight, np.float64, ["C", "W"])

    scores, a = np.zeros((n_cameras, bins[1], 5)), np.zeros((n_cameras, bins[1], n, 2))

    def run(chunks: Sequence[Chunk]) -> tuple[slice, Array, Array]:
        """Fill in these chunks' pairs and return their bins and sums."""
        first, last = chunks[0].frames.start, chunks[-1].frames.stop
        own = slice(bins[0][first], bins[0][last - 1] + 1)
        sums = (
            np.zeros((n_cameras, own.stop - own.start, 5)),
            np.zeros((n_cameras, own.stop - own.start, n, 2)),
        )
        _shift_kernel(
            problem.cam,
            problem.starts,
            bins[0] - own.start,
            problem.uv_px,
            weight,
            first,
            last,
            *arrays,
            term_codes(terms or ()),
            problem.n_rotation,
            factors,
            *by_pair,
            *sums,
        )
        return own, *sums

    for own, of_bins, given in each_group(run, problem.chunks):
        scores[:, own] += of_bins
        a[:, own] += given
    return by_pair, scores, a


@compiled
def _whiten(inverse: Array, way: Array, scores: Array, given: Array) -> None:
    """Turn ``given (C, B, n, 2)`` into ``inverse`` (C, n, n; lower triangles) times it, in place,
    and add what it moves along ``way (C, n)`` to the ``scores``.
    """
    n_cameras, n_bins, n, _ = given.shape
    for c in range(n_cameras):
        for b in range(n_bins):
            for k in range(2):
                for i in range(n - 1, -1, -1):
                    value = 0.0
                    for j in range(i + 1):
                        value += inverse[c, i, j] * given[c, b, j, k]
                    given[c, b, i, k] = value
                    scores[c, b, k] += value * way[c, i]


@compiled
def running(scores: Array, given: Array) -> tuple[Array, Array]:
    """Return the sums over all bins before each of a camera's ``scores (B, 5)`` and of ``given``
    (B, n, 2): (B + 1, 5) and (B + 1, n, 2).
    """
    n_bins, n, _ = given.shape
    sums, across = np.zeros((n_bins + 1, 5)), np.zeros((n_bins + 1, n, 2))
    for b in range(n_bins):
        for i in range(5):
            sums[b + 1, i] = sums[b, i] + scores[b, i]
        for i in range(n):
            for k in range(2):
                across[b + 1, i, k] = across[b, i, k] + given[b, i, k]
    return sums, across


@compiled
def in_unit(unit: Array, given: Array) -> Array:
    """Return ``unit (n, n)`` times ``given (B, n, 2)`` of each bin."""
    n_bins, n, _ = given.shape
    out = np.zeros((n_bins, n, 2))
    for b in range(n_bins):
        for i in range(n):
            for j in range(n):
                for k in range(2):
                    out[b, i, k] += unit[i, j] * given[b, j, k]
    return out


@compiled
def _stretch_kernel(scores: Array, given: Array, first: Any, last: Any) -> tuple[Array, Array]:
    """Return the sums (C, K, 5) of ``scores`` over bins first to last, and what cameras take (C, K,
    3) of the information; see ``Shifts``.
    """
    n_cameras, n_own = given.shape[0], given.shape[2]
    sums, taken = np.empty((n_cameras, len(first), 5)), np.zeros((n_cameras, len(first), 3))
    for c in range(n_cameras):
        before, given_before = running(scores[c], given[c])
        for k in range(len(first)):
            a, b = first[k], last[k]
            for i in range(5):
                sums[c, k, i] = before[b, i] - before[a, i]
            for i in range(n_own):
                x = given_before[b, i, 0] - given_before[a, i, 0]
                y = given_before[b, i, 1] - given_before[a, i, 1]
                taken[c, k, 0] += x * x
                taken[c, k, 1] += x * y
                taken[c, k, 2] += y * y
    return sums, taken


@compiled
def _shift_kernel(
    cam: Any,
    starts: Any,
    bins: Any,
    uv: Array,
    weight: Array,
    first: int,
    last: int,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    codes: Any,
    n_rotation: int,
    factors: Array,
    u: Array,
    n: Array,
    half: Array,
    scores: Array,
    a: Array,
) -> None:
    """Write u, n and half of the pairs of the frames from first to last, and add to the sums over
    bins; see ``Shifts``.

    ``scores (C, B, 5)`` takes u and I, ``a (C, B, n, 2)`` what concerns the camera, unless n is 0.
    """
    d, n_own, end = n_rotation + 3, a.shape[2], 6 + len(codes)
    width = (end + 4) // 4 * 4
    R, t, rows = np.empty((3, 3)), np.empty(3), np.zeros((len(shape), 2, width))
    own, V, moved = np.empty((2, width)), np.empty(6), np.empty(d)
    W, response, seen = np.empty((2, d)), np.zeros((2, 6)), np.empty((2, 6))
    of_frame = np.empty(d)
    for f in range(first, last):
        of_frame[:] = 0.0
        L, b = factors[f], bins[f]
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            join_poses(cam_R, cam_t, c, wand_R, wand_t, f, R, t)
            own[:] = 0.0
            V[:] = 0.0
            n[p] = 0.0
            for m in range(len(shape)):
                w = weight[m, p]
                if w > 0.0:
                    row = rows[m]
                    twist_rows(
                        R, t, lens, c, shape, m, codes, uv[0, m, p], uv[1, m, p], w, np.inf, row
                    )
                    n[p] += w * w
                    for k in range(2):
                        for j in range(width):
                            own[k, j] += w * row[k, j]
                        for i in range(6):
                            V[i] -= row[k, i] * row[k, end]
            wand_row(R, V, n_rotation, moved)
            for i in range(d):
                of_frame[i] += moved[i]
            for k in range(2):
                u[p, k] = -own[k, end]
                wand_row(R, own[k], n_rotation, W[k])
                for i in range(d):
                    half[p, i, k] = 0.0
                    for j in range(i + 1):
                        half[p, i, k] += L[i, j] * W[k, j]
            if n_own:
                _less_response(R, L, half[p], weight[:, p], rows, n_rotation, response, seen, own)
                columns_to_camera(t, own)
                for i in range(n_own):
                    for k in range(2):
                        a[c, b, i, k] += own[k, i]
        for i in range(d - 1, -1, -1):
            value = 0.0
            for j in range(i + 1):
                value += L[i, j] * of_frame[j]
            of_frame[i] = value
        for p in range(starts[f], starts[f + 1]):
            c = cam[p]
            for k in range(2):
                for i in range(d):
                    u[p, k] -= half[p, i, k] * of_frame[i]
                scores[c, b, k] += u[p, k]
            scores[c, b, 2] += n[p]
            scores[c, b, 4] += n[p]
            for i in range(d):
                scores[c, b, 2] -= half[p, i, 0] * half[p, i, 0]
                scores[c, b, 3] -= half[p, i, 0] * half[p, i, 1]
                scores[c, b, 4] -= half[p, i, 1] * half[p, i, 1]


@inlined
def _less_response(
    R: Array,
    L: Array,
    half: Array,
    weight: Array,
    rows: Array,
    n_rotation: int,
    response: Array,
    seen: Array,
    own: Array,
) -> None:
    """Take off ``own (2, width)`` what the frame's pose, as it gives way to a unit of each shift,
    makes of the pair's ``rows (M, 2, width)``.

    ``response (2, 6)`` is room for the pose's twists, ``seen (2, 6)`` for these in the camera's
    axes; a turn that the wand has not stays 0.
    """
    d, skip = n_rotation + 3, 3 - n_rotation
    for k in range(2):
        for i in range(d):
            value = 0.0
            for j in range(i, d):
                value += L[j, i] * half[j, k]
            response[k, skip + i] = value
        for i in range(3):
            seen[k, i], seen[k, 3 + i] = 0.0, 0.0
            for j in range(3):
                seen[k, i] += R[i, j] * response[k, j]
                seen[k, 3 + i] += R[i, j] * response[k, 3 + j]
    for m in range(len(rows)):
        if weight[m] > 0.0:
            for e in range(2):
                for k in range(2):
                    along = 0.0
                    for i in range(6):
                        along += rows[m, e, i] * seen[k, i]
                    for j in range(rows.shape[2]):
                        own[k, j] -= along * rows[m, e, j]
