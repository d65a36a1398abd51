"""Did the wand change while it was waved: a marker that slipped or was screwed on anew, or another
wand that was taken up?

The cameras follow a wand that changes and are as large as it is wherever it goes, so that only what
its markers are to one another but for size tells. What each part of the wave says of that, its
poses eliminated and the cameras held, scatters by noise and by errors that last; what two sides of
a moment say differs by more where the wand is another (analysis of variance; Hald, Statistical
Theory with Engineering Applications, 1952, chapter 16).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import special

from calib.core.geometry import Array, cross_matrix
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.linearise import linearise
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information

PARTS, FEWEST_PARTS = 30, 5  # of the wave, and on either side of a moment
CHANCE = 1e-4  # of a capture, as for points left out that gather


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """From a frame on the markers stand otherwise to one another: ``marker`` by most, by
    ``size_mm``.
    """

    frame: int
    marker: int
    size_mm: float


def find_rebuilt(problem: Problem, state: State) -> Rebuilt | None:
    """Return from when on weighted points show a wand of another shape than before; None where
    chance makes it, or the wand has too few markers to tell.

    The squares between the two sides of a moment are held against those within.
    """
    n_axes = min(problem.n_turn, 1) if problem.n_turn < 3 else 3
    free = _shapes(state.shape_mm[:, :n_axes])
    q = free.shape[1] - 1
    if q < 1 or problem.n_frames < 3 * PARTS:
        return None
    edges = np.linspace(0, problem.n_frames, PARTS + 1).astype(int)
    parts = [_of_shape(problem, state, a, b, n_axes, free) for a, b in pairwise(edges)]

    def said(of: slice) -> Information:
        return Information.of(*(np.sum(part, axis=0) for part in zip(*parts[of], strict=True)))

    each = [Information.of(*part).chi_square() for part in parts]
    total, freedom = (float(sum(v)) for v in zip(*each, strict=True))
    whole, _ = said(slice(None)).chi_square()
    moments = range(FEWEST_PARTS, PARTS - FEWEST_PARTS + 1)
    sides = [(said(slice(k)), said(slice(k, None))) for k in moments]
    apart = [one.chi_square()[0] + other.chi_square()[0] for one, other in sides]
    k = int(np.argmax(apart))
    usual = max((total - apart[k]) / max(freedom - 2 * q, 1.0), 1.0)
    F = (apart[k] - whole) / q / usual
    if len(sides) * special.fdtrc(q, max(freedom - 2 * q, 1.0), max(F, 0.0)) > CHANCE:
        return None
    before, after = sides[k]
    change = (free[:, :q] @ (after.estimate() - before.estimate())).reshape(-1, n_axes)
    size = np.linalg.norm(change, axis=1)
    m = int(size.argmax())
    return Rebuilt(int(problem.frame_number[edges[moments[k]]]), m, float(size[m]))


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


def _of_shape(
    problem: Problem, state: State, first: int, last: int, n_axes: int, free: Array
) -> tuple[Array, Array]:
    """Return what some frames say of changes of the shape, their poses and the wand's size given:
    matrix and gradient.
    """
    frames, q = slice(first, last), free.shape[1] - 1
    part = replace(state, wand_R=state.wand_R[frames], wand_t=state.wand_t[frames])
    blocks = linearise(problem.part(first, last), part, (), np.inf, n_axes)
    factors = inverse_factors(blocks.frame)
    across = factors @ blocks.frame_shape
    given = factors @ blocks.frame_gradient[..., None]
    S = blocks.shape - np.einsum("fdi,fdj->ij", across, across)
    g = blocks.shape_gradient - np.einsum("fdi,fdj->i", across, given)
    left = Information.of(S, g).through(free).left(np.arange(q), np.array([q]))
    return left.matrix, left.gradient
