"""Commands that prove what a rig can do: verify, precision, reconstruct."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.help import option
from calib.cli.options import AsJson, Explain, Force, RigFile, TracksFile, check_ending, frame_range
from calib.cli.reading import inside, loaded, provenance, read_from
from calib.core.names import command, numbers_in
from calib.errors import InputError, UnsolvableError
from calib.outputs import check_output, check_outputs, together, write_text

if TYPE_CHECKING:
    from calib.core.points import Points
    from calib.core.rig import Rig
    from calib.core.tracks import Tracks
    from calib.prove.reconstruct import Piece

VOLUME = "x0,x1,y0,y1,z0,z1"
Volume = Annotated[
    str | None,
    option(
        f"--volume {VOLUME}",
        "The volume in the rig's world, mm.",
        show_default="where the wand went",
    ),
]
Noise = Annotated[
    float | None,
    option(
        "--noise PX",
        "Noise of one coordinate of a centroid.",
        min=1e-4,
        show_default="what the solve found, camera by camera",
    ),
]
KINDS = (".csv", ".h5", ".hdf5", ".c3d")


def verify(
    rig: RigFile,
    tracks: TracksFile,
    bar: Annotated[
        Path,
        option("--bar BAR.toml", "Another bar or wand with [[certified]] lengths (a wand file)."),
    ],
    limit: Annotated[
        str | None,
        option('--limit "A=.. K=.. B=.."', "Errors may be A + L/K at a length L, B at most (mm)."),
    ] = None,
    at_rest: Annotated[
        bool, option("--at-rest", "The bar was set down in many places: one length a rest.")
    ] = False,
    volume: Volume = None,
    noise: Noise = None,
    output: Annotated[
        Path | None, option("-o --output RIG", "Rig file to write: this one with the outcome.")
    ] = None,
    csv: Annotated[Path | None, option("--csv OUT", "Also write every length as CSV.")] = None,
    force: Force = False,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Test a rig's lengths by an independent bar: every error, by length, direction and place.

    Exit 0: the limit is kept, or none was given; 1: it is exceeded, or the test leaves that open,
    which is no pass.

    Examples:
      calib verify rig.h5 bar.h5 --bar bar.toml
      calib verify rig.h5 bar.h5 --bar bar.toml --limit "A=0.2 K=5000 B=0.5" --at-rest

    Every certified length of a bar that the rig was not solved with is measured: in
    motion frame by frame, with --at-rest once for each place where it was set down.
    Errors are listed by length, direction and place, with the scale error and its
    uncertainty, and what the bar did not visit. A limit (A + L/K, B at most; modelled
    on VDI/VDE 2634 Part 1) is decided with a guard band of the expanded uncertainty
    (JCGM 106). Too few lengths, the rig's own wand, or a bar without a stated
    uncertainty give no pass.
    """
    check_outputs([output, csv], force, inputs=[rig, tracks, bar])
    from calib import files
    from calib.cli import console
    from calib.prove.decide import Decision, Limit
    from calib.prove.verify import verify as run
    from calib.prove.volume import Box
    from calib.report.proofs import verify as report

    allowed = None if limit is None else Limit.parse(limit)
    box = None if volume is None else Box.parse(volume)
    read: dict[str, Any] = {}
    solved, read["rig"] = loaded(files.load_rig, rig)
    capture, read["tracks"] = loaded(files.load_tracks, tracks)
    known, read["bar"] = loaded(files.load_wand, bar)
    with inside(tracks, TRACKS=tracks):
        found = run(solved, capture, known, allowed, at_rest=at_rest, box=box, noise_px=noise)
    document = report.as_json(found)
    told = {**provenance("verify"), "read": read, **document}
    with together():
        if output is not None:
            files.save_rig(replace(solved, verification=told), output, force)
        if csv is not None:
            write_text(csv, report.as_csv(found), force)
    if as_json:
        written = {} if output is None else {"file": str(output)}
        console.print_json(written | document | {"lengths": report.every_length(found)})
    else:
        named = (str(rig), str(tracks), str(bar))
        values = {"--bar": bar, "--limit": limit, "--volume": volume, "--noise": noise}
        typed = [(name, str(value)) for name, value in values.items() if value is not None]
        again = [*named[:2], *chain(*typed), *(["--at-rest"] if at_rest else [])]
        then = (
            f"{command('verify', *again, '-o', 'verified.h5')}    # keeps the outcome"
            if output is None
            else f"{command('record', str(output), '-o', 'record.html')}    # the page to sign"
        )
        table = (
            f"All lengths as a table: {command('verify', *again, '--csv', 'lengths.csv')}"
            if csv is None
            else f"All lengths stand in {csv}."
        )
        console.print_report(report.as_blocks(found, explain, named, then, table))
        if found.decision is Decision.FAIL and not found.is_of_scale and found.odd_ones is None:
            console.caution()
    console.wrote(output, csv)
    raise typer.Exit(0 if found.decision in {None, Decision.PASS} else 1)


