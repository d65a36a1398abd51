"""Normal equations: what a sum of squares says about its parameters near a minimum, and what
follows from it.

With S the matrix and g the gradient the cost is ``½ xᵀ S x + gᵀ x``: S is the information on the
parameters x, their estimate -S⁻¹ g, its covariance S⁻¹, and ``gᵀ S⁻¹ g`` is twice the fall of the
cost, chi-square where x is truly 0.

One cut-off: each parameter is measured by the information on it before others took their share
(``own``). In these units no entry is above 1, and sums over up to a million rows round to some
1e-12; so along a direction with less than ``SINGULAR`` nothing is told. Estimates and tests leave
such a direction out; in a covariance it has the variance of that limit, which is no knowledge, and
never 0, which would be certainty.

A camera's parameters are a turn of ``cam_from_world`` on its left, three of its place (the twist's
shift, or the position in the world), then its lens terms: ``n`` in all, camera by camera.

Sources: Golub & Van Loan, Matrix Computations, 4th edition 2013, sections 2.6, 4.2 and 5.5
(scaling, Cholesky, rank); Triggs et al., Bundle adjustment, a modern synthesis, 2000, sections 6
and 9 (elimination, gauge freedom); Rao, Linear Statistical Inference and Its Applications, 1973,
sections 4a and 6e (tests, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from calib.core.geometry import Array, cross_matrix

Index = NDArray[np.intp]
SINGULAR = 1e-11  # share of a parameter's own information: see above


@dataclass(frozen=True, slots=True, eq=False)
class Information:
    """Information ``matrix (N, N)`` and ``gradient (N,)`` of a cost, and what each parameter has by
    its ``own`` (N,): the matrix's diagonal before anything was eliminated.
    """

    matrix: Array
    gradient: Array
    own: Array

    @classmethod
    def of(cls, matrix: Array, gradient: Array | None = None) -> Information:
        """Return it of a matrix (N, N) from which nothing was eliminated."""
        return cls(matrix, np.zeros(len(matrix)) if gradient is None else gradient, np.diag(matrix))

    def __add__(self, other: Information) -> Information:
        return Information(
            self.matrix + other.matrix, self.gradient + other.gradient, self.own + other.own
        )

    def times(self, factor: float) -> Information:
        """Return that of so many times as many frames."""
        return Information(self.matrix * factor, self.gradient * factor, self.own * factor)

    def beside(self, known: Array) -> Information:
        """Return it with what else is known (N, N), which pulls nowhere."""
        return Information(self.matrix + known, self.gradient, self.own + np.diag(known))

    def at(self, rows: Index) -> Information:
        """Return it for some parameters, the others held."""
        return Information(self.matrix[np.ix_(rows, rows)], self.gradient[rows], self.own[rows])

    def left(self, rows: Index, free: Index) -> Information:
        """Return what is left for some parameters once those in ``free`` have taken their share;
        all else is held.
        """
        part = self.at(rows)
        if not len(free):
            return part
        across, given = self.matrix[np.ix_(free, rows)], self.at(free)
        X = given.solve(np.column_stack([across, given.gradient]))
        matrix = part.matrix - across.T @ X[:, :-1]
        return Information(0.5 * (matrix + matrix.T), part.gradient - across.T @ X[:, -1], part.own)

    def through(self, T: Array) -> Information:
        """Return it for y (m,) where the parameters are ``T y``, T (N, m)."""
        return Information(T.T @ self.matrix @ T, T.T @ self.gradient, (T**2).T @ self.own)

    def carried(self, blocks: Array, n: int) -> Information:
        """Return it for places of which ``blocks (C, 3, 3)`` make those that it has now."""
        back = np.swapaxes(blocks, 1, 2)
        return Information(
            on_places(back, n, on_places(back, n, self.matrix).T),
            on_places(back, n, self.gradient),
            on_places(back**2, n, self.own),
        )

    def fixed(self, motions: Array) -> Information:
        """Return it with the motions (N, m) held that it says nothing about; all else stays as it
        is.
        """
        if not motions.shape[1]:
            return self
        scale = self.scale
        F = held_world(motions, scale) / scale[:, None]
        return Information(self.matrix + F @ F.T, self.gradient, self.own)

    def blurred(self, root: Array) -> Information:
        """Return it where the parameters are off by an error of covariance ``root rootᵀ`` besides,
        root (N, r): ``(S⁻¹ + root rootᵀ)⁻¹``, also of a singular S.
        """
        SL = self.matrix @ root
        X = np.linalg.solve(
            np.eye(root.shape[1]) + root.T @ SL, np.column_stack([SL.T, root.T @ self.gradient])
        )
        matrix = self.matrix - SL @ X[:, :-1]
        return Information.of(0.5 * (matrix + matrix.T), self.gradient - SL @ X[:, -1])

    @property
    def scale(self) -> Array:
        """The parameters' units (N,)."""
        return 1.0 / np.sqrt(np.where(self.own > 0, self.own, 1.0))

    def _scaled(self) -> tuple[Array, Array]:
        scale = self.scale
        return self.matrix * scale[:, None] * scale, scale

    def solve(self, b: Array) -> Array:
        """Return S⁻¹ b for b (N,) or (N, K), nothing along directions of which nothing is told."""
        A, scale = self._scaled()
        factor, least = cholesky(A)
        right = (scale * b.T).T
        if factor is not None and least > SINGULAR:
            return np.asarray((scale * lapack.dpotrs(factor, right, lower=True)[0].T).T)
        _, out = self.roots()
        return np.asarray(out @ (out.T @ b))

    def inverse(self) -> tuple[Array, int]:
        """Return the inverse (N, N) over the directions that are told, and their number."""
        _, out = self.roots()
        return out @ out.T, out.shape[1]

    def covariance(self) -> Array:
        """Return the covariance (N, N) of the estimate."""
        A, scale = self._scaled()
        factor, least = cholesky(A)
        if factor is not None and least > SINGULAR:
            lower, _ = lapack.dpotri(factor, lower=True)
            C = np.tril(lower) + np.tril(lower, -1).T
        else:
            values, axes = np.linalg.eigh(A)
            C = (axes / np.maximum(values, SINGULAR)) @ axes.T
        return np.asarray(C * scale[:, None] * scale)

    def estimate(self) -> Array:
        """Return the parameters (N,) at the minimum."""
        return -self.solve(self.gradient)

    def chi_square(self) -> tuple[float, int]:
        """Return twice the fall of the cost to the minimum, and its degrees of freedom."""
        _, out = self.roots()
        return float(np.square(out.T @ self.gradient).sum()), out.shape[1]

    def gain(self) -> float:
        """Return twice the fall of the cost to the minimum alone, which takes a third of the
        time.
        """
        return float(self.gradient @ self.solve(self.gradient)) if len(self.own) else 0.0

    def roots(self) -> tuple[Array, Array]:
        """Return (into, out), each (N, r) for the r directions that are told: ``into intoᵀ = S``,
        ``out outᵀ = S⁻¹`` and ``outᵀ into = 1``.
        """
        A, scale = self._scaled()
        values, axes = np.linalg.eigh(A)
        is_determined = values > SINGULAR
        root, axes = np.sqrt(values[is_determined]), axes[:, is_determined]
        return axes * root / scale[:, None], scale[:, None] * axes / root

    def open_direction(self) -> Array | None:
        """Return the direction (N,) of which least is told, None where enough is told of all."""
        A, scale = self._scaled()
        if cholesky(A)[1] > SINGULAR:
            return None
        values, axes = np.linalg.eigh(A)
        return scale * axes[:, 0] if len(values) and values[0] <= SINGULAR else None


