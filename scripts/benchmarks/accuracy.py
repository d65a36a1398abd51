"""Solve simulated rigs of mixed layout, wand and noise; compare 3D errors with the most likely rig
from the truth.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from time import perf_counter
from typing import Any, TypeVar

import numpy as np

from calib.core.parameters import AUTO, term_names
from calib.core.rig import Rig
from calib.errors import CalibError, UnsolvableError
from calib.pipeline import calibrate
from calib.simulate import Scenario, Simulation, sample_points, simulate
from calib.simulate.imaging import camera_sigma
from scripts.benchmarks.oracle import likelihood_optimum
from scripts.benchmarks.table import Row, note
from scripts.benchmarks.truth import error_against_truth
from scripts.benchmarks.truths import add_option, drawn_from, small_term_sd

LAYOUTS = ("room", "corridor", "row", "dome")
WANDS = ("line3", "plane5", "solid6")
N_TEST_POINTS = 500
# The median of random rigs never comes near this: a rig beyond it went to a wrong minimum and does
# not count as solved.
WRONG = 2.0
S = TypeVar("S")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Case:
    """What the rigs of a run have in common."""

    first_seed: int
    sigma_px: tuple[float, float]  # limits of a camera's noise
    noise_spread: float  # how far a camera's noise lies off its rig's, either way
    focal_error: float
    outliers: float
    known_lens: str = "nominal"
    marker_error_mm: float = (
        0.0  # the best possible rig knows the true wand, so ratios need a wand as stated
    )
    truth: str = "real"  # what lenses and errors are drawn from: see ``truths``


@dataclass(frozen=True)
class Outcome:
    """One rig: median 3D errors in mm of ours and of the best possible, their ratio, and seconds;
    or why not.
    """

    scenario: dict[str, Any]
    ours_mm: float
    best_mm: float
    seconds: float
    failure: str = ""

    @property
    def ratio(self) -> float:
        return self.ours_mm / self.best_mm

    @property
    def is_solved(self) -> bool:
        return not self.failure and self.ratio < WRONG


def scenario_of(index: int, case: Case) -> Scenario:
    """Return the index-th rig: layouts in turn, wands in turn, 4 to 24 cameras and the rig's noise
    at random.
    """
    seed = case.first_seed + index
    rng = np.random.default_rng(seed)
    n_cameras = int(rng.integers(4, 25))
    low, high = np.log(np.array(case.sigma_px) * [case.noise_spread, 1.0 / case.noise_spread])
    scenario = Scenario(
        layout=LAYOUTS[index % 4],
        wand=WANDS[index // 4 % 3],
        n_cameras=n_cameras,
        seed=seed,
        sigma_px=float(np.exp(rng.uniform(low, max(low, high)))),
        noise_spread=case.noise_spread,
        focal_error=case.focal_error,
        outliers=case.outliers,
        known_lens=case.known_lens,
        marker_error_mm=case.marker_error_mm,
    )
    return drawn_from(scenario, case.truth)


def capture_of(index: int, case: Case) -> Simulation:
    """Return the capture of the index-th rig; where its waves leave the rig in pieces, the rig of a
    later seed.
    """
    for later in range(
        0, 10 * 100_000, 100_000
    ):  # no index of a run reaches this far, and layout and wand stay
        try:
            return simulate(scenario_of(index + later * 12, case))
        except UnsolvableError:
            continue
    raise RuntimeError(f"rig {index}: ten seeds gave no wave that joins all cameras")


def median_error_mm(rig: Rig, simulation: Simulation) -> float:
    """Return the median 3D error at random test points of the volume."""
    scenario = simulation.scenario
    points = sample_points(scenario, N_TEST_POINTS, np.random.default_rng(scenario.seed))
    error = error_against_truth(rig, simulation.truth, points, range_mm=scenario.range_mm)
    return float(np.nanmedian(error))


def best_rig(simulation: Simulation) -> Rig:
    """Return the most likely rig from the truth on the true inliers of a simulation.

    It knows which small terms the lenses have, and how they are distributed.
    """
    s = simulation
    terms = term_names(AUTO)
    lens_sd = small_term_sd(s.scenario, terms, np.array([c.lens.fx for c in s.truth.cameras]))
    sigma = np.array([camera_sigma(s.scenario, i) for i in range(len(s.tracks.cameras))])
    good = [~bad for bad in s.is_outlier]
    return likelihood_optimum(s.tracks, s.truth, s.world_from_wand, good, sigma, AUTO, lens_sd)


def measure(index: int, case: Case) -> Outcome:
    """Return what one simulated rig comes to."""
    simulation = capture_of(index, case)
    scenario = simulation.scenario.as_dict()
    best = median_error_mm(best_rig(simulation), simulation)
    begin = perf_counter()
    try:
        rig = calibrate(simulation.tracks, simulation.wand)
    except CalibError as error:
        return Outcome(scenario, np.nan, best, perf_counter() - begin, str(error))
    return Outcome(scenario, median_error_mm(rig, simulation), best, perf_counter() - begin)


def over_rigs(function: Callable[[S], T], indices: Sequence[S], n_jobs: int) -> Iterator[T]:
    """Yield the function of each index, computed by that many processes."""
    if n_jobs < 2:
        yield from map(function, indices)
        return
    with ProcessPoolExecutor(n_jobs, multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(function, indices)


def add_rig_options(parser: argparse.ArgumentParser, rigs: int) -> None:
    """Add what every part over simulated rigs takes."""
    parser.add_argument("--rigs", type=int, default=rigs)
    parser.add_argument(
        "--seed", type=int, default=1000, help="of the first rig; the others count on"
    )
    parser.add_argument(
        "--sigma-px", type=float, nargs=2, default=(0.05, 0.5), help="limits of a camera's noise"
    )
    parser.add_argument(
        "--noise-spread", type=float, default=2.0, help="cameras differ by up to this, either way"
    )
    parser.add_argument("--jobs", type=int, default=2)
    add_option(parser)


def add_options(parser: argparse.ArgumentParser) -> None:
    add_rig_options(parser, 200)
    parser.add_argument(
        "--focal-error",
        type=float,
        default=0.10,
        help="nominal focal lengths off by up to this share",
    )
    parser.add_argument("--known-lens", choices=("nominal", "nothing"), default="nominal")
    parser.add_argument("--outliers", type=float, default=0.003, help="share of gross outliers")
    parser.add_argument("--save", help="write every rig's outcome to this JSON file")


def add_zoom_options(parser: argparse.ArgumentParser) -> None:
    add_options(parser)
    parser.set_defaults(rigs=100, focal_error=0.30)


def add_unknown_options(parser: argparse.ArgumentParser) -> None:
    add_options(parser)
    parser.set_defaults(rigs=100, known_lens="nothing")


def add_outlier_options(parser: argparse.ArgumentParser) -> None:
    add_options(parser)
    parser.set_defaults(rigs=100, outliers=0.10)


def seeds_of(options: argparse.Namespace) -> str:
    return f"{options.seed} to {options.seed + options.rigs - 1}"


def outcomes_of(options: argparse.Namespace) -> list[Outcome]:
    """Return what the rigs of a run came to, telling each on standard error."""
    case = Case(
        options.seed,
        tuple(options.sigma_px),
        options.noise_spread,
        options.focal_error,
        options.outliers,
        options.known_lens,
        truth=options.truth,
    )
    outcomes = []
    for k, outcome in enumerate(
        over_rigs(partial(measure, case=case), range(options.rigs), options.jobs)
    ):
        outcomes.append(outcome)
        note(_line(k, outcome))
    note(summary(outcomes))
    if options.save:
        with open(options.save, "w", encoding="utf-8") as file:
            json.dump([vars(o) | {"ratio": o.ratio} for o in outcomes], file)
    return outcomes


def run(options: argparse.Namespace) -> list[Row]:
    outcomes = outcomes_of(options)
    n_solved, seeds = sum(o.is_solved for o in outcomes), seeds_of(options)
    median, high = quantiles(outcomes, 50, 95)
    most, most_high = (1.05, 1.2) if options.truth == "plain" else (1.10, 1.3)
    what = f"accuracy ({options.truth})"
    return [
        Row(
            f"{what}: rigs solved",
            "all",
            f"{n_solved} of {len(outcomes)}",
            n_solved == len(outcomes),
            seeds,
        ),
        Row(
            f"{what}: 3D error / best possible, median",
            f"≤ {most}",
            f"{median:.3f}",
            median <= most,
            seeds,
        ),
        Row(
            f"{what}: the same, 95th percentile",
            f"≤ {most_high}",
            f"{high:.3f}",
            high <= most_high,
            seeds,
        ),
    ]


def run_zoom(options: argparse.Namespace) -> list[Row]:
    return [_solved_row("zoom: focal lengths up to 30 % off", 1.00, options)]


def run_unknown(options: argparse.Namespace) -> list[Row]:
    return [_solved_row("unknown: no focal lengths given", 0.95, options)]


def run_outliers(options: argparse.Namespace) -> list[Row]:
    outcomes = outcomes_of(options)
    n_solved, (median, high) = sum(o.is_solved for o in outcomes), quantiles(outcomes, 50, 95)
    found = (
        f"median {median:.3f}, 95th percentile {high:.3f}, {n_solved} of "
        f"{len(outcomes)} rigs solved"
    )
    is_met = median <= 1.10 and n_solved == len(outcomes)
    return [
        Row(
            "outliers: 10 % gross, 3D error / best possible",
            "≤ 1.10",
            found,
            is_met,
            seeds_of(options),
        )
    ]


def _solved_row(what: str, share: float, options: argparse.Namespace) -> Row:
    outcomes = outcomes_of(options)
    n_solved, (median, high) = sum(o.is_solved for o in outcomes), quantiles(outcomes, 50, 95)
    found = (
        f"{n_solved} of {len(outcomes)} rigs solved, error / best {median:.3f} "
        f"median, {high:.3f} 95th percentile"
    )
    return Row(
        what,
        f"≥ {100 * share:.0f} of 100",
        found,
        n_solved >= share * len(outcomes),
        seeds_of(options),
    )


def quantiles(outcomes: list[Outcome], *percent: float) -> list[float]:
    """Return percentiles of the error ratio over the rigs that came out, wrong ones included; nan
    where none did.
    """
    ratio = [o.ratio for o in outcomes if not o.failure]
    return (
        [float(q) for q in np.percentile(ratio, percent)]
        if ratio
        else [float("nan")] * len(percent)
    )


def _line(k: int, o: Outcome) -> str:
    s = o.scenario
    what = (
        o.failure
        or f"{o.ours_mm:8.4f} mm, best {o.best_mm:8.4f} mm, ratio {o.ratio:6.3f}, "
        f"{o.seconds:5.1f} s"
    )
    rig = f"{s['layout']:9}{s['wand']:7}{s['n_cameras']:3d} cameras {s['sigma_px']:.2f} px"
    return f"{k:4d} seed {s['seed']:5d} {rig}  {what}"


def summary(outcomes: list[Outcome]) -> str:
    """Return the distribution of the error ratio."""
    lines = [
        f"{sum(o.is_solved for o in outcomes)} of {len(outcomes)} rigs solved (an error "
        f"below {WRONG:g} × best)"
    ]
    names = ("5 %", "25 %", "median", "75 %", "95 %", "worst")
    pairs = zip(names, quantiles(outcomes, 5, 25, 50, 75, 95, 100), strict=True)
    lines.append("3D error / best possible: " + ", ".join(f"{n} {q:.3f}" for n, q in pairs))
    return "\n".join(lines)
