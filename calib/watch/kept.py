"""Frames of a capture kept for a solve: all of a short one, evenly fewer of a long one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.core.tracks import Ints, Tracks


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
            part = _every(out.tracks, step)
            out = replace(out, step=step, parts=(part,), n_frames=len(named_frames(part)))
        return out

    @property
    def tracks(self) -> Tracks:
        """The frames kept, as one capture."""
        return joined(self.parts)


def joined(parts: Sequence[Tracks]) -> Tracks:
    """Return parts of one capture that follow one another as one."""
    if len(parts) == 1:
        return parts[0]
    cameras = []
    for same in zip(*(p.cameras for p in parts), strict=True):
        radius = [c.radius_px for c in same if c.radius_px is not None]
        cameras.append(
            replace(
                same[0],
                frame=np.concatenate([c.frame for c in same]),
                xy_px=np.concatenate([c.xy_px for c in same]),
                marker=np.concatenate([c.marker for c in same]),
                radius_px=np.concatenate(radius) if len(radius) == len(same) else None,
            )
        )
    return replace(parts[0], cameras=tuple(cameras))


def named_frames(tracks: Tracks) -> Ints:
    """Return the numbers of frames with identified points."""
    return np.unique(np.concatenate([c.frame[c.marker >= 0] for c in tracks.cameras]))


def between(tracks: Tracks, first: float, end: float) -> Tracks:
    """Return the points of frames from ``first`` to before ``end``."""
    cameras = []
    for c in tracks.cameras:
        a, b = np.searchsorted(c.frame, [first, end])
        cameras.append(c.rows(np.arange(a, b)))
    return replace(tracks, cameras=tuple(cameras))


def _every(tracks: Tracks, step: int) -> Tracks:
    if step == 1:
        return tracks
    return replace(tracks, cameras=tuple(c.rows(c.frame % step == 0) for c in tracks.cameras))