def precision(
    rig: RigFile,
    volume: Volume = None,
    step: Annotated[
        str | None,
        option("--step MM[,MM,MM]", "Step of the grid.", show_default="a tenth of the volume"),
    ] = None,
    reach: Annotated[
        float | None, option("--range MM", "How far markers are lit and seen.", min=1.0)
    ] = None,
    noise: Noise = None,
    csv: Annotated[Path | None, option("--csv OUT", "Also write every place as CSV.")] = None,
    force: Force = False,
    explain: Explain = False,
    as_json: AsJson = False,
) -> None:
    """Predict how precisely a rig places a marker, all over its volume: where it is worst, and
    which camera would help.

    Examples:
      calib precision rig.h5
      calib precision rig.h5 --range 6000 --step 250 --csv places.csv

    The figures come from the joint covariance of poses and lenses and the noise of each
    camera.
    """
    check_outputs([csv], force, inputs=[rig])
    import numpy as np

    from calib import files
    from calib.cli import console
    from calib.prove.precision import default_places
    from calib.prove.precision import precision as run
    from calib.prove.volume import Box, seen_box, wave_box
    from calib.report.proofs import precision as report

    far = np.inf if reach is None else reach
    solved = files.load_rig(rig)
    box = None if volume is None else Box.parse(volume)
    if step is None:
        places = default_places(solved, box, range_mm=far)
    else:
        box = box or wave_box(solved) or seen_box(solved, far)
        places = box.grid(np.array(_steps(step)))
    with inside(rig):
        found = run(solved, places, range_mm=far, noise_px=noise)
    if csv is not None:
        write_text(csv, report.as_csv(found), force)
    if as_json:
        console.print_json(report.as_json(found))
    else:
        then = _next(str(rig), solved)
        console.print_report(report.as_blocks(found, explain, then, solved.doubts))
        if any(h is not None and not h.is_left_out for h in found.helped):
            console.caution()
    console.wrote(csv)


def _next(rig: str, solved: Rig) -> str:
    """Return the command for what a rig still lacks before it is handed over, or to do so."""
    if solved.alignment is None:
        return f"{command('align', rig, 'FLOOR', '-o', 'aligned.h5')}    # origin and axes"
    if solved.verification is None:
        test = command("verify", rig, "BAR", "--bar", "BAR.toml", "-o", "verified.h5")
        return f"{test}    # lengths of a certified bar"
    return f"{command('record', rig, '-o', 'record.html')}    # the page to sign"


def _steps(text: str) -> list[float]:
    steps = numbers_in(text)
    if len(steps) not in {1, 3} or not all(0 < s < 1e9 for s in steps):
        raise InputError("--step", expected="a step above 0 mm, or three", found=repr(text))
    return steps * 3 if len(steps) == 1 else steps


