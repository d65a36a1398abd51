"""What a lens is beyond its model, a field over the image, is no error that passes: it costs few
points, is in the error bars and moves no camera.

The planted field is the law by which a real lens departs from Brown's polynomial: none in
particular, so products of sines of 0.4 to 1 image widths (assumed), 0.04 px RMS an axis.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calib.check.recheck import run as rechecks
from calib.check.residuals import residual_table
from calib.check.verdicts import Fault
from calib.core.tracks import Tracks
from calib.pipeline import solve_rig
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.hold import fit_to_rig
from calib.solve.lasting.by_place import HOLDS, N_CELLS, Field, cells, without_field
from calib.solve.lasting.stretches import share_off
from scripts.benchmarks.errorbars import freed, pose_errors, pose_rows
from tests.captures import IDEAL

RMS_PX = 0.04


def with_field(tracks: Tracks, rms_px: float, seed: int) -> Tracks:
    """Return the tracks with a field of each camera's own added to its points."""
    rng = np.random.default_rng(seed)
    cameras = []
    for camera in tracks.cameras:
        cycles, phase = rng.uniform(1.0, 2.5, (2, 2)), rng.uniform(0.0, 2 * np.pi, (2, 2))
        angle = 2 * np.pi * camera.xy_px[:, None] / camera.width * cycles + phase
        xy = camera.xy_px + 2.0 * rms_px * np.sin(angle).prod(axis=2)
        limit = np.array([camera.width, camera.height]) - 0.5
        cameras.append(replace(camera, xy_px=np.clip(xy, -0.5, limit)))
    return replace(tracks, cameras=tuple(cameras))


def wave(seed: int, wave: int = 1) -> Simulation:
    options = {**IDEAL, "sigma_px": 0.1, "n_frames": 1500 if wave == 1 else 900}
    return simulate(Scenario(layout="room", n_cameras=8, seed=seed, wave=wave, **options))


@pytest.fixture(scope="module")
def sim() -> Simulation:
    return wave(41)


@pytest.fixture(scope="module")
def solved(sim):
    return solve_rig(with_field(sim.tracks, RMS_PX, 5), sim.wand)


def test_a_field_is_in_the_error_bars_and_costs_few_points(sim, solved) -> None:
    """Source: the law of a normalised error squared, SciPy's chi-square."""
    e, G = pose_errors(solved.rig, sim.truth)
    A, (r,) = freed(pose_rows(solved.rig.covariance, solved.rig.names), G, e)
    assert r @ np.linalg.solve(A, r) < stats.chi2.ppf(0.999, len(r))
    assert share_off(solved.fit.problem, solved.fit.stretches) < 0.05


def test_a_field_knocks_no_camera_and_moves_none(sim, solved) -> None:
    table = residual_table(solved.rig, solved.tracks)
    assert not [c for row in table.cameras for c in row.causes if c.cause == Fault.KNOCK]
    again = with_field(wave(41, 2).tracks, RMS_PX, 5)
    assert not rechecks.recheck(solved.rig, again).moved


def test_points_of_a_sound_capture_stay(sim) -> None:
    fit = fit_to_rig(sim.truth, sim.tracks)
    weighted = fit.problem.with_weight(fit.is_inlier / fit.sigma_px[fit.problem.cam])
    assert without_field(weighted, fit.state, fit.sigma_px) is weighted


def test_a_field_is_taken_off_the_points(sim) -> None:
    """Held at the truth: little is left of it but what turns and shifts of a camera would take."""
    fit = fit_to_rig(sim.truth, with_field(sim.tracks, RMS_PX, 5))
    weighted = fit.problem.with_weight(fit.is_inlier / fit.sigma_px[fit.problem.cam])
    evened = without_field(weighted, fit.state, fit.sigma_px)
    plain = fit_to_rig(sim.truth, sim.tracks).problem.uv_px
    seen = weighted.weight > 0
    left, planted = (np.sqrt(((p.uv_px - plain)[:, seen] ** 2).mean()) for p in (evened, weighted))
    assert planted == pytest.approx(RMS_PX, rel=0.15)
    assert left < 0.8 * planted


def test_cells_hold_one_another() -> None:
    """By hand: every coarse cell of 4 by 3 holds four of the 8 by 6."""
    assert all((holds.sum(axis=0) == 1).all() for holds in HOLDS)
    assert (HOLDS[0].sum(axis=1) == 4).all() and (HOLDS[1] == np.eye(N_CELLS)).all()
    field = Field(np.array([[2.0, 1.0]])).of_camera(0)
    assert field[0, 0] == 3.0 and field[0, 1] == field[0, 8] == field[0, 9] == 2.0
    assert field[0, 2] == field[0, 16] == 0.0


def test_cells_lie_over_what_a_camera_saw(sim) -> None:
    problem = fit_to_rig(sim.truth, sim.tracks).problem
    at = problem.pairs_by_camera()[0]
    seen = problem.weight[:, at] > 0
    own, uv = cells(problem, problem.uv_px)[:, at][seen], problem.uv_px[:, :, at][:, seen]
    low, high = np.percentile(uv, [0.5, 99.5], axis=1)
    inside = ((low < uv.T) & (high > uv.T)).all(axis=1)
    share = ((uv.T - low) / (high - low))[inside]
    assert np.array_equal(own[inside] % 8, (share[:, 0] * 8).astype(int))
    assert np.array_equal(own[inside] // 8, (share[:, 1] * 6).astype(int))
