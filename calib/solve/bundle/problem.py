"""The bundle's data: observations laid out for fast evaluation, and the state that explains them.

A *pair* is one camera's view of the wand in one frame. Pairs are the fastest axis of every array,
markers the next: ``uv_px (2, M, P)``. They are sorted by frame, then camera; frames are cut into
chunks, which threads share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import compiled
from calib.core.frames import common_frames
from calib.core.geometry import Array, rotation_from_vector
from calib.core.parameters import with_term_steps
from calib.core.tracks import Tracks

Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """What the bundle solves for: cameras (C), lenses, wand poses (F) and the wand's shape (M).

    ``cam_R (C, 3, 3)``, ``cam_t (C, 3)`` are cam_from_world in mm, ``lens (C, 12)`` as
    ``Lens.vector``, ``wand_R (F, 3, 3)``, ``wand_t (F, 3)`` are world_from_wand, ``shape_mm (M,
    3)`` markers in the wand's frame.
    """

    cam_R: Array
    cam_t: Array
    lens: Array
    wand_R: Array
    wand_t: Array
    shape_mm: Array

    @property
    def position_mm(self) -> Array:
        """The cameras' positions (C, 3) in the world."""
        return np.asarray(-(self.cam_t[:, None, :] @ self.cam_R)[:, 0])

    @property
    def markers_mm(self) -> Array:
        """Where the wands have their markers (F, M, 3) in the world."""
        return np.asarray(self.shape_mm @ np.swapaxes(self.wand_R, 1, 2) + self.wand_t[:, None])

    def depth_mm(self, cam: Index, frame: Index) -> Array:
        """Return how far before cameras (n,) the wands' middles are in frames (n,)."""
        along = (self.cam_R[cam, 2] * self.wand_t[frame]).sum(axis=1)
        return np.asarray(along + self.cam_t[cam, 2])

    def of_frames(self, frames: Index | slice) -> State:
        """Return the cameras with the wands of some frames alone."""
        return replace(self, wand_R=self.wand_R[frames], wand_t=self.wand_t[frames])

    def of_cameras(self, cameras: Sequence[int]) -> State:
        """Return some cameras alone, with all wands."""
        at = list(cameras)
        return replace(self, cam_R=self.cam_R[at], cam_t=self.cam_t[at], lens=self.lens[at])

    def moved(
        self,
        camera_step: Array,
        frame_step: Array,
        names: tuple[str, ...],
        shape_step: Array | None = None,
    ) -> State:
        """Return the state after a step: camera twists and lens terms (C, 6 + L), wand twists (F,
        3, 5 or 6).

        ``shape_step`` (M n_axes,) moves the markers along their first n_axes axes.
        Cameras turn and shift in their own frame, ``x_cam <- exp(w) x_cam + t``; wands in theirs,
        ``R <- R exp(w), t <- t + R s``. Of a line wand only the turns about y and z exist.
        """
        turn = rotation_from_vector(camera_step[:, :3])
        cam_t = (turn @ self.cam_t[:, :, None])[..., 0] + camera_step[:, 3:6]
        n_rotation = frame_step.shape[1] - 3
        wand_t = self.wand_t + (self.wand_R @ frame_step[:, n_rotation:, None])[..., 0]
        wand_R = self.wand_R
        if n_rotation:
            vector = np.zeros((len(wand_R), 3))
            vector[:, 3 - n_rotation :] = frame_step[:, :n_rotation]
            wand_R = wand_R @ rotation_from_vector(vector)
        lens = with_term_steps(self.lens, names, camera_step[:, 6:])
        shape = self.shape_mm
        if shape_step is not None and shape_step.size:
            step = shape_step.reshape(len(shape), -1)
            shape = shape + np.pad(step, ((0, 0), (0, 3 - step.shape[1])))
        return State(turn @ self.cam_R, cam_t, lens, wand_R, wand_t, shape)


