"""Rechecks without a wand: points of nameless markers matched by the rig, then compared as a
wave's.
"""

import json
import shlex
from collections.abc import Iterable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from calib.check.recheck.free.groups import groups_of, places_of
from calib.check.recheck.free.knock import knocked, small_step
from calib.check.recheck.free.links import along, linked
from calib.check.recheck.free.moments import NOW, Moments, moments_of
from calib.check.recheck.free.run import recheck_any
from calib.check.recheck.free.stand import Shown, Stands
from calib.check.recheck.inputs import islands
from calib.core.camera import project
from calib.core.geometry import rotation_from_vector, vector_from_rotation
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError, UnsolvableError
from calib.files import save_rig, save_tracks
from calib.pipeline import calibrate
from calib.report.changes.recheck import as_blocks, as_json
from calib.report.tables import lines_of
from calib.simulate import Knock, Scenario, day_capture, simulate
from calib.simulate.imaging import camera_sigma
from calib.solve.hold import rig_state
from calib.solve.repair import repair

BASE = Scenario(n_cameras=7, seed=11, n_frames=500)
CHANCE = 1e-4  # of a false alarm of a check by a law of chance


def after(*knocks: Knock, n_markers: int = 20, n_frames: int = 300, wave: int = 1, **values):
    """A later day before the same cameras: the simulation that it goes back to, and its capture."""
    made = simulate(replace(BASE, wave=wave, knock=knocks, **values))
    return made, day_capture(made, n_markers, n_frames)


def turned(camera: str, deg: float) -> Knock:
    return Knock(camera=camera, rotation_deg=deg, translation_mm=0.0)


@pytest.fixture(scope="module")
def rig():
    first = simulate(BASE)
    return calibrate(first.tracks, first.wand)


@pytest.fixture(scope="module")
def quiet_day():
    return after()


# ---- parts


def test_points_on_crossing_ways_are_followed_through_the_crossing_and_over_gaps():
    t = np.arange(40)
    ways = np.stack(
        [np.stack([100 + 9.0 * t, 300 + 0 * t], 1), np.stack([280 + 0 * t, 120 + 9.3 * t], 1)], 1
    )
    seen = np.ones((40, 2), bool)
    seen[12:14, 0] = seen[27, 1] = False
    frame, which = np.nonzero(seen)
    camera = CameraTracks("a", 1000, 600, frame, ways[seen], np.full(len(frame), -1))
    before, later = linked(camera, 25.0)
    has = np.flatnonzero(before >= 0)
    assert len(has) == len(frame) - 2  # all but the two first
    assert (which[before[has]] == which[has]).all()
    assert (later[before[has]] == has).all()
    # Straight ways: between two points where nothing was seen, nan beyond the ends.
    row = np.flatnonzero((frame == 11) & (which == 0))
    way = along(camera, (before, later), row, np.array([-12, -1, 0, 1, 2]))[0]
    assert np.isnan(way[0]).all()
    assert np.allclose(way[1:], ways[10:14, 0])


def test_groups_are_markers_and_places_are_those_of_opencv(quiet_day):
    # Source of the places: cv2.triangulatePoints; both are exact for rays that meet.
    made, day = quiet_day
    truth = made.truth
    moments = moments_of(day.tracks, [c.lens for c in truth.cameras])
    state = rig_state(truth, truth.names)
    group = groups_of(moments, state, np.full(7, BASE.sigma_px))
    marker = np.array([day.marker[c][r] for c, r in zip(moments.cam, moments.row, strict=True)])
    key = moments.moment * 100 + marker
    n_views = np.bincount(key[marker >= 0])
    is_possible = (marker >= 0) & (n_views[np.maximum(key, 0)] >= 3)
    assert (group[is_possible] >= 0).mean() > 0.95
    first = np.full(group.max() + 1, -2)
    first[group[::-1]] = marker[::-1]
    at = group >= 0
    assert (marker[at] == first[group[at]]).mean() > 0.999
    # Two rays of a place without noise.
    point = np.array([[120.0, -80.0, 900.0]])
    pair = [c for c in truth.cameras if c.image_of(point)[1][0]][:2]
    number = np.array([truth.names.index(c.name) for c in pair])
    uv = np.stack([c.image_of(point)[0] for c in pair])
    way = np.repeat(uv, len(moments.offsets), axis=1)
    plane = np.stack(
        [
            np.stack([cv2.undistortPoints(w, c.lens.K, c.lens.dist)[:, 0] for w in way[k : k + 1]])[
                0
            ]
            for k, c in enumerate(pair)
        ]
    )
    two = replace(
        moments,
        cam=number,
        row=number,
        moment=np.zeros(2, int),
        starts=np.array([0, 2]),
        number=moments.number[:1],
        uv_px=way,
        plane=plane,
    )
    P = [np.column_stack([c.cam_from_world.R, c.cam_from_world.t_mm]) for c in pair]
    x = cv2.triangulatePoints(P[0], P[1], plane[0, NOW], plane[1, NOW])
    ours = places_of(two, np.zeros(2, int), state).points_mm()[0, NOW]
    assert np.allclose(ours, (x[:3] / x[3])[:, 0], atol=1e-4)
    assert np.allclose(ours, point[0], atol=1e-4)


