"""What rig files of version 1 kept as loose text: facts in the provenance, parameters as labels."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from calib.core.fields import Fields
from calib.core.parameters import LENS_TERMS, POSE, CameraParameter, Parameter, WandCoordinate
from calib.errors import InputError

Offsets = dict[str, tuple[float, float]]  # by camera: frames, sigma


def told_by_version_1(table: dict[str, Any]) -> tuple[dict[str, Any], Offsets, dict[str, Any]]:
    """Return what version 1 kept in its provenance: fields of the rig, time offsets by camera, and
    what else it holds.
    """
    rest = Fields({key: value for key, value in table.items() if value is not None}, "provenance")

    def part(key: str, of: Fields = rest) -> Fields:
        return Fields(of.optional(of.tables, key) or {}, of.place(key))

    tracks, left_out, offsets = part("tracks"), part("left_out"), part("time_offset_frames")
    findings = rest.table.get("findings", [])
    if not isinstance(findings, list):
        raise InputError(rest.place("findings"), expected="a list", found=repr(findings))
    told = {
        "left_out": {name: left_out.text(name) for name in left_out.table},
        "findings": tuple(map(str, findings)),
        "captured_at": tracks.text("captured_at") if tracks.table.get("captured_at") else None,
        "parent_sha256": rest.optional(rest.text, "parent_sha256"),
        "lasting_share": part("lasting").optional(part("lasting").number, "share") or 0.0,
    }
    of_cameras = {}
    for name in offsets.table:
        found = part(name, offsets)
        of_cameras[name] = found.number("offset"), found.number("sigma")
    moved = ("left_out", "findings", "time_offset_frames", "lasting", "parent_sha256")
    kept = {key: value for key, value in table.items() if key not in moved}
    if "tracks" in rest:
        kept["tracks"] = {k: v for k, v in tracks.table.items() if k != "captured_at"}
    return told, of_cameras, kept


def parameter_of_label(label: str, names: Collection[str], markers: Collection[str]) -> Parameter:
    """Return the parameter of a label ``camera/kind`` or ``wand/marker_axis``.

    A camera may be called wand as well; its kinds tell it from the wand, unless a marker bears
    such a name.

    >>> parameter_of_label("wand/p_x", ["wand"], ["p"])
    WandCoordinate(marker='p', axis='x')
    >>> parameter_of_label("wand/rotation_x", ["wand"], ["p"])
    CameraParameter(camera='wand', kind='rotation_x')
    """
    owner, _, kind = label.rpartition("/")
    if owner in names and kind in (*POSE, *LENS_TERMS):
        return CameraParameter(owner, kind)
    marker, _, axis = label.removeprefix("wand/").rpartition("_")
    if label.startswith("wand/") and marker in markers:
        return WandCoordinate(marker, axis)
    return camera_parameter_of_label(label)


def camera_parameter_of_label(label: str) -> CameraParameter:
    """Return the parameter of a camera's label; InputError for what is none."""
    owner, _, kind = label.rpartition("/")
    return CameraParameter(owner, kind)
