"""What the cameras of a capture saw so far, as sums that do not grow with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import SENSOR_CELLS, sensor_cell
from calib.core.frames import Ints, group_starts
from calib.core.geometry import Array
from calib.core.tracks import Tracks
from calib.solve.start.graph import GRID, Overlap, shared

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Sums over all frames so far, of cameras (C) and pairs of them (C, C).

    ``points``, ``named`` and ``frames`` (C,) count points, identified ones and frames that hold
    one; ``is_hit (C, 100)`` are the cells of each sensor that identified points fell in.
    ``pair_points``, ``pair_frames`` and ``is_cell (C, C, 64)`` are what ``graph.shared`` counts,
    ``seconds`` and ``gap_s`` as in ``Overlap``, ``latest_s (C,)`` the last second in which a camera
    saw the wand, ``latest (C,)`` the last frame with any point, -1 where there was none.
    """

    names: tuple[str, ...]
    rate_hz: float
    first_frame: int | None
    last_frame: int | None
    points: Ints
    named: Ints
    frames: Ints
    is_hit: Bools
    pair_points: Ints
    pair_frames: Ints
    is_cell: Bools
    seconds: Ints
    gap_s: Array
    latest_s: Array
    latest: Array

    @classmethod
    def none(cls, names: tuple[str, ...], rate_hz: float) -> Counts:
        """Return the counts before the first frame."""
        n = len(names)
        each, pairs = np.zeros(n, np.int64), np.zeros((n, n), np.int64)
        return cls(
            names,
            rate_hz,
            None,
            None,
            each,
            each,
            each,
            np.zeros((n, SENSOR_CELLS), bool),
            pairs,
            pairs,
            np.zeros((n, n, GRID * GRID), bool),
            pairs,
            np.full((n, n), np.inf),
            np.full(n, -np.inf),
            np.full(n, -np.inf),
        )

    @property
    def duration_s(self) -> float:
        """The time from the first frame to the last in s."""
        if self.first_frame is None or self.last_frame is None:
            return 0.0
        return (self.last_frame - self.first_frame + 1) / self.rate_hz

    @property
    def coverage(self) -> Array:
        """The share (C,) of each sensor that identified points cover."""
        return np.asarray(self.is_hit.mean(axis=1))

    @property
    def overlap(self) -> Overlap:
        """What each two cameras have in common."""
        cells = self.is_cell.sum(axis=2)
        return Overlap(
            self.names, self.pair_points, self.pair_frames, cells, self.seconds, self.gap_s
        )

    def added(self, tracks: Tracks) -> Counts:
        """Return the counts with further frames of the same cameras, all later than those
        before.
        """
        if tracks.span is None:
            return self
        first, last = tracks.span
        named = [c.frame[c.marker >= 0] for c in tracks.cameras]
        is_hit = self.is_hit.copy()
        for hit, c in zip(is_hit, tracks.cameras, strict=True):
            hit[sensor_cell(c.xy_px[c.marker >= 0], c.width, c.height)] = True
        points, frames, is_cell = shared(tracks)
        seconds, gap_s, latest_s = self._in_time(named)
        return replace(
            self,
            first_frame=first if self.first_frame is None else min(first, self.first_frame),
            last_frame=last if self.last_frame is None else max(last, self.last_frame),
            points=self.points + np.array([c.n_points for c in tracks.cameras]),
            named=self.named + np.array([len(f) for f in named]),
            frames=self.frames + np.array([len(group_starts(f)) for f in named]),
            is_hit=is_hit,
            pair_points=self.pair_points + points,
            pair_frames=self.pair_frames + frames,
            is_cell=self.is_cell | is_cell,
            seconds=seconds,
            gap_s=gap_s,
            latest_s=latest_s,
            latest=np.maximum(
                self.latest, [c.frame[-1] if c.n_points else -np.inf for c in tracks.cameras]
            ),
        )

    def _in_time(self, named: list[Ints]) -> tuple[Ints, Array, Array]:
        """Return ``seconds``, ``gap_s`` and ``latest_s`` with the frames of identified points
        added.
        """
        seconds, gap, latest = self.seconds.copy(), self.gap_s.copy(), self.latest_s.copy()
        own = [np.unique(np.floor(f / self.rate_hz)) for f in named]
        for second in np.unique(np.concatenate(own)):
            sees = np.array([second in s for s in own])
            is_new = sees & (latest < second)  # a second may come in two parts
            latest[sees] = second
            seconds += np.outer(sees, sees) & (is_new[:, None] | is_new)
            away = np.where(np.isfinite(latest), second - latest, np.inf)
            gap[sees] = np.minimum(gap[sees], away)
            gap[:, sees] = np.minimum(gap[:, sees], away[:, None])
        return seconds, gap, latest