def reconstruct(
    rig: RigFile,
    tracks: TracksFile,
    output: Annotated[Path, option("-o --output OUT", "File to write: .csv, .h5 or .c3d")],
    frames: Annotated[
        str | None,
        option(
            "--frames FIRST-LAST",
            "These frames alone, both included; 100- as well.",
            show_default="all",
        ),
    ] = None,
    noise: Noise = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Place every named point of a capture in space, with covariance and residual.

    Examples:
      calib reconstruct rig.h5 tracks.h5 -o points.csv
      calib reconstruct rig.h5 tracks.h5 -o points.c3d --frames 100-2000

    C3D needs an extra: pip install "calib[c3d]". "calib formats points" explains the
    others.
    """
    check_ending("-o", output, KINDS)
    check_output(output, force, inputs=[rig, tracks])
    from calib import files
    from calib.cli import console
    from calib.core.names import counted
    from calib.export.c3d import require_ezc3d
    from calib.prove.known import unsure_notes
    from calib.prove.reconstruct import in_pieces
    from calib.report.words import sentence

    if output.suffix.lower() == ".c3d":
        require_ezc3d()
    solved, rig_read = loaded(files.load_rig, rig)
    chosen = frame_range(frames)
    counts = {"points": 0, "frames": 0, "open": 0}
    with inside(tracks, TRACKS=tracks), console.progress() as progress:
        pieces = _pieces(solved, tracks, chosen, progress)
        points = _counted(in_pieces(solved, pieces, noise), counts)
        shift = _write(output, force, solved, rig_read, tracks, points)
    if as_json:
        console.print_json({"file": str(output), **counts})
    seen = "was" if counts["open"] == 1 else "were"
    more = f"; {counts['open']} more {seen} seen by no two cameras that agree"
    console.note(
        f"wrote {output} ({counted(counts['points'], 'point')} in "
        f"{counted(counts['frames'], 'frame')}{more if counts['open'] else ''})"
    )
    for text in unsure_notes(solved):
        console.note(sentence(text))
    if shift:
        console.note(
            f"C3D counts frames up to 65535: frame {shift} of the tracks is the first of {output}."
        )
    if counts["open"] > counts["points"]:
        console.note(
            "Most points have no place: see that the tracks are of this rig as it stands now "
            f"({command('recheck', str(rig), str(tracks))}), and genlocked."
        )


def _pieces(
    solved: Rig, tracks: Path, chosen: tuple[int | None, int | None], progress: Any
) -> Iterator[Piece]:
    """Yield a capture piece by piece; whole where its points have no names yet."""
    from calib import files
    from calib.naming.identify import is_unnamed
    from calib.naming.renaming import named_tracks
    from calib.prove.reconstruct import margin_frames

    pieces = files.tracks_in_pieces(tracks, margin_frames(solved))
    for k, (capture, first, last) in enumerate(pieces):
        if k == 0 and is_unnamed(capture):
            whole = named_tracks(solved, files.load_tracks(tracks))
            start, end = whole.span or (0, 0)
            yield from _within(whole, start, end + 1, chosen)
            return
        yield from _within(capture, first, last, chosen)
        progress("points in space", k + 1, k + 2)


def _within(
    capture: Tracks, first: int, last: int, chosen: tuple[int | None, int | None]
) -> Iterator[Piece]:
    """Yield the frames of a piece that are chosen, if there are any."""
    from calib.prove.reconstruct import Piece

    if chosen[0] is not None:
        first = max(first, chosen[0])
    if chosen[1] is not None:
        last = min(last, chosen[1] + 1)
    if first < last:
        yield Piece(capture, first, last)


def _counted(points: Iterator[Points], counts: dict[str, int]) -> Iterator[Points]:
    import numpy as np

    for p in points:
        counts["points"] += len(p.frame)
        counts["frames"] += len(np.unique(p.frame))
        counts["open"] += p.n_open
        yield p
    if not counts["points"]:
        raise UnsolvableError(
            "reconstruct",
            expected="named points that two cameras see and agree on",
            found=f"none ({counts['open']} seen)",
            remedy="Check that the tracks are of this rig, as it stands now, and genlocked.",
        )


def _write(
    output: Path,
    force: bool,
    solved: Rig,
    rig_read: dict[str, str],
    tracks: Path,
    points: Iterator[Points],
) -> int:
    """Write the points, and return by how much less their frames count there than in the tracks."""
    from calib import files
    from calib.export.c3d import write_c3d
    from calib.export.points import HEADER, csv_lines

    kind, rate = output.suffix.lower(), files.frame_rate_of(tracks)
    with files.written(output, force) as part, files.unchanged(tracks) as sha256:
        if kind == ".c3d":
            return write_c3d(list(points), solved.wand.markers, rate, part)
        if kind == ".csv":
            files.write_lines(part, HEADER, map(csv_lines, points))
        else:
            read = {"rig": rig_read, "tracks": read_from(tracks, sha256)}
            told = json.dumps(provenance("reconstruct", **read))
            files.write_points(part, points, frame_rate=rate, provenance=told)
    return 0