# ---- whole


def test_where_no_camera_moved_none_is_named(rig, quiet_day):
    found = recheck_any(rig, quiet_day[1].tracks)
    assert {c.verdict for c in found.cameras} == {"unmoved"}
    assert not found.needs_a_hand and found.is_any
    text = "\n".join(lines_of(as_blocks(found)))
    assert "size is taken as stored" in text and "NEW_TRACKS" not in text


def test_cameras_that_moved_little_and_much_are_named_measured_and_repaired(rig):
    made, day = after(turned("cam02", 0.05), Knock(camera="cam05", rotation_deg=2.0), wave=2)
    found = recheck_any(rig, day.tracks)
    assert found.moved == ("cam02", "cam05")
    assert len(found.agreeing) == 5
    for name in found.moved:
        c, was, now = (x.camera(name) for x in (found, made.truth, made.truth_after))
        turn = vector_from_rotation(now.cam_from_world.R @ was.cam_from_world.R.T)
        e, C = c.change[:3] - turn, c.covariance[:3, :3]
        assert e @ np.linalg.solve(C, e) < stats.chi2.isf(CHANCE, 3)
    mended = repair(rig, found.tracks, found.repairable, is_any=True)
    assert mended.wand_used is rig.wand_used
    assert mended.covariance.parameters == rig.covariance.parameters
    for name in rig.names:
        is_same = mended.camera(name) is rig.camera(name)
        assert is_same == (name not in found.moved)
    again = recheck_any(mended, day.tracks)
    assert not again.needs_a_hand


def test_a_late_camera_is_called_late_and_not_moved(rig):
    found = recheck_any(rig, after(wave=3, slip={"cam03": 1})[1].tracks)
    late = found.camera("cam03")
    assert late.verdict == "timing" and not found.moved
    assert abs(late.offset_frames + 1.0) < 0.1
    ms = 1000.0 * abs(late.offset_frames) / 25.0
    assert f"({ms:.2f} ms)" in as_json(found)["cameras"][2]["note"]


@pytest.mark.parametrize("deg", [0.08, 1.5])
def test_a_camera_that_moves_during_the_capture_is_called_so(rig, quiet_day, deg):
    """The first part of one day and the rest of the same day with a camera turned."""
    since = 180
    day = quiet_day[1].tracks
    later = after(turned("cam03", deg))[1].tracks
    camera, moved = (t.camera("cam03") for t in (day, later))
    first, rest = camera.rows(camera.frame < since), moved.rows(moved.frame >= since)
    both = replace(
        first,
        **{
            key: np.concatenate([getattr(first, key), getattr(rest, key)])
            for key in ("frame", "xy_px", "marker", "radius_px")
        },
    )
    tracks = replace(day, cameras=tuple(both if c.name == "cam03" else c for c in day.cameras))
    found = recheck_any(rig, tracks)
    c = found.camera("cam03")
    assert c.verdict == "moving" and [m.name for m in found.cameras if m.needs_a_hand] == ["cam03"]
    # Within a tenth of the capture, as steps are looked for.
    assert abs(c.since_frame - since) <= 30
    assert not found.repairable


