"""Judging a capture: fits against OpenCV's, waves of all layouts, and what each shortcoming is
called.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.check.inspect import inspect
from calib.check.inspection import Inspection
from calib.check.verdicts import Shortcoming
from calib.core.camera import coverage, project
from calib.core.geometry import Array, rotation_from_vector
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.files import load_tracks, load_wand
from calib.pipeline import solve_rig
from calib.report.captures.inspection import as_json, in_words
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.start.motion import (
    PLANAR_PARALLAX,
    STILL_TRAVEL,
    camera_travel,
    depth,
    epipolar_error,
    homography_error,
    require_motion,
    travel,
)
from scripts.benchmarks.mistakes import planted

PHOTOGRAPHS = Path(__file__).parent.parent / "datasets" / "photographs"
LAYOUTS = ("room", "corridor", "row", "dome")
WANDS = ("line3", "plane5", "solid6")


@cache
def waved(
    layout: str = "room", n: int = 5, seed: int = 0, path: str = "volume", wand: str = "line3"
) -> Simulation:
    return simulate(Scenario(layout=layout, n_cameras=n, seed=seed, path=path, wand=wand))


def kinds(found: Inspection, severity: str = "act") -> set[str]:
    return {f.kind for f in found.findings if f.severity == severity}


def seen_by(
    rig: Rig, points_world_mm: Array, rng: np.random.Generator, sigma_px: float = 0.12
) -> Tracks:
    """What the rig sees of markers at (F, M, 3), with noise and a tenth of the points lost."""
    cameras = []
    for c in rig.cameras:
        uv = project(c.lens, c.cam_from_world.apply(points_world_mm))
        uv += rng.normal(0, sigma_px, uv.shape)
        # Far outside the view a lens polynomial may fold back on to the sensor.
        ray = c.cam_from_world.apply(points_world_mm)
        is_in_view = np.abs(ray[..., :2] / ray[..., 2:]).max(axis=-1) < 0.75 * c.width / c.lens.fx
        ok = (
            is_in_view
            & (uv >= 0).all(-1)
            & (uv <= (c.width - 1, c.height - 1)).all(-1)
            & (rng.random(uv.shape[:2]) > 0.1)
        )
        frame, marker = np.nonzero(ok)
        cameras.append(CameraTracks(c.name, c.width, c.height, frame, uv[ok], marker))
    return Tracks(tuple(cameras), 25.0)


def spread(xy: Array) -> float:
    return float(np.sqrt(((xy - np.median(xy, axis=0)) ** 2).sum(axis=1).mean()))


# The fits.


@pytest.mark.parametrize("seed", range(6))
def test_homography_fits_as_well_as_opencvs(seed: int) -> None:
    """Source: cv2.findHomography with least median of squares and its own refinement."""
    rng = np.random.default_rng(seed)
    a = rng.uniform((0, 0), (2000, 1200), (300, 2))
    h = np.eye(3) + rng.normal(0, 1, (3, 3)) * [[0.2, 0.2, 200], [0.2, 0.2, 100], [8e-5, 8e-5, 0]]
    b = cv2.perspectiveTransform(a[None], h)[0] + rng.normal(0, 0.5, a.shape)
    b[:30] += rng.uniform(-300, 300, (30, 2))
    theirs = cv2.findHomography(a, b, cv2.LMEDS)[0]
    error = np.linalg.norm(cv2.perspectiveTransform(a[None], theirs)[0] - b, axis=1)
    # Eight numbers from 270 points: either fit takes up 8 / 540 of the noise, and differs from the
    # other by less.
    ours = homography_error(a, b) * spread(b)
    assert np.median(ours[30:]) == pytest.approx(np.median(error[30:]), rel=0.1)
    assert np.median(ours[:30]) > 50 * np.median(ours[30:])


def test_homography_of_exact_points_is_exact() -> None:
    a = np.random.default_rng(1).uniform(0, 1000, (12, 2))
    b = cv2.perspectiveTransform(
        a[None], np.array([[1.1, 0.1, 30], [-0.05, 0.9, 8], [1e-4, -2e-4, 1]])
    )[0]
    assert homography_error(a, b).max() < 1e-9


@pytest.mark.parametrize("seed", range(4))
def test_epipolar_fit_is_as_good_as_opencvs(seed: int) -> None:
    """Source: cv2.findFundamentalMat, eight points on the inliers; distances by
    cv2.sampsonDistance.
    """
    rng = np.random.default_rng(seed)
    points = rng.uniform((-1000, -800, 3000), (1000, 800, 5000), (250, 3))
    R, t = rotation_from_vector(rng.normal(0, 0.3, 3)), np.array([-900.0, 100.0, 300.0])
    K = np.array([[1400.0, 0, 1000], [0, 1400, 600], [0, 0, 1]])
    uv = [(p / p[:, 2:]) @ K.T for p in (points, points @ R.T + t)]
    a, b = (x[:, :2] + rng.normal(0, 0.4, (250, 2)) for x in uv)
    b[:15] += rng.uniform(-300, 300, (15, 2))
    F = cv2.findFundamentalMat(a[15:], b[15:], cv2.FM_8POINT)[0]
    one = np.ones((250, 1))
    theirs = np.sqrt(
        [
            cv2.sampsonDistance(p, q, F)
            for p, q in zip(np.hstack([a, one]), np.hstack([b, one]), strict=True)
        ]
    )
    ours = epipolar_error(a, b) * spread(b)  # in units of a common scale, so only near enough
    assert np.median(ours[15:]) < 2.0 * np.median(theirs[15:])
    assert np.percentile(ours[:15], 25) > 10 * np.median(ours[15:])


# The wave.


@pytest.mark.parametrize("seed", [0, 2])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_wave_through_space_is_neither_still_nor_flat(layout: str, seed: int) -> None:
    simulation = waved(layout, (2, 3, 5)[seed], seed, wand=WANDS[seed])
    found = inspect(simulation.tracks, simulation.wand)
    assert not kinds(found) & {"still", "planar"}
    assert found.depth.parallax > 2 * PLANAR_PARALLAX
    assert found.travel > 10 * STILL_TRAVEL
    require_motion(simulation.tracks)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_flat_wave_is_called_planar(layout: str, seed: int) -> None:
    simulation = waved(layout, (2, 4, 7)[seed], seed, "plane", WANDS[seed])
    found = inspect(simulation.tracks, simulation.wand)
    assert "planar" in kinds(found) and not found.good
    require_motion(simulation.tracks)  # flat, but not still


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_still_wand_is_called_still_and_refused(layout: str, seed: int) -> None:
    simulation = waved(layout, (3, 5, 8)[seed], seed, "still", WANDS[seed])
    found = inspect(simulation.tracks, simulation.wand)
    assert "still" in kinds(found) and "planar" not in kinds(found)
    with pytest.raises(
        UnsolvableError, match=r"moves by 0\.0\d\d of its length\. Keep the wand moving"
    ):
        require_motion(simulation.tracks)


@pytest.mark.parametrize("wand", WANDS)
@pytest.mark.parametrize("tilt_deg", [0, 35, 70])
def test_a_wand_slid_over_a_plane_of_any_tilt_is_flat(tilt_deg: float, wand: str) -> None:
    """The middle of the simulated wave, pressed on to a plane: the floor, a ramp, nearly a wall."""
    simulation = waved("room", 5, 11, wand=wand)
    rng = np.random.default_rng(tilt_deg)
    n, points = 1200, simulation.wand.points_mm
    turn = np.cumsum(rng.normal(0, 0.15, n))
    in_plane = rotation_from_vector(np.stack([np.zeros(n), np.zeros(n), turn], axis=-1))
    phase = np.arange(n) / 25.0
    centre = np.stack(
        [1100 * np.sin(0.9 * phase), 900 * np.sin(1.37 * phase + 1), np.zeros(n)], axis=-1
    )
    flat = points @ np.swapaxes(in_plane, 1, 2) + centre[:, None]
    world = flat @ rotation_from_vector(np.array([np.radians(tilt_deg), 0.0, 0.0])).T + [0, 0, 1000]
    found = depth(seen_by(simulation.truth, world, rng))
    assert found.is_planar, found
    # The same wand tilted freely on the way is not: a planar wand's frames lie in many planes.
    tilted = rotation_from_vector(np.cumsum(rng.normal(0, 0.15, (n, 3)), axis=0))
    lifted = centre + np.stack([np.zeros(n), np.zeros(n), 500 * np.sin(0.61 * phase)], axis=-1)
    world = points @ np.swapaxes(tilted, 1, 2) + lifted[:, None] + [0, 0, 1000]
    assert not depth(seen_by(simulation.truth, world, rng)).is_planar


def anywhere(camera: CameraTracks, rng: np.random.Generator) -> Array:
    """As many points as the camera has, all over its sensor."""
    return rng.uniform((0, 0), (camera.width - 1, camera.height - 1), camera.xy_px.shape)


def test_one_jumping_camera_does_not_make_a_still_wand_move() -> None:
    tracks = waved("room", 5, 0, "still").tracks
    rng = np.random.default_rng(0)
    first = tracks.cameras[0]
    jumping = replace(first, xy_px=anywhere(first, rng))
    broken = Tracks((jumping, *tracks.cameras[1:]), tracks.frame_rate_hz)
    assert camera_travel(jumping) > STILL_TRAVEL > travel(broken)


def test_three_wrong_frames_in_a_hundred_do_not_make_a_still_wand_move() -> None:
    tracks = waved("room", 4, 1, "still").tracks
    rng = np.random.default_rng(1)
    cameras = []
    for c in tracks.cameras:
        is_wrong = np.isin(c.frame, rng.choice(1500, 45, replace=False))
        xy = np.where(is_wrong[:, None], anywhere(c, rng), c.xy_px)
        cameras.append(replace(c, xy_px=xy))
    assert travel(Tracks(tuple(cameras), 25.0)) < STILL_TRAVEL


def test_a_wand_that_lay_about_before_the_wave_is_not_still() -> None:
    tracks = waved("room", 4, 2).tracks
    cameras = []
    for c in tracks.cameras:  # the first sighting, held for four times as long as the wave
        first = c.frame == c.frame[c.marker >= 0][0]
        n = 6000
        frame = np.concatenate([np.repeat(np.arange(n), first.sum()), c.frame + n])
        xy = np.concatenate([np.tile(c.xy_px[first], (n, 1)), c.xy_px])
        marker = np.concatenate([np.tile(c.marker[first], n), c.marker])
        cameras.append(CameraTracks(c.name, c.width, c.height, frame, xy, marker))
    require_motion(Tracks(tuple(cameras), 25.0))


@pytest.mark.parametrize("name", ["line", "board"])
def test_real_photographs_are_good_enough(name: str) -> None:
    found = inspect(
        load_tracks(PHOTOGRAPHS / f"{name}.h5"), load_wand(PHOTOGRAPHS / f"{name}.toml")
    )
    assert found.good, str(found)
    assert found.depth.parallax > 2 * PLANAR_PARALLAX and found.travel > 2 * STILL_TRAVEL


# What else a capture lacks.


def test_a_plain_capture_is_good_and_its_counts_are_right() -> None:
    simulation = waved()
    tracks = simulation.tracks
    found = inspect(tracks, simulation.wand)
    assert found.good
    for row, camera in zip(found.cameras, tracks.cameras, strict=True):
        named = camera.marker >= 0
        assert (row.name, row.points, row.identified) == (camera.name, camera.n_points, named.sum())
        assert row.frames == len(set(camera.frame[named]))
        assert row.points_per_frame == pytest.approx(named.sum() / row.frames)
        inside = (
            np.abs(camera.xy_px[named] - np.median(camera.xy_px[named], axis=0)) <= row.spread_px
        )
        assert inside.mean() > 0.9
        assert row.partners == 4
    assert found.timing.duration_s == pytest.approx(60.0, abs=0.1)
    assert "Good enough to solve." in str(found)


def only(tracks: Tracks, keep: dict[str, object]) -> Tracks:
    """The capture with some cameras' points cut down to a mask over their frames."""
    cameras = []
    for c in tracks.cameras:
        mask = keep[c.name](c.frame) if c.name in keep else np.ones(c.n_points, bool)  # type: ignore[operator]
        cameras.append(
            replace(
                c, frame=c.frame[mask], xy_px=c.xy_px[mask], marker=c.marker[mask], radius_px=None
            )
        )
    return Tracks(tuple(cameras), tracks.frame_rate_hz)