CHUNK_FRAMES = 200  # the elimination's products are at full speed from some hundred rows on


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """A run of frames, the run of their pairs, and the cameras (n_seen,) that see any of them."""

    frames: slice
    pairs: slice
    cameras: Index


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Observations of ``n_cameras`` in ``n_frames``, in chunks.

    cam, frame (P,) index cameras and frames; frames come in order, ``starts (F + 1,)`` says where
    each begins. uv_px (2, M, P); weight (M, P) is 1 / sigma, 0 where a marker was not seen or is
    left out; row (M, P) is the point's row in its camera's tracks, -1 where there is none.
    ``frame_number (F,)`` count at ``rate_hz``; ``n_rotation`` are the rotational freedoms of a wand
    frame: 3, 2 for a line, 0 for a point.
    """

    n_cameras: int
    n_rotation: int
    frame_number: NDArray[np.int64]
    cam: Index
    frame: Index
    starts: Index
    uv_px: Array
    weight: Array
    row: Index
    chunks: tuple[Chunk, ...]
    rate_hz: float

    @property
    def n_frames(self) -> int:
        return len(self.frame_number)

    @property
    def n_points(self) -> int:
        return int((self.weight > 0).sum())

    def with_weight(self, weight: Array) -> Problem:
        """Return the same observations with other weights (M, P)."""
        return replace(self, weight=weight)

    def n_views(self, seen: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return how many cameras see each marker in each frame (M, F), of the points that ``seen``
        (M, P) marks.
        """
        return np.stack([np.bincount(self.frame[row], minlength=self.n_frames) for row in seen])

    def n_others(
        self, n_views: NDArray[np.int64], seen: NDArray[np.bool_], own: Index
    ) -> NDArray[np.int64]:
        """Return ``n_views`` (M, F) of the points that ``seen`` (M, P) marks less those of the one
        camera that has the pairs ``own``.
        """
        others = n_views.copy()
        others[:, self.frame[own]] -= seen[:, own]
        return others

    def pairs_by_camera(self) -> list[Index]:
        """Return the pairs of each camera, in order of frames."""
        # Small integers are sorted by counting.
        order = np.argsort(self.cam.astype(np.min_scalar_type(self.n_cameras)), kind="stable")
        return np.split(order, np.searchsorted(self.cam[order], np.arange(1, self.n_cameras)))

    def chunk(self, first: int, last: int) -> Chunk:
        """Return the frames from first to last as a chunk."""
        pairs = slice(int(self.starts[first]), int(self.starts[last]))
        seen = np.bincount(self.cam[pairs], minlength=self.n_cameras)
        return Chunk(slice(first, last), pairs, np.flatnonzero(seen))

    def parts(self, chunk: Chunk, n_frames: int) -> list[Chunk]:
        """Return a chunk in parts of so many frames, the last with what is left."""
        first, last = chunk.frames.start, chunk.frames.stop
        return [self.chunk(a, b) for a, b in pairwise([*range(first, last, n_frames), last])]

    def in_chunks(self, n_frames: int) -> Problem:
        """Return the same observations in chunks of so many frames, the last with what is left."""
        return replace(self, chunks=tuple(self.parts(self.chunk(0, self.n_frames), n_frames)))

    def part(self, first: int, last: int) -> Problem:
        """Return the frames from first to last as a problem of their own, of the same cameras."""
        pairs = slice(int(self.starts[first]), int(self.starts[last]))
        starts = self.starts[first : last + 1] - pairs.start
        return self._of_pairs(pairs, self.frame_number[first:last], starts)

    def _of_pairs(self, pairs: slice | Index, number: NDArray[np.int64], starts: Index) -> Problem:
        of_points: dict[str, Any] = {
            name: np.ascontiguousarray(getattr(self, name)[..., pairs])
            for name in ("uv_px", "weight", "row")
        }
        return replace(
            self,
            frame_number=number,
            cam=self.cam[pairs],
            starts=starts,
            chunks=(),
            frame=np.repeat(np.arange(len(number)), np.diff(starts)),
            **of_points,
        ).in_chunks(CHUNK_FRAMES)

    def of_frames(self, frames: Index) -> tuple[Problem, Index]:
        """Return ``frames``, in order, as a problem of their own, of the same cameras, and which
        pairs of this one it has.
        """
        n_pairs = np.diff(self.starts)[frames]
        starts = np.concatenate([[0], np.cumsum(n_pairs)])
        pairs = np.repeat(self.starts[frames] - starts[:-1], n_pairs) + np.arange(starts[-1])
        return self._of_pairs(pairs, self.frame_number[frames], starts), pairs

    def sum_to_frames(self, values: Array, chunk: Chunk) -> Array:
        """Return the sums (F', ...) over each frame's pairs of values (P', ...) of a chunk's
        pairs.
        """
        starts = self.starts[chunk.frames.start : chunk.frames.stop + 1] - chunk.pairs.start
        out = np.zeros((len(starts) - 1, *values.shape[1:]))
        has_pairs = np.diff(starts) > 0
        if has_pairs.any():
            out[has_pairs] = np.add.reduceat(values, starts[:-1][has_pairs], axis=0)
        return out


