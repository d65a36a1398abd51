"""Worlds made from markers on the floor, against the truth and against their own error bars."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from scipy import stats

from calib.check.history.compare import ALPHA
from calib.check.recheck.run import recheck
from calib.core.geometry import Array, Pose, rigid_fit, rotation_from_vector, vector_from_rotation
from calib.core.parameters import POSITION, CameraParameter, of_cameras
from calib.core.rig import Covariance, Rig, RigCamera
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.pipeline import calibrate
from calib.prove.align import Alignment, AlignOptions, align
from calib.prove.like import align_like
from calib.prove.space.joint import covariance_of, effects
from calib.prove.space.place import place
from calib.prove.space.views import cameras_of, views_of_places
from calib.prove.world import moved
from calib.simulate import Knock, Scenario, Simulation, floor_capture, simulate
from calib.simulate.still import FRAME_MM, still_tracks
from calib.solve.certainty.rig_errors import rig_errors
from calib.solve.repair import repair
from tests import floors
from tests.floors import drawn, placed_on_floor
from tests.rigs_in_time import turned

FLOOR_MM = np.array([[-1500.0, -900, 0], [1400, -1000, 0], [1200, 1100, 0], [-1300, 950, 0]])

BUMPY_MM = np.array([[-1500.0, -900, 60], *FLOOR_MM[1:].tolist()])


@lru_cache
def wave() -> Simulation:
    return simulate(Scenario(n_cameras=8, n_frames=400, seed=5))


@lru_cache
def solved() -> Rig:
    return calibrate(wave().tracks, wave().wand)


@lru_cache
def standing() -> Rig:
    """The solved rig with the floor where the truth has it: what the tests take for the truth."""
    rig, truth = solved(), wave().truth
    _, R, t = rigid_fit(
        np.stack([c.position_mm for c in rig.cameras]),
        np.stack([c.position_mm for c in truth.cameras]),
    )
    return moved(rig, Pose(R, t))


def true_world(points: Array) -> Pose:
    """The world of a frame's three markers."""
    x, y = ((points[k] - points[0]) / np.linalg.norm(points[k] - points[0]) for k in (1, 2))
    R = np.stack([x, y, np.cross(x, y)])
    return Pose(R, -R @ points[0])


def off(how: Alignment, expected: Pose) -> Array:
    """By how much a world is off, as its covariance counts it (6,)."""
    between = how.world_from_rig @ expected.inverse()
    return np.append(vector_from_rotation(between.R), between.t_mm)


def squared(how: Alignment, expected: Pose) -> float:
    error = off(how, expected)
    return float(error @ np.linalg.solve(how.covariance, error))


def aligned(
    points: Array, rng: np.random.Generator, options: AlignOptions | None = None, **how: Any
) -> Alignment:
    """A rig drawn about the truth, aligned by markers that the truth sees."""
    return align(drawn(standing(), rng), still_tracks(standing(), points, rng, **how), options)[1]


# ---- a rig carried to another world


def test_points_and_their_covariance_go_along() -> None:
    rig, rng = solved(), np.random.default_rng(1)
    pose = Pose(rotation_from_vector(rng.normal(size=3)), rng.uniform(-3000, 3000, 3))
    there = moved(rig, pose)
    places = rig.wave_mm[:20]
    views, cameras = views_of_places(rig, places), cameras_of(rig)
    np.testing.assert_allclose(
        place(views, cameras_of(there)).points_mm,
        pose.apply(place(views, cameras).points_mm),
        atol=1e-6,
        equal_nan=True,
    )
    here = covariance_of(*effects(rig_errors(rig), views, places, cameras))
    gone = covariance_of(*effects(rig_errors(there), views, pose.apply(places), cameras_of(there)))
    np.testing.assert_allclose(gone, pose.R @ here @ pose.R.T, rtol=1e-6, atol=1e-8, equal_nan=True)
    np.testing.assert_allclose(there.wave_mm, pose.apply(rig.wave_mm), atol=1e-9)


