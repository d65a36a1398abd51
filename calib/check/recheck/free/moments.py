"""Moments of a capture: the points of some frames, each with its way just before and after.

What is still or slow shows the same in frame after frame, error of the lens model and all; so
frames are taken that lie apart, and their neighbours say only how things move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.check.recheck.free.links import along, linked
from calib.core.camera import Lens, undistort
from calib.core.geometry import Array
from calib.core.tracks import Tracks

Index = NDArray[np.intp]

NEAR_S, AWAY_S = 0.15, 0.3  # how much earlier and later each point's way is looked at
NOW = 2  # among the five times
LEAST_SEEN = 3  # of these: what shows for less is no marker or tells nothing
# Moments lie this far apart, or farther where so many points would be too many; but for a long
# capture so many moments there are.
APART_S, MOST_POINTS, MOMENTS = 0.1, 150_000, (100, 300)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """The points (n) of some moments, sorted by moment: ``cam``, ``row`` in the camera's tracks,
    ``moment`` (n,), which begin at ``starts (m + 1,)``; ``number (m,)`` are their frames.

    ``uv_px (n, S, 2)`` is each point's way, nan where it does not show, ``plane (n, S, 2)`` the
    same undistorted; ``offsets (S,)`` are in frames.
    """

    names: tuple[str, ...]
    number: NDArray[np.int64]
    offsets: NDArray[np.int64]
    cam: Index
    row: Index
    moment: Index
    starts: Index
    uv_px: Array
    plane: Array

    @property
    def rate(self) -> Array:
        """How far each point moves a frame (n, 2), in px; 0 where its way does not tell."""
        return self.rate_of(self.uv_px)

    def rate_of(self, uv_px: Array) -> Array:
        """Return the same of image points (k, S, 2) at these moments."""
        span = self.offsets[NOW + 1] - self.offsets[NOW - 1]
        rate = (uv_px[:, NOW + 1] - uv_px[:, NOW - 1]) / span
        return np.asarray(np.where(np.isfinite(rate), rate, 0.0))

    def frames(self, seconds: float) -> float:
        """Return how many frames some seconds are."""
        return float(seconds / AWAY_S * self.offsets[-1])

    def earlier(self, frames: Array, lens: Sequence[Lens]) -> Moments:
        """Return the points where they were ``frames (C,)`` before, by how they move."""
        uv = self.uv_px - (frames[self.cam, None] * self.rate)[:, None]
        return replace(self, uv_px=uv, plane=_plane(lens, self.cam, uv))


def moments_of(tracks: Tracks, lens: Sequence[Lens]) -> Moments:
    """Return moments of a capture, evenly spread, given each camera's lens (C)."""
    rate = tracks.frame_rate_hz
    frames = np.unique(np.concatenate([c.frame for c in tracks.cameras]))
    n = _how_many(tracks, frames) if len(frames) else 0
    number = np.unique(frames[(np.arange(n) * len(frames)) // n]) if n else frames
    near = max(1, round(NEAR_S * rate))
    away = max(near + 1, round(AWAY_S * rate))
    offsets = np.array([-away, -near, 0, near, away])
    cam, row, uv = [], [], []
    for c, camera in enumerate(tracks.cameras):
        rows = np.flatnonzero(np.isin(camera.frame, number) & ~camera.is_masked)
        way = along(camera, linked(camera, rate), rows, offsets)
        kept = np.isfinite(way[..., 0]).sum(axis=1) >= LEAST_SEEN
        cam.append(np.full(kept.sum(), c))
        row.append(rows[kept])
        uv.append(way[kept])
    cams, rows, ways = np.concatenate(cam), np.concatenate(row), np.concatenate(uv)
    frame = np.concatenate([c.frame[r] for c, r in zip(tracks.cameras, row, strict=True)])
    moment = np.searchsorted(number, frame)
    order = np.argsort(moment, kind="stable")
    starts = np.searchsorted(moment[order], np.arange(len(number) + 1)).astype(np.intp)
    cams, ways = cams[order], ways[order]
    return Moments(
        tracks.names,
        number,
        offsets,
        cams,
        rows[order],
        moment[order],
        starts,
        ways,
        _plane(lens, cams, ways),
    )


def _how_many(tracks: Tracks, frames: NDArray[np.int64]) -> int:
    a_frame = sum(c.n_points for c in tracks.cameras) / len(frames)
    most = int(np.clip(MOST_POINTS / a_frame, *MOMENTS))
    return int(np.clip(np.ptp(frames) / tracks.frame_rate_hz / APART_S, 1, most))


def _plane(lens: Sequence[Lens], cam: Index, uv_px: Array) -> Array:
    out = np.full_like(uv_px, np.nan)
    for c, of_camera in enumerate(lens):
        at = cam == c
        out[at] = undistort(of_camera, uv_px[at])
    return out
