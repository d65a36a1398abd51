"""Plans: optics against textbooks, coverage and precision against other ways to reckon them, the
plan file, and what bad input is told.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import calib
from calib.core.camera import Lens
from calib.core.fields import as_toml
from calib.core.geometry import Pose, rotation_from_vector
from calib.core.rig import Rig
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.plan.assess import assess
from calib.plan.compare import compare, deviation, plan_of
from calib.plan.coverage import best_angle_deg, is_hidden, look, noise_sigma
from calib.plan.kernels import NEVER
from calib.plan.optics import angle_of_view_deg, centroid_noise, depth_of_field, merging_mm, size_px
from calib.plan.pointing import pointing
from calib.plan.reach import losses, reach_of, rest_of, shortfalls
from calib.plan.records import Need, Obstacle, Plan, PlanCamera, PlanMarker, Wave, looking
from calib.plan.suggest import add, drop, is_better, suggest
from calib.plan.table import USUAL_WAND, plan_as_toml, plan_from_table
from calib.plan.wave import seen_wave, solved_rig, wave_of
from calib.plan.way import suggested_way
from calib.prove.precision import precision
from calib.prove.volume import Box
from calib.prove.world import moved
from calib.report.figures import plan_from_above, plan_in_space
from calib.report.papers.formats import named
from calib.report.planned.changed import as_blocks as changed_blocks
from calib.report.planned.judged import as_blocks
from calib.report.tables import lines_of
from calib.simulate import Scenario, simulate
from calib.simulate.still import still_tracks
from scripts.benchmarks.plan import figure_of_eight
from tests.program import Call

PLAN = named("plan").example
PITCH_MM, ZOOM_MM = 0.0045, (5.0, 10.0)  # as simulated cameras have them

# ---- optics


def test_angles_of_view_are_those_of_the_textbook() -> None:
    # 2 atan(w / 2f), Ray, Applied Photographic Optics, chapter 12; 2048 × 5.5 µm = 11.264 mm, by
    # hand: 2 atan(0.93867) and 2 atan(0.46933).
    assert angle_of_view_deg(11.264, 6.0) == pytest.approx(86.4, abs=0.05)
    assert angle_of_view_deg(11.264, 12.0) == pytest.approx(50.3, abs=0.05)
    # A full-frame sensor with a 50 mm lens: 39.6° × 27.0°, 46.8° (tables of lens makers, from
    # memory).
    sides = [angle_of_view_deg(s, 50.0) for s in (36.0, 24.0, np.hypot(36.0, 24.0))]
    assert np.round(sides, 1).tolist() == [39.6, 27.0, 46.8]


def test_depth_of_field_with_the_subject_at_an_eighth_of_the_hyperfocal_distance() -> None:
    # Thin lens: s - f = K / 8 is sharp from 8/9 s to 8/7 s (exact).
    K = 50.0**2 / (8.0 * 0.03)
    s = 50.0 + K / 8.0
    sharp = depth_of_field(50.0, 8.0, s, 0.03)
    assert sharp.near_mm == pytest.approx(8.0 / 9.0 * s, rel=1e-12)
    assert sharp.far_mm == pytest.approx(8.0 / 7.0 * s, rel=1e-12)
    # Focused there it is sharp from half of it to infinity, to the order of f / K.
    whole = depth_of_field(50.0, 8.0, sharp.hyperfocal_mm, 0.03)
    assert whole.far_mm == np.inf
    assert whole.near_mm == pytest.approx(sharp.hyperfocal_mm / 2.0, rel=1e-12)


def test_depth_of_field_of_a_published_case() -> None:
    # 50 mm at f/8, subject at 6 m, blur of 1/30° from the lens: 2.150 m in front of the subject and
    # 7.590 m behind it. The angle is that of the circle at the image's distance from the lens.
    image = 50.0 * 6000.0 / 5950.0
    sharp = depth_of_field(50.0, 8.0, 6000.0, image * np.tan(np.radians(1.0 / 30.0)))
    assert 6000.0 - sharp.near_mm == pytest.approx(2150.0, abs=0.5)
    assert sharp.far_mm - 6000.0 == pytest.approx(7590.0, abs=0.5)


def test_depth_of_field_agrees_with_rays_through_the_rim() -> None:
    # By similar triangles: a point at x images at v(x); the cone from the aperture's rim to there
    # is cut by the sensor at v(s).
    f, N, s, c = 8.0, 2.8, 4000.0, 0.004
    sharp = depth_of_field(f, N, s, c)

    def image(x: float) -> float:
        return f * x / (x - f)

    for x in (sharp.near_mm, sharp.far_mm):
        blur = f / N * abs(image(s) - image(x)) / image(x)
        assert blur == pytest.approx(c, rel=1e-9)


def test_sizes_and_merging() -> None:
    # 14 mm at 5 m, 8 mm lens, 5.5 µm: 14 × 8 / (5000 × 0.0055) = 4.07 px, by hand.
    assert size_px(14.0, 5000.0, 8.0, 0.0055) == pytest.approx(4.0727, abs=1e-4)
    far = merging_mm(30.0, 8.0, 0.0055)
    assert size_px(30.0, far, 8.0, 0.0055) == pytest.approx(2.0)


def test_noise_of_centroids_is_the_bound_of_a_blurred_disc() -> None:
    # The Cramér-Rao bound of the disc's place, its slopes summed on a fine grid.
    from calib.plan.optics import EDGE_PX, FLOOR_PX, IMAGE_NOISE  # noqa: PLC0415

    radius, h = 5.0, 0.02
    axis = np.arange(-10, 10, h)
    x, y = np.meshgrid(axis, axis)
    r = np.hypot(x, y)
    # A straight edge is blurred into a normal distribution; a disc of 7 blurs is near that.
    slope = np.exp(-0.5 * ((r - radius) / EDGE_PX) ** 2) / (EDGE_PX * np.sqrt(2 * np.pi))
    information = ((slope * x / np.maximum(r, 1e-9)) ** 2).sum() * h**2
    bound = IMAGE_NOISE / np.sqrt(information)
    expected = np.hypot(FLOOR_PX, bound)
    assert centroid_noise(2 * radius) == pytest.approx(expected, rel=1e-3)


# ---- coverage


def hall(n: int = 5, **changes: object) -> Plan:
    """An invented hall with cameras around it."""
    volume = Box(np.array([-2500.0, -2000, 0]), np.array([2500.0, 2000, 2000]))
    cameras = []
    for k in range(n):
        turn = 2 * np.pi * (k + 0.3) / n
        at = np.array([3700 * np.cos(turn), 3200 * np.sin(turn), 2600.0 + 100 * k])
        cameras.append(
            PlanCamera(
                f"cam{k + 1:02d}",
                2000,
                1200,
                PITCH_MM,
                ZOOM_MM[0],
                at,
                np.array([0.0, 0, 900]),
                zoom_mm=ZOOM_MM,
            )
        )
    plan = Plan("hall", volume, tuple(cameras), USUAL_WAND, PlanMarker(noise_px=0.12), Need(2, 3.0))
    return replace(plan, wave=Wave(seconds=20.0), **changes)


def test_obstacles_hide_what_a_march_along_the_ray_finds_in_them() -> None:
    rng = np.random.default_rng(3)
    box = Box(np.array([-500.0, -300, 0]), np.array([700.0, 400, 1500]))
    start = np.array([-3000.0, -2000, 2500])
    places = rng.uniform(-3000, 3000, (400, 3))
    places[0], places[1] = start + np.array([1000.0, 0, 0]), [0.0, 0, 500]  # along an axis; within
    share = np.linspace(0, 1, 20001)[1:-1]
    found = is_hidden((Obstacle("box", box),), start, places)
    for place, hidden in zip(places, found, strict=True):
        way = start + share[:, None] * (place - start)
        inside = ((way > box.low_mm) & (way < box.high_mm)).all(axis=1)
        assert hidden == inside.any()
    assert found.any() and not found.all()


def test_a_camera_sees_what_lies_within_its_angles() -> None:
    plan = hall()
    camera = plan.cameras[0]
    places = plan.volume.grid(np.full(3, 300.0))
    one = look(plan, camera, places)
    ray = places - camera.position_mm
    right = np.cross(camera.direction, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(camera.direction, right)
    depth = ray @ camera.direction
    half = np.tan(np.radians([angle_of_view_deg(s, ZOOM_MM[0]) / 2 for s in camera.sensor_mm]))
    inside = (np.abs(ray @ right) < half[0] * depth) & (np.abs(ray @ down) < half[1] * depth)
    # The sensor's outermost pixel is half a pixel short of its edge: places may differ there.
    assert (inside != one.is_shown).sum() <= 2 and inside.any() and not inside.all()
    assert one.marker_px[inside] == pytest.approx(14.0 * ZOOM_MM[0] / (PITCH_MM * depth[inside]))


def test_the_noise_and_the_angle_are_those_of_two_rays() -> None:
    # Two cameras at right angles, each d away: across its ray either tells s = d σ / f. Along both
    # rays one camera tells, up both: the variances are s², s² and s²/2.
    plan = hall()
    a = replace(
        plan.cameras[0], position_mm=np.array([4000.0, 0, 1000]), aim_mm=np.array([0.0, 0, 1000])
    )
    b = replace(a, name="b", position_mm=np.array([0.0, 4000.0, 1000]))
    place = np.array([[0.0, 0, 1000.0]])
    looks = [look(plan, c, place) for c in (a, b)]
    s = 4000.0 * 0.12 / (ZOOM_MM[0] / PITCH_MM)
    sigma = noise_sigma(looks[0].information + looks[1].information)
    assert sigma[0] == pytest.approx(s * np.sqrt(2.5), rel=1e-9)
    assert np.isinf(noise_sigma(looks[0].information)[0])
    seen = np.ones((2, 1), bool)
    assert best_angle_deg((a, b), seen, place)[0] == pytest.approx(90.0)
    assert np.isnan(best_angle_deg((a, b), seen & [[True], [False]], place)[0])


def test_what_is_too_small_or_not_sharp_does_not_count() -> None:
    plan = hall()
    places = plan.volume.grid(np.full(3, 500.0))
    camera = replace(plan.cameras[0], f_number=1.4, focus_mm=3000.0, focal_mm=ZOOM_MM[1])
    one = look(plan, camera, places)
    sharp = depth_of_field(ZOOM_MM[1], 1.4, 3000.0, 2 * PITCH_MM)
    away = one.distance_mm
    assert (one.is_seen == one.is_shown & (away >= sharp.near_mm) & (away <= sharp.far_mm)).all()
    assert one.is_seen.sum() < one.is_shown.sum()
    need = replace(plan, need=Need(2, None, 6.0))
    small = look(need, plan.cameras[0], places)
    assert (small.is_seen == small.is_shown & (small.marker_px >= 6.0)).all()
    assert small.is_seen.sum() < small.is_shown.sum()


# ---- the whole


def test_an_assessment_agrees_with_the_precision_of_the_solved_rig() -> None:
    plan = hall()
    found = assess(plan, 600.0)
    assert found.rig is not None and not found.tie.obstacle
    other = precision(found.rig, found.places_mm)
    assert (other.n_cameras == found.n_cameras).all()
    seen = np.isfinite(other.sigma_mm)
    assert found.sigma_mm[seen] == pytest.approx(other.sigma_mm[seen], rel=1e-3)
    assert found.is_met == bool(
        (other.n_cameras >= 2).all() and (other.sigma_mm[seen] <= 3.0).all()
    )


@pytest.mark.parametrize("n", [4, 7])
def test_the_suggested_way_beats_a_figure_of_eight_of_the_same_length(n: int) -> None:
    plan = hall(n)
    way = suggested_way(plan)
    hands = way.hand_mm(plan), figure_of_eight(plan, way.seconds)
    assert abs(len(hands[0]) - len(hands[1])) <= 2
    places = plan.volume.grid(np.full(3, 700.0))
    usual = []
    for hand in hands:
        motion = wave_of(plan, hand)
        found = precision(solved_rig(plan, motion, seen_wave(plan, motion)), places)
        share = np.trace(found.covariance_mm2 - found.noise_mm2, axis1=1, axis2=2)
        usual.append(np.sqrt(np.nanmean(share)))
    assert usual[0] < usual[1]
    assert all((plan.volume.low_mm <= s.place_mm).all() for s in way.stops)
    walking = (
        sum(float(np.linalg.norm(b.place_mm - a.place_mm)) for a, b in pairwise(way.stops))
        / plan.wave.walk_mm_s
    )
    assert walking + sum(s.seconds for s in way.stops) == pytest.approx(plan.wave.seconds)


def test_a_walk_of_one_stop_may_have_another() -> None:
    from calib.plan.way import _changed  # noqa: PLC0415

    rng = np.random.default_rng(7)
    places = rng.uniform(0, 2000, (9, 3))
    found = {_changed(places, (4,), np.ones(9), rng) for _ in range(100)}
    assert {len(stops) for stops in found} == {1, 2} and (4,) in found and len(found) > 9


def test_cameras_that_share_nothing_are_told_apart() -> None:
    plan = hall(4)
    away = [
        replace(c, aim_mm=c.position_mm + np.array([0.0, 0, 1000]), focal_mm=ZOOM_MM[1])
        if k > 1
        else c
        for k, c in enumerate(plan.cameras)
    ]
    found = assess(replace(plan, cameras=tuple(away)), 800.0)
    assert not found.is_met and "cam03" in found.tie.obstacle and found.rig is None
    assert {"cam03", "cam04"} <= set(found.tie.weak)


# ---- the file and the command


def test_a_plan_file_is_read_back_as_written() -> None:
    plan = plan_from_table(tomllib.loads(PLAN))
    again = plan_from_table(tomllib.loads(plan_as_toml(plan)))
    assert plan_as_toml(again) == plan_as_toml(plan)
    for a, b in zip(plan.cameras, again.cameras, strict=True):
        assert a.direction == pytest.approx(b.direction, abs=1e-4)
        assert a.position_mm == pytest.approx(b.position_mm, abs=0.05)
        assert (a.rail, a.zoom_mm, a.focus_mm, a.is_held) == (
            b.rail,
            b.zoom_mm,
            b.focus_mm,
            b.is_held,
        )
    assert again.need == plan.need and again.marker == plan.marker and again.wave == plan.wave


def changed(path: Path, table: str, **values: object) -> Path:
    """The example with some values changed."""
    document = tomllib.loads(PLAN)
    place = document
    for key in table.split(".") if table else ():
        place = place[int(key)] if isinstance(place, list) else place[key]
    place.update(values)
    path.write_text(as_toml(document), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("table", "values", "told"),
    [
        ("cameras.cam03", {"aim_mm": [-4000.0, -3800.0, 3300.0]}, ["cam03", "aim_mm", "0 mm"]),
        ("cameras.cam03", {"focal_mm": 16.0}, ["cam03", "5 to 10 mm", "16 mm"]),
        ("volume", {"high_mm": [2500.0, 2000.0, 5000.0]}, ["[volume]", "room", "5000"]),
        ("volume", {"low_mm": [-2.5, -2, 0], "high_mm": [2.5, 2, 2]}, ["volume", "5 × 4 × 2 mm"]),
        ("cameras.cam03", {"position_mm": [-4.0, -3.8, 3.3]}, ["cam03", "-4, -3.8, 3.3", "in mm"]),
        ("common", {"pixel_pitch_mm": 4.5}, ["cam01", "sensor", "9000 mm"]),
        ("cameras.cam05", {"focus_mm": 4.5}, ["cam05", "focus_mm", "4.5 mm"]),
        (
            "obstacles.0",
            {"low_mm": [-4500.0, -4400, 0], "high_mm": [-3500.0, -3000, 4500]},
            ["cam03", "pillar", "(-4000, -3800, 3300)"],
        ),
        ("need", {"cameras": 6}, ["cameras", "5", "6"]),
        ("need", {"precision_mm": 0.01}, ["precision_mm", "0.01 mm"]),
        ("need", {"marker_px": 90.0}, ["marker_px", "90 px"]),
        ("cameras.cam01", {"along_mm": 9000.0}, ["cam01", "8000 mm", "9000 mm"]),
        ("cameras.cam02", {"rail": "south"}, ["cam02", "north", "south"]),
        ("cameras.cam04", {"aim_mm": [0.0, 0, 0]}, ["cam04", "both"]),
        ("marker", {"diameter_mm": 0.016}, ["diameter_mm", "0.016 mm"]),
        ("room", {"high_mm": [5000.0, 3000.0, 4500.0]}, ["cam01", "room", "3800"]),
        ("common", {"tilt_deg": -20.0}, ["[common]", "tilt_deg into each [cameras.<name>]"]),
    ],
)
def test_bad_input_is_told_in_one_line_with_the_number(
    table: str, values: dict[str, object], told: list[str], tmp_path: Path
) -> None:
    path = changed(tmp_path / "plan.toml", table, **values)
    with pytest.raises(InputError) as raised:
        plan = calib.load_plan(path)
        assess(plan, 1000.0)
    line = str(raised.value)
    assert "\n" not in line and all(word in line for word in told), line


def test_the_command_tells_the_verdict_first_and_exits_by_it(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    code, out, err = call("plan", path, "--step", "500")
    assert code == 1 and out.startswith("The need is not met: ")
    assert "IEC 62471" in " ".join(err.split())
    changed(path, "need", marker_px=1.0, cameras=2, precision_mm=4.0)
    code, out, _ = call("plan", path, "--step", "500")
    assert code == 0 and out.startswith("The need is met: ")
    code, out, _ = call("plan", path, "--step", "500", "--json")
    document = json.loads(out)
    assert code == 0 and document["is_met"] and len(document["cameras"]) == 5
    # 2 atan(9 mm / 10 mm), by hand.
    assert document["cameras"][0]["view_deg"][0] == pytest.approx(83.97, abs=0.005)
    assert sum(s["seconds"] for s in document["wave"]["stops"]) < document["wave"]["seconds"]


def test_a_line_of_80_holds_a_camera_and_a_command_is_in_one_line() -> None:
    found = assess(plan_from_table(tomllib.loads(PLAN)), 900.0)
    lines = lines_of(as_blocks(found, "hall.toml"), 80)
    assert max(len(line) for line in lines if not line.startswith("Next: ")) <= 80
    assert any(line.startswith("Next: calib plan hall.toml --suggest -o ") for line in lines)
    for k in range(1, 6):
        assert sum(line.startswith(f"cam{k:02d} ") for line in lines) == 1


# ---- suggestions


def askew(n: int = 5) -> Plan:
    """A hall whose cameras look past its volume."""
    plan = hall(n)
    aims = [np.array([900.0 * (-1) ** k, 1200.0, 1900.0]) for k in range(n)]
    cameras = tuple(
        replace(c, aim_mm=aim, focal_mm=7.5) for c, aim in zip(plan.cameras, aims, strict=True)
    )
    return replace(plan, cameras=cameras, need=Need(3, 2.0))


def test_a_suggestion_meets_what_the_plan_did_not() -> None:
    plan = askew(7)
    held = plan.with_camera(1, replace(plan.cameras[1], is_held=True))
    found = suggest(held, 500.0)
    assert not found.before.is_met and found.after.is_met
    assert found.after.shortfall == 0.0 < found.before.shortfall
    assert "cam02" not in found.changed and found.after.plan.cameras[1] is held.cameras[1]
    for camera in found.after.plan.cameras:
        assert ZOOM_MM[0] <= camera.focal_mm <= ZOOM_MM[1]
    # What is suggested is judged anew from its file as it was here.
    again = plan_from_table(tomllib.loads(plan_as_toml(found.after.plan)))
    assert assess(again, 500.0).is_met


def test_settings_are_worth_what_the_plan_with_them_shows() -> None:
    pillar = Obstacle("pillar", Box(np.array([-200.0, -200, 0]), np.array([200.0, 200, 4000])))
    plan = replace(hall(6), need=Need(4, 0.5), obstacles=(pillar,))
    found = assess(plan, 800.0)
    reach = reach_of(plan, found, plan.volume.grid(np.full(3, 1500.0)), 3.0)
    rest = rest_of(reach, 2)
    camera, focal = plan.cameras[2], np.array([5.0, 6.5, 9.0])
    aims = np.array([camera.aim_mm, [900.0, -700.0, 300.0], camera.position_mm * 2.0])
    R = np.stack([replace(camera, aim_mm=aim).R for aim in aims])
    values = shortfalls(rest, plan, camera, R, focal)
    # Reckoned anew from what all cameras see then.
    for a, f in np.ndindex(*values.shape):
        other = replace(camera, aim_mm=aims[a], focal_mm=focal[f])
        new = reach.with_camera(plan.with_camera(2, other), 2)
        if new.is_seen[2].sum() < rest.least_seen:
            assert values[a, f] == NEVER
        else:
            assert values[a, f] == pytest.approx(new.shortfall(), abs=1e-12)
    assert values[0, 0] < NEVER and (values[2] == NEVER).all()


def test_a_need_out_of_reach_is_come_nearer_to() -> None:
    plan = replace(askew(5), need=Need(3, 0.6))  # more than these cameras reach
    found = suggest(plan, 1000.0)
    assert found.after.shortfall < found.before.shortfall
    assert not found.after.is_met


def test_a_lens_without_a_zoom_ring_keeps_its_focal_length() -> None:
    plan = askew(5)
    fixed = tuple(replace(c, zoom_mm=None, focal_mm=7.53) for c in plan.cameras)
    found = suggest(replace(plan, cameras=fixed), 1200.0)
    assert found.changed
    assert {c.focal_mm for c in found.after.plan.cameras} == {7.53}


def test_no_place_is_left_to_too_few_cameras_for_slight_gains_elsewhere() -> None:
    """A marker that two cameras of three see is lost; ten that are placed 3 % roughly are not."""
    need = Need(3, 1.0)
    found = assess(replace(hall(6), need=need), 800.0)
    n, k = np.full_like(found.n_cameras, 3), len(found.judged)
    rough = replace(found, n_cameras=n, sigma_mm=np.where(np.arange(k) < 10, 1.03, 0.5))
    few = n.copy()
    few[0] = 2
    lost = replace(rough, n_cameras=few, sigma_mm=np.where(np.arange(k) < 5, 1.03, 0.5))
    two = replace(lost, n_cameras=few - (np.arange(len(n)) == 1))
    assert not is_better(lost, rough) and not rough.is_met and not lost.is_met
    assert lost.shortfall > rough.shortfall
    assert is_better(lost, two) and is_better(rough, lost)


def test_the_camera_to_do_without_is_the_one_that_sees_nothing() -> None:
    plan = hall(6)
    away = replace(plan.cameras[2], aim_mm=plan.cameras[2].position_mm * 2.0, focal_mm=ZOOM_MM[1])
    found = drop(plan.with_camera(2, away), 1, 800.0)
    assert found.dropped == ("cam03",)
    assert found.after.n_cameras == pytest.approx(found.before.n_cameras)
    with pytest.raises(InputError, match="1 to 4"):
        drop(plan, 5, 800.0)


def test_a_camera_more_helps_where_cameras_lack() -> None:
    plan = replace(hall(3), need=Need(3))
    found = add(plan, 1, 600.0)
    (name,) = found.added
    new = found.after.plan.camera(name)
    assert found.after.lacks_cameras.sum() < found.before.lacks_cameras.sum()
    low, high = plan.volume.low_mm[:2] - 1001.0, plan.volume.high_mm[:2] + 1001.0
    assert (new.position_mm[:2] >= low).all() and (new.position_mm[:2] <= high).all()


def test_losses_are_those_that_a_plan_without_them_shows() -> None:
    plan = replace(hall(7), need=Need(2, 2.0))
    found = assess(plan, 500.0)
    lost = losses(found)
    assert lost is not None and lost.single and lost.pairs
    # Checked by counting anew: the same places, one or two cameras fewer.
    places = found.places_mm[found.judged]
    ratio = found.sigma_mm / found.noise_mm[found.judged]

    def lacks(gone: set[str]) -> bool:
        kept = [k for k, n in enumerate(plan.names) if n not in gone]
        looks = [look(plan, plan.cameras[k], places) for k in kept]
        sigma = ratio * noise_sigma(np.sum([one.information for one in looks], axis=0))
        few = np.sum([one.is_seen for one in looks], axis=0) < 2
        return bool(few.any() or (sigma > 2.0).any())

    assert set(lost.single) == {n for n in plan.names if lacks({n})}
    others = [n for n in plan.names if n not in lost.single]
    assert set(lost.pairs) == {p for p in combinations(others, 2) if lacks(set(p))}


def test_the_command_writes_what_it_suggests(call: Call, refused: Any, tmp_path: Path) -> None:
    path, new = tmp_path / "plan.toml", tmp_path / "new.toml"
    path.write_text(PLAN, encoding="utf-8")
    code, out, err = call("plan", path, "--suggest", "-o", new, "--step", "500")
    assert code == 0 and out.startswith("The need is met: ") and "Suggestion: set " in out
    assert f"wrote {new}" in err
    for a, b in zip(calib.load_plan(path).cameras, calib.load_plan(new).cameras, strict=True):
        if a.rail:  # they move along it alone
            assert b.position_mm[1:] == pytest.approx([3800.0, 3500.0])
            assert -4000.0 <= b.position_mm[0] <= 4000.0
        else:
            assert b.position_mm == pytest.approx(a.position_mm)
    code, out, _ = call("plan", path, "--drop", "1", "--step", "900", "--json")
    document = json.loads(out)
    assert code == 1 and len(document["suggestion"]["dropped"]) == 1
    assert "--suggest" in refused("plan", path, "-o", tmp_path / "x.toml")
    assert "more" in refused("plan", path, "--suggest", "--add", 1)


def corridor() -> Plan:
    """A corridor whose cameras hang on one rail and look one way."""
    plan = tomllib.loads(PLAN)
    plan |= {
        "room": {"low_mm": [0.0, -1200.0, 0.0], "high_mm": [9000.0, 1200.0, 2800.0]},
        "volume": {"low_mm": [600.0, -500.0, 0.0], "high_mm": [8400.0, 500.0, 1800.0]},
        "need": {"cameras": 2, "precision_mm": 1.0},
        "rails": [{"name": "left", "from_mm": [200.0, 1100, 2600], "to_mm": [8800.0, 1100, 2600]}],
        "obstacles": [],
        "cameras": {
            f"cam{k:02d}": {
                "rail": "left",
                "along_mm": 300.0 + 1300.0 * k,
                "aim_mm": [2500.0 + 1300.0 * k, -400.0, 900.0],
            }
            for k in range(4)
        },
    }
    plan["common"]["focal_mm"], plan["common"]["zoom_mm"] = 8.0, [8.0, 8.0]
    return plan_from_table(plan)


def test_cameras_on_one_rail_are_not_hung_into_one_another() -> None:
    plan = corridor()
    for found in (suggest(plan, 900.0), add(plan, 2, 900.0)):
        assert {*found.changed, *found.added}
        for a, b in combinations(found.after.plan.cameras, 2):
            assert np.linalg.norm(a.position_mm - b.position_mm) >= 300.0 - 1e-6, (a.name, b.name)


def test_what_is_suggested_goes_on_by_a_command() -> None:
    found = add(corridor(), 1, 900.0)
    assert not found.after.is_met

    def then(**where: Any) -> str:
        lines = lines_of(changed_blocks(found, "hall.toml", **where), 100)
        return next(line for line in lines if line.startswith("Next: "))

    # One more than were tried, or than what was kept has.
    assert then().startswith("Next: calib plan hall.toml --add 2 -o ")
    assert then(kept="new.toml").startswith("Next: calib plan new.toml --add 1 -o ")
    less = drop(corridor(), 1, 900.0)
    assert not less.after.is_met
    assert not any(line.startswith("Next: ") for line in lines_of(changed_blocks(less), 100))


def test_few_heights_are_told_as_they_are() -> None:
    found = assess(corridor(), 900.0)
    heights = np.unique(found.places_mm[:, 2])
    assert len(heights) == 3
    rows = [line.split()[0] for line in lines_of(as_blocks(found), 100) if line]
    assert all(f"{h:.0f}" in rows for h in heights)


# ---- as built


def as_solved(plan: Plan) -> Rig:
    """The planned rig, solved after the figure of eight."""
    motion = wave_of(plan, figure_of_eight(plan, 20.0))
    return solved_rig(plan, motion, seen_wave(plan, motion))


def test_a_rig_is_held_against_its_plan() -> None:
    plan = hall(6)
    rig = as_solved(plan)
    names, cameras = plan.names, list(rig.cameras)
    # One camera turned 2° right and 1° down as it sees, and rolled by 3° clockwise; another 30 mm
    # higher; a third zoomed by 2 %.
    down, right = np.radians([1.0, 2.0])
    R = cameras[1].cam_from_world.R
    axis = np.array([np.sin(right) * np.cos(down), np.sin(down), np.cos(right) * np.cos(down)]) @ R
    R = looking(axis, 3.0)
    at = cameras[1].position_mm
    cameras[1] = replace(cameras[1], cam_from_world=Pose(R, -R @ at))
    pose = cameras[2].cam_from_world
    cameras[2] = replace(
        cameras[2],
        cam_from_world=Pose(pose.R, -pose.R @ (cameras[2].position_mm + np.array([0, 0, 30.0]))),
    )
    lens = cameras[3].lens
    zoomed = Lens(1.02 * lens.fx, 1.02 * lens.fy, lens.cx, lens.cy, lens.dist)
    cameras[3] = replace(cameras[3], lens=zoomed)
    built = replace(rig, cameras=tuple(cameras), alignment={"up": "z"})
    found = compare(plan, built, 700.0)
    by_name = {d.name: d for d in found.deviations}
    turned = by_name[names[1]]
    # To look as planned it turns back; the tilt is taken after the turn, hence the wider limit.
    assert (turned.right_deg, turned.up_deg) == pytest.approx((-2.0, 1.0), abs=0.1)
    assert turned.clockwise_deg == pytest.approx(-3.0, abs=1e-6)
    assert turned.aim_deg == pytest.approx(np.degrees(np.arccos(axis @ plan.cameras[1].direction)))
    assert by_name[names[2]].off_mm == pytest.approx([0.0, 0.0, 30.0])
    assert by_name[names[3]].focal_share == pytest.approx(0.02)
    assert by_name[names[0]].aim_deg == pytest.approx(0.0, abs=1e-5) and not found.is_fitted
    # In another world it is laid on the plan's: a sound rig is off by nothing.
    away = moved(rig, Pose(rotation_from_vector(np.array([0.3, -0.2, 1.0])), np.full(3, 700.0)))
    again = compare(plan, away, 700.0)
    assert again.is_fitted
    assert max(np.linalg.norm(d.off_mm) for d in again.deviations) < 1e-6
    assert max(d.aim_deg for d in again.deviations) < 1e-5
    # Its precision is that of its own covariance.
    own = precision(rig, again.found.places_mm)
    seen = np.isfinite(own.sigma_mm)
    assert again.found.sigma_mm[seen] == pytest.approx(own.sigma_mm[seen], rel=1e-3)


def test_a_plan_of_what_stands_is_what_stands(call: Call, refused: Any, tmp_path: Path) -> None:
    plan = hall(5)
    plan = plan.with_camera(0, replace(plan.cameras[0], roll_deg=4.0))
    rig = replace(as_solved(plan), alignment={"up": "z"})
    again = plan_of(rig, PITCH_MM)
    for a, b in zip(plan.cameras, again.cameras, strict=True):
        assert b.focal_mm == pytest.approx(a.focal_mm)
        assert pytest.approx(a.as_built().cam_from_world.R) == b.as_built().cam_from_world.R
    path, out = tmp_path / "rig.h5", tmp_path / "stands.toml"
    calib.save_rig(rig, path)
    code, _, err = call("plan", "--from", path, "--pitch", PITCH_MM, "-o", out)
    assert code == 0 and "wrote" in err
    code, text, _ = call("plan", out, "--compare", path, "--step", 700)
    assert code == 0 and text.startswith("As built: The need is met")
    code, text, _ = call("plan", out, "--compare", path, "--step", 700, "--json")
    assert max(d["aim_off_deg"] for d in json.loads(text)["comparison"]["deviations"]) < 0.02
    assert "--pitch" in refused("plan", "--from", path, "-o", tmp_path / "x.toml")
    calib.save_rig(replace(rig, alignment=None), path, overwrite=True)
    told = refused("plan", "--from", path, "--pitch", PITCH_MM, "-o", tmp_path / "x.toml")
    assert "calib align" in told


def test_the_picture_shows_what_was_found(call: Call, refused: Any, tmp_path: Path) -> None:
    found = assess(plan_from_table(tomllib.loads(PLAN)), 700.0)
    space = plan_in_space(found)
    by_name = {trace.name: trace for trace in space.data}
    assert len(by_name["walk with the wand"].x) == len(found.way.stops)
    assert {"volume", "places of the volume"} <= set(by_name)
    assert any("pillar" in name for name in by_name if name)
    fewest, worst = plan_from_above(found)
    assert np.nanmin(fewest.data[0].z) == found.n_cameras.min()
    # Over each place of the floor the worst of the column; blank where one is not placed.
    at = found.places_mm[found.judged]
    for k, x in enumerate(np.unique(at[:, 0])):
        column = found.sigma_mm[(at[:, 0] == x) & (at[:, 1] == at[0, 1])].max()
        shown = float(worst.data[0].z[0, k])
        assert shown == pytest.approx(column, rel=1e-6) if np.isfinite(column) else np.isnan(shown)
    blind = assess(corridor(), 900.0)
    (crossed,) = [t for t in plan_from_above(blind)[1].data if t.name == "not placed at all"]
    lost = blind.places_mm[blind.judged[~np.isfinite(blind.sigma_mm)]]
    told = np.column_stack([crossed.x, crossed.y]) * 1000
    assert {*map(tuple, told.round().tolist())} == {*map(tuple, lost[:, :2].round().tolist())}
    path, page = tmp_path / "plan.toml", tmp_path / "plan.html"
    path.write_text(PLAN, encoding="utf-8")
    code, _, err = call("plan", path, "--step", 900, "--plot", page)
    assert code == 1 and f"wrote {page}" in err and "The need is not met" in page.read_text()
    assert ".html" in refused("plan", path, "--plot", tmp_path / "plan.svg")


# ---- pointing


@pytest.mark.parametrize("seed", range(3))
def test_a_camera_is_told_how_far_to_turn(seed: int) -> None:
    # The truth: turned by some degrees, zoomed by up to 15 %, seen with noise among stray spots.
    rng = np.random.default_rng(seed)
    camera = hall().cameras[seed]
    marks = rng.uniform([-2500, -2000, 0], [2500, 2000, 1500], (8, 3))
    built = camera.as_built()
    turn = rotation_from_vector(np.radians(rng.normal(0, [4.0, 4.0, 3.0])))
    R, zoom = turn @ built.cam_from_world.R, rng.uniform(0.85, 1.15)
    lens = Lens(built.lens.fx * zoom, built.lens.fy * zoom, *built.lens.K[:2, 2], np.zeros(5))
    real = replace(built, cam_from_world=Pose(R, -R @ camera.position_mm), lens=lens)
    uv, is_seen = real.image_of(marks)
    assert is_seen.sum() >= 6
    noisy = uv[is_seen] + rng.normal(0, 0.3, (is_seen.sum(), 2))
    spots = rng.permutation(np.vstack([noisy, rng.uniform([0, 0], [2000, 1200], (4, 2))]))
    found, true = pointing(camera, marks, spots), deviation(camera, real)
    assert found.n_matched == is_seen.sum() and found.rms_px < 1.0
    # 0.3 px of 1100 px is 0.016°, of six spots and more.
    for key in ("right_deg", "up_deg"):
        assert getattr(found.deviation, key) == pytest.approx(getattr(true, key), abs=0.03)
    assert found.deviation.clockwise_deg == pytest.approx(true.clockwise_deg, abs=0.08)
    assert found.deviation.focal_share == pytest.approx(true.focal_share, abs=0.002)
    with pytest.raises(UnsolvableError, match=camera.name):
        pointing(camera, marks, rng.uniform([0, 0], [2000, 1200], (9, 2)))


def test_focus_tells_how_a_camera_looks(call: Call, refused: Any, tmp_path: Path) -> None:
    plan = hall()
    camera = plan.cameras[1]
    rng = np.random.default_rng(5)
    marks = rng.uniform([-2000, -1500, 0], [2000, 1500, 1200], (7, 3))
    known = Wand("floor", tuple("abcdefg"), marks)
    turned = replace(camera, aim_mm=camera.aim_mm + np.array([300.0, 300.0, 0.0]))
    uv, is_seen = turned.as_built().image_of(marks)
    image = np.full((1200, 2000), 10.0)
    y, x = np.mgrid[:1200, :2000]
    for u, v in uv[is_seen]:
        image += 180.0 * np.exp(-0.5 * ((x - u) ** 2 + (y - v) ** 2) / 2.0**2)
    cv2.imwrite(str(tmp_path / "cam02.png"), np.rint(image).astype(np.uint8))
    calib.save_plan(plan, tmp_path / "plan.toml")
    calib.save_wand(known, tmp_path / "marks.toml")
    given = tmp_path / "cam02.png", "--plan", tmp_path / "plan.toml"
    code, out, _ = call(
        "focus", *given, "--marks", tmp_path / "marks.toml", "--camera", "cam02", "--json"
    )
    aim, true = json.loads(out)["aim"], deviation(camera, turned.as_built())
    assert code == 1 and not aim["as_planned"] and aim["matched"] == is_seen.sum()
    assert aim["turn_right_deg"] == pytest.approx(true.right_deg, abs=0.02)
    assert aim["turn_up_deg"] == pytest.approx(true.up_deg, abs=0.02)
    code, out, _ = call("focus", *given, "--marks", tmp_path / "marks.toml", "--camera", "cam02")
    assert out.startswith("cam02: does not look as planned. Turn it")
    assert "--plan with --marks" in refused("focus", *given)


def test_focus_tells_how_a_camera_looks_against_its_rig(
    call: Call, refused: Any, tmp_path: Path
) -> None:
    """Markers lie about; all cameras but the one that was turned, rolled and zoomed record them."""
    truth = simulate(Scenario(n_cameras=6, seed=3, n_frames=1, connected=False)).truth
    rng = np.random.default_rng(8)
    marks = rng.uniform([-1500, -1500, 0], [1500, 1500, 1500], (8, 3))
    before = truth.camera("cam02")
    turn = rotation_from_vector(np.radians([0.6, -0.9, 1.2]))
    R, lens = turn @ before.cam_from_world.R, before.lens
    now = replace(
        before,
        cam_from_world=Pose(R, -R @ before.position_mm),
        lens=replace(lens, fx=1.02 * lens.fx, fy=1.02 * lens.fy),
    )
    calib.save_rig(truth, tmp_path / "rig.h5")
    calib.save_tracks(still_tracks(truth, marks, rng, named=False), tmp_path / "rest.h5")
    y, x = np.mgrid[: before.height, : before.width]
    for name, camera in (("turned", now), ("same", before)):
        uv, is_seen = camera.image_of(marks)
        assert is_seen.sum() >= 6
        spots = [180.0 * np.exp(-((x - u) ** 2 + (y - v) ** 2) / 8.0) for u, v in uv[is_seen]]
        image = np.rint(10.0 + np.sum(spots, axis=0)).clip(0, 255)
        cv2.imwrite(str(tmp_path / f"{name}.png"), image.astype(np.uint8))
    by = "--rig", tmp_path / "rig.h5", "--tracks", tmp_path / "rest.h5", "--camera"
    code, out, _ = call("focus", tmp_path / "turned.png", *by, "cam02", "--json")
    aim = json.loads(out)["aim"]
    assert code == 1 and not aim["as_in_rig"] and aim["rms_px"] < 1.0
    # From now to before in the camera's own axes, by OpenCV: up is positive about x, to the right
    # about y, which points down, clockwise about z.
    back = cv2.Rodrigues(turn)[0].ravel()
    told = np.array([aim[f"turn_{k}_deg"] for k in ("up", "right", "clockwise")])
    np.testing.assert_allclose(told, np.degrees(back), atol=0.05)
    assert aim["focal_share"] == pytest.approx(0.02, abs=0.002)
    code, out, _ = call("focus", tmp_path / "same.png", *by, "cam02")
    assert out.startswith("cam02: looks as in the rig, 0.0") and "--repair" in out
    assert "one of cam01" in refused("focus", tmp_path / "same.png", *by, "cam99")
    assert "--rig with --tracks" in refused("focus", tmp_path / "same.png", *by[:2])
    small = tmp_path / "small.png"
    cv2.imwrite(str(small), image[:500, :500].astype(np.uint8))
    assert "500 × 500 px" in refused("focus", small, *by, "cam02")
