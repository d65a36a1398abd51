"""What speaks against a rig as a whole: the mistake's name, and no sound rig in doubt."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import calib
from calib.check.residuals import residual_table
from calib.check.verdicts import Fault, RigFault
from calib.check.whole.find import GROWS_PARTS, change_over
from calib.check.whole.left_out import stands_out
from calib.check.whole.rebuilt import PARTS
from calib.check.whole.steps import largest_step
from calib.check.whole.wand import marker_shift
from calib.core.rig import Doubt
from calib.pipeline import solve_rig
from calib.report.rigs.residuals import as_json
from calib.report.rigs.whole import sentences
from calib.simulate import Knock, Scenario, simulate
from calib.solve.hold import fit_to_rig
from calib.solve.lasting.stretches import BREAK_S
from scripts.benchmarks.errorbars import pose_errors
from scripts.benchmarks.mistakes import MISTAKES, _real_wand, clean, planted, scenario_of
from tests.captures import IDEAL, capture

DOUBTED = {
    "end marker off": {RigFault.WAND},
    "middle marker off the line": {RigFault.OFF_LINE, RigFault.BENT},
    "wand flexes": {RigFault.BENT, RigFault.WAND},
    # Of three markers on a line no image tells which of them left it, and a side in the image is
    # another one on the wand as it turns: which of the wand's faults is named is chance, and what
    # each says to look at includes the marker.
    "marker biased": {RigFault.MARKER, RigFault.WAND, RigFault.BENT, RigFault.OFF_LINE},
    "all knocked late": {RigFault.CHANGED},
    "all mirrored": {RigFault.MIRRORED},
}


@pytest.mark.parametrize("kind", DOUBTED)
def test_the_mistake_is_named(kind: str) -> None:
    capture = planted(kind, 51, MISTAKES[kind].strengths[-1])
    solution = solve_rig(capture.tracks, capture.wand)
    # What follows the first may be its consequence.
    assert solution.rig.doubts and solution.rig.doubts[0].finding in DOUBTED[kind]
    table = solution.table
    assert table.needs_a_hand
    assert as_json(table)["rig"]["verdict"] == "act"


def test_a_camera_knocked_half_way_is_named_alone_and_states_no_sigmas() -> None:
    """In a room, where others see the wand before and after: these are as sure as they are."""
    knock = Knock(camera="cam03", frame=350, rotation_deg=0.2, translation_mm=4.0)
    sim = simulate(Scenario(n_cameras=8, n_frames=700, seed=53, knock=(knock,)))
    solution = solve_rig(sim.tracks, sim.wand)
    knocked = [r for r in solution.table.cameras if any(c.cause == Fault.KNOCK for c in r.causes)]
    assert [r.name for r in knocked] == ["cam03"]
    rig = solution.rig
    assert [c.name for c in rig.cameras if Fault.KNOCK in c.faults] == ["cam03"]
    for row in solution.table.cameras:  # the table and the rig, which other pages are of, say alike
        assert np.isnan(row.sigma_position_mm).all() == (row.name == "cam03")
        np.testing.assert_array_equal(row.sigma_position_mm, rig.sigmas(row.name)[0])
        np.testing.assert_array_equal(row.sigma_rotation_deg, rig.sigmas(row.name)[1])
    sound = [n for n in rig.names if n != "cam03"]
    part = replace(rig, cameras=tuple(map(rig.camera, sound)), covariance=None)
    error = pose_errors(part, sim.truth)[0].reshape(-1, 6)[:, 3:]
    stated = np.array([rig.sigmas(n)[0] for n in sound])
    # Errors of seven cameras hang together, but have six freedoms at least.
    low, high = stats.chi2.interval(0.9998, 6)
    assert low < 6.0 * (error**2).sum() / (stated**2).sum() < high


def test_cameras_knocked_together_as_the_wave_ends_are_named() -> None:
    """Their points were left out as errors that last, and the rig of before was told to be good."""
    names = ("cam02", "cam03", "cam04")
    knocks = tuple(Knock(camera=name, frame=450, rotation_deg=0.3) for name in names)
    scenario = Scenario(layout="dome", n_cameras=8, n_frames=500, seed=73, knock=knocks)
    sim = simulate(scenario)
    (doubt,) = solve_rig(sim.tracks, sim.wand).rig.doubts
    assert doubt.finding == RigFault.CHANGED and doubt.cameras == names
    assert doubt.figures["frame"] == pytest.approx(450, abs=3)


def test_cameras_that_begin_to_stand_off_at_one_moment_are_told_by_few_frames() -> None:
    """Of 9 to 14 frames each: so long a single camera's error lasts often, from one frame on in
    three of them it does not.
    """
    capture = planted("truss knocked at the end", 7500005)
    (doubt,) = solve_rig(capture.tracks, capture.wand).rig.doubts
    assert doubt.finding == RigFault.CHANGED and set(doubt.cameras) == set(capture.cameras)
    n, rate_hz = len(capture.simulation.R_world_from_wand), capture.tracks.frame_rate_hz
    assert doubt.figures["frame"] == pytest.approx(n - 2 * rate_hz, abs=3)


def test_a_mount_that_gives_evenly_is_told_by_what_was_left_out_too() -> None:
    """A third of its points passed for errors that last; the rest told of a knock."""
    capture = planted("mount sags", 7400067)
    solution = solve_rig(capture.tracks, capture.wand)
    table = solution.table
    (row,) = (r for r in table.cameras if r.causes)
    assert row.name in capture.cameras and row.causes[0].cause == Fault.CREEPS


@pytest.mark.parametrize(("wand", "size_mm"), [("line3", 2.0), ("plane5", 1.0)])
def test_a_wand_put_together_anew_half_way_is_told_with_marker_and_frame(
    wand: str, size_mm: float
) -> None:
    """Cameras followed it: they seemed knocked, or nothing was said of a rig 11 sigmas off."""
    sim = simulate(Scenario(n_cameras=5, n_frames=600, seed=7, wand=wand))
    along = sim.truth.wand_used.points_mm[-1] - sim.truth.wand_used.points_mm[0]
    last = len(sim.wand.markers) - 1
    along *= size_mm / np.linalg.norm(along)
    tracks, stated = _real_wand(sim, lambda f: (f >= 300).astype(float), last, along)
    solution = solve_rig(tracks, stated)
    first = solution.rig.doubts[0]
    assert first.finding == RigFault.REBUILT
    # Of three on a line which one is not known.
    assert first.figures["marker"] == (None if wand == "line3" else stated.markers[-1])
    assert first.figures["frame"] == pytest.approx(300, abs=2 * 600 / PARTS)
    assert solution.whole.knocked == {}
    assert "another wand was taken up" in sentences(solution.rig.doubts)[0]


def test_a_wand_that_changed_is_told_by_the_size_that_cameras_see_again() -> None:
    """What three markers on a line are to one another hardly tells; the rig was 6 sigmas off."""
    sim = simulate(scenario_of(7100007, (5, 9), ("line3",)))
    along = sim.truth.wand_used.points_mm[-1] - sim.truth.wand_used.points_mm[0]
    n, along = len(sim.R_world_from_wand), along * 0.5 / np.linalg.norm(along)
    tracks, stated = _real_wand(sim, lambda f: (f >= n // 2).astype(float), 2, along)
    (doubt,) = solve_rig(tracks, stated).rig.doubts
    assert doubt.finding == RigFault.REBUILT
    # Of a standard deviation of some 0.06 mm.
    assert doubt.figures["offset_mm"] == pytest.approx(0.5, abs=0.25)


@pytest.mark.parametrize("seed", [61, 340001, 340020])
def test_a_sound_rig_is_not_in_doubt(seed: int) -> None:
    """In the last two a stretch that stands off lies at one end of what a camera or three saw."""
    capture = clean(seed)
    solution = solve_rig(capture.tracks, capture.wand)
    assert solution.rig.doubts == () and not solution.whole.knocked


def test_the_step_between_two_parts_follows_its_law() -> None:
    """Held against the true rig, independent noise: chi-square of as many degrees of freedom as
    stated (SciPy), of which the largest of nine is told.
    """
    chances = []
    for seed in range(8):
        sim = simulate(
            Scenario.plain(
                n_cameras=4, n_frames=300, seed=200 + seed, outliers=0.0, strays=0.0, wand="solid6"
            )
        )
        step = largest_step(fit_to_rig(sim.truth, sim.tracks))
        # A camera that saw a few points alone in one of the parts leaves a direction or more open.
        assert step is not None and 6 * 2 <= step.freedom <= 6 * 3
        chances.append(stats.chi2.sf(step.chi_square, step.freedom))
    # Nine moments, not independent: the least of nine chances is above 1e-3 / 9 but once in a
    # thousand, and not all are small; weights by a robust loss only lower chi-square.
    assert min(chances) > 1e-3 / 9 / len(chances)


@pytest.mark.parametrize(
    ("first", "last", "is_step"),
    [(0.5, 1.0, True), (0.7, 1.0, True), (0.4, 0.6, False), (0.85, 1.0, False), (0.0, 0.1, False)],
)
def test_a_step_is_one_that_stays(first: float, last: float, is_step: bool) -> None:
    """All points of a camera lie a pixel off for a part of 24 s: to the end it is a step, where it
    lasts for longer than errors do that pass, in the midst of the wave it is none.
    """
    sim = simulate(Scenario(n_cameras=5, n_frames=600, seed=31, lasting_share=0.0))
    camera = sim.tracks.camera("cam02")
    is_off = (camera.frame >= 600 * first) & (camera.frame < 600 * last)
    xy = np.clip(camera.xy_px + np.where(is_off, 1.0, 0.0)[:, None], -1, [2000, 1200])
    cameras = [replace(c, xy_px=xy) if c is camera else c for c in sim.tracks.cameras]
    tracks = replace(sim.tracks, cameras=tuple(cameras))
    step = largest_step(solve_rig(tracks, sim.wand).rig_fit)
    assert step is not None
    assert np.flatnonzero(step.is_real).tolist() == ([1] if is_step else [])


@pytest.mark.parametrize(("seed", "n_cameras"), [(52, 6)])
def test_points_that_are_off_all_the_time_make_no_step_and_hide_none(
    seed: int, n_cameras: int
) -> None:
    """Of two thirds of the noise, correlated over 0.7 s; then all points of a camera lie a pixel
    off in the second half.
    """
    sim = simulate(Scenario(n_cameras=n_cameras, seed=seed, wander_px=0.08, wander_s=0.7))
    step = largest_step(solve_rig(sim.tracks, sim.wand).rig_fit)
    assert step is not None and not step.is_real.any()
    camera = sim.tracks.camera("cam02")
    off = np.where(camera.frame >= np.median(camera.frame), 1.0, 0.0)
    xy = np.clip(camera.xy_px + off[:, None], -0.5, np.array([camera.width, camera.height]) - 0.5)
    cameras = [replace(c, xy_px=xy) if c is camera else c for c in sim.tracks.cameras]
    step = largest_step(solve_rig(replace(sim.tracks, cameras=tuple(cameras)), sim.wand).rig_fit)
    assert step is not None and np.flatnonzero(step.is_real).tolist() == [1]


def test_a_shift_of_a_marker_that_all_images_share_is_told() -> None:
    """Half a pixel on the end of a line, which the wand's poses take up but for a tenth of one."""
    capture = planted("marker biased", 146001, 0.5)
    (doubt, *_) = solve_rig(capture.tracks, capture.wand).rig.doubts
    assert doubt.finding == RigFault.MARKER and doubt.figures["marker"] is None
    assert 0.05 < doubt.figures["shift_px"] < 0.5 and "cannot be told" in str(doubt)


