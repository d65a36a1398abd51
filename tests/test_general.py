"""The bundle on general points (frames without a turn) against SciPy's minimum and the law of the
noise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.core.geometry import rigid_fit
from calib.solve.bundle.descent import BundleOptions, Prior, bundle
from calib.solve.bundle.linearise import linearise, residuals
from calib.solve.bundle.problem import Problem, State, arrange
from tests.small_problems import disturbed, make_problem

TERMS = ("focal", "k1", "k2")
N_CAMERA = 6 + len(TERMS)
NOISE_PX = 0.5


def point_problem(rng: np.random.Generator, n_cameras: int, n_points: int) -> tuple[Problem, State]:
    """Return a problem of single points, each seen by two cameras or more, and the true state."""
    _, rig = make_problem(rng, n_cameras, 2, is_line=True)
    lens = rig.lens.copy()
    lens[:, 1], lens[:, 6:] = lens[:, 0], 0.0
    points = rng.uniform([-1200, -1200, 200], [1200, 1200, 2000], (n_points, 3))
    identity = np.broadcast_to(np.eye(3), (n_points, 3, 3))
    truth = replace(rig, lens=lens, wand_R=identity, wand_t=points, shape_mm=np.zeros((1, 3)))
    seen = rng.random((n_cameras, n_points)) >= 0.3
    seen[:2] |= seen.sum(axis=0) < 2
    cam, point = np.nonzero(seen)
    n = len(cam)
    problem = arrange(
        cam,
        point,
        np.zeros(n, np.intp),
        np.zeros((n, 2)),
        np.full(n, 1 / NOISE_PX),
        np.arange(n),
        shape=(n_cameras, n_points, 1),
        n_rotation=0,
        frame_number=np.arange(n_points),
    )
    uv = -residuals(problem, truth)
    return replace(problem, uv_px=uv + rng.normal(0, NOISE_PX, uv.shape)), truth


def scipy_residuals(x: np.ndarray, problem: Problem, start: State, prior: Prior) -> np.ndarray:
    """The same cost written apart from ours: rotation vectors, points, and the lens in full."""
    cameras, points = np.split(x, [len(start.cam_R) * N_CAMERA])
    cameras, points = cameras.reshape(-1, N_CAMERA), points.reshape(-1, 3)
    seen = cameras[problem.cam]
    in_cam = Rotation.from_rotvec(seen[:, :3]).apply(points[problem.frame]) + seen[:, 3:6]
    plane = in_cam[:, :2] / in_cam[:, 2:]
    r2 = (plane**2).sum(axis=1)
    factor = seen[:, 6] * (1 + seen[:, 7] * r2 + seen[:, 8] * r2**2)
    uv = factor[:, None] * plane + start.lens[problem.cam, 2:4]
    reprojection = (problem.uv_px[:, 0].T - uv) * problem.weight[0][:, None]
    return np.concatenate(
        [reprojection.ravel(), ((cameras[:, 6:] - prior.mean) / prior.sigma).ravel()]
    )


@pytest.mark.parametrize("seed", [0, 1])
def test_same_minimum_as_scipy(seed: int) -> None:
    """Outside check: scipy.optimize.least_squares from the same start, on residuals that share no
    code with ours.
    """
    rng = np.random.default_rng(seed)
    problem, truth = point_problem(rng, 3, 24)
    start = disturbed(truth, rng, 0.5)
    start = replace(start, wand_R=truth.wand_R)
    prior = Prior(start.lens[:, [0, 4, 5]], np.tile([300.0, 0.3, 0.3], (3, 1)))
    cameras = np.hstack(
        [Rotation.from_matrix(start.cam_R).as_rotvec(), start.cam_t, start.lens[:, [0, 4, 5]]]
    )
    x0 = np.concatenate([cameras.ravel(), start.wand_t.ravel()])
    start_cost = 0.5 * (scipy_residuals(x0, problem, start, prior) ** 2).sum()
    offset = (start.lens[:, [0, 4, 5]] - prior.mean) / prior.sigma
    ours_at_start = linearise(problem, start, TERMS, np.inf).cost + 0.5 * (offset**2).sum()
    assert ours_at_start == pytest.approx(start_cost, rel=1e-9)
    ours = bundle(problem, start, BundleOptions(terms=TERMS, prior=prior))
    other = least_squares(
        scipy_residuals,
        x0,
        args=(problem, start, prior),
        jac="3-point",
        x_scale="jac",
        ftol=1e-13,
        xtol=1e-14,
        gtol=1e-12,
        max_nfev=200,
    )
    assert ours.is_converged
    assert ours.cost < 1e-2 * start_cost
    assert ours.cost == pytest.approx(other.cost, rel=1e-8)


def test_cost_follows_chi_square() -> None:
    """Twice the cost is chi-square; seven motions of the world are free: turn, shift and, without a
    wand, size.
    """
    problem, truth = point_problem(np.random.default_rng(2), 6, 300)
    start = disturbed(truth, np.random.default_rng(3), 0.5)
    result = bundle(problem, replace(start, wand_R=truth.wand_R), BundleOptions(terms=TERMS))
    freedom = 2 * problem.n_points - (6 * N_CAMERA - 7) - 3 * 300
    assert result.is_converged
    assert abs(2 * result.cost - freedom) < 4.0 * np.sqrt(2.0 * freedom)


def test_points_come_back_up_to_their_size() -> None:
    problem, truth = point_problem(np.random.default_rng(4), 6, 300)
    start = disturbed(truth, np.random.default_rng(5), 0.5)
    found = bundle(
        problem, replace(start, wand_R=truth.wand_R), BundleOptions(terms=TERMS)
    ).state.wand_t
    c, R, t = rigid_fit(found, truth.wand_t, with_scale=True)
    error = np.linalg.norm(c * found @ R.T + t - truth.wand_t, axis=1)
    # Half a pixel at 4 m and 1,400 px is 1.4 mm a ray and axis; rays of two cameras seldom meet at
    # less than 30°.
    assert np.median(error) < 4.0


def test_a_point_has_three_unknowns_and_no_turn() -> None:
    problem, truth = point_problem(np.random.default_rng(6), 3, 20)
    blocks = linearise(problem, truth, TERMS, np.inf)
    assert blocks.frame.shape == (20, 3, 3)
    start = disturbed(truth, np.random.default_rng(7), 0.2)
    state = bundle(problem, start, BundleOptions(terms=TERMS)).state
    np.testing.assert_array_equal(state.wand_R, start.wand_R)
    assert np.abs(state.wand_t - start.wand_t).min() > 0