def arrange(
    cam: Index,
    frame: Index,
    marker: Index,
    uv_px: Array,
    weight: Array,
    row: Index,
    *,
    shape: tuple[int, int, int],
    n_rotation: int,
    frame_number: NDArray[np.int64],
    rate_hz: float = 1.0,
) -> Problem:
    """Return the Problem of a list of points (n,), with ``shape`` = (cameras, frames, markers).

    Chunks bound the memory of the elimination, whose products are at full speed from some hundred
    rows on; they hold 200 frames, or fewer where not every core would get one.
    """
    n_cameras, n_frames, n_markers = shape
    pair_of_key = np.zeros(n_frames * n_cameras, dtype=np.intp)
    key = frame * n_cameras + cam
    pair_of_key[key] = 1
    pair_key = np.flatnonzero(pair_of_key)
    pair_of_key[pair_key] = np.arange(len(pair_key))
    pair_frame, pair_cam = np.divmod(pair_key, n_cameras)
    n_pairs = len(pair_key)
    uv_all = np.zeros((2, n_markers, n_pairs))
    weight_all, row_all = (
        np.zeros((n_markers, n_pairs)),
        np.full((n_markers, n_pairs), -1, dtype=np.intp),
    )
    _place(pair_of_key[key], marker, uv_px, weight, row, uv_all, weight_all, row_all)
    starts = np.searchsorted(pair_frame, np.arange(n_frames + 1))
    problem = Problem(
        n_cameras,
        n_rotation,
        frame_number,
        pair_cam,
        pair_frame,
        starts,
        uv_all,
        weight_all,
        row_all,
        (),
        rate_hz,
    )
    return problem.in_chunks(min(max(-(-n_frames // 8), 25), CHUNK_FRAMES))


@compiled
def _place(
    pair: Any,
    marker: Any,
    uv: Array,
    weight: Array,
    row: Any,
    uv_out: Array,
    weight_out: Array,
    row_out: Any,
) -> None:
    """Write points (n,) where they belong: one pass, as the places are far apart in memory."""
    for i in range(len(pair)):
        p, m = pair[i], marker[i]
        uv_out[0, m, p], uv_out[1, m, p] = uv[i, 0], uv[i, 1]
        weight_out[m, p], row_out[m, p] = weight[i], row[i]


def problem_from_tracks(
    tracks: Tracks,
    n_markers: int,
    dimension: int,
    is_used: list[NDArray[np.bool_]] | None = None,
    sigma_px: Array | None = None,
    frames: NDArray[np.int64] | None = None,
) -> Problem:
    """Return the Problem of a capture's identified points, with the frames that fix a wand pose.

    A frame enters when two cameras or more see one of its markers: a single marker fixes no wand
    pose, but a place, and with that checks the cameras against each other. ``is_used`` leaves out
    points camera by camera, ``sigma_px`` (C,) is their noise, ``frames`` restricts the choice.
    """
    sigma = np.ones(len(tracks.cameras)) if sigma_px is None else sigma_px
    rows = [np.flatnonzero(c.marker >= 0) for c in tracks.cameras]
    if is_used is not None:
        rows = [r[used[r]] for r, used in zip(rows, is_used, strict=True)]
    both = list(zip(tracks.cameras, rows, strict=True))
    frame_number, frame_of = common_frames([c.frame[r] for c, r in both])
    cam = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
    frame, row = np.concatenate(frame_of), np.concatenate(rows)
    marker = np.concatenate([c.marker[r].astype(np.intp) for c, r in both])
    xy = np.concatenate([c.xy_px.take(r, 0) for c, r in both])
    n_views = np.bincount(frame * n_markers + marker, minlength=len(frame_number) * n_markers)
    is_good = np.asarray((n_views.reshape(-1, n_markers) >= 2).any(axis=1))
    if frames is not None:
        is_good &= np.isin(frame_number, frames)
    if not is_good.all():
        keep, new_frame = is_good[frame], np.cumsum(is_good) - 1
        cam, frame, row, marker, xy = (
            cam[keep],
            new_frame[frame[keep]],
            row[keep],
            marker[keep],
            xy[keep],
        )
    n_rotation = {0: 0, 1: 2}.get(dimension, 3)
    shape = (len(tracks.cameras), int(is_good.sum()), n_markers)
    return arrange(
        cam,
        frame,
        marker,
        xy,
        1.0 / sigma[cam],
        row,
        shape=shape,
        n_rotation=n_rotation,
        frame_number=frame_number[is_good],
        rate_hz=tracks.frame_rate_hz,
    )
