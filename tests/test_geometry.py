"""Rotations, poses, rigid fits and triangulation, against SciPy, OpenCV and a published example."""

import cv2
import numpy as np
import pytest
from scipy import linalg
from scipy.spatial.transform import Rotation

from calib.core.geometry import (
    Pose,
    angle_between_deg,
    cross_matrix,
    factor_in_place,
    frozen,
    ray_depths,
    rigid_fit,
    rotation_from_vector,
    solve_in_place,
    vector_from_rotation,
)
from calib.errors import InputError
from scripts.benchmarks.truth import triangulate


def random_rotations(rng, n):
    return Rotation.from_quat(rng.normal(size=(n, 4)))


def random_pose(rng):
    return Pose(random_rotations(rng, 1)[0].as_matrix(), rng.normal(0, 3000, 3))


# ---- rotations; source: scipy.spatial.transform.Rotation unless said otherwise


def test_rotations_of_any_batch_shape_are_scipys():
    rng = np.random.default_rng(1)
    vector = rng.normal(0, 1.2, (4, 5, 3))
    R = rotation_from_vector(vector)
    assert R.shape == (4, 5, 3, 3)
    assert (
        np.abs(R - Rotation.from_rotvec(vector.reshape(-1, 3)).as_matrix().reshape(R.shape)).max()
        < 1e-15
    )
    assert rotation_from_vector(vector[0, 0]).shape == (3, 3)
    assert np.abs(rotation_from_vector(vector[0, 0]) - R[0, 0]).max() < 1e-15


def test_a_rotation_is_the_exponential_of_its_cross_matrix():
    # Source: the power series of the matrix exponential, which needs no formula for rotations.
    rng = np.random.default_rng(2)
    for vector in rng.normal(0, 1, (20, 3)):
        term, total = np.eye(3), np.eye(3)
        for k in range(1, 60):
            term = term @ cross_matrix(vector) / k
            total = total + term
        assert np.abs(rotation_from_vector(vector) - total).max() < 1e-13


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-6, 0.5, 3.0, np.pi - 1e-7, np.pi])
def test_vectors_come_back_from_rotations(angle):
    axis = np.array([0.36, -0.48, 0.8])
    R = rotation_from_vector(angle * axis)
    back = vector_from_rotation(R)
    assert np.linalg.norm(back) <= np.pi + 1e-12
    assert np.abs(rotation_from_vector(back) - R).max() < 1e-14
    if angle < np.pi:
        assert np.abs(back - angle * axis).max() < 1e-8 * max(angle, 1e-3)


