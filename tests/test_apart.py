"""The other cameras are asked without those at fault, where they can say anything."""

from __future__ import annotations

from dataclasses import replace

from calib.check.apart import causes_apart, moves_apart
from calib.check.verdicts import Fault
from calib.check.whole.steps import Moves
from calib.core.tracks import Tracks
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.certainty.statistics import rig_stats
from calib.solve.hold import fit_to_rig

KNOCKED = Moves({"cam01": (150, 1.0)}, 3)


def sound(n_cameras: int = 3) -> Simulation:
    return simulate(Scenario(n_cameras=n_cameras, n_frames=300, seed=5, lasting_share=0.0))


def moved(sim: Simulation, tracks: Tracks, at_fault: tuple[str, ...]) -> set[str]:
    fit = fit_to_rig(sim.truth, tracks)
    return set(moves_apart(sim.truth.wand_used, tracks, fit, KNOCKED, at_fault).of)


def test_a_knock_that_the_others_do_not_tell_is_none() -> None:
    sim = sound()
    assert moved(sim, sim.tracks, ("cam03",)) == set()
    # Its own fault is told anyway, and of nobody else there is one to ask.
    assert moved(sim, sim.tracks, ("cam01",)) == {"cam01"}
    assert moved(sim, sim.tracks, ("cam02", "cam03")) == {"cam01"}


def test_others_that_share_no_points_say_nothing() -> None:
    sim = sound()
    first, second, third = sim.tracks.cameras
    halves = first.rows(first.frame < 150), second.rows(second.frame >= 150), third
    tracks = replace(sim.tracks, cameras=halves)
    assert moved(sim, tracks, ("cam03",)) == {"cam01"}


def test_beside_lost_frames_the_others_are_sound() -> None:
    """From half-way on a camera's count is 5 frames behind, held against the true rig."""
    sim = sound(6)
    tracks = with_lost_frames(sim.tracks, "cam02", 5)
    fit = fit_to_rig(sim.truth, tracks)
    stats = rig_stats(tracks, fit.problem, fit.state, fit.is_inlier, fit.sigma_px)
    first, second, *others = causes_apart(sim.truth, tracks, fit, stats)
    assert second[0].cause == Fault.LOST and second[0].figures["frames"] == 5
    wave = {Fault.ONE_SIDED, Fault.TOO_FEW}
    assert not [c for found in (first, *others) for c in found if c.cause not in wave]


def with_lost_frames(tracks: Tracks, name: str, frames: int) -> Tracks:
    camera = tracks.camera(name)
    kept = camera.rows((camera.frame < 150) | (camera.frame >= 150 + frames))
    late = replace(kept, frame=kept.frame - frames * (kept.frame >= 150))
    return replace(tracks, cameras=tuple(late if c is camera else c for c in tracks.cameras))
