"""What to do after a recheck, as commands to type."""

from __future__ import annotations

import shlex

from calib.check.recheck.outcome import Recheck
from calib.check.verdicts import Standing
from calib.core.names import command, listed

# What hands at the camera mend, and another capture shows to be mended.
PUT_RIGHT = {Standing.MOVING, Standing.TIMING, Standing.NOISY}


def repair(found: Recheck, files: str) -> str:
    """Return by what command who moved is solved anew, empty where nobody is to be."""
    if not found.repairable and any(c.was_elsewhere for c in found.cameras):
        wave = "NEW_TRACKS" if found.is_any else shlex.split(files)[1]
        return f"To solve the rig anew: {command('solve', wave, '--wand', 'WAND', '-o', 'NEW_RIG')}"
    if not found.repairable:
        return ""
    how = "--any --repair" if found.is_any else "--repair"
    who = listed(list(found.repairable))
    return f"To solve {who} anew, the others held: calib recheck {files} {how} -o NEW_RIG"


def why_not(found: Recheck) -> str:
    """Return why a repair writes nothing where nobody is to be solved anew."""
    if found.drift:
        return "the rig as a whole changed, no camera can be held: solve the rig anew"
    if not found.has_majority:
        return "no majority of cameras to hold: solve the rig anew"
    if found.is_moving:
        return "a camera moved during this wave: wave again, or take the frames after it alone"
    if any(c.was_elsewhere for c in found.cameras):
        return "no camera is known to stand as before, to be held: solve the rig anew"
    return "no camera moved" if found.is_settled else "no camera is known to have moved"


def again(found: Recheck, files: str) -> str:
    """Return by what command who is open, or is to be put right, is judged once there is another
    capture; empty where nobody is.
    """
    verdicts = {c.verdict for c in found.cameras if not c.was_elsewhere}
    is_open = bool(verdicts & {Standing.UNDECIDED, Standing.UNSEEN})
    if not (is_open or verdicts & PUT_RIGHT) or not found.has_majority:
        return ""
    how = ["--any"] if found.is_any else []
    asked = command("recheck", shlex.split(files)[0], "NEW_TRACKS", *how)
    first = "To judge who is open, record as said" if is_open else "Once that is right, record anew"
    return f"{first}, then: {asked}"
