"""Measurements of calib itself: ``scripts/bench PART [OPTIONS]``."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass

from scripts.benchmarks import (
    accuracy,
    causes,
    errorbars,
    field,
    free,
    general,
    naming,
    page,
    plan,
    prove,
    recheck,
    references,
    scale,
    sizes,
    sparse,
    speed,
    watch,
)
from scripts.benchmarks.hostile import run as hostile
from scripts.benchmarks.table import WORK, Row, head, note, table


@dataclass(frozen=True)
class Part:
    """A measurement that runs alone: what it is about, its options, and what makes its rows of the
    table.
    """

    about: str
    add_options: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], list[Row]]


PARTS = {
    "accuracy": Part("3D error against the best possible", accuracy.add_options, accuracy.run),
    "zoom": Part(
        "rigs that solve from focal lengths 30 % off", accuracy.add_zoom_options, accuracy.run_zoom
    ),
    "unknown": Part(
        "rigs that solve with no focal length given",
        accuracy.add_unknown_options,
        accuracy.run_unknown,
    ),
    "errorbars": Part(
        "pose errors against the stated covariance", errorbars.add_options, errorbars.run
    ),
    "outliers": Part(
        "3D error with 10 % gross outliers", accuracy.add_outlier_options, accuracy.run_outliers
    ),
    "causes": Part("planted faults named, and false alarms", causes.add_options, causes.run),
    "field": Part(
        "mistakes made on site: what is told, what is quietly wrong", field.add_options, field.run
    ),
    "speed": Part("bundle and whole solve against Ceres", speed.add_options, speed.run),
    "memory": Part("peak memory and time as a wave grows", sizes.add_options, sizes.run),
    "scale": Part("large inputs through the commands", scale.add_options, scale.run),
    "sparse": Part("a corridor against a room, time per point", sparse.add_options, sparse.run),
    "recheck": Part("what a recheck names of planted changes", recheck.add_options, recheck.run),
    "general": Part("a published problem of general points", general.add_options, general.run),
    "identify": Part("nameless captures among stray points", naming.add_options, naming.run),
    "any": Part("rigs rechecked by nameless markers", free.add_options, free.run),
    "hostile": Part(
        "spoiled files, kills and signals that end badly", hostile.add_options, hostile.run
    ),
    "prove": Part(
        "worlds, length tests and precision against the truth", prove.add_options, prove.run
    ),
    "plan": Part("plans against what comes of them, ways, suggestions", plan.add_options, plan.run),
    "page": Part("size and opening time of the report's page", page.add_options, page.run),
    "references": Part(
        "a small wand problem by general solvers", references.add_options, references.run
    ),
    "watch": Part(
        "waves that end by themselves, and an hour of them", watch.add_options, watch.run
    ),
}
# What ``all`` passes on to the parts that have it.
SHARED = {"rigs": int, "seed": int, "jobs": int, "repeats": int, "ceres_source": str}


def options_of(name: str, given: argparse.Namespace) -> argparse.Namespace:
    """Return a part's options: its defaults, and of ``all``'s options those that it knows."""
    parser = argparse.ArgumentParser()
    PARTS[name].add_options(parser)
    words: list[str] = []
    known = vars(parser.parse_args([]))
    for key in SHARED:
        value = getattr(given, key)
        if value is not None and key in known:
            words += [f"--{key.replace('_', '-')}", str(value)]
    return parser.parse_args(words)


def main() -> int:
    """Return 1 where a figure is not reached."""
    parser = argparse.ArgumentParser(prog="scripts/bench", description="Measure calib itself.")
    parts = parser.add_subparsers(dest="part", required=True, metavar="PART")
    everything = parts.add_parser(
        "all", help="all parts, one table", description="Run all parts; print one table."
    )
    for key, kind in SHARED.items():
        everything.add_argument(
            f"--{key.replace('_', '-')}", type=kind, help="for the parts that have it"
        )
    for name, part in PARTS.items():
        part.add_options(
            parts.add_parser(name, help=part.about.replace("%", "%%"), description=part.about)
        )
    for one in parts.choices.values():
        one.add_argument("--json", action="store_true", help="print the rows as one JSON document")
    options = parser.parse_args()
    WORK.mkdir(parents=True, exist_ok=True)
    start = head()
    rows: list[Row] = []
    for name in PARTS if options.part == "all" else [options.part]:
        if options.part == "all":
            note(f"-- {name}: {PARTS[name].about}")
        rows += PARTS[name].run(options_of(name, options) if options.part == "all" else options)
    if options.json:
        print(
            json.dumps(
                {"head": start.splitlines(), "rows": [asdict(r) for r in rows]}, ensure_ascii=False
            )
        )
    else:
        print(f"{start}\n\n{table(rows)}")
    return int(any(r.is_met is False for r in rows))


if __name__ == "__main__":
    try:
        sys.exit(main())
    except RuntimeError as error:  # a measurement that its options make impossible
        print(error, file=sys.stderr)
        sys.exit(2)
