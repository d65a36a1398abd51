"""The command record: a rig's hand-over document."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.help import option
from calib.cli.options import PAGE, Force, RigFile, check_ending
from calib.cli.reading import file_name
from calib.outputs import check_output, write_text

if TYPE_CHECKING:
    from calib.report.papers.record import Read


def record(
    rig: RigFile,
    tracks: Annotated[
        Path | None, option("--tracks TRACKS", "Tracks file, for serial numbers.")
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        option("--earlier RIG", "Earlier rig file, for the history of repairs; several."),
    ] = None,
    output: Annotated[
        Path | None,
        option("-o --output OUT", "File to write: .md or .html.", show_default="print Markdown"),
    ] = None,
    force: Force = False,
) -> None:
    """Make the hand-over record of a rig: one short page to print, sign and keep.

    Examples:
      calib record rig.h5
      calib record rig.h5 --tracks tracks.h5 --earlier may.h5 -o record.html
    """
    if output is not None:
        check_ending("-o", output, (".md", *PAGE))
        check_output(output, force, inputs=[rig, tracks, *(earlier or [])])
    from calib import files
    from calib.cli import console
    from calib.report.papers.document import as_html, as_markdown
    from calib.report.papers.record import hand_over

    document = hand_over(
        _read(files.load_rig, rig),
        None if tracks is None else _read(files.load_tracks, tracks),
        [_read(files.load_rig, path) for path in earlier or ()],
        datetime.now(UTC).isoformat(timespec="seconds"),
    )
    if output is None:
        console.print_document(as_markdown(document))
        return
    is_html = output.suffix.lower() in PAGE
    write_text(output, as_html(document) if is_html else as_markdown(document), force)
    console.wrote(output)


def _read(load: Callable[[Path], Any], path: Path) -> Read:
    from calib import files
    from calib.report.papers.record import Read

    found, sha256 = files.with_sha256(load, path)
    return Read(file_name(path), sha256, found)
