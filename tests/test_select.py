"""The choice of frames against the images, the camera graph, random choices and the covariances of real fits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.core.camera import coverage
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError, UnsolvableError
from calib.simulate import Scenario, Simulation, simulate
from calib.solve import select
from calib.solve.bundle import BundleOptions, bundle
from calib.solve.covariance import joint_covariance
from calib.solve.graph import camera_graph, overlap
from calib.solve.problem import Problem, State, problem_from_tracks
from calib.solve.refine import Fit, refine
from calib.solve.select import Selection, choose_frames, keep_frames, position_sigma_ratio
from calib.solve.shape import wand_axes, wand_shape
from calib.solve.start import term_names

TERMS = term_names(("focal", "principal", "k1", "k2"))
RIGS = [
    Scenario.plain(layout="room", n_cameras=6, seed=71, n_frames=800),
    Scenario.plain(layout="corridor", n_cameras=7, seed=72, n_frames=1000, wand="plane5"),
    Scenario.plain(layout="row", n_cameras=5, seed=73, n_frames=800, wand="solid6"),
    Scenario.plain(layout="dome", n_cameras=8, seed=74, n_frames=800, outliers=0.02),
    Scenario.plain(layout="row", n_cameras=8, seed=75, n_frames=800),
    Scenario.plain(layout="room", n_cameras=4, seed=76, n_frames=800, wand="solid6"),
    Scenario.plain(layout="corridor", n_cameras=9, seed=77, n_frames=1000),
    Scenario.plain(layout="dome", n_cameras=5, seed=78, n_frames=800, wand="plane5", sigma_px=0.4),
    Scenario.plain(layout="row", n_cameras=6, seed=79, n_frames=800, wand="plane5"),
    Scenario.plain(layout="room", n_cameras=10, seed=80, n_frames=800, dropout=0.4),
]


@pytest.fixture(scope="module")
def captures() -> list[Simulation]:
    return [simulate(scenario) for scenario in RIGS]


def chosen_of(simulation: Simulation, most: int | None) -> Selection:
    return choose_frames(simulation.tracks, simulation.wand.dimension, len(simulation.wand.markers), most)


def true_state(simulation: Simulation, problem: Problem) -> State:
    axes, middle = wand_axes(simulation.truth.wand_used)
    R, t = (v[problem.frame_number] for v in simulation.world_from_wand)
    cameras = [simulation.truth.camera(name) for name in simulation.tracks.names]
    return State(
        np.stack([c.cam_from_world.R for c in cameras]), np.stack([c.cam_from_world.t_mm for c in cameras]),
        np.stack([c.lens.vector for c in cameras]), R @ axes.T, R @ middle + t, wand_shape(simulation.truth.wand_used),
    )  # fmt: skip


def true_problem(simulation: Simulation) -> Problem:
    """Return all points that are truth and noise, weighted as they deserve."""
    wand, n = simulation.wand, len(simulation.tracks.cameras)
    good = [~bad for bad in simulation.is_outlier]
    sigma = np.full(n, simulation.scenario.sigma_px)
    return problem_from_tracks(simulation.tracks, len(wand.markers), wand.dimension, good, sigma)


def position_sigmas(problem: Problem, state: State, frames: np.ndarray) -> np.ndarray:
    """Return the standard deviations of positions (C,) that the given frames leave, predicted at the truth."""
    kept = problem.with_weight(problem.weight * np.isin(problem.frame_number, frames)[problem.frame])
    options = BundleOptions(terms=TERMS, max_iterations=0)
    names = tuple(f"{c}" for c in range(problem.n_cameras))
    covariance = joint_covariance(kept, bundle(kept, state, options), options, names)
    return np.array([np.linalg.norm(covariance.sigma(name, "position")) for name in names])


def fitted(simulation: Simulation, tracks: Tracks) -> Fit:
    """Return the solver's own final fit of a capture, started from the true cameras."""
    start = true_state(simulation, true_problem(simulation))
    return refine(tracks, simulation.wand, start, BundleOptions(terms=TERMS), lambda *_: None)


