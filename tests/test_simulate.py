"""The simulator: its geometry against OpenCV, its noise against the statistics it claims, its rigs
against sense.
"""

import itertools
import tomllib
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from calib.core.camera import distort, project
from calib.core.geometry import angle_between_deg
from calib.errors import InputError, UnsolvableError
from calib.simulate import Knock, Scenario, sample_points, simulate
from calib.simulate.layouts import image_plane_reach, true_cameras, volume_mm
from calib.simulate.path import make_motion, make_wand
from calib.simulate.scenario import INDEPENDENT

LAYOUTS = ("room", "corridor", "row", "dome")
CLEAN = {
    "dropout": 0.0,
    "outliers": 0.0,
    "strays": 0.0,
    "occlusion": False,
    "person": False,
    **INDEPENDENT,
}
TINY = 1e-6  # chance of a false alarm in a statistical check


def residuals(simulation, index, rig=None):
    """Observed minus true image points (n, 2) of one camera's named points."""
    camera = (rig or simulation.truth).cameras[index]
    tracks, marker = simulation.tracks.cameras[index], simulation.marker[index]
    is_marker = marker >= 0
    points = simulation.markers_world_mm[tracks.frame[is_marker], marker[is_marker]]
    return tracks.xy_px[is_marker] - project(
        camera.lens, camera.cam_from_world.apply(points)
    ), is_marker


def in_binomial_interval(count, n, share):
    low, high = stats.binom.interval(1 - TINY, n, share)
    return low <= count <= high


# ---- geometry


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(
    "terms", [("k1", "k2"), ("k1", "k2", "k3", "tangential", "aspect"), ("k1", "k2", "rational")]
)
def test_noise_free_points_are_those_of_opencv_and_none_is_missing(layout, terms):
    # Source: cv2.projectPoints. What it puts on the sensor, within range and in front, must be in
    # the tracks.
    scenario = Scenario(
        layout=layout, n_cameras=6, wand="solid6", lens_terms=terms, sigma_px=0.0, seed=3, **CLEAN
    )
    simulation = simulate(scenario)
    world = simulation.markers_world_mm
    for camera, tracks in zip(simulation.truth.cameras, simulation.tracks.cameras, strict=True):
        pose, lens = camera.cam_from_world, camera.lens
        uv, _ = cv2.projectPoints(
            world.reshape(-1, 3), cv2.Rodrigues(pose.R)[0], pose.t_mm, lens.K, lens.dist
        )
        uv = uv.reshape(*world.shape[:2], 2)
        assert np.abs(tracks.xy_px - uv[tracks.frame, tracks.marker]).max() < 1e-9
        in_cam = pose.apply(world)
        near_axis = (
            np.linalg.norm(in_cam[..., :2], axis=-1) < image_plane_reach(camera) * in_cam[..., 2]
        )
        on_sensor = ((uv >= 0) & (uv <= [camera.width - 1, camera.height - 1])).all(axis=-1)
        in_range = np.linalg.norm(in_cam, axis=-1) <= scenario.range_mm
        assert tracks.n_points == (on_sensor & near_axis & in_range).sum()


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("n_cameras", [2, 5, 12, 30])
def test_rigs_look_like_rigs(layout, n_cameras):
    scenario = Scenario(layout=layout, n_cameras=n_cameras, seed=n_cameras)
    simulation = simulate(scenario)
    low, high = volume_mm(scenario)
    middle = (low + high) / 2
    for camera, tracks in zip(simulation.truth.cameras, simulation.tracks.cameras, strict=True):
        x, y, z = camera.position_mm
        assert (
            not (low < camera.position_mm).all() or not (camera.position_mm < high).all()
        )  # outside the volume
        if layout != "dome":
            assert 2300 <= z <= 3500
        forward = camera.cam_from_world.R[2]
        assert (
            forward @ [*(np.clip([x, y], low[:2], high[:2]) - [x, y]), middle[2] - z] > 0
        )  # looks inward
        down = camera.cam_from_world.R[1]
        assert down[2] < 0  # hangs upright
        shortest, longest = scenario.focal_range_mm
        assert shortest - 1e-9 <= camera.lens.fx * scenario.pixel_pitch_mm <= longest + 1e-9
        centre = np.array([camera.width - 1, camera.height - 1]) / 2
        assert (
            np.abs([camera.lens.cx, camera.lens.cy] - centre).max() <= scenario.principal_offset_px
        )
        assert tracks.n_points >= 200  # enough to calibrate with
        # The nominal focal length is off, within the share stated (and its rounding to 0.01 mm).
        off = tracks.focal_mm / (camera.lens.fx * scenario.pixel_pitch_mm) - 1
        assert 0 < abs(off) <= scenario.focal_error + 0.001


