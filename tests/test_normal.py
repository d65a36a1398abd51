"""Normal equations against NumPy's and SciPy's linear algebra, on random systems with and without a
gauge.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, stats
from scipy.spatial.transform import Rotation

from calib.solve.certainty.normal import (
    SINGULAR,
    Information,
    in_gauge,
    on_places,
    wald,
    world_motions,
)

EPS = np.finfo(float).eps


def rows_of(seed: int, n_rows: int = 60, n: int = 9) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows J (m, n) of a least-squares problem whose parameters have units six decades
    apart, and its residuals.
    """
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n_rows, n)) * 10.0 ** rng.uniform(-3, 3, n), rng.normal(size=n_rows)


def near(found: np.ndarray, expected: np.ndarray, *, size: np.ndarray, share: float) -> None:
    """Both agree to a share of the parameters' own size."""
    np.testing.assert_array_less(np.abs(found - expected) / size, share)


@pytest.mark.parametrize("seed", range(5))
def test_estimate_covariance_and_fall_are_those_of_least_squares(seed: int) -> None:
    """Source: numpy.linalg.lstsq, scipy.linalg.inv."""
    J, r = rows_of(seed)
    found = Information.of(J.T @ J, J.T @ r)
    x = np.linalg.lstsq(J, -r, rcond=None)[0]
    C = linalg.inv(J.T @ J / (s := np.linalg.norm(J, axis=0)) / s[:, None]) / s / s[:, None]
    sigma = np.sqrt(np.diag(C))
    near(found.estimate(), x, size=sigma, share=1e-9)
    near(found.covariance(), C, size=np.outer(sigma, sigma), share=1e-10)
    fall = r @ r - np.sum((r + J @ x) ** 2)
    assert found.gain() == pytest.approx(fall, rel=1e-9)
    assert found.chi_square() == (pytest.approx(fall, rel=1e-9), 9)


@pytest.mark.parametrize("seed", range(5))
def test_what_is_left_is_the_inverse_of_the_covariance_block(seed: int) -> None:
    """Source: the Schur complement is the inverse of the inverse's block (Golub & Van Loan, Matrix
    Computations, section 3.2.11: from memory).
    """
    J, r = rows_of(seed)
    found = Information.of(J.T @ J, J.T @ r)
    rows, free = np.array([0, 3, 4]), np.array([1, 2, 5, 6, 7, 8])
    left = found.left(rows, free)
    C = linalg.inv(J.T @ J)[np.ix_(rows, rows)]
    size = np.sqrt(np.diag(C))
    near(linalg.inv(left.matrix), C, size=np.outer(size, size), share=1e-8)
    near(left.estimate(), found.estimate()[rows], size=size, share=1e-8)
    # With some parameters held the rest is a smaller problem.
    part = found.left(rows, free[:2])
    keep = [0, 3, 4, 1, 2]
    alone = np.linalg.lstsq(J[:, keep], -r, rcond=None)[0]
    near(part.estimate(), alone[:3], size=size, share=1e-8)
    np.testing.assert_array_equal(part.own, np.diag(found.matrix)[rows])
    # A score test of a subset is the fall that letting it free brings.
    without = np.linalg.lstsq(J[:, free[:2]], -r, rcond=None)[0]
    fall = np.sum((r + J[:, free[:2]] @ without) ** 2) - np.sum((r + J[:, keep] @ alone) ** 2)
    assert part.chi_square() == (pytest.approx(fall, rel=1e-8), 3)


def test_a_subset_s_test_follows_chi_square() -> None:
    """Source: scipy.stats.chi2, Kolmogorov's test; noise alone, so nothing is to be found."""
    J, _ = rows_of(7)
    rng = np.random.default_rng(8)
    rows, free = np.array([1, 2]), np.array([0, 3, 4, 5, 6, 7, 8])
    draws = [
        Information.of(J.T @ J, J.T @ rng.normal(size=len(J))).left(rows, free).chi_square()
        for _ in range(400)
    ]
    assert {dof for _, dof in draws} == {2}
    assert stats.kstest([value for value, _ in draws], stats.chi2(2).cdf).pvalue > 1e-3