@pytest.mark.parametrize("angle_deg", [0.0, 1e-7, 0.01, 30.0, 90.0, 179.9999, 180.0])
def test_angle_between_is_the_angle_turned(angle_deg):
    # Source: scipy's Rotation.magnitude. arccos of the trace would lose everything below 1e-6
    # degree.
    rng = np.random.default_rng(3)
    a = random_rotations(rng, 7)
    axis = rng.normal(size=(7, 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    b = a * Rotation.from_rotvec(np.radians(angle_deg) * axis)
    found = angle_between_deg(a.as_matrix(), b.as_matrix())
    assert found.shape == (7,)
    assert np.abs(found - angle_deg).max() < 1e-12 + 1e-13 * angle_deg
    assert np.abs(found - np.degrees((a.inv() * b).magnitude())).max() < 1e-6
    assert np.abs(angle_between_deg(b.as_matrix(), a.as_matrix()) - found).max() < 1e-6


def test_cross_matrix_is_numpys_cross():
    v, x = np.random.default_rng(4).normal(size=(2, 6, 3))
    assert np.abs((cross_matrix(v) @ x[..., None])[..., 0] - np.cross(v, x)).max() < 1e-15


def test_frozen_copies_and_locks():
    given = np.arange(4.0)
    kept = frozen(given)
    given[0] = 9.0
    assert kept[0] == 0.0
    with pytest.raises(ValueError):
        kept[0] = 1.0


# ---- poses


def test_adjacent_frames_cancel():
    rng = np.random.default_rng(5)
    a_from_b, b_from_c, points_c = (
        random_pose(rng),
        random_pose(rng),
        rng.normal(0, 1000, (4, 6, 3)),
    )
    a_from_c = a_from_b @ b_from_c
    assert np.abs(a_from_c.apply(points_c) - a_from_b.apply(b_from_c.apply(points_c))).max() < 1e-9
    assert np.abs(a_from_b.inverse().apply(a_from_b.apply(points_c)) - points_c).max() < 1e-9
    # The same with 4 x 4 matrices and numpy's own inverse.
    T = [
        np.block([[p.R, p.t_mm[:, None]], [np.zeros((1, 3)), np.ones((1, 1))]])
        for p in (a_from_b, b_from_c)
    ]
    assert np.abs((T[0] @ T[1])[:3, 3] - a_from_c.t_mm).max() < 1e-9
    assert (
        np.abs(np.linalg.inv(T[0])[:3] - np.c_[a_from_b.inverse().R, a_from_b.inverse().t_mm]).max()
        < 1e-9
    )


def test_origin_is_the_cameras_position():
    pose = random_pose(np.random.default_rng(6))
    assert np.abs(pose.apply(pose.origin_mm)).max() < 1e-9
    quarter_turn = Pose(np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]]), np.array([10.0, 20, 30]))
    assert quarter_turn.origin_mm.tolist() == [20.0, -10.0, -30.0]  # by hand


@pytest.mark.parametrize(
    "R, t",
    [
        (np.diag([1.0, 1.0, -1.0]), np.zeros(3)),  # a reflection
        (1.001 * np.eye(3), np.zeros(3)),  # a scale
        (np.array([[1, 1e-3, 0], [0, 1, 0], [0, 0, 1]]), np.zeros(3)),  # a shear
        (np.full((3, 3), np.nan), np.zeros(3)),
        (np.eye(3), np.array([0.0, np.inf, 0.0])),
        (np.eye(3)[:2], np.zeros(3)),
        (np.eye(3), np.zeros((3, 1))),
    ],
)
def test_what_is_no_rigid_motion_is_refused(R, t):
    with pytest.raises(InputError, match=r"pose: expected .*(rotation R|\(3,\)), found "):
        Pose(R, t)


def test_a_rotation_of_six_digits_is_taken_to_the_nearest_one():
    R = random_rotations(np.random.default_rng(7), 1)[0].as_matrix()
    pose = Pose(R.round(6), np.zeros(3))
    assert np.abs(pose.R @ pose.R.T - np.eye(3)).max() < 1e-14
    # Rounding moves each element by 5e-7 at most, the whole matrix by three times that; the nearest
    # is no farther.
    assert np.linalg.norm(pose.R - R.round(6)) <= 1.5e-6
    assert (Pose(R, np.zeros(3)).R == R).all()  # one that needs nothing stays as it is, to the bit


def test_poses_hold_their_own_read_only_arrays():
    R, t = np.eye(3), np.ones(3)
    pose = Pose(R, t)
    R[0, 0], t[0] = 5.0, 5.0
    assert pose.R[0, 0] == 1.0 and pose.t_mm[0] == 1.0
    for array in (pose.R, pose.t_mm):
        with pytest.raises(ValueError):
            array[0] = 0.0


# ---- the rigid fit


def test_umeyamas_example():
    # Source: Umeyama, IEEE PAMI 13(4), 1991, the numeric example; its points from memory, its
    # values recomputed: c = sqrt(13) / 5 = 0.72111, t = (-0.8, 0.4), mean squared error 8/15, no
    # reflection although one would fit.
    source, target = np.array([[0.0, 0], [1, 0], [0, 2]]), np.array([[0.0, 0], [-1, 0], [0, 2]])
    c, R, t = rigid_fit(source, target, with_scale=True)
    assert abs(float(c) - 0.72111) < 5e-6 and abs(float(c) - np.sqrt(13) / 5) < 1e-14
    assert np.abs(t - [-0.8, 0.4]).max() < 1e-14
    assert abs(np.linalg.det(R) - 1) < 1e-14
    error = target - (c * source @ R.T + t)
    assert abs((error**2).sum(axis=1).mean() - 8 / 15) < 1e-14


