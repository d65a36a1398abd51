"""Every file that calib opens: tracks and rigs in HDF5, wands, camera lists and scenarios in TOML,
tables in CSV.

Reading checks format, version, types and shapes here and leaves the meaning to the records, whose
errors gain the file's name. Writing is whole or not at all (``calib.outputs``), and the same record
always gives the same bytes.

Tracks file, version 1 (HDF5), beside a camera's ``frame``, ``xy``, ``marker`` and attributes::

    /masks/<camera>    optional, by ``identify``: circles (k×3), x, y and radius in px, about
                       reflections that stay put

Rig file, version 1 (HDF5; lengths in mm, angles in radian, image quantities in px)::

    /                  format = "calib.rig", version = 1, unit = "mm"
    /cameras/<name>    in the rig's order (creation order); attributes width, height, K (3×3),
                       dist (5 or 8), R (3×3) and t (3) of cam_from_world
      residuals        only where known: attributes points, n_left_out, rms_px, median_px,
                       p95_px, sigma_px, bias_px (2), coverage
    /wand, /wand_used  as the wand file states it, and the shape that the solve ended with:
                       attributes name, sigma; datasets markers (text, n), points (n×3),
                       certified_between (m×2), _length and _sigma (m)
    /covariance        where known: labels (text, k), matrix (k×k); held (text, h),
                       pull (k×h), held_sigma (h)
    /provenance        one text: JSON

Readers ignore groups, datasets and attributes that they do not know.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import h5py
import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens
from calib.core.fields import Fields, camera_from_fields, wand_as_toml, wand_from_table
from calib.core.geometry import Pose
from calib.core.rig import CameraStats, Covariance, Rig, RigCamera
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import CertifiedLength, Wand
from calib.errors import CalibError, InputError
from calib.intake.centroids.names import ImageList
from calib.intake.table import CameraList, tracks_from_csv
from calib.outputs import check_output, write_bytes, write_text

__all__ = [
    "check_output", "load_image_list", "load_rig", "load_scenario", "load_table", "load_tracks",
    "load_wand", "read_text", "save_rig", "save_tracks", "save_wand", "sha256", "write_text",
]  # fmt: skip

T = TypeVar("T")
PathLike = str | os.PathLike[str]

TRACKS_FORMAT, RIG_FORMAT, VERSION = "calib.tracks", "calib.rig", 1
_COUNTS = ("points", "n_left_out")
_STATS = (*_COUNTS, "rms_px", "median_px", "p95_px", "sigma_px", "coverage")


# ---- tracks


def load_tracks(path: PathLike) -> Tracks:
    """Return the capture of a tracks file (contract: Tracks file); InputError where it breaks a
    rule.
    """
    with _open_hdf5(path, TRACKS_FORMAT) as file:
        top = _attributes(file)
        return Tracks(
            tuple(_camera_tracks(name, group) for name, group in _cameras(file)),
            top.number("frame_rate"),
            top.optional(top.text, "captured_at"),
            top.optional(top.text, "title"),
        )


def _camera_tracks(name: str, group: h5py.Group) -> CameraTracks:
    camera = camera_from_fields(_attributes(group, name))
    frame = _dataset(group, "frame", "iu", (None,))
    n = len(frame)
    marker = _dataset(group, "marker", "iu", (n,))
    if n and (marker.min() < -1 or marker.max() > np.iinfo(np.int16).max):
        row = int(((marker < -1) | (marker > np.iinfo(np.int16).max)).argmax())
        raise InputError(
            f"{name}: marker row {row}",
            expected="an index from -1 to 32767",
            found=str(marker[row]),
        )
    radius = _dataset(group, "radius", "f", (n,)) if "radius" in group else None
    xy = _dataset(group, "xy", "f", (n, 2))
    masks = (
        _dataset(group.file, f"masks/{name}", "f", (None, 3))
        if f"masks/{name}" in group.file
        else None
    )
    return CameraTracks(
        name, frame=frame, xy_px=xy, marker=marker, radius_px=radius, masks_px=masks, **camera
    )


def save_tracks(tracks: Tracks, path: PathLike, force: bool = False) -> None:
    """Write a tracks file; OutputError where it exists (unless ``force``) or cannot be written."""

    def fill(file: h5py.File) -> None:
        file.attrs["frame_rate"] = tracks.frame_rate_hz
        _write_optional(file, captured_at=tracks.captured_at, title=tracks.title)
        cameras = _ordered_group(file, "cameras")
        for c in tracks.cameras:
            group = cameras.create_group(c.name)
            group.attrs.update(width=c.width, height=c.height)
            _write_optional(group, pixel_pitch_mm=c.pixel_pitch_mm, focal_mm=c.focal_mm)
            if c.lens is not None:
                group.attrs.update(K=c.lens.K, dist=c.lens.dist)
            _write_optional(group, lens_sigma=c.lens_sigma, serial=c.serial, model=c.model)
            for key, values in (
                ("frame", c.frame),
                ("xy", c.xy_px),
                ("marker", c.marker),
                ("radius", c.radius_px),
            ):
                if values is not None:
                    _write(group, key, values)
        for c in tracks.cameras:
            if c.masks_px is not None:
                _write(file.require_group("masks"), c.name, c.masks_px)

    write_bytes(path, _hdf5(TRACKS_FORMAT, fill), force)


# ---- rig


def load_rig(path: PathLike) -> Rig:
    """Return the rig of a rig file; every number comes back to the bit."""
    with _open_hdf5(path, RIG_FORMAT) as file:
        covariance = None
        if "covariance" in file:
            labels = _dataset(file, "covariance/labels", "O", (None,))
            matrix = _dataset(file, "covariance/matrix", "f", (len(labels), len(labels)))
            held = (
                _dataset(file, "covariance/held", "O", (None,))
                if "covariance/held" in file
                else np.empty(0)
            )
            pull = (
                _dataset(file, "covariance/pull", "f", (len(labels), len(held)))
                if len(held)
                else held
            )
            known = "covariance/held_sigma" in file  # older files do not tell
            sigma = (
                _dataset(file, "covariance/held_sigma", "f", (len(held),)) if known else np.zeros(0)
            )
            covariance = Covariance(
                tuple(map(_text, labels)), matrix, tuple(map(_text, held)), pull, sigma
            )
        try:
            provenance = json.loads(_text(_dataset(file, "provenance", "O", ())[()]))
        except ValueError:
            raise InputError("provenance", expected="JSON text", found="something else") from None
        cameras = tuple(_rig_camera(name, group) for name, group in _cameras(file))
        return Rig(cameras, _wand(file, "wand"), _wand(file, "wand_used"), covariance, provenance)


def _rig_camera(name: str, group: h5py.Group) -> RigCamera:
    fields = _attributes(group, name)
    K, dist = fields.array("K", (3, 3)), fields.array("dist", (5,), (8,))
    R, t = fields.array("R", (3, 3)), fields.array("t", (3,))
    try:
        lens, pose = Lens.from_matrix(K, dist), Pose(R, t)
    except CalibError as error:
        raise error.inside(name) from None
    stats = _stats(f"{name}: residuals", group["residuals"]) if "residuals" in group else None
    return RigCamera(name, fields.integer("width"), fields.integer("height"), lens, pose, stats)


def _stats(place: str, group: h5py.Group) -> CameraStats:
    table = dict(group.attrs)
    try:  # not by Fields, which refuses nan: the residuals of a camera without points
        numbers: dict[str, Any] = {key: float(table[key]) for key in _STATS}
        bias_x, bias_y = (float(v) for v in table["bias_px"])
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            place, expected=f"attributes {', '.join(_STATS)} and bias_px", found=str(error)
        ) from None
    numbers.update({key: int(table[key]) for key in _COUNTS})
    return CameraStats(**numbers, bias_px=(bias_x, bias_y))


def _wand(file: h5py.File, key: str) -> Wand:
    group = file.get(key)
    if not isinstance(group, h5py.Group):
        raise InputError(key, expected="a group", found="nothing of that name")
    fields = _attributes(group, key)
    names = tuple(_text(v) for v in _dataset(group, "markers", "O", (None,)))
    points = _dataset(group, "points", "f", (len(names), 3))
    between = _dataset(group, "certified_between", "iu", (None, 2))
    columns = [
        _dataset(group, f"certified_{name}", "f", (len(between),)).tolist()
        for name in ("length", "sigma")
    ]
    certified = tuple(
        CertifiedLength(i, j, *rest)
        for (i, j), *rest in zip(between.tolist(), *columns, strict=True)
    )
    try:
        return Wand(fields.text("name"), names, points, fields.number("sigma"), certified)
    except CalibError as error:
        raise error.inside(key) from None


def save_rig(rig: Rig, path: PathLike, force: bool = False) -> None:
    """Write a rig file; OutputError where it exists (unless ``force``) or cannot be written."""
    try:
        provenance = json.dumps(rig.provenance, allow_nan=False, ensure_ascii=False)
    except (TypeError, ValueError) as error:
        raise InputError("provenance", expected="what JSON can hold", found=str(error)) from None

    def fill(file: h5py.File) -> None:
        file.attrs["unit"] = "mm"
        cameras = _ordered_group(file, "cameras")
        for c in rig.cameras:
            group = cameras.create_group(c.name)
            group.attrs.update(width=c.width, height=c.height, K=c.lens.K, dist=c.lens.dist)
            group.attrs.update(R=c.cam_from_world.R, t=c.cam_from_world.t_mm)
            if c.stats is not None:
                residuals = group.create_group("residuals")
                residuals.attrs.update({key: getattr(c.stats, key) for key in _STATS})
                residuals.attrs["bias_px"] = np.array(c.stats.bias_px, dtype=float)
        for key, wand in (("wand", rig.wand), ("wand_used", rig.wand_used)):
            _write_wand(file.create_group(key), wand)
        if rig.covariance is not None:
            group = file.create_group("covariance")
            for key in ("labels", "matrix", "held", "pull", "held_sigma")[
                : 5 if rig.covariance.held else 2
            ]:
                _write(group, key, getattr(rig.covariance, key))
        _write(file, "provenance", provenance)

    write_bytes(path, _hdf5(RIG_FORMAT, fill), force)


def _write_wand(group: h5py.Group, wand: Wand) -> None:
    group.attrs.update(name=wand.name, sigma=float(wand.sigma_mm))
    _write(group, "markers", wand.markers)
    _write(group, "points", wand.points_mm)
    rows = wand.certified
    _write(
        group,
        "certified_between",
        np.array([(c.i, c.j) for c in rows], dtype=np.int64).reshape(-1, 2),
    )
    _write(group, "certified_length", np.array([c.length_mm for c in rows], dtype=float))
    _write(group, "certified_sigma", np.array([c.sigma_mm for c in rows], dtype=float))


# ---- TOML and text


def load_wand(path: PathLike) -> Wand:
    """Return the wand of a wand file (contract: Wand file)."""
    return _inside(path, wand_from_table, _load_toml(path, "a wand file (TOML)"), Path(path).stem)


def save_wand(wand: Wand, path: PathLike, force: bool = False) -> None:
    """Write a wand file."""
    write_text(path, wand_as_toml(wand), force)


def load_table(table: PathLike, cameras: PathLike) -> Tracks:
    """Return the capture of a table (CSV) and its camera list (TOML); see
    ``calib.intake.table``.
    """
    camera_list = _inside(
        cameras, CameraList.from_table, _load_toml(cameras, "a camera list (TOML)")
    )
    return _inside(table, tracks_from_csv, read_text(table, "a table (CSV)"), camera_list)


def load_image_list(path: PathLike) -> ImageList:
    """Return what an image list (TOML) says of image files; see
    ``calib.intake.centroids.names``.
    """
    return _inside(path, ImageList.from_table, _load_toml(path, "an image list (TOML)"))


def load_scenario(path: PathLike, parse: Callable[[dict[str, Any]], T]) -> T:
    """Return ``parse(table)`` of a scenario file."""
    return _inside(path, parse, _load_toml(path, "a scenario (TOML)"))


def read_text(path: PathLike, kind: str = "a text file") -> str:
    """Return the text (UTF-8) of a file."""
    try:
        return _read_bytes(path, kind).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            str(path),
            expected=f"{kind} in UTF-8",
            found=f"byte 0x{error.object[error.start]:02x} at {error.start}",
            remedy="Save it as UTF-8 text.",
        ) from None


def sha256(path: PathLike) -> str:
    """Return the SHA-256 of a file in hexadecimal."""
    return hashlib.sha256(_read_bytes(path, "a file")).hexdigest()


def _load_toml(path: PathLike, kind: str) -> dict[str, Any]:
    text = read_text(path, kind)
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(
            str(path),
            expected=f"{kind}",
            found=str(error),
            remedy="Correct the syntax at that place.",
        ) from None


def _inside(path: PathLike, parse: Callable[..., T], *arguments: Any) -> T:
    try:
        return parse(*arguments)
    except CalibError as error:
        raise error.inside(str(path)) from None


def _read_bytes(path: PathLike, kind: str) -> bytes:
    try:
        data = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        raise _unreadable(path, kind, error) from None
    if not data:
        raise InputError(str(path), expected=kind, found="an empty file")
    return data


def _unreadable(path: PathLike, kind: str, error: OSError | ValueError) -> InputError:
    found, remedy = getattr(error, "strerror", None) or str(error), "Check the path."
    if isinstance(error, FileNotFoundError):
        found = "no such file"
    elif isinstance(error, IsADirectoryError):
        found, remedy = "a folder", "Name the file in it."
    elif isinstance(error, PermissionError):
        found, remedy = "a file that may not be read", "Change its permissions."
    return InputError(str(path), expected=kind, found=found, remedy=remedy)


# ---- HDF5


@contextmanager
def _open_hdf5(path: PathLike, expected_format: str) -> Iterator[h5py.File]:
    """Open, check format and version, and give every error the file's name."""
    kind = f"a {expected_format} file (HDF5)"
    try:
        with Path(path).open("rb") as stream:
            is_empty = not stream.read(1)
    except (OSError, ValueError) as error:
        raise _unreadable(path, kind, error) from None
    if is_empty:
        raise InputError(str(path), expected=kind, found="an empty file")
    if not h5py.is_hdf5(os.fspath(path)):
        raise InputError(
            str(path),
            expected=kind,
            found="not HDF5",
            remedy="Name the right file; CSV: calib import.",
        )
    try:
        with h5py.File(path, "r") as file:
            top = _attributes(file)
            if (found := top.text("format")) != expected_format:
                raise InputError(
                    "format", expected=expected_format, found=found, remedy="Name the right file."
                )
            if (version := top.integer("version")) != VERSION:
                raise InputError(
                    "version", expected=str(VERSION), found=str(version), remedy="Update calib."
                )
            yield file
    except CalibError as error:
        raise error.inside(str(path)) from None
    except (
        OSError,
        RuntimeError,
        KeyError,
        ValueError,
        TypeError,
    ) as error:  # h5py's, for a file cut off or damaged
        raise InputError(
            str(path),
            expected=f"{kind}, complete",
            found=f"a damaged or cut-off file ({' '.join(str(error).split())})",
            remedy="Copy or make it again.",
        ) from None


