"""Markers that look off along the wand where it points to a camera: told by size, with the rig's
size in the error bars, and no reason to leave points out or to call cameras moved.

The planted law is the one of the module, along lines of sight that are formed here with the truth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calib.check.recheck import run as rechecks
from calib.check.verdicts import RigFault
from calib.core.camera import project
from calib.core.tracks import Tracks
from calib.pipeline import solve_rig
from calib.report.rigs.whole import sentences
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.hold import RigFit, fit_to_rig
from calib.solve.lasting.leaning import Leaning, find_leaning
from calib.solve.lasting.stretches import share_off
from scripts.benchmarks.errorbars import freed, pose_errors, pose_rows
from tests.captures import IDEAL

SIZE_MM = 0.4  # a twentieth of a marker of 16 mm, its mean over all views a quarter of that


def leant(sim: Simulation, size_mm: float) -> Tracks:
    """Return the tracks with each marker off along its stick, away from the wand's middle."""
    fit = fit_to_rig(sim.truth, sim.tracks)
    state, number = fit.state, fit.problem.frame_number
    inward = state.shape_mm.mean(axis=0) - state.shape_mm
    inward /= np.linalg.norm(inward, axis=1)[:, None]
    cameras = []
    for of_rig, camera in zip(sim.truth.cameras, sim.tracks.cameras, strict=True):
        row = np.searchsorted(number, camera.frame).clip(0, len(number) - 1)
        is_told = (number[row] == camera.frame) & (camera.marker >= 0)
        R, t, m = state.wand_R[row], state.wand_t[row], camera.marker.clip(0)
        place = np.einsum("nij,nj->ni", R, state.shape_mm[m]) + t
        stick = np.einsum("nij,nj->ni", R, inward[m])
        sight = of_rig.position_mm - place
        cosine = (sight * stick).sum(axis=1) / np.linalg.norm(sight, axis=1)
        off = -size_mm * np.maximum(cosine, 0.0)[:, None] * stick
        pose = of_rig.cam_from_world
        before, after = (
            project(of_rig.lens, p @ pose.R.T + pose.t_mm) for p in (place, place + off)
        )
        xy = camera.xy_px + np.where(is_told[:, None], np.nan_to_num(after - before), 0.0)
        limit = np.array([camera.width, camera.height]) - 0.5
        cameras.append(replace(camera, xy_px=np.clip(xy, -0.5, limit)))
    return replace(sim.tracks, cameras=tuple(cameras))


def wave(seed: int, number: int = 1, **changes: object) -> Simulation:
    options = {**IDEAL, "sigma_px": 0.1, "n_frames": 900, **changes}
    return simulate(Scenario(layout="room", n_cameras=6, seed=seed, wave=number, **options))


def found(fit: RigFit) -> Leaning | None:
    return find_leaning(
        fit.problem.with_weight(fit.is_inlier / fit.sigma_px[fit.problem.cam]), fit.state
    )


@pytest.fixture(scope="module")
def sim() -> Simulation:
    return wave(61)


@pytest.fixture(scope="module")
def solved(sim):
    return solve_rig(leant(sim, SIZE_MM), sim.wand)


@pytest.mark.parametrize("size_mm", [SIZE_MM, -SIZE_MM])
def test_the_size_is_found_by_its_error_bar(sim, size_mm: float) -> None:
    """Held at the truth, where the cameras followed nothing; source: the normal law, and a tenth
    for what the gate cuts.
    """
    leaning = found(fit_to_rig(sim.truth, leant(sim, size_mm)))
    assert leaning is not None
    assert abs(leaning.size_mm - size_mm) < 4.0 * leaning.sigma_mm + 0.1 * abs(size_mm)


def test_what_the_rig_grew_by_is_foreseen(sim, solved) -> None:
    """Against a solve of the same points without it."""
    plain = solve_rig(sim.tracks, sim.wand).rig
    size = [
        np.linalg.norm(p - p.mean(axis=0))
        for p in (np.array([c.position_mm for c in rig.cameras]) for rig in (solved.rig, plain))
    ]
    leaning = found(solved.rig_fit)
    assert leaning is not None and leaning.growth < -1e-4
    assert size[0] / size[1] - 1.0 == pytest.approx(leaning.growth, rel=0.25)


def test_it_is_told_and_in_the_error_bars(sim, solved) -> None:
    """Source: the law of a normalised error squared, SciPy's chi-square."""
    (doubt,) = solved.rig.doubts
    assert doubt.finding == RigFault.LEANING
    (line,) = sentences([doubt])
    assert "farther out" in line and "too long" in line and "too small" in line
    e, G = pose_errors(solved.rig, sim.truth)
    A, (r,) = freed(pose_rows(solved.rig.covariance, solved.rig.names), G, e)
    assert r @ np.linalg.solve(A, r) < stats.chi2.ppf(0.999, len(r))
    assert share_off(solved.fit.problem, solved.fit.stretches) < 0.05


def test_no_camera_moved_for_it(solved) -> None:
    assert not rechecks.recheck(solved.rig, leant(wave(61, 2), SIZE_MM)).moved


@pytest.mark.parametrize("changes", [{}, {"marker_error_mm": 0.3}, {"wand": "plane5"}])
def test_sound_points_lean_nowhere(changes: dict[str, object]) -> None:
    """A marker off its listed place, from wherever it is seen, is none of it."""
    sim = wave(62, **changes)
    assert found(fit_to_rig(sim.truth, sim.tracks)) is None
    assert found(solve_rig(sim.tracks, sim.wand).rig_fit) is None


def test_a_frame_rate_that_is_next_to_none_is_no_defect(solved) -> None:
    """As a damaged file may state it: a part of two seconds is a frame then."""
    fit = solved.rig_fit
    slow = replace(fit.problem, rate_hz=1e-300)
    found = find_leaning(slow, fit.state)
    assert found is None or np.isfinite(found.size_mm)


def test_a_single_marker_has_no_stick(sim) -> None:
    fit = fit_to_rig(sim.truth, sim.tracks)
    assert find_leaning(replace(fit.problem, n_rotation=0), fit.state) is None
