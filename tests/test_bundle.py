"""The bundle against general tools: numerical derivatives, SciPy least squares, OpenCV projection,
dense algebra.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.core.geometry import cross_matrix
from calib.core.parameters import WandCoordinate
from calib.core.wand import CertifiedLength
from calib.solve.bundle import linearise as linearisation
from calib.solve.bundle.descent import (
    BundleOptions,
    Prior,
    bundle,
    costs,
    normal_equations,
    without_frames,
)
from calib.solve.bundle.elimination import (
    cameras_alone,
    frame_steps,
    inverse_factors,
    reduced_gradient,
    reduced_system,
)
from calib.solve.bundle.frames import fit_frames, place_wands
from calib.solve.bundle.linearise import (
    frame_costs,
    frame_leverage,
    linearise,
    residuals,
    weighted_rows,
)
from calib.solve.bundle.problem import Problem, State, arrange
from calib.solve.bundle.shape import ShapePrior
from calib.solve.certainty.covariance import joint_covariance
from tests.small_problems import disturbed, make_problem

ALL_TERMS = ("focal", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
COMMON = ("focal", "cx", "cy", "k1", "k2")


@pytest.mark.parametrize("is_line", [True, False])
@pytest.mark.parametrize("seed", [0, 1])
def test_jacobian_matches_central_differences(is_line: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    problem, state = make_problem(rng, 3, 5, is_line=is_line)
    state = disturbed(state, rng)
    d = problem.n_rotation + 3
    # Steps for which the truncation (h²) and rounding (eps / h) of a central difference are both
    # below 1e-7.
    size = (
        [1e-5] * problem.n_rotation
        + [1e-2] * 3
        + [1e-5] * 3
        + [1e-2] * 3
        + [1e-2, 1e-5, 1e-2, 1e-2]
        + [1e-5] * 8
    )
    J = weighted_rows(problem, state, ALL_TERMS, np.ones_like(problem.weight))
    np.testing.assert_allclose(
        -np.moveaxis(J[..., -1], (2, 1), (0, 1)), residuals(problem, state), rtol=1e-12, atol=1e-9
    )
    for k, h in enumerate(size):

        def predicted(step: float, k: int = k) -> np.ndarray:
            camera, frame = np.zeros((3, 18)), np.zeros((5, d))
            (frame if k < d else camera)[:, k if k < d else k - d] = step
            return problem.uv_px - residuals(problem, state.moved(camera, frame, ALL_TERMS))

        numeric = (predicted(h) - predicted(-h)) / (2 * h)
        analytic = np.moveaxis(J[..., k], (2, 1), (0, 1))
        assert np.abs(numeric - analytic).max() <= 1e-6 * np.abs(analytic).max()


def cv2_residuals(x: np.ndarray, problem: Problem, start: State, prior: Prior) -> np.ndarray:
    """The same cost in another parametrisation, through OpenCV: rotation vectors, one row a
    coordinate.
    """
    n_cameras, n_frames = len(start.cam_R), len(start.wand_R)
    cameras, frames = x[: 11 * n_cameras].reshape(-1, 11), x[11 * n_cameras :].reshape(n_frames, -1)
    rows = []
    for p in range(len(problem.cam)):
        c, f = problem.cam[p], problem.frame[p]
        turn = frames[f, 3:] if problem.n_rotation == 3 else np.array([0.0, *frames[f, 3:]])
        wand_R = start.wand_R[f] @ Rotation.from_rotvec(turn).as_matrix()
        world = start.shape_mm @ wand_R.T + frames[f, :3]
        focal, cx, cy, k1, k2 = cameras[c, 6:]
        K = np.array(
            [[focal, 0, cx], [0, focal * start.lens[c, 1] / start.lens[c, 0], cy], [0, 0, 1]]
        )
        dist = start.lens[c, 4:].copy()
        dist[:2] = k1, k2
        uv, _ = cv2.projectPoints(world, cameras[c, :3], cameras[c, 3:6], K, dist)
        rows.append(((problem.uv_px[:, :, p] - uv[:, 0].T) * problem.weight[:, p]).ravel())
    rows.append(((cameras[:, 6:] - prior.mean) / prior.sigma).ravel())
    return np.concatenate(rows)


@pytest.mark.parametrize(("is_line", "seed"), [(True, 2), (False, 3)])
def test_same_minimum_as_scipy(is_line: bool, seed: int) -> None:
    """Outside check: scipy.optimize.least_squares on residuals that cv2.projectPoints computes."""
    rng = np.random.default_rng(seed)
    problem, truth = make_problem(rng, 3, 10, is_line=is_line)
    lens = truth.lens.copy()
    lens[:, 10:] = 0.0
    start = disturbed(replace(truth, lens=lens), rng, 0.3)
    prior = Prior(start.lens[:, [0, 2, 3, 4, 5]], np.tile([200.0, 60, 60, 0.3, 0.3], (3, 1)))
    ours = bundle(problem, start, BundleOptions(terms=COMMON, prior=prior))
    n_rotation = problem.n_rotation
    x0 = np.concatenate(
        [
            np.concatenate(
                [
                    Rotation.from_matrix(start.cam_R).as_rotvec(),
                    start.cam_t,
                    start.lens[:, [0, 2, 3, 4, 5]],
                ],
                axis=1,
            ).ravel(),
            np.concatenate([start.wand_t, np.zeros((10, n_rotation))], axis=1).ravel(),
        ]
    )
    start_cost = 0.5 * (cv2_residuals(x0, problem, start, prior) ** 2).sum()
    assert linearise(problem, start, COMMON, np.inf).cost == pytest.approx(start_cost, rel=1e-9)
    other = least_squares(
        cv2_residuals,
        x0,
        args=(problem, start, prior),
        jac="3-point",
        x_scale="jac",
        ftol=1e-14,
        xtol=1e-14,
        gtol=1e-12,
        max_nfev=60,
    )
    assert ours.is_converged
    assert ours.cost == pytest.approx(other.cost, rel=1e-8)


@pytest.mark.parametrize(
    ("is_line", "n_axes"), [(True, 0), (True, 1), (False, 0), (False, 1), (False, 3)]
)
@pytest.mark.parametrize("n_kept", [0, linearisation.KEPT])
def test_elimination_equals_dense_normal_equations(
    monkeypatch: pytest.MonkeyPatch, is_line: bool, n_axes: int, n_kept: int
) -> None:
    monkeypatch.setattr(linearisation, "KEPT", n_kept)
    rng = np.random.default_rng(5)
    problem, state = make_problem(rng, 3, 6, is_line=is_line)
    state = disturbed(state, rng, 0.1)
    n, d, n_markers = 11, problem.n_rotation + 3, len(state.shape_mm)
    s = n_axes * n_markers
    J, r = dense_jacobian(problem, state, n_axes)
    H, g = J.T @ J, -J.T @ r
    H += np.diag(1e-3 * np.diag(H))  # damped as a step is, which makes the system definite
    blocks = linearise(problem, state, COMMON, np.inf, n_axes)
    assert blocks.cost == pytest.approx(0.5 * r @ r, rel=1e-12)
    n_cam = 3 * n + s
    frame = np.stack([H[n_cam + f * d :, n_cam + f * d :][:d, :d] for f in range(6)])
    camera = np.stack([H[c * n : (c + 1) * n, c * n : (c + 1) * n] for c in range(3)])
    damped = replace(blocks, camera=camera, shape=H[3 * n : n_cam, 3 * n : n_cam])
    factors = inverse_factors(frame)
    S, reduced = reduced_system(problem, damped, factors)
    A, B, D = H[:n_cam, :n_cam], H[:n_cam, n_cam:], H[n_cam:, n_cam:]
    np.testing.assert_allclose(
        S, A - B @ np.linalg.solve(D, B.T), rtol=1e-8, atol=1e-9 * np.abs(A).max()
    )
    np.testing.assert_allclose(
        reduced_gradient(problem, damped, factors), reduced, rtol=1e-9, atol=1e-9 * np.abs(g).max()
    )
    step = np.linalg.solve(H, -g)
    scale = np.sqrt(np.diag(H))
    own = np.linalg.solve(S, -reduced)
    np.testing.assert_allclose(
        scale[:n_cam] * own, (scale * step)[:n_cam], atol=1e-6 * np.abs(scale * step).max()
    )
    found = frame_steps(problem, blocks, factors, step[: 3 * n].reshape(3, n), step[3 * n : n_cam])
    np.testing.assert_allclose(
        found.ravel(), step[n_cam:], rtol=1e-6, atol=1e-9 * np.abs(step).max()
    )


def dense_jacobian(problem: Problem, state: State, n_axes: int) -> tuple[np.ndarray, np.ndarray]:
    """The whole weighted Jacobian of the predictions by central differences, and the residuals."""
    sizes = (3 * 11, n_axes * len(state.shape_mm), 6 * (problem.n_rotation + 3))
    weight = np.stack([problem.weight] * 2)

    def at(x: np.ndarray) -> np.ndarray:
        camera, shape, frame = np.split(x, np.cumsum(sizes)[:-1])
        moved = state.moved(camera.reshape(3, -1), frame.reshape(6, -1), COMMON, shape)
        return (residuals(problem, moved) * weight).ravel()

    steps = [[1e-5] * 3 + [1e-2] * 3 + [1e-2, 1e-2, 1e-2, 1e-5, 1e-5]] * 3
    steps += [[1e-2] * sizes[1]] + [[1e-5] * problem.n_rotation + [1e-2] * 3] * 6
    h = np.concatenate([np.asarray(v) for v in steps])
    J = np.stack([(at(-row) - at(row)) / (2 * h[k]) for k, row in enumerate(np.diag(h))], axis=1)
    return J, at(np.zeros(len(h)))


def test_each_camera_alone_is_a_block_of_the_reduced_matrix_without_its_prior() -> None:
    problem, state = make_problem(np.random.default_rng(3), 4, 60, is_line=True)
    terms = ("focal", "cx", "cy", "k1")
    shape = (problem.n_cameras, len(terms))
    prior = Prior(np.zeros(shape), np.full(shape, 0.5))
    options = BundleOptions(terms=terms)
    blocks, _ = normal_equations(problem, state, replace(options, prior=prior))
    factors = inverse_factors(blocks.frame)
    S = without_frames(problem, normal_equations(problem, state, options)[0]).matrix
    n = 6 + len(terms)
    own = [S[k : k + n, k : k + n] for k in range(0, len(S), n)]
    for reduced in (None, without_frames(problem, blocks).matrix):
        alone = cameras_alone(problem, blocks, factors, reduced)
        np.testing.assert_allclose(alone, own, atol=1e-9 * np.abs(S).max())


def test_a_lines_turn_about_itself_is_no_unknown() -> None:
    rng = np.random.default_rng(6)
    problem, state = make_problem(rng, 4, 8, is_line=True)
    blocks = linearise(problem, state, COMMON, np.inf)
    assert blocks.frame.shape == (8, 5, 5)
    eigenvalues = np.linalg.eigvalsh(blocks.frame)
    scaled = eigenvalues[:, 0] / eigenvalues[:, -1]
    assert (
        scaled > 1e-9
    ).all()  # turns are in radian and shifts in mm: 200 mm of arm square to 4e4


def test_inverse_factors_against_numpy() -> None:
    rng = np.random.default_rng(7)
    A = rng.normal(size=(50, 6, 9))
    blocks = A @ np.swapaxes(A, 1, 2)
    expected = np.linalg.inv(np.linalg.cholesky(blocks))
    np.testing.assert_allclose(inverse_factors(blocks), expected, rtol=1e-6, atol=1e-9)
    blocks[0, 2], blocks[0, :, 2] = 0.0, 0.0  # a direction that nothing determines gets no step
    assert not inverse_factors(blocks)[0, 2].any()


@pytest.mark.parametrize("near_mm", [0.0, 1e-4, 1.0, 20.0])
def test_a_frame_of_one_marker_tells_where_that_is_and_nothing_more(near_mm: float) -> None:
    """Rank by hand: a point's three shifts, whatever turns it. Rounding was taken for more where a
    marker lies on an axis of the wand or near it, as in a plane: 400 such frames of 2,000 made a
    sound capture one that leaves its cameras open.
    """
    rng = np.random.default_rng(17)
    arm = np.array([near_mm, 400.0, 0.0])
    blocks = []
    for turn in Rotation.random(500, random_state=3).as_matrix():
        views = rng.normal(size=(4, 3)) @ np.diag([1.0, 1.0, 0.3])  # two cameras, two rows each
        # Products summed in a camera's axes and turned to the wand's, as the kernel does.
        own = views.T @ views
        of_turns = -np.array(cross_matrix(turn @ arm))
        twist = np.block([[of_turns.T @ own @ of_turns, of_turns.T @ own], [own @ of_turns, own]])
        R = np.kron(np.eye(2), turn)
        blocks.append(R.T @ twist @ R)
    rank = np.array([np.count_nonzero(np.diag(L)) for L in inverse_factors(np.array(blocks))])
    assert (rank == 3).all()


def test_chunks_do_not_change_the_result() -> None:
    rng = np.random.default_rng(8)
    problem, truth = make_problem(rng, 5, 60, is_line=True)
    start = disturbed(truth, rng)
    marker, pair = np.nonzero(problem.row >= 0)
    others = []
    for n_frames in (7, 20, 60):
        again = arrange(
            problem.cam[pair],
            problem.frame[pair],
            marker,
            problem.uv_px[:, marker, pair].T,
            problem.weight[marker, pair],
            problem.row[marker, pair],
            shape=(5, 60, 3),
            n_rotation=2,
            frame_number=problem.frame_number,
        ).in_chunks(n_frames)
        others.append((len(again.chunks), bundle(again, start, BundleOptions(terms=COMMON)).cost))
    counts, costs = zip(*others, strict=True)
    assert counts[0] > counts[1] > counts[2] == 1
    assert np.ptp(costs) <= 1e-9 * costs[0]


def test_shape_is_found_with_a_certified_length() -> None:
    """A marker that is 1 mm off its coordinate comes back to its own sigma; the certified length
    keeps the scale.
    """
    rng = np.random.default_rng(14)
    problem, truth = make_problem(rng, 5, 150, is_line=True, noise_px=0.1)
    stated = truth.shape_mm + np.array([[0.0, 0, 0], [1.0, 0, 0], [0, 0, 0]])
    length = float(truth.shape_mm[2, 0] - truth.shape_mm[0, 0])
    prior = ShapePrior(stated, np.full(3, 5.0), (CertifiedLength(0, 2, length, 0.01),), 1)
    options = BundleOptions(terms=COMMON, shape=prior)
    result = bundle(problem, replace(truth, shape_mm=stated), options)
    shape = result.state.shape_mm
    assert not shape[:, 1:].any()
    covariance = joint_covariance(problem, result, options, tuple("abcde"), ("p", "q", "r"))
    at = [covariance.row[WandCoordinate(m, "x")] for m in "pqr"]
    C = covariance.matrix[np.ix_(at, at)]
    for i, j in ((0, 1), (1, 2), (0, 2)):  # lengths, as the wand may slide along itself
        sigma = np.sqrt(C[i, i] + C[j, j] - 2 * C[i, j])
        assert sigma < 0.05
        assert abs((shape[j] - shape[i] - truth.shape_mm[j] + truth.shape_mm[i])[0]) < 4 * sigma


def test_held_parameters_stay_to_the_bit() -> None:
    rng = np.random.default_rng(9)
    problem, truth = make_problem(rng, 4, 40, is_line=True)
    start = disturbed(truth, rng)
    is_free = np.ones((4, 11), bool)
    is_free[0], is_free[1, 6:], is_free[2, :6] = False, False, False
    state = bundle(problem, start, BundleOptions(terms=COMMON, is_free=is_free)).state
    np.testing.assert_array_equal(state.lens[:2], start.lens[:2])
    for c in (0, 2):
        np.testing.assert_array_equal(state.cam_R[c], start.cam_R[c])
        np.testing.assert_array_equal(state.cam_t[c], start.cam_t[c])
    assert np.abs(state.cam_t[[1, 3]] - start.cam_t[[1, 3]]).min() > 0


@pytest.mark.parametrize("is_line", [True, False])
def test_cost_follows_chi_square(is_line: bool) -> None:
    """Twice the cost at the minimum is chi-square with (observations - unknowns) degrees of
    freedom.
    """
    rng = np.random.default_rng(10)
    problem, truth = make_problem(rng, 6, 120, is_line=is_line)
    result = bundle(problem, disturbed(truth, rng), BundleOptions(terms=COMMON))
    n_unknown = 6 * 11 - 6 + 120 * (problem.n_rotation + 3)
    freedom = 2 * problem.n_points - n_unknown
    assert abs(2 * result.cost - freedom) < 4.0 * np.sqrt(2.0 * freedom)


def test_frames_alone_reach_the_bundles_minimum() -> None:
    rng = np.random.default_rng(11)
    problem, truth = make_problem(rng, 5, 50, is_line=True)
    placed, has_pose = place_wands(problem, truth)
    assert has_pose.all()
    fitted = fit_frames(problem, placed)
    held = BundleOptions(terms=(), is_free=np.zeros((5, 6), bool))
    reference = bundle(problem, truth, held)
    np.testing.assert_allclose(
        linearise(problem, fitted, (), np.inf).cost, reference.cost, rtol=1e-7
    )
    np.testing.assert_array_equal(fitted.cam_R, truth.cam_R)


@pytest.mark.parametrize("is_line", [True, False])
def test_a_wand_of_which_two_cameras_see_one_marker_alone_is_where_it_was(is_line: bool) -> None:
    """By what one of them sees besides: as near to the points as a descent from the truth ends."""
    rng = np.random.default_rng(12)
    problem, truth = make_problem(rng, 2, 300, is_line=is_line)
    weight = problem.weight.copy()
    weight[1:, problem.cam == 1] = 0.0
    n_views = problem.n_views(weight > 0)
    whole = (n_views[0] == 2) & (n_views[1:] == 1).all(axis=0)
    problem, _ = problem.with_weight(weight).of_frames(np.flatnonzero(whole))
    truth = truth.of_frames(whole)
    fitted = fit_frames(problem, place_wands(problem, truth)[0])
    found, best = (frame_costs(problem, s, np.inf) for s in (fitted, fit_frames(problem, truth)))
    assert len(best) > 50 and (found > best + 1e-3).mean() < 0.02


def test_leverage_of_a_frame_is_its_number_of_unknowns() -> None:
    rng = np.random.default_rng(12)
    problem, state = make_problem(rng, 5, 30, is_line=False)
    factors = inverse_factors(linearise(problem, state, (), np.inf).frame)
    total = np.bincount(problem.frame, frame_leverage(problem, state, factors))
    np.testing.assert_allclose(total, 6.0, rtol=1e-8)


@pytest.mark.parametrize("loss_scale", [np.inf, 2.0])
def test_costs_of_a_trial_are_those_of_its_normal_equations(loss_scale: float) -> None:
    rng = np.random.default_rng(16)
    problem, state = make_problem(rng, 4, 9, is_line=True)
    state = disturbed(state, rng, 0.1)
    prior = Prior(np.full((4, 5), 3.0), np.full((4, 5), 2.0))
    options = BundleOptions(terms=COMMON, prior=prior, loss_scale=loss_scale)
    blocks, cost = normal_equations(problem, state, options)
    of_frames, in_all = costs(problem, state, options)
    np.testing.assert_allclose(of_frames, blocks.frame_cost, rtol=1e-12)
    assert in_all == pytest.approx(cost, rel=1e-12)


def test_residuals_are_observed_minus_predicted() -> None:
    rng = np.random.default_rng(13)
    problem, state = make_problem(rng, 3, 4, is_line=False)
    shifted = replace(problem, uv_px=problem.uv_px + np.array([1.0, -2.0])[:, None, None])
    change = residuals(shifted, state) - residuals(problem, state)
    np.testing.assert_allclose(change[0], 1.0, atol=1e-9)
    np.testing.assert_allclose(change[1], -2.0, atol=1e-9)


def test_a_product_in_single_precision_leads_to_the_same_minimum(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(15)
    problem, truth = make_problem(rng, 5, 80, is_line=True)
    start = disturbed(truth, rng)
    exact = bundle(problem, start, BundleOptions(terms=COMMON))
    kinds: list[bool] = []

    def watched(*args: Any, is_rough: bool = False) -> tuple[np.ndarray, np.ndarray]:
        kinds.append(is_rough)
        return reduced_system(*args, is_rough=is_rough)

    monkeypatch.setattr("calib.solve.bundle.descent.ROUGH_SIZE", 1)
    monkeypatch.setattr("calib.solve.bundle.step.reduced_system", watched)
    rough = bundle(problem, start, BundleOptions(terms=COMMON))
    assert any(kinds) and rough.is_converged
    assert rough.cost == pytest.approx(exact.cost, rel=1e-9)


def test_a_descent_that_goes_as_foreseen_forms_its_matrix_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(16)
    problem, truth = make_problem(rng, 5, 80, is_line=True)
    exact = bundle(problem, truth, BundleOptions(terms=COMMON))
    start = disturbed(exact.state, rng, 0.02)
    options = BundleOptions(terms=COMMON, damping=1e-7, enough=1e-4)
    formed: list[int] = []

    def watched(*args: Any, **kinds: Any) -> tuple[np.ndarray, np.ndarray]:
        formed.append(1)
        return reduced_system(*args, **kinds)

    monkeypatch.setattr("calib.solve.bundle.step.reduced_system", watched)
    monkeypatch.setattr("calib.solve.bundle.descent.MANY", 80)
    near = bundle(problem, start, options)
    assert near.is_converged and near.n_iterations > 2 and len(formed) == 1
    assert near.cost - exact.cost < options.enough


def test_a_descent_of_nearly_the_same_weights_takes_the_matrix_of_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(17)
    problem, truth = make_problem(rng, 5, 400, is_line=True)
    options = BundleOptions(terms=COMMON, damping=1e-7, enough=1e-4)
    monkeypatch.setattr("calib.solve.bundle.descent.MANY", 400)
    first = bundle(problem, truth, options)
    changed = problem.with_weight(problem.weight * np.where(problem.frame < 4, 0.9, 1.0))
    anew = bundle(changed, first.state, replace(options, enough=1e-9, tolerance=1e-12))
    monkeypatch.setattr("calib.solve.bundle.descent.damped_step", None)
    near = bundle(changed, first.state, options, near=first.near)
    assert near.is_converged and near.cost - anew.cost < options.enough


@pytest.mark.parametrize(("seed", "n_cameras", "most"), [(0, 2, 40), (2, 3, 12)])
def test_frames_that_overshoot_hold_no_camera_back(seed: int, n_cameras: int, most: int) -> None:
    """From wands at rest before cameras that are off, as after a change of what counts: with the
    cameras' step refused for them it took 60 (and no end) and 20.
    """
    rng = np.random.default_rng(seed)
    problem, truth = make_problem(rng, n_cameras, 80, is_line=True, drop=0.3)
    off = disturbed(truth, rng, 0.2)
    start = fit_frames(problem, replace(off, wand_R=truth.wand_R, wand_t=truth.wand_t))
    result = bundle(problem, start, BundleOptions(terms=COMMON, damping=1e-7))
    assert result.is_converged and result.n_iterations <= most
