"""Errors that points in one place of an image share, whenever they were there.

No lens is its model: what the free terms leave of it comes back each time the wand passes the same
place. To a search in time that looks like errors that last, again and again; and as many passes do
not average it out, it moves cameras by more than their covariance knows. A field over the image, a
sum of cells of several sizes with a variance each, is told by moments: products of scores of one
cell at different times, in which neither noise nor what passes has a part. The covariance takes the
field up as it does shifts in time (``scatter``), and the search looks at points without it.

Sources: Liang & Zeger, 1986 (clusters, as in ``scatter``); Rasmussen & Williams, Gaussian processes
for machine learning, 2006, equation 2.23 (what the field most likely is, given its variance).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from calib.core.geometry import Array
from calib.solve.bundle.linearise import Blocks, linearise
from calib.solve.bundle.problem import Problem, State
from calib.solve.lasting.find import bin_frames
from calib.solve.lasting.gradients import Gradients
from calib.solve.lasting.shifts import Shifts, shifts

# Columns and rows of cells over what a camera saw, coarse to fine: what is smoother a lens's own
# terms follow, what is finer than a wand in the image moves no camera.
LEVELS = ((4, 3), (8, 6))
N_CELLS = LEVELS[-1][0] * LEVELS[-1][1]
EDGE = 0.5  # percent of a camera's points beyond the outermost cells' edges, which count to these
# Parts of the time: what passes is in one of them, or seldom in two.
PART_S, FEWEST_PARTS, MOST_PARTS = 4.0, 3, 24
# Standard deviations by which products must exceed 0: one sound capture in some hundreds does.
SURE = 3.0
OWN = 3.0  # by which a camera's field must differ from the others'


def _coarser() -> tuple[Array, ...]:
    """Return for each level which of the finest cells (N_CELLS) each of its cells holds."""
    columns, rows = LEVELS[-1]
    at = np.arange(N_CELLS)
    out = []
    for n, m in LEVELS:
        cell = (at // columns) * m // rows * n + (at % columns) * n // columns
        out.append((cell == np.arange(n * m)[:, None]).astype(float))
    return tuple(out)


HOLDS = _coarser()


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Variances (C, L) in px² of each axis in cells of each level."""

    variance_px2: Array

    def of_camera(self, c: int) -> Array:
        """Return the covariance of the finest cells (N_CELLS, N_CELLS) in px²."""
        levels = zip(self.variance_px2[c], HOLDS, strict=True)
        return np.asarray(sum(v * holds.T @ holds for v, holds in levels))


def cells(problem: Problem, of: Array) -> NDArray[np.intp]:
    """Return the finest cell (...) of places ``of (2, ..., P)``, of each pair's camera."""
    out, (columns, rows) = np.zeros(of.shape[1:], np.intp), LEVELS[-1]
    for at in problem.pairs_by_camera():
        seen = problem.uv_px[:, :, at][:, problem.weight[:, at] > 0]
        if not seen.size:
            continue
        (left, top), (right, bottom) = np.percentile(seen, [EDGE, 100.0 - EDGE], axis=1)
        x = (of[0][..., at] - left) / max(right - left, 1e-9)
        y = (of[1][..., at] - top) / max(bottom - top, 1e-9)
        column = np.clip(x * columns, 0, columns - 1).astype(int)
        out[..., at] = np.clip(y * rows, 0, rows - 1).astype(int) * columns + column
    return out


def pair_cells(problem: Problem) -> NDArray[np.intp]:
    """Return the finest cell (P,) in which the middle of a pair's points lies."""
    is_used = problem.weight > 0
    n = np.maximum(is_used.sum(axis=0), 1)
    return cells(problem, np.where(is_used, problem.uv_px, 0.0).sum(axis=1) / n)


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """One camera's scores u (A, F, S), information I and what its own parameters take, a (A, F, S,
    n), along A axes in F cells and S parts of the time, in units of its noise.
    """

    u: Array
    I: Array
    a: Array

    def products(self) -> tuple[Array, Array, Array]:
        """Return by level products (L,) of scores at different times less those of noise, what
        unit variances of the levels let expect of them (L, L), and their variance (L,).
        """
        n = len(LEVELS)
        product, expected, variance = np.zeros(n), np.zeros((n, n)), np.zeros(n)
        for u, I, a in zip(self.u, self.I, self.a, strict=True):
            # What a shift of each cell makes of the scores.
            T = -np.einsum("fsn,gn->fsg", a, a.sum(axis=1))
            T[np.arange(N_CELLS), :, np.arange(N_CELLS)] += I
            for k, holds in enumerate(HOLDS):
                own, given = holds @ u, np.tensordot(holds, a, 1)
                product[k] += _apart(own) + _apart(given)
                square = own**2
                variance[k] += 2.0 * _apart(square)
                of_shift = np.tensordot(holds, T, 1)
                expected[k] += [_apart(of_shift @ other.T) for other in HOLDS]
        return product, expected, variance