def test_islands_blind_and_hanging_cameras_are_named() -> None:
    tracks = waved(n=8, seed=4).tracks
    early, late = (lambda f: f < 700), (lambda f: f > 710)
    names = tracks.names
    cut = only(
        tracks,
        {n: early for n in names[:4]} | {n: late for n in names[4:7]} | {names[7]: lambda f: f < 0},
    )
    found = inspect(cut)
    assert kinds(found) == {"islands", "blind"} and not found.good
    assert found.graph.islands == (names[:4], names[4:7], names[7:])
    text = next(in_words(found, f) for f in found.findings if f.kind == "islands")
    a, b = found.graph.waves[0]
    assert (
        a in names[:4] and b in names[4:7] and f"Wave where {a} and {b} both see the wand." in text
    )
    assert next(f.cameras for f in found.findings if f.kind == "blind") == (names[7],)
    hung = inspect(only(tracks, {n: early for n in names[:6]} | {names[6]: late}))
    assert hung.graph.hanging == (names[6],) and hung.graph.articulation == (names[7],)
    assert {"hanging", "articulation"} <= kinds(hung, "note")


def test_a_camera_that_stops_while_its_neighbours_go_on_is_noted() -> None:
    for layout, seed in (("room", 5), ("corridor", 6), ("row", 7)):
        tracks = waved(layout, 8, seed).tracks
        assert "timing" not in kinds(inspect(tracks), "note")
        counts = [int(((c.frame > 700) & (c.marker >= 0)).sum()) for c in tracks.cameras]
        busiest = tracks.names[int(np.argmax(counts))]
        found = inspect(only(tracks, {busiest: lambda f: f <= 700}))
        notes = [f for f in found.findings if f.kind == "timing"]
        assert [f.cameras for f in notes] == [(busiest,)]
        assert f"{busiest} stops at frame" in in_words(found, notes[0])


