"""What the commands print: results on standard output, notes and progress on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

if TYPE_CHECKING:
    from calib.check.inspection import Inspection
    from calib.check.residuals import ResidualTable

_CAUTION = (
    "Before anyone goes up to an overhead camera: clear the floor below, have the ladder held, keep the camera on its"
    " safety tether,\nswitch the strobes off and look into none. The site's rules and its licensed riggers come first."
)


def note(text: str) -> None:
    """Say something beside the result."""
    print(text, file=sys.stderr)


def caution() -> None:
    """Say what to mind before a hand is put to a camera overhead."""
    note(_CAUTION)


def print_json(document: Any) -> None:
    """Print one JSON document; numbers that JSON lacks are a defect and raise ValueError."""
    print(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=1))


@contextmanager
def progress() -> Iterator[Callable[[str, int, int], None]]:
    """Yield a function that shows stage, done and total on standard error, or nothing where that is no terminal."""
    console = Console(stderr=True)
    columns = SpinnerColumn(), TextColumn("{task.description:<16}"), BarColumn(), MofNCompleteColumn()
    with Progress(*columns, TimeElapsedColumn(), console=console, disable=not console.is_terminal) as bar:
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


def print_inspection(found: Inspection) -> None:
    """Print what an inspection says, what has to be done in bold."""
    lines = (Text(line, style="bold" if line.startswith("act ") else "") for line in str(found).splitlines())
    _console().print(*lines, sep="\n", soft_wrap=True)


def print_residuals(found: ResidualTable) -> None:
    """Print the residual table, the lines of cameras that need a hand in bold."""
    is_bold = [False, False, *(row.verdict == "act" for row in found.cameras)]
    lines = str(found).splitlines()
    is_bold += [False] * (len(lines) - len(is_bold))
    styled = (Text(line, style="bold" if bold else "") for line, bold in zip(lines, is_bold, strict=True))
    _console().print(*styled, sep="\n", soft_wrap=True)


def _console() -> Console:
    return Console(markup=False, highlight=False, emoji=False)
