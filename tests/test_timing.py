"""Time offsets planted into simulated captures come back within their error bars, and cost the rig
nothing.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats
from scipy.interpolate import BarycentricInterpolator

from calib.check.residuals import residual_table
from calib.core.camera import Lens, project
from calib.core.geometry import Array, Pose
from calib.core.parameters import n_unknowns
from calib.core.rig import Rig, RigCamera
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.simulate import Scenario, Simulation, sample_points, simulate
from calib.solve.bundle.descent import BundleOptions, BundleResult, normal_equations
from calib.solve.bundle.linearise import weighted_rows
from calib.solve.bundle.problem import State
from calib.solve.bundle.shape import shape_prior, wand_shape
from calib.solve.clock.common_time import with_timing
from calib.solve.clock.offsets import TimeOffsets, estimate_offsets, with_open_offsets
from calib.solve.clock.path import Path, corrected, wand_path
from calib.solve.fit import Fit
from calib.solve.refine import refine
from calib.solve.start.lenses import lens_prior, start_lens
from scripts.benchmarks.truth import error_against_truth
from tests.small_problems import make_problem

FINE = 10  # simulated poses a frame: offsets are planted in tenths of a frame
TERMS = ("focal", "cx", "cy", "k1", "k2")
PLANTED = ((0, 0, 4, 0, 0), (1, -3, 5, 0, -4), (0, 0, 0, -9, 0), (3, 0, -5, 2, 0))
GENLOCKED = (0,) * 5
LOW, HIGH = 0.0005, 0.9995  # two-sided, 99.9 %


def scenario(seed: int) -> Scenario:
    """Return one of several kinds of rig, frame rate and wand, by seed, with ``FINE`` poses a
    frame.
    """
    kinds = (
        ("room", "line3", 25.0),
        ("dome", "solid6", 60.0),
        ("room", "line3", 100.0),
        ("room", "line3", 30.0),
    )
    layout, wand, rate = kinds[seed % len(kinds)]
    return Scenario.plain(
        layout=layout,
        wand=wand,
        frame_rate_hz=FINE * rate,
        n_cameras=5,
        n_frames=FINE * 250,
        seed=seed,
        strays=0.0,
        outliers=0.0,
    )


@cache
def simulated(seed: int) -> Simulation:
    return simulate(scenario(seed))


def capture(sim: Simulation, tenths: tuple[int, ...], fine: int = FINE) -> Tracks:
    """Return what the cameras see when camera c exposes ``tenths[c]`` tenths of a frame late.

    Which points are seen, and their noise, do not depend on the offsets, so that two captures
    differ in them alone.
    """
    s, cameras = sim.scenario, []
    frame = np.arange(2, len(sim.markers_world_mm) // fine - 2)
    for c, late in enumerate(tenths):
        rng = np.random.default_rng([s.seed, c])
        truth = sim.truth.cameras[c]
        uv = project(
            truth.lens, truth.cam_from_world.apply(sim.markers_world_mm[fine * frame + late])
        )
        now = project(truth.lens, truth.cam_from_world.apply(sim.markers_world_mm[fine * frame]))
        uv += rng.normal(0.0, s.sigma_px, uv.shape)
        margin = 0.03 * s.width  # within it a point is on the sensor at any offset
        edge = np.array([s.width, s.height]) - margin
        with np.errstate(invalid="ignore"):
            seen = ((now > margin) & (now < edge) & (uv > 0) & (uv < edge + margin - 1.0)).all(
                axis=2
            )
        seen &= rng.random(seen.shape) >= s.dropout
        at, marker = np.nonzero(seen)
        given = sim.tracks.cameras[c]
        cameras.append(
            replace(given, frame=frame[at], xy_px=uv[seen], marker=marker, radius_px=None)
        )
    return Tracks(tuple(cameras), s.frame_rate_hz / fine)


def options_of(sim: Simulation) -> BundleOptions:
    lens = np.stack([start_lens(c) for c in sim.tracks.cameras])
    widths = np.array([float(c.width) for c in sim.tracks.cameras])
    return BundleOptions(
        terms=TERMS, prior=lens_prior(lens, TERMS, widths), shape=shape_prior(sim.wand)
    )


def quiet(stage: str, done: int, total: int) -> None:
    del stage, done, total


@one_blas_thread
def first_fit(sim: Simulation, tracks: Tracks) -> Fit:
    """Return the fit that knows nothing of offsets, from the true cameras (finding these is tested
    elsewhere).
    """
    cameras = sim.truth.cameras
    poses = [c.cam_from_world for c in cameras]
    R, t = np.stack([p.R for p in poses]), np.stack([p.t_mm for p in poses])
    lens = np.stack([c.lens.vector for c in cameras])
    start = State(R, t, lens, np.empty((0, 3, 3)), np.empty((0, 3)), wand_shape(sim.wand))
    return refine(tracks, sim.wand, start, options_of(sim), quiet)


@cache
def first(seed: int, tenths: tuple[int, ...]) -> Fit:
    sim = simulated(seed)
    return first_fit(sim, capture(sim, tenths))


@cache
@one_blas_thread
def timed(seed: int, tenths: tuple[int, ...]) -> tuple[Fit, Tracks, TimeOffsets, Tracks]:
    sim = simulated(seed)
    tracks = capture(sim, tenths)
    return *with_timing(tracks, sim.wand, first(seed, tenths), options_of(sim), quiet), tracks


def error_squared(found: TimeOffsets, true_frames: Array) -> tuple[float, Array]:
    """Return the normalised error squared, with one degree of freedom less than cameras, and the
    errors.
    """
    error = found.offset_frames - (true_frames - found.zero_weight @ true_frames)
    return float(
        error @ np.linalg.pinv(found.covariance, rcond=1e-9, hermitian=True) @ error
    ), error


def rms_error_mm(fit: Fit, sim: Simulation) -> float:
    state = fit.result.state
    cameras = []
    for c, true in enumerate(sim.truth.cameras):
        u, _, vt = np.linalg.svd(state.cam_R[c])
        pose = Pose(u @ vt, state.cam_t[c])
        cameras.append(
            RigCamera(
                true.name,
                true.width,
                true.height,
                Lens.from_vector(state.lens[c]),
                pose,
                true.stats,
            )
        )
    rig = Rig(tuple(cameras), sim.wand, sim.wand)
    points = sample_points(sim.scenario, 400, np.random.default_rng(0))
    return float(np.sqrt(np.nanmean(error_against_truth(rig, sim.truth, points) ** 2)))


def test_planted_offsets_come_back_within_their_error_bars() -> None:
    total, freedom = 0.0, 0
    for seed, tenths in enumerate(PLANTED):
        _, _, found, _ = timed(seed, tenths)
        squared, _ = error_squared(found, np.array(tenths) / FINE)
        assert found.is_settled
        assert squared < stats.chi2.isf(1e-4, len(tenths) - 1)
        total, freedom = total + squared, freedom + len(tenths) - 1
    assert stats.chi2.ppf(LOW, freedom) < total < stats.chi2.ppf(HIGH, freedom)


def test_a_late_camera_has_a_positive_offset_and_is_named() -> None:
    _, moved, found, tracks = timed(0, PLANTED[0])
    rate = tracks.frame_rate_hz
    assert found.is_significant.tolist() == [False, False, True, False, False]
    np.testing.assert_allclose(found.offset_ms[2], 1000.0 * 0.4 / rate, atol=5 * found.sigma_ms[2])
    told = found.findings(np.zeros(len(found.names)))
    assert len(told) == 1
    assert told[0].startswith("cam03 exposes 16.0")
    assert "later" in told[0]
    assert found.findings(np.full(len(found.names), 1.0)) == ()  # less than that does no harm
    # Only the late camera is touched, and its points stay parallel to the given ones.
    for before, after in zip(tracks.cameras, moved.cameras, strict=True):
        assert (before is after) == (before.name != "cam03")
        assert before.n_points == after.n_points


def test_an_offset_that_whole_frames_bring_near_is_found_as_well_as_another() -> None:
    """By 0.7 of a frame a camera is first a whole one early, then 0.3 late, and was left 2.5 sigmas
    off. With the same noise, estimates differ by the points that one of them lacks: a fifth at
    most, so by half a sigma; four times that is chance no more.
    """
    error = []
    for tenths in (PLANTED[0], (0, 0, 7, 0, 0)):
        _, _, found, _ = timed(0, tenths)
        error.append(error_squared(found, np.array(tenths) / FINE)[1][2] / found.sigma_frames[2])
    assert abs(error[1] - error[0]) < 2.0


def test_genlocked_cameras_raise_no_false_alarm() -> None:
    """Errors of genlocked rigs in sigmas: chi-square in sum, and no more beyond three than a normal
    law has.
    """
    total, freedom, n_beyond, n = 0.0, 0, 0, 0
    for seed in range(5):
        _, moved, found, tracks = timed(seed, GENLOCKED)
        squared, error = error_squared(found, np.zeros(5))
        total, freedom = total + squared, freedom + 4
        n_beyond, n = (
            n_beyond + int((np.abs(error) > 3.0 * found.sigma_frames).sum()),
            n + len(error),
        )
        if not found.is_significant.any():
            assert moved is tracks
    assert stats.chi2.ppf(LOW, freedom) < total < stats.chi2.ppf(HIGH, freedom)
    assert n_beyond <= stats.binom.ppf(HIGH, n, 2.0 * stats.norm.sf(3.0))


def test_the_rig_is_as_good_as_without_offsets() -> None:
    """Same noise: what offsets cost once they are corrected, against all points and against those
    that could be moved.

    In a single rig the points that end a run of frames, and cannot be moved, may be all that fill a
    sensor's corner; what their loss costs is no fault of the correction, so each rig is also
    compared on the same points.
    """
    of_all, of_same, untreated = [], [], []
    for seed, tenths in enumerate(PLANTED):
        sim = simulated(seed)
        fit, moved, *_ = timed(seed, tenths)
        without = rms_error_mm(timed(seed, GENLOCKED)[0], sim)
        given = capture(sim, GENLOCKED)
        both = zip(given.cameras, moved.cameras, strict=True)
        same = replace(given, cameras=tuple(replace(a, marker=b.marker) for a, b in both))
        of_all.append(rms_error_mm(fit, sim) / without)
        of_same.append(rms_error_mm(fit, sim) / rms_error_mm(first_fit(sim, same), sim))
        untreated.append(rms_error_mm(first(seed, tenths), sim) / without)
    # A fifth of the points may be lost to broken runs: sqrt(1 / 0.8) is 1.12. The logarithm of one
    # rig's ratio scatters by 0.2 (twenty other rigs): a mean of n by 1 / sqrt(n) of it, a median by
    # 1.25 / sqrt(n).
    chance = 2.0 * 0.2 / np.sqrt(len(of_all))
    assert np.median(of_all) <= np.sqrt(1.0 / 0.8) * np.exp(1.25 * chance)
    assert stats.gmean(of_same) <= np.exp(chance)
    assert np.median(untreated) > 3.0


@pytest.mark.parametrize("index", range(len(PLANTED)))
def test_points_that_were_left_out_while_cameras_were_late_come_back(index: int) -> None:
    """All but those in runs of less than three frames, which have no path: a fifth at most."""
    n_late, n_genlocked = (
        int(timed(index, tenths)[0].is_inlier.sum()) for tenths in (PLANTED[index], GENLOCKED)
    )
    assert n_late >= 0.8 * n_genlocked


def test_sigma_falls_with_speed() -> None:
    """The same way at half the speed, in twice as many frames: sigma is noise / (speed √frames), √2
    times as large.
    """
    sim = simulated(0)
    tracks = capture(sim, GENLOCKED, FINE // 2)
    of_all = first_fit(sim, tracks), tracks
    sigma = [
        estimate_offsets(*of).sigma_frames
        for of in (of_all, (first(0, GENLOCKED), capture(sim, GENLOCKED)))
    ]
    # 500 points a camera are a twentieth of themselves uncertain in number, and in what they see.
    np.testing.assert_allclose(np.median(sigma[0] / sigma[1]), np.sqrt(2.0), rtol=0.1)


def test_offsets_that_are_found_take_their_share_of_what_the_points_say_of_cameras() -> None:
    """Against one dense matrix of all columns, by NumPy: frames, cameras and offsets."""
    problem, state = make_problem(np.random.default_rng(3), 4, 30, is_line=True)
    options = BundleOptions(terms=("focal", "k1"))
    blocks, cost = normal_equations(problem, state, options)
    result = BundleResult(state, cost, blocks, 0, True, 0.0)
    fit = Fit(problem, result, np.ones(4), problem.weight > 0, options)
    is_found = np.array([False, True, True, False])
    rate_hz = 25.0
    rows = weighted_rows(problem, state, options.terms, problem.weight)
    velocity = wand_path(problem, state, rate_hz).velocity
    assert (velocity != 0).any()
    d, n = problem.n_rotation + 3, n_unknowns(options.terms)
    n_frames = d * problem.n_frames
    J = np.zeros((*rows.shape[:3], n_frames + 4 * n + 4))
    for p, (c, f) in enumerate(zip(problem.cam, problem.frame, strict=True)):
        J[p, ..., d * f : d * (f + 1)] = rows[p, ..., :d]
        J[p, ..., n_frames + n * c : n_frames + n * (c + 1)] = rows[p, ..., d:-1]
        in_camera = velocity[f] @ state.cam_R[c].T
        J[p, ..., n_frames + 4 * n + c] = np.einsum(
            "mri,mi->mr", rows[p, ..., d + 3 : d + 6], in_camera
        )
    J = J.reshape(-1, J.shape[-1])
    of_cameras = np.arange(n_frames, n_frames + 4 * n)
    others = np.append(np.arange(n_frames), n_frames + 4 * n + np.flatnonzero(is_found))
    by_others = np.linalg.lstsq(J[:, others], J[:, of_cameras], rcond=None)[0]
    left = J[:, of_cameras] - J[:, others] @ by_others
    information = with_open_offsets(fit, rate_hz, is_found).information
    assert information is not None
    scale = np.sqrt(np.diag(left.T @ left))
    np.testing.assert_allclose(
        information.matrix / scale / scale[:, None],
        left.T @ left / scale / scale[:, None],
        atol=1e-9,
    )


@one_blas_thread
def test_whole_frames_are_found() -> None:
    """A frame count that is late by k makes each exposure k frames earlier than its number says."""
    slip = {"cam02": 3, "cam05": -1}
    sim = simulate(
        Scenario.plain(n_cameras=5, n_frames=250, seed=12, slip=slip, outliers=0.01, strays=0.0)
    )
    fit = first_fit(sim, sim.tracks)
    fit, _, found = with_timing(sim.tracks, sim.wand, fit, options_of(sim), quiet)
    true = np.array([-float(slip.get(name, 0)) for name in sim.tracks.names])
    squared, _ = error_squared(found, true)
    assert found.is_settled
    assert squared < stats.chi2.isf(1e-4, 4)
    # Against the true noise: four standard deviations of an estimate from a thousand coordinates.
    np.testing.assert_allclose(fit.sigma_px, sim.scenario.sigma_px, rtol=4.0 / np.sqrt(2 * 1000.0))


def test_frames_that_do_not_follow_each_other_tell_nothing() -> None:
    sim = simulated(0)
    given = capture(sim, (0, 0, 4, 0, 0))
    apart = replace(given, cameras=tuple(replace(c, frame=3 * c.frame) for c in given.cameras))
    _, moved, found = with_timing(apart, sim.wand, first_fit(sim, apart), options_of(sim), quiet)
    assert np.isinf(found.sigma_frames).all()
    assert not found.is_significant.any()
    assert moved is apart
    assert "cam04 and cam05" in found.findings(np.zeros(len(found.names)))[0]


@pytest.mark.parametrize(("before", "after"), [(2, 2), (1, 1), (1, 2), (2, 0), (0, 2)])
def test_the_path_is_the_polynomial_through_its_nodes(before: int, after: int) -> None:
    """Against SciPy's barycentric interpolation, with steps of three frames."""
    rng = np.random.default_rng(before + 3 * after)
    nodes = rng.normal(size=(5, 1, 2, 3))
    path = Path(np.array([7]), nodes, np.full((1, 2), before), np.full((1, 2), after), 3)
    x = 3 * np.arange(-before, after + 1)
    reference = BarycentricInterpolator(x, nodes[2 - before : 3 + after, 0])
    for delta in (-1.3, 0.0, 0.5, 2.0):
        np.testing.assert_allclose(path.at(delta)[0], reference(delta), atol=1e-12)
    slope = reference.derivative(0.0) if (before, after) == (2, 2) else np.zeros((2, 3))
    np.testing.assert_allclose(path.velocity[0], slope, atol=1e-12)