def test_a_frame_counter_that_started_elsewhere_is_to_act_on() -> None:
    tracks = waved().tracks
    first = replace(tracks.cameras[0], frame=tracks.cameras[0].frame + 100_000)
    found = inspect(Tracks((first, *tracks.cameras[1:]), 25.0))
    assert {"timing", "islands"} <= kinds(found)
    assert "has frames 1000" in str(found)


def test_a_pause_in_all_cameras_is_noted() -> None:
    tracks = waved().tracks
    found = inspect(only(tracks, {n: lambda f: (f < 500) | (f >= 600) for n in tracks.names}))
    assert (
        found.timing.silences == ((500, 599),) and "silence" in kinds(found, "note") and found.good
    )
    longer = {
        n: lambda f: ((f < 300) | (f >= 350)) & ((f < 500) | (f >= 600)) for n in tracks.names
    }
    assert "frames 500 to 599 (4.0 s) and in 1 other stretch. " in str(
        inspect(only(tracks, longer))
    )


def test_unidentified_points() -> None:
    simulation = waved()
    bare = [replace(c, marker=np.full(c.n_points, -1)) for c in simulation.tracks.cameras]
    nameless = Tracks(tuple(bare), 25.0)
    # The same capture is as good without its names: a solve gives them, and so does an inspection.
    found, as_named = inspect(nameless, simulation.wand), inspect(simulation.tracks)
    assert found.good and kinds(found, "note") - kinds(as_named, "note") == {"unidentified"}
    named = sum(c.identified for c in found.cameras)
    assert f"{named / sum(c.points for c in found.cameras):.0%} of them were named" in str(found)
    # Without a wand: counts, coverage and links from the points themselves.
    found = inspect(nameless)
    assert found.good and not kinds(found, "note") & {"blind", "islands"}
    assert all(c.frames and c.coverage and not c.identified for c in found.cameras)
    assert "--wand WAND" in str(found)
    with_two = inspect(nameless, waved(wand="solid6").wand)
    assert kinds(with_two) == {"unidentified"} and "naming them failed" in str(with_two)
    rng = np.random.default_rng(0)
    half = replace(
        bare[1],
        marker=np.where(
            rng.random(bare[1].n_points) < 0.5, -1, simulation.tracks.cameras[1].marker
        ),
    )
    found = inspect(
        Tracks((simulation.tracks.cameras[0], half, *simulation.tracks.cameras[2:]), 25.0)
    )
    assert [f.cameras for f in found.findings if f.kind == "unidentified"] == [(half.name,)]


