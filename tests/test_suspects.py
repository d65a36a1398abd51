"""Cameras that fit their neighbours only when read in another way: who, how, and no sound one."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
import pytest

from calib import pipeline
from calib.check.inspect import inspect
from calib.check.verdicts import Shortcoming, Verdict
from calib.core.geometry import cross_matrix, rotation_from_vector
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import UnsolvableError
from calib.pipeline import calibrate, solve_rig
from calib.simulate import Scenario, simulate
from calib.solve.start.graph import overlap
from calib.solve.start.late import LENS_PULL, delay_between, late_cameras
from calib.solve.start.pair_views import PairView, PairViews, odd_length, pair_views
from calib.solve.start.recount import best_shift
from calib.solve.start.suspects import Reading, suspects
from scripts.benchmarks.mistakes import Capture, clean, planted

READINGS = {
    "mirrored": Reading.MIRRORED,
    "y upwards": Reading.UPSIDE_DOWN,
    "x and y exchanged": Reading.EXCHANGED,
    "names reversed": Reading.REVERSED,
    "late by whole frames": Reading.SHIFTED,
    "frames lost half-way": Reading.LOST,
}


def found(capture: Capture) -> list[tuple[str, Reading]]:
    return [(s.camera, s.reading) for s in suspects(capture.tracks, capture.wand, views(capture))]


def views(capture: Capture) -> PairViews:
    free = np.ones(len(capture.tracks.cameras), bool)
    return pair_views(capture.tracks, capture.wand, overlap(capture.tracks), free)


@pytest.mark.parametrize("kind", READINGS)
def test_the_camera_and_its_reading_are_named(kind: str) -> None:
    capture = planted(kind, 31)
    assert found(capture) == [(capture.cameras[0], READINGS[kind])]


@pytest.mark.parametrize("seed", [310043, 5000162])
def test_a_clock_that_drifts_by_frames_lost_none(seed: int) -> None:
    capture = planted("clock drifts", seed, 2.0)
    assert found(capture) == [(capture.cameras[0], Reading.DRIFT)]


@pytest.mark.parametrize("seed", [8100000])
def test_a_camera_late_by_half_a_frame_is_of_no_other_recording(seed: int) -> None:
    assert found(planted("late by part of a frame", seed, 0.5)) == []


def test_an_end_of_which_nobody_tells_as_given_has_no_shift() -> None:
    """Of 110 sound cameras, two whose ends shared too few points with others had a clock that
    drifts: a short way of the wand fits under many shifts, as one at rest does under all.
    """
    whole = {"dropout": 0.0, "person": False}
    sim = simulate(Scenario(n_cameras=3, n_frames=100, path="still", seed=1, **whole))
    part, other = (
        c.rows((c.frame >= first) & (c.frame <= last))
        for c, (first, last) in zip(sim.tracks.cameras[:2], ((0, 40), (30, 99)), strict=True)
    )
    assert best_shift(part, [other], 25.0) is None
    told = best_shift(part, [sim.tracks.cameras[1]], 25.0)
    assert told is not None and told.frames == 0


def test_sound_captures_have_none() -> None:
    for seed in (41, 42):
        assert found(clean(seed)) == []


@pytest.mark.parametrize("seed", [31001, 31003])
def test_pairs_tell_a_wand_that_is_not_as_its_file(seed: int) -> None:
    """The file has the last marker farther from the first by a tenth. The true lengths say by how
    much each then comes out shorter, against the median of all.
    """
    capture = planted("end marker off", seed, 0.1)
    true, stated = capture.simulation.wand, capture.wand
    assert odd_length(true, pairs := views(replace(capture, wand=true))) is None, pairs
    found = odd_length(stated, views(capture))
    assert found is not None
    at = stated.markers.index(found.first), stated.markers.index(found.second)
    ratio = true.lengths_mm[at] / stated.lengths_mm[at]
    upper = np.triu_indices(len(stated.markers), 1)
    usual = np.median(true.lengths_mm[upper] / stated.lengths_mm[upper])
    assert found.share == pytest.approx(ratio / usual - 1, abs=0.02)


@pytest.mark.parametrize("middle_mm", [215.0, 260.0])
def test_pairs_tell_a_wand_so_far_off_that_none_knows_a_mirrored_image(middle_mm: float) -> None:
    sim = simulate(Scenario(n_cameras=5, n_frames=300, seed=11))
    points = sim.wand.points_mm.copy()
    points[1, 0] = middle_mm
    stated = replace(sim.wand, points_mm=points)
    every = pair_views(sim.tracks, stated, overlap(sim.tracks), np.ones(5, bool)).values()
    assert sum(v.is_mirrored is None for v in every) > len(every) / 2
    (told,) = (f for f in inspect(sim.tracks, stated).findings if f.severity == Verdict.ACT)
    assert told.kind == Shortcoming.WAND and told.figures["between"] == ("p", "q")


def test_a_shift_is_told_by_its_size_and_where_it_begins() -> None:
    capture = planted("frames lost half-way", 33)
    (suspect,) = suspects(capture.tracks, capture.wand, views(capture))
    half = len(capture.simulation.R_world_from_wand) // 2
    # Within the last step of halving, ten frames, and the frames that were lost.
    assert abs(suspect.since_frame - half) <= 25
    assert suspect.frames > 0


@pytest.mark.parametrize("frames", [-300, 100_000])
def test_a_count_that_began_elsewhere_is_told(frames: int) -> None:
    """The camera's last frames are then beyond the others' count, or all of them."""
    capture = clean(61)
    name = capture.tracks.names[1]
    camera = capture.tracks.camera(name)
    late = with_camera(capture, replace(camera, frame=camera.frame + frames))
    (suspect,) = suspects(late.tracks, late.wand, views(late))
    assert (suspect.camera, suspect.reading, suspect.frames) == (name, Reading.SHIFTED, -frames)


@pytest.mark.parametrize("seed, share, frames", [(700200, 0.16, 240), (1104, 0.6, 60)])
def test_a_count_that_jumps_by_seconds_is_told_with_its_frame(
    seed: int, share: float, frames: int
) -> None:
    """Early in a wave it was told as numbers shifted throughout, or as another recording."""
    sim = clean(seed).simulation
    at, camera = int(share * len(sim.R_world_from_wand)), sim.tracks.cameras[1]
    number = np.where(camera.frame >= at, camera.frame + frames, camera.frame)
    jumped = replace(camera, frame=number)
    others = (jumped if c is camera else c for c in sim.tracks.cameras)
    capture = Capture(
        tracks=replace(sim.tracks, cameras=tuple(others)),
        wand=sim.wand,
        cameras=(camera.name,),
        simulation=sim,
    )
    (told,) = suspects(capture.tracks, capture.wand, views(capture))
    assert (told.camera, told.reading, told.frames) == (camera.name, Reading.LOST, -frames)
    seen = camera.frame[camera.marker >= 0]
    before, after = seen[seen < at].max(), seen[seen >= at].min() + frames
    assert before - 25 <= told.since_frame <= after + 25  # within a second of the jump


@pytest.mark.parametrize(("seed", "n_cameras", "frames"), [(4, 8, 17), (7, 6, -30)])
def test_half_of_the_cameras_whose_counts_jump_alike_are_told(
    seed: int, n_cameras: int, frames: int
) -> None:
    """Each fits those that jumped with it; no image tells which half counts on, so that cameras of
    the other may be named as well, the other way.
    """
    sim = simulate(Scenario(n_cameras=n_cameras, n_frames=750, seed=seed))
    names, middle = sim.tracks.names, int(np.median(sim.tracks.cameras[0].frame))
    jumped = set(np.random.default_rng(seed).choice(names, n_cameras // 2, replace=False))
    cameras = []
    for camera in sim.tracks.cameras:
        late, by = camera.frame >= middle, frames if camera.name in jumped else 0
        kept = late | (camera.frame < middle + min(by, 0))  # those counted twice are overwritten
        left = camera.rows(kept)
        cameras.append(replace(left, frame=left.frame + np.where(late[kept], by, 0)))
    tracks = replace(sim.tracks, cameras=tuple(cameras))
    capture = Capture(tracks=tracks, wand=sim.wand, cameras=(), simulation=sim)
    told = suspects(tracks, sim.wand, views(capture))
    assert len(told) >= 2 and {s.reading for s in told} == {Reading.LOST}
    assert {(s.camera in jumped, s.frames) for s in told} <= {(True, -frames), (False, frames)}


def test_points_of_another_wave_are_told() -> None:
    capture = clean(62)
    name = capture.tracks.names[1]
    other = simulate(replace(capture.simulation.scenario, wave=1)).tracks.camera(name)
    assert found(with_camera(capture, other)) == [(name, Reading.FOREIGN)]


def with_camera(capture: Capture, camera: CameraTracks) -> Capture:
    cameras = tuple(camera if c.name == camera.name else c for c in capture.tracks.cameras)
    return replace(capture, tracks=replace(capture.tracks, cameras=cameras))


@pytest.mark.parametrize("kind", ["mirrored", "names reversed", "late by whole frames"])
def test_a_solve_ends_with_the_camera_named(kind: str) -> None:
    """Before the long search: with such a camera nothing settles, and what comes after the rough
    fit takes ten times as long, to be refused all the same.
    """
    capture, stages = planted(kind, 31), set[str]()
    with pytest.raises(UnsolvableError, match=f"{capture.cameras[0]}: {READINGS[kind]}"):
        calibrate(capture.tracks, capture.wand, None, lambda stage, *_: stages.add(stage))
    assert "bundle of all frames" in stages and "errors that last" not in stages


def test_other_readings_are_looked_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seconds each time, of a capture that is far off first and cannot be solved then."""
    capture, asked = clean(41), []
    refused = UnsolvableError("wave", expected="a", found="b", remedy="Do this.")

    def not_solved(*_: object) -> None:
        raise refused

    monkeypatch.setattr(pipeline, "suspects", lambda *of: asked.append(of) or [])
    monkeypatch.setattr(pipeline, "is_far_off", lambda *_: True)
    monkeypatch.setattr(pipeline, "_solved", not_solved)
    with pytest.raises(UnsolvableError) as told:
        solve_rig(capture.tracks, capture.wand)
    assert told.value is refused and len(asked) == 1


