"""The command that plans a rig: plan."""

# ruff: noqa: PLC0415 - what loads SciPy, OpenCV or HDF5 waits for the command that needs it: --help
# is quick

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.help import add
from calib.cli.options import AsJson, Explain, Force, file_name, inside
from calib.errors import InputError
from calib.outputs import check_output

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
        calib plan hall.toml --suggest -o better.toml
        """,
    )  # fmt: skip


def plan(
    file: PlanFile,
    suggested: Annotated[
        bool, typer.Option("--suggest", help="Turn, zoom and move cameras to meet the need.")
    ] = False,
    dropped: Annotated[
        int | None,
        typer.Option("--drop", metavar="K", help="Which K cameras one could do without.", min=1),
    ] = None,
    added: Annotated[
        int | None, typer.Option("--add", metavar="K", help="Where K more help most.", min=1)
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="NEW.toml", help="Plan file to write: what is suggested."
        ),
    ] = None,
    step: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            help="Step of the grid of places.",
            min=1.0,
            show_default="a twentieth of the volume",
        ),
    ] = None,
    force: Force = False,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Before mounting: what each camera sees, how precisely markers will be placed, and where to
    wave.

    Exit 0: the plan, or what is suggested, reaches what [need] states; 1: it does not.
    """
    if sum((suggested, dropped is not None, added is not None)) > 1:
        raise InputError("plan", expected="one of --suggest, --drop and --add", found="more")
    if output is not None:
        if not (suggested or dropped or added):
            raise InputError(
                "--output", expected="--suggest, --drop or --add beside it", found="none",
                remedy="Without them there is no new plan to write.",
            )  # fmt: skip
        check_output(output, force, inputs=[file])
    import calib
    from calib.cli import console
    from calib.plan import reach
    from calib.plan import suggest as better
    from calib.report import plan as report
    from calib.report.words import RIGGING

    planned, made = calib.load_plan(file), None
    with inside(file):
        if suggested:
            with console.progress() as progress:
                made = better.suggest(planned, step, progress)
        elif dropped is not None:
            made = better.drop(planned, dropped, step)
        elif added is not None:
            made = better.add(planned, added, step)
        found = calib.assess(planned, step) if made is None else made.after
        lost = reach.losses(found)
    if output is not None:
        calib.save_plan(found.plan, output, force)
    width = console.width()
    if as_json:
        told = (
            report.as_json(found, lost) if made is None else report.suggestion_as_json(made, lost)
        )
        console.print_json(told if output is None else {"file": str(output)} | told)
    else:
        lines = (
            report.as_lines(found, width, file_name(file), lost, explain)
            if made is None
            else report.suggestion_as_lines(made, width, file_name(file), lost)
        )
        console.print_report(lines)
        console.note(textwrap.fill(RIGGING, width or 120))
    if output is not None:
        console.note(f"wrote {output}")
    raise typer.Exit(0 if found.is_met else 1)
