"""A rig that knows which of its cameras expose late: rechecked, repaired and rechecked again."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from calib.check.recheck.run import recheck
from calib.check.residuals import residual_table
from calib.check.verdicts import Fault
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.pipeline import calibrate
from calib.simulate import simulate
from calib.solve.calibrate import SolveOptions
from calib.solve.repair import repair
from tests.rigs_in_time import turned
from tests.test_timing import PLANTED, capture, scenario, simulated


@cache
def solved(tenths: tuple[int, ...]) -> tuple[Rig, Tracks]:
    """Return a rig as its solve finds it, offsets and all, and another wave before its cameras."""
    sim = simulated(0)
    rig = calibrate(capture(sim, tenths), sim.wand, SolveOptions(timing=True))
    return rig, capture(simulate(replace(scenario(0), wave=1)), tenths)


def forgetful(rig: Rig) -> Rig:
    """Return the rig without its time offsets."""
    cameras = tuple(
        replace(c, time_offset_frames=0.0, time_offset_sigma_frames=None) for c in rig.cameras
    )
    return replace(rig, cameras=cameras)


def verdicts(rig: Rig, wave: Tracks) -> dict[str, str]:
    return {c.name: c.verdict for c in recheck(rig, wave).cameras}


def out_of_time(rig: Rig, wave: Tracks) -> set[str]:
    """Return the cameras that the residual table calls out of time."""
    rows = residual_table(rig, wave).cameras
    return {r.name for r in rows if any(c.cause is Fault.TIMING for c in r.causes)}


@pytest.mark.parametrize("tenths", PLANTED[1:3])
def test_an_offset_that_the_rig_knows_is_no_change(tenths: tuple[int, ...]) -> None:
    rig, wave = solved(tenths)
    assert set(verdicts(rig, wave).values()) == {"unmoved"}


def test_an_offset_that_the_rig_does_not_know_is_one() -> None:
    rig, wave = solved(PLANTED[0])
    assert verdicts(forgetful(rig), wave)["cam03"] == "timing"
    assert "cam03" in out_of_time(forgetful(rig), wave)


def test_a_camera_later_than_the_rig_knows_is_named_with_the_rest() -> None:
    rig, _ = solved(PLANTED[0])
    later = capture(simulate(replace(scenario(0), wave=1)), (0, 0, 7, 0, 0))
    found = recheck(rig, later)
    assert {c.name: c.verdict for c in found.cameras if c.verdict != "unmoved"} == {
        "cam03": "timing"
    }
    late = next(c for c in found.cameras if c.name == "cam03")
    assert late.is_known_late
    # By the truth; a hundredth of a frame is three of the sigmas that the estimate states.
    assert late.offset_frames == pytest.approx(0.3, abs=0.01)


def test_a_repair_keeps_what_the_rig_tells_and_calls_no_late_camera_out_of_time() -> None:
    rig, wave = solved(PLANTED[1])
    was = replace(
        turned(rig, "cam02", 0.5),
        left_out={"porch": "not in the wave"},
        findings=("a word",),
        captured_at="2031-05-06T07:08:09+00:00",
        parent_sha256="ab" * 32,
        lasting_share=0.01,
        alignment={"by": ["cam01"]},
        verification={"bar": "b"},
    )
    found = recheck(was, wave)
    assert found.moved == ("cam02",)
    mended = repair(was, found.tracks, found.repairable)
    kept = ("wand", "wand_used", "left_out", "findings", "captured_at", "parent_sha256")
    for name in (*kept, "lasting_share", "alignment", "provenance"):
        assert getattr(mended, name) == getattr(was, name)
    assert mended.verification is None  # the lengths were tested with the rig as it was
    for before, after in zip(was.cameras, mended.cameras, strict=True):
        assert after.time_offset_frames == before.time_offset_frames
        assert after.time_offset_sigma_frames == before.time_offset_sigma_frames
    assert not out_of_time(mended, wave)
    # Once in two hundred rechecks chance names a camera, by less than matters.
    assert not [c.name for c in recheck(mended, wave).cameras if c.needs_a_hand and c.matters]
