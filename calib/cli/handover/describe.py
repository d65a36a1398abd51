"""Commands that tell what files hold: describe, formats."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from calib.cli.help import argument, option
from calib.cli.options import AsJson
from calib.errors import InputError


def describe(
    file: Annotated[
        Path,
        argument(
            "FILE",
            "Tracks, rig, points, wand, plan, camera list, image list or scenario.",
            show_default=False,
        ),
    ],
    as_json: AsJson = False,
) -> None:
    """Tell what a file holds: its kind, cameras, counts, poses, dates, and where it came from.

    Examples:
      calib describe rig.h5
    """
    from calib import files
    from calib.cli import console
    from calib.report.papers import description as report
    from calib.report.papers.describe import describe as described

    held, sha256 = files.with_sha256(_load, file)
    found = described(held)
    if as_json:
        console.print_json(report.as_json(found, str(file), sha256))
    else:
        console.print_report(report.as_blocks(found, sha256))


def _load(path: Path) -> object:
    from calib import files
    from calib.simulate import Scenario

    kind = files.kind_of(path)
    if kind == "scenario":
        return files.load_scenario(path, Scenario.from_dict)
    load = files.load_image_list if kind == "images" else getattr(files, f"load_{kind}")
    held: object = load(path)
    return held


def formats(
    name: Annotated[
        str | None,
        argument(
            "NAME",
            "tracks, table, cameras, images, wand, survey, plan, rig, points or scenario.",
            show_default=False,
        ),
    ] = None,
    example: Annotated[
        bool, option("--example", "Print the example alone, to start a file from.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List the file formats, or what one of them holds, with a complete example.

    Examples:
      calib formats
      calib formats wand
      calib formats wand --example > wand.toml
    """
    if example and (name is None or as_json):
        raise InputError(
            "--example", expected="the name of one format, and no --json", found="something else"
        )
    from calib.cli import console
    from calib.report.papers import formats as report

    if name is None:
        chosen, told = report.formats(), report.overview()
    else:
        one = report.named(name)
        chosen, told = (one,), report.as_blocks(one)
        if example:
            console.print_document(one.example)
            return
    if as_json:
        console.print_json(report.as_json(chosen))
    else:
        console.print_report(told)