def test_a_mirrored_image_obeys_epipolar_geometry_but_bends_the_wand() -> None:
    """Essential matrix times a reflection: singular values 1, 1, 0 again, and OpenCV finds every
    point an inlier and a pose before both cameras (Hartley & Zisserman, Multiple View Geometry, 2nd
    edition, result 9.17); but a rod of one length comes out with many.
    """
    rng = np.random.default_rng(5)
    R, t = rotation_from_vector(np.array([0.1, 0.9, 0.05])), np.array([-2.0, 0.1, 1.0])
    ends = rng.normal(size=(60, 3))
    start = rng.uniform([-1, -1, 4], [1, 1, 6], (60, 3))
    points = np.stack([start, start + 0.5 * ends / np.linalg.norm(ends, axis=1)[:, None]])
    points = points.reshape(-1, 3)
    in_b = points @ R.T + t
    xy_a, xy_b = points[:, :2] / points[:, 2:], in_b[:, :2] / in_b[:, 2:]
    E = cross_matrix(t / np.linalg.norm(t)) @ R @ np.diag([-1.0, 1.0, 1.0])
    assert np.allclose(np.linalg.svd(E, compute_uv=False), [1, 1, 0])
    for sign, least, most in ((1.0, 0.0, 1e-3), (-1.0, 0.2, np.inf)):
        given = np.ascontiguousarray(xy_a * [sign, 1.0])
        found_E, inlier = cv2.findEssentialMat(given, xy_b, np.eye(3), threshold=1e-6)
        assert inlier.all()
        n_front, R_found, t_found, _ = cv2.recoverPose(found_E[:3], given, xy_b, np.eye(3))
        assert n_front > 0.9 * len(points)
        P = np.hstack([R_found, t_found])
        seen = cv2.triangulatePoints(np.eye(3, 4), P, given.T, xy_b.T)
        rods = (seen[:3] / seen[3]).T.reshape(2, 60, 3)
        length = np.linalg.norm(rods[1] - rods[0], axis=1)
        spread = np.std(np.log(length))
        assert least <= spread < most