def test_nominal_focal_lengths_are_off_evenly_either_way():
    # The tracks do not depend on the wave, so a still one will do.
    off = []
    for seed in range(8):
        simulation = simulate(
            Scenario(n_cameras=24, path="still", n_frames=1, focal_error=0.25, seed=seed)
        )
        for camera, tracks in zip(simulation.truth.cameras, simulation.tracks.cameras, strict=True):
            off.append(tracks.focal_mm / (camera.lens.fx * simulation.scenario.pixel_pitch_mm) - 1)
    assert stats.kstest(off, stats.uniform(-0.25, 0.5).cdf).pvalue > TINY


@pytest.mark.parametrize(
    "terms", [("k1", "k2"), ("k1", "k2", "k3"), ("k1", "k2", "k3", "rational")]
)
def test_distortion_is_monotonic_over_the_whole_sensor(terms):
    for seed in range(10):
        scenario = Scenario(n_cameras=8, path="still", n_frames=1, lens_terms=terms, seed=seed)
        for camera in simulate(scenario).truth.cameras:
            r = np.linspace(0, image_plane_reach(camera), 200)
            distorted = distort(camera.lens.vector[4:], r, np.zeros_like(r))[0]
            assert (np.diff(distorted) > 0.3 * np.diff(r)).all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_corners_of_widest_lenses_see_something(seed):
    """One in 600 of a hall's lenses folded within a corner, and its camera saw nothing at all."""
    cameras = true_cameras(Scenario(n_cameras=300, seed=seed))
    assert all(np.isfinite(image_plane_reach(c)) for c in cameras)
    assert sum(c.lens.dist[4] == 0.0 for c in cameras) < 10


def test_two_hundred_cameras_in_a_room():
    simulation = simulate(Scenario(n_cameras=200, seed=1))
    assert simulation.tracks.names[0] == "cam001" and len(simulation.tracks.names) == 200


def test_test_points_fill_the_volume():
    scenario = Scenario(size_mm=(4000.0, 3000.0, 2000.0))
    points = sample_points(scenario, 4000, np.random.default_rng(0))
    for axis, (low, high) in enumerate([(-2000, 2000), (-1500, 1500), (200, 2000)]):
        assert stats.kstest(points[:, axis], stats.uniform(low, high - low).cdf).pvalue > TINY


# ---- the wave


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("speed", [600.0, 1000.0, 1400.0])
def test_speed_is_as_stated_and_a_hand_could_do_it(layout, speed):
    scenario = Scenario(
        layout=layout, n_frames=60_000, frame_rate_hz=100.0, speed_mm_s=speed, seed=7
    )
    _, wand = make_wand(scenario)
    motion = make_motion(scenario, wand)
    centre = motion.markers_world_mm(wand).mean(axis=1)
    velocity = np.diff(centre, axis=0) * scenario.frame_rate_hz
    rms = np.sqrt((velocity**2).sum(axis=1).mean())
    # Ten minutes hold some 200 independent stretches, so the RMS is known to about 5 %; a walk at
    # 0.7 m/s with hands that still move is the floor for the slowest one.
    assert 0.8 * speed < rms < 1.25 * max(speed, 700.0)
    acceleration = np.linalg.norm(np.diff(velocity, axis=0), axis=1) * scenario.frame_rate_hz
    assert acceleration.max() < 20_000  # twice gravity, which an arm exceeds only on purpose
    turn = np.radians(angle_between_deg(motion.R[:-1], motion.R[1:])) * scenario.frame_rate_hz
    assert turn.max() < 4 * scenario.turn_rad_s
    assert 0.8 < np.sqrt((turn**2).mean()) / scenario.turn_rad_s < 1.25


@pytest.mark.parametrize("layout", LAYOUTS)
def test_wave_fills_the_volume_and_walks_the_length(layout):
    for seed in range(5):
        scenario = Scenario(layout=layout, seed=seed)
        simulation = simulate(scenario)
        low, high = volume_mm(scenario)
        centre = simulation.markers_world_mm.mean(axis=1)
        assert (centre >= low - 1).all() and (centre <= high + 1).all()
        assert simulation.markers_world_mm[..., 2].min() > 150  # never down to the floor
        share = (centre - low) / (high - low)
        assert len(np.unique((share[:, 0] * 4).astype(int).clip(0, 3))) == 4
        assert np.ptp(share[:, 1:], axis=0).min() > 0.5


