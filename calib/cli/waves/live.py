"""What a command needs that goes on beside a recording: looks at a file a second apart, a job in
the background, a view in place.
"""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Event
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.live import Live

    from calib.core.tracks import Tracks
    from calib.files import Arrival
    from calib.report.tables import Blocks

LOOK_S = 1.0  # from one look at the file to the next
QUIET_S = 5.0  # without new data before that is said
LINE_S = 10.0  # from one line to the next where there is no terminal


@contextmanager
def interrupted() -> Iterator[Event]:
    """Yield what Ctrl-C sets, so that the state can still be told."""
    stop = Event()
    before = signal.signal(signal.SIGINT, lambda *_: stop.set())
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


def looks(
    poll: Callable[[], Arrival], stop: Event, patience_s: float, shown: Shown
) -> Iterator[Arrival]:
    """Yield what looks at a file find, a second apart, until it is stopped or nothing new has come
    for too long; tell troubles once, and silence.
    """
    latest, told, is_told_quiet = time.monotonic(), "", False
    while not stop.is_set():
        began = time.monotonic()
        look = poll()
        if look.tracks is not None:
            latest, is_told_quiet = began, False
        if look.trouble and look.trouble != told:
            shown.note(look.trouble)
        told = look.trouble
        yield look
        quiet = time.monotonic() - latest
        if quiet >= patience_s:
            shown.note(
                f"No new data for {quiet:.0f} s: the recording has ended, or its writer died."
            )
            return
        if quiet >= QUIET_S and not is_told_quiet:
            shown.note(f"No new data for {quiet:.0f} s: is it still recording?")
            is_told_quiet = True
        stop.wait(max(0.0, LOOK_S - (time.monotonic() - began)))


def seconds(tracks: Tracks) -> float:
    first, last = tracks.span or (0, -1)
    return (last - first + 1) / tracks.frame_rate_hz


def in_seconds(tracks: Tracks, each_s: float = 1.0) -> Iterator[Tracks]:
    """Return a capture in parts of about a second, or another time; none of a time without points,
    as between two waves.
    """
    return tracks.in_parts(max(1, round(each_s * tracks.frame_rate_hz)))


@dataclass(slots=True)
class Beside:
    """One job at a time in a thread beside the watch."""

    pool: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    job: Future[Any] | None = None

    @property
    def is_running(self) -> bool:
        return self.job is not None

    @property
    def is_done(self) -> bool:
        return self.job is not None and self.job.done()

    def start(self, run: Callable[[], Any]) -> None:
        self.job = self.pool.submit(run)

    def result(self) -> Any:
        assert self.job is not None
        job, self.job = self.job, None
        return job.result()

    def forget(self) -> None:
        self.job = None


@dataclass(slots=True)
class Shown:
    """What is seen meanwhile, on standard error: a view in place on a terminal, else a line now and
    then.
    """

    live: Live | None
    last_s: float | None = None
    last_line: str = ""

    @classmethod
    @contextmanager
    def opened(cls) -> Iterator[Shown]:
        from rich.console import Console
        from rich.live import Live

        console = Console(stderr=True, markup=False, highlight=False)
        live = Live(console=console, auto_refresh=False, transient=True)
        shown = cls(live if console.is_terminal else None)
        if shown.live is not None:
            shown.live.start()
        try:
            yield shown
        finally:
            shown.close()

    def show(self, line: str, blocks: Blocks) -> None:
        """Show a view: its blocks where there is a terminal, else its one line now and then, where
        it says something new.
        """
        if self.live is None:
            if self.last_s is None:  # what the view says may be all there is to say, at the end
                self.last_s = time.monotonic()
                self.note(f"Watching; how it stands is said every {LINE_S:.0f} s. Ctrl-C ends it.")
            elif time.monotonic() - self.last_s >= LINE_S and line != self.last_line:
                self.last_s, self.last_line = time.monotonic(), line
                self.note(line)
            return
        from rich.console import Group

        from calib.cli.console import styled
        from calib.report.tables import lines_of

        width, height = self.live.console.size
        self.live.update(Group(*styled(lines_of(blocks, width)[: height - 1])), refresh=True)

    def note(self, text: str) -> None:
        """Say something at once, above the view."""
        if self.live is None:
            print(text, file=sys.stderr, flush=True)
        else:
            self.live.console.print(text)

    def close(self) -> None:
        if self.live is not None:
            self.live.stop()
            self.live = None
