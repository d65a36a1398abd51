"""What the commands print: results on standard output, notes and progress on standard error."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from itertools import groupby
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeElapsedColumn,
)
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from calib.intake.centroids.focus import Focus
    from calib.intake.centroids.stream import Extraction
    from calib.naming.identify import Identification

_CAUTION = (
    "Before anyone goes up to an overhead camera: clear the floor below, have the ladder "
    "held, keep the camera on its"
    " safety tether,\nswitch the strobes off and look into none. The site's rules and "
    "its licensed riggers come first."
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
        *columns, TimeElapsedColumn(), console=console, disable=not console.is_terminal
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


def print_report(lines: Iterable[str]) -> None:
    """Print lines as they are, those that stand out in bold."""
    from calib.report.tables import Strong  # noqa: PLC0415 - report loads SciPy

    texts = (Text(line, style="bold" if isinstance(line, Strong) else "") for line in lines)
    _console().print(*texts, sep="\n", soft_wrap=True)


def print_extraction(found: Extraction) -> None:
    """Print what each camera's images held, and below it why blobs were refused."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("camera")
    headings = (
        "images",
        "points",
        "an image",
        "empty",
        "radius px",
        "roundness",
        "peak",
        "clipped",
        "threshold",
        "refused",
    )
    for heading in headings:
        table.add_column(heading, justify="right")
    for c in found.cameras:
        of_image = f"{c.n_points / c.n_images:.1f}" if c.n_images else "-"
        shares = ["-" if math.isnan(v) else f"{v:.0%}" for v in (c.peak_share, c.saturated_share)]
        sizes = ["-" if math.isnan(v) else f"{v:.2f}" for v in (c.radius_px, c.roundness)]
        level = "-" if math.isnan(c.threshold) else f"{c.threshold:.0f}"
        counts = [str(c.n_images), str(c.n_points), of_image, str(c.n_without_spots)]
        cells = [c.name, *counts, *sizes, *shares, level, str(sum(c.refused.values()))]
        table.add_row(*map(Text, cells))
    _print_whole(table)
    for c in found.cameras:
        if c.refused:
            reasons = ", ".join(
                f"{n} {reason}" for reason, n in sorted(c.refused.items(), key=lambda r: -r[1])
            )
            _console().print(Text(f"{c.name}: refused {reasons}"), soft_wrap=True)
    legend = (
        "radius, roundness and peak (of full scale) are medians over the spots; clipped "
        "is the share of spots with"
        " pixels at full scale."
    )
    _console().print(Text(legend), soft_wrap=True)


def print_focus(found: Focus) -> None:
    """Print what was judged of a camera's spots, and what to turn."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("what", "found", "wanted", "verdict"):
        table.add_column(heading)
    for c in found.checks:
        cells = c.name, c.found, c.wanted, "ok" if c.is_ok else "act"
        table.add_row(*map(Text, cells), style="" if c.is_ok else "bold")
    _print_whole(table)
    for advice, checks in groupby((c for c in found.checks if not c.is_ok), key=lambda c: c.advice):
        acting = list(checks)
        names, turn = ", ".join(c.name for c in acting), " and ".join(acting[0].turn)
        _console().print(Text(f"{names} (turn {turn}): {advice}"), soft_wrap=True)
    verdict = "fit to measure" if found.is_fit else "not fit to measure yet"
    _console().print(
        Text(f"{found.camera}: {verdict} ({found.n_spots} spots in {found.n_images} images)"),
        soft_wrap=True,
    )


def print_lines(text: str) -> None:
    """Print lines as they are."""
    _console().print(Text(text), soft_wrap=True)


def print_names(found: Identification) -> None:
    """Print what became of each camera's points, and below it every mask."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("camera")
    for heading in ("points", "masked", "named", "frames with the wand", "masks"):
        table.add_column(heading, justify="right")
    for row in found.cameras:
        table.add_row(
            row.name, *map(str, (row.points, row.masked, row.named, row.frames, row.masks))
        )
    _print_whole(table)
    for camera in found.tracks.cameras:
        for x, y, radius in camera.masks_px if camera.masks_px is not None else ():
            line = f"mask: {camera.name} at ({x:.1f}, {y:.1f}) px, radius {radius:.1f} px"
            _console().print(Text(line), soft_wrap=True)


def _console(width: int | None = None) -> Console:
    return Console(width=width, markup=False, highlight=False, emoji=False)


def _print_whole(table: Table) -> None:
    """Print a table at its full width: a figure that is cut off is no figure, and a pipe has no
    width.
    """
    console = _console()
    wanted = console.measure(table, options=console.options.update(width=10_000)).maximum
    _console(max(wanted, console.width)).print(table)