def _apart(values: Array) -> float:
    """Return the sum of products of a cell's ``values (F, S, ...)`` at two times."""
    return float((values.sum(axis=1) ** 2).sum() - (values**2).sum())


def _sums(problem: Problem, found: Shifts, sigma_px: Array) -> list[_Sums]:
    cell, number = pair_cells(problem), problem.frame_number
    bin_of = found.bin_of_frame[problem.frame]
    seconds = (number[-1] - number[0] + 1) / problem.rate_hz
    n_parts = int(np.clip(seconds / PART_S, 1, MOST_PARTS))
    part = np.arange(found.n_bins) * n_parts // found.n_bins
    out = []
    for c, at in enumerate(problem.pairs_by_camera()):
        of_bin = np.zeros(found.n_bins, np.intp)
        used = at[found.n[at] > 0]
        of_bin[bin_of[used]] = cell[used]  # a bin is too short to cross a cell
        sums = np.zeros((N_CELLS, n_parts, *found.given.shape[2:]))
        scores = np.zeros((N_CELLS, n_parts, 5))
        np.add.at(sums, (of_bin, part), found.given[c] * sigma_px[c])
        np.add.at(scores, (of_bin, part), found.scores[c])
        u = np.moveaxis(scores[..., :2] * sigma_px[c], -1, 0)
        I = np.moveaxis(scores[..., [2, 4]] * sigma_px[c] ** 2, -1, 0)
        out.append(_Sums(u, I, np.moveaxis(sums, -1, 0)))
    return out


def find_field(problem: Problem, found: Shifts, sigma_px: Array) -> Field | None:
    """Return what points of one place share in a fit, ``found`` at its minimum with its own lens
    terms; None where that is nothing.
    """
    return _field(_sums(problem, found, sigma_px), sigma_px)


def _field(every: list[_Sums], sigma_px: Array) -> Field | None:
    if every[0].u.shape[2] < FEWEST_PARTS:
        return None
    of_each = [s.products() for s in every]
    product, expected, variance = (np.array([o[k] for o in of_each]) for k in range(3))
    sd = np.sqrt(np.maximum(variance.sum(axis=0), 1e-300))
    if (product.sum(axis=0) / sd).max() < SURE:
        return None
    pooled, _ = optimize.nnls(expected.sum(axis=0) / sd[:, None], product.sum(axis=0) / sd)
    out = np.tile(pooled, (len(every), 1))
    for c in range(len(every)):
        lets, own_sd = expected[c] @ pooled, np.sqrt(np.maximum(variance[c], 1e-300))
        k = int(np.argmax(lets / own_sd))
        if lets[k] > 0 and abs(product[c, k] - lets[k]) > OWN * own_sd[k]:
            out[c] *= max(product[c, k] / lets[k], 0.0)
    return Field(out * (sigma_px**2)[:, None])


def without_field(
    problem: Problem,
    state: State,
    sigma_px: Array,
    terms: tuple[str, ...] | None = None,
    blocks: Blocks | None = None,
) -> Problem:
    """Return the problem with what points of one place most likely share taken off them; itself
    where that is nothing.

    The state is the minimum with these lens terms free, ``blocks`` are those there, of the same
    weights; without, it is that of the frames alone, and where cameras would have turned or shifted
    is no field.
    """
    gradient = None
    if terms is None:
        terms, blocks = (), linearise(problem, state, (), np.inf)
        gradient = blocks.camera_gradient
    found = shifts(problem, state, terms, bin_frames(problem.rate_hz), gradient, blocks)
    every = _sums(problem, found, sigma_px)
    field = _field(every, sigma_px)
    if field is None:
        return problem
    cell, uv = cells(problem, problem.uv_px), problem.uv_px.copy()
    for c, (s, at) in enumerate(zip(every, problem.pairs_by_camera(), strict=True)):
        V = field.of_camera(c) / sigma_px[c] ** 2
        for k in range(2):
            A = s.a[k].sum(axis=1)
            M = np.diag(s.I[k].sum(axis=1)) - A @ A.T
            most_likely = V @ np.linalg.solve(np.eye(N_CELLS) + M @ V, s.u[k].sum(axis=1))
            uv[k][:, at] -= sigma_px[c] * most_likely[cell[:, at]]
    return replace(problem, uv_px=uv)


def field_matrix(problem: Problem, gradients: Gradients, found: Shifts, field: Field) -> Array:
    """Return D (N, N): what the field adds to the covariance of the reduced gradient."""
    D = np.zeros((gradients.size, gradients.size))
    cell = pair_cells(problem)
    for c, at in enumerate(problem.pairs_by_camera()):
        if not field.variance_px2[c].any() or not at.size:
            continue
        A = gradients.sums(found, at, cell[at])
        used = np.flatnonzero(A.any(axis=(0, 1)))
        A = A[..., used]
        for v, holds in zip(field.variance_px2[c], HOLDS, strict=True):
            flat = np.tensordot(holds[:, : len(A)], A, 1).reshape(-1, len(used))
            D[np.ix_(used, used)] += v * flat.T @ flat
    return D