def test_markers_that_are_missing_or_beyond_the_wand() -> None:
    simulation = waved()
    five = waved(wand="plane5")
    found = inspect(simulation.tracks, five.wand)
    assert "markers" in kinds(found, "note")
    with pytest.raises(InputError, match="below the wand's 3 markers"):
        inspect(five.tracks, simulation.wand)
    # Of points without names too: a file may list a marker that came off.
    bare = [replace(c, marker=np.full(c.n_points, -1, np.int16)) for c in five.tracks.cameras]
    more = replace(
        five.wand,
        markers=(*five.wand.markers, "lost"),
        points_mm=np.vstack([five.wand.points_mm, [100.0, 100.0, 0.0]]),
    )
    told = "Never identified of the wand's markers: lost. "
    assert told in str(inspect(Tracks(tuple(bare), 25.0), more))
    one = [replace(c, marker=np.where(c.marker == 1, 1, -1)) for c in simulation.tracks.cameras]
    # Carried about alone a marker needs a distance; where a wand was waved, the others are missing.
    assert "markers" in kinds(inspect(Tracks(tuple(one), 25.0)), "note")
    assert "markers" in kinds(inspect(Tracks(tuple(one), 25.0), simulation.wand))


@pytest.mark.parametrize(
    ("mistake", "seed", "words"),
    [
        ("mirrored", 31, "mirrored"),
        ("frames lost half-way", 33, "frames lost during the wave"),
        ("end marker off", 31001, "The wand is not as its file says"),
    ],
)
def test_what_a_solve_would_end_with_is_told_before(mistake: str, seed: int, words: str) -> None:
    capture = planted(mistake, seed)
    found = inspect(capture.tracks, capture.wand)
    text = " ".join(str(found).split())
    assert not found.good and words in text
    assert all(f"{name}: {words}" in text for name in capture.cameras)


