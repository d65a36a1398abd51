"""The command that watches a wave while it goes on."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from calib.cli.help import argument, option
from calib.cli.options import AsJson
from calib.cli.reading import inside
from calib.cli.waves.live import Beside, Shown, in_seconds, interrupted, looks, seconds
from calib.core.names import command
from calib.errors import CalibError, InputError

if TYPE_CHECKING:
    from calib.files import Arrival
    from calib.report.tables import Blocks
    from calib.watch.recheck import RigWatch
    from calib.watch.run import Watch

    Watched = TypeVar("Watched", Watch, RigWatch)

BEHIND_S = 5.0  # of capture in one look: then a solve is done at once, or it would come too late


def watch(
    source: Annotated[
        Path,
        argument(
            "FILE_OR_FOLDER",
            "Tracks file that is being written, or folder in which tracks files (or CSV "
            "beside a camera list) arrive.",
        ),
    ],
    wand: Annotated[Path | None, option("--wand WAND", "Wand file (TOML).")] = None,
    rig: Annotated[
        Path | None, option("--rig RIG", "A rig to recheck meanwhile: who has moved?")
    ] = None,
    of_any: Annotated[
        bool,
        option(
            "--any",
            "With --rig: by whatever markers are in view, nameless, moving, without a wand.",
        ),
    ] = False,
    need: Annotated[
        float | None,
        option(
            "--need MM",
            "Stop when a marker is placed to ± MM in half of the places "
            "where the wand went. Without it: when ten more seconds would gain less than a tenth.",
            min=0.0,
        ),
    ] = None,
    everywhere: Annotated[
        bool, option("--everywhere", "The need is for 19 of 20 places, not for half.")
    ] = False,
    patience: Annotated[
        float, option("--patience S", "End after so long without new data.", min=2.0)
    ] = 30.0,
    as_json: AsJson = False,
) -> None:
    """Watch a wave while it goes on: what is still missing, where to walk next, and when it is
    enough. Exit 0: enough (with --rig: nothing moved); 1: it ended before, also by Ctrl-C.

    Examples:
      calib watch tracks.h5 --wand wand.toml --need 0.5
      calib watch recordings/ --wand wand.toml
      calib watch tracks.h5 --rig rig.h5
      calib watch today.h5 --rig rig.h5 --any

    A tracks file is followed while it is written for readers to follow (HDF5's SWMR mode,
    as calib simulate --live does) or replaced by longer ones; in a folder, files are taken
    in the order of their names. A camera that is silent, out of step, full of stray points,
    whose spots are too large, or that does not fit the others is called out at once. Ctrl-C
    ends it and tells the state. Points without names are named every few seconds.
    """
    import calib
    from calib import files
    from calib.core.wand import SINGLE_MARKER
    from calib.watch.run import Watch

    if (wand is None) == (rig is None):
        raise InputError(
            "calib watch",
            expected="--wand with the wand file, or --rig with a rig to recheck",
            found="neither" if wand is None else "both",
            remedy=f"It judges a wave by the wand's lengths. {SINGLE_MARKER}"
            if wand is None
            else "A rig holds its wand: with --rig leave --wand out.",
        )
    if rig is not None and (need is not None or everywhere):
        raise InputError(
            "--need, --everywhere",
            expected="a wave to solve",
            found="a rig to recheck (--rig)",
            remedy="Leave them out.",
        )
    if of_any and rig is None:
        raise InputError(
            "--any",
            expected="--rig with a rig to recheck",
            found="a wave to solve (--wand)",
            remedy="A solve needs the wand: leave --any out.",
        )
    if need is not None and not need > 0:
        raise InputError("--need", expected="a precision above 0 mm", found=f"{need:g}")
    follower = files.follow(source)
    with interrupted() as stop, Shown.opened() as shown:
        found = looks(follower.poll, stop, patience, shown)
        if rig is not None:
            code = _recheck(source, rig, of_any, found, shown, as_json)
        else:
            assert wand is not None
            start = Watch(calib.load_wand(wand), need, everywhere)
            code = _wave(start, source, wand, found, shown, as_json)
    raise typer.Exit(code)


def _wave(
    start: Watch, source: Path, wand: Path, looks: Iterator[Arrival], shown: Shown, as_json: bool
) -> int:
    """Watch a wave for a solve; return the exit code."""
    from calib.cli import console
    from calib.report.captures import watch as report

    state = start
    for state in _states(start, source, looks, may_end=True):
        if (view := state.view) is not None and state.ending is None:
            shown.show(report.one_line(view), report.as_blocks(view))
    shown.close()
    view = state.view
    if view is None:
        raise _nothing(source)
    if as_json:
        console.print_json(report.as_json(view))
    else:
        console.print_report(report.as_blocks(view))
        if state.ending is not None and source.is_file():
            solve = command("solve", str(source), "--wand", str(wand), "-o", "rig.h5")
            console.note(f"Next: {solve}")
        if view.called_out:
            console.caution()
    return 0 if state.ending is not None else 1


def _nothing(source: Path) -> CalibError:
    """Return why nothing was watched: what is wrong with the file, else that nobody recorded."""
    from calib import files

    if source.is_file():
        try:
            files.load_tracks(source)
        except CalibError as error:
            return error
    return InputError(
        str(source),
        expected="a capture that begins",
        found="no points while it was watched",
        remedy="Start the recording, then watch.",
    )


def _states(
    start: Watched, source: Path, looks: Iterator[Arrival], *, may_end: bool
) -> Iterator[Watched]:
    """Yield what is watched after each look, solved beside it, until it suffices, as it may, or the
    looks end; last once all of it is solved.
    """
    state, beside = start, Beside()
    for look in looks:
        if look.is_anew:
            state = start
            beside.forget()
        tracks = look.tracks
        is_behind = may_end and tracks is not None and seconds(tracks) > BEHIND_S
        with inside(source):
            for part in in_seconds(tracks) if tracks is not None else ():
                state = state.added(part)
                if is_behind and state.wants_solve:
                    state = state.solved_now()
                if state.ending is not None:
                    break
            if beside.is_done:
                state = state.ended(beside.result())
            if state.wants_solve:
                state, solving = state.began()
                beside.start(solving.run)
        yield state
        if state.ending is not None:
            return
    with inside(source):
        if beside.is_running:
            state = state.ended(beside.result())
        if state.ending is None and state.could_solve:
            state = state.solved_now()
    yield state


def _recheck(
    source: Path, rig: Path, is_any: bool, looks: Iterator[Arrival], shown: Shown, as_json: bool
) -> int:
    """Recheck a rig while its wand is waved, or any markers move; return the exit code."""
    import calib
    from calib.cli import console
    from calib.report.changes import recheck as report
    from calib.report.tables import lines_of
    from calib.report.words import OVERHEAD, filled
    from calib.watch.recheck import RigWatch

    start = state = RigWatch(calib.load_rig(rig), calib.RecheckOptions(), is_any)
    files = shlex.join([str(rig), str(source) if source.is_file() else "TRACKS"])

    def told(state: RigWatch) -> Blocks:
        head = f"{state.at_s:.0f} s {'of markers' if is_any else 'of wave'}."
        if state.trouble:
            head += f" Not told yet: {filled(str(state.trouble), {'RIG': str(rig)})}"
        return [head, *(report.as_blocks(state.found, files) if state.found else [])]

    for state in _states(start, source, looks, may_end=False):
        blocks = told(state)
        shown.show(" ".join(lines_of(blocks)[:2]), blocks)
    shown.close()
    if state.found is None:
        if state.trouble is None:
            raise _nothing(source)
        with inside(source, RIG=rig):
            raise state.trouble
    if as_json:
        console.print_json(report.as_json(state.found))
    else:
        console.print_report(report.as_blocks(state.found, files))
        if state.found.needs_a_hand:
            console.caution(OVERHEAD if state.found.may_hang_loose else "")
    return 0 if state.found.is_settled else 1