def test_walk_too_fast_is_refused():
    with pytest.raises(
        InputError, match=r"scenario n_frames: expected time to walk 18\.0 m .* Raise n_frames"
    ):
        simulate(Scenario(layout="corridor", n_cameras=12, n_frames=100))


def test_long_rig_gets_the_time_its_walk_takes():
    simulation = simulate(Scenario(layout="corridor", n_cameras=30, wand="plane5"))
    assert len(simulation.t_world_from_wand_mm) > 1500


def test_planar_and_still_waves_are_what_they_say():
    planar = simulate(Scenario(path="plane")).markers_world_mm.reshape(-1, 3)
    spread = np.linalg.svd(planar - planar.mean(axis=0), compute_uv=False)
    assert spread[2] < 1e-9 * spread[0] < spread[1]
    still = simulate(Scenario(path="still"))
    assert np.ptp(still.markers_world_mm, axis=0).max() < 1e-9


@pytest.mark.parametrize(("wand", "dimension"), [("line3", 1), ("plane5", 2), ("solid6", 3)])
def test_wands_look_like_themselves_only_one_way(wand, dimension):
    stated, real = make_wand(Scenario(wand=wand))
    assert stated.dimension == dimension and (stated.points_mm == real.points_mm).all()
    n = len(stated.markers)
    for order in itertools.permutations(range(n)):
        if order != tuple(range(n)):
            assert np.abs(stated.lengths_mm[np.ix_(order, order)] - stated.lengths_mm).max() > 20


def test_wand_off_its_file_and_certificate_of_the_real_one():
    stated, real = make_wand(
        Scenario(wand="plane5", marker_error_mm=0.5, is_certified=True, seed=2)
    )
    off = real.points_mm - stated.points_mm
    low, high = stats.chi2.interval(1 - TINY, off.size)
    assert low < (off**2).sum() / 0.5**2 < high
    (certified,) = stated.certified
    assert certified.length_mm == pytest.approx(
        real.lengths_mm[certified.i, certified.j], abs=5 * certified.sigma_mm
    )


# ---- imaging


@pytest.mark.parametrize("seed", range(4))
def test_noise_has_the_level_it_claims(seed):
    # Source: (n) squared normal residuals over sigma squared are chi-square; both coordinates
    # independent.
    scenario = Scenario(layout=LAYOUTS[seed], n_cameras=6, noisy={"cam02": 4.0}, seed=seed, **CLEAN)
    simulation = simulate(scenario)
    for i, name in enumerate(scenario.names):
        delta, _ = residuals(simulation, i)
        sigma = 0.12 * (4.0 if name == "cam02" else 1.0)
        low, high = stats.chi2.interval(1 - TINY, delta.size)
        assert low < (delta**2).sum() / sigma**2 < high
        assert abs(stats.pearsonr(*delta.T).statistic) < stats.norm.isf(TINY) / np.sqrt(len(delta))
        assert stats.kstest(delta.ravel() / sigma, "norm").pvalue > TINY


def test_noise_spread_differs_by_camera_within_its_factor():
    simulation = simulate(Scenario(n_cameras=12, noise_spread=2.0, **CLEAN))
    sigma = np.array([np.sqrt((residuals(simulation, i)[0] ** 2).mean()) for i in range(12)])
    assert (
        (sigma > 0.12 / 2 * 0.95).all()
        and (sigma < 0.12 * 2 * 1.05).all()
        and sigma.max() > 1.5 * sigma.min()
    )


@pytest.mark.parametrize("seed", range(3))
def test_dropout_and_outliers_have_their_shares(seed):
    base = Scenario(n_cameras=8, seed=seed, **CLEAN)
    everything = sum(c.n_points for c in simulate(base).tracks.cameras)
    lossy = simulate(replace(base, dropout=0.2))
    assert in_binomial_interval(sum(c.n_points for c in lossy.tracks.cameras), everything, 0.8)
    rough = simulate(replace(base, outliers=0.02))
    assert in_binomial_interval(int(np.concatenate(rough.is_outlier).sum()), everything, 0.02)
    for i in range(8):
        delta, is_marker = residuals(rough, i)
        length = np.linalg.norm(delta, axis=1)
        is_outlier = rough.is_outlier[i][is_marker]
        assert (length[~is_outlier] < 6 * 0.12).all()
        assert (length[is_outlier] > 5 - 6 * 0.12).all() and (
            length[is_outlier] < 300 + 6 * 0.12
        ).all()


