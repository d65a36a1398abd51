"""Which cameras moved: verdicts on planted changes, the statistics behind them, and what cannot be
told.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import linalg, stats
from typer.testing import CliRunner

from calib.check.recheck import explain as explaining
from calib.check.recheck.agree import find_agreement, gain, price
from calib.check.recheck.compare import Comparison, compare, likeliest
from calib.check.recheck.judge import RecheckOptions, judged
from calib.check.recheck.misread import as_read, misread, sure
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.recheck.run import recheck
from calib.check.residuals import residual_table
from calib.check.verdicts import Change, Fault, Majority, RigFault, Standing
from calib.cli.main import app
from calib.core.camera import Lens, project
from calib.core.geometry import cross_matrix, vector_from_rotation
from calib.core.names import listed
from calib.core.parameters import RING, of_cameras
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.files import load_tracks, load_wand, save_rig, save_tracks
from calib.pipeline import calibrate, solve_rig
from calib.report.changes.cameras import worst_first
from calib.report.changes.recheck import as_blocks, as_json, findings, note
from calib.report.changes.whole import drift
from calib.report.figures.moves import of_recheck
from calib.report.tables import lines_of
from calib.simulate import Knock, Scenario, Simulation, simulate
from calib.solve.calibrate import SolveOptions
from calib.solve.repair import Reduced, reduced, repair, shape_axes, solve_anew
from calib.solve.start.single import KnownDistance
from scripts.benchmarks.mistakes import planted
from tests.captures import table_in, with_points
from tests.rigs_in_time import (
    LENS_ERROR,
    NAMES,
    drawn,
    measured,
    moved_as_one,
    stored,
    turned,
    wave,
)

DATASETS = Path(__file__).parent.parent / "datasets"


# In the second the marker seems to be seen a little aside as well, and nothing was told.
@pytest.mark.parametrize("seed", [2195002, 7710036])
def test_a_wave_whose_wand_changed_says_nothing_of_the_cameras(seed: int) -> None:
    """They follow it: the rig was told to have grown, or who stood to have moved."""
    capture = planted("marker screwed on in a later wave", seed, 2.0)
    assert capture.earlier is not None
    found = recheck(solve_rig(capture.earlier, capture.wand).rig, capture.tracks)
    (doubt,) = found.of_wave
    assert doubt.finding == RigFault.REBUILT
    assert found.needs_a_hand and not found.moved and not found.repairable and not found.drift
    assert any("another wand was taken up" in text for text in findings(found))
    assert "Wand changed during the wave" in " ".join(lines_of(as_blocks(found)))


def test_a_camera_that_the_rig_was_solved_with_at_fault_is_no_news() -> None:
    """A late one's place and lens bend to it: once it was mended it was told as undecided, to wave
    longer; while it was not, as knocked half-way; and a repair kept its lens.
    """
    late = {"late": {"cam03": 0.3}}
    base = Scenario(n_cameras=6, n_frames=400, seed=11)
    first, same, sound = (
        simulate(replace(base, wave=k, **of)) for k, of in enumerate((late, late, {}))
    )
    rig = solve_rig(first.tracks, first.wand).rig
    assert [c.faults for c in rig.cameras if not c.is_placed] == [(Fault.TIMING,)]
    found = recheck(rig, same.tracks)
    assert [c.name for c in found.cameras if c.verdict == Standing.TIMING] == ["cam03"]
    assert abs(found.camera("cam03").offset_frames - 0.3) < 0.02
    found = recheck(rig, sound.tracks)
    told = " ".join(lines_of(as_blocks(found)))
    assert "5 of 6 cameras stand as before; cam03 was at fault when the rig was solved." in told
    assert "it was knocked" not in told and "wave longer" not in told and "To judge" not in told
    assert "To solve cam03 anew, the others held: calib recheck RIG TRACKS --repair" in told
    mended = repair(rig, found.tracks, found.repairable)
    camera = mended.camera("cam03")
    assert camera.is_placed and not camera.faults and np.isfinite(mended.sigmas("cam03")[0]).all()
    assert not residual_table(mended, sound.tracks).needs_a_hand
    true = sound.truth.camera("cam03").lens  # the late one's has k2 of -0.9 and k3 of 1.5
    np.testing.assert_allclose(camera.lens.dist[[1, 4]], true.dist[[1, 4]], atol=0.1)


def quiet(stage: str, done: int, total: int) -> None:
    del stage, done, total


def knock(camera: str, **change: float) -> dict[str, tuple[Knock, ...]]:
    return {
        "knock": (Knock(camera=camera, **({"rotation_deg": 0.0, "translation_mm": 0.0} | change)),)
    }


@pytest.fixture(scope="module")
def second() -> Simulation:
    return wave(1)


def of_wave(made: Simulation) -> Reduced:
    rig = stored()
    fit, _ = solve_anew(rig, made.tracks, quiet)
    return reduced(fit.problem, fit.result.state, NAMES, fit.options.terms, shape_axes(rig))


@pytest.fixture(scope="module")
def unchanged(second: Simulation) -> Recheck:
    return recheck(stored(), second.tracks)


@pytest.fixture(scope="module")
def now(second: Simulation) -> Reduced:
    return of_wave(second)


@pytest.fixture(scope="module")
def found(now: Reduced) -> Comparison:
    return compare(now, stored())


# ---- planted changes


@pytest.mark.parametrize(
    ("number", "changes", "expected"),
    [
        (1, {}, {}),
        (2, knock("cam02", rotation_deg=0.05), {"cam02": "moved"}),
        (3, knock("cam05", translation_mm=8.0), {"cam05": "moved"}),
        (4, knock("cam03", focal_change=0.005), {"cam03": "lens"}),
        (5, {"slip": {"cam04": 1}}, {"cam04": "timing"}),
        (6, {"noisy": {"cam01": 4.0}}, {"cam01": "noisy"}),
        (
            7,
            knock("cam06", rotation_deg=5.0, translation_mm=60.0, focal_change=0.03),
            {"cam06": "moved"},
        ),
    ],
    ids=["nothing", "turn", "shift", "ring", "late", "noisy", "hard knock"],
)
def test_the_changed_camera_is_named_and_only_it(number, changes, expected):
    sim = wave(number, **changes)
    outcome = recheck(stored(), sim.tracks)

    assert {c.name: c.verdict for c in outcome.cameras if c.verdict != "unmoved"} == expected
    assert outcome.has_majority and not outcome.drift
    for name, verdict in expected.items():
        c, before, after = (
            outcome.camera(name),
            sim.truth.camera(name),
            sim.truth_after.camera(name),
        )
        if verdict == "timing":
            # A count that runs one frame late shows, at its number, what was one frame earlier.
            assert c.offset_frames == pytest.approx(-1.0, abs=5.0 * c.sigma_frames)
        if verdict == "lens":
            assert c.change[6] / before.lens.fx == pytest.approx(
                0.005, abs=4.5 * np.sqrt(c.covariance[6, 6]) / 1000.0
            )
        if verdict == "moved":
            turn = vector_from_rotation(after.cam_from_world.R @ before.cam_from_world.R.T)
            rig_from_truth = stored().camera(name).cam_from_world.R.T @ before.cam_from_world.R
            error = c.change[:6] - np.append(
                turn, rig_from_truth @ (after.position_mm - before.position_mm)
            )
            s = np.sqrt(np.diag(c.covariance)[:6])
            squared = (error / s) @ np.linalg.solve(
                c.covariance[:6, :6] / s[:, None] / s, error / s
            )
            assert squared < stats.chi2.isf(1e-4, 6), "the error lies within its own error bars"
            assert c.p_value < 1e-6 and c.matters


def test_frames_that_are_sent_twice_are_told_of_a_camera_that_stands_where_it_did():
    capture = planted("frames sent twice in a later wave", 3210000, 0.1)
    assert capture.earlier is not None
    rig = calibrate(capture.earlier, capture.wand)
    found = recheck(rig, capture.tracks)
    (name,) = capture.cameras
    assert {c.name: c.verdict for c in found.cameras if c.needs_a_hand} == {name: Standing.TIMING}
    assert "sends frames twice" in note(found, found.camera(name))


def test_frames_lost_are_told_of_a_camera_that_seems_to_move_meanwhile():
    """So many that the solve with its clock runs away, which takes long; what else is said of a
    camera that lost a few is told first.
    """
    capture = planted("frames lost in a later wave", 3400306)
    wrong = misread(capture.simulation.truth, capture.tracks)
    (name,) = capture.cameras
    assert set(wrong) == {name} and wrong[name].is_weak and not sure(wrong)
    found = CameraChange(
        name=name, verdict=Standing.MOVING, change=np.zeros(9), covariance=np.eye(9)
    )
    verdicts = Standing.MOVING, Standing.MOVED, Standing.UNMOVED
    told = [as_read([replace(found, verdict=v)], wrong)[0] for v in verdicts]
    assert [c.verdict for c in told] == [Standing.TIMING, *verdicts[1:]]
    assert told[0].matters and "frames lost" in told[0].misread
    (other,) = as_read([replace(found, name="another")], wrong)
    assert other.verdict == Standing.MOVING


def test_two_of_six_moved_apart_are_both_named():
    changes = (
        Knock(camera="cam01", rotation_deg=0.1, translation_mm=0.0),
        Knock(camera="cam04", rotation_deg=0.5),
    )
    # One chance in a thousand of naming another: there are two dozen waves here.
    outcome = recheck(stored(), wave(8, knock=changes).tracks, RecheckOptions(alpha=1e-3))
    assert set(outcome.moved) == {"cam01", "cam04"}
    assert outcome.groups == (("cam01",), ("cam04",))


def test_a_wave_without_names_is_named_though_a_camera_points_elsewhere():
    sim = wave(31, knock=(Knock(camera="cam03", rotation_deg=3.0, translation_mm=20.0),))
    bare = tuple(replace(c, marker=np.full(c.n_points, -1, np.int16)) for c in sim.tracks.cameras)
    outcome = recheck(stored(), replace(sim.tracks, cameras=bare))
    assert outcome.moved == ("cam03",) and all(
        c.verdict == "unmoved" for c in outcome.cameras if c.name != "cam03"
    )
    c = outcome.camera("cam03")
    assert c.rotation_deg == pytest.approx(3.0, abs=4.5 * np.degrees(c.sigma(slice(0, 3))))


def test_a_single_marker_shows_who_turned_but_no_size():
    scenario = Scenario(n_cameras=6, n_frames=400, seed=5, lasting_share=0.0)
    first, later = (
        simulate(scenario),
        simulate(replace(scenario, wave=1, **knock("cam01", rotation_deg=0.3))),
    )
    p, q = (first.truth.camera(n).position_mm for n in ("cam01", "cam02"))
    distance = KnownDistance("cam01", "cam02", float(np.linalg.norm(p - q)), 0.0)
    rig = calibrate(points_of_marker_0(first.tracks), None, SolveOptions(distance=distance))
    outcome = recheck(rig, points_of_marker_0(later.tracks))
    assert outcome.moved == ("cam01",) and as_json(outcome)["scale"]["sigma"] is None


def points_of_marker_0(tracks: Tracks) -> Tracks:
    return Tracks(
        tuple(with_points(c, c.marker == 0) for c in tracks.cameras), tracks.frame_rate_hz
    )


@pytest.fixture(scope="module")
def held() -> Rig:
    """The rig solved with measured lenses, all a little off as such lenses are (common practice, no
    source).
    """
    first = wave(0)
    return calibrate(measured(first, LENS_ERROR), first.wand)


@pytest.mark.parametrize(
    ("number", "changes", "expected"),
    [
        (1, {}, {}),
        (3, knock("cam02", rotation_deg=0.05), {"cam02": "moved"}),
        (4, knock("cam03", focal_change=0.005), {"cam03": "lens"}),
        (6, {"noisy": {"cam01": 4.0}}, {"cam01": "noisy"}),
    ],
    ids=["nothing", "turn", "ring", "noisy"],
)
def test_errors_of_held_lenses_are_no_moves(held: Rig, number: int, changes, expected):
    """They pull the poses of each wave differently, by where its points lie: the rig says by how
    much.
    """
    outcome = recheck(held, measured(wave(number, **changes), LENS_ERROR))
    # Held lenses as poor as these leave a camera that says little of itself undecided.
    assert {
        c.name: c.verdict for c in outcome.cameras if c.verdict not in {"unmoved", "undecided"}
    } == expected
    assert not outcome.drift and not any("held" in f for f in findings(outcome))


def test_a_large_turn_of_a_camera_whose_lens_is_off_has_its_error_bars(held: Rig):
    """The turn follows the stored turn's error, with which it does not commute: cam06's centre is 5
    px off.
    """
    total, name = 0.0, "cam06"
    for number in (16, 17):
        sim = wave(number, **knock(name, rotation_deg=8.0))
        c, before, after = (
            recheck(held, measured(sim, LENS_ERROR)).camera(name),
            *(rig.camera(name).cam_from_world.R for rig in (sim.truth, sim.truth_after)),
        )
        error = c.change[:3] - vector_from_rotation(after @ before.T)
        assert c.verdict == "moved" and c.kind != explaining.LENS
        total += float(error @ np.linalg.solve(c.covariance[:3, :3], error))
    assert total < stats.chi2.isf(1e-3, 6)


def test_a_rig_that_does_not_say_what_held_lenses_did_is_said_to(held: Rig):
    """What files of earlier solves come to: the errors show as moves, and the outcome
    warns of it.
    """
    assert held.covariance is not None
    silent = replace(held, covariance=replace(held.covariance, held=()))
    outcome = recheck(silent, measured(wave(1), LENS_ERROR))
    assert outcome.needs_a_hand and any("measured lenses" in f for f in findings(outcome))


@pytest.mark.parametrize("name", ["cam03", "cam05"])
def test_a_camera_put_in_anothers_stead_takes_no_sound_one_along(name: str):
    """Its distortion is another, which no ring makes: it pulls the cameras beside it along, or no
    two seem to agree.
    """
    later = wave(1)
    camera, truth = later.tracks.camera(name), later.truth.camera(name)
    # As lenses of one make differ: decentred, and other distortion (common practice, no source).
    step = np.array([4.0, 4.0, 5.0, -4.0, 0.04, -0.02, 8e-4, -8e-4, 0.0, 0.0, 0.0, 0.0])
    other = Lens.from_vector(truth.lens.vector + step)
    seen = camera.marker >= 0
    in_cam = truth.cam_from_world.apply(
        later.markers_world_mm[camera.frame[seen], camera.marker[seen]]
    )
    xy = camera.xy_px.copy()
    xy[seen] += project(other, in_cam) - project(truth.lens, in_cam)
    inside = ((xy >= 0) & (xy <= np.array([camera.width, camera.height]) - 1)).all(axis=1)
    put = replace(camera, xy_px=np.where(inside[:, None], xy, camera.xy_px)).rows(inside)
    cameras = tuple(put if c.name == name else c for c in later.tracks.cameras)
    outcome = recheck(stored(), replace(later.tracks, cameras=cameras))
    assert outcome.moved == (name,)
    assert {c.verdict for c in outcome.cameras if c.name != name} == {"unmoved"}


# ---- the statistics


def test_information_and_score_are_those_of_generalised_least_squares(
    now: Reduced, found: Comparison
):
    """Against the textbook form with the covariance V = S + S C S written out (Rao 1973, section
    4a: from memory).

    C is that of the stored turns once the found ones d followed them, I + d× / 2 of it (Baker,
    Campbell, Hausdorff).
    """
    rig = stored()
    assert rig.covariance is not None
    here = now.turned(found.rig_from_fit[0])
    every = here.parameters(rig.wand.markers)
    index = [rig.covariance.row[p] for p in every]
    T = np.eye(len(every))
    for c, name in enumerate(NAMES):
        d = vector_from_rotation(
            here.state.cam_R[c] @ found.rig_from_fit[0].T @ rig.camera(name).cam_from_world.R.T
        )
        T[c * here.n : c * here.n + 3, c * here.n : c * here.n + 3] += 0.5 * cross_matrix(d)
    C = T @ rig.covariance.matrix[np.ix_(index, index)] @ T.T
    s = 1.0 / np.sqrt(np.diag(here.information.matrix))
    S = here.information.matrix * s[:, None] * s
    V = S + S @ (C / s[:, None] / s) @ S
    V_inverse = linalg.pinvh(V, rtol=1e-11)
    W = (S @ V_inverse @ S) / s[:, None] / s
    keep = np.array([every.index(p) for p in of_cameras(NAMES, RING)])
    expected = W[np.ix_(keep, keep)]
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    np.testing.assert_allclose(found.information.matrix / size, expected / size, atol=1e-5)


def test_a_move_that_two_seconds_of_a_short_view_make_is_undecided() -> None:
    """Of three seconds that a camera saw, its points lay off together for half: named with a chance
    of 1e-65, as scatter tells what is usual of many such errors. One that turned is named still.
    """
    base = Scenario(n_cameras=6, n_frames=600, seed=2, lasting_share=0.0)
    first = simulate(base)
    rig = calibrate(first.tracks, first.wand)
    for did_turn in (False, True):
        change = knock("cam03", rotation_deg=0.05) if did_turn else {}
        made = simulate(replace(base, wave=1, **change))
        seen = made.tracks.camera("cam03")
        begin = np.unique(seen.frame)[len(np.unique(seen.frame)) // 3]
        short = seen.rows((seen.frame >= begin) & (seen.frame < begin + 80))
        is_off = (short.frame >= begin + 20) & (short.frame < begin + 60) & (not did_turn)
        short = replace(short, xy_px=short.xy_px + np.outer(is_off, [0.6, 0.42]))
        cameras = (short if c.name == "cam03" else c for c in made.tracks.cameras)
        found = recheck(rig, replace(made.tracks, cameras=tuple(cameras)))
        camera = found.camera("cam03")
        assert camera.verdict == ("moved" if did_turn else "undecided")
        assert camera.p_value < 1e-20 and camera.may_have_moved
        assert found.moved == (("cam03",) if did_turn else ())


def test_where_first_order_says_nonsense_cameras_stand_as_stored(now: Reduced) -> None:
    """A step of metres and of lenses of 1e25 px ended a recheck in an error of linear algebra."""
    rig, every = stored(), np.ones(len(NAMES), bool)
    information = replace(now.information, gradient=now.information.gradient + 1e9)
    there = likeliest(replace(now, information=information), rig, every)
    np.testing.assert_array_equal(there.lens, [rig.camera(n).lens.vector for n in NAMES])
    R = np.stack([rig.camera(n).cam_from_world.R for n in NAMES])
    np.testing.assert_allclose(there.cam_R @ there.cam_R[0].T, R @ R[0].T, atol=1e-12)
    away = likeliest(now, rig, every)
    assert not np.array_equal(away.lens, there.lens)


def test_nothing_moved_is_chi_square(found: Comparison):
    """All cameras together, all single ones: an unmoved rig's statistics against SciPy's law.

    Both solves know the same of lenses beforehand, and what that is off by is alike in both: the
    statistic may be smaller than the law's, never larger. How small is judged by several waves: of
    the poses in one of these it is 8.7 with 30 degrees of freedom, in the others 22 to 39.
    """
    waves = [found, *(compare(of_wave(wave(k)), stored()) for k in (3, 4, 5, 6))]
    rows = np.delete(np.arange(9 * len(NAMES)), np.arange(6))
    poses = rows[rows % 9 < 6]
    assert min(stats.chi2.sf(gain(w, rows), len(rows)) for w in waves) > 0.001
    middle = np.median([gain(w, poses) for w in waves])
    assert 0.05 < stats.chi2.cdf(middle, len(poses)) < 0.95
    alone = [gain(w, w.at(np.array([c]))) for w in waves for c in range(len(NAMES))]
    assert max(alone) < price(len(NAMES), 0.005)


def root_of(found: Comparison) -> np.ndarray:
    """Return the root of the information, by eigenvalues (numpy.linalg.eigh)."""
    W = found.information.matrix
    values, vectors = np.linalg.eigh(W * (s := 1.0 / np.sqrt(np.diag(W)))[:, None] * s)
    return vectors * np.sqrt(np.maximum(values, 0.0)) / s[:, None]


def with_score(found: Comparison, score: np.ndarray) -> Comparison:
    return replace(found, information=replace(found.information, gradient=-score))


@one_blas_thread
def test_false_alarms_keep_their_level(found: Comparison):
    """Drawn from the law of no change: the share of rechecks that name a camera, within its
    binomial interval.
    """
    rng, alpha, n_draws = np.random.default_rng(5), 0.10, 100
    root = root_of(found)
    named = 0
    for _ in range(n_draws):
        draw = with_score(found, root @ rng.normal(size=len(root)))
        named += not find_agreement(draw, np.arange(len(NAMES)), alpha).is_agreeing.all()
    low, high = stats.binom.interval(0.999, n_draws, alpha)
    # Bonferroni's level is a bound; with six nearly independent cameras it is used up to within a
    # twentieth.
    assert low * 0.8 <= named <= high


def test_a_change_of_known_size_comes_back_with_its_error_bars(found: Comparison):
    """Planted in the score, 200 times: squared error in units of its covariance follows chi-square,
    6 dof.
    """
    rng = np.random.default_rng(6)
    root, W = root_of(found), found.information.matrix
    planted = np.zeros(9)
    planted[:6] = [2e-3, -1e-3, 5e-4, 1.0, -2.0, 0.5]
    at, squared = found.at(np.array([2])), []
    for _ in range(200):
        draw = with_score(found, root @ rng.normal(size=len(W)) + W[:, at] @ planted)
        e = explaining.explain(draw, 2, np.array([], dtype=np.intp))
        assert e.kind in {explaining.MOVE, explaining.BOTH}
        if e.kind == explaining.MOVE:
            d, C = e.change[:6] - planted[:6], e.covariance[:6, :6]
            squared.append(float(d @ np.linalg.solve(C, d)))
    assert stats.kstest(squared, stats.chi2(6).cdf).pvalue > 1e-3


@pytest.mark.parametrize(
    ("figures", "verdict", "matters"),
    [
        ({}, Standing.UNMOVED, False),
        ({"kind": Change.MOVE, "shift_px": 0.1, "shift_mm": 0.1}, Standing.MOVED, False),
        ({"kind": Change.BOTH, "shift_px": 0.3}, Standing.MOVED, True),
        ({"kind": Change.LENS, "shift_mm": 0.6}, Standing.LENS, True),
        ({"kind": Change.MOVE, "offset_frames": 1.0, "sigma_frames": 0.1}, Standing.MOVED, True),
        ({"offset_frames": -1.0, "sigma_frames": 0.1}, Standing.TIMING, True),
        ({"offset_frames": 0.01, "sigma_frames": 1e-4}, Standing.UNMOVED, False),
        ({"offset_frames": 1.0, "noise_ratio": 2.1}, Standing.NOISY, True),
        ({"p_value": 1e-3, "shift_px": 0.3}, Standing.UNDECIDED, False),
        ({"p_value": 1e-3, "shift_px": 0.1}, Standing.UNMOVED, False),
        ({"sigma_shift_px": 0.21}, Standing.UNDECIDED, False),
    ],
)
def test_a_verdict_follows_from_the_figures(figures, verdict, matters):
    """The rules of ``judge``, each on its own: limits 0.2 px, 0.5 mm, twice the noise, 0.02 frames,
    one chance in 200.
    """
    plain = {"shift_px": 0.05, "shift_mm": 0.1, "sigma_shift_px": 0.05, "p_value": 0.5}
    camera = CameraChange(
        name="cam01",
        verdict=Standing.UNSEEN,
        change=np.zeros(9),
        covariance=np.eye(9),
        **(plain | {"noise_ratio": 1.0} | figures),
    )
    found = judged(camera, 6, RecheckOptions())
    assert (found.verdict, found.matters) == (verdict, matters)


# ---- what a wave cannot tell, and what concerns the whole rig


def test_half_the_cameras_moved_as_one_leaves_no_majority(second: Simulation):
    rig = moved_as_one(stored(), NAMES[3:], [0.0, 0.3, 0.1], [5.0, 0.0, 3.0])
    outcome = recheck(rig, second.tracks)
    assert not outcome.has_majority and outcome.moved == () and outcome.repairable == {}
    assert {frozenset(outcome.agreeing), frozenset(outcome.groups[0])} == {
        frozenset(NAMES[:3]),
        frozenset(NAMES[3:]),
    }
    assert any(
        f.startswith("no majority") and "cam01" in f and "cam04" in f for f in findings(outcome)
    )
    assert {c.verdict for c in outcome.cameras} == {"undecided"}
    assert not any(note(outcome, c) for c in outcome.cameras)


def test_a_rig_file_without_uncertainty_is_said_to_be_one(second: Simulation, unchanged: Recheck):
    bare = recheck(replace(stored(), covariance=None), second.tracks)
    assert any("states no uncertainty" in f for f in findings(bare))
    assert not any("states no uncertainty" in f for f in findings(unchanged))


def test_half_the_cameras_moved_each_its_own_way_are_named_with_a_warning(second: Simulation):
    rig, axes = stored(), ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.6, 0.0, 0.8))
    for name, degrees, axis in zip(
        ("cam01", "cam03", "cam06"), (2.0, -1.5, 1.0), axes, strict=True
    ):
        rig = turned(rig, name, degrees, axis)
    outcome = recheck(rig, second.tracks)
    assert set(outcome.moved) == {"cam01", "cam03", "cam06"} and set(outcome.agreeing) == {
        "cam02",
        "cam04",
        "cam05",
    }
    assert not outcome.has_majority and outcome.repairable == {}
    assert any(
        f.startswith("no majority: only cam02, cam04 and cam05 agree, 3 of 6")
        for f in findings(outcome)
    )


def test_cameras_that_moved_as_one_are_said_to_hang_together(second: Simulation):
    rig = moved_as_one(stored(), ("cam02", "cam03"), [0.0, 0.0, 0.4], [0.0, 6.0, 0.0])
    outcome = recheck(rig, second.tracks)
    assert set(outcome.moved) == {"cam02", "cam03"} and outcome.groups == (("cam02", "cam03"),)
    (move,) = outcome.rigid_moves
    turn, sigma = (
        np.degrees(np.linalg.norm(move.turn)),
        np.degrees(np.sqrt(np.trace(move.covariance[:3, :3]))),
    )
    assert turn == pytest.approx(0.4, abs=4.0 * sigma)
    assert "cam02 and cam03 moved as one" in str(outcome)


def test_a_rig_that_grew_names_no_camera(second: Simulation):
    """Warm walls: every camera farther from the middle by the same share."""
    rig = stored()
    middle = np.mean([c.position_mm for c in rig.cameras], axis=0)
    cameras = []
    for c in rig.cameras:
        position = middle + (c.position_mm - middle) / 1.001
        pose = replace(c.cam_from_world, t_mm=-c.cam_from_world.R @ position)
        cameras.append(replace(c, cam_from_world=pose))
    outcome = recheck(replace(rig, cameras=tuple(cameras)), second.tracks)
    assert outcome.moved == () and "grew by" in drift(outcome) and outcome.needs_a_hand
    assert outcome.scale.share == pytest.approx(0.001, abs=4.5 * outcome.scale.sigma)


def test_small_moves_of_every_camera_are_drift(second: Simulation):
    rig, rng = stored(), np.random.default_rng(3)
    for name in NAMES:
        axis = rng.normal(size=3)
        rig = turned(rig, name, 0.05, axis / np.linalg.norm(axis))
    outcome = recheck(rig, second.tracks)
    assert outcome.moved == () and drift(outcome).startswith("every camera moved a little")
    assert outcome.repairable == {} and outcome.needs_a_hand and "mm a metre" in drift(outcome)


def test_a_wave_in_one_corner_says_whom_it_cannot_judge():
    sim = wave(1, n_frames=1500)
    centre = sim.t_world_from_wand_mm
    low = np.quantile(centre[:, :2], 0.2, axis=0)
    frames = np.flatnonzero((centre[:, :2] < low).all(axis=1))
    cameras = []
    for c in sim.tracks.cameras:
        keep = np.isin(c.frame, frames) if c.name != "cam05" else np.zeros(c.n_points, bool)
        cameras.append(
            replace(
                c,
                frame=c.frame[keep],
                xy_px=c.xy_px[keep],
                marker=c.marker[keep],
                radius_px=c.radius_px[keep],
            )
        )
    outcome = recheck(stored(), Tracks(tuple(cameras), sim.tracks.frame_rate_hz))
    assert outcome.moved == ()
    blind = outcome.camera("cam05")
    assert blind.verdict == "unseen" and "none of its points are seen" in note(outcome, blind)
    # More than its image is wide is no size of a move.
    seen = next(c for c in outcome.cameras if c.name in outcome.tracks.names)
    vague = replace(seen, verdict="undecided", sigma_shift_px=81279.5)
    assert note(outcome, vague).startswith("no move would show: wave longer")
    # Of many such cameras a few are told one by one, the others together.
    many = replace(
        outcome,
        tracks=sim.tracks,
        cameras=tuple(
            replace(seen, name=c.name, verdict="undecided", sigma_shift_px=0.25 * (k + 1))
            for k, c in enumerate(outcome.cameras)
        ),
    )
    names = [c.name for c in worst_first(many)]
    told = "\n".join(lines_of(as_blocks(many)))
    assert told.count("px would not show: wave longer") == 3 < len(names) - 1
    least = [0.75 * (outcome.cameras.index(outcome.camera(n)) + 1) for n in names[3:]]
    assert (
        f"{listed(names[3:])}: moves of {min(least):.1f} to {max(least):.1f} px would not show "
        "either: wave longer, and all over their images." in told
    )
    assert [bool(m.note) for m in of_recheck(stored(), many).cameras] == [
        k < 3 for k in range(len(names))
    ]
    alone = lines_of(as_blocks(outcome))
    few = [c for c in outcome.cameras if c.verdict == "unseen" and "needed" in note(outcome, c)]
    assert len(few) > 1 and f"{listed([c.name for c in few])}: at most " in "\n".join(alone)
    assert not [line for line in alone for c in few if line.startswith(f"{c.name}: ")]
    others = [c for c in outcome.cameras if c.verdict == "unseen" and c.name != "cam05"]
    assert others and all(
        "would not show" in note(outcome, c) or "needed" in note(outcome, c) for c in others
    )


# ---- real cameras


@pytest.mark.parametrize("form", ["line", "board"])
def test_real_pair_against_its_own_capture_and_with_a_turned_camera(form: str):
    tracks, wand = (
        load_tracks(DATASETS / f"photographs/{form}.h5"),
        load_wand(DATASETS / f"photographs/{form}.toml"),
    )
    rig = calibrate(tracks, wand)
    assert {c.verdict for c in recheck(rig, tracks).cameras} <= {"unmoved", "undecided"}
    for name in rig.names:  # of a line seen three to a row less leaves open which of them turned
        outcome = recheck(turned(rig, name, 0.3), tracks)
        assert outcome.moved == (name,)
        cameras = [c if c.name == name else replace(c, verdict="unmoved") for c in outcome.cameras]
        told = str(replace(outcome, cameras=tuple(cameras)))
        assert told.startswith(f"1 of 2 cameras stands as before; {name} moved.")
        c = outcome.camera(name)
        assert c.rotation_deg == pytest.approx(0.3, abs=4.0 * np.degrees(c.sigma(slice(0, 3))))
        assert any("two cameras only show" in f for f in findings(outcome))


def test_of_two_cameras_the_one_that_turned_in_place_has_the_figures_and_the_other_none() -> None:
    """What the other would have had to do instead stood beside its "unmoved", and that of the one
    that moved by 18 px did not matter.
    """
    scenario = Scenario(n_cameras=2, seed=33, n_frames=500)
    first = simulate(scenario)
    knock = Knock(camera="cam02", rotation_deg=0.5, translation_mm=0.0)
    later = simulate(replace(scenario, wave=1, knock=(knock,)))
    found = recheck(solve_rig(first.tracks, first.wand).rig, later.tracks)
    assert found.majority == Majority.ONE_OF_TWO and found.moved == ("cam02",)
    moved, other = found.camera("cam02"), found.camera("cam01")
    assert moved.matters and moved.rotation_deg == pytest.approx(0.5, abs=0.02)
    assert other.verdict == "unmoved" and np.isnan(other.rotation_deg) and not other.matters
    lines = lines_of(as_blocks(found, files="rig.h5 wave2.h5"))
    assert "calib solve wave2.h5 --wand WAND -o NEW_RIG" in "\n".join(lines)
    assert as_json(found)["cameras"][0]["translation_mm"] is None


# ---- bad input


def test_other_names_are_told(second: Simulation):
    tracks = second.tracks
    renamed = replace(
        tracks, cameras=(replace(tracks.cameras[0], name="lobby"), *tracks.cameras[1:])
    )
    with pytest.raises(InputError, match="lobby"):
        recheck(stored(), renamed)
    strangers = replace(
        tracks, cameras=tuple(replace(c, name=f"x{c.name}") for c in tracks.cameras)
    )
    with pytest.raises(InputError, match="none of them, but xcam01"):
        recheck(stored(), strangers)


def test_a_rig_camera_without_tracks_cannot_be_judged(second: Simulation):
    outcome = recheck(stored(), second.tracks.subset(NAMES[1:]))
    assert outcome.camera("cam01").verdict == "unseen" and "no tracks" in note(
        outcome, outcome.camera("cam01")
    )
    assert outcome.moved == () and as_json(outcome)["cameras"][0]["rotation_deg"] is None


def test_another_sensor_size_is_told(second: Simulation):
    c = second.tracks.cameras[2]
    tracks = replace(
        second.tracks,
        cameras=(*second.tracks.cameras[:2], replace(c, width=2050), *second.tracks.cameras[3:]),
    )
    with pytest.raises(
        InputError, match=r"cam03: expected the rig's sensor of 2000 × 1200 px, found 2050 × 1200"
    ):
        recheck(stored(), tracks)


def test_too_few_shared_points_are_told(second: Simulation):
    few = tuple(
        replace(
            c, frame=c.frame[:5], xy_px=c.xy_px[:5], marker=c.marker[:5], radius_px=c.radius_px[:5]
        )
        for c in second.tracks.cameras
    )
    with pytest.raises(UnsolvableError, match="45 matched points"):
        recheck(stored(), Tracks(few, 25.0))


@pytest.mark.parametrize(
    "options", [{"matters_px": 0.0}, {"matters_mm": float("nan")}, {"alpha": 1.5}]
)
def test_options_without_sense_are_refused(options):
    with pytest.raises(InputError):
        RecheckOptions(**options)


def test_a_rig_without_covariance_is_taken_as_exact(second: Simulation):
    truth: Rig = second.truth
    outcome = recheck(replace(truth, covariance=None), second.tracks)
    assert outcome.moved == ()


# ---- the command


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recheck")
    save_rig(stored(), folder / "rig.h5")
    save_rig(turned(stored(), "cam02", 0.3), folder / "turned.h5")
    save_tracks(wave(1).tracks, folder / "wave.h5")
    return folder


def test_command_exits_0_on_an_unmoved_rig_and_sends_nobody_up(files: Path):
    done = CliRunner().invoke(app, ["recheck", str(files / "rig.h5"), str(files / "wave.h5")])
    assert done.exit_code == 0 and "ladder" not in done.stderr
    assert done.stdout.startswith("All 6 cameras stand as before.\n")


def test_exchanged_names_are_no_loose_mount(files: Path, tmp_path: Path):
    tracks = wave(1).tracks
    new = {"cam02": "cam05", "cam05": "cam02"}
    cameras = (replace(c, name=new.get(c.name, c.name)) for c in tracks.cameras)
    save_tracks(replace(tracks, cameras=tuple(cameras)), tmp_path / "w.h5")
    done = CliRunner().invoke(app, ["recheck", str(files / "rig.h5"), str(tmp_path / "w.h5")])
    assert done.exit_code == 1 and "--rename cam02=cam05 --rename cam05=cam02" in done.stdout
    assert "safety tether before anything else" not in " ".join(done.stderr.split())


def test_command_names_the_moved_camera_with_the_caution(files: Path):
    done = CliRunner().invoke(app, ["recheck", str(files / "turned.h5"), str(files / "wave.h5")])
    assert done.exit_code == 1
    assert done.stdout.startswith("5 of 6 cameras stand as before; cam02 moved.\n")
    assert f"calib recheck {files / 'turned.h5'} {files / 'wave.h5'} --repair" in done.stdout
    first = table_in(done.stdout)[1][0].split()
    assert first[:2] == ["cam02", "moved"] and first[-1] == "yes"
    for word in ("mount, clamp and safety tether", "keep people from under it", "licensed riggers"):
        assert word in " ".join(done.stderr.split())


def test_json_has_its_keys(files: Path):
    done = CliRunner().invoke(
        app, ["recheck", str(files / "turned.h5"), str(files / "wave.h5"), "--json"]
    )
    document = json.loads(done.stdout)
    assert done.exit_code == 1 and document["moved"] == ["cam02"]
    keys = {
        "name",
        "verdict",
        "rotation_deg",
        "translation_mm",
        "sigma_rotation_deg",
        "sigma_translation_mm",
    }
    for c in document["cameras"]:
        assert keys | {"shift_px", "p_value"} <= set(c)
        assert c["verdict"] in {"unmoved", "moved", "lens", "timing", "noisy", "unseen"}
    assert document["cameras"][1]["rotation_deg"] == pytest.approx(0.3, abs=0.02)


@pytest.mark.parametrize(
    ("words", "text"),
    [(["--repair"], "-o"), (["-o", "new.h5"], "--repair"), (["--matters-px", "0"], "matters_px")],
)
def test_options_that_do_not_go_together(files: Path, words, text):
    done = CliRunner().invoke(
        app, ["recheck", str(files / "rig.h5"), str(files / "wave.h5"), *words]
    )
    assert done.exit_code == 2 and text in done.stderr and len(done.stderr.splitlines()) == 1


def test_a_rig_that_another_solve_might_have_found_agrees(second: Simulation):
    """Stored errors drawn from the stored covariance once more: within what is counted, no camera
    is named.
    """
    outcome = recheck(drawn(stored(), np.random.default_rng(1), factor=0.5), second.tracks)
    assert outcome.moved == ()


def test_a_rig_of_fewer_lens_terms_names_nobody_and_says_so(unchanged: Recheck):
    """What files of earlier solves come to: terms that were left out count as usual, and the
    outcome says so.
    """
    sim = wave(0)
    rig = calibrate(sim.tracks, sim.wand, SolveOptions(terms=("focal", "principal", "k1", "k2")))
    for number in (1, 2):
        outcome = recheck(rig, wave(number).tracks)
        assert outcome.moved == () and any("simpler lenses" in f for f in findings(outcome))
    assert not any("simpler lenses" in f for f in findings(unchanged))


def test_cameras_knocked_together_as_a_later_wave_ends_are_told():
    """What stands off from the stored rig then was left out, and all stood as before."""
    names = ("cam02", "cam03", "cam04")
    scenario = Scenario(layout="dome", n_cameras=8, n_frames=500, seed=76)
    made = simulate(scenario)
    knocks = tuple(Knock(camera=name, frame=450, rotation_deg=0.3) for name in names)
    later = simulate(replace(scenario, wave=1, knock=knocks))
    found = recheck(calibrate(made.tracks, made.wand), later.tracks)
    moving = [c.name for c in found.cameras if c.verdict == Standing.MOVING]
    assert set(moving) >= set(names) and found.needs_a_hand