def seen_cells(camera: CameraTracks, frames: np.ndarray) -> float:
    rows = (camera.marker >= 0) & np.isin(camera.frame, frames)
    return coverage(camera.xy_px[rows], camera.width, camera.height)


def shared_frames(simulation: Simulation) -> np.ndarray:
    """Return the frames that enter a bundle of the whole capture."""
    wand = simulation.wand
    return problem_from_tracks(simulation.tracks, len(wand.markers), wand.dimension).frame_number


@pytest.mark.parametrize("most", [60, 250])
def test_every_camera_keeps_its_share_its_cells_and_its_links(captures: list[Simulation], most: int) -> None:
    for simulation in captures:
        tracks, selection, everything = simulation.tracks, chosen_of(simulation, most), shared_frames(simulation)
        assert selection.n_candidates == len(everything)
        assert np.isin(selection.frames, everything).all()
        assert np.array_equal(np.sort(np.append(selection.frames, selection.left_out)), everything)
        for c, camera in enumerate(tracks.cameras):
            own = np.unique(camera.frame[camera.marker >= 0])
            assert selection.n_before[c] == np.isin(everything, own).sum()
            assert selection.n_after[c] == np.isin(selection.frames, own).sum()
            assert selection.n_after[c] >= min(most, selection.n_before[c])
            assert seen_cells(camera, selection.frames) >= 0.95 * seen_cells(camera, everything)
        before, after = (camera_graph(overlap(t)) for t in (tracks, keep_frames(tracks, selection.frames)))
        assert after.islands == before.islands
        assert after.edges == before.edges
        assert sum(selection.reasons.values()) == len(selection.frames)


def test_chosen_frames_tell_more_than_random_ones(captures: list[Simulation]) -> None:
    """Lower predicted sigmas of positions, as a mean over cameras, than the best of three random choices as large."""
    wins, gains = 0, []
    for k, simulation in enumerate(captures):
        problem = true_problem(simulation)
        state, rng = true_state(simulation, problem), np.random.default_rng(k)
        chosen = np.intersect1d(chosen_of(simulation, 150).frames, problem.frame_number)
        own = position_sigmas(problem, state, chosen).mean()
        others = [
            position_sigmas(problem, state, rng.choice(problem.frame_number, len(chosen), replace=False)).mean()
            for _ in range(3)
        ]
        wins += own < min(others)
        gains.append(own / np.mean(others))
    assert wins >= 9, gains
    assert np.mean(gains) < 0.95  # worth a tenth more frames, at least


def test_loss_is_that_of_real_fits(captures: list[Simulation]) -> None:
    """The stated ratio against the covariances of two whole solves, with the chosen frames and with all.

    Each solve estimates its own noise: with some 1,500 coordinates a camera to 1 / √3000, 2 %, and as a mean over
    the cameras to 1 %; three times that is allowed.
    """
    for simulation in (captures[0], captures[5]):
        selection = chosen_of(simulation, 300)
        fit = fitted(simulation, keep_frames(simulation.tracks, selection.frames))
        loss = position_sigma_ratio(simulation.tracks, selection, fit)
        whole = fitted(simulation, simulation.tracks)
        few, every = (select._position_sigmas(f.problem, f.result, f) for f in (fit, whole))
        assert loss.ratio == pytest.approx((few / every).mean(), rel=0.03)
        np.testing.assert_allclose(loss.per_camera, few / every, rtol=0.08)
        assert loss.ratio > 1.2
        assert loss.n_sampled == loss.n_rest == len(selection.left_out)
        nothing_lost = position_sigma_ratio(simulation.tracks, chosen_of(simulation, None), whole)
        assert nothing_lost.ratio == 1.0
        assert "all in" in str(nothing_lost)


