"""What a hand does with a wand, whatever the cameras' rate (common practice, no source)."""

from __future__ import annotations

import numpy as np

from calib.core.frames import Ints
from calib.core.geometry import Array

SPEED_MM_S, TURN_RAD_S = 4000.0, 8.0  # at most
ACCELERATION_MM_S2, SPIN_RAD_S2 = 25000.0, 60.0
STEP_S = 0.04  # over a few of these its way is a parabola or a cubic; twice as long it no longer is


def frames_a_step(rate_hz: float) -> float:
    """Return how many frames a step lasts: ``STEP_S``, or one frame where those are farther
    apart.
    """
    return max(1.0, STEP_S * rate_hz)


def in_steps(frame: Ints, rate_hz: float) -> Array:
    """Return the times (n,) of frames in steps.

    >>> in_steps(np.array([0, 5, 10]), 100.0)
    array([0.  , 1.25, 2.5 ])
    """
    return np.asarray(frame / frames_a_step(rate_hz))
