"""Waves watched while they go on: where they end against where a solve first meets the need, and
what an hour of it takes.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from time import process_time

import numpy as np

from calib.check.inspect import inspect
from calib.core.tracks import Tracks
from calib.errors import CalibError, UnsolvableError
from calib.pipeline import calibrate
from calib.prove.precision import FEW_PLACES, precision
from calib.simulate import Scenario, Simulation, simulate
from calib.watch.records import Figure
from calib.watch.run import Watch
from scripts.benchmarks.accuracy import LAYOUTS, WANDS, over_rigs
from scripts.benchmarks.table import Row, forget_peak_memory, note, peak_memory_bytes

RATES_HZ = (25.0, 25.0, 100.0)
WAVE_S = 60.0
WINDOW_S = 300  # of each the peak of memory is taken: it rises with a solve, and falls again
GROWTH = 0.1  # from the first half of an hour to the second: what allocators hold back


@dataclass(frozen=True, slots=True)
class Ended:
    """One wave: cameras, rate, need, when a solve first met it and when the watch ended (s; nan:
    never), and what a solve of the frames until then states.
    """

    layout: str
    n_cameras: int
    rate_hz: float
    need_mm: float
    first_s: float
    end_s: float
    at_end_mm: float

    @property
    def is_too_soon(self) -> bool:
        """A solve at the end does not meet the need, beyond a rounding of its last step."""
        return bool(self.at_end_mm > 1.001 * self.need_mm)

    @property
    def over(self) -> float:
        """By what share of the frames it ended late."""
        return self.end_s / self.first_s - 1.0


def capture_of(index: int, seed: int) -> Simulation:
    """Return the index-th wave: layouts, wands and rates in turn, 4 to 12 cameras."""
    for later in range(10):
        own = seed + index + 1000 * later
        rng = np.random.default_rng(own)
        rate = RATES_HZ[index % 3]
        scenario = Scenario(
            layout=LAYOUTS[index % 4],
            wand=WANDS[index // 4 % 3],
            seed=own,
            n_cameras=int(rng.integers(4, 13)),
            frame_rate_hz=rate,
            n_frames=round(WAVE_S * rate),
            tremble=Scenario().tremble * rate / Scenario().frame_rate_hz,  # as a time: 80 µs
            sigma_px=float(np.exp(rng.uniform(np.log(0.08), np.log(0.4)))),
        )
        try:
            return simulate(scenario)
        except (UnsolvableError, CalibError):
            continue
    raise RuntimeError(f"wave {index}: ten seeds gave none that joins all cameras")


def seconds_of(tracks: Tracks, last: int) -> Iterator[Tracks]:
    step = round(tracks.frame_rate_hz)
    for first in range(0, last, step):
        yield tracks.between(first, first + step)


def solved_mm(simulation: Simulation, seconds: float) -> float:
    """Return the precision that a solve of the first seconds of a wave states in half of the
    places where the wand went; inf where it cannot be solved or an inspection has something to act
    on.
    """
    part = simulation.tracks.between(0, round(seconds * simulation.tracks.frame_rate_hz))
    try:
        rig = calibrate(part, simulation.wand)
    except CalibError:
        return float("inf")
    if not inspect(part, simulation.wand).good:
        return float("inf")
    places = rig.wave_mm[:: max(1, len(rig.wave_mm) // FEW_PLACES)]
    return Figure.of(precision(rig, places).sigma_mm).half_mm


def measure(index: int, seed: int) -> Ended:
    """Return how one wave ended; the need is a hundredth above what a solve of a third to three
    quarters of it states: met to a rounding, it would try the roundings of two solves.
    """
    simulation = capture_of(index, seed)
    s, rng = simulation.scenario, np.random.default_rng([seed, index])
    known: dict[int, float] = {}

    def meets(seconds: int) -> bool:
        if seconds not in known:
            known[seconds] = solved_mm(simulation, seconds)
        return known[seconds] <= need

    asked, need = int(rng.uniform(0.33, 0.75) * WAVE_S), float("inf")
    while not np.isfinite(need) and asked <= 0.8 * WAVE_S:
        known[asked] = solved_mm(simulation, asked)
        need, asked = 1.01 * known[asked], asked + 2
    watch, end = Watch(simulation.wand, need), float("nan")
    for k, part in enumerate(seconds_of(simulation.tracks, round(WAVE_S * s.frame_rate_hz)), 1):
        watch = watch.added(part)
        if watch.wants_solve:
            watch = watch.solved_now()
        if watch.ending is not None:
            end = k
            break
    low, high = 2, asked - 2 if np.isfinite(need) else int(WAVE_S)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if meets(middle) else (middle, high)
    at_end = float("nan") if np.isnan(end) else solved_mm(simulation, end)
    return Ended(s.layout, s.n_cameras, s.frame_rate_hz, need, high, end, at_end)


def busy(seed: int, minutes: float, rate_hz: float) -> tuple[float, float, float]:
    """Return seconds of processor a second of capture, and the median peak of memory in MB of the
    first and the second half, of 24 cameras before which one minute's wave is repeated.
    """
    rate = rate_hz
    simulation = simulate(
        Scenario(
            n_cameras=24,
            frame_rate_hz=rate,
            n_frames=round(WAVE_S * rate),
            seed=seed,
            tremble=Scenario().tremble * rate / Scenario().frame_rate_hz,
            connected=False,
        )
    )
    parts = list(seconds_of(simulation.tracks, round(WAVE_S * rate)))
    watch, peaks, begin = Watch(simulation.wand, 1e-6), [], process_time()
    n_seconds = round(60 * minutes)
    for k in range(n_seconds):
        turn, at = divmod(k, len(parts))
        shift = round(turn * WAVE_S * rate)
        cameras = tuple(replace(c, frame=c.frame + shift) for c in parts[at].cameras)
        watch = watch.added(replace(parts[at], cameras=cameras))
        if watch.wants_solve:
            watch = watch.solved_now()
        assert watch.view is not None
        if (k + 1) % WINDOW_S == 0 or k + 1 == n_seconds:
            peaks.append(peak_memory_bytes() / 1e6)
            forget_peak_memory()
            used = (process_time() - begin) / (k + 1)
            note(f"{(k + 1) / 60:.0f} min: {peaks[-1]:.0f} MB, {used:.2f} s a second")
    half = (len(peaks) + 1) // 2
    load = (process_time() - begin) / n_seconds
    # A single peak is chance: a solve's arrays lie as earlier ones left room for them.
    first, second = (
        float(np.median(p)) if p else float("nan") for p in (peaks[:half], peaks[half:])
    )
    return load, first, second


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--waves", type=int, default=20)
    parser.add_argument("--seed", type=int, default=61000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=60.0, help="of 24 cameras at 25 Hz")


def _of_waves(options: argparse.Namespace) -> list[Row]:
    """Return where waves ended."""
    waves = []
    each = partial(measure, seed=options.seed)
    for k, w in enumerate(over_rigs(each, range(options.waves), options.jobs)):
        waves.append(w)
        note(
            f"{k + 1}: {w.layout} of {w.n_cameras} at {w.rate_hz:g} Hz, need {w.need_mm:.3f} mm: "
            f"met after {w.first_s:.0f} s, ended after {w.end_s:.0f} s with {w.at_end_mm:.3f} mm"
        )
    # To a second, in which frames come.
    late = [w for w in waves if not w.end_s <= max(1.1 * w.first_s, w.first_s + 1)]
    soon = [w for w in waves if w.is_too_soon]
    seeds = f"{options.seed} to {options.seed + options.waves - 1}"
    over = [w.over for w in waves if np.isfinite(w.over)]
    return [
        Row(
            "watch: ended before a solve meets the need",
            "none",
            f"{len(soon)} of {len(waves)}",
            not soon,
            seeds,
        ),
        Row(
            "watch: ended within 10 % of the frames",
            "all",
            f"{len(waves) - len(late)} of {len(waves)}, median {np.median(over):+.1%}",
            not late,
            seeds,
        ),
    ]


def run(options: argparse.Namespace) -> list[Row]:
    rows = _of_waves(options) if options.waves else []
    if options.minutes > 0:
        with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
            # The first minute, as solves get rarer after it.
            load, _, _ = pool.submit(busy, options.seed, 1.0, 100.0).result()
        with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
            _, first, second = pool.submit(busy, options.seed, options.minutes, 25.0).result()
        rows += [
            Row(
                "watch: processor a second, 24 cameras at 100 Hz for a minute",
                "< 1 s",
                f"{load:.2f} s",
                load < 1.0,
                str(options.seed),
            ),
            Row(
                f"watch: memory in the halves of {options.minutes:g} minutes, 24 cameras",
                f"+ {GROWTH:.0%}",
                f"{first:.0f} and {second:.0f} MB",
                second < (1.0 + GROWTH) * first if np.isfinite(second) else None,
                str(options.seed),
            ),
        ]
    return rows
