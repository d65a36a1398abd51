"""The solve that a watch asks for, to be done beside it or in between."""

from __future__ import annotations

from dataclasses import dataclass

from calib.check.inspect import inspect
from calib.check.verdicts import Verdict
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import UnsolvableError
from calib.pipeline import misread
from calib.solve.start.lenses import is_lens_free
from calib.watch.calls import is_late
from calib.watch.records import Call
from calib.watch.rough import Rough, solve_roughly


@dataclass(frozen=True, slots=True, eq=False)
class Solving:
    """A solve to be done: frames kept, and where an earlier one left the cameras."""

    tracks: Tracks
    wand: Wand
    step: int
    before: Rough | None

    def run(self) -> Solved:
        """Return what the solve came to; the frames that do not determine the rig are no error."""
        try:
            # Without the wand, which would have pairs of cameras solved once more.
            found = inspect(self.tracks)
            rough = solve_roughly(self.tracks, self.wand, self.step, self.before)
        except UnsolvableError as error:
            free = is_lens_free(self.tracks, "auto")
            return Solved(None, str(misread(self.tracks, self.wand, free) or error))
        against = [str(f.kind) for f in found.findings if f.severity == Verdict.ACT]
        late = zip(rough.late_frames.tolist(), rough.late_sigma_frames.tolist(), strict=True)
        against += [str(Call.LATE)] if any(is_late(*pair) for pair in late) else []
        return Solved(rough, against=tuple(against))


@dataclass(frozen=True, slots=True)
class Solved:
    """What a solve came to: a rough rig, or why none; ``against`` are what an inspection of its
    frames finds to act on, and cameras out of step.
    """

    rough: Rough | None
    trouble: str = ""
    against: tuple[str, ...] = ()
