"""Points in space written piece by piece (layout: ``calib.files``)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import h5py
from numpy.typing import NDArray

CHUNK = 1 << 14  # rows
COLUMNS: tuple[tuple[str, str, tuple[int, ...]], ...] = (
    ("frame", "i8", ()), ("marker", "i2", ()), ("xyz", "f8", (3,)), ("covariance", "f4", (6,)),
    ("rms_px", "f4", ()), ("cameras", "i2", ()),
)  # fmt: skip


def write_points(
    path: Path, pieces: Iterable[Mapping[str, NDArray[Any]]], **attributes: Any
) -> None:
    """Write a points file, each piece an array for every column."""
    # Locked by ``outputs`` already.
    with h5py.File(path, "w", libver=("earliest", "v108"), locking=False) as file:
        file.attrs.update(format="calib.points", version=1, unit="mm", **attributes)
        for name, dtype, shape in COLUMNS:
            file.create_dataset(
                name, (0, *shape), dtype, maxshape=(None, *shape), chunks=(CHUNK, *shape),
                track_times=False,
            )  # fmt: skip
        for piece in pieces:
            for name, values in piece.items():
                node = file[name]
                n = len(node)
                node.resize(n + len(values), axis=0)
                node[n:] = values


def write_lines(path: Path, header: str, pieces: Iterable[bytes]) -> None:
    """Write a text file of a header and lines that come in pieces."""
    with path.open("wb") as stream:
        stream.write(header.encode())
        stream.writelines(pieces)