def test_score_and_wald_are_one_for_a_quadratic() -> None:
    """Source: Engle, 1984: the tests agree where the cost is a quadratic."""
    J, r = rows_of(3)
    found = Information.of(J.T @ J, J.T @ r)
    rows = np.array([2, 5])
    C = found.covariance()[np.ix_(rows, rows)]
    score = found.left(rows, np.setdiff1d(np.arange(9), rows)).chi_square()
    assert wald(found.estimate()[rows], C) == (pytest.approx(score[0], rel=1e-8), 2)


@pytest.mark.parametrize("least", [1e-13, 1e-9, 1e-6, 1e-2])
def test_nearly_singular_directions_are_left_out_below_the_limit_alone(least: float) -> None:
    """Source: numpy.linalg.pinv with that limit; eigenvalues given by construction."""
    rng = np.random.default_rng(11)
    n = 8
    Q = np.linalg.qr(rng.normal(size=(n, n)))[0]
    values = np.append(rng.uniform(0.3, 1.0, n - 1), least)
    A = (Q * values) @ Q.T
    unit = 10.0 ** rng.uniform(-3, 3, n)
    S = 0.5 * (A + A.T) * unit[:, None] * unit
    g = S @ rng.normal(size=n)
    found = Information(S, g, unit**2)
    is_told = least > SINGULAR
    expected = np.linalg.pinv(A, rcond=SINGULAR, hermitian=True) / unit[:, None] / unit
    inverse, rank = found.inverse()
    assert rank == n - (not is_told) == np.linalg.matrix_rank(A, tol=SINGULAR)
    # Higham, Accuracy and stability of numerical algorithms, 2002, section 14.1: condition times
    # rounding.
    limit = 1e2 * EPS / (least if is_told else 0.3)
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    near(inverse, expected, size=size, share=limit)
    near(found.solve(g), expected @ g, size=1.0 / unit, share=limit / max(least, 0.3))
    direction = found.open_direction()
    assert (direction is None) == is_told
    C = found.covariance()
    if is_told:
        near(C, expected, size=size, share=limit)
    else:  # nothing is known along it: a sigma of the limit, not of 0
        along = unit * Q[:, -1]
        assert abs(direction @ along) == pytest.approx(1.0)
        assert along @ C @ along == pytest.approx(1.0 / SINGULAR, rel=1e-6)
    into, out = found.roots()
    np.testing.assert_allclose(out.T @ into, np.eye(rank), atol=1e-8)
    near(into @ into.T, S, size=np.outer(unit, unit), share=1e-10)


