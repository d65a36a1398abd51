"""Pair poses and their average: against OpenCV's decomposition, known rigs, and edges that lie."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.core.camera import Lens
from calib.core.geometry import (
    Pose,
    angle_between_deg,
    cross_matrix,
    rigid_fit,
    rotation_from_vector,
)
from calib.errors import InputError
from calib.simulate import Scenario, simulate
from calib.solve.start.epipolar import decompose
from calib.solve.start.initial import fuse_focal, initial_rig
from calib.solve.start.lenses import start_lens
from calib.solve.start.motion import shared_points
from calib.solve.start.pairs import FOCAL_SCALES, PairPose, solve_batch


def test_decompose_against_opencv() -> None:
    """Outside check: cv2.decomposeEssentialMat."""
    rng = np.random.default_rng(0)
    R = rotation_from_vector(rng.normal(size=(20, 3)))
    t = rng.normal(size=(20, 3))
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    found_R, found_t = decompose(cross_matrix(t) @ R)
    for k in range(20):
        R1, R2, direction = cv2.decomposeEssentialMat(cross_matrix(t[k]) @ R[k])
        ours = {tuple(np.round(r, 6).ravel() + 0.0) for r in found_R[k]}
        assert ours == {tuple(np.round(r, 6).ravel() + 0.0) for r in (R1, R2)}
        assert np.abs(np.abs(found_t[k] @ direction.ravel()) - 1).max() < 1e-9
        truth = [
            np.allclose(r, R[k]) and np.allclose(s, t[k])
            for r, s in zip(found_R[k], found_t[k], strict=True)
        ]
        assert sum(truth) == 1


@pytest.mark.parametrize(
    ("layout", "wand", "seed"), [("room", "line3", 1), ("row", "plane5", 2), ("dome", "solid6", 3)]
)
def test_pair_with_known_lenses(layout: str, wand: str, seed: int) -> None:
    """With true lenses a pair's pose is right within its own standard deviation (chi-square of 6,
    99.99 %).
    """
    simulation = simulate(
        Scenario(
            layout=layout, wand=wand, n_cameras=4, seed=seed, n_frames=600, known_lens="measured"
        )
    )
    tracks = simulation.tracks
    lens = np.stack([start_lens(c) for c in tracks.cameras])
    (pair,) = solve_batch(tracks, simulation.wand, [(0, 1)], lens, [(1.0,)] * 4, np.zeros(4, bool))
    assert pair is not None
    a, b = (simulation.truth.cameras[k].cam_from_world for k in (0, 1))
    truth = b @ a.inverse()
    # A vector of three coordinates with this total deviation is within 4.6 of it in 99.99 of 100
    # cases.
    assert np.radians(angle_between_deg(truth.R, pair.b_from_a.R)) < 4.6 * pair.sigma_rotation
    assert np.linalg.norm(truth.t_mm - pair.b_from_a.t_mm) < 4.6 * pair.sigma_mm
    np.testing.assert_array_equal(pair.sigma_log_focal, 0.0)


def test_pair_finds_zooms_that_are_off() -> None:
    """Focal lengths 25 % off, one long and one short, come back to what unknown distortion leaves,
    some percent.
    """
    simulation = simulate(Scenario(n_cameras=4, seed=5, n_frames=800))
    tracks, true_focal = simulation.tracks, [c.lens.fx for c in simulation.truth.cameras]
    lens = np.stack([start_lens(c) for c in tracks.cameras])
    lens[0, :2], lens[1, :2] = 1.25 * true_focal[0], 0.75 * true_focal[1]
    (pair,) = solve_batch(
        tracks, simulation.wand, [(0, 1)], lens, [FOCAL_SCALES] * 4, np.ones(4, bool)
    )
    assert pair is not None
    assert np.abs(pair.focal_px / true_focal[:2] - 1).max() < 0.10


def test_pair_without_shared_points_is_none() -> None:
    simulation = simulate(Scenario(layout="corridor", n_cameras=12, seed=6))
    tracks = simulation.tracks
    shared = [
        (a, b)
        for a in range(12)
        for b in range(a)
        if not shared_points(tracks.cameras[a], tracks.cameras[b])[2].size
    ]
    assert shared
    lens = np.stack([start_lens(c) for c in tracks.cameras])
    apart = solve_batch(
        tracks, simulation.wand, shared[:2], lens, [FOCAL_SCALES] * 12, np.ones(12, bool)
    )
    assert apart == [None, None]


def make_edges(
    rng: np.random.Generator, n: int, pairs: list[tuple[int, int]]
) -> tuple[list[Pose], list[PairPose]]:
    poses = [
        Pose(rotation_from_vector(rng.normal(size=3)), rng.normal(0, 3000, 3)) for _ in range(n)
    ]
    edges = []
    for a, b in pairs:
        noise = Pose(rotation_from_vector(rng.normal(0, 0.002, 3)), rng.normal(0, 5, 3))
        edges.append(
            PairPose(
                a,
                b,
                noise @ poses[b] @ poses[a].inverse(),
                np.ones(2),
                np.zeros(2),
                500,
                0.2,
                0.002,
                5.0,
            )
        )
    return poses, edges


@pytest.mark.parametrize("seed", range(4))
def test_average_survives_edges_that_lie(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pairs = [(a, b) for a in range(9) for b in range(a + 1, 9) if rng.random() < 0.8]
    poses, edges = make_edges(rng, 9, pairs)
    lies = set(rng.choice(len(edges), 4, replace=False).tolist())
    for k in lies:
        e = edges[k]
        wrong = Pose(rotation_from_vector(rng.normal(0, 1, 3)), rng.normal(0, 2000, 3)) @ e.b_from_a
        edges[k] = PairPose(e.a, e.b, wrong, e.focal_px, e.sigma_log_focal, 500, 0.2, 0.002, 5.0)
    initial = initial_rig(9, edges, np.full(9, 1500.0))
    assert set(initial.rejected) == {(edges[k].a, edges[k].b) for k in lies}
    assert initial.is_placed.all()
    position = -(np.swapaxes(initial.cam_R, 1, 2) @ initial.cam_t[:, :, None])[..., 0]
    true_position = np.stack([p.origin_mm for p in poses])
    _, R, t = rigid_fit(position, true_position)
    # Each camera hangs on three good edges or more of 3.5 mrad and 9 mm each; 4 sigma of that.
    assert np.linalg.norm(position @ R.T + t - true_position, axis=1).max() < 60.0
    turn = angle_between_deg(np.stack([p.R for p in poses]), initial.cam_R @ R.T)
    assert turn.max() < 1.0


def test_camera_that_no_edge_reaches_is_not_placed() -> None:
    _, edges = make_edges(np.random.default_rng(1), 4, [(0, 1), (1, 2), (0, 2)])
    initial = initial_rig(4, edges, np.full(4, 1500.0))
    np.testing.assert_array_equal(initial.is_placed, [True, True, True, False])


def test_focal_is_the_weighted_median_of_its_pairs() -> None:
    pose = Pose(np.eye(3), np.array([1.0, 0, 0]))
    focal = [(1000.0, 0.001), (1010.0, 0.001), (1700.0, 0.2)]
    edges = [
        PairPose(0, k, pose, np.array([f, 800.0]), np.array([s, 0.0]), 100, 0.2, 0.01, 5.0)
        for k, (f, s) in enumerate(focal, start=1)
    ]
    found = fuse_focal(edges, np.array([1200.0, 800.0, 800.0, 801.0]))
    assert found[0] in {1000.0, 1010.0}
    np.testing.assert_array_equal(found[1:], [800.0, 800.0, 801.0])  # lenses that were known stay


def test_micrometres_taken_for_millimetres_are_told() -> None:
    """A pitch of 4.5: the sensor would be nine metres wide."""
    tracks = simulate(Scenario(n_cameras=3, n_frames=60, connected=False)).tracks
    camera = replace(tracks.cameras[0], pixel_pitch_mm=4.5)
    with pytest.raises(InputError, match=r"cam01: focal_mm, pixel_pitch_mm.*micrometres"):
        start_lens(camera)
    measured = Lens.from_vector(np.array([1800.0, 1800.0, 1000.0, 600.0, *[0.0] * 8]))
    assert start_lens(replace(camera, lens=measured))[0] == 1800.0
