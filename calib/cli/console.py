"""What the commands print: results on standard output, notes and progress on standard error."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from calib.core.names import is_unseen, visible

if TYPE_CHECKING:
    from calib.report.tables import Laid

_is_quiet = ContextVar("is_quiet", default=False)


@contextmanager
def quiet() -> Iterator[None]:
    """Leave out notes and progress; cautions stay."""
    token = _is_quiet.set(True)
    try:
        yield
    finally:
        _is_quiet.reset(token)


def note(text: str) -> None:
    """Say something beside the result."""
    if not _is_quiet.get():
        print(visible_lines(text), file=sys.stderr)


def wrote(*paths: Path | None) -> None:
    """Say on standard error which outputs were written; None: one that nobody wanted."""
    for path in paths:
        if path is not None:
            note(f"wrote {path}")


def wrote_points(path: Path, cameras: Sequence[Any]) -> None:
    """Say on standard error that points of cameras were written."""
    from calib.core.names import counted

    n_points = sum(c.n_points for c in cameras)
    note(f"wrote {path} ({counted(len(cameras), 'camera')}, {counted(n_points, 'point')})")


def visible_lines(text: str) -> str:
    """Return lines as a terminal may show them: what would move its cursor is escaped."""
    return "\n".join(map(visible, text.split("\n")))


def caution(first: str = "") -> None:
    """Say what to mind before a hand is put to a camera overhead, ``first`` what concerns this
    case.
    """
    from calib.report.words import CAUTION

    if sys.stderr.isatty():
        print(file=sys.stderr)
    for text in filter(None, (first, CAUTION)):
        print(textwrap.fill(text, max(width() or 120, 40)), file=sys.stderr)


def print_json(document: Any) -> None:
    """Print one JSON document; numbers that JSON lacks are a defect and raise ValueError."""
    is_utf8 = sys.stdout.encoding.lower().replace("-", "") == "utf8"
    text = json.dumps(document, allow_nan=False, ensure_ascii=not is_utf8, indent=1)
    # JSON lets some control characters stand, and halves of characters; only strings have them.
    print("".join(f"\\u{ord(c):04x}" if is_unseen(c) and c != "\n" else c for c in text))


def print_document(text: str) -> None:
    """Print what a file would hold as it would hold it, in UTF-8; a terminal gets what it can
    show.
    """
    if sys.stdout.isatty():
        print(text, end="")
    else:
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8", "backslashreplace"))


@contextmanager
def progress() -> Iterator[Callable[[str, int, int], None]]:
    """Yield a function that shows stage, done and total on standard error, or nothing where that is
    no terminal.
    """
    console = Console(stderr=True)
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description:<16}"),
        BarColumn(),
        MofNCompleteColumn(),
    )
    with Progress(
        *columns,
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        console=console,
        disable=_is_quiet.get() or not console.is_terminal,
    ) as bar:
        tasks: dict[str, Any] = {}

        def show(stage: str, done: int, total: int) -> None:
            for earlier, task in tasks.items():
                if earlier != stage:
                    bar.update(task, completed=bar.tasks[task].total)
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=total)
            bar.update(tasks[stage], completed=done, total=total)

        yield show
        for task in tasks.values():
            bar.update(task, completed=bar.tasks[task].total)


def width() -> int | None:
    """Return what a line holds: ``COLUMNS`` characters, else the terminal's; None in a pipe."""
    stated = os.environ.get("COLUMNS", "")
    if stated.isdecimal():
        return int(stated)
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def print_report(blocks: Iterable[str | Laid]) -> None:
    """Print a report in lines as wide as there is room, those that stand out in bold."""
    from calib.report.tables import lines_of

    out = Console(markup=False, highlight=False, emoji=False)
    out.print(*styled(lines_of(blocks, width())), sep="\n", soft_wrap=True)


def styled(lines: Iterable[str]) -> Iterator[Text]:
    """Yield lines as a terminal shows them, those that stand out in bold."""
    from calib.report.tables import Strong

    for line in lines:
        yield Text(visible_lines(line), style="bold" if isinstance(line, Strong) else "")
