"""Frames of a capture kept for a solve: all of a short one, evenly fewer of a long one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.core.frames import Ints
from calib.core.tracks import Tracks, joined


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """Every ``step``-th frame number of a capture, doubled whenever more than ``most`` frames with
    identified points would be held: between half as many and as many of a long one.
    """

    most: int
    step: int = 1
    parts: tuple[Tracks, ...] = ()
    n_frames: int = 0

    def added(self, tracks: Tracks) -> Kept:
        """Return what is kept with further frames of the same cameras, all later."""
        part = _every(tracks, self.step)
        out = replace(
            self, parts=(*self.parts, part), n_frames=self.n_frames + len(named_frames(part))
        )
        while out.n_frames > self.most:
            step = 2 * out.step
            part = _every(joined(out.parts), step)
            out = replace(out, step=step, parts=(part,), n_frames=len(named_frames(part)))
        return out

    @property
    def tracks(self) -> Tracks:
        """The frames kept, as one capture at the rate at which they were kept: what a solve looks
        for over time would take memory with the frames between.
        """
        found = joined(self.parts)
        if self.step == 1:
            return found
        cameras = tuple(replace(c, frame=c.frame // self.step) for c in found.cameras)
        return replace(found, cameras=cameras, frame_rate_hz=found.frame_rate_hz / self.step)


def named_frames(tracks: Tracks) -> Ints:
    """Return the numbers of frames with identified points."""
    return np.unique(np.concatenate([c.frame[c.marker >= 0] for c in tracks.cameras]))


def _every(tracks: Tracks, step: int) -> Tracks:
    if step == 1:
        return tracks
    return replace(tracks, cameras=tuple(c.rows(c.frame % step == 0) for c in tracks.cameras))
