"""Did the wand change while it was waved: a marker that slipped or was screwed on anew, or another
wand that was taken up?

A marker that stands elsewhere from some moment on is one more unknown of the bundle, for which
cameras, lenses and the wand's poses give way: cameras follow a wand that changes, but what its
markers are to one another is not theirs, nor is its size where it comes back to them. It is held
against cameras that moved at that moment, which take more numbers, by Schwarz's criterion. What
parts of the wave say of the shape, cameras held, scatters by noise and by errors that last
(analysis of variance; Hald, Statistical Theory with Engineering Applications, 1952, chapter 16).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import special

from calib.core.geometry import Array, cross_matrix
from calib.core.parameters import AUTO, LENS_GROUPS, N_POSE
from calib.solve.bundle.elimination import inverse_factors, reduced_system
from calib.solve.bundle.linearise import linearise
from calib.solve.bundle.problem import Index, Problem, State
from calib.solve.certainty.normal import Information, on_places, world_motions

ON_LINE = 1e-3  # of its length: a wand's markers are known to less beside it
PARTS, FEWEST_PARTS = 30, 5  # of the wave, and on either side of a moment
CHANCE = 1e-4  # of a capture, as for points left out that gather
# Whatever a fit may free has followed the wand: held as it stands, it would hide half of a change.
TERMS = tuple(term for group in AUTO for term in LENS_GROUPS[group])
N_CAMERA = N_POSE + len(TERMS)


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """From a frame on a marker stands elsewhere on the wand, by ``size_mm``."""

    frame: int
    marker: int
    size_mm: float


def find_rebuilt(problem: Problem, state: State) -> Rebuilt | None:
    """Return from when on weighted points show a marker elsewhere on the wand; None where chance
    makes it, cameras that moved explain it better, or the wand has too few markers to tell.
    """
    n_axes = min(problem.n_rotation, 1) if problem.n_rotation < 3 else 3
    free = _free(state.shape_mm[:, :n_axes], np.flatnonzero((problem.weight > 0).any(axis=1)))
    q = free.shape[1] - 1
    if q < 1 or problem.n_frames < 3 * PARTS:
        return None
    edges = np.linspace(0, problem.n_frames, PARTS + 1).astype(int)
    n = N_CAMERA * problem.n_cameras
    wand = np.arange(n, n + q + 1)
    whole, of_wand, rows = Information.of(np.zeros((n + q + 1, n + q + 1))), [], []
    for first, last in pairwise(edges):
        part = _information(problem, state, int(first), int(last), free)
        whole += part
        of_wand.append(part.at(wand))
        rows.append(_table(part)[wand])
    # All along the wand has the size that its file states; after a moment it may have another.
    motions = world_motions(state.cam_R, state.position_mm, N_CAMERA)
    motions = on_places(-state.cam_R, N_CAMERA, motions)[:, :6]
    common = whole.at(np.arange(n + q)).fixed(np.vstack([motions, np.zeros((q, 6))]))
    moments = range(FEWEST_PARTS, PARTS - FEWEST_PARTS + 1)
    after = np.cumsum(rows[::-1], axis=0)[::-1][moments]
    changes = [
        (k, m, change.through(free.T).at(n_axes * m + np.arange(n_axes)))
        for k, change in zip(moments, _changes(common, after, wand), strict=True)
        for m in range(len(state.shape_mm))
    ]
    k, m, change = max(changes, key=lambda of: of[2].gain())
    scatter, freedom = _scatter(of_wand[:k], of_wand[k:])
    chance = special.fdtrc(n_axes, freedom, change.gain() / n_axes / scatter)
    if len(changes) * chance > CHANCE:
        return None
    last = _information(problem, state, int(edges[k]), problem.n_frames, free)
    poses = (N_CAMERA * np.arange(problem.n_cameras)[:, None] + np.arange(N_POSE)).ravel()
    (moved,) = _changes(common, _table(last)[None, poses], poses)
    cameras = [moved, *(moved.at(c) for c in np.arange(len(poses)).reshape(-1, N_POSE))]
    price = float(np.log(2 * (problem.weight > 0).sum()))
    if change.gain() - n_axes * price < max(_worth(of, price) for of in cameras):
        return None
    size = float(np.linalg.norm(change.estimate()))
    return Rebuilt(int(problem.frame_number[edges[k]]), m, size)


def _worth(change: Information, price: float) -> float:
    """Return by how much a change betters Schwarz's criterion, at the price of a number."""
    gain, numbers = change.chi_square()
    return gain - numbers * price