def test_means_of_markers_follow_their_law() -> None:
    """Held against the true rig, the shift is at a chance of 1e-6 none, and far below its limit."""
    for seed in range(6):
        sim = simulate(Scenario.plain(n_cameras=4, n_frames=300, seed=300 + seed, wand="plane5"))
        assert marker_shift(fit_to_rig(sim.truth, sim.tracks)) is None


def test_shares_stand_out_of_the_others() -> None:
    assert stands_out(np.array([0.05, 0.04, 0.6, np.nan])).tolist() == [False, False, True, False]
    assert not stands_out(np.array([0.3, 0.35, 0.4])).any()


def test_doubts_are_kept_in_the_file_and_told_by_later_commands(tmp_path: Path) -> None:
    sim = simulate(Scenario(n_cameras=4, n_frames=300, seed=9))
    doubt = Doubt(RigFault.WAND, (), {"marker": "q", "offset_mm": 2.5}, 2.5)
    calib.save_rig(replace(sim.truth, doubts=(doubt,)), tmp_path / "r.h5")
    rig = calib.load_rig(tmp_path / "r.h5")
    assert rig.doubts[0].figures == {"marker": "q", "offset_mm": 2.5}
    table = residual_table(rig, sim.tracks)
    assert [d.finding for d in table.doubts] == [RigFault.WAND]
    assert "marker q lies 2.50 mm" in sentences(table.doubts)[0] and "2.50 mm" in str(table)


