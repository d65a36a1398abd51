"""Names checked across cameras in a solve: flips and swaps put right, what was missed named,
strangers left out.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from typer.testing import CliRunner

import calib
from calib.cli.main import app
from calib.core.geometry import rigid_fit
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.naming.renaming import named_tracks, rename
from calib.pipeline import solve_rig
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.hold import rig_state
from tests.captures import capture

N_FRAMES = 400
EMPTY = np.empty((0, 3))


@cache
def simulated(wand: str, seed: int, n_frames: int = N_FRAMES) -> Simulation:
    return simulate(
        Scenario(
            n_cameras=5,
            n_frames=n_frames,
            wand=wand,
            seed=seed,
            strays=10.0,
            is_named=False,
            connected=False,
            lasting_share=0.0,
        )
    )


def with_names(sim: Simulation, names: list[np.ndarray]) -> Tracks:
    """Return the capture with these names, as if ``identify`` had given them."""
    cameras = zip(sim.tracks.cameras, names, strict=True)
    named = tuple(replace(c, marker=m) for c, m in cameras)
    return replace(sim.tracks, cameras=named, is_identified=True)


def right(sim: Simulation) -> list[np.ndarray]:
    """Return the true names, gross outliers and merged markers without one."""
    return [
        np.where(bad, -1, m).astype(np.int16)
        for m, bad in zip(sim.marker, sim.is_outlier, strict=True)
    ]


def wrong(sim: Simulation, tracks: Tracks) -> int:
    return sum(int(sim.is_wrong_name(c.name, c.marker).sum()) for c in tracks.cameras)


def squared_error(rig: Rig, sim: Simulation) -> float:
    """Return the squared errors of the positions in their sigmas, aligned by the positions."""
    found, true = (np.stack([c.position_mm for c in r.cameras]) for r in (rig, sim.truth))
    _, R, t = rigid_fit(true, found)
    return float(
        np.sum(((found - (true @ R.T + t)) / np.stack([rig.sigmas(n)[0] for n in rig.names])) ** 2)
    )


# ---- with the cameras known


def test_a_camera_all_of_whose_wand_lies_elsewhere_keeps_its_names() -> None:
    """It is off itself, as after a knock: left without names, nothing told that, and a camera whose
    ring was turned half-way was called good.
    """
    sim = simulated("line3", 3)
    names, half = right(sim), N_FRAMES // 2
    named = with_names(sim, names)
    first = named.cameras[0]
    middle = np.array([first.width, first.height]) / 2.0
    turned = np.where((first.frame >= half)[:, None], 0.05 * (middle - first.xy_px), 0.0)
    cameras = (replace(first, xy_px=first.xy_px + turned), *named.cameras[1:])
    found = rename(replace(named, cameras=cameras), sim.wand, rig_state(sim.truth, named.names))
    far = (first.marker >= 0) & (np.hypot(*turned.T) > 15.0)  # px: more than any place is unsure
    frame, count = np.unique(first.frame[far], return_counts=True)
    is_late = far & np.isin(first.frame, frame[count == 3])
    kept = found.tracks.cameras[0].marker[is_late] == first.marker[is_late]
    # Where a stray point lies by chance at a marker's place, that one has the name.
    assert is_late.sum() > 100 and kept.mean() > 0.9


@pytest.mark.parametrize("wand", ["line3", "plane5"])
def test_flips_swaps_and_gaps_are_put_right(wand: str) -> None:
    """One camera in five reads the wand the wrong way round for 60 frames, another swaps two, a
    third names nothing.
    """
    sim = simulated(wand, 3)
    good = right(sim)
    names = [m.copy() for m in good]
    frame = [c.frame for c in sim.tracks.cameras]
    n = len(sim.wand.markers)
    flipped = (names[0] >= 0) & (frame[0] < 60)
    names[0][flipped] = n - 1 - names[0][flipped]
    swapped = (names[1] >= 0) & (frame[1] >= 200) & (frame[1] < 260)
    names[1][swapped & (good[1] == 0)], names[1][swapped & (good[1] == 1)] = 1, 0
    names[2][frame[2] >= 300] = -1
    spoilt = with_names(sim, names)
    assert wrong(sim, spoilt) > 60
    done = rename(spoilt, sim.wand, rig_state(sim.truth, sim.tracks.names))
    assert wrong(sim, done.tracks) == 0
    found = np.concatenate([c.marker for c in done.tracks.cameras])
    before, true = np.concatenate(names), np.concatenate(good)
    # What is left without a name: frames that no two other cameras place, and points with a stray
    # within the limit.
    assert (found == true)[true >= 0].mean() > 0.97
    for is_spoilt, k in ((flipped, 0), (swapped, 1), ((frame[2] >= 300) & (good[2] >= 0), 2)):
        assert (done.tracks.cameras[k].marker == good[k])[is_spoilt].mean() > 0.9
    assert done.n_added == ((before < 0) & (found >= 0)).sum() > 100
    assert done.n_changed == ((before >= 0) & (found >= 0) & (found != before)).sum() > 60
    assert done.n_dropped == ((before >= 0) & (found < 0)).sum()
    assert all(str(v) in str(done) for v in (done.n_added, done.n_changed, done.n_dropped))


def test_strays_that_bear_a_name_lose_it() -> None:
    sim = simulated("line3", 3)
    good = right(sim)
    names = [m.copy() for m in good]
    rng = np.random.default_rng(0)
    for camera, m in zip(sim.tracks.cameras, names, strict=True):
        # A frame without marker 1 gives its name to a stray.
        lacking = np.setdiff1d(camera.frame, camera.frame[m == 1])
        rows = np.flatnonzero(
            (m < 0) & np.isin(camera.frame, rng.choice(lacking, 20, replace=False))
        )
        m[rows[np.unique(camera.frame[rows], return_index=True)[1]]] = 1
    spoilt = with_names(sim, names)
    assert wrong(sim, spoilt) >= 80
    done = rename(spoilt, sim.wand, rig_state(sim.truth, sim.tracks.names))
    # Frames that nothing places keep what they have.
    left = wrong(sim, done.tracks)
    assert left <= 0.1 * wrong(sim, spoilt) and done.n_dropped > 0


def test_names_that_somebody_else_gave_are_left_alone() -> None:
    sim = capture(n_cameras=4, seed=18)
    assert named_tracks(sim.truth, sim.tracks) is sim.tracks


# ---- within a solve


@pytest.mark.parametrize(("wand", "seed", "n_frames"), [("line3", 3, N_FRAMES), ("solid6", 4, 300)])
def test_calibrate_names_what_has_no_names(wand: str, seed: int, n_frames: int) -> None:
    """No wrong name among the inliers, nearly all points in use, and the error bars hold
    the truth.
    """
    sim = simulated(wand, seed, n_frames)
    solution = solve_rig(sim.tracks, sim.wand)
    fit, problem = solution.fit, solution.fit.problem
    for k, camera in enumerate(sim.tracks.cameras):
        names = np.full(camera.n_points, -1, np.int16)
        for m, row in enumerate(problem.row):
            names[row[fit.is_inlier[m] & (problem.cam == k)]] = m
        assert not sim.is_wrong_name(camera.name, names).any()
    true = with_names(sim, right(sim))
    known = solve_rig(replace(true, is_identified=False), sim.wand)
    # Little is lost: stretches without a whole wand in any camera are named from their ends. One
    # that begins out of all cameras' sight, with the whole wand in one camera alone, has no such
    # end.
    assert fit.is_inlier.sum() > 0.98 * known.fit.is_inlier.sum()
    ratio = [
        np.linalg.norm(solution.rig.sigmas(n)[0]) / np.linalg.norm(known.rig.sigmas(n)[0])
        for n in sim.tracks.names
    ]
    assert np.median(ratio) < 1.06
    assert squared_error(solution.rig, sim) < stats.chi2.ppf(1 - 1e-4, 15)
    assert any("names checked across cameras" in f for f in solution.rig.findings)


def test_a_camera_that_reads_the_wand_the_wrong_way_round_is_put_right_in_the_solve() -> None:
    sim = simulated("line3", 3)
    names = right(sim)
    flipped = (names[0] >= 0) & (sim.tracks.cameras[0].frame < N_FRAMES // 4)
    names[0][flipped] = 2 - names[0][flipped]
    rig = calib.calibrate(with_names(sim, names), sim.wand)
    assert squared_error(rig, sim) < stats.chi2.ppf(1 - 1e-4, 15)
    done = rename(with_names(sim, names), sim.wand, rig_state(rig, rig.names))
    assert (done.tracks.cameras[0].marker == right(sim)[0])[flipped].mean() > 0.9


def test_a_wand_that_cannot_be_told_is_refused_by_the_solve_too() -> None:
    sim = simulated("line3", 3)
    even = replace(sim.wand, points_mm=np.array([[0.0, 0, 0], [250, 0, 0], [500, 0, 0]]))
    with pytest.raises(InputError, match="end for end"):
        calib.calibrate(sim.tracks, even)
    with pytest.raises(InputError, match="one point looks like any other"):
        calib.calibrate(sim.tracks, None)


def test_solve_and_residuals_take_nameless_tracks(tmp_path: Path) -> None:
    sim = simulated("line3", 3)
    calib.save_tracks(sim.tracks, tmp_path / "t.h5")
    calib.save_wand(sim.wand, tmp_path / "w.toml")

    def run(*arguments: object) -> tuple[int, str, str]:
        done = CliRunner().invoke(app, [str(a) for a in arguments])
        return done.exit_code, done.stdout, done.stderr

    code, out, err = run(
        "solve", tmp_path / "t.h5", "--wand", tmp_path / "w.toml", "-o", tmp_path / "r.h5", "--json"
    )
    assert code == 0, err
    document = json.loads(out)
    assert [c["name"] for c in document["identify"]["cameras"]] == list(sim.tracks.names)
    points = {c["name"]: c["points"] for c in document["cameras"]}
    code, out, err = run("residuals", tmp_path / "r.h5", tmp_path / "t.h5", "--json")
    assert code == 0, err
    again = {c["name"]: c["points"] for c in json.loads(out)["cameras"]}
    assert again == pytest.approx(points, rel=0.02), "the same names, found with the finished rig"