def test_four_times_the_frames_halve_sigma(captures: list[Simulation]) -> None:
    """Every fourth frame against all: sigma falls to a half, as 1 / √n (JCGM 100:2008, 4.2.3)."""
    simulation = captures[3]
    everything = shared_frames(simulation)
    quarter = Selection(
        simulation.tracks.names, everything[::4], len(everything), np.ones(8, int), np.ones(8, int),
        np.zeros(len(everything[::4]), np.int8), np.setdiff1d(everything, everything[::4]),
    )  # fmt: skip
    fit = fitted(simulation, keep_frames(simulation.tracks, quarter.frames))
    assert position_sigma_ratio(simulation.tracks, quarter, fit).ratio == pytest.approx(2.0, rel=0.05)


def test_a_sample_stands_for_the_rest(captures: list[Simulation], monkeypatch: pytest.MonkeyPatch) -> None:
    simulation = captures[0]
    selection = chosen_of(simulation, 300)
    fit = fitted(simulation, keep_frames(simulation.tracks, selection.frames))
    exact = position_sigma_ratio(simulation.tracks, selection, fit)
    monkeypatch.setattr(select, "REST_FRAMES", 200)
    sampled = [position_sigma_ratio(simulation.tracks, selection, fit, np.random.default_rng(k)) for k in range(4)]
    assert all(s.n_sampled == 200 and s.n_rest == exact.n_rest for s in sampled)
    # 200 frames give what they tell to about 1 / √200 = 7 %, the rest is 2/3 of all, and a sigma has half the error.
    assert [s.ratio for s in sampled] == pytest.approx([exact.ratio] * 4, rel=0.07)
    assert "judged by 200 drawn from them" in str(sampled[0])
    assert position_sigma_ratio(simulation.tracks, selection, fit).ratio == sampled[0].ratio  # seed 0 unless told


def test_same_input_same_frames(captures: list[Simulation]) -> None:
    for simulation in captures[:3]:
        a, b = (chosen_of(simulation, 100) for _ in range(2))
        np.testing.assert_array_equal(a.frames, b.frames)
        np.testing.assert_array_equal(a.reason, b.reason)
        assert (np.diff(a.frames) > 0).all()
        assert a.frames.dtype == np.int64


def test_frame_numbers_and_unnamed_points_do_not_matter(captures: list[Simulation]) -> None:
    """Another count of frames gives the same choice, and reflections without a marker have no say."""
    tracks = captures[0].tracks
    moved, bare = [], []
    for c in tracks.cameras:
        named = c.marker >= 0
        moved.append(replace(c, frame=c.frame * 3 - 1000))
        bare.append(
            replace(c, frame=c.frame[named], xy_px=c.xy_px[named], marker=c.marker[named], radius_px=None)
        )  # fmt: skip
    expected = choose_frames(tracks, 1, 3, 100).frames
    np.testing.assert_array_equal(
        choose_frames(replace(tracks, cameras=tuple(moved)), 1, 3, 100).frames, expected * 3 - 1000
    )
    np.testing.assert_array_equal(choose_frames(replace(tracks, cameras=tuple(bare)), 1, 3, 100).frames, expected)


def test_small_captures_are_kept_whole(captures: list[Simulation]) -> None:
    for simulation in captures[:4]:
        selection = chosen_of(simulation, None)
        np.testing.assert_array_equal(selection.frames, shared_frames(simulation))
        assert selection.is_whole
        assert not len(selection.left_out)


def test_a_camera_with_few_frames_keeps_them_all(captures: list[Simulation]) -> None:
    """cam03 sees only two short stretches of the wave; so little that no even choice would keep it."""
    tracks = captures[0].tracks
    late = (tracks.cameras[2].frame >= 300) & (tracks.cameras[2].frame < 340) | (tracks.cameras[2].frame > 780)
    c = tracks.cameras[2]
    few = replace(c, frame=c.frame[late], xy_px=c.xy_px[late], marker=c.marker[late], radius_px=None)
    tracks = replace(tracks, cameras=(*tracks.cameras[:2], few, *tracks.cameras[3:]))
    selection = choose_frames(tracks, 1, 3, 100)
    assert selection.n_after[2] == selection.n_before[2] > 20
    assert (selection.n_after[[0, 1, 3, 4, 5]] < selection.n_before[[0, 1, 3, 4, 5]]).all()
    assert selection.reasons["camera has few"] == selection.n_before[2]


