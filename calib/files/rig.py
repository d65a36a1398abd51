"""Rig files read and written (layout: ``calib.files``)."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import asdict
from typing import Any

import h5py
import numpy as np

from calib.core.camera import Lens
from calib.core.geometry import Pose
from calib.core.layout import RESIDUALS, RIG_CAMERA, RIG_FILE
from calib.core.parameters import CameraParameter, Parameter, WandCoordinate
from calib.core.rig import CameraStats, Covariance, Doubt, Rig, RigCamera
from calib.core.wand import CertifiedLength, Wand
from calib.errors import CalibError, InputError
from calib.files import hdf5
from calib.files.text import PathLike
from calib.files.version_1 import (
    Offsets,
    camera_parameter_of_label,
    parameter_of_label,
    told_by_version_1,
)
from calib.outputs import write_bytes

FORMAT, VERSION = "calib.rig", 2
_COUNTS = [item.key for item in RESIDUALS if item.kind == "whole number"]
_STATS = [item.key for item in RESIDUALS if item.key != "bias_px"]
CAMERA, WAND = "camera", "wand"  # whose a parameter of the covariance is


def load_rig(path: PathLike) -> Rig:
    """Return the rig of a rig file (HDF5); every number comes back to the bit.

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    Rig
        As it was saved; files of version 1 are read as well.

    Raises
    ------
    InputError
        It cannot be read, or breaks a rule of the format; place, expected and found are told.
    """
    with hdf5.opened(path, FORMAT, VERSION) as (file, version):
        provenance = _json(file, "provenance")
        of_cameras: Offsets = {}
        if version == 1:
            told, of_cameras, provenance = told_by_version_1(provenance)
        else:
            told = _told(file)
        cameras = tuple(
            _rig_camera(name, group, of_cameras.get(name)) for name, group in hdf5.cameras_of(file)
        )
        wand = _wand(file, "wand")
        covariance = _covariance(file, [c.name for c in cameras], wand.markers)
        return Rig(cameras, wand, _wand(file, "wand_used"), covariance, provenance, **told)


def _told(file: h5py.File) -> dict[str, Any]:
    """Return the fields of a rig that stand beside its cameras."""
    top = hdf5.attributes(file).read_all(RIG_FILE)
    names = hdf5.texts(file, "left_out/names")
    return {
        "left_out": dict(zip(names, hdf5.texts(file, "left_out/reasons", len(names)), strict=True)),
        "findings": hdf5.texts(file, "findings"),
        "doubts": _doubts(file) if "doubts" in file else (),
        **{key: top[key] for key in ("captured_at", "parent_sha256", "lasting_share")},
        "alignment": _json(file, "alignment") if "alignment" in file else None,
        "verification": _json(file, "verification") if "verification" in file else None,
        "wave_mm": hdf5.dataset(file, "wave", "f", (None, 3))
        if "wave" in file
        else np.empty((0, 3)),
    }


def _json(file: h5py.File, key: str) -> dict[str, Any]:
    """Return a table that is stored as one text of JSON."""
    try:
        table = _loaded(hdf5.as_text(hdf5.dataset(file, key, "O", ())[()]))
    except (ValueError, RecursionError):
        table = None
    if not isinstance(table, dict):
        raise InputError(key, expected="JSON text of a table", found="something else") from None
    return table


def _loaded(text: str) -> Any:
    """Return what a text of JSON holds; ValueError for NaN and infinity, which JSON lacks."""

    def refuse(word: str) -> None:
        raise ValueError(word)

    return json.loads(text, parse_constant=refuse)


def _doubts(file: h5py.File) -> tuple[Doubt, ...]:
    """Return what speaks against the rig, each stored as one text of JSON."""
    out = []
    for text in hdf5.texts(file, "doubts"):
        try:
            d = _loaded(text)
            out.append(Doubt(d["finding"], tuple(d["cameras"]), d["figures"], d["effect_mm"]))
        except (ValueError, KeyError, TypeError, RecursionError):
            raise InputError(
                "doubts", expected="finding, cameras, figures and effect_mm", found=text[:80]
            ) from None
    return tuple(out)


def _covariance(
    file: h5py.File, names: Collection[str], markers: Collection[str]
) -> Covariance | None:
    group = file.get("covariance")
    if not isinstance(group, h5py.Group):
        return None
    if "labels" in group:  # of version 1
        parameters = tuple(
            parameter_of_label(label, names, markers) for label in hdf5.texts(group, "labels")
        )
        labels = hdf5.texts(group, "held") if "held" in group else ()
        held = tuple(camera_parameter_of_label(label) for label in labels)
    else:
        parameters = tuple(_parameter(*row) for row in hdf5.text_rows(group, "parameters", 3))
        rows = hdf5.text_rows(group, "held", 2) if "held" in group else []
        held = tuple(CameraParameter(*row) for row in rows)
    n = len(parameters)
    matrix = hdf5.dataset(group, "matrix", "f", (n, n))
    pull = hdf5.dataset(group, "pull", "f", (n, len(held))) if held else np.zeros(0)
    known = "held_sigma" in group  # older files do not tell
    sigma = hdf5.dataset(group, "held_sigma", "f", (len(held),)) if known else np.zeros(0)
    return Covariance(parameters, matrix, held, pull, sigma)


def _parameter(owner: str, name: str, kind: str) -> Parameter:
    if owner not in {CAMERA, WAND}:
        raise InputError(
            "covariance: parameters", expected=f"of a {CAMERA} or the {WAND}", found=repr(owner)
        )
    return CameraParameter(name, kind) if owner == CAMERA else WandCoordinate(name, kind)


def _rig_camera(name: str, group: h5py.Group, offset: tuple[float, float] | None) -> RigCamera:
    """Return a camera; ``offset`` and its sigma are those of a file of version 1."""
    fields = hdf5.attributes(group, name)
    stated = fields.read_all(RIG_CAMERA)
    try:
        lens, pose = Lens.from_matrix(stated["K"], stated["dist"]), Pose(stated["R"], stated["t"])
    except CalibError as error:
        raise error.inside(name) from None
    stats = _stats(f"{name}: residuals", group["residuals"]) if "residuals" in group else None
    if "time_offset_frames" in fields:
        offset = stated["time_offset_frames"], fields.number("time_offset_sigma_frames")
    late, sigma = offset or (0.0, None)
    size = stated["width"], stated["height"]
    faults = hdf5.texts(group, "faults") if "faults" in group else ()  # older files do not tell
    is_placed = stated["placed"] != 0
    return RigCamera(
        name, *size, lens, pose, stats, late, sigma, stated["serial"], faults, is_placed
    )


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
    fields = hdf5.attributes(group, key)
    names = hdf5.texts(group, "markers")
    points = hdf5.dataset(group, "points", "f", (len(names), 3))
    between = hdf5.dataset(group, "certified_between", "iu", (None, 2))
    columns = [
        hdf5.dataset(group, f"certified_{name}", "f", (len(between),)).tolist()
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


def save_rig(rig: Rig, path: PathLike, overwrite: bool = False) -> None:
    """Write a rig file (HDF5).

    The file appears whole or not at all.

    Parameters
    ----------
    rig : Rig
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
    tables = {
        key: _as_json(key, table)
        for key in ("alignment", "verification", "provenance")
        if (table := getattr(rig, key)) is not None
    }

    doubts = tuple(_as_json("doubts", asdict(d)) for d in rig.doubts)

    def fill(file: h5py.File) -> None:
        file.attrs.update(unit="mm", lasting_share=float(rig.lasting_share))
        hdf5.write_optional(file, captured_at=rig.captured_at, parent_sha256=rig.parent_sha256)
        cameras = hdf5.ordered_group(file, "cameras")
        for c in rig.cameras:
            group = cameras.create_group(c.name)
            group.attrs.update(width=c.width, height=c.height, K=c.lens.K, dist=c.lens.dist)
            group.attrs.update(R=c.cam_from_world.R, t=c.cam_from_world.t_mm)
            hdf5.write_optional(group, serial=c.serial)
            if c.faults:
                hdf5.write(group, "faults", c.faults)
            if not c.is_placed:
                group.attrs["placed"] = 0
            if c.time_offset_sigma_frames is not None:
                group.attrs.update(
                    time_offset_frames=float(c.time_offset_frames),
                    time_offset_sigma_frames=float(c.time_offset_sigma_frames),
                )
            if c.stats is not None:
                residuals = group.create_group("residuals")
                residuals.attrs.update({key: getattr(c.stats, key) for key in _STATS})
                residuals.attrs["bias_px"] = np.array(c.stats.bias_px, dtype=float)
        for key, wand in (("wand", rig.wand), ("wand_used", rig.wand_used)):
            _write_wand(file.create_group(key), wand)
        if rig.covariance is not None:
            _write_covariance(file.create_group("covariance"), rig.covariance)
        left_out = file.create_group("left_out")
        hdf5.write(left_out, "names", tuple(rig.left_out))
        hdf5.write(left_out, "reasons", tuple(rig.left_out.values()))
        hdf5.write(file, "findings", rig.findings)
        hdf5.write(file, "doubts", doubts)
        if len(rig.wave_mm):
            hdf5.write(file, "wave", rig.wave_mm)
        for key, text in tables.items():
            hdf5.write(file, key, text)

    write_bytes(path, hdf5.file_bytes(FORMAT, VERSION, fill), overwrite)