def _table(of: Information) -> Array:
    """Return matrix and gradient side by side (N, N + 1)."""
    return np.column_stack([of.matrix, of.gradient])


def _changes(common: Information, after: Array, at: Index) -> list[Information]:
    """Return what moments say of changes of the unknowns ``at (m,)`` from then on, the N in
    ``common`` giving way: of rows ``after (K, m, N + r + 1)`` of the tables of what comes then.
    """
    N = len(common.own)
    across = after[..., :N]
    X = common.solve(np.column_stack([common.gradient, *np.swapaxes(across, 1, 2)]))
    taken, shares = X[:, 0], np.split(X[:, 1:], len(after), axis=1)
    out = []
    for rows, given in zip(after, shares, strict=True):
        own = rows[:, at]
        left = own - rows[:, :N] @ given
        gradient = rows[:, -1] - rows[:, :N] @ taken
        out.append(Information(0.5 * (left + left.T), gradient, np.diag(own)))
    return out


def _scatter(*sides: Sequence[Information]) -> tuple[float, float]:
    """Return the mean square within sides of what parts of a wave say, 1 at least, and its degrees
    of freedom.
    """
    square = freedom = 0.0
    for side in sides:
        for sign, of in [*((1.0, part) for part in side), (-1.0, sum(side[1:], side[0]))]:
            gain, numbers = of.chi_square()
            square, freedom = square + sign * gain, freedom + sign * numbers
    freedom = max(freedom, 1.0)
    return max(square / freedom, 1.0), freedom


def _free(shape: Array, which: Index) -> Array:
    """Return changes of a shape (M, d) as ``_shapes`` does; where the markers ``which`` are seen
    lie on a line and others do not, theirs along it alone, as every frame turns about it.
    """
    seen = shape[which]
    if shape.shape[1] < 3 or not 2 <= len(seen) < len(shape):
        return _shapes(shape)
    _, values, axes = np.linalg.svd(seen - seen.mean(axis=0), full_matrices=False)
    if values[1] > ON_LINE * values[0]:
        return _shapes(shape)
    along = _shapes(seen @ axes[:1].T)
    out = np.zeros((*shape.shape, along.shape[1]))
    out[which] = along[:, None] * axes[0][:, None]
    return out.reshape(-1, along.shape[1])


def _shapes(shape: Array) -> Array:
    """Return changes of a shape (M, d), each of unit size, as columns (M d, q + 1): those that no
    motion and no size makes, and last that of its size.
    """
    M, d = shape.shape
    away = shape - shape.mean(axis=0)
    turns = cross_matrix(np.eye(3)) @ away.T if d == 3 else np.zeros((0, d, M))
    motions = [np.tile(axis, (M, 1)) for axis in np.eye(d)] + [turn.T for turn in turns]
    taken = np.array([v.ravel() for v in (*motions, away)])
    axes, values, _ = np.linalg.svd(taken.T)
    rank = int((values > 1e-9 * values.max(initial=0.0)).sum())
    return np.column_stack([axes[:, rank:], away.ravel() / np.linalg.norm(away)])


def _information(problem: Problem, state: State, first: int, last: int, free: Array) -> Information:
    """Return what some frames say of the cameras' poses and rings and of the wand's shape and size,
    their poses eliminated.
    """
    n, n_axes = N_CAMERA * problem.n_cameras, len(free) // len(state.shape_mm)
    part, of = problem.part(first, last), state.of_frames(slice(first, last))
    blocks = linearise(part, of, TERMS, np.inf, n_axes)
    S, g = reduced_system(part, blocks, inverse_factors(blocks.frame))
    S = np.column_stack([S[:, :n], S[:, n:] @ free])
    S = np.vstack([S[:n], free.T @ S[n:]])
    return Information.of(S, np.append(g[:n], free.T @ g[n:]))
