"""The command that plans a rig: plan."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.help import argument, option
from calib.cli.options import AsJson, Explain, Force, check_ending
from calib.cli.reading import inside
from calib.errors import InputError
from calib.outputs import check_outputs, write_text

PlanFile = Annotated[
    Path | None,
    argument("PLAN", "Plan file (TOML); calib formats plan shows one.", show_default=False),
]


def plan(
    file: PlanFile = None,
    suggested: Annotated[
        bool, option("--suggest", "Turn, zoom and move cameras to meet the need.")
    ] = False,
    dropped: Annotated[
        int | None, option("--drop K", "Which K cameras one could do without.", min=1)
    ] = None,
    added: Annotated[int | None, option("--add K", "Where K more help most.", min=1)] = None,
    built: Annotated[
        Path | None, option("--compare RIG", "Hold a calibrated rig against the plan.")
    ] = None,
    source: Annotated[
        Path | None, option("--from RIG", "Write a plan of a rig that stands (with -o).")
    ] = None,
    pitch: Annotated[
        float | None,
        option(
            "--pitch MM",
            "With --from: size of a pixel, which a rig file does not hold.",
            min=1e-4,
            max=0.1,
        ),
    ] = None,
    output: Annotated[Path | None, option("-o --output NEW.toml", "Plan file to write.")] = None,
    plot: Annotated[
        Path | None, option("--plot OUT.html", "Also draw it, as a page of charts.")
    ] = None,
    step: Annotated[
        float | None,
        option(
            "--step MM",
            "Step of the grid of places.",
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

    Exit 0: the plan, what is suggested or the rig as built reaches what [need] states; 1: it does
    not.

    Examples:
      calib formats plan --example > hall.toml
      calib plan hall.toml
      calib plan hall.toml --suggest -o better.toml
      calib plan better.toml --compare aligned.h5
      calib plan --from aligned.h5 --pitch 0.0045 -o stands.toml
    """
    makes = suggested, dropped is not None, added is not None, source is not None
    if sum((*makes, built is not None)) > 1:
        raise InputError(
            "plan", expected="one of --suggest, --drop, --add, --compare and --from", found="more"
        )
    if output is not None and not any(makes):
        raise InputError(
            "--output",
            expected="--suggest, --drop, --add or --from beside it",
            found="none",
            remedy="Without them there is no new plan to write.",
        )
    if (file is None) != (source is not None):
        raise InputError(
            "plan",
            expected="a plan file, or --from RIG alone",
            found="neither" if file is None else "both",
        )
    check_ending("--plot", plot)
    check_outputs([output, plot], force, inputs=[file, built, source])
    if source is not None:
        _write_from(source, pitch, output, force)
    else:
        assert file is not None
        chosen = dropped or added or 0
        how = "suggest" if suggested else "drop" if dropped else "add" if added else ""
        _judge(file, how, chosen, built, output, plot, step, force, explain, as_json)


def _write_from(source: Path, pitch: float | None, output: Path | None, force: bool) -> None:
    """Write a plan of a rig that stands."""
    if output is None or pitch is None:
        raise InputError(
            "--from",
            expected="-o NEW.toml and --pitch MM beside it",
            found="no -o" if output is None else "no --pitch",
        )
    import calib
    from calib.cli import console
    from calib.core.names import command
    from calib.plan.compare import plan_of

    rig = calib.load_rig(source)
    with inside(source):
        stands = plan_of(rig, pitch, source.stem)
    calib.save_plan(stands, output, force)
    then = command("plan", str(output))
    console.note(f"wrote {output}: state its [need], room and rails, then: {then}")


def _judge(
    file: Path,
    how: str,
    n: int,
    built: Path | None,
    output: Path | None,
    plot: Path | None,
    step: float | None,
    force: bool,
    explain: bool,
    as_json: bool,
) -> None:
    """Judge a plan, what is suggested for it or a rig built by it; exit 1 where that lacks."""
    import calib
    from calib.cli import console
    from calib.plan import compare, reach
    from calib.plan import suggest as better
    from calib.report.planned import built as of_built
    from calib.report.planned import changed, judged
    from calib.report.words import RIGGING

    planned = calib.load_plan(file)
    rig = None if built is None else calib.load_rig(built)
    with inside(file), console.progress() as progress:
        if rig is not None:
            stands = compare.compare(planned, rig, step)
            found, document = stands.found, of_built.as_json(stands)
            told = of_built.as_blocks(stands, explain)
        elif how:
            made = (
                better.suggest(planned, step, progress)
                if how == "suggest"
                else {"drop": better.drop, "add": better.add}[how](planned, n, step)
            )
            found, lost = made.after, reach.losses(made.after)
            document = changed.as_json(made, lost)
            kept = str(output or "")
            told = changed.as_blocks(made, str(file), lost, explain, kept)
        else:
            found = calib.assess(planned, step)
            lost = reach.losses(found)
            document = judged.as_json(found, lost)
            told = judged.as_blocks(found, str(file), lost, explain)
    if output is not None:
        calib.save_plan(found.plan, output, force)
    if plot is not None:
        from calib.report.page.charts import plan_page

        write_text(plot, plan_page(found), force)
    if as_json:
        console.print_json(document if output is None else {"file": str(output)} | document)
    else:
        console.print_report(told)
        console.note(textwrap.fill(RIGGING, console.width() or 120))
    console.wrote(output, plot)
    raise typer.Exit(0 if found.is_met else 1)