def _as_json(key: str, table: Mapping[str, Any]) -> str:
    try:
        return json.dumps(table, allow_nan=False, ensure_ascii=False)
    except (TypeError, ValueError) as error:
        raise InputError(key, expected="what JSON can hold", found=str(error)) from None


def _write_covariance(group: h5py.Group, known: Covariance) -> None:
    rows = [
        (CAMERA, p.camera, p.kind) if isinstance(p, CameraParameter) else (WAND, p.marker, p.axis)
        for p in known.parameters
    ]
    hdf5.write_text_rows(group, "parameters", rows, 3)
    hdf5.write(group, "matrix", known.matrix)
    if known.held:
        hdf5.write_text_rows(group, "held", [(p.camera, p.kind) for p in known.held], 2)
        hdf5.write(group, "pull", known.sensitivity)
        hdf5.write(group, "held_sigma", known.held_sigma)


def _write_wand(group: h5py.Group, wand: Wand) -> None:
    group.attrs.update(name=wand.name, sigma=float(wand.sigma_mm))
    hdf5.write(group, "markers", wand.markers)
    hdf5.write(group, "points", wand.points_mm)
    rows = wand.certified
    hdf5.write(
        group,
        "certified_between",
        np.array([(c.i, c.j) for c in rows], dtype=np.int64).reshape(-1, 2),
    )
    hdf5.write(group, "certified_length", np.array([c.length_mm for c in rows], dtype=float))
    hdf5.write(group, "certified_sigma", np.array([c.sigma_mm for c in rows], dtype=float))
