"""Commands that make and judge captures: import, inspect."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.help import argument, option
from calib.cli.options import AsJson, DropOutside, Explain, Force, TracksFile
from calib.cli.reading import load_capture
from calib.errors import InputError


def import_table(
    table: Annotated[
        Path, argument("CSV", "Columns camera,frame,x,y and optionally marker,radius.")
    ],
    cameras: Annotated[
        Path, argument("CAMERAS.toml", "frame_rate and a [cameras.<name>] table for each camera.")
    ],
    output: Annotated[Path, option("-o --output TRACKS", "Tracks file to write.")],
    drop_outside: DropOutside = False,
    force: Force = False,
) -> None:
    """Make a tracks file from comma-separated values.

    Examples:
      calib import points.csv cameras.toml -o tracks.h5

    "calib formats table" and "calib formats cameras" show both files.
    """
    from calib import files
    from calib.cli.console import note, wrote_points
    from calib.core.names import counted
    from calib.intake.table import every

    files.check_output(output, force, inputs=[table, cameras])
    tracks = files.load_table(table, cameras, drop_outside)
    if not any(c.n_points or c.n_outside for c in tracks.cameras):
        raise InputError(
            str(table),
            expected="a row for each point, below the header",
            found="none",
            remedy="Export the points again.",
        )
    files.save_tracks(tracks, output, force)
    for c in tracks.cameras:
        if c.n_outside:
            note(f"{c.name}: {counted(c.n_outside, 'point')} outside its sensor left out")
    if (step := every(tracks)) > 1:
        note(
            f"frame numbers go up by {step} or more at a time: if frames were not left out but "
            "times or fields counted, divide them"
        )
    wrote_points(output, tracks.cameras)


def inspect(
    tracks: TracksFile,
    wand: Annotated[
        Path | None, option("--wand WAND", "Wand file (TOML); without it less is told.")
    ] = None,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Say whether a capture is good enough to solve, and what a solve would say: counts, coverage,
    overlap, islands, timing, the wave, cameras to be read otherwise, a wand unlike its file.

    Examples:
      calib inspect tracks.h5 --wand wand.toml
    """
    import calib
    from calib.check.verdicts import Shortcoming, Verdict
    from calib.cli import console
    from calib.report.captures import inspection as report

    at_the_camera = {Shortcoming.BLIND, Shortcoming.TIMING, Shortcoming.MISREAD}
    if wand is None:
        capture, stated = calib.load_tracks(tracks, drop_outside=True), None
    else:
        capture, stated = load_capture(tracks, wand, drop_outside=True)
    with console.progress() as progress:
        found = calib.inspect(capture, stated, progress)
    if as_json:
        console.print_json(report.as_json(found))
    else:
        named = str(tracks), "WAND" if wand is None else str(wand)
        console.print_report(report.as_blocks(found, explain, named))
        if any(f.severity == Verdict.ACT and f.kind in at_the_camera for f in found.findings):
            console.caution()
    raise typer.Exit(0 if found.good else 1)
