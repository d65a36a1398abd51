"""Points of one camera followed from frame to frame, whatever they show.

A point goes on where its way so far leads; of two that could be the next, and of two that could go
on there, the nearest pair is taken. A wrong link does little harm: nothing is concluded from it but
how an image point moves for some tenths of a second, and that must hold in three cameras.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import compiled
from calib.core.frames import group_starts
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks

Index = NDArray[np.intp]

MOST_MISSING_S = 0.15  # a marker is lost to a camera for some frames: glare, another before it
# A new point's next one lies within this share of the image's width a second: 2 m/s some metres
# before a wide lens.
FASTEST_WIDTHS_S = 0.5
NEAR_PX = 3.0  # of where the way so far leads, and besides a part of the last step:
OF_STEP = 0.5


def linked(camera: CameraTracks, rate_hz: float) -> tuple[Index, Index]:
    """Return of each point (n,) the row of the same thing one step before and one after, -1 where
    there is none.
    """
    starts = np.append(group_starts(camera.frame), camera.n_points).astype(np.intp)
    before, after = np.full(camera.n_points, -1), np.full(camera.n_points, -1)
    if camera.n_points:
        _link(
            camera.frame[starts[:-1]],
            starts,
            np.ascontiguousarray(camera.xy_px),
            max(1, int(MOST_MISSING_S * rate_hz)),
            FASTEST_WIDTHS_S * camera.width / rate_hz,
            before,
            after,
        )
    return before, after


@compiled
def _link(
    number: Any, starts: Any, xy: Array, most: int, first_reach: float, before: Any, after: Any
) -> None:
    """Write the links; ``number`` are the frames that show points, which begin at ``starts``."""
    n = len(xy)
    step = np.full((n, 2), np.nan)  # a frame's way at each point
    open_, frame_of = np.empty(n, np.int64), np.empty(n, np.int64)
    n_open = 0
    best, off = np.full(n, -1), np.full(n, np.inf)
    for f in range(len(number)):
        first, last = starts[f], starts[f + 1]
        kept = 0
        for k in range(n_open):  # those lost for too long end
            if after[open_[k]] < 0 and number[f] - frame_of[open_[k]] <= most:
                open_[kept] = open_[k]
                kept += 1
        n_open = kept
        for i in range(first, last):
            frame_of[i] = number[f]
            for k in range(n_open):
                miss = _miss(xy, step, open_[k], i, number[f] - frame_of[open_[k]], first_reach)
                if miss < off[i]:
                    off[i], best[i] = miss, open_[k]
        for k in range(n_open):  # of those that want the same predecessor the nearest gets it
            j, nearest = -1, 1.0
            for i in range(first, last):
                if best[i] == open_[k] and off[i] < nearest:
                    j, nearest = i, off[i]
            if j >= 0:
                p = open_[k]
                gap = number[f] - frame_of[p]
                before[j], after[p] = p, j
                step[j, 0], step[j, 1] = (xy[j, 0] - xy[p, 0]) / gap, (xy[j, 1] - xy[p, 1]) / gap
        for i in range(first, last):
            open_[n_open] = i
            n_open += 1


@compiled
def _miss(xy: Array, step: Array, p: int, i: int, gap: int, first_reach: float) -> float:
    """Return how far point i lies from where p's way leads, as a share of what may be."""
    dx, dy = xy[i, 0] - xy[p, 0], xy[i, 1] - xy[p, 1]
    reach = first_reach * gap
    if not np.isnan(step[p, 0]):
        size = np.sqrt(step[p, 0] ** 2 + step[p, 1] ** 2)
        reach = NEAR_PX + OF_STEP * size * gap
        dx -= gap * step[p, 0]
        dy -= gap * step[p, 1]
    return float(np.sqrt(dx * dx + dy * dy) / reach)


def along(
    camera: CameraTracks, links: tuple[Index, Index], rows: Index, offsets: NDArray[np.int64]
) -> Array:
    """Return where the things that the points ``rows (n,)`` show are ``offsets (S,)`` frames later
    or earlier, (n, S, 2) in px: straight on between two points of a way, nan beyond its ends.
    """
    out = np.full((len(rows), len(offsets), 2), np.nan)
    _along(
        camera.frame, np.ascontiguousarray(camera.xy_px), *links, rows.astype(np.intp), offsets, out
    )
    return out


@compiled
def _along(
    frame: Any, xy: Array, before: Any, after: Any, rows: Any, offsets: Any, out: Array
) -> None:
    for k in range(len(rows)):
        for s in range(len(offsets)):
            goal = frame[rows[k]] + offsets[s]
            a = rows[k]
            while a >= 0 and frame[a] > goal:
                a = before[a]
            while a >= 0 and after[a] >= 0 and frame[after[a]] <= goal:
                a = after[a]
            if a < 0:
                continue
            if frame[a] == goal:
                out[k, s] = xy[a]
            elif after[a] >= 0:
                b = after[a]
                w = (goal - frame[a]) / (frame[b] - frame[a])
                out[k, s] = (1.0 - w) * xy[a] + w * xy[b]
