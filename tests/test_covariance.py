"""The covariance against dense algebra and against the spread of repeated experiments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calib.core.geometry import cross_matrix, vector_from_rotation
from calib.core.parameters import POSE, POSITION, term_values
from calib.errors import UnsolvableError
from calib.solve.bundle.descent import BundleOptions, BundleResult, bundle
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.covariance import joint_covariance
from calib.solve.certainty.determined import require_rank
from calib.solve.certainty.normal import SINGULAR, Information
from tests.small_problems import make_problem

TERMS = ("focal", "cx", "cy")
NAMES = ("a", "b", "c", "d")


def metric_of(problem: Problem, state: State) -> np.ndarray:
    position = -(state.cam_t[:, None, :] @ state.cam_R)[:, 0]
    away = np.median(np.linalg.norm(position[problem.cam] - state.wand_t[problem.frame], axis=1))
    return np.tile([away**2] * 3 + [1.0] * 3 + [0.0] * 3, 4)


def gauge_of(state: State) -> np.ndarray:
    """Turns and shifts of the world as changes of (turn of cam_from_world, position, lens), camera
    by camera.
    """
    rows = []
    for R, t in zip(state.cam_R, state.cam_t, strict=True):
        position = -R.T @ t
        rows.append(
            np.block(
                [[-R, np.zeros((3, 3))], [-cross_matrix(position), np.eye(3)], [np.zeros((3, 6))]]
            )
        )
    return np.concatenate(rows)


def difference(state: State, truth: State) -> np.ndarray:
    """State minus truth (C 9,): turn of cam_from_world on its left, position, focal, cx, cy."""
    turn = vector_from_rotation(state.cam_R @ np.swapaxes(truth.cam_R, 1, 2))
    position = [-(s.cam_t[:, None, :] @ s.cam_R)[:, 0] for s in (state, truth)]
    lens = [np.stack([term_values(s.lens, n) for n in TERMS], axis=1) for s in (state, truth)]
    return np.concatenate([turn, position[0] - position[1], lens[0] - lens[1]], axis=1).ravel()


def solved(problem: Problem, truth: State) -> BundleResult:
    return bundle(problem, truth, BundleOptions(terms=TERMS))


def test_gauge_of_least_trace() -> None:
    problem, truth = make_problem(np.random.default_rng(0), 4, 40, is_line=True)
    result = solved(problem, truth)
    C = joint_covariance(problem, result, BundleOptions(terms=TERMS), NAMES).matrix
    metric, G = metric_of(problem, result.state), gauge_of(result.state)
    # The six conditions: no part along the motions of the world, in the metric.
    scale = np.sqrt(np.maximum(metric, 1e-30))
    assert (
        np.abs((metric[:, None] * G).T @ C).max()
        < 1e-6 * np.abs(scale[:, None] * G).max() * np.abs(C).max()
    )
    trace = (metric * np.diag(C)).sum()
    rng = np.random.default_rng(1)
    for _ in range(20):  # any other gauge has a larger trace
        T = np.eye(len(C)) - G @ (rng.normal(0, 1e-4, (6, len(C))) * scale.clip(1e-3))
        assert (metric * np.diag(T @ C @ T.T)).sum() >= trace * (1 - 1e-9)
    assert np.linalg.matrix_rank(C * np.outer(scale + 1e-2, scale + 1e-2), tol=1e-9) <= len(C) - 6


def test_a_loose_camera_does_not_hold_the_world() -> None:
    """The conditions of least trace are of the cameras that are tied well, a datum of some points
    (source: Baarda, S-transformations and criterion matrices, 1973, from memory): however loose
    another is, these are as sure of each other as they were.
    """
    problem, truth = make_problem(np.random.default_rng(0), 4, 40, is_line=True)
    sigma = []
    for share in (0.02, 0.004):
        weight = np.where(problem.cam == 3, share, 1.0) * problem.weight
        loose = problem.with_weight(weight)
        result = solved(loose, truth)
        C = joint_covariance(loose, result, BundleOptions(terms=TERMS), NAMES).matrix
        held = np.where(np.arange(36) < 27, metric_of(loose, result.state), 0.0)
        E, unit = held[:, None] * gauge_of(result.state), np.sqrt(np.diag(C))
        assert np.abs(E.T @ C).max() < 1e-6 * (np.abs(E).T @ np.outer(unit, unit)).max()
        sigma.append(unit.reshape(4, 9)[:, :6])
    assert sigma[1][:3] == pytest.approx(sigma[0][:3], rel=0.01)
    assert (sigma[1][3] > 4 * sigma[0][3]).all()


@pytest.mark.parametrize(("is_line", "seed"), [(True, 0), (False, 1)])
def test_errors_follow_the_covariance(is_line: bool, seed: int) -> None:
    """Normalised errors squared over repeated noise follow chi-square with 36 - 6 degrees of
    freedom.
    """
    rng = np.random.default_rng(seed)
    problem, truth = make_problem(rng, 4, 60, is_line=is_line, noise_px=0.2)
    clean = problem.uv_px - residuals(problem, truth)
    values, n_runs = [], 40
    for _ in range(n_runs):
        noisy = replace(problem, uv_px=clean + rng.normal(0, 0.2, clean.shape))
        result = solved(noisy, truth)
        C = joint_covariance(noisy, result, BundleOptions(terms=TERMS), NAMES).matrix
        error = difference(result.state, truth)
        G, metric = gauge_of(truth), metric_of(noisy, truth)
        E = metric[:, None] * G
        error = error - G @ np.linalg.solve(E.T @ G, E.T @ error)
        scale = 1 / np.sqrt(np.diag(C))
        eigenvalues, vectors = np.linalg.eigh(C * scale[:, None] * scale)
        keep = slice(6, None)
        values.append(((vectors.T @ (scale * error))[keep] ** 2 / eigenvalues[keep]).sum())
    low, high = stats.chi2.interval(0.9999, 30 * n_runs)
    assert low < sum(values) < high
    assert stats.kstest(values, stats.chi2(30).cdf).pvalue > 1e-4


def test_held_cameras_have_no_row() -> None:
    problem, truth = make_problem(np.random.default_rng(3), 4, 40, is_line=True)
    is_free = np.ones((4, 9), bool)
    is_free[0], is_free[1, 6:] = False, False
    options = BundleOptions(terms=TERMS, is_free=is_free)
    covariance = joint_covariance(problem, bundle(problem, truth, options), options, NAMES)
    kinds = {name: [p.kind for p in covariance.parameters if p.camera == name] for name in "ab"}
    assert kinds == {"a": [], "b": list(POSE)}
    assert np.isnan(covariance.sigma("a", POSITION)).all()
    assert (covariance.sigma("d", POSITION) > 0).all()


@pytest.mark.parametrize("least", [1e-3, 3e-11, 1e-12, -1e-3])
def test_only_a_singular_matrix_is_refused(least: float) -> None:
    """Whether by the inverse's size or by eigenvalues: what counts is the least one (source:
    numpy.linalg.eigh).
    """
    rng = np.random.default_rng(4)
    n = 4 * 9
    Q = np.linalg.qr(rng.normal(size=(n, n)))[0]
    values = np.append(rng.uniform(0.5, 1.0, n - 1), least)
    A = (Q * values) @ Q.T
    A = 0.5 * (A + A.T)
    found = Information(A, np.zeros(n), np.ones(n))
    if least > SINGULAR:
        # Source: Higham, Accuracy and stability of numerical algorithms, 2002, section 14.1:
        # condition times rounding.
        expected = (Q / values) @ Q.T
        assert np.abs(found.covariance() - expected).max() < 1e-13 / least * np.abs(expected).max()
    parameters = [f"{kind}_{axis}" for kind in ("rotation", "position") for axis in "xyz"] + list(
        TERMS
    )
    rest = (np.arange(n), NAMES, parameters, np.full(4, 1000.0), 3000.0)
    is_singular = np.linalg.eigvalsh(A)[0] <= SINGULAR
    assert is_singular == (least < SINGULAR)
    if is_singular:
        with pytest.raises(UnsolvableError):
            require_rank(found, *rest)
    else:
        require_rank(found, *rest)
