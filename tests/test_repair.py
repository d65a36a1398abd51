"""A repaired rig: what moved is solved anew, the rest stays to the bit, and the covariance counts
both.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import stats
from typer.testing import CliRunner

from calib.check.recheck.run import recheck
from calib.cli.main import app
from calib.core.camera import project
from calib.core.geometry import Array, cross_matrix, vector_from_rotation
from calib.core.parameters import RING, ROTATION, CameraParameter, of_cameras
from calib.core.rig import Rig
from calib.errors import InputError
from calib.files import load_rig, save_rig, save_tracks, sha256
from calib.pipeline import calibrate
from calib.simulate import Knock, Simulation, sample_points
from calib.simulate.scenario import INDEPENDENT
from calib.solve.repair import repair
from scripts.benchmarks.truth import error_against_truth
from tests.rigs_in_time import NAMES, SCENARIO, as_solved, drawn, measured, stored, turned, wave

HIT = Knock(camera="cam03", rotation_deg=1.0, translation_mm=20.0)


def quiet(stage: str, done: int, total: int) -> None:
    del stage, done, total


@pytest.fixture(scope="module")
def knocked() -> Simulation:
    return wave(1, knock=(HIT,))


@pytest.fixture(scope="module")
def mended(knocked: Simulation) -> Rig:
    found = recheck(stored(), knocked.tracks)
    assert found.repairable == {"cam03": ()}
    return repair(stored(), found.tracks, found.repairable, quiet)


def test_all_but_the_moved_camera_stay_to_the_bit(mended: Rig):
    for name in NAMES:
        was, is_now = stored().camera(name), mended.camera(name)
        np.testing.assert_array_equal(is_now.lens.vector, was.lens.vector)
        assert (is_now.stats == was.stats) == (name != "cam03")
        same = np.array_equal(is_now.cam_from_world.R, was.cam_from_world.R)
        assert (same and np.array_equal(is_now.cam_from_world.t_mm, was.cam_from_world.t_mm)) == (
            name != "cam03"
        )


def test_the_repair_is_as_accurate_as_a_new_solve_of_the_same_wave():
    """Median 3D errors, of stored rigs drawn about the truth; ``scripts/bench recheck`` measures it
    over many rigs.
    """
    ours, full = [], []
    for number in (3,):
        later = wave(number, knock=(HIT,))
        points = sample_points(SCENARIO, 300, np.random.default_rng(number))
        rigs = [
            drawn(as_solved(later.truth), np.random.default_rng([number, k]), knows_wand=True)
            for k in range(3)
        ]
        ours += [
            median_mm(repair(rig, later.tracks, {"cam03": ()}, quiet), later, points)
            for rig in rigs
        ]
        full.append(median_mm(calibrate(later.tracks, later.wand), later, points))
    ratio = np.exp(np.mean(np.log(ours)) - np.mean(np.log(full)))
    # Solves of equal waves before these six cameras differ by 37 % (of the logarithm, over waves 40
    # to 59), means less.
    assert ratio < 1.05 + 2.0 * 0.37 * np.sqrt(1 / len(ours) + 1 / len(full))


def median_mm(rig: Rig, sim: Simulation, points: Array) -> float:
    return float(np.nanmedian(error_against_truth(rig, sim.truth_after, points)))


def test_the_covariance_of_the_others_is_kept_and_the_whole_is_positive(mended: Rig):
    old, new = stored().covariance, mended.covariance
    assert old is not None and new is not None and set(old.parameters) == set(new.parameters)
    solved = of_cameras(["cam03"], ())
    kept = [p for p in old.parameters if p not in solved]
    a, b = (np.ix_(*[[c.row[p] for p in kept]] * 2) for c in (old, new))
    np.testing.assert_array_equal(new.matrix[b], old.matrix[a])
    s = np.sqrt(np.diag(new.matrix))
    assert np.linalg.eigvalsh(new.matrix / s[:, None] / s).min() > -1e-9


def poses(rig: Rig) -> tuple[Array, Array]:
    return np.stack([c.cam_from_world.R for c in rig.cameras]), np.stack(
        [c.position_mm for c in rig.cameras]
    )


def test_errors_of_the_repair_follow_its_covariance():
    """Stored rigs drawn about the truth from their covariance, repaired by fresh waves: chi-square,
    gauge free.
    """
    assert stored().covariance is not None
    total, dof = 0.0, 0
    for number in (1, 2):
        sim = wave(number, knock=(HIT,))
        rig = repair(
            drawn(as_solved(sim.truth), np.random.default_rng(number)),
            sim.tracks,
            {"cam03": ()},
            quiet,
        )
        assert rig.covariance is not None
        R0, p0 = poses(as_solved(sim.truth_after))
        R1, p1 = poses(rig)
        e = np.hstack([vector_from_rotation(R1 @ np.swapaxes(R0, 1, 2)), p1 - p0]).ravel()
        at = [rig.covariance.row[p] for p in of_cameras(NAMES, ())]
        C = rig.covariance.matrix[np.ix_(at, at)]
        G = np.zeros((len(NAMES), 6, 6))
        G[:, :3, :3], G[:, 3:, :3], G[:, 3:, 3:] = -R0, -cross_matrix(p0), np.eye(3)
        s = np.sqrt(np.diag(C))
        B = np.linalg.qr(G.reshape(-1, 6) / s[:, None], mode="complete")[0][:, 6:]
        r = B.T @ (e / s)
        total += float(r @ np.linalg.solve(B.T @ (C / s[:, None] / s) @ B, r))
        dof += len(r)
    low, high = stats.chi2.ppf([0.001, 0.999], dof)
    assert low < total < high


def sensitivity(rig: Rig, held: CameraParameter) -> Array:
    """Return what a unit of that held lens's error did to poses (6 C,), the first camera held still
    as the world.
    """
    known = rig.covariance
    assert known is not None
    rows = [known.row[p] for p in of_cameras(NAMES, ())]
    R, p = poses(rig)
    G = np.zeros((len(NAMES), 6, 6))
    G[:, :3, :3], G[:, 3:, :3], G[:, 3:, 3:] = -R, -cross_matrix(p), np.eye(3)
    at = known.sensitivity[rows, known.held.index(held)]
    return at - G.reshape(-1, 6) @ np.linalg.solve(G[0], at[:6])


@pytest.mark.parametrize(
    ("column", "camera", "term", "step"),
    [
        (0, "cam03", "focal", 2e-4),
        (1, "cam02", "cx", 0.2),
        (3, "cam03", "k1", 5e-4),
        (7, "cam02", "aspect", 2e-4),
    ],
)
def test_a_solve_and_a_repair_say_what_a_held_lens_does_to_poses(
    column: int, camera: str, term: str, step: float
):
    """Against differences of two solves, and of two repairs of one camera, of the same waves with
    one lens altered.
    """
    first, later, rigs = wave(0, **INDEPENDENT), wave(1, knock=(HIT,), **INDEPENDENT), []
    for sign in (1.0, -1.0):
        error = np.zeros((len(NAMES), 8))
        error[NAMES.index(camera), column] = 0.5 * sign * step
        solved = calibrate(measured(first, error), first.wand)
        rigs.append((solved, repair(solved, later.tracks, {"cam03": ()}, quiet)))
    unit = step * (first.truth.camera(camera).lens.fx if column == 0 else 1.0)
    for plus, minus in zip(*rigs, strict=True):
        (R0, p0), (R1, p1) = poses(minus), poses(plus)
        found = np.hstack([vector_from_rotation(R1 @ np.swapaxes(R0, 1, 2)), p1 - p0]).ravel()
        expected = unit * sensitivity(minus, CameraParameter(camera, term))
        scale = np.tile(
            [3000.0] * 3 + [1.0] * 3, len(NAMES)
        )  # a turn as what it does some metres away
        # Outliers and noises are settled anew in each solve, which moves poses a little besides.
        assert np.linalg.norm(scale * (found - expected)) < 0.05 * np.linalg.norm(scale * expected)


def test_resection_agrees_with_opencv():
    """Of known points: cv2.solvePnP and cv2.solvePnPRefineLM on the same points minimise the same
    sum of squares.

    The other cameras are all but free of noise, so that the markers lie where they lie.
    """
    calm = {n: 0.01 for n in NAMES}
    quiet_world = {
        "outliers": 0.0,
        "strays": 0.0,
        "occlusion": False,
        "knock": (HIT,),
        **INDEPENDENT,
    }
    sim = wave(
        1, n_frames=150, noise_spread=1.0, sigma_px=0.2, noisy=calm | {"cam03": 1.0}, **quiet_world
    )
    truth, others = (
        replace(sim.truth, covariance=None),
        [c for c in sim.tracks.cameras if c.name != "cam03"],
    )
    full = [np.unique(c.frame[c.marker >= 0], return_counts=True) for c in others]
    counts = np.bincount(np.concatenate([f[n == 3] for f, n in full]), minlength=150)
    tracks = sim.tracks.at_frames(np.flatnonzero(counts >= 2))  # where others know the whole wand
    ours = repair(truth, tracks, {"cam03": ()}, quiet).camera("cam03")
    camera = tracks.camera("cam03")
    seen = camera.marker >= 0
    points = sim.markers_world_mm[camera.frame[seen], camera.marker[seen]]
    K, dist, image = ours.lens.K, np.array(ours.lens.dist), camera.xy_px[seen].copy()
    _, rotation, shift = cv2.solvePnP(points, image, K, dist)
    rotation, shift = cv2.solvePnPRefineLM(points, image, K, dist, rotation, shift)
    R = cv2.Rodrigues(rotation)[0]
    # In pixels, where both are compared: the noise of a placed image point is 0.2 px sqrt(6 / n);
    # the markers that the others place with a hundredth of that noise move it by a hundredth, a
    # tenth is allowed for.
    uv = cv2.projectPoints(points, rotation, shift, K, dist)[0][:, 0]
    mine = project(ours.lens, ours.cam_from_world.apply(points))
    assert np.sqrt(np.mean((uv - mine) ** 2)) < 0.1 * 0.2 * np.sqrt(6.0 / len(points))
    assert np.degrees(np.linalg.norm(vector_from_rotation(ours.cam_from_world.R @ R.T))) < 1e-3


def test_a_turned_ring_is_solved_with_the_pose():
    sim = wave(2, knock=(replace(HIT, focal_change=0.02),))
    found = recheck(stored(), sim.tracks)
    assert found.repairable == {"cam03": RING}
    rig = repair(stored(), found.tracks, found.repairable, quiet)
    assert rig.covariance is not None
    i = rig.covariance.row[CameraParameter("cam03", "focal")]
    error = rig.camera("cam03").lens.fx - sim.truth_after.camera("cam03").lens.fx
    assert abs(error) < 4.5 * np.sqrt(rig.covariance.matrix[i, i])
    assert rig.camera("cam03").lens.fx > 1.015 * stored().camera("cam03").lens.fx


@pytest.mark.parametrize(
    "changed",
    [{}, {"cam99": ()}, dict.fromkeys(NAMES, ()), {"cam03": ("zoom",)}],
    ids=["none", "unknown", "all", "a lens term that there is not"],
)
def test_what_cannot_be_repaired_is_refused(changed, knocked: Simulation):
    with pytest.raises(InputError, match="repair"):
        repair(stored(), knocked.tracks, changed, quiet)


def test_command_writes_a_rig_with_its_parent_and_leaves_the_input_alone(
    tmp_path: Path, knocked: Simulation
):
    save_rig(stored(), tmp_path / "rig.h5")
    save_tracks(knocked.tracks, tmp_path / "wave.h5")
    before, words = (
        sha256(tmp_path / "rig.h5"),
        ["recheck", str(tmp_path / "rig.h5"), str(tmp_path / "wave.h5")],
    )
    same = CliRunner().invoke(app, [*words, "--repair", "-o", str(tmp_path / "rig.h5"), "--force"])
    assert same.exit_code == 2 and "apart from the inputs" in same.stderr
    done = CliRunner().invoke(app, [*words, "--repair", "-o", str(tmp_path / "new.h5")])
    assert done.exit_code == 1 and "solved anew: cam03" in done.stderr
    then = f"calib residuals {tmp_path / 'new.h5'} {tmp_path / 'wave.h5'}"
    assert f"\nNext: {then}    #" in done.stdout
    assert CliRunner().invoke(app, then.split()[1:]).exit_code == 0
    rig = load_rig(tmp_path / "new.h5")
    assert rig.parent_sha256 == before == sha256(tmp_path / "rig.h5")
    assert rig.provenance["repaired"] == {"cam03": ["pose"]}
    again = recheck(rig, knocked.tracks)
    assert again.moved == ()


def test_command_writes_nothing_where_nothing_moved(tmp_path: Path):
    save_rig(stored(), tmp_path / "rig.h5")
    save_tracks(wave(1).tracks, tmp_path / "wave.h5")
    words = [
        "recheck",
        str(tmp_path / "rig.h5"),
        str(tmp_path / "wave.h5"),
        "--repair",
        "-o",
        str(tmp_path / "new.h5"),
    ]
    done = CliRunner().invoke(app, words)
    assert (
        done.exit_code == 0
        and "no camera moved" in done.stderr
        and "Next:" not in done.stdout
        and not (tmp_path / "new.h5").exists()
    )


def test_a_stored_pose_turned_by_hand_is_turned_back():
    sim = wave(1)
    found = recheck(turned(stored(), "cam05", 0.4), sim.tracks)
    rig = repair(turned(stored(), "cam05", 0.4), found.tracks, found.repairable, quiet)
    back = rig.camera("cam05").cam_from_world.R @ stored().camera("cam05").cam_from_world.R.T
    assert rig.covariance is not None
    assert np.linalg.norm(vector_from_rotation(back)) < 6.0 * np.linalg.norm(
        rig.covariance.sigma("cam05", ROTATION)
    )
