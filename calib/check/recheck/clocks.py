"""Cameras whose clock or recorder is off in a new wave: the wave's own fit says so, wherever they
stand now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calib.check.causes import Cause, find_causes
from calib.check.causes.levels import USUAL_STRAY, middle_stray
from calib.check.recheck.outcome import CameraChange
from calib.check.verdicts import Fault, Standing
from calib.check.whole.left_out import left_out
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.solve.calibrate import bare_rig
from calib.solve.fit import Fit
from calib.solve.hold import as_held

OF_CLOCK = frozenset({Fault.JITTER, Fault.DRIFT, Fault.LOST, Fault.REPEATED})
OF_SCATTER = frozenset({Fault.VIBRATION, Fault.SWAYS, Fault.STRAY})
BENDING = frozenset({Fault.DRIFT, Fault.LOST})  # those that pull a camera to another place
ODD = frozenset({Standing.MOVING, Standing.NOISY})
ELSEWHERE = frozenset({Standing.MOVED, Standing.LENS})
ODD_NOISE = 1.2  # times its own: where it stands now a sound camera is no noisier


def with_clocks(
    cameras: Sequence[CameraChange], rig: Rig, tracks: Tracks, fit: Fit
) -> list[CameraChange]:
    """Return the cameras, those whose points follow a fault of their clock or recorder with that as
    their verdict: a clock that drifts looks like a mount that gave way, uneven times like a lens
    out of focus, and frames that are sent twice are left out without a trace.

    Causes are looked for, which takes as long as a residual table, where a camera shows one of
    these.
    """
    odd = {c.name for c in cameras if c.verdict in ODD or c.noise_ratio > ODD_NOISE}
    held = as_held(fit)
    lost = left_out(held).by_camera
    # Beside many stray points of all a share of frames sent twice is not twice the others'.
    usual = middle_stray(lost) + 0.5 * USUAL_STRAY
    odd |= {name for name, share in zip(tracks.names, lost, strict=True) if share > usual}
    if not odd:
        return list(cameras)
    stats = [c.stats for c in bare_rig(tracks, rig.wand, fit).cameras if c.stats]
    causes = dict(zip(tracks.names, find_causes(held, tracks, stats, rig), strict=True))
    return [_with_cause(c, causes.get(c.name, ())) for c in cameras]


def _with_cause(c: CameraChange, causes: Sequence[Cause]) -> CameraChange:
    for cause in causes:
        # What scatters points by more than these moved may have moved them.
        may_bend = cause.cause in BENDING or cause.size_px > c.shift_px
        may_be = {*ODD, Standing.UNMOVED, Standing.UNDECIDED, *(ELSEWHERE if may_bend else ())}
        if cause.cause in OF_CLOCK and c.verdict in may_be:
            return replace(c, verdict=Standing.TIMING, cause=cause, is_late=False, matters=True)
    if c.verdict == Standing.NOISY and causes and causes[0].cause in OF_SCATTER:
        return replace(c, cause=causes[0])
    return c
