"""The command that makes a page to look at: report."""

from __future__ import annotations

import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.help import option
from calib.cli.options import Force, RigFile, TracksFile, check_ending
from calib.cli.reading import inside, loaded
from calib.errors import InputError
from calib.outputs import check_output, write_text

if TYPE_CHECKING:
    from calib.core.rig import Rig
    from calib.report.figures.moves import Moves


def report(
    rig: RigFile,
    tracks: TracksFile,
    output: Annotated[Path, option("-o --output REPORT.html", "Page to write.")],
    again: Annotated[
        Path | None,
        option(
            "--recheck NEW_TRACKS",
            "A later capture: also show which cameras moved since, and where.",
        ),
    ] = None,
    of_any: Annotated[
        bool,
        option("--any", "That capture is of whatever markers were in view: no wand, no names."),
    ] = False,
    before: Annotated[
        Path | None,
        option(
            "--before OLD_RIG", "An earlier file of the same rig: also show what changed since."
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Make one page to look at, print or send: the rig in 3D, every camera, what to do first.

    Examples:
      calib report rig.h5 tracks.h5 -o report.html
      calib report rig.h5 tracks.h5 --recheck short.h5 -o moved.html
      calib report rig.h5 tracks.h5 --recheck day.h5 --any -o moved.html
      calib report new.h5 tracks.h5 --before rig.h5 -o repaired.html

    The page is one file that needs no network. It has the rig in 3D, what to do first, every
    camera's residuals, the links between cameras and the wand's lengths over the volume, and
    prints on A4.
    """
    if again is not None and before is not None:
        raise InputError(
            "--recheck, --before", expected="one of them", found="both", remedy="Make two pages."
        )
    if of_any and again is None:
        raise InputError(
            "--any",
            expected="--recheck with it, the capture that it is about",
            found="none",
            remedy="Add --recheck NEW_TRACKS, or leave --any out.",
        )
    check_ending("-o", output)
    check_output(output, force, inputs=[rig, tracks, again, before])
    import calib
    from calib.cli import console
    from calib.report import figures
    from calib.report.page.make import Source, html_report
    from calib.report.papers.describe import file_read

    read: dict[str, dict[str, str]] = {}
    solved, read["rig file"] = loaded(calib.load_rig, rig)
    capture, read["tracks read for this page"] = loaded(calib.load_tracks, tracks)
    moves, title = None, ""
    with console.progress() as progress:
        if again is not None:
            new, read["tracks of the recheck"] = loaded(calib.load_tracks, again)
            with inside(again, RIG=rig, TRACKS=again):
                ask = calib.recheck_any if of_any else calib.recheck
                found = ask(solved, new, progress=progress)
                names = shlex.join([str(rig), str(again)])
                moves = figures.of_recheck(solved, found, names)
            title = f"Rechecked by {again.name}"
        if before is not None:
            old, read["rig file before"] = loaded(calib.load_rig, before)
            moves = _between(before, old, rig, solved)
            title = f"Since {before.name}"
        progress("page", 0, 1)
        now = datetime.now(UTC).isoformat(timespec="minutes")
        source = Source(
            title=rig.name,
            capture=tracks.name,
            files=[(label, file_read(stated)) for label, stated in read.items()],
            made_at=f"{now} by calib {calib.__version__}",
            moves_title=title,
            typed={"RIG": str(rig), "TRACKS": str(tracks)},
        )
        with inside(tracks, TRACKS=tracks):
            kept = [n for n in capture.names if n in solved.names or n not in solved.left_out]
            named = calib.named_tracks(solved, capture.subset(kept))
            page = html_report(solved, named, source, moves=moves)
    write_text(output, page.html, force)
    size = len(page.html.encode()) / 1e6
    console.note(f"wrote {output} ({size:.1f} MB): open it in a browser")
    raise typer.Exit(1 if page.needs_a_hand else 0)


def _between(before: Path, old: Rig, path: Path, rig: Rig) -> Moves:
    from calib.check.history.compare import history
    from calib.check.history.records import Entry
    from calib.report import figures

    found = history([Entry(before.name, old), Entry(path.name, rig)])
    if found.entries[0].rig is not old:
        raise InputError(
            str(before),
            expected=f"a rig from before {path.name}",
            found=f"one from {found.entries[1].time}, after it",
            remedy="Swap the two rig files.",
        )
    return figures.of_history(found)