@pytest.mark.parametrize(("seed", "frames"), [(148202, 0.3), (148302, 0.5)])
def test_a_camera_late_by_part_of_a_frame_is_told_by_pairs(seed: int, frames: float | None) -> None:
    """Real lenses, nothing solved: the delay as it was made, within its error."""
    capture = planted("late by part of a frame", seed, frames)
    (late,) = late_cameras(capture.tracks, every_pair(capture.tracks))
    assert (late.camera,) == capture.cameras and late.px > 0.5
    assert abs(late.frames - frames) < 4 * late.sigma


@pytest.mark.parametrize("seed", range(148000, 148006))
def test_nobody_is_late_in_a_sound_capture(seed: int) -> None:
    capture = clean(seed)
    assert late_cameras(capture.tracks, every_pair(capture.tracks)) == []


def test_ideal_lenses_pull_no_delay() -> None:
    """Points a few hundred in number, 0.1 px of noise and some 10 px a frame: by that the delay is
    known to a few thousandths of a frame, far less than real lenses pull it.
    """
    for seed in range(4):
        sim = simulate(Scenario.plain(n_cameras=3, n_frames=600, seed=900 + seed, lens_terms=()))
        for a, b in combinations(sim.tracks.cameras, 2):
            delay = delay_between(a, b, sim.tracks.frame_rate_hz)
            assert delay is not None and abs(delay.frames) < 0.25 * LENS_PULL
            assert delay.sigma < 1.1 * LENS_PULL


def every_pair(tracks: Tracks) -> dict[tuple[int, int], PairView]:
    return {pair: PairView(1.0) for pair in combinations(range(len(tracks.cameras)), 2)}
