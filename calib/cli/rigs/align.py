"""The command that sets origin and axes: align."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from calib.cli.help import argument, option
from calib.cli.options import AsJson, Force, RigFile
from calib.cli.reading import inside, loaded, provenance
from calib.errors import InputError
from calib.outputs import check_output

if TYPE_CHECKING:
    from calib.core.rig import Rig
    from calib.prove.align import Alignment


def align(
    rig: RigFile,
    output: Annotated[Path, option("-o --output RIG", "Rig file to write.")],
    tracks: Annotated[
        Path | None,
        argument(
            "TRACKS", "Tracks of markers on the floor; not needed with --like.", show_default=False
        ),
    ] = None,
    points: Annotated[
        str | None,
        option(
            "--points A,B,C",
            "Three markers by number, nameless ones as the table has them: origin, on x, on the "
            "side of y. Without any layout: a right angle of three markers or more, its long leg "
            "x, its short one y.",
        ),
    ] = None,
    plane: Annotated[bool, option("--plane", "Four markers or more show the floor alone.")] = False,
    wand: Annotated[
        bool,
        option("--wand", "The rig's wand lies on the floor: its first marker the origin, x along."),
    ] = False,
    survey: Annotated[
        Path | None, option("--survey FILE", "Markers with known coordinates (as a wand file).")
    ] = None,
    survey_scale: Annotated[
        bool, option("--survey-scale", "Also take over the survey's scale.")
    ] = False,
    like: Annotated[
        Path | None,
        option("--like RIG", "The world of an earlier rig, by the cameras that still stand."),
    ] = None,
    height: Annotated[
        float, option("--height MM", "Height of marker centres above the floor.")
    ] = 0.0,
    up: Annotated[Literal["z", "y"], option("--up", "The axis that points up.")] = "z",
    square_deg: Annotated[
        float, option("--square-deg", "A right angle may be off by this, in degree.", min=0.0)
    ] = 1.0,
    flat_mm: Annotated[
        float | None,
        option(
            "--flat-mm",
            "Markers may be off one height by this, in mm.",
            min=0.0,
            show_default="3 of a frame, 10 of a floor",
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Set origin and axes by markers on the floor, or as an earlier rig had them.

    Examples:
      calib align rig.h5 floor.h5 -o aligned.h5
      calib align rig.h5 floor.h5 --points 2,3,1 --height 8 -o aligned.h5
      calib align rig.h5 points.h5 --survey survey.toml -o aligned.h5
      calib align rig.h5 --like old_rig.h5 -o aligned.h5

    The markers at rest in the capture are taken, named or not. Without another layout
    they are a right angle on the floor: its long leg is x, its short one y, and up is
    where the cameras are. --wand is the rig's wand laid down (a line in two places),
    --up y has another axis up. A frame that is not square, not flat, mirrored or with
    its legs swapped is refused with the numbers. --like needs no floor: the cameras
    that still stand carry the earlier rig's world over. The rig's own scale stays,
    unless --survey-scale says otherwise, and its error bars go along.
    """
    check_output(output, force, inputs=[rig, tracks, survey, like])
    if (tracks is None) == (like is None):
        raise InputError(
            "align",
            expected="either TRACKS of markers on the floor or --like RIG",
            found="neither" if like is None else "both",
            remedy="Give one of them.",
        )
    layout = (points, plane or None, wand or None, survey, survey_scale or None, height or None)
    if like is not None and (any(v is not None for v in layout) or up == "y"):
        raise InputError(
            "--like",
            expected="no layout of markers with it",
            found="one",
            remedy="The earlier rig's world is taken as it is: leave the other options out.",
        )
    from calib import files
    from calib.cli import console
    from calib.core.names import command
    from calib.report.proofs.align import as_blocks
    from calib.report.proofs.align import as_json as table

    read: dict[str, Any] = {}
    solved, read["rig"] = loaded(files.load_rig, rig)
    made, how = (
        _by_old(solved, like, read)
        if like
        else _by_markers(
            solved,
            tracks,
            survey,
            read,
            points=_three(points),
            is_plane=plane,
            is_wand=wand,
            with_scale=survey_scale,
            height_mm=height,
            up=up,
            square_deg=square_deg,
            flat_mm=flat_mm,
        )
    )
    made = replace(made, alignment=provenance("align", read=read) | dict(made.alignment or {}))
    files.save_rig(made, output, force)
    if as_json:
        console.print_json({"file": str(output), **table(how)})
    else:
        test = command("verify", str(output), "BAR", "--bar", "BAR.toml", "-o", "verified.h5")
        then = f"{test}    # lengths of a certified bar"
        console.print_report(as_blocks(how, then))
    if solved.verification is not None:
        console.note("the length test was told in the world before: test again, calib verify")
    if how.scale != 1.0:
        console.note(
            f"the rig's scale was changed by {how.scale - 1.0:+z.4%}: its lengths are now the "
            "survey's, no longer the wand's"
        )
    console.wrote(output)


def _by_old(solved: Rig, like: Path, read: dict[str, Any]) -> tuple[Rig, Alignment]:
    from calib import files
    from calib.prove.like import align_like

    old, read["like"] = loaded(files.load_rig, like)
    with inside(like):
        return align_like(solved, old)


def _by_markers(
    solved: Rig, tracks: Path | None, survey: Path | None, read: dict[str, Any], **options: Any
) -> tuple[Rig, Alignment]:
    from calib import files
    from calib.prove.align import AlignOptions
    from calib.prove.align import align as run

    assert tracks is not None
    capture, read["tracks"] = loaded(files.load_tracks, tracks)
    known = None
    if survey is not None:
        known, read["survey"] = loaded(files.load_wand, survey)
    chosen = AlignOptions(survey=known, **options)
    with inside(tracks, TRACKS=tracks):
        return run(solved, capture, chosen)


def _three(text: str | None) -> tuple[int, ...]:
    if text is None:
        return ()
    parts = [p.strip() for p in text.split(",")]
    if len(parts) != 3 or not all(p.isdecimal() for p in parts):
        raise InputError(
            "--points", expected="three markers by number, such as 0,1,2", found=repr(text)
        )
    return tuple(map(int, parts))
