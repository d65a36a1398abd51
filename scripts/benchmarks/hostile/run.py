"""``scripts/bench hostile``: how many of so many spoiled files, kills and signals end badly."""

from __future__ import annotations

import argparse
import json
import os
import queue
import shutil
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path
from typing import Any

from calib.intake.centroids import MOST_PIXELS
from scripts.benchmarks.hostile import samples, stopping
from scripts.benchmarks.hostile.reading import MOST_S, SAMPLES
from scripts.benchmarks.table import WORK, Row, note

MOST_BYTES = 2e9
LISTED = 20  # cases named


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add this part's options."""
    parser.add_argument("--inputs", type=int, default=100_000, help="spoiled files in all")
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--interrupts", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--samples", default="all", help="kinds of files, by comma")
    parser.add_argument("--first", type=int, default=0, help="number of the first case a kind")


def run(options: argparse.Namespace) -> list[Row]:
    """Return the rows of the table."""
    folder = (WORK / "hostile").resolve()
    shutil.rmtree(folder, ignore_errors=True)
    samples.make(folder)
    rows = [] if not options.inputs else read(options, folder)
    for what, n, is_kill in (
        ("kills", options.kills, True),
        ("signals", options.interrupts, False),
    ):
        if n:
            rows.append(stopping.row(what, n, is_kill, options.seed, folder))
    return rows


def read(options: argparse.Namespace, folder: Path) -> list[Row]:
    """Run the spoiled files, and go on after each crash or hang."""
    names = sorted(SAMPLES) if options.samples == "all" else options.samples.split(",")
    names = [name for name in names if (folder / name).is_file()]
    n_each = -(-options.inputs // len(names))
    tally: Counter[str] = Counter()
    bad: list[str] = []
    peak = 0
    for name in names:
        first, end = options.first, options.first + n_each
        while first < end:
            at, peak_here = _watch(name, options.seed, first, end, folder, tally, bad)
            peak, first = max(peak, peak_here), at + 1
        note(f"{name}: {n_each} cases; so far {dict(tally)}")
    for line in bad[:LISTED]:
        note(line)
    seeds = f"{options.seed}, cases {options.first} to {options.first + n_each - 1} of each kind"
    n = sum(v for k, v in tally.items() if k.startswith("exit"))
    told = ", ".join(f"{v} {k}" for k, v in sorted(tally.items()))
    return [
        Row(
            f"spoiled files, {len(names)} kinds",
            "0 end badly",
            f"{len(bad)} of {n + tally['crash'] + tally['hang']} ({told})",
            not bad,
            seeds,
        ),
        Row(
            "memory at most",
            f"{MOST_BYTES / 1e9:g} GB",
            f"{peak / 1e9:.2f} GB",
            peak <= MOST_BYTES,
            seeds,
        ),
    ]


def _watch(
    name: str, seed: int, first: int, end: int, folder: Path, tally: Counter[str], bad: list[str]
) -> tuple[int, int]:
    """Run cases until the end or the first that ends the process; return the last case's number
    and the memory that was taken.
    """
    command = [
        sys.executable,
        "-m",
        "scripts.benchmarks.hostile.reading",
        str(folder),
        name,
        str(seed),
        str(first),
        str(end),
    ]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        env=os.environ | {"OPENCV_IO_MAX_IMAGE_PIXELS": str(MOST_PIXELS)},  # as the program does
    )
    lines: queue.Queue[str] = queue.Queue()
    assert process.stdout is not None and process.stderr is not None

    def pump(stream: Any) -> None:
        for line in stream:
            lines.put(line)
        lines.put("")

    threading.Thread(target=pump, args=(process.stdout,), daemon=True).start()
    said: list[str] = []
    threading.Thread(target=lambda: said.extend(process.stderr or ()), daemon=True).start()
    at, peak = first - 1, 0
    is_running = False
    while True:
        try:
            line = lines.get(timeout=6 * MOST_S)  # the machine may be busy; counted below
        except queue.Empty:
            process.kill()
            tally["hang"] += 1
            bad.append(f"{name} seed {seed} case {at}: a hang")
            break
        if not line:
            process.wait()
            if is_running:
                tally["crash"] += 1
                bad.append(
                    f"{name} seed {seed} case {at}: ended with {process.returncode} "
                    f"{''.join(said)[-300:]}"
                )
            else:
                at = end
            break
        kind, *facts = json.loads(line)
        is_running = kind == "begin"
        if kind == "begin":
            at = facts[1]
        elif kind == "end":
            _, number, wrong, code, seconds = facts
            tally[f"exit {code}"] += 1
            if seconds > MOST_S:
                wrong = f"took {seconds:.1f} s"
            if wrong:
                bad.append(f"{name} seed {seed} case {number}: {wrong}")
        else:
            peak = facts[0]
    return at, peak
