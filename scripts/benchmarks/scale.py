"""Large inputs through the commands: time and memory of 4 million points in 16 cameras, and of 300
cameras.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path

import calib
from scripts.benchmarks.table import WORK, Row, note

# Cameras, and frames of a wand of three markers that every camera sees part of.
SIZES = {"points": (16, 150_000), "cameras": (300, 2_000)}
COMMANDS = (
    "inspect tracks.h5 --wand wand.toml",
    "solve tracks.h5 --wand wand.toml -o rig.h5 --force",
    "residuals rig.h5 tracks.h5",
    "recheck rig.h5 tracks.h5",
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add this part's options."""
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0, help="of the frames, for a trial")


def run(options: argparse.Namespace) -> list[Row]:
    """Return the rows of the table."""
    return [row for kind in SIZES for row in _measured(kind, options)]


def _measured(kind: str, options: argparse.Namespace) -> list[Row]:
    n_cameras, n_frames = SIZES[kind]
    folder = WORK / "scale" / kind
    folder.mkdir(parents=True, exist_ok=True)
    scenario = calib.Scenario(
        n_cameras=n_cameras, n_frames=max(60, round(n_frames * options.share)), seed=options.seed
    )
    made = calib.simulate.simulate(scenario)
    calib.save_tracks(made.tracks, folder / "tracks.h5", overwrite=True)
    calib.save_wand(made.wand, folder / "wand.toml", overwrite=True)
    n_points = sum(c.n_points for c in made.tracks.cameras)
    del made
    rows = []
    for command in COMMANDS:
        seconds, peak_bytes, code = _run(command, folder)
        note(f"{kind}: {command}: {seconds:.1f} s, {peak_bytes / 1e9:.2f} GB, exit {code}")
        what = f"{command.split()[0]}, {n_cameras} cameras, {n_points / 1e6:.2g} million points"
        rows.append(
            Row(
                what,
                "exit 0 or 1",
                f"{seconds:.1f} s, {peak_bytes / 1e9:.2f} GB, exit {code}",
                code in (0, 1),
                str(options.seed),
            )
        )
    return rows


def _run(command: str, folder: Path) -> tuple[float, int, int]:
    """Return seconds, the most memory that the command's own process took, and its exit code."""
    start = time.perf_counter()
    running = subprocess.Popen(
        [sys.executable, "-m", "calib", *command.split()],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    _, status, used = os.wait4(running.pid, 0)
    running.returncode = os.waitstatus_to_exitcode(status)
    unit = 1 if sys.platform == "darwin" else 1024
    return time.perf_counter() - start, used.ru_maxrss * unit, running.returncode