def test_strays_come_as_often_as_stated_and_half_of_them_stay_put():
    for rate in (0.1, 3.0):
        simulation = simulate(Scenario(n_cameras=4, strays=rate, n_frames=2000))
        n_spots = 2 * int(np.ceil(rate / 2))
        for tracks, marker, is_outlier in zip(
            simulation.tracks.cameras, simulation.marker, simulation.is_outlier, strict=True
        ):
            is_stray = marker < 0
            assert (tracks.marker[is_stray] == -1).all() and is_outlier[is_stray].all()
            assert in_binomial_interval(int(is_stray.sum()), 2000 * n_spots, rate / n_spots)
            # Static ones pile up on the same pixels, wandering ones do not.
            _, count = np.unique((tracks.xy_px[is_stray] / 8).round(), axis=0, return_counts=True)
            assert 0.3 < count[count > 0.3 * 2000 * rate / n_spots].sum() / is_stray.sum() < 0.75


def test_touching_blobs_hide_and_those_behind_merge():
    base = Scenario(n_cameras=6, wand="solid6", marker_diameter_mm=40.0, sigma_px=0.0, **CLEAN)
    clear, occluded = simulate(base), simulate(replace(base, occlusion=True))
    n_merged = 0
    for i, tracks in enumerate(occluded.tracks.cameras):
        assert tracks.n_points < clear.tracks.cameras[i].n_points
        merged = occluded.is_outlier[i]
        n_merged += merged.sum()
        delta, _ = residuals(occluded, i)
        assert (np.linalg.norm(delta[~merged], axis=1) < 1e-9).all()
        # A quarter of the way to a blob that lies a quarter of two radii (of nearly equal size)
        # off.
        assert (
            np.linalg.norm(delta[merged], axis=1) <= 0.25 * 0.25 * 2.2 * tracks.radius_px[merged]
        ).all()
        for frame in np.unique(tracks.frame)[::50]:
            at = tracks.frame == frame
            gap = np.linalg.norm(tracks.xy_px[at][:, None] - tracks.xy_px[at][None], axis=-1)
            touch = tracks.radius_px[at][:, None] + tracks.radius_px[at][None]
            assert (gap + 1e3 * np.eye(len(gap)) > touch - 0.5).all()
    assert n_merged > 20


def test_person_hides_exactly_what_lies_behind():
    base = Scenario(n_cameras=5, sigma_px=0.0, n_frames=400, seed=1, connected=False, **CLEAN)
    clear, hidden = simulate(base), simulate(replace(base, person=True))
    motion = make_motion(base, clear.truth.wand_used)
    n_hidden = 0
    for i, camera in enumerate(clear.truth.cameras):
        a, b = clear.tracks.cameras[i], hidden.tracks.cameras[i]
        left = set(zip(b.frame.tolist(), b.marker.tolist(), strict=True))
        for frame, marker in zip(a.frame.tolist(), a.marker.tolist(), strict=True):
            # By brute force: walk along the sight line and see whether a step lies inside the
            # person.
            step = np.linspace(0, 1, 1500)[:, None]
            line = camera.position_mm + step * (
                clear.markers_world_mm[frame, marker] - camera.position_mm
            )
            gap = np.linalg.norm(line[:, :2] - motion.person_mm[frame], axis=1)
            is_inside = ((gap < 200) & (line[:, 2] < 1750)).any()
            near = ((gap < 206) & (line[:, 2] < 1765)).any() and not (
                (gap < 194) & (line[:, 2] < 1735)
            ).any()
            assert near or is_inside == ((frame, marker) not in left)
            n_hidden += is_inside
    assert n_hidden > 50


# ---- troubles


def test_slip_moves_one_cameras_frames():
    base = Scenario(n_cameras=4, strays=0.0, seed=5)
    plain, late = (
        simulate(base).tracks,
        simulate(replace(base, slip={"cam02": 3, "cam03": -2})).tracks,
    )
    for name, slip in (("cam01", 0), ("cam02", 3), ("cam03", -2)):
        a, b = plain.camera(name), late.camera(name)
        kept = (a.frame + slip >= 0) & (a.frame + slip < 1500)
        assert (b.frame == a.frame[kept] + slip).all() and (b.xy_px == a.xy_px[kept]).all()


