"""HDF5 files opened, checked and made: what tracks and rig files have in common."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calib import guard
from calib.core.fields import Fields
from calib.errors import CalibError, InputError
from calib.files.text import PathLike, explained, nonempty
from calib.guard.walk import reading


@contextmanager
def opened(
    path: PathLike, expected_format: str, latest: int, is_whole: bool = True, is_known: bool = False
) -> Iterator[tuple[h5py.File, int]]:
    """Open, check format and version (1 to ``latest``), and give every error the file's name.

    Gives the file and its version. Before that another process has looked through it, unless it
    ``is_known``; where the file ``is_whole`` when it is read, it may not be too large for that.
    """
    kind = f"a {expected_format} file (HDF5)"
    nonempty(path, kind).close()
    if not h5py.is_hdf5(os.fspath(path)):
        raise InputError(
            str(path),
            expected=kind,
            found="not HDF5",
            remedy="Name the right file, perhaps two are exchanged; CSV: calib import.",
        )
    if not is_known:
        guard.check(path, kind, is_whole)
    try:
        with reading(os.fspath(path)) as file:
            top = attributes(file)
            if (found := top.text("format")) != expected_format:
                raise InputError(
                    "format",
                    expected=expected_format,
                    found=found,
                    remedy="Name the right file; perhaps two are exchanged.",
                )
            if not 1 <= (version := top.integer("version")) <= latest:
                known = "1" if latest == 1 else f"1 to {latest}"
                remedy = "Update calib." if version > latest else ""
                raise InputError("version", expected=known, found=str(version), remedy=remedy)
            yield file, version
    except CalibError as error:
        raise error.inside(str(path), explained(expected_format.partition(".")[2])) from None
    # h5py's, for a file cut off or damaged.
    except (OSError, RuntimeError, KeyError, ValueError, TypeError) as error:
        raise InputError(
            str(path),
            expected=f"{kind}, complete",
            found=f"a damaged or cut-off file ({' '.join(str(error).split())})",
            remedy="Copy or make it again.",
        ) from None


def attributes(group: h5py.Group, where: str = "") -> Fields:
    return Fields(dict(group.attrs), where)


def cameras_of(file: h5py.File) -> Iterator[tuple[str, h5py.Group]]:
    cameras = file.get("cameras")
    if not isinstance(cameras, h5py.Group):
        raise InputError("cameras", expected="a group /cameras", found="nothing of that name")
    for raw in cameras:  # bytes where they are no UTF-8
        group = cameras.get(raw)
        name = os.fsdecode(raw)
        if not isinstance(group, h5py.Group):
            raise InputError(
                f"/cameras/{name}",
                expected="a group",
                found="a dataset" if group else "a broken link",
            )
        yield name, group


def dataset(group: h5py.Group, key: str, kinds: str, shape: tuple[int | None, ...]) -> NDArray[Any]:
    """Return the values of a dataset; None in ``shape`` stands for any length."""
    return np.asarray(node(group, key, kinds, shape)[()])


def optional(
    group: h5py.Group, key: str, kinds: str, shape: tuple[int | None, ...]
) -> NDArray[Any] | None:
    """Return the same of a dataset that need not be there."""
    return dataset(group, key, kinds, shape) if key in group else None


def node(group: h5py.Group, key: str, kinds: str, shape: tuple[int | None, ...]) -> h5py.Dataset:
    """Return a dataset that is as it should be, unread."""
    place = f"{group.name.removeprefix('/cameras').strip('/')}: {key}".removeprefix(": ")
    wanted = " × ".join("n" if s is None else str(s) for s in shape) or "one"
    type_name = {"iu": "integers", "f": "floating-point numbers", "O": "text"}[kinds]
    expected = f"{type_name}, {wanted}"
    held = group.get(key)
    if not isinstance(held, h5py.Dataset):
        raise InputError(place, expected=f"a dataset of {expected}", found="nothing of that name")
    found = (
        f"{held.dtype}, {' × '.join(map(str, held.shape)) or 'one'}"
        if held.shape is not None
        else "no values"
    )
    is_shape = held.shape is not None and len(held.shape) == len(shape)
    if not is_shape or any(s not in (None, n) for s, n in zip(shape, held.shape, strict=True)):
        raise InputError(place, expected=expected, found=found)
    if held.dtype.kind not in kinds:
        raise InputError(
            place, expected=expected, found=found, remedy="Store it in the type of the format."
        )
    return held


def texts(group: h5py.Group, key: str, n: int | None = None) -> tuple[str, ...]:
    """Return a list of texts, of length ``n`` where that is given."""
    return tuple(map(as_text, dataset(group, key, "O", (n,))))


def text_rows(group: h5py.Group, key: str, n: int) -> list[tuple[str, ...]]:
    """Return the rows of a table of texts with ``n`` columns."""
    return [tuple(map(as_text, row)) for row in dataset(group, key, "O", (None, n))]


def as_text(value: Any) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def file_bytes(file_format: str, version: int, fill: Callable[[h5py.File], None]) -> bytes:
    """Return the bytes of an HDF5 file, made in memory so that a full disk is an ordinary write
    error.
    """
    buffer = io.BytesIO()
    # Bounded versions keep the bytes the same from one HDF5 release to the next.
    with h5py.File(buffer, "w", libver=("earliest", "v108")) as file:
        file.attrs.update(format=file_format, version=version)
        fill(file)
    return buffer.getvalue()


def ordered_group(file: h5py.File, name: str) -> h5py.Group:
    """A group that remembers the order its members came in and keeps no times."""
    plist = h5py.h5p.create(h5py.h5p.GROUP_CREATE)
    plist.set_link_creation_order(h5py.h5p.CRT_ORDER_TRACKED | h5py.h5p.CRT_ORDER_INDEXED)
    plist.set_obj_track_times(False)
    return h5py.Group(h5py.h5g.create(file.id, name.encode(), gcpl=plist))


def write(group: h5py.Group, key: str, values: Any) -> None:
    text = h5py.string_dtype() if isinstance(values, str | tuple) else None
    group.create_dataset(key, data=values, dtype=text, track_times=False)


def write_text_rows(group: h5py.Group, key: str, rows: Sequence[tuple[str, ...]], n: int) -> None:
    """Write a table of texts with ``n`` columns."""
    table = np.array(rows, dtype=object).reshape(-1, n)
    group.create_dataset(key, data=table, dtype=h5py.string_dtype(), track_times=False)


def write_optional(group: h5py.Group, **attributes: Any) -> None:
    group.attrs.update({key: value for key, value in attributes.items() if value is not None})
