"""Points files read and written (layout: ``calib.files``): HDF5, or comma-separated values."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calib.core.layout import POINT_TABLE, POINTS_FILE
from calib.core.points import UPPER, Points
from calib.errors import InputError
from calib.files.hdf5 import attributes, dataset, opened, write_optional
from calib.files.text import PathLike, read_text
from calib.outputs import written

FORMAT, VERSION = "calib.points", 1
CHUNK = 1 << 14  # rows
COLUMNS: tuple[tuple[str, str, tuple[int, ...]], ...] = (
    ("frame", "i8", ()),
    ("marker", "i2", ()),
    ("xyz", "f8", (3,)),
    ("covariance", "f4", (6,)),
    ("rms_px", "f4", ()),
    ("rms_mm", "f4", ()),
    ("cameras", "i2", ()),
)


def write_points(path: Path, pieces: Iterable[Points], **attributes: Any) -> None:
    """Write a points file piece by piece; ``attributes`` as they become known to the caller."""
    n_open = 0
    # Locked by ``outputs`` already.
    with h5py.File(path, "w", libver=("earliest", "v108"), locking=False) as file:
        file.attrs.update(format=FORMAT, version=VERSION, unit="mm")
        write_optional(file, **attributes)
        for name, dtype, shape in COLUMNS:
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
            for name, values in _columns(piece).items():
                node = file[name]
                n = len(node)
                node.resize(n + len(values), axis=0)
                node[n:] = values
        file.attrs["n_open"] = n_open


def write_lines(path: Path, header: str, pieces: Iterable[bytes]) -> None:
    """Write a text file of a header and lines that come in pieces."""
    with path.open("wb") as stream:
        stream.write(header.encode())
        stream.writelines(pieces)


def _columns(points: Points) -> dict[str, NDArray[Any]]:
    return {
        "frame": points.frame,
        "marker": points.marker,
        "xyz": points.points_mm,
        "covariance": points.covariance_mm2[:, UPPER[0], UPPER[1]],
        "rms_px": points.rms_px,
        "rms_mm": points.rms_mm,
        "cameras": points.n_cameras,
    }


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
        return _from_table(path)
    with opened(path, FORMAT, VERSION) as (file, _):
        top = attributes(file).read_all(POINTS_FILE)
        frame = dataset(file, "frame", "iu", (None,))
        n = len(frame)
        rms_mm = dataset(file, "rms_mm", "f", (n,)) if "rms_mm" in file else np.full(n, np.nan)
        return Points(
            frame.astype(np.int64),
            dataset(file, "marker", "iu", (n,)).astype(np.int64),
            dataset(file, "xyz", "f", (n, 3)).astype(float),
            _full(dataset(file, "covariance", "f", (n, 6))),
            dataset(file, "rms_px", "f", (n,)).astype(float),
            rms_mm.astype(float),
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


def _from_table(path: PathLike) -> Points:
    keys = [item.key for item in POINT_TABLE]
    kind = "a points file (HDF5 or CSV)"
    header, _, rest = read_text(path, kind).partition("\n")
    if [name.strip() for name in header.split(",")] != keys:
        raise InputError(
            str(path),
            expected=f"{kind}, its first line {','.join(keys)}",
            found=repr(header[:80]),
            remedy="calib formats points tells what is in it.",
        )
    try:
        rows = np.loadtxt(io.StringIO(rest), delimiter=",", ndmin=2) if rest.strip() else None
    except ValueError as error:
        raise InputError(str(path), expected="numbers alone", found=str(error)) from None
    table = np.empty((0, len(keys))) if rows is None else rows
    if table.shape[1] != len(keys) or not np.isfinite(table).all():
        raise InputError(
            str(path),
            expected=f"{len(keys)} finite numbers a line",
            found="other lines",
            remedy="Copy or make it again.",
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
