"""How sure a rig is of its cameras: the figures in every table, and captures that leave a direction
open.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.check.residuals import residual_table
from calib.core.parameters import POSITION, ROTATION, CameraParameter, of_cameras
from calib.core.rig import Covariance
from calib.errors import UnsolvableError
from calib.export.json import rig_as_dict
from calib.report.rigs.residuals import as_json
from calib.solve.bundle.descent import BundleOptions, bundle
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.covariance import joint_covariance
from calib.solve.certainty.determined import require_certain
from tests.captures import capture, table_in
from tests.small_problems import make_problem

NAMES = ("cam01", "cam02", "cam03", "cam04")


def with_covariance(rig, seed=0):
    """Return the rig with a covariance of known standard deviations, 1, 2, 3, ...

    in units of mm and milliradian.
    """
    poses = of_cameras(rig.names, ())
    sigma = np.arange(1.0, len(poses) + 1) * [1e-3 if p.kind in ROTATION else 1.0 for p in poses]
    known = Covariance(poses, np.diag(sigma**2))
    return replace(rig, covariance=known), sigma.reshape(-1, 2, 3)


def test_every_table_shows_the_covariance_of_the_rig():
    sim = capture(n_cameras=4, seed=18)
    rig, sigma = with_covariance(sim.truth)
    table = residual_table(rig, sim.tracks)
    exported = {c["name"]: c for c in rig_as_dict(rig)["cameras"]}
    lines = {line.split()[0]: line.split() for line in table_in(str(table))[1]}
    for camera in as_json(table)["cameras"]:
        turn, position = sigma[rig.names.index(camera["name"])]
        assert (
            camera["sigma_position_mm"]
            == pytest.approx(position)
            == exported[camera["name"]]["sigma_position_mm"]
        )
        assert camera["sigma_rotation_deg"] == pytest.approx(np.degrees(turn))
        assert camera["sigma_rotation_deg"] == exported[camera["name"]]["sigma_rotation_deg"]
        cells = lines[camera["name"]]
        assert float(cells[-4]) == pytest.approx(np.linalg.norm(position), abs=6e-4)
        assert float(cells[-3]) == pytest.approx(np.degrees(np.linalg.norm(turn)), abs=6e-5)


def test_a_rig_without_covariance_has_no_sigmas_and_the_table_fits_a_screen():
    sim = capture(n_cameras=4, seed=18)
    table = residual_table(sim.truth, sim.tracks)
    assert all(c["sigma_position_mm"] == [None] * 3 for c in as_json(table)["cameras"])
    headings, rows = table_in(str(table))
    assert all(line.split()[-4:-2] == ["-", "-"] for line in rows)
    assert max(len(line) for line in (*headings, *rows)) <= 100


def noisy(problem: Problem, state: State, seed: int) -> Problem:
    """Return the problem with the images that the state gives, and noise of 0.2 px."""
    uv = problem.uv_px - residuals(problem, state)
    return replace(problem, uv_px=uv + np.random.default_rng(seed).normal(0, 0.2, uv.shape))


def refused(problem: Problem, state: State, options: BundleOptions) -> UnsolvableError:
    with pytest.raises(UnsolvableError) as caught:
        joint_covariance(problem, bundle(problem, state, options), options, NAMES)
    return caught.value


@pytest.mark.parametrize("seed", range(3))
def test_one_point_leaves_a_camera_open(seed: int) -> None:
    """A camera with one point per frame in two frames has 4 equations for 6 unknowns, whatever
    their values.
    """
    problem, state = make_problem(np.random.default_rng(seed), 4, 40, is_line=False)
    weight = problem.weight.copy()
    of_third = np.flatnonzero(problem.cam == 2)
    weight[:, of_third[2:]] = 0.0
    weight[1:, of_third[:2]] = 0.0
    error = refused(problem.with_weight(weight), state, BundleOptions())
    assert error.cameras == ("cam03",) and "cam03: " in error.found and "position" in error.found


@pytest.mark.parametrize("seed", range(3))
def test_a_fronto_parallel_plane_leaves_focal_length_against_distance_open(seed: int) -> None:
    """Points of a plane parallel to the sensor look the same with the focal length and the distance
    doubled.

    Source: Zhang, A flexible new technique for camera calibration, 2000, section 4 (degenerate
    configurations). The other cameras are held, so the points are known; without noise, as noise
    alone would tilt the plane.
    """
    problem, state = make_problem(np.random.default_rng(seed), 4, 60, is_line=False)
    R, t = state.cam_R[1], state.cam_t[1]
    shape = np.column_stack([state.shape_mm[:, :2], np.zeros(4)])
    lens = np.column_stack(
        [state.lens[:, :4], np.zeros((4, 8))]
    )  # distortion depends on the angle alone and would tell
    at = state.wand_t @ R.T + t
    at[:, 2] = 4000.0
    state = replace(
        state,
        lens=lens,
        shape_mm=shape,
        wand_R=np.broadcast_to(R.T, state.wand_R.shape).copy(),
        wand_t=(at - t) @ R,
    )
    problem = replace(problem, uv_px=problem.uv_px - residuals(problem, state))
    is_free = np.zeros((4, 7), bool)
    is_free[1] = True
    # Frames are known almost exactly: the weight of the held cameras.
    problem = problem.with_weight(np.where(problem.cam == 1, problem.weight, 1e6 * problem.weight))
    error = refused(problem, state, BundleOptions(terms=("focal",), is_free=is_free))
    assert error.cameras == ("cam02",)
    assert "focal length" in error.found and "position along its optical axis" in error.found
    assert "turn" not in error.found and "image's" not in error.found


def test_a_turn_held_leaves_the_place_of_the_rig_open() -> None:
    """With only turns held nothing says where the rig is: all cameras are named."""
    problem, state = make_problem(np.random.default_rng(5), 4, 40, is_line=True)
    is_free = np.ones((4, 6), bool)
    is_free[:, :3] = False
    error = refused(problem, state, BundleOptions(is_free=is_free))
    assert set(error.cameras) == set(NAMES) and "position" in error.found


def test_what_is_determined_is_not_refused() -> None:
    for seed in range(3):
        problem, state = make_problem(np.random.default_rng(seed), 4, 40, is_line=bool(seed % 2))
        options = BundleOptions(terms=("focal", "cx", "cy", "k1"))
        result = bundle(problem, state, options)
        assert len(joint_covariance(problem, result, options, NAMES).parameters) == 40


@pytest.mark.parametrize(
    ("axis", "words"),
    [(2, "position along its optical axis"), (0, "position along its image's x axis")],
)
def test_the_least_certain_direction_is_told_in_the_cameras_own_axes(axis: int, words: str) -> None:
    rig, _ = with_covariance(capture(n_cameras=4, seed=18).truth)
    assert rig.covariance is not None
    matrix = np.eye(len(rig.covariance.parameters)) * 1e-6
    at = [rig.covariance.row[CameraParameter("cam02", kind)] for kind in POSITION]
    open_axis = rig.camera("cam02").cam_from_world.R[axis]
    matrix[np.ix_(at, at)] += 2000.0**2 * np.outer(open_axis, open_axis)
    with pytest.raises(UnsolvableError) as caught:
        require_certain(replace(rig, covariance=Covariance(rig.covariance.parameters, matrix)))
    assert caught.value.cameras == ("cam02",)
    assert f"cam02: {words}" in caught.value.found and "2000 mm" in caught.value.found
    require_certain(
        replace(rig, covariance=Covariance(rig.covariance.parameters, np.eye(len(matrix)) * 1e-6))
    )
