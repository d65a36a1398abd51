"""Peak memory and time of the bundle as a wave grows: 200 cameras, up to 10,000 frames of a wand of
five markers.

Each size runs in a process of its own, simulation included, so its peak is an upper bound of what
the bundle needs.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np

from calib.core.threads import one_blas_thread
from calib.errors import CalibError
from calib.solve.bundle.descent import BundleOptions, bundle
from scripts.benchmarks.plot import Chart, Series, write_charts
from scripts.benchmarks.table import WORK, Row, note, peak_memory_bytes
from scripts.benchmarks.wand_task import SMALL_ROOM_MM, TERMS, make_simulation, make_task

LIMIT_GB, STATED_POINTS = 3.0, 2_000_000  # a smaller run says nothing about the limit
# A fit over four sizes of a shared machine is good to some hundredths.
LINEAR = 1.1


@dataclass(frozen=True, slots=True)
class Size:
    """What one run needs: points, seconds to lay them out and for an iteration, peak bytes before
    and in the end.
    """

    n_cameras: int
    n_frames: int
    n_points: int
    views: float
    lay_out_s: float
    iteration_s: float
    before_bytes: int
    peak_bytes: int


@one_blas_thread
def measure(
    layout: str,
    n_cameras: int,
    n_frames: int,
    size_mm: tuple[float, float, float] | None,
    seed: int,
    n_iterations: int,
) -> Size:
    """Return what that many iterations of the bundle take on one simulated wave, from a disturbed
    start.
    """
    try:
        task = make_task(make_simulation(n_cameras, n_frames, seed, layout, size_mm), seed)
    except CalibError as error:
        raise RuntimeError(str(error)) from None  # a CalibError does not travel between processes
    small = make_task(
        make_simulation(8, 60, seed, "room", SMALL_ROOM_MM), seed
    )  # compiles, or loads what is compiled
    options = BundleOptions(terms=TERMS, prior=small.prior, max_iterations=2)
    bundle(small.problem(), small.start, options)
    before, begin = peak_memory_bytes(), perf_counter()
    problem = task.problem()
    laid_out = perf_counter()
    options = replace(options, prior=task.prior, max_iterations=n_iterations, tolerance=0.0)
    result = bundle(problem, task.start, options)
    # The start's normal equations are one more linearisation than there are steps.
    iteration_s = (perf_counter() - laid_out) / result.n_iterations
    views = len(problem.cam) / problem.n_frames
    return Size(
        n_cameras,
        n_frames,
        problem.n_points,
        views,
        laid_out - begin,
        iteration_s,
        before,
        peak_memory_bytes(),
    )


def in_own_process(*arguments: object) -> Size:
    """Return ``measure`` as run by a fresh process."""
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        return pool.submit(measure, *arguments).result()  # type: ignore[arg-type]


def tell(s: Size) -> str:
    return (
        f"{s.n_cameras:4d} cameras × {s.n_frames:6,} frames: {s.n_points:9,} points, "
        f"{s.views:5.1f} cameras a frame, "
        f"laid out in {s.lay_out_s:6.2f} s, {s.iteration_s:7.3f} s an iteration "
        f"({1e6 * s.iteration_s / s.n_points:.2f} µs a point), "
        f"peak {s.peak_bytes / 1e9:.2f} GB ({s.before_bytes / 1e9:.2f} GB before the bundle)"
    )


def exponent(points: list[float], seconds: list[float]) -> float:
    """Return p of the best fit of seconds = c points^p, on logarithms."""
    return float(np.polyfit(np.log(points), np.log(seconds), 1)[0])


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--cameras", type=int, default=200)
    parser.add_argument("--frames", type=int, nargs="+", default=[1250, 2500, 5000, 10000])
    parser.add_argument(
        "--room", type=float, nargs=3, default=(14000.0, 11000.0, 2200.0), help="waved volume, mm"
    )
    parser.add_argument("--iterations", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)


def run(options: argparse.Namespace) -> list[Row]:
    sizes = []
    for n_frames in options.frames:
        sizes.append(
            in_own_process(
                "room",
                options.cameras,
                n_frames,
                tuple(options.room),
                options.seed,
                options.iterations,
            )
        )
        note(tell(sizes[-1]))
    largest, seed = sizes[-1], str(options.seed)
    is_met = largest.peak_bytes < LIMIT_GB * 1e9 if largest.n_points >= STATED_POINTS else None
    memory = Row(
        f"memory: {largest.n_cameras} cameras × {largest.n_frames:,} frames × 5 markers",
        f"< {LIMIT_GB:g} GB",
        f"{largest.peak_bytes / 1e9:.2f} GB, {largest.n_points:,} points",
        is_met,
        seed,
    )
    if len(sizes) < 2:
        return [memory]
    points = [float(s.n_points) for s in sizes]
    p = exponent(points, [s.iteration_s for s in sizes])

    def curve(of: Callable[[Size], float]) -> list[tuple[float, float]]:
        return [(float(size.n_points), of(size)) for size in sizes]

    path = write_charts(
        [
            Chart(
                f"Time, {options.cameras} cameras",
                "points",
                "seconds",
                [
                    Series("one iteration", curve(lambda s: s.iteration_s)),
                    Series("laying out", curve(lambda s: s.lay_out_s)),
                ],
            ),
            Chart(
                f"Peak memory, {options.cameras} cameras",
                "points",
                "GB",
                [Series("whole process", curve(lambda s: s.peak_bytes / 1e9))],
                ("limit", LIMIT_GB),
            ),
        ],
        WORK / "sizes.svg",
    )
    note(f"time and memory against size are drawn in {path}")
    growth = Row(
        "memory: time against points, exponent", f"≤ {LINEAR:g}", f"{p:.2f}", p <= LINEAR, seed
    )
    return [memory, growth]