def wald(value: Array, covariance: Array) -> tuple[float, int]:
    """Return ``valueᵀ C⁻¹ value`` of an estimate (n,) and its degrees of freedom: chi-square where
    the truth is 0.
    """
    return Information.of(covariance, value).chi_square()


def cholesky(A: Array) -> tuple[Array | None, float]:
    """Return the Cholesky factor of the lower triangle of A (k, k), and a lower bound of its least
    eigenvalue.

    (None, 0.0) where A is not positive definite. The bound is one over the 1-norm of A's inverse,
    as LAPACK estimates it: at most the square root of k times too low.
    """
    if not len(A):
        return None, 0.0
    factor, info = lapack.dpotrf(A, lower=True, clean=False)
    if info:
        return None, 0.0
    # With 1 for the norm of A the reciprocal condition is one over that of the inverse.
    return factor, float(lapack.dpocon(factor, 1.0, uplo="L")[0])


def held_world(motions: Array, scale: Array) -> Array:
    """Return the motions (N, m) in the parameters' units, of unit length and square to one another:
    added to scaled information as ``Q Qᵀ`` they are held, and nothing else is.
    """
    return np.asarray(np.linalg.qr(motions / scale[:, None])[0])


def world_motions(cam_R: Array, position_mm: Array, n: int) -> Array:
    """Return the motions of the world as changes of turns and positions (C n, 7): turns about its
    axes, shifts along them, and growth about its origin.
    """
    G = np.zeros((len(cam_R), n, 7))
    G[:, :3, :3] = -cam_R
    G[:, 3:6, :3] = -cross_matrix(position_mm)
    G[:, 3:6, 3:6] = np.eye(3)
    G[:, 3:6, 6] = position_mm
    return G.reshape(-1, 7)


def on_places(blocks: Array, n: int, values: Array) -> Array:
    """Return values (N,) or (N, K) with each camera's three rows of its place multiplied by its
    block of ``blocks (C, 3, 3)``; rows beyond the cameras' C n stay.

    A position is ``-cam_Rᵀ`` times the twist's shift, and a shift ``-cam_R`` times the position.
    """
    out = np.array(values, dtype=float, order="C")
    rows = out[: len(blocks) * n].reshape(len(blocks), n, -1)
    rows[:, 3:6] = blocks @ rows[:, 3:6]
    return out


def in_gauge(motions: Array, conditions: Array, values: Array) -> Array:
    """Return values (N,) or (N, K) moved along the motions (N, m) to where ``conditionsᵀ values``
    (m) is 0.
    """
    return np.asarray(
        values - motions @ np.linalg.solve(conditions.T @ motions, conditions.T @ values)
    )
