"""The command that plans a rig: plan."""

# ruff: noqa: PLC0415 - what loads SciPy, OpenCV or HDF5 waits for the command that needs it: --help
# is quick

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.help import add
from calib.cli.options import AsJson, file_name, inside

PlanFile = Annotated[
    Path,
    typer.Argument(
        metavar="PLAN", help="Plan file (TOML); calib formats plan shows one.", show_default=False
    ),
]


def add_commands(app: typer.Typer) -> None:
    """Add this command to the program."""
    add(
        app, "plan", plan,
        """
        calib formats plan --example > hall.toml
        calib plan hall.toml
        """,
    )  # fmt: skip


def plan(
    file: PlanFile,
    step: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            help="Step of the grid of places.",
            min=1.0,
            show_default="a twentieth of the volume",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Before mounting: what each camera sees, how precisely markers will be placed, and where to
    wave.

    Exit 0: the plan reaches what its [need] states; 1: it does not.
    """
    import calib
    from calib.cli import console
    from calib.report import plan as report
    from calib.report.words import RIGGING

    planned = calib.load_plan(file)
    with inside(file):
        found = calib.assess(planned, step)
    if as_json:
        console.print_json(report.as_json(found))
    else:
        console.print_report(report.as_lines(found, console.width(), file_name(file)))
        console.note(textwrap.fill(RIGGING, console.width() or 120))
    raise typer.Exit(0 if found.is_met else 1)
