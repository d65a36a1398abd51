"""Errors against the truth: nothing for what is only moved, the known amount for what is known to
be wrong.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from calib.core.camera import Lens, project
from calib.core.geometry import Pose, rotation_from_vector
from calib.errors import InputError
from calib.simulate import Scenario, sample_points, simulate
from calib.simulate.layouts import image_plane_reach
from scripts.benchmarks.truth import error_against_truth, reconstruct

ALL_TERMS = ("k1", "k2", "k3", "tangential", "aspect", "rational")


def true_rig(seed=0, layout="room", n_cameras=6, terms=("k1", "k2")):
    scenario = Scenario(
        layout=layout, n_cameras=n_cameras, path="still", n_frames=1, lens_terms=terms, seed=seed
    )
    return simulate(scenario).truth, sample_points(scenario, 400, np.random.default_rng(seed))


def with_poses(rig, change):
    return replace(
        rig, cameras=tuple(replace(c, cam_from_world=change(c.cam_from_world)) for c in rig.cameras)
    )


@pytest.mark.parametrize("layout", ["room", "corridor", "row", "dome"])
@pytest.mark.parametrize("terms", [("k1", "k2"), ALL_TERMS])
def test_truth_has_no_error_wherever_the_world_is_put(layout, terms):
    rig, points = true_rig(3, layout, terms=terms)
    world_from_other = Pose(
        rotation_from_vector(np.array([0.4, -2.0, 0.7])), np.array([5e3, -1e3, 200.0])
    )
    for other in (rig, with_poses(rig, lambda pose: pose @ world_from_other)):
        error = error_against_truth(other, rig, points)
        assert np.isfinite(error).mean() > 0.3
        assert np.nanmax(error) < 1e-8


def test_scale_counts_as_error():
    # A rig too large by 0.1 % puts a point off by 0.1 % of its distance from the centroid, which a
    # fit shares.
    rig, points = true_rig(1)
    large = with_poses(rig, lambda pose: Pose(pose.R, 1.001 * pose.t_mm))
    error = error_against_truth(large, rig, points)
    is_seen = np.isfinite(error)
    expected = 0.001 * np.linalg.norm(points[is_seen] - points[is_seen].mean(axis=0), axis=1)
    assert np.abs(error[is_seen] - expected).max() < 1e-8


def test_one_wrong_lens_shows_as_the_same_error_that_scipy_finds():
    # Source: scipy.optimize.least_squares with cv2.projectPoints, a point at a time; numpy's SVD
    # for the fit.
    truth, points = true_rig(2, n_cameras=4, terms=ALL_TERMS)
    wrong = truth.cameras[1].lens
    wrong = Lens(1.01 * wrong.fx, 1.01 * wrong.fy, wrong.cx + 4, wrong.cy, wrong.dist)
    rig = replace(
        truth, cameras=(truth.cameras[0], replace(truth.cameras[1], lens=wrong), *truth.cameras[2:])
    )
    error = error_against_truth(rig, truth, points[:60])

    def image(camera, point):
        pose, lens = camera.cam_from_world, camera.lens
        return cv2.projectPoints(
            point.reshape(1, 3), cv2.Rodrigues(pose.R)[0], pose.t_mm, lens.K, lens.dist
        )[0].ravel()

    found = []
    index = np.flatnonzero(np.isfinite(error))
    for i in index:
        views = []
        for true, estimated in zip(truth.cameras, rig.cameras, strict=True):
            uv, depth = image(true, points[i]), true.cam_from_world.apply(points[i])[2]
            if depth > 0 and (uv >= 0).all() and (uv <= [true.width - 1, true.height - 1]).all():
                views.append((estimated, uv))
        fit = least_squares(
            lambda p, views=views: np.concatenate([image(c, p) - uv for c, uv in views]),
            points[i],
            x_scale=1e3,
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
        )
        found.append(fit.x)
    a, b = np.array(found), points[index]
    u, _, vt = np.linalg.svd((b - b.mean(axis=0)).T @ (a - a.mean(axis=0)))
    R = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    expected = np.linalg.norm((a - a.mean(axis=0)) @ R.T - (b - b.mean(axis=0)), axis=1)
    assert len(index) > 30 and expected.max() > 1
    assert np.abs(error[index] - expected).max() < 1e-3 * expected.max()


def test_noise_of_reconstruction_is_what_least_squares_predicts():
    # Source: covariance of least squares, sigma^2 (J^T J)^-1, with J by central differences.
    rig, points = true_rig(4, n_cameras=5)
    cameras, sigma = list(rig.cameras), 0.1
    rng = np.random.default_rng(0)

    def images(p):
        return np.array([project(c.lens, c.cam_from_world.apply(p)) for c in cameras])

    uv = images(points)
    is_seen_by_all = np.isfinite(uv).all(axis=(0, 2)) & (
        np.abs(uv - [1000, 600]) < [1100, 600]
    ).all(axis=(0, 2))
    point = points[is_seen_by_all][0]
    J = np.stack(
        [(images(point + h) - images(point - h)).ravel() / 2e-2 for h in 1e-2 * np.eye(3)], -1
    )
    information = J.T @ J / sigma**2
    n = 4000
    noisy = images(np.tile(point, (n, 1))) + rng.normal(0, sigma, (len(cameras), n, 2))
    off = reconstruct(cameras, noisy) - point
    nees = np.einsum("ni,ij,nj->n", off, information, off)
    assert abs(nees.mean() - 3) < 6 * np.sqrt(
        6 / n
    )  # chi-square with 3 degrees of freedom: mean 3, variance 6


def test_points_seen_by_fewer_than_two_common_cameras_are_nan():
    rig, points = true_rig(5, "corridor", 8)
    far = np.array([[0.0, 0.0, -1e5]])
    few = replace(rig, cameras=rig.cameras[:3])
    error = error_against_truth(few, rig, np.concatenate([points, far]), range_mm=9000)
    assert np.isnan(error[-1])
    for value, point in zip(error, points, strict=False):
        n_seen = 0
        for c in few.cameras:
            in_cam = c.cam_from_world.apply(point)
            uv = project(c.lens, in_cam)
            is_on = (uv >= 0).all() and (uv <= [c.width - 1, c.height - 1]).all()
            # Beyond what the sensor's border looks at, the lens model folds back on to the sensor.
            is_real = np.linalg.norm(in_cam[:2]) < image_plane_reach(c) * in_cam[2]
            n_seen += bool(is_on and is_real and np.linalg.norm(in_cam) <= 9000)
        assert np.isfinite(value) == (n_seen >= 2)


def test_nothing_in_common_is_refused():
    rig, points = true_rig(6)
    stranger = replace(rig, cameras=tuple(replace(c, name=f"other {c.name}") for c in rig.cameras))
    with pytest.raises(InputError, match="0 common cameras"):
        error_against_truth(stranger, rig, points)
