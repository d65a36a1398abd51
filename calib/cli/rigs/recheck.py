"""Commands about a rig over time: recheck with repair, and history."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.help import argument, option
from calib.cli.options import AsJson, Explain, Force, RigFile, TracksFile, check_ending
from calib.cli.reading import file_name, inside, loaded, provenance
from calib.core.names import command
from calib.errors import InputError
from calib.outputs import check_output, check_outputs, together, write_text

if TYPE_CHECKING:
    from calib.check.recheck.outcome import Recheck
    from calib.core.rig import Rig


def recheck(
    rig: RigFile,
    tracks: TracksFile,
    of_any: Annotated[
        bool,
        option(
            "--any", "The capture is of whatever markers were in view: nameless, moving, no wand."
        ),
    ] = False,
    repair: Annotated[
        bool,
        option(
            "--repair", "Solve the cameras that moved anew against the others, and write a rig."
        ),
    ] = False,
    output: Annotated[
        Path | None, option("-o --output RIG", "Rig file that --repair writes.")
    ] = None,
    matters_px: Annotated[
        float,
        option(
            "--matters-px",
            "A change matters beyond this, in px: the noise of a well-lit marker.",
            min=0.0,
        ),
    ] = 0.2,
    matters_mm: Annotated[
        float,
        option(
            "--matters-mm",
            "Or beyond this, in mm in the volume: what a room-sized rig is trusted to.",
            min=0.0,
        ),
    ] = 0.5,
    force: Force = False,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Recheck a rig by a new, short wave, or by the markers of everyday work: which cameras moved,
    by how much, how sure; repair those alone.

    Examples:
      calib recheck rig.h5 short_wave.h5
      calib recheck rig.h5 short_wave.h5 --repair -o new_rig.h5
      calib recheck rig.h5 day.h5 --any

    Twenty seconds of waving will do. It also tells exchanged names, a capture of
    another rig, a camera that moved during the wave, and which way a camera went. Time
    offsets that the rig knows count. Where errors last for a while (hidden markers,
    warm air) a small change is called undecided rather than moved.
    """
    typed = ["recheck", str(rig), str(tracks), *(["--any"] if of_any else [])]
    if repair and output is None:
        to_write = command(*typed, "--repair", "-o", "NEW_RIG")
        raise InputError(
            "--repair", expected="-o with the rig file to write", found="none", remedy=to_write
        )
    if output is not None and not repair:
        to_repair = command(*typed, "--repair", "-o", str(output))
        raise InputError("-o", expected="--repair with it", found="none", remedy=to_repair)
    if output is not None:
        check_output(output, force, inputs=[rig, tracks])
    import calib
    from calib.cli import console
    from calib.report.changes import recheck as report
    from calib.report.changes.remedies import why_not
    from calib.report.words import OVERHEAD

    stored, rig_read = loaded(calib.load_rig, rig)
    capture, read = loaded(calib.load_tracks, tracks)
    options = calib.RecheckOptions(matters_px=matters_px, matters_mm=matters_mm)
    with inside(tracks, RIG=rig, TRACKS=tracks), console.progress() as progress:
        ask = calib.recheck_any if of_any else calib.recheck
        found = ask(stored, capture, options, progress)
    document, notes, then = report.as_json(found), [], None
    solved_from = stored.provenance.get("tracks")
    is_own = isinstance(solved_from, dict) and solved_from.get("sha256") == read["sha256"]
    document["is_own_capture"] = is_own
    if output is not None:
        if changed := found.repairable:
            with inside(tracks, RIG=rig, TRACKS=tracks), console.progress() as progress:
                mended = _repaired(stored, found, changed, progress, read, rig_read["sha256"])
            calib.save_rig(mended, output, force)
            notes += [f"solved anew: {_how_sure(mended, name)}" for name in changed]
            notes.append(f"wrote {output}")
            # A capture without a wand has no residuals to look at.
            fits = command("residuals", str(output), str(tracks)) + "    # does all fit now?"
            placed = command("precision", str(output)) + "    # how well a marker is placed"
            then = placed if of_any else fits
        else:
            notes.append(f"nothing written to {output}: {why_not(found)}")
        document |= {"repaired": list(changed), "rig": str(output) if changed else None}
    if as_json:
        console.print_json(document)
    else:
        given = shlex.join([str(rig), str(tracks)])
        own = (
            f"{tracks.name} is the capture that the rig was solved from: wave again, for it cannot"
        )
        told = [f"{own} show what changed since."] if is_own else []
        console.print_report([*told, *report.as_blocks(found, given, explain, then)])
    for note in notes:
        console.note(note)
    if found.needs_a_hand and not as_json:
        console.caution(OVERHEAD if found.may_hang_loose else "")
    raise typer.Exit(0 if found.is_settled else 1)