def test_knocked_camera_moves_by_what_was_stated_from_its_frame_on():
    knock = Knock(
        camera="cam03", frame=600, rotation_deg=0.7, translation_mm=9.0, focal_change=0.02
    )
    base = Scenario(n_cameras=5, seed=6, **CLEAN)
    plain, moved = simulate(base), simulate(replace(base, knock=(knock,)))
    before, after = moved.truth.camera("cam03"), moved.truth_after.camera("cam03")
    assert angle_between_deg(before.cam_from_world.R, after.cam_from_world.R) == pytest.approx(
        0.7, abs=1e-9
    )
    assert np.linalg.norm(after.position_mm - before.position_mm) == pytest.approx(9.0, abs=1e-9)
    assert after.lens.fx / before.lens.fx == pytest.approx(1.02, abs=1e-12)
    frame = moved.tracks.cameras[2].frame
    assert (
        moved.tracks.cameras[2].xy_px[frame < 600]
        == plain.tracks.cameras[2].xy_px[: (frame < 600).sum()]
    ).all()
    late = residuals(moved, 2, moved.truth_after)[0][frame >= 600]
    assert np.sqrt((late**2).mean()) < 0.13
    assert np.sqrt((residuals(moved, 2)[0][frame >= 600] ** 2).mean()) > 2
    for i in (0, 1, 3, 4):
        assert (moved.tracks.cameras[i].xy_px == plain.tracks.cameras[i].xy_px).all()


def test_another_wave_shows_the_same_rig_with_the_same_knock():
    first = Scenario(n_cameras=4, seed=8, knock=(Knock(camera="cam01"),))
    a, b = simulate(first), simulate(replace(first, wave=1))
    assert (
        a.truth_after.cameras[0].cam_from_world.R == b.truth_after.cameras[0].cam_from_world.R
    ).all()
    assert all(
        (x.lens.vector == y.lens.vector).all()
        for x, y in zip(a.truth.cameras, b.truth.cameras, strict=True)
    )
    assert [c.focal_mm for c in a.tracks.cameras] == [c.focal_mm for c in b.tracks.cameras]
    assert not np.allclose(a.t_world_from_wand_mm, b.t_world_from_wand_mm, atol=100)


def test_unnamed_markers_keep_their_truth_aside():
    base = Scenario(n_cameras=4, wand="plane5")
    named, unnamed = simulate(base), simulate(replace(base, is_named=False))
    for a, b, marker in zip(
        named.tracks.cameras, unnamed.tracks.cameras, unnamed.marker, strict=True
    ):
        assert (b.marker == -1).all() and (marker == a.marker).all() and (a.xy_px == b.xy_px).all()


def test_known_lens_decides_what_the_tracks_state():
    base = Scenario(n_cameras=3, path="still", n_frames=2)
    for known, has_focal, has_lens in (
        ("nominal", True, False),
        ("measured", False, True),
        ("nothing", False, False),
    ):
        simulation = simulate(replace(base, known_lens=known))
        for tracks, camera in zip(simulation.tracks.cameras, simulation.truth.cameras, strict=True):
            assert (tracks.focal_mm is not None) == has_focal and (
                tracks.lens is not None
            ) == has_lens
            assert not has_lens or (tracks.lens.vector == camera.lens.vector).all()


def test_rig_in_pieces_is_refused_unless_allowed():
    # Two cameras at either end of sixty metres, where the strobes reach nine.
    scenario = Scenario(layout="corridor", n_cameras=2, size_mm=(60_000.0, 3000.0, 2200.0))
    with pytest.raises(UnsolvableError, match="cam02 apart from cam01") as caught:
        simulate(scenario)
    assert caught.value.cameras == ("cam02",)
    assert len(simulate(replace(scenario, connected=False)).tracks.cameras) == 2


# ---- the scenario


