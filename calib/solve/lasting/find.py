"""Errors that last: stretches of time in which all points of a camera are off to one side.

Markers partly hidden, shimmer of the air, a mount that trembles: for a tenth of a second or a few,
every point of a camera lies off by the same. Each may be well within its noise, together they are
not, and least squares takes them for that many independent witnesses. So they are looked for as
stretches and left out together; what is left of them counts in the covariance (``scatter``).

Alone, a camera's shift in a stretch has ``uᵀ I⁻¹ u``, chi-square of two degrees (``shifts``). But a
wand that one camera pulls away seems off to all of them: where any stands out, the shifts of all
are found together, each with a variance of its own that the data choose (sparse Bayesian learning),
which prefers one camera off by much to many off by a little.

Source: Tipping, Sparse Bayesian learning and the relevance vector machine, Journal of Machine
Learning Research 1, 2001, section 2.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import special

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.threads import in_groups
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Index, Problem, State
from calib.solve.lasting.overdispersion import AS_NOISE, LENGTHS, Overdispersion
from calib.solve.lasting.shifts import Shifts, chi_square, shifts, with_weights
from calib.solve.lasting.stretches import Bools, Off, Stretch, camera_of, off_pairs

BIN_S = 0.06  # grid of time for what is looked at as one, at most
LIMIT = float(
    special.chdtri(2, 1e-3)
)  # of chi-square: a thousandth of the good stretches is no loss
# A smaller shift moves no camera by much, and lens models are not true to it: what is left of it is
# in the covariance.
LEAST_SHIFT = 0.4  # in the camera's noise
USUAL_SHIFT = 3.0  # in the camera's noise: where the search for the shifts' variances starts
# Of that search; a variance below this share of the noise's is none: a tenth of it as a shift, of
# which LEAST_SHIFT is far. More sweeps only make small variances smaller.
SWEEPS, ABSENT = 12, 1e-2
ALIKE = 0.5  # shifts that differ by less than this share of the larger


def bin_frames(rate_hz: float) -> int:
    """Return how many frames a bin holds."""
    return max(1, int(BIN_S * rate_hz))


def find_off(
    problem: Problem,
    state: State,
    seen: Bools,
    sigma_px: Array,
    gate: float,
    usual: Overdispersion = AS_NOISE,
) -> list[Off]:
    """Return what of a camera's ``seen (M, P)`` points stands off in stretches by more than the
    ``usual``, the cameras held; ``gate``: see ``within``.
    """
    out: list[Off] = []
    every = within(problem, state, seen, sigma_px, gate, gate)
    now = _Search(every, shifts(every, state, None, bin_frames(problem.rate_hz)), sigma_px, usual)
    for length in LENGTHS:  # what stands off for a moment must not make a longer stretch seem to
        for late in (0, length // 2):
            off = now.in_blocks(length, late)
            out += off
            now = now.without(off, state) if off else now
    return _grown(problem, now.found, out) if out else out


def within(
    problem: Problem, state: State, seen: Bools, sigma_px: Array, gate: float, most: float
) -> Problem:
    """Return the ``seen (M, P)`` points without stray ones, those beyond ``most`` sigmas moved on
    to that.

    What is off together has all markers of a view off, for some views: a point beyond ``gate``
    sigmas among others that are not, or in a lone view, is a stray one.
    """
    r, sigma = residuals(problem, state), sigma_px[problem.cam]
    size = np.hypot(*r)
    far = seen & (size > gate * sigma)
    is_off = far.any(axis=0) & ~(seen & ~far).any(axis=0)
    for at in problem.pairs_by_camera():
        next_to = np.pad(is_off[at], 1)
        is_off[at] &= next_to[2:] | next_to[:-2]
    near = seen & (~far | is_off)
    over = np.maximum(1.0 - most * sigma / np.maximum(size, 1e-300), 0.0)
    return replace(problem, uv_px=problem.uv_px - over * r, weight=np.where(near, 1.0 / sigma, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Scores of shifts, the cameras held."""

    problem: Problem
    found: Shifts
    sigma_px: Array
    usual: Overdispersion

    def without(self, off: Sequence[Off], state: State) -> _Search:
        """Return the search among the pairs that are not ``off``."""
        is_off = off_pairs(self.problem, off)
        rest = self.problem.with_weight(np.where(is_off, 0.0, self.problem.weight))
        frames = np.unique(self.problem.frame[is_off])
        return replace(self, problem=rest, found=with_weights(self.found, rest, state, frames))

    def in_blocks(self, length: int, late: int) -> list[Off]:
        """Return what stands off within blocks of ``length`` bins, the first of which begins
        ``late`` bins early.
        """
        n_bins = self.found.n_bins
        edges = np.unique(np.clip(np.arange(-late, n_bins + length, length), 0, n_bins))
        u, I, taken = self.found.in_stretches(edges[:-1], edges[1:])
        # A camera alone, all others as they are: where none stands out there is nothing to share
        # out.
        value, _ = chi_square(u, I - taken)
        limit = LIMIT * self.usual.at(length)
        blocks = np.flatnonzero((value > limit).any(axis=0)).tolist()
        frames = np.searchsorted(self.found.bin_of_frame, edges).tolist()

        def run(blocks: Sequence[int]) -> list[Off]:
            return [o for b in blocks for o in self._shared_out(frames[b], frames[b + 1], limit)]

        return [o for part in in_groups(run, blocks) for o in part]

    def _shared_out(self, first: int, last: int, limit: float) -> list[Off]:
        """Return what of each camera stands off in the frames from first to last."""
        problem, found = self.problem, self.found
        pairs = np.arange(problem.starts[first], problem.starts[last])
        pairs = pairs[found.n[pairs] > 0]
        cameras, own = np.unique(problem.cam[pairs], return_inverse=True)
        d, n = found.half.shape[1], len(cameras)
        A = np.zeros((last - first, d, n, 2))
        A[problem.frame[pairs] - first, :, own] = found.half[pairs]
        B = A.reshape(-1, 2 * n)
        weight, u = np.bincount(own, found.n[pairs], n), np.zeros((n, 2))
        np.add.at(u, own, found.u[pairs])
        I = np.diag(weight.repeat(2)) - B.T @ B
        unit = self.sigma_px[cameras].repeat(2)  # shifts in units of each camera's noise
        shift, C = _sparse_shifts(I * unit[:, None] * unit, u.ravel() * unit)
        of_each = shift.reshape(n, 2)
        own_C = C.reshape(n, 2, n, 2)[np.arange(n), :, np.arange(n)].reshape(n, 4)
        value, _ = chi_square(of_each, own_C[:, [0, 1, 3]])
        is_off = (np.hypot(*of_each.T) > LEAST_SHIFT) & (value > limit)
        return [
            (pairs[own == k], of_each[k] * self.sigma_px[cameras[k]], float(value[k]))
            for k in np.flatnonzero(is_off)
        ]