def _how_sure(rig: Rig, name: str) -> str:
    """Return a camera and how sure its new position and rotation are, over x, y and z together."""
    mm, deg = (float((sigma @ sigma) ** 0.5) for sigma in rig.sigmas(name))
    return f"{name}, position ± {mm:.2f} mm, rotation ± {deg:.4f}° (one standard uncertainty)"


def _repaired(
    stored: Rig,
    found: Recheck,
    changed: dict[str, tuple[str, ...]],
    progress: Any,
    read: dict[str, str],
    parent_sha256: str,
) -> Rig:
    """Return the repaired rig; ``read`` names the wave's file and its SHA-256."""
    from calib.solve.repair import repair

    kept = {k: v for k, v in stored.provenance.items() if k in {"wand", "options"}}
    made = provenance(
        "recheck --any --repair" if found.is_any else "recheck --repair",
        tracks=read,
        repaired={name: ["pose", *terms] for name, terms in changed.items()},
        **kept,
    )
    return replace(
        repair(stored, found.tracks, changed, progress, is_any=found.is_any),
        provenance=made,
        captured_at=found.tracks.captured_at,
        parent_sha256=parent_sha256,
    )


def history(
    rigs: Annotated[
        list[Path], argument("FILES_OR_DIR", "Rig files of one rig, or a folder of them.")
    ],
    csv: Annotated[Path | None, option("--csv OUT", "Also write every figure as CSV.")] = None,
    plot: Annotated[
        Path | None, option("--plot OUT", "Also draw it: a page of charts, .html.")
    ] = None,
    force: Force = False,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Show how a rig changed from file to file: which cameras drift, which jumped, how sure.

    Examples:
      calib history rigs/
      calib history may.h5 june.h5 july.h5 --plot history.html --csv history.csv
    """
    paths = _rig_files(rigs)
    check_ending("--plot", plot)
    check_outputs([csv, plot], force, inputs=paths)
    import calib
    from calib import files
    from calib.cli import console
    from calib.export.history import history_as_csv
    from calib.report.changes import history as report
    from calib.report.words import OVERHEAD

    entries = [
        calib.Entry(file_name(path), *files.with_sha256(calib.load_rig, path)) for path in paths
    ]
    found = calib.history(entries)
    last = paths[entries.index(found.entries[-1])]
    with together():
        if csv is not None:
            write_text(csv, history_as_csv(found), force)
        if plot is not None:
            from calib.report.page.charts import history_page

            write_text(plot, history_page(found), force)
    if as_json:
        console.print_json(report.as_json(found))
    else:
        console.print_report(report.as_blocks(found, explain, str(last)))
        if found.needs_a_hand:
            console.caution(OVERHEAD)
    console.wrote(csv, plot)
    raise typer.Exit(1 if found.needs_a_hand else 0)


def _rig_files(given: list[Path]) -> list[Path]:
    """Return the files named, and of a folder its rig files (*.h5, *.hdf5) by name."""
    paths: list[Path] = []
    for path in given:
        if path.is_dir():
            inside_it = sorted(
                p for p in path.iterdir() if p.suffix in {".h5", ".hdf5"} and _is_rig(p)
            )
            if not inside_it:
                raise InputError(
                    str(path), expected="rig files (*.h5, *.hdf5)", found="none in this folder"
                )
            paths += inside_it
        else:
            paths.append(path)
    unique = list(dict.fromkeys(paths))
    if len(unique) < 2:
        raise InputError(
            "FILES_OR_DIR",
            expected="two rig files or more",
            found=", ".join(map(str, unique)) or "none",
            remedy="Name the rig's earlier files as well.",
        )
    return unique


def _is_rig(path: Path) -> bool:
    """Return whether a file of a folder is a rig; others, such as tracks, lie beside them."""
    from calib import files

    try:
        return files.kind_of(path) == "rig"
    except InputError as error:
        if error.where == f"{path}: format":  # another program's
            return False
        raise