def test_same_scenario_same_bytes_and_effects_do_not_disturb_one_another():
    scenario = Scenario(layout="row", n_cameras=5, noise_spread=1.5, seed=11)
    a, b = simulate(scenario), simulate(scenario)
    for x, y in zip(a.tracks.cameras, b.tracks.cameras, strict=True):
        for key in ("frame", "xy_px", "marker", "radius_px"):
            assert getattr(x, key).tobytes() == getattr(y, key).tobytes()
    other = simulate(replace(scenario, dropout=0.5, strays=2.0, outliers=0.0))
    assert (other.t_world_from_wand_mm == a.t_world_from_wand_mm).all()
    x, y = a.tracks.cameras[0], other.tracks.cameras[0]
    kept = dict(zip(zip(x.frame, a.marker[0], strict=True), x.xy_px.tolist(), strict=True))
    is_kept = (other.marker[0] >= 0) & ~other.is_outlier[0]
    same = [
        kept.get((f, m)) == p
        for f, m, p in zip(
            y.frame[is_kept], other.marker[0][is_kept], y.xy_px[is_kept].tolist(), strict=True
        )
    ]
    assert np.mean(same) > 0.98  # all but those that are gross outliers in the first
    assert not np.allclose(
        simulate(replace(scenario, seed=12)).truth.cameras[0].position_mm, x.xy_px[0, 0], atol=1
    )


def test_scenario_goes_through_toml():
    text = """
    layout = "corridor"
    n_cameras = 12
    range_mm = 8000
    size_mm = [12000, 3000, 2200.0]
    noisy = { cam03 = 2.5 }
    slip = { cam01 = 2 }
    [[knock]]
    camera = "cam02"
    frame = 100
    """
    scenario = Scenario.from_dict(tomllib.loads(text))
    assert scenario.knock == (Knock(camera="cam02", frame=100),) and scenario.size_mm == (
        12000,
        3000,
        2200.0,
    )
    assert Scenario.from_dict(scenario.as_dict()) == scenario
    assert Scenario.from_dict({"knock": {"camera": "cam02"}}).knock == (Knock(camera="cam02"),)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"n_camera": 4, "colour": 1}, "found colour, n_camera"),
        ({"n_cameras": 1}, "scenario n_cameras: expected 2 to 300, found 1"),
        ({"n_cameras": 301}, "expected 2 to 300"),
        ({"n_cameras": 4.5}, "n_cameras: expected a value of kind int, found 4.5"),
        ({"n_cameras": True}, "kind int"),
        ({"sigma_px": "0.1"}, "sigma_px: expected a value of kind float"),
        ({"sigma_px": float("nan")}, "kind float"),
        ({"sigma_px": -0.1}, "scenario sigma_px: expected 0 to 50"),
        ({"layout": "cave"}, "expected one of room, corridor, row, dome, found 'cave'"),
        ({"size_mm": [1000.0, 2000.0]}, "size_mm"),
        ({"size_mm": 4000.0}, "size_mm"),
        ({"focal_range_mm": [12.0, 6.0]}, "focal_range_mm: expected 0.1 to 6, found 12"),
        ({"focal_range_mm": [0.0, 6.0]}, "focal_range_mm"),
        ({"dropout": 1.0}, "dropout"),
        ({"lens_terms": ["k1", "k9"]}, "lens_terms"),
        ({"noisy": {"cam77": 2.0}}, "expected cameras cam01 to cam10, found cam77"),
        ({"slip": {"cam01": 1.5}}, "slip"),
        ({"slip": 3}, "slip"),
        ({"knock": {"frame": 3}}, "scenario knock"),
        ({"knock": {"camera": "cam01", "angle": 3}}, "scenario knock"),
        ({"knock": 4}, "scenario knock"),
        ({"knock": {"camera": "cam01", "frame": -1}}, "scenario knock"),
        ({"seed": -1}, "seed"),
    ],
)
def test_bad_scenario_is_named_in_one_line(table, message):
    with pytest.raises(InputError, match=message) as caught:
        Scenario.from_dict(table)
    assert "\n" not in str(caught.value)


def test_a_name_is_wrong_where_the_marker_lies_elsewhere() -> None:
    """Right names are right, exchanged ones wrong but in a merged blob, a stray's name wrong but
    upon the marker.
    """
    s = simulate(
        Scenario(n_cameras=3, n_frames=200, seed=5, strays=5.0, outliers=0.0, connected=False)
    )
    for k, camera in enumerate(s.tracks.cameras):
        true, merged = s.marker[k], s.is_outlier[k] & (s.marker[k] >= 0)
        assert not s.is_wrong_name(camera.name, true).any()
        assert not s.is_wrong_name(camera.name, np.full_like(true, -1)).any()
        turned = np.where(true >= 0, (true + 1) % 3, -1).astype(np.int16)
        np.testing.assert_array_equal(
            s.is_wrong_name(camera.name, turned)[~merged], (true >= 0)[~merged]
        )
        assert s.is_wrong_name(camera.name, np.zeros_like(true))[true < 0].mean() > 0.99
