"""A rig that stands, rechecked while its wand is waved, or while any markers move: the last seconds
against the rig.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from calib.check.recheck.free.run import recheck_any
from calib.check.recheck.judge import RecheckOptions
from calib.check.recheck.outcome import Recheck
from calib.check.recheck.run import recheck
from calib.core.rig import Rig
from calib.core.tracks import Tracks, joined
from calib.errors import UnsolvableError

WINDOW_S, LEAST_S = 20.0, 5.0  # as long as the short wave of a recheck, where the frames are not
WINDOW_FRAMES = 1000  # too many: a recheck of 24 cameras then takes some seconds
ANY_S = 30.0  # of any markers: moments lie apart in time, more frames a second cost little
EVERY_S = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Checking:
    """A recheck to be done."""

    rig: Rig
    tracks: Tracks
    options: RecheckOptions
    is_any: bool

    def run(self) -> Recheck | UnsolvableError:
        """Return what the recheck finds, or why the frames allow none."""
        ask = recheck_any if self.is_any else recheck
        try:
            return ask(self.rig, self.tracks, self.options)
        except UnsolvableError as error:
            return error


@dataclass(frozen=True, slots=True, eq=False)
class RigWatch:
    """A rig and the last seconds of a capture before it: of its wand, or where ``is_any`` of
    whatever markers are in view. ``found`` is the last recheck, ``trouble`` why the last one could
    not be done, ``at_s`` and ``done_s`` the time of the capture and that of the last recheck.
    """

    rig: Rig
    options: RecheckOptions
    is_any: bool = False
    window: Tracks | None = None
    found: Recheck | None = None
    trouble: UnsolvableError | None = None
    first_frame: int | None = None
    at_s: float = 0.0
    done_s: float = 0.0
    is_checking: bool = False
    ending: ClassVar[None] = None  # who watches says when it is enough

    def added(self, tracks: Tracks) -> RigWatch:
        """Return it with further frames, those before the window forgotten."""
        if tracks.span is None:
            return self
        start, last = tracks.span
        window = tracks if self.window is None else joined((self.window, tracks))
        rate = tracks.frame_rate_hz
        kept_s = ANY_S if self.is_any else float(np.clip(WINDOW_FRAMES / rate, LEAST_S, WINDOW_S))
        first = start if self.first_frame is None else self.first_frame
        return replace(
            self,
            window=window.between(last + 1 - kept_s * rate, np.inf),
            first_frame=first,
            at_s=(last + 1 - first) / rate,
        )

    @property
    def could_solve(self) -> bool:
        """Whether there is something that no recheck has seen."""
        return not self.is_checking and self.window is not None and self.done_s < self.at_s

    @property
    def wants_solve(self) -> bool:
        """Whether enough is new for a recheck."""
        return not self.is_checking and self.at_s - self.done_s >= EVERY_S

    def began(self) -> tuple[RigWatch, Checking]:
        """Return it with a recheck under way, and the recheck to run."""
        assert self.window is not None
        out = replace(self, is_checking=True, done_s=self.at_s)
        return out, Checking(self.rig, self.window, self.options, self.is_any)

    def ended(self, found: Recheck | UnsolvableError) -> RigWatch:
        """Return it with what a recheck came to."""
        if isinstance(found, UnsolvableError):
            return replace(self, is_checking=False, trouble=found)
        return replace(self, is_checking=False, trouble=None, found=found)

    def solved_now(self) -> RigWatch:
        """Return it after a recheck, done at once."""
        out, checking = self.began()
        return out.ended(checking.run())
