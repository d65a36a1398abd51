"""Long captures read piece by piece, in memory that does not grow with them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calib.core.fields import camera_from_fields
from calib.core.tracks import CameraTracks, Tracks, check_order
from calib.files.hdf5 import attributes, cameras_of, node, opened
from calib.files.text import PathLike
from calib.files.tracks import FORMAT, VERSION, check_marker_range

ROWS = 1 << 16  # of a camera at a time: with what is made of them 20 MB a camera


@dataclass(slots=True)
class _Reader:
    """A camera's datasets and the row at which its next piece begins."""

    name: str
    camera: dict[str, Any]
    frame: h5py.Dataset
    xy: h5py.Dataset
    marker: h5py.Dataset
    row: int = 0

    def rows(self, first: int, n: int, block: NDArray[np.int64]) -> CameraTracks:
        marker = np.asarray(self.marker[first : first + n])
        check_marker_range(self.name, marker, first)
        xy = np.asarray(self.xy[first : first + n])
        return CameraTracks(self.name, frame=block[:n], xy_px=xy, marker=marker, **self.camera)


def tracks_in_pieces(
    path: PathLike, margin_frames: int = 0, rows: int = ROWS
) -> Iterator[tuple[Tracks, int, int]]:
    """Yield a capture in runs of frames, each with the frames it goes from and ends before.

    A run holds at most ``rows`` points of a camera, and ``margin_frames`` more to either side of
    it. Raises as ``load_tracks`` does, at the piece that breaks a rule.
    """
    with opened(path, FORMAT, VERSION, is_whole=False) as (file, _):
        top = attributes(file)
        rate, captured_at = top.number("frame_rate"), top.optional(top.text, "captured_at")
        readers = [_reader(name, group) for name, group in cameras_of(file)]
        first: int | None = None
        while True:
            blocks = [np.asarray(r.frame[r.row : r.row + rows]) for r in readers]
            if not any(len(b) for b in blocks):
                break
            for r, b in zip(readers, blocks, strict=True):
                check_order(r.name, b, r.row)
            if first is None:
                first = min(int(b[0]) for b in blocks if len(b))
            ends = [
                int(b[-1]) - margin_frames
                for r, b in zip(readers, blocks, strict=True)
                if r.row + len(b) < len(r.frame)
            ]
            last = min(ends) if ends else max(int(b[-1]) for b in blocks if len(b)) + 1
            if last <= first and ends:
                rows *= 2  # one frame with more points than a piece holds
                continue
            n = [int(np.searchsorted(b, last + margin_frames)) for b in blocks]
            cameras = tuple(r.rows(r.row, k, b) for r, k, b in zip(readers, n, blocks, strict=True))
            if first < last:
                yield Tracks(cameras, rate, captured_at), first, last
            if not ends:
                break
            for r, b in zip(readers, blocks, strict=True):
                r.row += int(np.searchsorted(b, last - margin_frames))
            first = last


def _reader(name: str, group: h5py.Group) -> _Reader:
    frame = node(group, "frame", "iu", (None,))
    xy = node(group, "xy", "f", (len(frame), 2))
    marker = node(group, "marker", "iu", (len(frame),))
    return _Reader(name, camera_from_fields(attributes(group, name)), frame, xy, marker)


def frame_rate_of(path: PathLike) -> float:
    """Return the frame rate of a tracks file in Hz."""
    with opened(path, FORMAT, VERSION) as (file, _):
        return attributes(file).number("frame_rate")
