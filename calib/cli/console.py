"""What the commands print: results on standard output, notes and progress on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from calib.check.inspection import Inspection
    from calib.check.residuals import ResidualTable
    from calib.intake.identify import Identification

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
    """Print the residual table, worst camera first, and below it what is behind each verdict "act"."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    headings = (
        *("points", "left out", "RMS px", "median px", "95 % px", "sigma px"),
        *("bias x px", "bias y px", "sensor"),
    )
    table.add_column("camera")
    for heading in headings:
        table.add_column(heading, justify="right")
    table.add_column("verdict")
    for row in found.cameras:
        s = row.stats
        rounded = (round(v, 3) + 0.0 for v in (s.rms_px, s.median_px, s.p95_px, s.sigma_px, *s.bias_px))  # no -0.000
        numbers = [f"{v:.3f}" for v in rounded]
        cells = [row.name, str(s.points), str(s.n_left_out), *numbers, f"{s.coverage:.0%}", row.verdict]
        table.add_row(*map(Text, cells), style="bold" if row.verdict == "act" else "")
    causes = [f"{row.name}: {c.cause}: {c.evidence}" for row in found.cameras for c in row.causes]
    w = found.wand
    lengths = (
        f"wand lengths ({w.n_lengths}): mean error {w.length_mean_mm:+.3f} mm, SD {w.length_sd_mm:.3f} mm,"
        f" 95 % within {w.length_p95_mm:.3f} mm"
        if w.n_lengths
        else "wand lengths: none, as no two markers were seen by two cameras in one frame"
    )
    _print_whole(table)
    legend = (
        "RMS is sqrt(mean(dx² + dy²)); sigma is the robust noise of one coordinate, corrected for what fitting the"
        " wands takes up; sensor is the share covered."
    )
    for line in [*causes, lengths, legend]:
        _console().print(Text(line), soft_wrap=True)


def print_names(found: Identification) -> None:
    """Print what became of each camera's points, and below it every mask."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("camera")
    for heading in ("points", "masked", "named", "frames with the wand", "masks"):
        table.add_column(heading, justify="right")
    for row in found.cameras:
        table.add_row(row.name, *map(str, (row.points, row.masked, row.named, row.frames, row.masks)))
    _print_whole(table)
    for camera in found.tracks.cameras:
        for x, y, radius in camera.masks_px if camera.masks_px is not None else ():
            line = f"mask: {camera.name} at ({x:.1f}, {y:.1f}) px, radius {radius:.1f} px"
            _console().print(Text(line), soft_wrap=True)


def _console(width: int | None = None) -> Console:
    return Console(width=width, markup=False, highlight=False, emoji=False)


def _print_whole(table: Table) -> None:
    """Print a table at its full width: a figure that is cut off is no figure, and a pipe has no width."""
    console = _console()
    wanted = console.measure(table, options=console.options.update(width=10_000)).maximum
    _console(max(wanted, console.width)).print(table)