def test_a_wave_in_one_spot_covers_too_little() -> None:
    simulation = waved()
    half = 0.04
    cameras = []
    for c in simulation.tracks.cameras:
        xy = c.xy_px * half + np.array([c.width, c.height]) * 0.4
        cameras.append(replace(c, xy_px=xy))
    assert "coverage" in kinds(inspect(Tracks(tuple(cameras), 25.0)))


@pytest.mark.parametrize(
    ("side", "n", "kind"), [((0.19, 0.59), None, "coverage"), ((1.0, 1.0), 80, "points")]
)
def test_what_a_camera_lacks_is_told_before_a_solve_as_after_it(
    side: tuple[float, float], n: int | None, kind: str
) -> None:
    """A tenth of its sensor, or few points: the solve refuses for that camera, or its table says
    that it is to act on.
    """
    sim = waved()
    camera = sim.tracks.cameras[1]
    middle = np.array([camera.width, camera.height]) / 2.0
    within = (np.abs(camera.xy_px - middle) < np.array(side) * middle).all(axis=1)
    rows = np.flatnonzero(within & (camera.marker >= 0))
    rows = rows if n is None else rows[np.linspace(0, len(rows) - 1, n).astype(int)]
    tracks = replace(
        sim.tracks, cameras=(sim.tracks.cameras[0], camera.rows(rows), *sim.tracks.cameras[2:])
    )
    lacks(tracks, sim.wand, camera.name, kind)