def test_the_one_link_between_two_halves_stays() -> None:
    """Two pairs of cameras that never see the wand together, but for one marker in 24 frames among thousands."""
    rng = np.random.default_rng(0)
    n = 4000
    spells = [(0, 2000), (0, 2012), (1988, n), (2000, n)]
    cameras = []
    for k, (first, last) in enumerate(spells):
        frame, marker = np.repeat(np.arange(first, last), 3), np.tile([0, 1, 2], last - first)
        middle = rng.uniform(200, 800, (last - first, 2))[:, None]
        xy = middle + np.array([-1.0, 0.2, 1.0])[:, None] * rng.normal(0, 60, (last - first, 1, 2))
        xy = np.clip(xy.reshape(-1, 2), 0, 999)
        keep = (marker == 0) | (frame < 1988) | (frame >= 2012)
        cameras.append(CameraTracks(f"cam{k}", 1000, 1000, frame[keep], xy[keep], marker[keep]))
    tracks = Tracks(tuple(cameras), 100.0)
    assert len(camera_graph(overlap(tracks)).islands) == 1
    selection = choose_frames(tracks, 1, 3, 150)
    assert len(camera_graph(overlap(keep_frames(tracks, selection.frames))).islands) == 1
    assert selection.reasons["links between cameras"] > 0
    assert len(selection.frames) < 600


def test_single_points_can_be_chosen(captures: list[Simulation]) -> None:
    cameras = [
        replace(c, frame=c.frame[one], xy_px=c.xy_px[one], marker=c.marker[one], radius_px=None)
        for c in captures[0].tracks.cameras
        for one in [c.marker == 0]
    ]
    selection = choose_frames(Tracks(tuple(cameras), 25.0), 0, 1, 200)
    assert (selection.n_after >= 200).all()
    assert len(selection.frames) < 0.5 * selection.n_candidates


def test_what_is_printed(captures: list[Simulation]) -> None:
    selection = chosen_of(captures[0], 300)
    assert str(selection).startswith(
        f"{len(selection.frames):,} of {selection.n_candidates:,} frames, at least 300 a camera"
    )
    assert str(chosen_of(captures[0], None)) == f"all {selection.n_candidates:,} frames"
    loss = select.Loss(("cam01", "cam02"), np.array([1.1, 1.3]), 90000, 5000)
    assert str(loss) == (
        "positions 20 % less certain than with all frames (worst cam02, 30 %); "
        "the 90,000 frames left out are judged by 5,000 drawn from them"
    )


@pytest.mark.parametrize("most", [0, -5, 2.5, True, "many"])
def test_a_number_of_frames_that_is_none(captures: list[Simulation], most: object) -> None:
    with pytest.raises(InputError, match="frames a camera, 1 or more"):
        choose_frames(captures[0].tracks, 1, 3, most)  # type: ignore[arg-type]


def test_a_wand_that_is_not_of_this_capture(captures: list[Simulation]) -> None:
    with pytest.raises(InputError, match="below the wand's 2 markers"):
        choose_frames(captures[0].tracks, 1, 2)
    for dimension, n_markers in ((4, 3), (-1, 3), (1, 0)):
        with pytest.raises(InputError, match="dimension 0 to 3"):
            choose_frames(captures[0].tracks, dimension, n_markers)


def test_no_shared_frame(captures: list[Simulation]) -> None:
    tracks = captures[0].tracks
    apart = tuple(replace(c, frame=c.frame + 5000 * k) for k, c in enumerate(tracks.cameras))
    with pytest.raises(UnsolvableError, match="two cameras see the same marker") as caught:
        choose_frames(replace(tracks, cameras=apart), 1, 3)
    assert caught.value.cameras == tracks.names
    nothing = tuple(replace(c, marker=np.full(c.n_points, -1)) for c in tracks.cameras)
    with pytest.raises(UnsolvableError, match="found none"):
        choose_frames(replace(tracks, cameras=nothing), 1, 3)