@pytest.mark.parametrize(
    ("kind", "fault", "frames"),
    [("exposure jitter", Fault.JITTER, 0.2), ("clock drifts", Fault.DRIFT, 0.5)],
)
def test_clocks_of_their_own_have_their_own_causes(kind: str, fault: Fault, frames: float) -> None:
    capture = planted(kind, 5001, frames)
    solution = solve_rig(capture.tracks, capture.wand)
    table = solution.table
    (row,) = (r for r in table.cameras if r.name == capture.cameras[0])
    assert row.causes[0].cause == fault
    assert np.isnan(row.sigma_position_mm).all()
    # The delay that scatters or drifts, within a fifth.
    assert abs(abs(row.causes[0].figures["frames"]) - frames) < 0.2 * frames


@pytest.mark.parametrize("slide_mm", [0.0, 5.0])
def test_of_two_markers_one_that_slides_is_told(slide_mm: float) -> None:
    """No third marker tells where it is: a rig came out a hundredth off and in no doubt. By 8 mm
    and more a third of all points are left out, and the change may hide in these.
    """
    sim = simulate(scenario_of(71, n_cameras=(5, 9), wands=("line3",)))
    way = slide_mm * (sim.wand.points_mm[2] - sim.wand.points_mm[0]) / sim.wand.span_mm
    n = len(sim.R_world_from_wand)
    tracks, wand = _real_wand(sim, lambda frame: frame / n, 2, way)
    cameras = []
    for c in tracks.cameras:
        ends = c.rows(c.marker != 1)
        cameras.append(replace(ends, marker=np.where(ends.marker == 2, 1, ends.marker)))
    names = (wand.markers[0], wand.markers[2])
    two = replace(wand, markers=names, points_mm=wand.points_mm[[0, 2]], certified=())
    doubts = solve_rig(replace(tracks, cameras=tuple(cameras)), two).rig.doubts
    assert (RigFault.GROWS in {d.finding for d in doubts}) == bool(slide_mm)