def test_a_part_of_the_image_that_is_off_for_a_while_is_no_move(rig, quiet_day):
    """A camera that moves takes its whole image along; one marker passes through a part of it."""
    tracks, name = quiet_day[1].tracks, "cam03"
    camera = tracks.camera(name)
    is_off = (camera.frame >= 180) & (camera.xy_px > [camera.width / 2, camera.height / 2]).all(1)
    assert is_off.sum() > 400
    off = replace(camera, xy_px=camera.xy_px - 1.5 * is_off[:, None])
    found = recheck_any(
        rig, replace(tracks, cameras=tuple(off if c.name == name else c for c in tracks.cameras))
    )
    assert found.camera(name).verdict != "moving"


@pytest.mark.parametrize(
    ("n_still", "last", "is_told"), [(0, 300, True), (9000, 300, False), (0, 165, False)]
)
def test_steps_of_most_points_that_stay_are_moves(n_still, last, is_told):
    """A marker that comes for another, in two quarters of the image, by a knock's usual size, is
    none, nor is what is seen for no longer than errors last.
    """
    rng, size, n_moments = np.random.default_rng(4), np.array([2000.0, 1200.0]), 300
    corner = np.repeat(
        [[100.0, 100.0], [1100.0, 700.0], [1100.0, 100.0]], [600, 600, n_still], axis=0
    )
    goal = corner + rng.uniform(0, 400, corner.shape)
    moment = rng.integers(0, last, len(goal))
    steps = np.arange(len(goal)) < 1200
    seen = goal + rng.normal(0, 0.15, goal.shape)
    seen[steps & (moment >= 150), 1] += 1.0
    ways, times = np.repeat(seen[:, None], 5, axis=1), np.arange(n_moments)
    rows = np.arange(len(goal))
    moments = Moments(
        ("cam01",), times, np.arange(-2, 3), 0 * rows, rows, moment, times, ways, ways
    )
    shown = Shown(rows, np.zeros((len(goal), 5, 3)), np.repeat(goal[:, None], 5, axis=1))
    found = small_step(moments, rows, shown, np.column_stack([rows, rows]), size, 0.0)
    if is_told:
        assert found is not None and abs(found[0] - 150) <= 30  # a tenth of the capture
        assert found[1] == pytest.approx(1.0, abs=0.15)
    else:
        assert found is None


