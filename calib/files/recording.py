"""Tracks files that grow while others read them: HDF5's single writer and many readers (SWMR)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py

from calib.core.tracks import Tracks
from calib.errors import OutputError
from calib.files.text import PathLike
from calib.files.tracks import FORMAT, VERSION, point_columns, write_camera
from calib.outputs import check_output

ROWS = 4096  # a dataset grows by so many at a time on the disk


@contextmanager
def recording(
    path: PathLike, tracks: Tracks, overwrite: bool = False
) -> Iterator[Callable[[Tracks], None]]:
    """Yield a function that appends frames to a tracks file which others may follow meanwhile.

    ``tracks`` says of which cameras; its points are not written. The file is there from the start
    and is whole as far as it goes. Raises OutputError where it cannot be written.
    """
    check_output(path, overwrite)
    try:
        with h5py.File(path, "w", libver="latest") as file:
            file.attrs.update(format=FORMAT, version=VERSION, frame_rate=tracks.frame_rate_hz)
            cameras = file.create_group("cameras", track_order=True)
            for c in tracks.cameras:
                group = cameras.create_group(c.name)
                write_camera(group, c)
                for key, like in point_columns(c).items():
                    shape = like.shape[1:]
                    group.create_dataset(
                        key, (0, *shape), like.dtype, maxshape=(None, *shape), chunks=(ROWS, *shape)
                    )
            file.swmr_mode = True
            yield lambda part: _append(cameras, part)
    except OSError as error:
        raise OutputError(
            str(Path(path)), expected="a file that can be written", found=str(error)
        ) from None


def _append(cameras: h5py.Group, part: Tracks) -> None:
    for c in part.cameras:
        group, n = cameras[c.name], c.n_points
        # The frames last: whoever sees a frame finds the rest of it.
        for key, values in reversed(point_columns(c).items()):
            if n:
                rows = group[key]
                rows.resize(len(rows) + n, axis=0)
                rows[-n:] = values
                rows.flush()
