"""The command that finds the wand's markers among nameless points: identify."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from calib.cli.help import option
from calib.cli.options import AsJson, Force, TracksFile, WandFile, check_ending
from calib.cli.reading import inside, load_capture
from calib.outputs import check_outputs, together, write_text


def identify(
    tracks: TracksFile,
    wand: WandFile,
    output: Annotated[Path, option("-o --output TRACKS", "Tracks file to write.")],
    draw: Annotated[
        Path | None,
        option(
            "--draw FILE.html", "Also draw each sensor: named points and masks.", show_default=False
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Mark which point is which marker of the wand, and mask reflections that stay put.

    Examples:
      calib identify tracks.h5 --wand wand.toml -o named.h5
      calib identify tracks.h5 --wand wand.toml -o named.h5 --draw sensors.html

    Points are named camera by camera, from the wand's geometry and its motion, with the
    lens known only roughly. Reflections that stay put are masked; each mask is listed
    and kept in the tracks' /masks. Names given here are marked as such (identified) and
    checked again by a solve; those from elsewhere are kept as they are. A wand that
    looks the same end for end or from another side, and two wands of one shape in
    sight, are refused with the reason. "calib solve" does the same for tracks without
    names.
    """
    check_ending("--draw", draw)
    check_outputs([output, draw], force, inputs=[tracks, wand])
    import calib
    from calib.cli import console
    from calib.report.captures import names as report

    capture, stated = load_capture(tracks, wand)
    with inside(tracks), console.progress() as progress:
        found = calib.identify(capture, stated, progress)
    with together():
        calib.save_tracks(found.tracks, output, force)
        if draw is not None:
            from calib.report.page.charts import sensors_page

            write_text(draw, sensors_page(found.tracks), force)
    if as_json:
        console.print_json({"tracks": str(output), **report.as_json(found)})
        return
    console.print_report(report.as_blocks(found, str(output), str(wand)))
    if any(c.masks for c in found.cameras):
        console.caution()
    console.wrote(output, draw)