def test_there_and_back_is_the_same_rig() -> None:
    rig = solved()
    pose = Pose(rotation_from_vector(np.array([0.3, -1.1, 2.0])), np.array([100.0, 2000, -300]))
    back = moved(moved(rig, pose, 1.01), Pose(pose.R.T, -pose.R.T @ pose.t_mm), 1 / 1.01)
    # Once there the scale comes after the turn, so that the way back shifts by as much less.
    shift = back.cameras[0].position_mm - rig.cameras[0].position_mm
    for a, b in zip(back.cameras, rig.cameras, strict=True):
        np.testing.assert_allclose(a.cam_from_world.R, b.cam_from_world.R, atol=1e-12)
        np.testing.assert_allclose(a.position_mm - shift, b.position_mm, atol=1e-9)
    assert back.covariance is not None and rig.covariance is not None
    np.testing.assert_allclose(back.covariance.matrix, rig.covariance.matrix, rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(back.wand_used.points_mm, rig.wand_used.points_mm, atol=1e-9)


def test_what_held_lenses_did_turns_with_the_world() -> None:
    """Positions and their sensitivity turn together: what the law of propagation gives for each
    sigma.
    """
    free = of_cameras(solved().names[:1], (), POSITION)
    sensitivity = np.array([[1.0], [2.0], [3.0]])
    held = Covariance(
        free,
        np.diag([1.0, 4.0, 9.0]),
        (CameraParameter("cam01", "focal"),),
        sensitivity,
        np.array([0.5]),
    )
    turn = rotation_from_vector(np.array([0.0, 0.0, np.pi / 2]))
    there = moved(replace(solved(), covariance=held), Pose(turn, np.zeros(3))).covariance
    assert there is not None
    np.testing.assert_allclose(there.matrix, np.diag([4.0, 1.0, 9.0]), atol=1e-12)
    np.testing.assert_allclose(there.sensitivity[:, 0], [-2.0, 1.0, 3.0], atol=1e-12)


def test_the_first_camera_of_a_solve_is_the_identity_to_the_bit() -> None:
    first = solved().cameras[0].cam_from_world
    np.testing.assert_array_equal(first.R, np.eye(3))
    np.testing.assert_array_equal(first.t_mm, np.zeros(3))


# ---- alignment


@pytest.mark.parametrize("named", [True, False])
def test_a_right_angle_gives_the_world_within_its_error_bars(named: bool) -> None:
    total, n = 0.0, 10
    for seed in range(n):
        rng = np.random.default_rng(seed)
        points = placed_on_floor(FRAME_MM, rng)
        total += squared(aligned(points, rng, named=named), true_world(points))
    low, high = stats.chi2.ppf([5e-4, 1 - 5e-4], 6 * n)
    assert low < total < high


def test_a_rig_solved_without_noise_aligns_as_well() -> None:
    """Within some sigmas of 1e-9 px lay nothing: the frame was said to be seen by no two."""
    rig = standing()
    exact = tuple(replace(c, stats=floors.stats(1e-9)) for c in rig.cameras)
    rig = replace(rig, cameras=exact)
    rng = np.random.default_rng(4)
    points = placed_on_floor(FRAME_MM, rng)
    capture = still_tracks(rig, points, rng, sigma_px=0.0, named=False)
    off_px = [replace(c, xy_px=c.xy_px + rng.normal(0.0, 1e-3, 2)) for c in capture.cameras]
    how = align(rig, replace(capture, cameras=tuple(off_px)))[1]
    # A thousandth of a pixel is 7 µm at 9 m and 1300 px, the farthest and widest; five times that.
    assert np.abs(off(how, true_world(points))).max() < 0.035


def test_a_survey_and_a_plane_too() -> None:
    n, total, tilts = 8, 0.0, 0.0
    for seed in range(n):
        rng = np.random.default_rng(100 + seed)
        real = np.vstack([FLOOR_MM, [[0.0, 0, 700]]])
        known = Wand("survey", tuple("abcde"), real + rng.normal(0, 0.5, real.shape), 0.5)
        points = placed_on_floor(real, rng, 200.0)
        _, R, t = rigid_fit(points, real)
        how = aligned(points, rng, AlignOptions(survey=known))
        total += squared(how, Pose(R, t))
        flat = aligned(placed_on_floor(FLOOR_MM, rng, 200.0), rng, AlignOptions(is_plane=True))
        # Of a plane tilt and height are what the truth knows: the floor is at z = 0.
        normal = flat.world_from_rig.R[2]
        tilt = np.array([-normal[1], normal[0]])  # about the world's x and y, to first order
        turn = flat.world_from_rig.R[:2, :2]
        error = np.append(turn @ tilt, flat.world_from_rig.t_mm[2])
        at = [0, 1, 5]
        tilts += float(error @ np.linalg.solve(flat.covariance[np.ix_(at, at)], error))
    assert stats.chi2.ppf(5e-4, 6 * n) < total < stats.chi2.ppf(1 - 5e-4, 6 * n)
    assert stats.chi2.ppf(5e-4, 3 * n) < tilts < stats.chi2.ppf(1 - 5e-4, 3 * n)


def test_height_and_y_up_move_the_world_as_they_say() -> None:
    rng = np.random.default_rng(3)
    points = placed_on_floor(FRAME_MM, rng)
    tracks = still_tracks(standing(), points, rng)
    flat = align(standing(), tracks)[0]
    high = align(standing(), tracks, AlignOptions(height_mm=12.0, up="y"))[0]
    for a, b in zip(flat.cameras, high.cameras, strict=True):
        x, y, z = a.position_mm
        np.testing.assert_allclose(b.position_mm, [x, z + 12.0, -y], atol=1e-9)


def test_a_wand_laid_down_twice_gives_the_floor() -> None:
    rng = np.random.default_rng(8)
    wand = standing().wand_used.points_mm - standing().wand_used.points_mm[0]
    first = placed_on_floor(wand, rng, 500.0)
    quarter = rotation_from_vector(np.array([0.0, 0.0, np.pi / 2]))
    second = wand @ quarter.T + first[0] + [300.0, -400.0, 0.0]
    parts = [still_tracks(standing(), p, rng) for p in (first, second)]
    cameras = tuple(
        replace(
            a,
            frame=np.concatenate([a.frame, b.frame + 80]),
            xy_px=np.vstack([a.xy_px, b.xy_px]),
            marker=np.concatenate([a.marker, b.marker]),
        )
        for a, b in zip(parts[0].cameras, parts[1].cameras, strict=True)
    )
    how = align(standing(), Tracks(cameras, 25.0), AlignOptions(is_wand=True))[1]
    x = (first[-1] - first[0]) / np.linalg.norm(first[-1] - first[0])
    R = np.stack([x, np.cross([0, 0, 1], x), [0, 0, 1]])
    assert squared(how, Pose(R, -R @ first[0])) < stats.chi2.ppf(1 - 1e-3, 6)
    with pytest.raises(UnsolvableError, match="second place"):
        align(standing(), parts[0], AlignOptions(is_wand=True))


# ---- contradictions


def test_mirrored_frames_and_swapped_legs_are_refused_100_of_100() -> None:
    for seed in range(50):
        rng = np.random.default_rng(seed)
        mirrored = placed_on_floor(FRAME_MM * [1, -1, 1], rng)
        with pytest.raises(UnsolvableError, match=r"(?s)y on the right .* mirrored"):
            align(standing(), still_tracks(standing(), mirrored, rng, named=seed % 2 == 0))
        swapped = placed_on_floor(FRAME_MM, rng)[[0, 2, 1]]
        with pytest.raises(UnsolvableError, match=r"(?s)y on the right .* swapped"):
            align(
                standing(), still_tracks(standing(), swapped, rng), AlignOptions(points=(0, 1, 2))
            )


def test_a_survey_upside_down_is_refused() -> None:
    rng = np.random.default_rng(4)
    points = placed_on_floor(FLOOR_MM, rng, 200.0)
    wrong = Wand("survey", tuple("abcd"), FLOOR_MM * [1, -1, 1], 1.0)
    with pytest.raises(UnsolvableError, match="one side of the floor"):
        align(standing(), still_tracks(standing(), points, rng), AlignOptions(survey=wrong))


@pytest.mark.parametrize(
    ("points", "options", "words"),
    [
        ([[0, 0, 0], [600, 0, 0], [40, 400, 0]], AlignOptions(), "legs at 90°"),
        ([[0, 0, 0], [500, 0, 0], [0, 500, 0]], AlignOptions(), "a long leg"),
        ([[0, 0, 0], [500, 0, 0], [900, 20, 0]], AlignOptions(), "two legs square"),
        (
            [[0, 0, 0], [300, 0, 9], [600, 0, 0], [0, 400, 0]],
            AlignOptions(),
            "one height to within 3 mm",
        ),
        (BUMPY_MM, AlignOptions(is_plane=True), "one height to within 10 mm"),
        (FRAME_MM, AlignOptions(is_plane=True), "four markers or more"),
        (FRAME_MM[:2], AlignOptions(), "three markers or more"),
        (FRAME_MM, AlignOptions(points=(0, 1, 5)), "markers that two cameras see"),
    ],
)
def test_what_contradicts_itself_is_refused_with_numbers(
    points: Any, options: AlignOptions, words: str
) -> None:
    rng = np.random.default_rng(9)
    tracks = still_tracks(standing(), np.asarray(points, float), rng)
    with pytest.raises((UnsolvableError, InputError), match=words):
        align(standing(), tracks, options)


def test_a_survey_with_one_marker_wrong_names_it() -> None:
    rng = np.random.default_rng(5)
    real = np.vstack([FLOOR_MM, [[0.0, 0, 700]]])
    wrong = real.copy()
    wrong[2] += [35.0, 0, 0]
    known = Wand("survey", ("a", "b", "c", "d", "e"), wrong, 0.5)
    with pytest.raises(UnsolvableError, match="c the worst"):
        align(standing(), still_tracks(standing(), real, rng), AlignOptions(survey=known))


def test_a_moving_marker_and_another_rigs_capture_are_refused() -> None:
    rng = np.random.default_rng(6)
    tracks = still_tracks(standing(), FRAME_MM, rng)
    walking = tuple(
        replace(
            c,
            xy_px=np.clip(
                c.xy_px + 4.0 * c.frame[:, None] * (c.marker == 2)[:, None],
                0,
                [c.width - 1, c.height - 1],
            ),
        )
        for c in tracks.cameras
    )
    with pytest.raises(InputError, match="marker 2: expected a marker that lies still"):
        align(standing(), replace(tracks, cameras=walking))
    strange = tuple(replace(c, name=f"other{k}") for k, c in enumerate(tracks.cameras))
    with pytest.raises(InputError, match="tracks of the rig's cameras"):
        align(standing(), replace(tracks, cameras=strange))


def test_a_floor_capture_of_another_rig_with_the_same_names_is_refused() -> None:
    """Rays of two cameras meet where nothing is, by chance, for one or two of three markers in half
    of all rigs: then it is said that these are too few, else that no marker is seen.
    """
    for seed in range(6, 12):
        other = simulate(Scenario(n_cameras=8, n_frames=30, seed=seed, connected=False))
        floor = floor_capture(other)
        assert floor.names == solved().names
        assert align(other.truth, floor)[1].how == "right angle"
        for options, words in (
            (AlignOptions(), "three markers or more"),
            (AlignOptions(is_plane=True), "four markers or more"),
            (AlignOptions(points=(0, 1, 2)), "without names are numbered"),
        ):
            with pytest.raises((UnsolvableError, InputError), match=rf"at rest .* two|{words}"):
                align(solved(), floor, options)


def test_nameless_markers_have_the_numbers_that_an_alignment_lists() -> None:
    """Taken by these, in any order, they are called the same again."""
    rng = np.random.default_rng(11)
    tracks = still_tracks(standing(), placed_on_floor(FRAME_MM, rng), rng, named=False)
    by_angle = align(standing(), tracks)[1]
    x, y, _ = by_angle.markers_mm.T
    origin, along, side = np.hypot(x, y).argmin(), x.argmax(), y.argmax()
    points = tuple(int(by_angle.names[k].removeprefix("point ")) for k in (origin, along, side))
    by_number = align(standing(), tracks, AlignOptions(points=points))[1]
    assert by_number.names == tuple(f"point {k}" for k in points)
    np.testing.assert_allclose(
        by_number.world_from_rig.R, by_angle.world_from_rig.R, atol=1e-9, rtol=0
    )


def test_options_that_exclude_each_other_are_refused() -> None:
    survey = Wand("s", ("a", "b"), FRAME_MM[:2])
    for options, words in (
        ({"is_plane": True, "is_wand": True}, "one of"),
        ({"points": (1, 2)}, "three markers"),
        ({"survey": survey, "height_mm": 3.0}, "none with --survey"),
        ({"with_scale": True}, "--survey with it"),
        ({"up": "x"}, "z or y"),
    ):
        with pytest.raises(InputError, match=words):
            AlignOptions(**options)


def test_a_camera_that_sees_the_floor_elsewhere_is_told() -> None:
    """The others place the markers; that one of them was knocked was not said at all."""
    rng = np.random.default_rng(9)
    rig, points = standing(), placed_on_floor(FRAME_MM, rng)
    for named in (True, False):
        tracks = still_tracks(rig, points, rng, named=named)
        assert not any("at rest" in note for note in align(rig, tracks)[1].notes)
        full = max(tracks.cameras, key=lambda c: len(np.unique(np.rint(c.xy_px / 8.0), axis=0)))
        notes = align(turned(rig, full.name, 0.4), tracks)[1].notes
        (note,) = (note for note in notes if "at rest" in note)
        assert f"the points at rest of {full.name}; see by a new wave whether it moved" in note


# ---- scale


def test_only_a_survey_that_is_asked_changes_the_scale() -> None:
    rng = np.random.default_rng(7)
    real = np.vstack([FLOOR_MM, [[0.0, 0, 700]]])
    tracks = still_tracks(standing(), real, rng)
    large = Wand("survey", tuple("abcde"), 1.002 * real, 2.0)
    real_survey = replace(large, points_mm=real)
    base = np.linalg.norm(standing().cameras[0].position_mm - standing().cameras[3].position_mm)
    for with_scale, expected in ((False, base), (True, 1.002 * base)):
        rig, how = align(standing(), tracks, AlignOptions(survey=large, with_scale=with_scale))
        found = np.linalg.norm(rig.cameras[0].position_mm - rig.cameras[3].position_mm)
        assert found == pytest.approx(expected, rel=1e-9 if not with_scale else 8e-4)
        scale, sigma = how.numbers["survey_scale"], how.numbers["survey_scale_sigma"]
        assert abs(scale - 1.002) < 4.0 * sigma
        assert any("than the rig: " in note for note in how.notes) == (abs(scale - 1) > 2 * sigma)
        ratio = rig.wand_used.span_mm / standing().wand_used.span_mm
        assert ratio == pytest.approx(how.scale, rel=1e-12)
        # By all alignments since the solve, as a rig is compared with others of its own size.
        again, _ = align(rig, tracks, AlignOptions(survey=real_survey))
        assert again.enlarged == rig.enlarged == pytest.approx(ratio, rel=1e-12)
        like, _ = align_like(standing(), again)
        assert like.enlarged == 1.0 and like.camera("cam01").position_mm * ratio == pytest.approx(
            again.camera("cam01").position_mm, abs=1e-6
        )


def test_a_survey_of_another_size_is_refused_with_that_and_not_with_a_marker() -> None:
    rng = np.random.default_rng(8)
    real = np.vstack([FLOOR_MM, [[0.0, 0, 700]]])
    tracks = still_tracks(standing(), real, rng)
    large = Wand("survey", tuple("abcde"), 1.02 * real, 0.1)
    told = r"size, found one [12]\.\d{3}% larger.*--survey-scale"
    with pytest.raises(UnsolvableError, match=told):
        align(standing(), tracks, AlignOptions(survey=large))
    one_off = 1.02 * real + np.outer([0, 0, 0, 0, 1.0], [40.0, 0, 0])
    with pytest.raises(UnsolvableError, match="e the worst"):
        align(standing(), tracks, AlignOptions(survey=Wand("survey", tuple("abcde"), one_off, 0.1)))


# ---- like an earlier rig


def knocked(rig: Rig, names: tuple[str, ...], rng: np.random.Generator) -> Rig:
    def knock(camera: RigCamera) -> RigCamera:
        R = rotation_from_vector(rng.normal(0, 0.02, 3)) @ camera.cam_from_world.R
        pose = Pose(R, -R @ (camera.position_mm + rng.normal(0, 30, 3)))
        return replace(camera, cam_from_world=pose)

    return replace(rig, cameras=tuple(knock(c) if c.name in names else c for c in rig.cameras))


def test_an_earlier_world_comes_over_with_a_third_of_the_cameras_moved() -> None:
    total, n, n_others = 0.0, 10, 0
    for seed in range(n):
        rng = np.random.default_rng(200 + seed)
        names = tuple(rng.choice(standing().names, 2, replace=False))
        other = Pose(rotation_from_vector(rng.normal(size=3)), rng.uniform(-2000, 2000, 3))
        new = moved(knocked(drawn(standing(), rng), names, rng), other)
        rig, how = align_like(new, drawn(standing(), rng))
        stand = set(standing().names) - set(names)
        assert set(how.names) <= stand
        n_others += len(how.names) < len(stand)
        total += squared(how, other.inverse())
        assert rig.alignment is not None and rig.alignment["how"] == how.how
    assert n_others <= stats.binom.isf(1e-3, n, ALPHA)  # of who stood, one may seem to have moved
    low, high = stats.chi2.ppf([5e-4, 1 - 5e-4], 6 * n)
    assert low < total < high


def test_too_few_that_agree_are_refused() -> None:
    rng = np.random.default_rng(11)
    moved_ones = standing().names[:5]
    with pytest.raises(UnsolvableError, match="more than half"):
        align_like(knocked(standing(), moved_ones, rng), standing())
    alone = replace(standing(), cameras=standing().cameras[:1])
    with pytest.raises(InputError, match="two cameras or more"):
        align_like(standing(), alone)


def test_a_rig_without_covariance_counts_the_noise_alone() -> None:
    rng = np.random.default_rng(12)
    bare = replace(standing(), covariance=None)
    how = align(bare, still_tracks(standing(), placed_on_floor(FRAME_MM, rng), rng))[1]
    assert how.sigma_origin_mm.max() < 0.2
    assert any("states no uncertainty" in note for note in how.notes)


# ---- what reads an aligned rig


def test_a_recheck_finds_the_same_in_every_world() -> None:
    later = simulate(replace(wave().scenario, wave=1, knock=(Knock(camera="cam03"),)))
    first, then = (recheck(rig, later.tracks) for rig in (solved(), standing()))
    for a, b in zip(first.cameras, then.cameras, strict=True):
        assert (a.name, a.verdict) == (b.name, b.verdict)
        np.testing.assert_allclose(
            np.linalg.norm(a.change[3:6]), np.linalg.norm(b.change[3:6]), rtol=1e-3, atol=1e-3
        )
    assert [c.name for c in then.cameras if c.verdict == "moved"] == ["cam03"]


def test_a_length_test_ends_with_the_rig_it_was_of() -> None:
    tested = replace(standing(), verification={"decision": "pass"})
    rng = np.random.default_rng(13)
    assert align(tested, still_tracks(standing(), FRAME_MM, rng))[0].verification is None
    later = simulate(replace(wave().scenario, wave=1, knock=(Knock(camera="cam03"),)))
    mended = repair(tested, later.tracks, {"cam03": ()})
    assert mended.verification is None
    np.testing.assert_array_equal(mended.wave_mm, tested.wave_mm)