@compiled
def _sparse_shifts(I: Array, u: Array) -> tuple[Array, Array]:
    """Return shifts (2 n,) of n cameras and their covariance, each camera with a variance that the
    data choose.
    """
    n = len(u) // 2
    variance, live = np.full(n, USUAL_SHIFT**2), np.arange(n)
    shift, C = np.zeros(2 * n), np.eye(2 * n) * 1e-12
    for sweep in range(SWEEPS):
        k = len(live)
        A, v = np.empty((2 * k, 2 * k)), np.empty(2 * k)
        for a in range(2 * k):
            row = 2 * live[a // 2] + a % 2
            v[a] = u[row]
            for b in range(2 * k):
                A[a, b] = I[row, 2 * live[b // 2] + b % 2]
            A[a, a] += 1.0 / variance[live[a // 2]]
        K = np.linalg.inv(A)
        m = K @ v
        found = live
        for a in range(k):
            c = live[a]
            # MacKay's rule: the part of the prior that the data replaced.
            dof = 2.0 - (K[2 * a, 2 * a] + K[2 * a + 1, 2 * a + 1]) / variance[c]
            variance[c] = (m[2 * a] ** 2 + m[2 * a + 1] ** 2) / max(dof, 1e-3)
        live = live[variance[live] > ABSENT]
        if len(live) == 0 or sweep + 1 == SWEEPS:
            for a in range(2 * k):
                row = 2 * found[a // 2] + a % 2
                shift[row] = m[a]
                for b in range(2 * k):
                    C[row, 2 * found[b // 2] + b % 2] = K[a, b]
            break
    return shift, C


def _grown(problem: Problem, found: Shifts, off: Sequence[Off]) -> list[Off]:
    """Return stretches with the views before and after that a stretch's own shift explains better
    than none.
    """
    information, reach = found.information, 2 * found.length
    is_off, out = off_pairs(problem, off), []
    views = problem.pairs_by_camera()
    numbers = [problem.frame_number[problem.frame[at]] for at in views]
    for pairs, s, value in off:
        c, grown = problem.cam[pairs[0]], [pairs]
        at, number = views[c], numbers[c]
        for way, end in ((1, pairs[-1]), (-1, pairs[0])):
            k = int(np.searchsorted(at, end))
            j = k + way
            while 0 <= j < len(at) and not is_off[at[j]] and abs(number[j] - number[k]) <= reach:
                u, (xx, xy, yy) = found.u[at[j]], information[at[j]]
                if s @ u <= 0.5 * (xx * s[0] ** 2 + 2.0 * xy * s[0] * s[1] + yy * s[1] ** 2):
                    break
                grown.append(at[j : j + 1])
                is_off[at[j]] = True
                j += way
        out.append((np.concatenate(grown), s, value))
    return out


def passing(
    problem: Problem, off: Sequence[Off], seen: Bools, most: float
) -> tuple[list[Off], list[Stretch], frozenset[int]]:
    """Return what stands off, its stretches, and cameras of which it holds more than the share
    ``most`` of the points.

    Of these only the largest shifts are kept, up to that share: a fit that gave way to a few points
    has all others a little off.
    """
    n_seen, of_camera = seen.sum(axis=0), np.array([camera_of(problem, o) for o in off], dtype=int)
    kept: list[Off] = []
    stretches: list[Stretch] = []
    much: set[int] = set()
    for c, at in enumerate(problem.pairs_by_camera()):
        left = most * n_seen[at].sum()
        own = [off[int(k)] for k in np.flatnonzero(of_camera == c)]
        own.sort(key=lambda o: -float(np.hypot(*o[1])))
        n_kept = int(
            np.searchsorted(np.cumsum([n_seen[o[0]].sum() for o in own]), left, side="right")
        )
        if n_kept < len(own):
            much.add(c)
        kept += own[:n_kept]
        stretches += _joined(problem, at, own[:n_kept], c)
    return kept, stretches, frozenset(much)


def with_sizes(
    problem: Problem, residual_px: Array, seen: Bools, stretches: Sequence[Stretch]
) -> tuple[Stretch, ...]:
    """Return the stretches with the median residual (2, M, P) of their points for their shift:
    unlike in the search, points far off count in full, and the wands do not follow what is left
    out.
    """
    views, out = problem.pairs_by_camera(), []
    number = [problem.frame_number[problem.frame[at]] for at in views]
    for s in stretches:
        at = views[s.camera][
            slice(*np.searchsorted(number[s.camera], [s.first, s.last + 1]).tolist())
        ]
        points = residual_px[:, :, at][:, seen[:, at]]
        x, y = np.median(points, axis=1) if points.size else s.shift_px
        out.append(replace(s, shift_px=(float(x), float(y))))
    return tuple(out)


def _joined(problem: Problem, at: Index, off: Sequence[Off], camera: int) -> list[Stretch]:
    """Return a camera's stretches, those that follow one another with like shifts as one."""
    if not off:
        return []
    shift, is_off = np.zeros((len(problem.cam), 2)), off_pairs(problem, off)
    for pairs, way, _ in off:
        shift[pairs] = way
    own = at[is_off[at]]
    number, way = problem.frame_number[problem.frame[own]], shift[own]
    gap = (np.diff(number) > max(2, 0.1 * problem.rate_hz)) | ~_alike(way[1:], way[:-1])
    ends = [0, *(np.flatnonzero(gap) + 1).tolist(), len(own)]
    means = [(a, b, way[a:b].mean(axis=0)) for a, b in pairwise(ends)]
    return [
        Stretch(camera, int(number[a]), int(number[b - 1]), (float(m[0]), float(m[1])))
        for a, b, m in means
    ]


def _alike(a: Array, b: Array) -> Bools:
    size = np.maximum(np.linalg.norm(a, axis=1), np.linalg.norm(b, axis=1))
    return np.asarray(np.linalg.norm(a - b, axis=1) < ALIKE * size)
