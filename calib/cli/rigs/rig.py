"""Commands that solve a rig and show its residuals."""

from __future__ import annotations

import functools
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from calib.cli.help import option
from calib.cli.options import (
    AsJson,
    DropOutside,
    Explain,
    Force,
    RigFile,
    TracksFile,
    halves,
    only_one,
)
from calib.cli.reading import inside, loaded, provenance
from calib.core.names import command, listed, numbers_in
from calib.errors import InputError
from calib.outputs import check_output

if TYPE_CHECKING:
    from calib.check.residuals import ResidualTable
    from calib.core.rig import Rig
    from calib.naming.identify import Identification
    from calib.solve.calibrate import SolveOptions
    from calib.solve.start.single import KnownDistance


def solve(
    tracks: TracksFile,
    output: Annotated[Path, option("-o --output RIG", "Rig file to write.")],
    wand: Annotated[
        Path | None, option("--wand WAND", "Wand file (TOML); not needed with --distance.")
    ] = None,
    lens: Annotated[
        Literal["free", "hold"] | None,
        option(
            "--lens",
            "free: solve for the lenses; hold: keep the measured K and dist.",
            show_default="hold where K is given, else free",
        ),
    ] = None,
    terms: Annotated[
        str,
        option(
            "--terms auto|LIST",
            "Lens terms: what the capture shows to be there, or a list, of focal, "
            "aspect, principal, k1, k2, k3,"
            " tangential, rational.",
        ),
    ] = "auto",
    partial: Annotated[
        bool,
        option("--partial", "Solve the largest connected part, leaving out the other cameras."),
    ] = False,
    frames: Annotated[
        str, option("--frames all|N", "Frames to use: all, or N spread evenly over the capture.")
    ] = "all",
    timing: Annotated[
        bool, option("--timing", "Also find each camera's time offset, from the wand's motion.")
    ] = False,
    distance: Annotated[
        str | None,
        option(
            "--distance CAM,CAM,MM[,SIGMA]",
            "Known distance of two cameras, for the scale of a capture of a single "
            "marker (sigma: 5 mm).",
        ),
    ] = None,
    drop_outside: DropOutside = False,
    force: Force = False,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Solve a rig from a wand wave: every camera's pose and lens at true scale.

    Examples:
      calib solve tracks.h5 --wand wand.toml -o rig.h5
      calib solve tracks.h5 --wand wand.toml --frames 300 -o quick.h5
      calib solve tracks.h5 --distance cam01,cam02,3500,5 -o rig.h5    # a single marker

    Lenses are solved along with the poses unless the tracks state measured ones (K,
    dist), which are then kept. What is not known of a kept lens counts in the error
    bars: as the tracks state it (lens_sigma), else half a percent; a stated lens that
    the capture contradicts is named. With --terms auto each lens gets what the capture
    shows it to have beside focal length, centre, k1 and k2 (the table's column lens). A
    zoom ring's number may be off by a third, or missing.

    Tracks without names are named first, as by "calib identify", and all such names are
    checked across cameras once the rig stands.

    Markers that hide for a moment, warm air and mounts that tremble put all points of a
    camera off together for a while. Such stretches are left out, the table says when
    and in which cameras, and what is left of them is in the error bars.

    What a capture leaves open (a focal length against a distance, a turn) ends the
    solve with the cameras and the direction named. The rig is also judged as a whole: a
    wand that is not as its file says, bends or has a marker off its place; a rig that
    changed during the wave; much that fits nothing; two cameras that do not fit each
    other; cameras that are mirrored, upside down, out of step or with marker names
    reversed.

    A single bright marker carried about will do from three cameras on, or two with
    measured lenses. Its images have no length in them: the distance of two cameras (mm,
    and its standard uncertainty, which the error bars include) gives the scale. A
    wand's capture has its scale and refuses the option.

    The rig file keeps, beside poses, lenses and covariance, time offsets, cameras left
    out and why, what the solve had to say, when the wave was taken, and what was read.
    """
    if wand is None and distance is None:
        raise typer.BadParameter(
            "missing, and no --distance for a capture of a single marker", param_hint="--wand"
        )
    check_output(output, force, inputs=[tracks, wand])
    import calib
    from calib import files
    from calib.cli import console
    from calib.pipeline import solve_rig
    from calib.prove.precision import one_line
    from calib.report.captures import names
    from calib.report.proofs.precision import of_wave_as_json
    from calib.report.rigs import residuals as report

    read = functools.partial(calib.load_tracks, drop_outside=drop_outside)
    capture, tracks_read = loaded(read, tracks)
    stated, wand_read = None, None
    if wand is not None:
        stated, wand_read = loaded(calib.load_wand, wand)
        with inside(tracks, TRACKS=tracks):
            capture.check_markers(len(stated.markers))
    chosen = tuple(term.strip() for term in terms.split(",") if term.strip())
    if not chosen:
        raise InputError(
            "--terms",
            expected="one term or more",
            found="none",
            remedy="To keep the lenses: --lens hold.",
        )
    nominal = [c.name for c in capture.cameras if c.lens is None]
    if lens == "hold" and nominal:
        console.note(
            f"held at the nominal focal length, which may be a quarter off: {listed(nominal)}"
        )
    options = calib.SolveOptions(
        lens=lens or "auto",
        terms="auto" if chosen == ("auto",) else chosen,
        partial=partial,
        frames=_n_frames(frames),
        timing=timing,
        distance=None if distance is None else _known_distance(distance, capture.names),
    )
    with console.progress() as progress:
        solution = solve_rig(capture, stated, options, progress)
    rig, named, table = solution.rig, solution.named, solution.table
    made = provenance("solve", tracks=tracks_read, wand=wand_read, **rig.provenance)
    rig = replace(rig, provenance=made)
    files.save_rig(rig, output, force)
    identified = {} if named is None else {"identify": names.as_json(named)}
    if as_json:
        console.print_json(
            {
                "file": str(output),
                **report.as_json(table),
                "findings": list(rig.findings),
                "precision": of_wave_as_json(rig),
            }
            | identified
        )
    else:
        floor = command("align", str(output), "FLOOR", "-o", "aligned.h5")
        read_from = {"RIG": output, "TRACKS": tracks} | ({} if wand is None else {"WAND": wand})
        _print_table(table, explain, read_from, f"{floor}    # origin and axes", one_line(rig))
        for note in _notes(rig, named, options):
            console.note(note)
        console.wrote(output)
    raise typer.Exit(1 if rig.left_out or table.needs_a_hand else 0)


def _notes(rig: Rig, named: Identification | None, options: SolveOptions) -> list[str]:
    """Return what there is to say of a solve beside its table."""
    from calib.report.captures import names

    out = []
    if named is not None:
        how = "; calib identify lists them and keeps the names"
        if options.distance is None:
            out.append(f"markers were not identified: {names.summary(named)}{how}")
        else:
            out.append(names.summary(named, "the single marker"))
    if options.distance is not None:
        out.append(f"scale from the distance of {options.distance}")
    return [*out, *rig.findings]


def _n_frames(text: str) -> int | None:
    if text != "all" and not re.fullmatch(r"\d{1,18}", text):
        raise InputError("--frames", expected="all, or a number of frames", found=repr(text))
    return None if text == "all" else int(text)


def _known_distance(text: str, names: Sequence[str]) -> KnownDistance:
    from calib.solve.start.single import KnownDistance

    parts = text.split(",")
    ends = [(",".join(parts[:-n]), ",".join(parts[-n:])) for n in (1, 2)]
    readings = [
        (*pair, end)
        for start, end in ends
        if numbers_in(end)
        for pair in halves(start, ",")
        if set(pair) <= set(names)
    ]
    if reading := only_one("--distance", text, readings):
        first, second, end = reading
    else:  # of a camera that is not there, told by the solve
        first, second, end = map(str.strip, [*text.split(",", 2), "", ""][:3])
    if len(numbers := numbers_in(end)) not in {1, 2}:
        raise InputError(
            "--distance", expected="CAMERA,CAMERA,MM or CAMERA,CAMERA,MM,SIGMA", found=repr(text)
        )
    return KnownDistance(first, second, *numbers)


def residuals(
    rig: RigFile, tracks: TracksFile, explain: Explain = False, as_json: AsJson = False
) -> None:
    """Print what each camera's points leave unexplained, worst camera first, and which cameras need
    a hand.

    Examples:
      calib residuals rig.h5 tracks.h5

    Points of cameras that the rig knows to be late are moved before they are judged.
    """
    import calib
    from calib.cli import console
    from calib.report.rigs import residuals as report

    solved, capture = calib.load_rig(rig), calib.load_tracks(tracks)
    with inside(tracks, TRACKS=tracks):
        table = calib.residuals(solved, capture)
    if as_json:
        console.print_json(report.as_json(table))
    else:
        _print_table(table, explain, {"RIG": rig, "TRACKS": tracks})
    raise typer.Exit(1 if table.needs_a_hand else 0)


def _print_table(
    table: ResidualTable, explain: bool, files: dict[str, Path], then: str = "", figure: str = ""
) -> None:
    from calib.cli import console
    from calib.report.rigs.residuals import as_blocks
    from calib.report.words import OVERHEAD

    named = {stands_for: str(path) for stands_for, path in files.items()}
    told = as_blocks(table, explain, then, named)
    console.print_report([*told, *([figure] if figure else [])])
    if table.sends_up:
        console.caution(OVERHEAD if table.may_hang_loose else "")
