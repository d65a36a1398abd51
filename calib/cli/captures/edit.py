"""Commands that cut, put right and join tracks files: select, join."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib.cli.help import argument, option
from calib.cli.options import (
    AsJson,
    DropOutside,
    Force,
    TracksFile,
    camera_pair,
    cameras_in,
    frame_range,
)
from calib.cli.reading import inside
from calib.core.names import listed
from calib.errors import InputError
from calib.outputs import check_output

if TYPE_CHECKING:
    from calib.core.tracks import Tracks

TracksOut = Annotated[Path, option("-o --output OUT", "Tracks file to write.")]


def select(
    tracks: TracksFile,
    output: TracksOut,
    without: Annotated[
        list[str] | None, option("--without CAM[,CAM]", "Leave these cameras out.")
    ] = None,
    only: Annotated[
        list[str] | None, option("--only CAM[,CAM]", "Keep these cameras alone.")
    ] = None,
    frames: Annotated[
        str | None,
        option("--frames FIRST-LAST", "Keep these frames, both included; 100- and -2000 as well."),
    ] = None,
    rename: Annotated[
        list[str] | None,
        option(
            "--rename CAM=CAM",
            "Points recorded as the first are the second's; several happen at once, so "
            "--rename a=b --rename b=a puts swapped cables right.",
        ),
    ] = None,
    drop_outside: DropOutside = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write a tracks file of some cameras or frames, or with cameras' names put right.

    Examples:
      calib select tracks.h5 --without cam03 --frames 100-2000 -o part.h5
      calib select tracks.h5 --rename cam01=cam02 --rename cam02=cam01 -o right.h5

    Options with cameras may be repeated. A camera whose name holds , or = is given as it
    stands, --without 'left, low'.
    """
    if not (without or only or frames or rename or drop_outside):
        raise InputError(
            "calib select",
            expected="--without, --only, --frames, --rename or --drop-outside",
            found="none",
            remedy="Say what to select.",
        )
    check_output(output, force, inputs=[tracks])
    import calib
    from calib.intake.edit import select as chosen

    capture = calib.load_tracks(tracks, drop_outside)
    with inside(tracks):
        made = chosen(
            capture,
            only=cameras_in("--only", only or (), capture.names),
            without=cameras_in("--without", without or (), capture.names),
            frames=frame_range(frames),
            rename=_pairs(rename or (), capture.names),
        )
    calib.save_tracks(made, output, force)
    _tell(made, output, as_json, {})


def join(
    tracks: Annotated[
        list[Path], argument("TRACKS...", "Tracks files of one rig.", show_default=False)
    ],
    output: TracksOut,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write several waves of one rig as one capture, the frames of later ones after the earlier.

    Examples:
      calib join wave1.h5 wave2.h5 -o tracks.h5
    """
    check_output(output, force, inputs=tracks)
    import calib
    from calib.cli.console import note
    from calib.intake.edit import join as joined

    if len(tracks) < 2:
        raise InputError("TRACKS", expected="two tracks files or more", found=str(len(tracks)))
    if len({path.resolve() for path in tracks}) < len(tracks):
        raise InputError("TRACKS", expected="each file once", found="one of them twice")
    made = joined([calib.load_tracks(path) for path in tracks], [str(path) for path in tracks])
    calib.save_tracks(made.tracks, output, force)
    shifts = dict(zip(map(str, tracks), made.shifts, strict=True))
    if not as_json:
        for path, shift in shifts.items():
            note(f"{path}: frame numbers " + (f"+ {shift}" if shift else "as they were"))
    parts = [{"file": str(p), "shift": s} for p, s in zip(tracks, made.shifts, strict=True)]
    _tell(made.tracks, output, as_json, {"parts": parts})


def _tell(made: Tracks, output: Path, as_json: bool, more: dict[str, object]) -> None:
    from calib.cli import console

    if as_json:
        cameras = [{"name": c.name, "points": c.n_points} for c in made.cameras]
        console.print_json({"tracks": str(output), "cameras": cameras, **more})
        return
    if empty := [c.name for c in made.cameras if not c.n_points]:
        console.note(f"without points: {listed(empty)}")
    console.wrote_points(output, made.cameras)


def _pairs(given: Sequence[str], names: Sequence[str]) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for text in given:
        name, to = camera_pair("--rename", text, names)
        if name in pairs:
            raise InputError("--rename", expected="each camera once", found=f"{name} twice")
        pairs[name] = to
    return pairs