def test_how_lengths_change_over_a_wave_against_scipy() -> None:
    """``scipy.stats.linregress`` through the medians; and Student's law for errors alone."""
    rng = np.random.default_rng(8)
    error = rng.normal(size=1500) + np.linspace(-0.1, 0.1, 1500)
    medians = [np.median(part) for part in np.array_split(error, GROWS_PARTS)]
    line = stats.linregress(np.linspace(-0.5, 0.5, GROWS_PARTS), medians)
    assert change_over(error) == pytest.approx((line.slope, abs(line.slope) / line.stderr))
    sure = [change_over(rng.normal(size=600))[1] for _ in range(2000)]
    assert stats.kstest(sure, lambda t: 1 - 2 * stats.t.sf(t, GROWS_PARTS - 2)).pvalue > 1e-3


def test_a_marker_that_is_seen_worse_bends_no_wand() -> None:
    """A dim or dirty marker: 2.7 times the noise of the others, alike in all cameras."""
    sim = capture(n_cameras=8, seed=71, n_frames=600, wand="plane5", sigma_px=0.1, **IDEAL)
    rng = np.random.default_rng(0)
    cameras = []
    for camera in sim.tracks.cameras:
        more = rng.normal(0.0, 0.25, camera.xy_px.shape) * (camera.marker == 2)[:, None]
        limit = np.array([camera.width, camera.height]) - 0.5
        cameras.append(replace(camera, xy_px=np.clip(camera.xy_px + more, -0.5, limit)))
    table = residual_table(sim.truth, replace(sim.tracks, cameras=tuple(cameras)))
    assert not table.doubts


def test_a_truss_that_moves_with_half_of_the_cameras_as_the_wave_ends_is_told() -> None:
    """Where who did is not known cameras that stood may be named too; where points lay 20 px off
    nothing was said.
    """
    knocked = MISTAKES["truss knocked at the end"]
    for seed in (0, 1, 2):
        sim = simulate(Scenario(layout="room", n_cameras=6, n_frames=600, seed=seed))
        tracks, wand = knocked.edit(sim, "cam02", 0.3, np.random.default_rng(0))
        (doubt,) = solve_rig(tracks, wand).table.doubts
        assert doubt.finding in (RigFault.LEFT_OUT, RigFault.CHANGED)
        since = doubt.figures.get("first", doubt.figures.get("frame"))
        # Its first frames may fit either side: stretches within this time follow one another.
        assert since == pytest.approx(550, abs=BREAK_S * tracks.frame_rate_hz)
