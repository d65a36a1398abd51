"""Exchanged names, another rig's capture, knocks during the wave, and directions in a recheck."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.check.recheck import run
from calib.check.recheck.drift import Drift
from calib.check.recheck.exchange import bearers
from calib.check.recheck.misread import TURNED
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.recheck.run import recheck
from calib.check.residuals import residual_table
from calib.check.verdicts import Change, RigFault, Standing
from calib.core.geometry import Pose, rotation_from_vector
from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.intake.edit import select
from calib.pipeline import solve_rig
from calib.report.changes.recheck import as_blocks, as_json, movement, note
from calib.report.changes.whole import drift
from calib.report.tables import lines_of
from calib.simulate import Knock, Scenario, Simulation, simulate
from calib.solve.fit import Fit
from calib.solve.hold import RigFit
from scripts.benchmarks.mistakes import scenario_of

RIG = Scenario(n_cameras=7, n_frames=500, seed=71)


@pytest.fixture(scope="module")
def wave() -> Simulation:
    return simulate(replace(RIG, wave=1))


@pytest.fixture(scope="module")
def steady(wave: Simulation) -> Recheck:
    return recheck(wave.truth, wave.tracks)


def renamed(tracks: Tracks, names: dict[str, str]) -> Tracks:
    """Return the capture with points under other names: old name to new."""
    by_name = {names.get(c.name, c.name): c for c in tracks.cameras}
    return replace(tracks, cameras=tuple(replace(by_name[n], name=n) for n in tracks.names))


@pytest.mark.parametrize(
    "names",
    [
        {"cam02": "cam05", "cam05": "cam02"},
        {"cam01": "cam02", "cam02": "cam03", "cam03": "cam01"},
        {f"cam{k:02d}": f"cam{k % 7 + 1:02d}" for k in range(1, 8)},
    ],
    ids=["two", "three", "all"],
)
def test_whose_points_stand_under_which_name(wave: Simulation, names: dict[str, str]) -> None:
    assert bearers(wave.truth, wave.tracks) == {}
    assert bearers(wave.truth, renamed(wave.tracks, names)) == {n: o for o, n in names.items()}


def test_a_recheck_names_the_exchanged_and_judges_the_others(wave: Simulation) -> None:
    tracks = renamed(wave.tracks, {"cam02": "cam05", "cam05": "cam02"})
    found = recheck(wave.truth, tracks)
    assert {c.name: c.borne for c in found.cameras if c.verdict == Standing.EXCHANGED} == {
        "cam02": "cam05",
        "cam05": "cam02",
    }
    others = {c.verdict for c in found.cameras if c.name not in {"cam02", "cam05"}}
    assert not others & {Standing.MOVED, Standing.LENS}
    rows = {r.name: r for r in residual_table(wave.truth, tracks).cameras}
    assert {n: r.causes[0].other for n, r in rows.items() if r.causes} == {
        "cam02": "cam05",
        "cam05": "cam02",
    }
    document = {c["name"]: c for c in as_json(found)["cameras"]}
    assert document["cam02"]["verdict"] == "exchanged" and document["cam02"]["with"] == "cam05"
    assert found.needs_a_hand and "cam02=cam05" in note(found, found.camera("cam02"))


def test_the_command_that_a_ring_of_three_is_told_puts_it_right(wave: Simulation) -> None:
    tracks = renamed(wave.tracks, {"cam01": "cam02", "cam02": "cam03", "cam03": "cam01"})
    found = recheck(wave.truth, tracks)
    for name in ("cam01", "cam02", "cam03"):
        pairs = re.findall(r"--rename (\w+)=(\w+)", note(found, found.camera(name)))
        right = select(tracks, rename=dict(pairs))
        for c in wave.tracks.cameras:
            np.testing.assert_array_equal(right.camera(c.name).xy_px, c.xy_px)


def test_a_capture_of_another_rig_is_refused(wave: Simulation) -> None:
    other = simulate(Scenario(n_cameras=7, n_frames=500, seed=91, layout="corridor"))
    with pytest.raises(InputError, match="this rig's cameras"):
        recheck(wave.truth, other.tracks)


def test_a_knock_during_the_wave_is_told_with_its_frame_and_not_repaired() -> None:
    knock = Knock(camera="cam03", frame=260, rotation_deg=0.3, translation_mm=6.0)
    sim = simulate(replace(RIG, wave=2, knock=(knock,)))
    found = recheck(sim.truth, sim.tracks)
    moving = [c for c in found.cameras if c.verdict == Standing.MOVING]
    assert [c.name for c in moving] == ["cam03"] and not found.repairable
    # Moments stand a tenth of the wave apart.
    assert moving[0].since_frame is not None and abs(moving[0].since_frame - 260) <= 50


def test_cameras_that_warm_up_are_not_told_to_be_loose() -> None:
    """Points that drift by a tenth of a pixel were "from frame 2879 on elsewhere: tighten its
    mount", of three cameras at once. The law is that of a body that warms up at a constant power
    (Newton's cooling); its size is assumed.
    """
    scenario = Scenario(n_cameras=10, n_frames=3000, seed=1, sigma_px=0.06)
    first, later = (simulate(replace(scenario, wave=k)) for k in (0, 1))
    warm = {"cam03": (0.08, -0.06), "cam04": (-0.1, 0.0), "cam05": (0.06, 0.08)}

    def drifting(c: CameraTracks) -> CameraTracks:
        share = 1.0 - np.exp(-2.0 * c.frame / scenario.n_frames)
        return replace(c, xy_px=c.xy_px + share[:, None] * warm.get(c.name, (0.0, 0.0)))

    tracks = replace(later.tracks, cameras=tuple(map(drifting, later.tracks.cameras)))
    found = recheck(solve_rig(first.tracks, first.wand).rig, tracks)
    slight = [c.name for c in found.cameras if c.is_slight]
    assert set(slight) <= set(warm) and len(slight) > 1
    assert not found.may_hang_loose
    told = " ".join(lines_of(as_blocks(found)))
    assert f"{listed(slight)} changed, too little to matter" in told
    assert "tighten" not in told and "wave nearer" not in told


@pytest.mark.parametrize(
    ("turn_deg", "words"),
    [
        ((0.3, 0.0, 0.0), "tilted up by 0.30°"),
        ((-0.3, 0.0, 0.0), "tilted down by 0.30°"),
        ((0.0, 0.3, 0.0), "turned right by 0.30°"),
        ((0.0, -0.3, 0.0), "turned left by 0.30°"),
        ((0.0, 0.0, 0.3), "rolled clockwise by 0.30°"),
    ],
)
def test_directions_are_those_of_the_camera(
    turn_deg: tuple[float, float, float], words: str
) -> None:
    """By hand: cv2.Rodrigues turns the camera's own axes (x right, y down, z forward), and a point
    straight ahead must move in the image to the other side.
    """
    own = cv2.Rodrigues(np.radians(turn_deg))[0]  # the camera's new axes, in its old ones
    ahead, right = own.T @ [0.0, 0.0, 1.0], own.T @ [1.0, 0.0, 1.0]
    up, to_right = turn_deg[0] > 0, turn_deg[1] > 0
    if turn_deg[0]:
        assert (ahead[1] > 0) == up  # tilted up, what was ahead stands lower in the image
    if turn_deg[1]:
        assert (ahead[0] < 0) == to_right
    if turn_deg[2]:
        assert right[1] < 0  # rolled clockwise, what was right stands higher
    # The change of a recheck is on the left of cam_from_world: of points, not of the camera.
    w = cv2.Rodrigues(own.T)[0].ravel()
    change = CameraChange(
        name="cam01",
        verdict=Standing.MOVED,
        change=np.append(w, np.zeros(6)),
        covariance=np.eye(9),
        shift_px=8.0,
        kind=Change.TURN,
        matters=True,
    )
    assert movement(change) == f"it was knocked: {words}; points move 8.0 px"
    slight = replace(change, shift_px=0.014, matters=False)
    assert movement(slight) == f"it moved by too little to matter: {words}; points move 0.01 px"


def test_stated_lenses_tell_two_names_that_were_exchanged_in_a_capture_of_its_own() -> None:
    """No earlier rig and no serial numbers: lenses that differ by a few percent say it."""
    sim = simulate(scenario_of(149002, n_cameras=(5, 6), stated_lens="measured"))
    a, b = sim.tracks.cameras[:2]
    seen = ("frame", "xy_px", "marker", "radius_px")
    cameras = [
        replace(to, **{key: getattr(of, key) for key in seen}) for to, of in ((a, b), (b, a))
    ]
    tracks = replace(sim.tracks, cameras=(*cameras, *sim.tracks.cameras[2:]))
    (told,) = (d for d in solve_rig(tracks, sim.wand).rig.doubts if d.finding == RigFault.STATED)
    assert told.cameras == ("cam01", "cam02") and "come out as each other's" in str(told)
    assert "--rename cam01=cam02 --rename cam02=cam01" in str(told)
    assert not solve_rig(sim.tracks, sim.wand).rig.doubts


def seen_as(tracks: Tracks, camera: CameraTracks) -> Tracks:
    return replace(
        tracks, cameras=tuple(camera if c.name == camera.name else c for c in tracks.cameras)
    )


def test_an_image_that_stands_on_its_head_is_no_knock(steady: Recheck) -> None:
    moved = replace(
        steady.camera("cam03"),
        verdict=Standing.MOVED,
        kind=Change.TURN,
        is_separable=True,
        matters=True,
    )
    over, level = (
        replace(moved, change=np.append([0.02, -0.04, np.radians(roll)], np.zeros(6)))
        for roll in (177.0, 17.0)
    )
    assert "on its head" in note(steady, over) and "knocked" not in note(steady, over)
    assert "on its head" not in note(steady, level) and "knocked" in note(steady, level)


def test_a_camera_whose_points_no_place_explains_stops_no_recheck(
    wave: Simulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its solve runs away from where the rig has it: the others are judged without it."""
    c, was = wave.tracks.camera("cam03"), wave.truth.camera("cam03")
    tracks = seen_as(wave.tracks, replace(c, xy_px=[c.width - 1, c.height - 1] - c.xy_px))
    turn = rotation_from_vector(np.radians([3.0, -2.0, 1.0]))
    stood = Pose(turn @ was.cam_from_world.R, turn @ was.cam_from_world.t_mm + 50.0)
    cameras = (replace(was, cam_from_world=stood) if r is was else r for r in wave.truth.cameras)
    solve_anew = run.solve_anew

    def runs_away(rig: Rig, tracks: Tracks, *rest: object) -> tuple[Fit, RigFit]:
        if "cam03" in tracks.names:
            raise np.linalg.LinAlgError
        return solve_anew(rig, tracks, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(run, "solve_anew", runs_away)
    found = recheck(replace(wave.truth, cameras=tuple(cameras)), tracks)
    assert {c.name for c in found.cameras if c.verdict == Standing.UNSEEN} == {"cam03"}
    assert "nowhere near where the rig has them" in note(found, found.camera("cam03"))
    assert found.needs_a_hand and not found.moved and not found.repairable


@pytest.mark.parametrize("signs", TURNED.values(), ids=TURNED)
def test_an_image_that_was_turned_since_is_told_and_is_nobodys_move(
    wave: Simulation, signs: tuple[int, int]
) -> None:
    """A mirrored or turned image came out as a camera that went thirty metres, or as noise."""
    c = wave.tracks.camera("cam03")
    x, y = c.xy_px.T
    x, y = (x if signs[0] > 0 else c.width - 1 - x), (y if signs[1] > 0 else c.height - 1 - y)
    tracks = seen_as(wave.tracks, replace(c, xy_px=np.column_stack([x, y])))
    how = next(name for name, of in TURNED.items() if of == signs)
    found = recheck(wave.truth, tracks)
    assert {c.name for c in found.cameras if c.verdict == Standing.UNSEEN} == {"cam03"}
    assert how in note(found, found.camera("cam03"))
    assert found.needs_a_hand and not found.repairable


def test_another_recording_and_a_count_that_began_elsewhere_are_told(wave: Simulation) -> None:
    c = wave.tracks.camera("cam03")
    other = simulate(replace(RIG, wave=2)).tracks.camera("cam03")
    for points, verdict, told in (
        (other, Standing.UNSEEN, "another recording"),
        (replace(c, frame=c.frame + 300), Standing.TIMING, "300 frames earlier"),
    ):
        found = recheck(wave.truth, seen_as(wave.tracks, points))
        verdicts = {c.name: c.verdict for c in found.cameras if c.verdict != Standing.UNMOVED}
        assert verdicts == {"cam03": verdict}
        assert told in note(found, found.camera("cam03"))


def test_an_image_cut_otherwise_is_no_ring(wave: Simulation) -> None:
    c = wave.tracks.camera("cam03")
    kept = (c.xy_px >= [200, 100]).all(axis=1)
    cut = c.rows(kept)
    found = recheck(wave.truth, seen_as(wave.tracks, replace(cut, xy_px=cut.xy_px - [200, 100])))
    assert found.camera("cam03").verdict == Standing.LENS
    assert "binning" in note(found, found.camera("cam03"))


def test_a_wand_that_is_another_is_no_warm_day(steady: Recheck) -> None:
    """Three hundredths longer: a rig shrinks so far in no weather, three ten thousandths it may."""
    for growth, told in ((-0.03, "See that it is the wand"), (-3e-4, "temperature of what")):
        whole = Drift(growth, 5e-5)
        assert told in drift(replace(steady, drift=whole))
