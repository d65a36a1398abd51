"""Time our bundle and Ceres on one problem, from the same start to the same cost, then a whole
``calib solve``.

Both minimise the same residuals over the same unknowns: every camera's pose, focal length,
principal point, k1 and k2, and every frame's wand pose. A time runs until the cost is within 1e-6
of the common minimum. Ours counts laying out the points, Ceres' its preprocessing; reading files
counts for neither. The best of the repeats stands, as the machine's other work only ever adds.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

from calib.core.threads import one_blas_thread
from calib.files import save_tracks, save_wand
from calib.simulate import Simulation
from calib.solve.bundle.descent import BundleOptions, bundle
from scripts.benchmarks.ceres import KINDS, MARK, compile_ceres, run_ceres, write_problem
from scripts.benchmarks.table import WORK, Row, note
from scripts.benchmarks.wand_task import (
    SMALL_ROOM_MM,
    TERMS,
    Task,
    Timing,
    make_simulation,
    make_task,
)

AGREE = 1e-9  # relative difference of the two minima that convergence explains
# Cameras and frames: how many times faster than Ceres the bundle must be, and the most that a whole
# solve may take of the time of Ceres' bundle.
FIGURES = {(16, 2000): (4.0, 2.0), (64, 4000): (8.0, 0.5)}


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--cameras", type=int, help="one size alone, with --frames; both stated sizes without"
    )
    parser.add_argument("--frames", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--no-solve", action="store_true", help="leave out the whole calib solve")


def ours(task: Task) -> Callable[[], Timing]:
    """Return a run of our bundle. The iterations that the mark takes are counted once,
    beforehand.
    """

    @one_blas_thread
    def run(max_iterations: int = 60) -> tuple[float, int, float]:
        begin = perf_counter()
        options = BundleOptions(
            terms=TERMS, prior=task.prior, max_iterations=max_iterations, tolerance=1e-10
        )
        result = bundle(task.problem(), task.start, options)
        return perf_counter() - begin, result.n_iterations, result.cost

    _, n_total, cost = run()
    n_to_mark = next(n for n in range(1, n_total + 1) if run(n)[2] <= cost * (1 + MARK))
    return lambda: Timing("calib bundle", run(n_to_mark)[0], run()[0], n_to_mark, n_total, cost)


def best(timings: list[Timing]) -> Timing:
    first = timings[0]
    return Timing(
        first.program,
        min(t.to_mark_s for t in timings),
        min(t.total_s for t in timings),
        first.n_to_mark,
        first.n_total,
        first.cost,
    )


def whole_solve(sim: Simulation) -> float:
    """Return the seconds of ``calib solve`` with all frames, from files to file, the interpreter's
    start included.

    It is the second run of the program: Python and Numba keep what they compiled in the first.
    """
    tracks, wand, rig = WORK / "tracks.h5", WORK / "wand.toml", WORK / "rig.h5"
    save_tracks(sim.tracks, tracks, overwrite=True)
    save_wand(sim.wand, wand, overwrite=True)
    program = [sys.executable, "-m", "calib", "solve"]
    command = [*program, str(tracks), "--wand", str(wand), "-o", str(rig), "--force"]
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    for _ in range(2):
        begin = perf_counter()
        subprocess.run(
            command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=kept
        )
    return perf_counter() - begin


def tell(t: Timing) -> str:
    mark, end = (
        f"{t.to_mark_s:.2f} s, {t.n_to_mark:2d} steps",
        f"{t.total_s:.2f} s, {t.n_total:2d} steps",
    )
    return f"{t.program:28}{mark:>24}{end:>20}{t.cost:18.6f}"


def one_size(n_cameras: int, n_frames: int, options: argparse.Namespace) -> list[Row]:
    """Return the rows of one size: our bundle against the faster Ceres, the minima, and the whole
    solve.
    """
    sim = make_simulation(n_cameras, n_frames, options.seed, size_mm=SMALL_ROOM_MM)
    task = make_task(sim, options.seed)
    n_points = task.problem().n_points
    note(
        f"{n_cameras} cameras × {n_frames:,} frames × 5 markers, {n_points:,} points, "
        f"best of {options.repeats}"
    )
    write_problem(task, WORK / "problem.txt")
    program = compile_ceres()
    if isinstance(program, str):
        note(program)
    run_ours = ours(task)
    runs: dict[str, list[Timing]] = {}
    for _ in range(options.repeats):
        runs.setdefault("ours", []).append(run_ours())
        if isinstance(program, Path):
            for kind in KINDS:
                runs.setdefault(kind, []).append(run_ceres(program, WORK / "problem.txt", kind))
    timings = [best(t) for t in runs.values()]
    note(f"{'':28}{'to 1e-6 of the minimum':>24}{'to the end':>20}{'cost':>18}")
    for t in timings:
        note(tell(t))
    size, seed = f"{n_cameras} × {n_frames:,} ({n_points:,} points)", str(options.seed)
    faster, share = FIGURES.get((n_cameras, n_frames), (None, None))
    mark_s = timings[0].to_mark_s
    ceres_s = min((t.to_mark_s for t in timings[1:]), default=None)
    rows = []
    must = f"≥ {faster:g} times faster" if faster else ""
    if ceres_s is None:
        rows.append(
            Row(f"speed: bundle, {size}", must, f"{mark_s:.2f} s, no Ceres to compare", None, seed)
        )
    else:
        is_met = ceres_s >= faster * mark_s if faster else None
        found = f"{ceres_s / mark_s:.2f} times ({mark_s:.2f} s against {ceres_s:.2f} s)"
        rows.append(Row(f"speed: bundle against Ceres, {size}", must, found, is_met, seed))
        spread = max(t.cost for t in timings) / min(t.cost for t in timings) - 1
        rows.append(
            Row(
                f"speed: difference of the minima, {size}",
                f"≤ {AGREE:g}",
                f"{spread:.0e}",
                spread <= AGREE,
                seed,
            )
        )
    if not options.no_solve:
        seconds = whole_solve(sim)
        must = f"≤ {share:g} of Ceres' bundle" if share else ""
        found = f"{seconds:.2f} s" + (
            f", {seconds / ceres_s:.2f} of Ceres' bundle" if ceres_s else ""
        )
        is_met = seconds <= share * ceres_s if share and ceres_s else None
        rows.append(Row(f"speed: calib solve, file to file, {size}", must, found, is_met, seed))
    return rows


def run(options: argparse.Namespace) -> list[Row]:
    sizes = [(options.cameras, options.frames)] if options.cameras else list(FIGURES)
    return [row for cameras, frames in sizes for row in one_size(cameras, frames, options)]
