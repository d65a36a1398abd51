"""A rig in an open format, chosen by name."""

from __future__ import annotations

import json
from typing import Any

from calib.core.rig import Rig
from calib.errors import InputError, require_one_of
from calib.export.colmap import rig_as_colmap
from calib.export.csv import rig_as_csv
from calib.export.gltf import as_glb, rig_as_gltf
from calib.export.json import rig_as_dict
from calib.export.kinds import METRES, Format
from calib.export.opencv import rig_as_opencv_yaml
from calib.export.ros import rig_as_ros
from calib.export.target import Target


def export_rig(
    rig: Rig, to: str, *, unit: str | None = None, up: str | None = None, source: str = ""
) -> str | dict[str, str]:
    """Return a rig in an open format: the text of a file, or texts by the names of files.

    Parameters
    ----------
    rig : Rig
        To be handed on.
    to : str
        ``json``, ``opencv``, ``ros``, ``colmap``, ``gltf`` or ``csv``; ros and colmap are several
        files.
    unit : str, optional
        ``mm`` or ``m``; by default mm, of ros and gltf always m.
    up : str, optional
        Axis that points up, ``Y`` or ``Z``; by default as in the rig, of gltf Y.
    source : str
        What the text says that it is of, such as the rig file's name and SHA-256.

    Returns
    -------
    str or dict of str
        Text, or of ros and colmap texts by file name.

    Raises
    ------
    InputError
        There is no such format, unit or axis, or the format has another unit.
    """
    require_one_of("to", to, Format)
    kind = Format(to)
    target = _target(rig, kind, unit, up, source)
    match kind:
        case Format.opencv:
            return rig_as_opencv_yaml(rig, target)
        case Format.ros:
            return rig_as_ros(rig, target)
        case Format.colmap:
            return rig_as_colmap(rig, target)
        case Format.csv:
            return rig_as_csv(rig, target)
        case Format.gltf:
            return _as_text(rig_as_gltf(rig, target))
        case Format.json:
            return _as_text(rig_as_dict(rig, target))


def export_glb(
    rig: Rig, *, unit: str | None = None, up: str | None = None, source: str = ""
) -> bytes:
    """Return a rig as a binary glTF file; all else is as in ``export_rig``."""
    return as_glb(rig_as_gltf(rig, _target(rig, Format.gltf, unit, up, source)))


def _target(rig: Rig, kind: Format, unit: str | None, up: str | None, source: str) -> Target:
    if kind in METRES and unit == "mm":
        raise InputError(
            "--unit", expected=f"m, the unit of {METRES[kind]}", found="mm", remedy="Leave it out."
        )
    return Target.of(
        rig,
        unit="m" if kind in METRES else str(unit or "mm"),
        up="Y" if kind is Format.gltf and up is None else up,
        source=source,
    )


def _as_text(table: dict[str, Any]) -> str:
    return json.dumps(table, allow_nan=False, ensure_ascii=False, indent=1) + "\n"
