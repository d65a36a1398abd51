"""Commands that hand a rig on: export."""

# ruff: noqa: PLC0415 - what loads SciPy, OpenCV or HDF5 waits for the command that needs it: --help
# is quick

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.help import add
from calib.cli.options import Force, RigFile, file_name
from calib.errors import InputError
from calib.outputs import check_output, write_folder, write_text

if TYPE_CHECKING:
    from calib.core.rig import Rig
    from calib.export.target import Target


class Format(StrEnum):
    """What ``--to`` can be."""

    json = "json"
    opencv = "opencv"
    ros = "ros"
    colmap = "colmap"
    gltf = "gltf"
    csv = "csv"


class Unit(StrEnum):
    """What ``--unit`` can be."""

    mm = "mm"
    m = "m"


class Up(StrEnum):
    """What ``--up`` can be."""

    Y = "Y"
    Z = "Z"


FOLDERS = {Format.ros, Format.colmap}
METRES = {Format.ros: "ROS (REP 103)", Format.gltf: "glTF 2.0"}  # and who says so


def add_commands(app: typer.Typer) -> None:
    """Add these commands to the program."""
    add(
        app, "export", export,
        """
        calib export rig.h5 --to json -o rig.json
        calib export rig.h5 --to gltf --up Y -o rig.glb
        calib export rig.h5 --to colmap -o folder
        """,
        """
        The rig's unit and axes are kept; --unit and --up change them, and every file says
        which it has. ROS and glTF are in metres by their own rules, glTF with y up. COLMAP
        counts pixels from the corner, so its principal points are half a pixel more; all
        others have the centre of the top-left pixel at (0, 0). A glTF camera has no
        distortion: lens, wand and covariance are in "extras". Camera names are written in
        file names with letters, digits and _ alone.
        """,
    )  # fmt: skip


def export(
    rig: RigFile,
    to: Annotated[
        Format,
        typer.Option(
            "--to",
            help="json; opencv: YAML for cv2.FileStorage; ros: camera_info YAML and transforms, a "
            "folder; colmap: text model, a folder; gltf: a scene to look at; csv: a row a camera.",
        ),
    ],
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            metavar="OUT",
            help="File or folder to write.",
            show_default="print it",
        ),
    ] = None,
    unit: Annotated[
        Unit | None, typer.Option(help="Unit of length.", show_default="mm; m for ros and gltf")
    ] = None,
    up: Annotated[
        Up | None,
        typer.Option(
            help="Axis that points up: turns the world about x where that is another in the rig "
            "file (Z, unless calib align chose Y).",
            show_default="as in the rig file; Y for gltf",
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Write a rig in an open format."""
    if to in FOLDERS and output is None:
        raise InputError(
            "-o", expected=f"a folder to write, as {to} is several files", found="none",
            remedy="Add -o FOLDER.",
        )  # fmt: skip
    if to in METRES and unit is Unit.mm:
        raise InputError(
            "--unit", expected=f"m, the unit of {METRES[to]}", found="mm", remedy="Leave it out."
        )
    if output is not None and to not in FOLDERS:
        check_output(output, force, inputs=[rig])
    from calib import files
    from calib.cli import console
    from calib.export.target import Target

    solved, sha256 = files.with_sha256(files.load_rig, rig)
    target = Target.of(
        solved,
        unit="m" if to in METRES else str(unit or "mm"),
        up="Y" if to is Format.gltf and up is None else up,
        source=f"{file_name(rig)}, SHA-256 {sha256}",
    )
    made = _exported(solved, to, target)
    if output is None:
        assert isinstance(made, str)  # folders want a name
        console.print_document(made)
        return
    if isinstance(made, str):
        write_text(output, made, force)
    else:
        write_folder(output, made, force)
    console.note(f"wrote {output}")


def _exported(rig: Rig, to: Format, target: Target) -> str | dict[str, str]:
    """Return the text of the file, or texts by file name."""
    from calib.export.colmap import rig_as_colmap
    from calib.export.csv import rig_as_csv
    from calib.export.gltf import rig_as_gltf
    from calib.export.json import rig_as_dict
    from calib.export.opencv import rig_as_opencv_yaml
    from calib.export.ros import rig_as_ros

    match to:
        case Format.opencv:
            return rig_as_opencv_yaml(rig, target)
        case Format.ros:
            return rig_as_ros(rig, target)
        case Format.colmap:
            return rig_as_colmap(rig, target)
        case Format.csv:
            return rig_as_csv(rig, target)
        case Format.gltf:
            table = rig_as_gltf(rig, target)
        case Format.json:
            table = rig_as_dict(rig, target)
    return json.dumps(table, allow_nan=False, ensure_ascii=False, indent=1) + "\n"
