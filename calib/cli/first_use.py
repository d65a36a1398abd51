"""What a person at a terminal is told while loops are compiled, which happens once a machine."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable

LEAST_S = 2.0  # a loop or two that are new to an old user are done before it is read


class FirstUse:
    """Called at each loop that is compiled; says once that the command takes longer than it will
    again. ``clock`` gives the time in s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._since, self._is_said = clock, math.inf, False

    def __call__(self) -> None:
        now = self._clock()
        self._since = min(self._since, now)
        if not self._is_said and now - self._since > LEAST_S and sys.stderr.isatty():
            from calib.cli import console

            self._is_said = True
            console.note("First use here: getting ready takes a minute or two, this once.")
