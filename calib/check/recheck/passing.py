"""Moves that rest on what passes: of a camera that saw the wave for some seconds, one error that
lasts is a good part of all that it says.

A fit follows it, and scatter tells what is usual of many such errors, not of the one that there is.
So who seems to have moved must seem so still without any two seconds of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.causes.last_seen import LEAST_PX
from calib.check.recheck.clocks import ELSEWHERE
from calib.check.recheck.compare import compare, likeliest
from calib.check.recheck.outcome import CameraChange
from calib.check.verdicts import Standing
from calib.core.parameters import N_CHANGE
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.solve.bundle.frames import fit_frames
from calib.solve.bundle.problem import State
from calib.solve.fit import Fit
from calib.solve.lasting.scatter import together
from calib.solve.repair import Reduced, reduced, shape_axes

# How long an error lasts at most (assumed), and who sees the wave for so long that one is little.
PASSES_S, LONG_S = 2.0, 6.0


def information(rig: Rig, tracks: Tracks, fit: Fit, cameras: State) -> Reduced:
    """Return what a fit's points say with its cameras elsewhere, errors that last counted."""
    state = fit_frames(fit.problem, cameras)
    now = reduced(fit.problem, state, tracks.names, fit.options.terms, shape_axes(rig))
    return now.with_scatter(together(fit.problem, state, now.terms, now.blocks, fit.scatter))


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
        k: rests
        for k, c in enumerate(cameras)
        if c.verdict in ELSEWHERE and c.shift_px < LEAST_PX and (rests := _rests(fit, k))
    }
    if not asked:
        return cameras
    state, out = likeliest(information(rig, tracks, fit, fit.result.state), rig, stood), [*cameras]
    for k, rests in asked.items():
        if any(_p_value(rig, tracks, one, state, stood, k) >= alpha for one in rests):
            out[k] = replace(
                cameras[k], verdict=Standing.UNDECIDED, may_have_moved=True, matters=False
            )
    return out


def _rests(fit: Fit, camera: int) -> list[Fit]:
    """Return the fit without each two seconds of what a camera saw, none where it saw much."""
    problem = fit.problem
    own = np.flatnonzero((problem.cam == camera) & (problem.weight > 0).any(axis=0))
    step = 0.5 * PASSES_S * problem.rate_hz
    second = np.floor(problem.frame_number[problem.frame[own]] / step)
    if len(np.unique(second)) * step > LONG_S * problem.rate_hz:
        return []
    out = []
    for first in np.unique(second):
        weight = problem.weight.copy()
        weight[:, own[(second == first) | (second == first + 1)]] = 0.0
        out.append(replace(fit, problem=problem.with_weight(weight)))
    return out


def _p_value(
    rig: Rig, tracks: Tracks, fit: Fit, state: State, stood: NDArray[np.bool_], camera: int
) -> float:
    """Return the chance of a camera's change as ``judge`` does, by a part of the points."""
    found = compare(information(rig, tracks, fit, state), rig, stood)
    others = np.flatnonzero(~stood)
    others = others[others != camera]
    own = found.information.left(found.at(np.array([camera])), found.at(others))
    return min(1.0, len(stood) * float(special.chdtrc(N_CHANGE, own.gain())))