def test_who_no_fit_places_makes_no_neighbour_seem_to_step(rig, quiet_day):
    """A camera of too few points to be judged stands some px off, and sees a part of the day."""
    tracks, stood = quiet_day[1].tracks, rig_state(rig, rig.names)
    lenses = [c.lens for c in rig.cameras]
    moments = moments_of(tracks, lenses)
    group = groups_of(moments, stood, np.full(7, BASE.sigma_px))
    turn = np.array([rotation_from_vector(np.radians([0.0, 0.3, 0.0]))] + 6 * [np.eye(3)])
    state = replace(stood, cam_R=turn @ stood.cam_R, cam_t=(turn @ stood.cam_t[..., None])[..., 0])
    group = np.where((moments.cam == 0) & (moments.moment >= len(moments.number) // 2), -1, group)
    sizes = np.array([[c.width, c.height] for c in rig.cameras], float)
    no = np.zeros(7)
    found = Stands(state, no, no, no.astype(int), no + 1, np.full(7, BASE.sigma_px))
    assert knocked(moments, group, sizes, found, range(7))
    assert knocked(moments, group, sizes, found, range(1, 7)) == {}


@pytest.mark.parametrize(
    ("seed", "n_cameras", "n_markers", "n_frames"), [(1, 6, 2, 300), (6, 6, 2, 300), (2, 7, 3, 150)]
)
def test_few_markers_before_a_long_rig_name_nobody(seed, n_cameras, n_markers, n_frames):
    """The new solve is off by centimetres and degrees along what so few points hardly tell."""
    s = Scenario(layout="corridor", n_cameras=n_cameras, seed=seed, connected=False, outliers=0.0)
    made = simulate(replace(s, wave=1, n_frames=300))
    exact = replace(made.truth, covariance=None)
    found = recheck_any(exact, day_capture(made, n_markers, n_frames).tracks)
    judged = [c for c in found.cameras if c.verdict != "unseen"]
    assert judged and {c.verdict for c in judged} <= {"undecided", "unmoved"}
    assert min(c.p_value for c in judged) > CHANCE


def test_a_day_is_as_noisy_at_a_distance_as_a_wave():
    # Source of the bounds: the variance of a sum of squares of independent normal errors.
    s = replace(BASE, pixel_pull_px=0.0, tremble=0.0, lasting_share=0.0, outliers=0.0, wave=1)
    made = simulate(s)
    day = day_capture(made, 10, 300, strays=0.0)
    wand = made.markers_world_mm
    for k, (c, points, marker) in enumerate(
        zip(made.truth.cameras, day.tracks.cameras, day.marker, strict=True)
    ):
        in_front = c.cam_from_world.apply(wand)[..., 2] > 0
        usual = np.median(np.linalg.norm(wand - c.position_mm, axis=-1)[in_front])
        at = day.points_mm[points.frame, marker]
        away = np.linalg.norm(at - c.position_mm, axis=-1)
        sigma = camera_sigma(s, k) * np.sqrt(1 + s.noise_growth * ((away / usual) ** 2 - 1))
        off = (points.xy_px - project(c.lens, c.cam_from_world.apply(at))) / sigma[:, None]
        n = off.size
        assert abs((off**2).sum() - n) < stats.norm.isf(CHANCE / 2) * np.sqrt(2 * n)


def test_exchanged_names_are_told_and_do_not_spoil_the_rest(rig, quiet_day):
    a, b = (quiet_day[1].tracks.camera(n) for n in ("cam02", "cam06"))
    other = {"cam02": replace(b, name="cam02"), "cam06": replace(a, name="cam06")}
    tracks = quiet_day[1].tracks
    mixed = replace(tracks, cameras=tuple(other.get(c.name, c) for c in tracks.cameras))
    found = recheck_any(rig, mixed)
    verdicts = {c.name: (str(c.verdict), c.borne) for c in found.cameras if c.needs_a_hand}
    assert verdicts == {"cam02": ("exchanged", "cam06"), "cam06": ("exchanged", "cam02")}


def test_a_rig_twice_the_size_looks_the_same(rig, quiet_day):
    """Points alone have no size: the claim that the output makes."""
    grown = replace(
        rig,
        covariance=None,
        cameras=tuple(
            replace(c, cam_from_world=replace(c.cam_from_world, t_mm=1.01 * c.cam_from_world.t_mm))
            for c in rig.cameras
        ),
    )
    found = recheck_any(grown, quiet_day[1].tracks)
    assert max(c.shift_px for c in found.cameras) < 0.2
    assert found.drift is None


def test_markers_that_do_not_tell_are_said_to(rig, quiet_day):
    _, day = quiet_day
    few = Tracks(tuple(c.rows(c.frame < 10) for c in day.tracks.cameras), 25.0)
    with pytest.raises(
        UnsolvableError, match=r"45 matched points.*markers moved where three cameras"
    ):
        recheck_any(rig, few)
    none = Tracks(tuple(c.rows(c.frame < 0) for c in day.tracks.cameras), 25.0)
    with pytest.raises(InputError, match="found none in any of 7"):
        recheck_any(rig, none)
    # Of two cameras neither could be said to be the one that moved.
    s = Scenario(layout="corridor", n_cameras=6, seed=17, connected=False, outliers=0.0)
    long = simulate(replace(s, wave=1, n_frames=300))
    with pytest.raises(UnsolvableError, match=r"three cameras or more.*cam05 and cam06 alone"):
        recheck_any(replace(long.truth, covariance=None), day_capture(long, 3, 100).tracks)
    # Another rig whose cameras bear the same names and sensors.
    other = simulate(
        Scenario(layout="corridor", n_cameras=7, seed=12, n_frames=300, connected=False)
    )
    with pytest.raises(
        UnsolvableError, match=r"no three stand as before.*this is another rig's capture"
    ):
        recheck_any(rig, day_capture(other, 20, 150).tracks)
    # A camera to which only one corner of its image is left.
    name = "cam04"
    camera = day.tracks.camera(name)
    corner = (camera.xy_px < [300.0, 200.0]).all(axis=1)
    cut = replace(
        day.tracks,
        cameras=tuple(c.rows(corner) if c.name == name else c for c in day.tracks.cameras),
    )
    found = recheck_any(rig, cut)
    assert found.camera(name).verdict in {"undecided", "unseen"}
    assert not found.moved
    text = "\n".join(lines_of(as_blocks(found)))
    assert "one corner" in text or "markers move in front of it" in text
    assert text.count("then: calib recheck RIG NEW_TRACKS --any\n") == 1


def test_a_meeting_across_groups_counts_in_neither():
    """Lamps at rest that seem to meet, seen by one camera of one group and two of the other: what
    is left of it there meets by chance.
    """
    names = tuple(f"cam{k}" for k in range(1, 8))
    sees = {"cam1": [0, 2], "cam2": [0], "cam3": [0], **{key: [1] for key in names[3:]}}
    sees |= {"cam4": [1, 2], "cam5": [1, 2]}

    def seen(name: str) -> CameraTracks:
        frame = np.concatenate([np.arange(100) + 100 * k for k in sees[name]])
        frame = frame[frame < 210]  # the meeting: ten moments
        xy = np.full((len(frame), 2), 50.0)
        return CameraTracks(name, 100, 100, frame, xy, np.zeros(len(frame), np.int16))

    s = Scenario(n_cameras=7, path="still", n_frames=2)
    rig = simulate(s).truth
    cameras = tuple(replace(c, name=n) for c, n in zip(rig.cameras, names, strict=True))
    tracks = Tracks(tuple(map(seen, names)), 25.0)
    parts, shared = islands(replace(rig, cameras=cameras), tracks, "", 3)
    assert [part.names for part in parts] == [names[3:], names[:3]]
    assert all(c.frame.max() < 200 for part in parts for c in part.cameras)
    assert set(shared.values()) == {100}


@pytest.mark.parametrize(("n_both", "n_groups"), [(44, 2), (45, 1)])
def test_a_few_points_do_not_hold_two_groups_together(n_both, n_groups):
    """Five for each number of a camera do: 18 cameras of a day hung together by 35 points of one,
    and 13 that stood seemed to have moved by a metre.
    """
    sees = {f"cam{k}": np.arange(200) + 200 * (k > 3) for k in range(1, 7)}
    sees["cam1"] = np.arange(200 + n_both)

    def seen(name: str) -> CameraTracks:
        n = len(sees[name])
        return CameraTracks(
            name, 100, 100, sees[name], np.full((n, 2), 50.0), np.zeros(n, np.int16)
        )

    made = simulate(Scenario(n_cameras=6, path="still", n_frames=2)).truth
    cameras = tuple(replace(c, name=n) for c, n in zip(made.cameras, sees, strict=True))
    parts, _ = islands(replace(made, cameras=cameras), Tracks(tuple(map(seen, sees)), 25.0), "", 3)
    assert len(parts) == n_groups


def test_groups_that_share_no_markers_are_judged_each_by_itself(rig):
    """Markers walk first before three cameras and then before the four others."""
    _, day = after(turned("cam06", 0.2), wave=6, n_markers=25)
    one = {"cam01", "cam02", "cam03"}
    cameras = (c.rows((c.frame < 150) == (c.name in one)) for c in day.tracks.cameras)
    found = recheck_any(rig, replace(day.tracks, cameras=tuple(cameras)))
    assert {frozenset(island) for island in found.islands} == {
        frozenset(one),
        frozenset(rig.names) - one,
    }
    assert found.moved == ("cam06",) and len(found.agreeing) == 6
    assert "2 groups of cameras share too few markers" in " ".join(lines_of(as_blocks(found)))
    mended = repair(rig, found.tracks, found.repairable, is_any=True)
    for name in rig.names:
        assert (mended.camera(name) is rig.camera(name)) == (name not in found.moved)


def test_the_command(rig, call, tmp_path):
    _, day = after(turned("cam06", 0.3), wave=5, n_markers=15)
    files = [tmp_path / "rig.h5", tmp_path / "day.h5"]
    save_rig(rig, files[0])
    save_tracks(day.tracks, files[1])
    code, out, err = call("recheck", *files, "--any", "--json")
    assert code == 1, err
    document = json.loads(out)
    assert document["moved"] == ["cam06"] and document["is_any"]


def test_two_cameras_are_not_judged_by_markers_alone(refused, tmp_path, monkeypatch):
    """Points without a length fix all of two cameras but their distance (Hartley & Zisserman,
    Multiple View Geometry, 2nd edition 2004, section 10.2): a longer day tells no more of it.
    """
    monkeypatch.chdir(tmp_path)
    made = simulate(Scenario(n_cameras=2, seed=3, n_frames=100))
    save_rig(made.truth, "rig.h5")
    save_tracks(day_capture(made, 10, 100).tracks, "day.h5")
    for more in ((), ("--repair", "-o", "new.h5")):
        line = refused("recheck", "rig.h5", "day.h5", "--any", *more)
        assert "three cameras or more" in line
        assert line.endswith("found 2. Wave the wand, then: calib recheck rig.h5 NEW_TRACKS")


def test_a_camera_that_nothing_can_be_said_of_is_exit_1(rig, call, tmp_path, monkeypatch):
    """By 60 points in one corner: "done, nothing to act on" would pass for unmoved."""
    monkeypatch.chdir(tmp_path)
    wave = simulate(replace(BASE, wave=7)).tracks
    camera = wave.camera("cam04")
    corner = camera.rows((camera.xy_px < [700.0, 450.0]).all(axis=1) & (camera.marker >= 0))
    corner = corner.rows(np.arange(corner.n_points) < 60)
    cut = tuple(corner if c.name == "cam04" else c for c in wave.cameras)
    save_rig(rig, "rig.h5")
    save_tracks(replace(wave, cameras=cut), "wave.h5")
    for more in ((), ("--repair", "-o", "new.h5")):
        code, out, err = call("recheck", "rig.h5", "wave.h5", *more)
        assert code == 1 and out.startswith("6 of 7 cameras stand as before; cam04 is undecided.")
        assert out.count("then: calib recheck rig.h5 NEW_TRACKS\n") == 1
        # Nobody is sent up to a camera.
        assert "ladder" not in err
    assert "nothing written to new.h5: no camera is known to have moved" in err


def test_each_refusal_ends_in_a_command_that_names_the_files(rig, quiet_day, call, tmp_path):
    day = quiet_day[1].tracks
    one = day.cameras[0]
    stored, shown = tmp_path / "rig.h5", tmp_path / "day.h5"
    save_rig(rig, stored)

    def refused(cameras: Iterable[CameraTracks], *options: object) -> list[str]:
        shown.unlink(missing_ok=True)
        save_tracks(Tracks(tuple(cameras), 25.0), shown)
        code, out, err = call("recheck", stored, shown, *options)
        assert code == 2 and not out and err.count("\n") == 1
        return shlex.split(err.partition("calib ")[2].rstrip(".\n"))

    files = [str(stored), str(shown)]
    new = tmp_path / "new.h5"
    assert refused(day.cameras, "--any", "--repair") == [
        *("recheck", *files, "--any", "--repair", "-o", "NEW_RIG")
    ]
    assert refused(day.cameras, "-o", new) == ["recheck", *files, "--repair", "-o", str(new)]
    few = refused((c.rows(c.frame < 10) for c in day.cameras), "--any")
    assert few == ["recheck", str(stored), "NEW_TRACKS", "--any"]
    other = refused(replace(c, name=f"n{c.name}") for c in day.cameras)
    assert other[:3] == ["select", str(shown), "--rename"]
    more = refused((*day.cameras, replace(one, name="more")))
    assert more == ["select", str(shown), "--without", "more", "-o", "NEW"]
    assert refused((replace(one, width=one.width + 1), *day.cameras[1:]))[0] == "solve"
    assert refused(c.rows(c.frame < 0) for c in day.cameras) == ["describe", str(shown)]
