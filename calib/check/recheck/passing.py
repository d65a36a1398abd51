"""Moves that rest on what passes: of a camera that saw the wave for some seconds, one error that
lasts is a good part of all that it says.

A fit follows it, and scatter tells what is usual of many such errors, not of the one that there is.
So who seems to have moved must seem so still without any two seconds of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.check.causes.last_seen import LEAST_PX
from calib.check.recheck.clocks import ELSEWHERE
from calib.check.recheck.compare import compare, information, likeliest
from calib.check.recheck.explain import chance_of, information_of
from calib.check.recheck.outcome import CameraChange
from calib.check.verdicts import Standing
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.solve.bundle.problem import Index
from calib.solve.fit import Fit

# How long an error lasts at most (assumed), and who sees the wave for so long that one is little.
PASSES_S, LONG_S = 2.0, 6.0


def with_passing(
    cameras: list[CameraChange],
    rig: Rig,
    tracks: Tracks,
    fit: Fit,
    stood: NDArray[np.bool_],
    alpha: float,
) -> list[CameraChange]:
    """Return the cameras, undecided those whose move any two seconds of a short view make; who
    agrees is ``stood (C,)``, and ``alpha`` the chance that any camera is named. A move beyond what
    such errors reach is none of theirs.
    """
    asked = {
        k: windows
        for k, c in enumerate(cameras)
        if c.verdict in ELSEWHERE and c.shift_px < LEAST_PX and (windows := _windows(fit, k))
    }
    if not asked:
        return cameras
    state, out = likeliest(information(rig, tracks, fit, fit.result.state), rig, stood), [*cameras]

    def chance(k: int, window: Index) -> float:
        """Return that of camera k's change without the points of some pairs."""
        weight = fit.problem.weight.copy()
        weight[:, window] = 0.0
        rest = replace(fit, problem=fit.problem.with_weight(weight))
        found = compare(information(rig, tracks, rest, state), rig, stood)
        others = np.flatnonzero(~stood)
        own = information_of(found, k, others[others != k])
        return chance_of(own.gain(), len(stood))

    for k, windows in asked.items():
        if any(chance(k, window) >= alpha for window in windows):
            out[k] = replace(
                cameras[k], verdict=Standing.UNDECIDED, may_have_moved=True, matters=False
            )
    return out


def _windows(fit: Fit, camera: int) -> list[Index]:
    """Return the pairs of each two seconds of what a camera saw, none where it saw much."""
    problem = fit.problem
    own = np.flatnonzero((problem.cam == camera) & (problem.weight > 0).any(axis=0))
    step = 0.5 * PASSES_S * problem.rate_hz
    second = np.floor(problem.frame_number[problem.frame[own]] / step)
    if len(np.unique(second)) * step > LONG_S * problem.rate_hz:
        return []
    return [own[(second == first) | (second == first + 1)] for first in np.unique(second)]