def test_batches_with_weights_are_scipys_fits_set_by_set():
    # Source: scipy.spatial.transform.Rotation.align_vectors on centred points.
    rng = np.random.default_rng(8)
    source = rng.normal(0, 200, (3, 4, 6, 3))
    truth = rotation_from_vector(rng.normal(0, 2, (3, 4, 3)))
    target = (
        source @ np.swapaxes(truth, -1, -2)
        + rng.normal(0, 1000, (3, 4, 1, 3))
        + rng.normal(0, 5, source.shape)
    )
    weight = rng.uniform(0, 2, (3, 4, 6))
    weight[0, 0, :2] = 0.0
    c, R, t = rigid_fit(source, target, weight)
    assert c.shape == (3, 4) and (c == 1).all() and R.shape == (3, 4, 3, 3) and t.shape == (3, 4, 3)
    for i in np.ndindex(3, 4):
        s, g = (np.average(p[i], axis=0, weights=weight[i]) for p in (source, target))
        expected, _ = Rotation.align_vectors(target[i] - g, source[i] - s, weight[i])
        assert np.abs(R[i] - expected.as_matrix()).max() < 1e-12
        assert np.abs(t[i] - (g - expected.apply(s))).max() < 1e-9


def test_exact_similarities_come_back():
    rng = np.random.default_rng(9)
    source = rng.normal(0, 1, (50, 4, 3))
    scale, R, t = (
        rng.uniform(0.1, 9, 50),
        rotation_from_vector(rng.normal(0, 2, (50, 3))),
        rng.normal(0, 5, (50, 3)),
    )
    target = scale[:, None, None] * source @ np.swapaxes(R, 1, 2) + t[:, None]
    found = rigid_fit(source, target, with_scale=True)
    assert max(np.abs(a - b).max() for a, b in zip(found, (scale, R, t), strict=True)) < 1e-11


@pytest.mark.parametrize("n_dimensions", [2, 3])
def test_a_mirrored_or_flat_set_never_gives_a_reflection(n_dimensions):
    rng = np.random.default_rng(10)
    source = rng.normal(0, 1, (200, 5, n_dimensions))
    mirrored, flat, line = (
        source * factor[-n_dimensions:] for factor in ([1, 1, -1], [1, 1, 0], [0, 0, 1])
    )
    turned = random_rotations(rng, 200).as_matrix() if n_dimensions == 3 else np.eye(2)
    for a, b in (
        (source, mirrored),
        (flat, flat @ turned),
        (line, line @ turned),
        (source, rng.normal(size=source.shape)),
    ):
        _, R, t = rigid_fit(a, b)
        assert np.abs(np.linalg.det(R) - 1).max() < 1e-12
        assert np.isfinite(t).all()
    _, R, t = rigid_fit(
        line, line @ turned
    )  # the turn about a line is open, the fit is exact all the same
    assert np.abs(line @ np.swapaxes(R, 1, 2) + t[:, None] - line @ turned).max() < 1e-12


# ---- triangulation


def test_two_skew_rays_meet_half_way():
    # By hand: rays along x at height 0 and along y at height 2 are nearest at (0, 0, 0) and (0, 0,
    # 2). With weights 3 to 1 the point divides the gap 1 to 3.
    origins, directions = np.array([[-5.0, 0, 0], [0, -7.0, 2]]), np.array([[1.0, 0, 0], [0, 1, 0]])
    group = np.zeros(2, dtype=np.intp)
    assert np.abs(triangulate(origins, directions, np.ones(2), group, 1) - [0, 0, 1]).max() < 1e-12
    assert (
        np.abs(triangulate(origins, directions, np.array([3.0, 1.0]), group, 1) - [0, 0, 0.5]).max()
        < 1e-12
    )


