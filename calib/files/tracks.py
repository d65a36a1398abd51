"""Tracks files read and written (layout: ``calib.files``)."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calib.core.camera import kept_inside
from calib.core.fields import camera_from_fields
from calib.core.layout import OUTSIDE, TRACKS_FILE
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.files import hdf5
from calib.files.text import PathLike
from calib.intake.table import check_px
from calib.outputs import write_bytes

FORMAT, VERSION = "calib.tracks", 1


def load_tracks(path: PathLike, drop_outside: bool = False) -> Tracks:
    """Return the capture of a tracks file (HDF5).

    Parameters
    ----------
    path : str or path
        The file.
    drop_outside : bool
        Leave points outside their sensors out and count them, up to a tenth of a camera's.

    Returns
    -------
    Tracks
        The capture.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    with hdf5.opened(path, FORMAT, VERSION) as (file, _):
        top = hdf5.attributes(file).read_all(TRACKS_FILE)
        cameras = tuple(
            _camera_tracks(name, group, drop_outside) for name, group in hdf5.cameras_of(file)
        )
        xs, ys = ([c.xy_px[:, k] for c in cameras] for k in (0, 1))
        check_px(xs, ys, [c.width for c in cameras])
        stated = top["identified"]
        return Tracks(
            cameras,
            top["frame_rate"],
            top["captured_at"],
            top["title"],
            # Older files do not say; in them only ``identify`` wrote masks.
            any(c.masks_px is not None for c in cameras) if stated is None else bool(stated),
        )


def _camera_tracks(name: str, group: h5py.Group, drop_outside: bool) -> CameraTracks:
    fields = hdf5.attributes(group, name)
    camera = camera_from_fields(fields)
    frame = hdf5.dataset(group, "frame", "iu", (None,))
    n = len(frame)
    marker = hdf5.dataset(group, "marker", "iu", (n,))
    check_marker_range(name, marker)
    radius = hdf5.optional(group, "radius", "f", (n,))
    xy = hdf5.dataset(group, "xy", "f", (n, 2))
    masks = hdf5.optional(group.file, f"masks/{name}", "f", (None, 3))
    kept = kept_inside(xy, camera["width"], camera["height"], drop_outside)
    return CameraTracks(
        name,
        frame=frame[kept],
        xy_px=xy[kept],
        marker=marker[kept],
        radius_px=radius if radius is None else radius[kept],
        masks_px=masks,
        n_outside=(fields.read(OUTSIDE) or 0) + int((~kept).sum()),
        **camera,
    )


def check_marker_range(name: str, marker: NDArray[Any], first_row: int = 0) -> None:
    """Raise InputError where a marker, of rows from ``first_row`` on, is no index."""
    if len(marker) and (marker.min() < -1 or marker.max() > np.iinfo(np.int16).max):
        row = int(((marker < -1) | (marker > np.iinfo(np.int16).max)).argmax())
        raise InputError(
            f"{name}: marker row {first_row + row}",
            expected="an index from -1 to 32767",
            found=str(marker[row]),
        )


def save_tracks(tracks: Tracks, path: PathLike, overwrite: bool = False) -> None:
    """Write a tracks file (HDF5).

    The file appears whole or not at all.

    Parameters
    ----------
    tracks : Tracks
        What to write.
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

    def fill(file: h5py.File) -> None:
        file.attrs["frame_rate"] = tracks.frame_rate_hz
        hdf5.write_optional(file, captured_at=tracks.captured_at, title=tracks.title)
        has_masks = any(c.masks_px is not None for c in tracks.cameras)
        if tracks.is_identified or has_masks:
            file.attrs["identified"] = int(tracks.is_identified)
        cameras = hdf5.ordered_group(file, "cameras")
        for c in tracks.cameras:
            group = cameras.create_group(c.name)
            write_camera(group, c)
            for key, values in point_columns(c).items():
                hdf5.write(group, key, values)
        for c in tracks.cameras:
            if c.masks_px is not None:
                hdf5.write(file.require_group("masks"), c.name, c.masks_px)

    write_bytes(path, hdf5.file_bytes(FORMAT, VERSION, fill), overwrite)


def point_columns(c: CameraTracks) -> dict[str, NDArray[Any]]:
    """Return what a camera's file holds of each point."""
    columns: dict[str, NDArray[Any]] = {"frame": c.frame, "xy": c.xy_px, "marker": c.marker}
    return columns if c.radius_px is None else columns | {"radius": c.radius_px}


def write_camera(group: h5py.Group, camera: CameraTracks) -> None:
    """Write what is stated of a camera: sensor, lens, labels."""
    group.attrs.update(width=camera.width, height=camera.height)
    hdf5.write_optional(group, pixel_pitch_mm=camera.pixel_pitch_mm, focal_mm=camera.focal_mm)
    if camera.lens is not None:
        group.attrs.update(K=camera.lens.K, dist=camera.lens.dist)
    hdf5.write_optional(
        group, lens_sigma=camera.lens_sigma, serial=camera.serial, model=camera.model
    )
    hdf5.write_optional(group, n_outside=camera.n_outside or None)