def cameras(seed: int, n: int, n_cameras: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rotations, positions and the rows (m, C n) of differences that no motion of the world
    changes.
    """
    rng = np.random.default_rng(seed)
    R = Rotation.random(n_cameras, random_state=seed).as_matrix()
    p = rng.normal(size=(n_cameras, 3)) * 3000.0
    G = world_motions(R, p, n)[:, :6]
    units = np.tile([1e-3] * 3 + [1.0] * 3 + [2.0] * (n - 6), n_cameras)
    J = rng.normal(size=(200, len(G))) / units
    scaled = G / units[:, None]
    Q = np.linalg.qr(scaled)[0]
    return R, p, (J * units - (J * units) @ Q @ Q.T) / units


def test_motions_of_the_world_are_what_a_moved_world_does_to_cameras() -> None:
    """Source: a small turn, shift and growth of the world written out with scipy's rotations."""
    rng = np.random.default_rng(2)
    R, p = Rotation.random(3, random_state=1).as_matrix(), rng.normal(size=(3, 3)) * 1000.0
    G = world_motions(R, p, 8).reshape(3, 8, 7)
    w, s, growth = rng.normal(size=3) * 1e-7, rng.normal(size=3), 1e-7
    turn = Rotation.from_rotvec(w).as_matrix()
    moved_R, moved_p = R @ turn.T, (1.0 + growth) * p @ turn.T + s
    step = G @ np.concatenate([w, s, [growth]])
    for c in range(3):
        turned = Rotation.from_matrix(moved_R[c] @ R[c].T).as_rotvec()
        np.testing.assert_allclose(step[c, :3], turned, atol=1e-12)
        np.testing.assert_allclose(step[c, 3:6], moved_p[c] - p[c], atol=1e-9)
        assert not step[c, 6:].any()


@pytest.mark.parametrize("seed", range(3))
def test_a_held_world_leaves_what_the_pseudo_inverse_says(seed: int) -> None:
    """Inner constraints (Triggs et al., 2000, section 9.2): with the motions held in the
    parameters' units the covariance is numpy's pseudo-inverse; another choice is one projection
    away, and what does not move with the world keeps its value.
    """
    R, p, J = cameras(seed, 8)
    G = world_motions(R, p, 8)[:, :6]
    S = J.T @ J
    free = Information.of(S, J.T @ np.random.default_rng(seed).normal(size=len(J)))
    held = free.fixed(G)
    assert free.chi_square()[1] == len(S) - 6 and held.chi_square()[1] == len(S)
    assert held.gain() == pytest.approx(free.chi_square()[0], rel=1e-8)
    s = np.sqrt(np.diag(S))
    expected = np.linalg.pinv(S / s / s[:, None], rcond=1e-12, hermitian=True)
    C = held.covariance() * s * s[:, None]
    Q = np.linalg.qr(G * s[:, None])[0]
    np.testing.assert_allclose(C - Q @ Q.T, expected, atol=1e-8 * np.abs(expected).max())
    # In another gauge, by its bordered system.
    E = np.random.default_rng(seed + 10).normal(size=G.shape) * s[:, None]
    bordered = np.block([[S / s / s[:, None], E / s[:, None]], [E.T / s, np.zeros((6, 6))]])
    inverse = linalg.inv(bordered)[: len(S), : len(S)] / s / s[:, None]
    moved = in_gauge(G, E, in_gauge(G, E, held.covariance()).T)
    np.testing.assert_allclose(moved * s * s[:, None], inverse * s * s[:, None], atol=1e-7)
    F = J[:5]  # functions that no motion of the world changes
    np.testing.assert_allclose(F @ moved @ F.T, F @ held.covariance() @ F.T, rtol=1e-6, atol=1e-9)


def test_carried_to_other_places_is_the_change_of_variables() -> None:
    """Source: the dense matrix T of scipy.linalg.block_diag."""
    R, _, J = cameras(5, 7)
    rng = np.random.default_rng(1)
    J, r = np.hstack([J, rng.normal(size=(len(J), 2))]), rng.normal(size=len(J))  # and the wand's
    T = linalg.block_diag(*[b for each in R for b in (np.eye(3), -each, np.eye(1))], np.eye(2))
    found = Information.of(J.T @ J, J.T @ r)
    carried = found.carried(-R, 7)
    np.testing.assert_allclose(carried.matrix, T.T @ found.matrix @ T, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(carried.gradient, T.T @ found.gradient, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(on_places(-R, 7, np.eye(len(T))), T)
    through = found.through(T)
    np.testing.assert_allclose(through.matrix, carried.matrix, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(through.own, carried.own, rtol=1e-12)


def test_an_error_of_the_parameters_adds_to_their_covariance() -> None:
    """Source: the inverse of the sum of covariances; singular information by the general inverse
    (Rao, 1973).
    """
    J, r = rows_of(9)
    found = Information.of(J.T @ J, J.T @ r)
    root = np.random.default_rng(0).normal(size=(9, 4)) / np.linalg.norm(J, axis=0)[:, None]
    blurred = found.blurred(root)
    s = np.linalg.norm(J, axis=0)
    expected = linalg.inv((linalg.inv(J.T @ J) + root @ root.T) * s * s[:, None]) * s * s[:, None]
    np.testing.assert_allclose(
        blurred.matrix / s / s[:, None], expected / s / s[:, None], atol=1e-10
    )
    np.testing.assert_allclose(blurred.estimate() * s, found.estimate() * s, atol=1e-8)
