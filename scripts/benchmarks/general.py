"""Solve a published problem of general points: problem-16-22106-pre, which comes with Ceres'
sources.

Its cameras look along -z and its image's y runs up; a point is a marker whose frame has no turn.
Unknowns are, as published, pose, focal length, k1 and k2 of each camera and every point. Source of
the format and of both costs: Ceres Solver, examples/bundle_adjuster and its data folder.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
from pathlib import Path
from time import perf_counter

import numpy as np

from calib.core.geometry import rotation_from_vector
from calib.core.threads import one_blas_thread
from calib.solve.bundle.descent import BundleOptions, bundle
from calib.solve.bundle.linearise import linearise
from calib.solve.bundle.problem import Problem, State, arrange
from scripts.benchmarks.table import WORK, Row, note

NAME = "problem-16-22106-pre.txt"
TERMS = ("focal", "k1", "k2")
INITIAL, FINAL = 4.185660e6, 1.803390e4  # published costs
# the problem's unit is arbitrary; as metres, depths are far beyond the bundle's nearest 1 mm
UNIT_MM = 1000.0


def read_problem(path: Path) -> tuple[Problem, State]:
    """Return the problem of a text file: counts, observations, nine numbers a camera, three a
    point.
    """
    words = path.read_text().split()
    n_cameras, n_points, n_seen = (int(w) for w in words[:3])
    seen, cameras, points = np.split(
        np.array(words[3:], float), np.cumsum([4 * n_seen, 9 * n_cameras])
    )
    seen, cameras, points = seen.reshape(-1, 4), cameras.reshape(-1, 9), points.reshape(-1, 3)
    flip = np.diag([1.0, -1.0, -1.0])
    lens = np.zeros((n_cameras, 12))
    lens[:, 0], lens[:, 1], lens[:, 4:6] = cameras[:, 6], cameras[:, 6], cameras[:, 7:9]
    problem = arrange(
        seen[:, 0].astype(np.intp),
        seen[:, 1].astype(np.intp),
        np.zeros(n_seen, np.intp),
        seen[:, 2:] * [1.0, -1.0],
        np.ones(n_seen),
        np.arange(n_seen),
        shape=(n_cameras, n_points, 1),
        n_rotation=0,
        frame_number=np.arange(n_points),
    )
    state = State(
        flip @ rotation_from_vector(cameras[:, :3]),
        UNIT_MM * cameras[:, 3:6] @ flip,
        lens,
        np.broadcast_to(np.eye(3), (n_points, 3, 3)),
        UNIT_MM * points,
        np.zeros((1, 3)),
    )
    return problem, state


def find_file(given: Path | None) -> Path | str:
    """Return the problem's file: the given one, one below the given folder, or fetched; else in a
    line why not.
    """
    folder = given or WORK / "ceres-source"
    if folder.is_file():
        return folder
    found = sorted(folder.rglob(NAME)) if folder.is_dir() else []
    if found:
        return found[0]
    if given is not None:
        return f"no {NAME} at or below {given}"
    if not shutil.which("apt-get") or not shutil.which("dpkg-source"):
        return (
            "no apt-get and dpkg-source here: give the unpacked sources of "
            "ceres-solver with --ceres-source"
        )
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["apt-get", "source", "ceres-solver"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    found = sorted(folder.rglob(NAME))
    if not found:
        why = (done.stderr.strip().splitlines() or ["no such file in the package"])[-1]
        return (
            f"apt-get source ceres-solver gave none ({why}): give the unpacked "
            f"sources with --ceres-source"
        )
    return found[0]


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--ceres-source",
        type=Path,
        help="the problem's file, or a folder of Ceres' unpacked sources",
    )


@one_blas_thread
def run(options: argparse.Namespace) -> list[Row]:
    what, must = "general: problem-16-22106-pre, final cost", f"≤ {FINAL:.4e}"
    path = find_file(options.ceres_source)
    if isinstance(path, str):
        return [Row(what, must, f"not run: {path}", None)]
    problem, state = read_problem(path)
    initial = linearise(problem, state, TERMS, np.inf).cost
    note(
        f"{problem.n_cameras} cameras, {problem.n_frames:,} points seen {problem.n_points:,} times"
    )
    note(f"initial cost {initial:.6e}, published {INITIAL:.6e}")
    if abs(initial / INITIAL - 1.0) > 1e-6:
        return [Row(what, must, f"another problem: its initial cost is {initial:.6e}", False)]
    begin = perf_counter()
    result = bundle(problem, state, BundleOptions(terms=TERMS, max_iterations=200))
    seconds = perf_counter() - begin
    found = f"{result.cost:.6e} in {result.n_iterations} steps, {seconds:.1f} s"
    # The published figure has seven digits; as many of ours count.
    return [Row(what, must, found, round(result.cost, 1) <= FINAL)]
