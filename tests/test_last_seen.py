"""What a camera saw last: knocked or out of count where it tells too little to be followed."""

from dataclasses import replace

import numpy as np
import pytest

from calib.check.causes.last_seen import last_seen
from calib.check.recheck.run import recheck
from calib.check.residuals import residual_table
from calib.check.verdicts import Fault
from calib.core.tracks import CameraTracks, Tracks
from calib.pipeline import calibrate
from calib.simulate import Knock, Scenario, Simulation, simulate
from calib.solve.hold import fit_to_rig

LONG_ROOM = Scenario(layout="corridor", n_cameras=8, n_frames=700)
LOST = 3
GAP = 15  # frames at most between those that the other cameras place


def late_of(sim: Simulation, name: str) -> int:
    """The frame from which on a camera has a seventh of its points."""
    camera = sim.tracks.camera(name)
    return int(np.quantile(camera.frame[camera.marker >= 0], 6 / 7))


def longest_late(sim: Simulation) -> str:
    """The camera that sees most of the wand from there on."""
    frames = {c.name: c.frame[c.marker >= 0] for c in sim.tracks.cameras}
    return max(frames, key=lambda n: len(np.unique(frames[n][frames[n] >= late_of(sim, n)])))


def with_camera(tracks: Tracks, camera: CameraTracks) -> Tracks:
    cameras = tuple(camera if c.name == camera.name else c for c in tracks.cameras)
    return replace(tracks, cameras=cameras)


def found(sim: Simulation, tracks: Tracks) -> dict[str, tuple[int, int]]:
    """By name from which frame on, and by how many frames, with the true cameras held."""
    fit = fit_to_rig(sim.truth, tracks)
    every = zip(tracks.names, last_seen(fit), strict=True)
    return {name: (at.first, at.frames) for name, at in every if at is not None}


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_a_knock_and_lost_frames_before_a_camera_saw_the_wand_last_are_told_apart(
    seed: int,
) -> None:
    """By the truth, at the frames at which they were planted; a blob half hidden is neither."""
    sim = simulate(replace(LONG_ROOM, seed=seed))
    assert found(sim, sim.tracks) == {}
    name = longest_late(sim)
    since, camera = late_of(sim, name), sim.tracks.camera(name)
    knock = Knock(camera=name, frame=since, rotation_deg=0.4, translation_mm=5.0)
    knocked = simulate(replace(LONG_ROOM, seed=seed, knock=(knock,)))
    assert found(knocked, knocked.tracks) == {name: (pytest.approx(since, abs=GAP), 0)}
    # A recorder that loses frames numbers those that follow too low.
    kept = camera.rows((camera.frame < since) | (camera.frame >= since + LOST))
    low = replace(kept, frame=np.where(kept.frame >= since, kept.frame - LOST, kept.frame))
    assert found(sim, with_camera(sim.tracks, low)) == {name: (pytest.approx(since, abs=GAP), LOST)}
    hidden = np.where((camera.frame >= since)[:, None], [2.5, 0.0], 0.0)
    inside = np.minimum(camera.xy_px + hidden, [camera.width - 1.0, camera.height])
    aside = replace(camera, xy_px=inside)
    assert found(sim, with_camera(sim.tracks, aside)) == {}


def test_what_a_solve_leaves_out_of_it_needs_a_hand() -> None:
    sim = simulate(replace(LONG_ROOM, seed=44))
    name = longest_late(sim)
    knock = Knock(camera=name, frame=late_of(sim, name), rotation_deg=0.4, translation_mm=5.0)
    made = simulate(replace(LONG_ROOM, seed=44, knock=(knock,)))
    table = residual_table(made.truth, made.tracks)
    of_wave = {Fault.ONE_SIDED, Fault.TOO_FEW}
    causes = {
        row.name: [c.cause for c in row.causes if c.cause not in of_wave] for row in table.cameras
    }
    assert {n: c for n, c in causes.items() if c} == {name: [Fault.KNOCK]}
    assert table.sends_up and table.may_hang_loose


@pytest.mark.parametrize("seed", [45, 46])
def test_a_recheck_names_a_camera_that_was_knocked_in_the_last_seconds(seed: int) -> None:
    """It stood as before until then, and passed for unmoved."""
    scenario, since = Scenario(n_cameras=10, n_frames=600, seed=seed), 550
    first, later = simulate(scenario), simulate(replace(scenario, wave=1))
    late = {c.name: ((c.frame >= since) & (c.marker >= 0)).sum() for c in later.tracks.cameras}
    name = max(late, key=lambda n: late[n])
    knock = Knock(camera=name, frame=since, rotation_deg=0.3, translation_mm=3.0)
    knocked = simulate(replace(scenario, wave=1, knock=(knock,)))
    found = recheck(calibrate(first.tracks, first.wand), knocked.tracks)
    assert {c.name: str(c.verdict) for c in found.cameras if c.verdict != "unmoved"} == {
        name: "moving"
    }
    assert found.camera(name).since_frame == pytest.approx(since, abs=GAP)


@pytest.mark.parametrize("seed", [621, 654, 665])
def test_a_camera_turned_before_the_wave_did_not_stand_where_it_fits_one_other_alone(
    seed: int,
) -> None:
    """The wand goes where the two have it; where others see it too, it never fitted."""
    knock = Knock(camera="cam04", rotation_deg=1.0, translation_mm=2.0)
    base = Scenario(layout="corridor", n_cameras=16, wand="line3", sigma_px=0.2, n_frames=700)
    turned = simulate(replace(base, seed=seed, wave=1, knock=(knock,)))
    assert found(turned, turned.tracks) == {}


def test_a_recheck_asks_about_what_lay_off_for_less_than_tells_a_knock() -> None:
    """Errors that last do so as well, but a camera may stand elsewhere since."""
    scenario, since = Scenario(n_cameras=5, n_frames=300, seed=21, wand="line3"), 240
    first, later = simulate(scenario), simulate(replace(scenario, wave=1))
    late = {c.name: ((c.frame >= since) & (c.marker >= 0)).sum() for c in later.tracks.cameras}
    name = max(late, key=lambda n: late[n])
    camera = later.tracks.camera(name)
    off = np.where((camera.frame >= since)[:, None], [1.6, 1.2], 0.0)
    moved = with_camera(later.tracks, replace(camera, xy_px=camera.xy_px + off))
    told = recheck(calibrate(first.tracks, first.wand), moved)
    assert told.camera(name).verdict == "unmoved"  # what lay off was left out
    assert told.off_until_end == {name: pytest.approx(since, abs=3)}
    assert f"Was {name} touched? From frame " in str(told)