def _attributes(group: h5py.Group, where: str = "") -> Fields:
    return Fields(dict(group.attrs), where)


def _cameras(file: h5py.File) -> Iterator[tuple[str, h5py.Group]]:
    cameras = file.get("cameras")
    if not isinstance(cameras, h5py.Group):
        raise InputError("cameras", expected="a group /cameras", found="nothing of that name")
    for name in cameras:
        group = cameras.get(name)
        if not isinstance(group, h5py.Group):
            raise InputError(
                f"/cameras/{name}",
                expected="a group",
                found="a dataset" if group else "a broken link",
            )
        yield name, group


def _dataset(
    group: h5py.Group, key: str, kinds: str, shape: tuple[int | None, ...]
) -> NDArray[Any]:
    """Return a whole dataset; None in ``shape`` stands for any length."""
    place = f"{group.name.removeprefix('/cameras').strip('/')}: {key}".removeprefix(": ")
    wanted = " × ".join("n" if s is None else str(s) for s in shape) or "one"
    type_name = {"iu": "integers", "f": "floating-point numbers", "O": "text"}[kinds]
    expected = f"{type_name}, {wanted}"
    node = group.get(key)
    if not isinstance(node, h5py.Dataset):
        raise InputError(place, expected=f"a dataset of {expected}", found="nothing of that name")
    found = (
        f"{node.dtype}, {' × '.join(map(str, node.shape)) or 'one'}"
        if node.shape is not None
        else "no values"
    )
    is_shape = node.shape is not None and len(node.shape) == len(shape)
    if not is_shape or any(s not in (None, n) for s, n in zip(shape, node.shape, strict=True)):
        raise InputError(place, expected=expected, found=found)
    if node.dtype.kind not in kinds:
        raise InputError(
            place, expected=expected, found=found, remedy="Store it in the type of the format."
        )
    return np.asarray(node[()])