def test_exact_rays_meet_where_opencv_says():
    # Source: cv2.triangulatePoints.
    rng = np.random.default_rng(11)
    points = rng.uniform([-500, -500, 3500], [500, 500, 4500], (40, 3))
    poses = [
        Pose(rotation_from_vector(rng.normal(0, 0.1, 3)), np.array([x, 30.0, 0]))
        for x in (-600.0, 600.0)
    ]
    plane = [p.apply(points)[:, :2] / p.apply(points)[:, 2:] for p in poses]
    homogeneous = cv2.triangulatePoints(
        *[np.c_[p.R, p.t_mm] for p in poses], *[xy.T for xy in plane]
    )
    expected = (homogeneous[:3] / homogeneous[3]).T
    rays = np.concatenate(
        [np.c_[xy, np.ones(40)] @ p.R for xy, p in zip(plane, poses, strict=True)]
    )
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    origins = np.repeat([p.origin_mm for p in poses], 40, axis=0)
    found = triangulate(origins, rays, np.ones(80), np.tile(np.arange(40), 2), 40)
    assert np.abs(found - points).max() < 1e-8 and np.abs(found - expected).max() < 1e-6


def test_bundles_without_a_definite_point_are_nan():
    # Group 0: two rays 2 mrad apart; 1: parallel rays; 2: one ray alone; 3: none; 4: two of no
    # weight.
    origins = np.zeros((7, 3))
    origins[:, 0] = [0, 10, 0, 10, 0, 0, 10]
    directions = np.tile([0.0, 0, 1], (7, 1))
    directions[1] = [-np.sin(0.002), 0, np.cos(0.002)]
    directions[6] = [-0.6, 0, 0.8]
    weight = np.array([1.0, 1, 1, 1, 1, 0, 0])
    found = triangulate(origins, directions, weight, np.array([0, 0, 1, 1, 2, 4, 4]), 5)
    assert np.isnan(found[1:]).all()
    assert np.abs(found[0] - [0, 0, 10 / np.tan(0.002)]).max() < 1e-6


def test_no_rotations_are_none() -> None:
    assert rotation_from_vector(np.empty((0, 3))).shape == (0, 3, 3)
    assert vector_from_rotation(np.empty((2, 0, 3, 3))).shape == (2, 0, 3)


def test_two_rays_pass_nearest_where_least_squares_puts_them() -> None:
    # Source: numpy.linalg.lstsq of base + b ray_b = a ray_a.
    rng = np.random.default_rng(3)
    ray_a, ray_b = rng.normal(size=(2, 2, 5, 3))
    base = rng.normal(size=(2, 1, 3))
    depths = ray_depths(ray_a, ray_b, base)
    for k in range(2):
        for n in range(5):
            A = np.column_stack([ray_a[k, n], -ray_b[k, n]])
            expected = np.linalg.lstsq(A, base[k, 0], rcond=None)[0]
            assert [depths[0][k, n], depths[1][k, n]] == pytest.approx(expected)


def test_cholesky_in_place_is_lapack_s() -> None:
    # Source: scipy.linalg.cholesky, numpy.linalg.solve; a matrix that is not definite is refused.
    rng = np.random.default_rng(4)
    for n in (1, 3, 6):
        J = rng.normal(size=(2 * n, n))
        A, b = J.T @ J, rng.normal(size=n)
        L, x = A.copy(), b.copy()
        assert factor_in_place(L)
        solve_in_place(L, x)
        np.testing.assert_allclose(np.tril(L), linalg.cholesky(A, lower=True), rtol=1e-10)
        np.testing.assert_allclose(x, np.linalg.solve(A, b), rtol=1e-9)
    assert not factor_in_place(np.array([[1.0, 0.0], [2.0, 1.0]]))
