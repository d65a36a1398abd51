"""Commands that hand a rig on: export."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from calib.cli.help import option
from calib.cli.options import Force, RigFile
from calib.cli.reading import loaded
from calib.errors import InputError
from calib.export.kinds import FOLDERS, Format
from calib.outputs import check_output, write_bytes, write_folder, write_text


def export(
    rig: RigFile,
    to: Annotated[
        Format,
        option(
            "--to",
            "json; opencv: YAML for cv2.FileStorage; ros: camera_info YAML and transforms, a "
            "folder; colmap: text model, a folder; gltf: a scene to look at, .gltf or .glb; csv: "
            "a row a camera.",
        ),
    ],
    output: Annotated[
        Path | None, option("-o --output OUT", "File or folder to write.", show_default="print it")
    ] = None,
    unit: Annotated[
        Literal["mm", "m"] | None,
        option("--unit", "Unit of length.", show_default="mm; m for ros and gltf"),
    ] = None,
    up: Annotated[
        Literal["Y", "Z"] | None,
        option(
            "--up",
            "Axis that points up: turns the world about x where that is another in the rig "
            "file (Z, unless calib align chose Y).",
            show_default="as in the rig file; Y for gltf",
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Write a rig in an open format.

    Examples:
      calib export rig.h5 --to json -o rig.json
      calib export rig.h5 --to gltf --up Y -o rig.glb
      calib export rig.h5 --to colmap -o folder

    The rig's unit and axes are kept; --unit and --up change them, and every file says
    which it has. ROS and glTF are in metres by their own rules, glTF with y up. COLMAP
    counts pixels from the corner, so its principal points are half a pixel more; all
    others have the centre of the top-left pixel at (0, 0). A glTF camera has no
    distortion: lens, wand and covariance are in "extras". Camera names are written in
    file names with letters, digits and _ alone.
    """
    if to in FOLDERS and output is None:
        raise InputError(
            "-o",
            expected=f"a folder to write, as {to} is several files",
            found="none",
            remedy="Add -o FOLDER.",
        )
    if output is not None and to not in FOLDERS:
        check_output(output, force, inputs=[rig])
    from calib import files
    from calib.cli import console
    from calib.export.rig import export_glb, export_rig

    solved, read = loaded(files.load_rig, rig)
    source = f"{read['file']}, SHA-256 {read['sha256']}"
    if to is Format.gltf and output is not None and output.suffix.lower() == ".glb":
        write_bytes(output, export_glb(solved, unit=unit, up=up, source=source), force)
        console.wrote(output)
        return
    made = export_rig(solved, to, unit=unit, up=up, source=source)
    if output is None:
        assert isinstance(made, str)  # folders want a name
        console.print_document(made)
        return
    if isinstance(made, str):
        write_text(output, made, force)
    else:
        write_folder(output, made, force)
    console.wrote(output)