def _text(value: Any) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def _hdf5(file_format: str, fill: Callable[[h5py.File], None]) -> bytes:
    """Return the bytes of an HDF5 file, made in memory so that a full disk is an ordinary write
    error.
    """
    buffer = io.BytesIO()
    # Bounded versions keep the bytes the same from one HDF5 release to the next.
    with h5py.File(buffer, "w", libver=("earliest", "v108")) as file:
        file.attrs.update(format=file_format, version=VERSION)
        fill(file)
    return buffer.getvalue()


def _ordered_group(file: h5py.File, name: str) -> h5py.Group:
    """A group that remembers the order its members came in and keeps no times."""
    plist = h5py.h5p.create(h5py.h5p.GROUP_CREATE)
    plist.set_link_creation_order(h5py.h5p.CRT_ORDER_TRACKED | h5py.h5p.CRT_ORDER_INDEXED)
    plist.set_obj_track_times(False)
    return h5py.Group(h5py.h5g.create(file.id, name.encode(), gcpl=plist))


def _write(group: h5py.Group, key: str, values: Any) -> None:
    text = h5py.string_dtype() if isinstance(values, str | tuple) else None
    group.create_dataset(key, data=values, dtype=text, track_times=False)


def _write_optional(group: h5py.Group, **attributes: Any) -> None:
    group.attrs.update({key: value for key, value in attributes.items() if value is not None})
