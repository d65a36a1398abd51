"""Captures of a single marker: points, with a known distance between two cameras as the scale."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

from calib.check.residuals import residual_table
from calib.core.geometry import Array, Pose, cross_matrix, rigid_fit
from calib.core.parameters import POSITION, CameraParameter
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.pipeline import calibrate
from calib.report.papers.document import as_markdown
from calib.report.papers.record import Read, hand_over
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.bundle.descent import (
    BundleOptions,
    BundleResult,
    Distance,
    bundle,
    normal_equations,
    without_frames,
)
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem, State, arrange
from calib.solve.calibrate import SolveOptions
from calib.solve.certainty.covariance import joint_covariance
from calib.solve.start.pairs import PairPose
from calib.solve.start.single import KnownDistance, at_distance, common_scale
from tests.captures import with_points
from tests.small_problems import make_problem

CASES = [("room", 5, 5), ("corridor", 6, 6), ("dome", 7, 7), ("row", 5, 8), ("room", 2, 9)]


@cache
def simulated(layout: str, n_cameras: int, seed: int) -> Simulation:
    return simulate(
        Scenario(layout=layout, n_cameras=n_cameras, seed=seed, n_frames=600, lasting_share=0.0)
    )


def single(sim: Simulation, marker: int, is_measured: bool) -> Tracks:
    """Return the capture of one of the wand's markers alone, with the true lenses stated or the
    nominal ones.
    """
    cameras = [with_points(c, c.marker == marker) for c in sim.tracks.cameras]
    if is_measured:
        cameras = [replace(c, lens=t.lens) for c, t in zip(cameras, sim.truth.cameras, strict=True)]
    return Tracks(tuple(cameras), sim.tracks.frame_rate_hz)


def distance_of(sim: Simulation, sigma_mm: float = 0.0) -> KnownDistance:
    p, q = (sim.truth.camera(n).position_mm for n in ("cam01", "cam02"))
    return KnownDistance("cam01", "cam02", float(np.linalg.norm(p - q)), sigma_mm)


def error_in_sigmas(rig: Rig, sim: Simulation) -> Array:
    """Return the errors of the positions (C, 3) in their sigmas, aligned without a change
    of scale.
    """
    found, true = (np.stack([c.position_mm for c in r.cameras]) for r in (rig, sim.truth))
    _, R, t = rigid_fit(true, found)
    return (found - (true @ R.T + t)) / np.stack([rig.sigmas(n)[0] for n in rig.names])


def test_measured_lenses_and_a_distance_give_the_rig_within_its_error_bars() -> None:
    total, freedom = 0.0, 0
    for layout, n, seed in CASES[:4]:
        sim = simulated(layout, n, seed)
        rig = calibrate(
            single(sim, seed % 3, True), sim.wand, SolveOptions(distance=distance_of(sim))
        )
        p, q = (rig.camera(name).position_mm for name in ("cam01", "cam02"))
        assert np.linalg.norm(p - q) == pytest.approx(distance_of(sim).length_mm, rel=1e-12)
        total += float(np.sum(error_in_sigmas(rig, sim) ** 2))
        freedom += 3 * n
    # Between 3 C - 7 and 3 C of them are free, as the gauge is not that of the alignment.
    assert total < stats.chi2.ppf(1 - 1e-4, freedom)


def test_two_cameras_with_measured_lenses() -> None:
    sim = simulated(*CASES[4])
    rig = calibrate(single(sim, 0, True), None, SolveOptions(distance=distance_of(sim)))
    found, true = (
        r.cameras[1].cam_from_world @ r.cameras[0].cam_from_world.inverse()
        for r in (rig, sim.truth)
    )
    turn = np.degrees(np.arccos(min(1.0, (np.trace(found.R.T @ true.R) - 1) / 2)))
    assert turn < 5 * max(np.linalg.norm(rig.sigmas(n)[1]) for n in rig.names)
    assert np.linalg.norm(found.t_mm) == pytest.approx(np.linalg.norm(true.t_mm))


def test_nominal_lenses_are_found() -> None:
    for layout, n, seed in CASES[:3]:
        sim = simulated(layout, n, seed)
        rig = calibrate(single(sim, 0, False), None, SolveOptions(distance=distance_of(sim)))
        assert np.sum(error_in_sigmas(rig, sim) ** 2) < stats.chi2.ppf(1 - 1e-4, 3 * n)
        for camera, true, given in zip(
            rig.cameras, sim.truth.cameras, sim.tracks.cameras, strict=True
        ):
            assert given.nominal_focal_px is not None
            assert abs(camera.lens.fx / true.lens.fx - 1) < 0.01, camera.name


def test_the_distances_uncertainty_is_in_the_error_bars() -> None:
    sim = simulated(*CASES[0])
    for sigma in (0.0, 2.0, 20.0):
        rig = calibrate(
            single(sim, 1, True), sim.wand, SolveOptions(distance=distance_of(sim, sigma))
        )
        assert rig.covariance is not None
        rows = [
            [rig.covariance.row[CameraParameter(n, kind)] for kind in POSITION]
            for n in ("cam01", "cam02")
        ]
        along = rig.camera("cam02").position_mm - rig.camera("cam01").position_mm
        along /= np.linalg.norm(along)
        row = np.zeros(len(rig.covariance.parameters))
        row[rows[0]], row[rows[1]] = -along, along
        assert np.sqrt(max(row @ rig.covariance.matrix @ row, 0.0)) == pytest.approx(
            sigma, abs=1e-4
        )


def test_a_marker_without_a_name_is_what_cameras_see_alone() -> None:
    """Among reflections as simulated ones show; the points of a wand are not taken for one."""
    sim = simulated(*CASES[0])
    cameras = [
        replace(with_points(c, is_own), marker=np.full(is_own.sum(), -1, np.int16))
        for c in sim.tracks.cameras
        for is_own in [(c.marker == 0) | (c.marker < 0)]
    ]
    options = SolveOptions(distance=distance_of(sim))
    rig = calibrate(Tracks(tuple(cameras), sim.tracks.frame_rate_hz), None, options)
    named = calibrate(single(sim, 0, False), None, options)
    for a, b in zip(rig.cameras, named.cameras, strict=True):
        assert rig.covariance is not None
        sigma = np.linalg.norm(rig.covariance.sigma(a.name, POSITION))
        assert np.linalg.norm(a.position_mm - b.position_mm) < 3.0 * sigma, a.name
    nameless = [replace(c, marker=np.full(c.n_points, -1, np.int16)) for c in sim.tracks.cameras]
    with pytest.raises(InputError, match="one point looks like any other"):
        calibrate(replace(sim.tracks, cameras=tuple(nameless)), None, options)


def test_the_table_of_a_single_marker() -> None:
    sim = simulated(*CASES[0])
    tracks = single(sim, 0, True)
    rig = calibrate(tracks, None, SolveOptions(distance=distance_of(sim)))
    table = residual_table(rig, tracks)
    assert "A single marker has no lengths" in str(table)
    assert "| scale by" in as_markdown(hand_over(Read("rig.h5", "", rig)))
    assert table.wand.n_lengths == 0 and rig.provenance["options"]["distance"]
    # A point in two views leaves one of four coordinates free, in more views most of them: sigma is
    # corrected for it.
    for row in table.cameras:
        assert row.stats.sigma_px == pytest.approx(sim.scenario.sigma_px, rel=0.6), row.name


@pytest.mark.parametrize("is_given", [False, True])
def test_without_a_distance_the_scale_is_missing(is_given: bool) -> None:
    sim = simulated(*CASES[0])
    with pytest.raises(InputError, match=r"scale: .*single marker.*--distance CAMERA,CAMERA,MM"):
        calibrate(single(sim, 0, True), sim.wand if is_given else None)


def test_what_is_refused() -> None:
    sim = simulated(*CASES[0])
    known, points = SolveOptions(distance=distance_of(sim)), single(sim, 0, False)
    with pytest.raises(InputError, match="whose lengths fix the scale"):
        calibrate(sim.tracks, sim.wand, known)
    with pytest.raises(InputError, match="cam99"):
        calibrate(points, None, SolveOptions(distance=KnownDistance("cam01", "cam99", 100.0)))
    blind = replace(
        points, cameras=(replace(points.cameras[0], focal_mm=None), *points.cameras[1:])
    )
    # What was stated is at fault, not the capture: nothing is looked for in its points.
    with pytest.raises(InputError, match=r"^cam01: expected a focal length to start from"):
        calibrate(blind, None, known)
    with pytest.raises(InputError, match=r"^cam01 and cam02: expected held lenses, with"):
        calibrate(points.subset(["cam01", "cam02"]), None, known)
    for arguments in (("a", "a", 1.0), ("a", "b", 0.0), ("a", "b", np.nan), ("a", "b", 1.0, -1.0)):
        with pytest.raises(InputError, match="distance"):
            KnownDistance(*arguments)
    with pytest.raises(InputError, match="Give it in mm, not in m"):
        KnownDistance("a", "b", 3.5)
    assert KnownDistance("a", "b", 3.5, 0.1).length_mm == 3.5


def test_pairs_are_brought_to_one_scale() -> None:
    """True relative poses, each times a factor of its own, come back in their true proportions."""
    sim = simulated(*CASES[0])
    tracks, rng = single(sim, 0, True), np.random.default_rng(0)
    lens, poses = (
        np.stack([c.lens.vector for c in sim.truth.cameras]),
        [c.cam_from_world for c in sim.truth.cameras],
    )
    edges = []
    for a, b in ((0, 1), (1, 2), (2, 3), (3, 4), (0, 2), (1, 4)):
        true = poses[b] @ poses[a].inverse()
        factor = np.exp(rng.normal(0, 1))
        edges.append(
            PairPose(
                a,
                b,
                Pose(true.R, true.t_mm * factor),
                lens[[a, b], 0],
                np.zeros(2),
                99,
                0.1,
                1e-3,
                1.0,
            )
        )
    found = common_scale(tracks, edges, lens)
    ratio = [
        np.linalg.norm(e.b_from_a.t_mm) / np.linalg.norm((poses[e.b] @ poses[e.a].inverse()).t_mm)
        for e in found
    ]
    # Noise of 0.1 px in some hundred points' depths is a fraction of a percent.
    assert len(found) == 6 and np.ptp(np.log(ratio)) < 0.02


def point_problem(seed: int) -> tuple[Problem, State]:
    """Return points seen by four cameras, and the true state."""
    rng = np.random.default_rng(seed)
    _, state = make_problem(rng, 4, 80, is_line=False)
    state = replace(state, shape_mm=np.zeros((1, 3)))
    cam, frame = (v.ravel() for v in np.indices((4, 80)))
    n = len(cam)
    problem = arrange(
        cam,
        frame,
        np.zeros(n, int),
        np.zeros((n, 2)),
        np.full(n, 5.0),
        np.arange(n),
        shape=(4, 80, 1),
        n_rotation=0,
        frame_number=np.arange(80),
    )
    uv = -residuals(problem, state)
    return replace(problem, uv_px=uv + rng.normal(0, 0.2, uv.shape)), state


@pytest.mark.parametrize("sigma_mm", [0.5, 30.0])
def test_covariance_is_that_of_the_bordered_system(sigma_mm: float) -> None:
    """Source: Förstner & Wrobel, Photogrammetric Computer Vision, 2016, section 4.5.2: gauge
    constraints as a border.

    There the distance is an observation like any other; the seventh motion and its condition do not
    appear.
    """
    problem, truth = point_problem(1)
    position = -(truth.cam_t[:, None, :] @ truth.cam_R)[:, 0]
    distance = Distance(0, 1, float(np.linalg.norm(position[0] - position[1])), sigma_mm)
    options = BundleOptions(distance=distance)
    state = at_distance(bundle(problem, truth, options).state, distance)
    blocks, cost = normal_equations(problem, state, options)
    result = BundleResult(state, cost, blocks, 0, True, 0.0)
    C = joint_covariance(problem, result, options, ("a", "b", "c", "d")).matrix
    S = without_frames(problem, blocks).matrix
    T, G = np.zeros((24, 24)), np.zeros((24, 6))
    position = -(state.cam_t[:, None, :] @ state.cam_R)[:, 0]
    away = np.median(np.linalg.norm(position[problem.cam] - state.wand_t[problem.frame], axis=1))
    for c, R in enumerate(state.cam_R):
        at = 6 * c
        T[at : at + 3, at : at + 3], T[at + 3 : at + 6, at + 3 : at + 6] = np.eye(3) / away, -R.T
        G[at : at + 6] = np.block(
            [[-R * away, np.zeros((3, 3))], [-cross_matrix(position[c]), np.eye(3)]]
        )
    T[np.arange(24) % 6 < 3] *= away**2  # turns in units of mm at the wand
    N = np.linalg.inv(T).T @ S @ np.linalg.inv(T)
    row = np.zeros(24)
    row[9:12] = (position[1] - position[0]) / distance.length_mm
    row[3:6] = -row[9:12]
    N += np.outer(row, row) / sigma_mm**2
    bordered = np.block([[N, G], [G.T, np.zeros((6, 6))]])
    scale = 1 / np.sqrt(
        np.abs(np.diag(bordered)) + (G**2).sum(axis=0).max() * (np.arange(30) >= 24)
    )
    inverse = (np.linalg.inv(bordered * scale[:, None] * scale) * scale[:, None] * scale)[:24, :24]
    unit = np.where(np.arange(24) % 6 < 3, away, 1.0)
    assert inverse == pytest.approx(
        C * unit[:, None] * unit, rel=1e-4, abs=1e-6 * np.abs(inverse).max()
    )