def test_what_a_camera_sees_alone_covers_nothing() -> None:
    """All over its sensor, but with another only within a tenth of it."""
    sim = waved()
    camera = sim.tracks.cameras[1]
    middle = np.array([camera.width, camera.height]) / 2.0
    within = (np.abs(camera.xy_px - middle) < np.array([0.19, 0.59]) * middle).all(axis=1)
    beyond = camera.frame[~within & (camera.marker >= 0)]
    cameras = (
        c if c.name == camera.name else c.rows(~np.isin(c.frame, beyond))
        for c in sim.tracks.cameras
    )
    tracks = replace(sim.tracks, cameras=tuple(cameras))
    assert coverage(camera.xy_px, camera.width, camera.height) > 0.5
    lacks(tracks, sim.wand, camera.name, "coverage")


def lacks(tracks: Tracks, wand: Wand, name: str, kind: str) -> None:
    """Assert that a camera alone is to act on for what it lacks, before a solve and after it."""
    found = inspect(tracks, wand)
    told = [f.cameras for f in found.findings if f.kind == kind and f.severity == "act"]
    assert told == [(name,)] and not found.good
    try:
        solved = solve_rig(tracks, wand)
    except UnsolvableError as error:
        assert name in error.cameras
        return
    table = solved.table
    assert name in {row.name for row in table.cameras if row.verdict == "act"}


def test_empty_and_lone_cameras_are_judged_without_failing() -> None:
    def camera(name: str) -> CameraTracks:
        return CameraTracks(name, 640, 480, np.empty(0), np.empty((0, 2)), np.empty(0))

    for tracks in (Tracks((camera("a"),), 25.0), Tracks((camera("a"), camera("b")), 25.0)):
        found = inspect(tracks)
        assert not found.good
        assert json.loads(json.dumps(as_json(found), allow_nan=False))["wave"]["travel"] is None
        kind = "islands (a)" if len(tracks.cameras) == 1 else "blind (a and b)"
        assert str(found).startswith(f"Not good enough to solve, 1 to act on: {kind}.\n")
    require_motion(
        Tracks((camera("a"), camera("b")), 25.0)
    )  # nothing to tell: not this check's to refuse


def test_a_single_frame_is_a_still_wand() -> None:
    tracks = waved().tracks
    frame = int(
        np.bincount(np.concatenate([c.frame[c.marker >= 0] for c in tracks.cameras])).argmax()
    )
    one = only(tracks, {n: lambda f: f == frame for n in tracks.names})
    with pytest.raises(UnsolvableError, match="still"):
        require_motion(one)


@pytest.mark.parametrize("n", [3, 20])
def test_what_it_prints_and_what_json_holds_agree(n: int) -> None:
    found = inspect(waved("room", n, 1).tracks)
    text, table = str(found), as_json(found)
    assert json.loads(json.dumps(table, allow_nan=False)) == table
    assert [c["name"] for c in table["cameras"]] == list(found.overlap.names)
    assert table["good"] == found.good
    for camera in table["cameras"]:
        row = next(line.split() for line in text.splitlines() if line.startswith(camera["name"]))
        assert row[1] == str(camera["points"]) and row[3] == str(camera["frames"])
    best = max(table["overlap"]["frames"][0][1:])
    assert str(best) in text
    assert all(f["text"] in text for f in table["findings"])


def test_a_camera_late_by_part_of_a_frame_is_told_before_a_solve():
    capture = planted("late by part of a frame", 148202, 0.3)
    found = inspect(capture.tracks, capture.wand)
    late = [f for f in found.findings if f.kind == Shortcoming.TIMING and f.severity == "act"]
    assert [f.cameras for f in late] == [capture.cameras] and not found.good
    assert "exposes 0." in str(found) and "solve with --timing" in " ".join(str(found).split())
