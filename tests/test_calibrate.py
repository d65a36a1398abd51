"""The main job on simulated captures, and what must end in a finding instead of a rig."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from calib.core.geometry import rigid_fit
from calib.core.parameters import AUTO, POSITION, term_names
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.pipeline import calibrate, solve_rig
from calib.simulate import Scenario, Simulation, sample_points, simulate
from calib.simulate.imaging import camera_sigma
from calib.simulate.scenario import INDEPENDENT, PLAIN
from calib.solve.bundle.problem import Problem, State
from calib.solve.calibrate import SolveOptions
from calib.solve.certainty.sound import require_lenses, require_settled
from calib.solve.fit import Fit
from calib.solve.refine import placed
from scripts.benchmarks.oracle import likelihood_optimum
from scripts.benchmarks.truth import error_against_truth
from scripts.benchmarks.truths import small_term_sd

RIGS = [
    Scenario(layout="room", n_cameras=4, seed=11, n_frames=700),
    Scenario(layout="corridor", n_cameras=7, seed=12, n_frames=1200, wand="plane5"),
    Scenario(layout="row", n_cameras=5, seed=13, n_frames=700, wand="solid6"),
    Scenario(layout="dome", n_cameras=8, seed=14, n_frames=700, outliers=0.02),
    Scenario(layout="room", n_cameras=6, seed=15, n_frames=700, noise_spread=2.0, focal_error=0.2),
]


def median_error_mm(rig: Rig, simulation: Simulation) -> float:
    points = sample_points(simulation.scenario, 400, np.random.default_rng(0))
    error = error_against_truth(
        rig, simulation.truth, points, range_mm=simulation.scenario.range_mm
    )
    return float(np.nanmedian(error))


@pytest.mark.parametrize("lenses", ["real", "plain"])
def test_accuracy_against_the_most_likely_rig(lenses: str) -> None:
    """Each rig's 3D error is near the least that its noise allows; ``scripts/bench accuracy`` does
    200 of them.

    The most likely rig knows the true inliers and noise, which small terms the lenses have and how
    they are drawn.
    """
    ratios = []
    for scenario in RIGS:
        simulation = simulate(scenario if lenses == "real" else replace(scenario, **PLAIN))
        sigma = np.array([camera_sigma(scenario, i) for i in range(scenario.n_cameras)])
        focal = np.array([c.lens.fx for c in simulation.truth.cameras])
        best = likelihood_optimum(
            simulation.tracks,
            simulation.truth,
            simulation.world_from_wand,
            [~o for o in simulation.is_outlier],
            sigma,
            AUTO,
            small_term_sd(simulation.scenario, term_names(AUTO), focal),
        )
        rig = calibrate(simulation.tracks, simulation.wand)
        ratios.append(median_error_mm(rig, simulation) / median_error_mm(best, simulation))
    # The figure that the project has set itself; errors that last are in part lost in the noise,
    # which costs some more.
    assert np.median(ratios) < (1.15 if lenses == "plain" else 1.3)
    assert max(ratios) < 2.0, ratios  # a wrong minimum is tens of times off


def test_error_bars_hold_the_truth() -> None:
    """Positions, aligned in the gauge of the covariance, are within their sigmas as a normal law
    says.
    """
    normalised = []
    for seed in range(4):
        simulation = simulate(Scenario(n_cameras=6, seed=40 + seed, n_frames=500))
        rig = calibrate(simulation.tracks, simulation.wand)
        assert rig.covariance is not None
        found = np.stack([c.position_mm for c in rig.cameras])
        true = np.stack([c.position_mm for c in simulation.truth.cameras])
        _, R, t = rigid_fit(true, found)
        error = found - (true @ R.T + t)
        normalised.append(error / np.stack([rig.covariance.sigma(n, POSITION) for n in rig.names]))
    # Aligned by positions alone the errors have 12 freedoms a rig; in the gauge, which turns share,
    # up to 18.
    total = float(np.sum(np.square(normalised)))
    assert stats.chi2.ppf(1e-4, 4 * 12) * 12 / 18 < total < stats.chi2.ppf(1 - 1e-4, 4 * 18)


def test_gross_outliers_are_the_ones_left_out() -> None:
    simulation = simulate(
        Scenario(
            n_cameras=6,
            seed=21,
            n_frames=600,
            outliers=0.02,
            outlier_px=(8.0, 300.0),
            **INDEPENDENT,
        )
    )
    rig = calibrate(simulation.tracks, simulation.wand)
    left_out = sum(c.stats.n_left_out for c in rig.cameras if c.stats)
    named = [c.marker >= 0 for c in simulation.tracks.cameras]
    planted = sum(int((bad & n).sum()) for bad, n in zip(simulation.is_outlier, named, strict=True))
    total = sum(int(n.sum()) for n in named)
    # Points of frames that one camera sees alone take no part, and a frame can lose good points
    # with its bad ones. Of the stretches in which nothing is amiss a thousandth of each length is
    # lost as well.
    assert 0.7 * planted < left_out < 1.3 * planted + 0.02 * total


@pytest.fixture(scope="module")
def small() -> tuple[Simulation, Rig, list[str]]:
    """A small capture, its rig and the stages that its solve told."""
    simulation = simulate(Scenario(n_cameras=4, seed=22, n_frames=300))
    stages: list[str] = []
    rig = calibrate(
        simulation.tracks, simulation.wand, progress=lambda stage, done, total: stages.append(stage)
    )
    return simulation, rig, stages


def test_same_input_same_rig(small: tuple[Simulation, Rig, list[str]]) -> None:
    simulation, a, _ = small
    b = calibrate(simulation.tracks, simulation.wand)
    for first, second in zip(a.cameras, b.cameras, strict=True):
        np.testing.assert_array_equal(first.cam_from_world.R, second.cam_from_world.R)
        np.testing.assert_array_equal(first.lens.vector, second.lens.vector)


def test_world_is_the_first_camera(small: tuple[Simulation, Rig, list[str]]) -> None:
    _, rig, _ = small
    np.testing.assert_allclose(rig.cameras[0].cam_from_world.R, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(rig.cameras[0].position_mm, 0.0, atol=1e-9)


def test_measured_lenses_are_held_unless_freed() -> None:
    simulation = simulate(Scenario(n_cameras=4, seed=24, n_frames=400, known_lens="measured"))
    held = calibrate(simulation.tracks, simulation.wand)
    freed = calibrate(simulation.tracks, simulation.wand, SolveOptions(lens="free"))
    for camera, h, f in zip(simulation.tracks.cameras, held.cameras, freed.cameras, strict=True):
        assert camera.lens is not None
        np.testing.assert_array_equal(h.lens.vector, camera.lens.vector)
        assert f.lens.fx != camera.lens.fx
        assert f.lens.fx == pytest.approx(camera.lens.fx, rel=0.005)


def test_more_lens_terms_on_request() -> None:
    scenario = Scenario(
        n_cameras=5,
        seed=25,
        n_frames=600,
        lens_terms=("k1", "k2", "k3", "tangential", "aspect"),
        noise_spread=1.0,
    )
    simulation = simulate(scenario)
    few = calibrate(
        simulation.tracks, simulation.wand, SolveOptions(terms=("focal", "principal", "k1", "k2"))
    )
    terms = ("focal", "aspect", "principal", "k1", "k2", "k3", "tangential")
    all_terms = calibrate(simulation.tracks, simulation.wand, SolveOptions(terms=terms))
    rms = [np.mean([c.stats.rms_px for c in rig.cameras if c.stats]) for rig in (few, all_terms)]
    assert rms[1] < rms[0]
    advice = next(f for f in few.findings if "Solve again with --terms" in f)
    terms = advice.partition("--terms ")[2].partition(".")[0].split(",")
    assert {"aspect", "tangential"} <= set(terms)
    assert all_terms.findings == ()
    assert median_error_mm(all_terms, simulation) < median_error_mm(few, simulation)


def cameras_with(tracks: Tracks, change: dict[str, np.ndarray]) -> Tracks:
    """Keep only the given frames of the named cameras."""
    out = []
    for c in tracks.cameras:
        keep = np.isin(c.frame, change.get(c.name, c.frame))
        out.append(
            replace(
                c, frame=c.frame[keep], xy_px=c.xy_px[keep], marker=c.marker[keep], radius_px=None
            )
        )
    return replace(tracks, cameras=tuple(out))


def test_islands_are_named_and_the_larger_part_solves_on_request() -> None:
    simulation = simulate(Scenario(n_cameras=6, seed=26, n_frames=600))
    early, late = np.arange(400), np.arange(400, 600)
    split = {"cam01": late, "cam02": late} | {f"cam0{k}": early for k in range(3, 7)}
    tracks = cameras_with(simulation.tracks, split)
    with pytest.raises(UnsolvableError, match=r"2 islands.*cam01 and cam02") as caught:
        calibrate(tracks, simulation.wand)
    assert set(caught.value.cameras) == {"cam01", "cam02"}
    rig = calibrate(tracks, simulation.wand, SolveOptions(partial=True))
    assert rig.names == ("cam03", "cam04", "cam05", "cam06")
    assert set(rig.left_out) == {"cam01", "cam02"}


def test_still_wand_is_refused() -> None:
    simulation = simulate(Scenario(n_cameras=4, seed=27, n_frames=300, path="still"))
    with pytest.raises(UnsolvableError, match="still"):
        calibrate(simulation.tracks, simulation.wand)


def test_wand_in_metres_is_told() -> None:
    simulation = simulate(Scenario(n_cameras=4, seed=28, n_frames=300))
    wand = simulation.wand
    metres = Wand(wand.name, wand.markers, wand.points_mm / 1000.0, 1e-6)
    with pytest.raises(UnsolvableError, match="metres"):
        calibrate(simulation.tracks, metres)


def test_markers_beyond_the_wand() -> None:
    named = simulate(Scenario(n_cameras=3, seed=29, n_frames=200))
    two = Wand("two", named.wand.markers[:2], named.wand.points_mm[:2])
    with pytest.raises(InputError, match="marker row"):
        calibrate(named.tracks, two)


def test_one_camera_and_no_lens() -> None:
    simulation = simulate(Scenario(n_cameras=3, seed=30, n_frames=200, known_lens="nothing"))
    with pytest.raises(InputError, match="two or more"):
        calibrate(simulation.tracks.subset(["cam01"]), simulation.wand)
    with pytest.raises(InputError, match="K, or focal_mm"):
        calibrate(simulation.tracks, simulation.wand, SolveOptions(lens="hold"))


def test_progress_tells_every_stage(small: tuple[Simulation, Rig, list[str]]) -> None:
    _, _, stages = small
    assert list(dict.fromkeys(stages)) == [
        "camera graph",
        "camera pairs",
        "first bundle",
        "bundle of all frames",
        "errors that last",
        "covariance",
        "rig as a whole",
        "residuals",
    ]


def test_fewer_frames_on_request() -> None:
    """A sixth of the frames, spread evenly: some sixth of the points, and the sigmas tell."""
    simulation = simulate(Scenario(n_cameras=4, seed=32, n_frames=900))
    whole = calibrate(simulation.tracks, simulation.wand)
    few = calibrate(simulation.tracks, simulation.wand, SolveOptions(frames=150))
    for f, w in zip(few.cameras, whole.cameras, strict=True):
        assert 0.1 * w.stats.points < f.stats.points < 0.25 * w.stats.points
        assert few.covariance.sigma(f.name, POSITION) @ np.ones(3) > (
            whole.covariance.sigma(f.name, POSITION) @ np.ones(3)
        )
    with pytest.raises(InputError, match="1 or more"):
        calibrate(simulation.tracks, simulation.wand, SolveOptions(frames=0))
    with pytest.raises(InputError, match="neighbouring"):
        calibrate(simulation.tracks, simulation.wand, SolveOptions(frames=99, timing=True))


def test_late_camera_is_told_with_its_offset() -> None:
    simulation = simulate(Scenario(n_cameras=4, seed=33, n_frames=900, slip={"cam03": 1}))
    rig = calibrate(simulation.tracks, simulation.wand, SolveOptions(timing=True))
    offsets = {c.name: c.time_offset_frames for c in rig.cameras}
    # A point whose frame number is one too high was taken one frame earlier than that number says.
    assert offsets["cam03"] == pytest.approx(-1.0, abs=0.01)
    assert max(abs(offsets[n]) for n in ("cam01", "cam02", "cam04")) < 0.01
    assert [f for f in rig.findings if f.startswith("cam03 exposes")]


def test_halves_that_one_pair_links_come_together() -> None:
    """119 points in a corner of both images are all that joins two halves of a corridor; alone they
    bend its lenses.
    """
    scenario = Scenario(
        layout="corridor",
        n_cameras=18,
        seed=960061,
        sigma_px=0.105,
        noise_spread=2.0,
        marker_error_mm=0.02,
    )
    simulation = simulate(scenario)
    # Half a millimetre is the wand's own error; the wrong minimum was a metre and a half off.
    assert median_error_mm(calibrate(simulation.tracks, simulation.wand), simulation) < 2.0


@cache
def fitted() -> tuple[Simulation, Fit]:
    simulation = simulate(Scenario(n_cameras=4, seed=3, n_frames=300))
    return simulation, solve_rig(simulation.tracks, simulation.wand).fit


def test_fit_without_a_minimum_is_refused() -> None:
    simulation, fit = fitted()
    require_settled(fit, simulation.tracks.names)
    restless = replace(
        fit,
        result=replace(fit.result, is_converged=False, left=2.0),
        sigma_px=np.array([0.1, 0.1, 0.9, 0.1]),
    )
    with pytest.raises(UnsolvableError, match="cam03: expected a fit that settles") as error:
        require_settled(restless, simulation.tracks.names)
    assert error.value.cameras == ("cam03",)


@pytest.mark.parametrize(
    ("times", "bins", "told"),
    [
        (3.0, 1, " px. Check focal_mm and pixel_pitch_mm"),
        (
            0.5,
            2,
            " px. Its points fill the upper left quarter of its sensor alone: if it sends bin",
        ),
        (1e6, 1, "none that its points fit. Check"),
    ],
)
def test_a_focal_length_that_no_ring_has_is_the_cameras_fault(
    times: float, bins: int, told: str
) -> None:
    """A count that jumps made it 7008910758 px, and its file was to be checked; of images binned
    two by two it is half of that stated.
    """
    simulation, fit = fitted()
    cameras = tuple(
        replace(c, xy_px=(c.xy_px + 0.5) / bins - 0.5) if c.name == "cam03" else c
        for c in simulation.tracks.cameras
    )
    lens = fit.result.state.lens.copy()
    lens[2, 0] *= times
    away = replace(fit, result=replace(fit.result, state=replace(fit.result.state, lens=lens)))
    with pytest.raises(UnsolvableError, match=f"cam03: expected a focal length near.*{told}"):
        require_lenses(away, replace(simulation.tracks, cameras=cameras))


@pytest.mark.parametrize("lens", ["free", "hold"])
def test_a_long_capture_comes_out_by_way_of_a_part_as_at_once(
    monkeypatch: pytest.MonkeyPatch, lens: str
) -> None:
    """Either is the minimum of all frames, but for what a descent leaves undone: a twentieth of a
    standard deviation is ten times that.
    """
    known = "measured" if lens == "hold" else "nominal"
    sim = simulate(Scenario(n_cameras=6, n_frames=600, seed=21, known_lens=known))
    sizes: list[int] = []

    def watched(problem: Problem, cameras: State) -> tuple[State, NDArray[np.bool_]]:
        sizes.append(problem.n_frames)
        return placed(problem, cameras)

    monkeypatch.setattr("calib.solve.refine.placed", watched)
    rigs = []
    for n_frames in (20_000, 140):
        monkeypatch.setattr("calib.solve.refine.STAGE_FRAMES", n_frames)
        rigs.append(solve_rig(sim.tracks, sim.wand, SolveOptions(lens=lens)).rig)
    assert len(sizes) == 5 and 140 <= sizes[3] < 160 and sizes[1] == sizes[4] > 4 * 140
    for camera in sim.truth.names:
        own, other = (rig.camera(camera).position_mm for rig in rigs)
        sigma = np.sqrt(np.diag(rigs[0].covariance.pose_block(camera))[:3])
        assert (np.abs(own - other) < 0.05 * sigma).all()