def test_points_without_a_path_lose_their_marker_and_keep_their_place() -> None:
    fit, _, _, tracks = timed(0, GENLOCKED)
    offset = np.array([0.3, 0.0, 0.0, 1.6, 0.0])
    moved = corrected(tracks, fit.problem, fit.result.state, offset)
    path = wand_path(fit.problem, fit.result.state, tracks.frame_rate_hz)
    n_lost = 0
    for c in (0, 3):
        before, after = tracks.cameras[c], moved.cameras[c]
        whole = round(offset[c])
        np.testing.assert_array_equal(after.frame, before.frame + whole)
        at = np.searchsorted(path.frame_number, after.frame).clip(max=len(path.frame_number) - 1)
        n_steps = (path.n_before + path.n_after)[at, before.marker]
        has_path = (path.frame_number[at] == after.frame) & (n_steps >= 2)
        np.testing.assert_array_equal(after.marker[has_path], before.marker[has_path])
        assert (after.marker[~has_path] == -1).all()
        np.testing.assert_array_equal(after.xy_px[~has_path], before.xy_px[~has_path])
        assert (np.linalg.norm(after.xy_px - before.xy_px, axis=1)[has_path] > 0).all()
        n_lost += int((~has_path).sum())
    assert n_lost > 0


@pytest.mark.parametrize("tenths", PLANTED[:2])
def test_residuals_of_the_raw_tracks_do_not_blame_a_camera_whose_lateness_the_rig_knows(
    tenths: tuple[int, ...],
) -> None:
    """Against the true rig: with the offsets in it all cameras leave the simulated noise, without,
    not.
    """
    sim = simulated(0)
    tracks = capture(sim, tenths)
    offset = np.array(tenths) / FINE
    offset = offset - np.median(offset)
    cameras = zip(sim.truth.cameras, offset.tolist(), strict=True)
    known = tuple(
        replace(c, time_offset_frames=late, time_offset_sigma_frames=1e-3) for c, late in cameras
    )
    sigma = []
    for rig in (sim.truth, replace(sim.truth, cameras=known)):
        table = residual_table(rig, tracks)
        sigma.append(max(row.stats.sigma_px for row in table.cameras))
    # A median over some hundred points is good to a tenth or so; the late camera moves points by
    # several sigmas.
    assert sigma[1] < 1.25 * sim.scenario.sigma_px < 2.0 * sim.scenario.sigma_px < sigma[0], sigma
