"""Points files read and written (layout: ``calib.files``): HDF5, or comma-separated values."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from itertools import chain, islice
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calib import guard
from calib.core.layout import POINT_TABLE, POINTS_FILE
from calib.core.points import UPPER, Points
from calib.errors import InputError
from calib.files.hdf5 import attributes, dataset, opened, optional, write_optional
from calib.files.text import ROW_BYTES, PathLike, inside, lines
from calib.outputs import written

FORMAT, VERSION = "calib.points", 1
TABLE = "a points file (HDF5 or CSV)"
CHUNK = 1 << 14  # rows
COLUMNS: dict[str, tuple[str, Callable[[Points], NDArray[Any]]]] = {
    "frame": ("i8", lambda p: p.frame),
    "marker": ("i2", lambda p: p.marker),
    "xyz": ("f8", lambda p: p.points_mm),
    "covariance": ("f4", lambda p: p.covariance_mm2[:, UPPER[0], UPPER[1]]),
    "rms_px": ("f4", lambda p: p.rms_px),
    "rms_mm": ("f4", lambda p: p.rms_mm),
    "cameras": ("i2", lambda p: p.n_cameras),
}
SHAPES = {"xyz": (3,), "covariance": (6,)}  # of a row; of the others one number


def write_points(path: Path, pieces: Iterable[Points], **attributes: Any) -> None:
    """Write a points file piece by piece; ``attributes`` as they become known to the caller."""
    n_open = 0
    # Locked by ``outputs`` already.
    with h5py.File(path, "w", libver=("earliest", "v108"), locking=False) as file:
        file.attrs.update(format=FORMAT, version=VERSION, unit="mm")
        write_optional(file, **attributes)
        for name, (dtype, _) in COLUMNS.items():
            shape = SHAPES.get(name, ())
            file.create_dataset(
                name,
                (0, *shape),
                dtype,
                maxshape=(None, *shape),
                chunks=(CHUNK, *shape),
                track_times=False,
            )
        for piece in pieces:
            n_open += piece.n_open
            for name, (_, values) in COLUMNS.items():
                node = file[name]
                n = len(node)
                node.resize(n + len(piece.frame), axis=0)
                node[n:] = values(piece)
        file.attrs["n_open"] = n_open


def write_lines(path: Path, header: str, pieces: Iterable[bytes]) -> None:
    """Write a text file of a header and lines that come in pieces."""
    with path.open("wb") as stream:
        stream.write(header.encode())
        stream.writelines(pieces)


def save_points(points: Points, path: PathLike, overwrite: bool = False) -> None:
    """Write a points file (HDF5).

    The file appears whole or not at all.

    Parameters
    ----------
    points : Points
        What to write; covariances and residuals in single precision.
    path : str or path
        The file to write.
    overwrite : bool
        Whether a file that is there may be replaced.

    Returns
    -------
    None

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    with written(path, overwrite) as part:
        write_points(
            part,
            [points],
            frame_rate=points.frame_rate_hz,
            provenance=json.dumps(dict(points.provenance)),
        )


def load_points(path: PathLike) -> Points:
    """Return the points of a file that ``reconstruct`` wrote, HDF5 or comma-separated.

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    Points
        Markers in space.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    if Path(path).exists() and not h5py.is_hdf5(os.fspath(path)):
        rows = lines(path, TABLE, guard.most_points.get() * ROW_BYTES)
        return inside(path, "points", _from_table, rows)
    with opened(path, FORMAT, VERSION) as (file, _):
        top = attributes(file).read_all(POINTS_FILE)
        frame = dataset(file, "frame", "iu", (None,))
        n = len(frame)
        rms_mm = optional(file, "rms_mm", "f", (n,))
        return Points(
            frame.astype(np.int64),
            dataset(file, "marker", "iu", (n,)).astype(np.int64),
            dataset(file, "xyz", "f", (n, 3)).astype(float),
            _full(dataset(file, "covariance", "f", (n, 6))),
            dataset(file, "rms_px", "f", (n,)).astype(float),
            np.full(n, np.nan) if rms_mm is None else rms_mm.astype(float),
            dataset(file, "cameras", "iu", (n,)).astype(np.int64),
            top["n_open"] or 0,
            top["frame_rate"],
            _table(top["provenance"]),
        )


def _table(text: str | None) -> dict[str, Any]:
    try:
        found = json.loads(text or "{}")
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise InputError("provenance", expected="a JSON object", found=repr(text))
    return found


def _full(upper: NDArray[Any]) -> NDArray[np.float64]:
    """Return covariances (n, 3, 3) of their upper triangles (n, 6)."""
    out = np.empty((len(upper), 3, 3))
    out[:, UPPER[0], UPPER[1]] = upper
    out[:, UPPER[1], UPPER[0]] = upper
    return out


def _from_table(lines: Iterator[str]) -> Points:
    keys = [item.key for item in POINT_TABLE]
    header = next(lines)
    if [name.strip() for name in header.split(",")] != keys:
        raise InputError(
            "line 1",
            expected=f"{TABLE}, its first line {','.join(keys)}",
            found=repr(header[:80]),
            remedy="calib formats points tells what is in it.",
        )
    rows = (line for line in lines if line.strip())
    first = list(islice(rows, 1))
    kind = [("row", float, (len(keys),))]  # refuses a line of another length at once
    try:
        table = (
            np.loadtxt(chain(first, rows), kind, delimiter=",", ndmin=1)["row"]
            if first
            else np.empty((0, len(keys)))
        )
    except ValueError as error:
        raise InputError("values", expected="numbers alone", found=str(error)) from None
    if not np.isfinite(table).all():
        raise InputError(
            "values", expected="finite numbers", found="others", remedy="Copy or make it again."
        )
    whole = table[:, [0, 1, -1]].astype(np.int64)
    return Points(
        whole[:, 0],
        whole[:, 1],
        table[:, 2:5],
        _full(table[:, 5:11]),
        table[:, 11],
        np.full(len(table), np.nan),
        whole[:, 2],
        0,
    )
