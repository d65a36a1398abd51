"""Solve simulated rigs of mixed layout and compare their 3D errors with maximum likelihood from the truth."""

from __future__ import annotations

import argparse
import json
import multiprocessing
from dataclasses import dataclass
from time import perf_counter
from typing import Any

import numpy as np

from calib.check.oracle import likelihood_optimum
from calib.check.truth import error_against_truth
from calib.core.rig import Rig
from calib.errors import CalibError
from calib.simulate import Scenario, Simulation, sample_points, simulate
from calib.simulate.imaging import camera_sigma
from calib.solve.calibrate import calibrate

LAYOUTS = ("room", "corridor", "row", "dome")
N_TEST_POINTS = 500


@dataclass(frozen=True)
class Outcome:
    """One rig: median 3D errors in mm of ours and of the best possible, their ratio, and seconds; or why not."""

    scenario: dict[str, Any]
    ours_mm: float
    best_mm: float
    seconds: float
    failure: str = ""

    @property
    def ratio(self) -> float:
        return self.ours_mm / self.best_mm


def scenario_of(index: int, first_seed: int, sigma_px: float, focal_error: float, outliers: float) -> Scenario:
    """Return the index-th rig: layouts in turn, 4 to 24 cameras at random."""
    seed = first_seed + index
    n_cameras = int(np.random.default_rng(seed).integers(4, 25))
    return Scenario(
        layout=LAYOUTS[index % 4], n_cameras=n_cameras, seed=seed, sigma_px=sigma_px, focal_error=focal_error,
        outliers=outliers,
    )  # fmt: skip


def median_error_mm(rig: Rig, simulation: Simulation) -> float:
    """Return the median 3D error at random test points of the volume."""
    scenario = simulation.scenario
    points = sample_points(scenario, N_TEST_POINTS, np.random.default_rng(scenario.seed))
    error = error_against_truth(rig, simulation.truth, points, range_mm=scenario.range_mm)
    return float(np.nanmedian(error))


def best_rig(simulation: Simulation) -> Rig:
    """Return maximum likelihood from the truth on the true inliers of a simulation."""
    s = simulation
    sigma = np.array([camera_sigma(s.scenario, i) for i in range(len(s.tracks.cameras))])
    good = [~bad for bad in s.is_outlier]
    return likelihood_optimum(s.tracks, s.truth, s.world_from_wand, good, sigma)


def measure(scenario: Scenario) -> Outcome:
    """Return what one simulated rig comes to."""
    simulation = simulate(scenario)
    best = median_error_mm(best_rig(simulation), simulation)
    begin = perf_counter()
    try:
        rig = calibrate(simulation.tracks, simulation.wand)
    except CalibError as error:
        return Outcome(scenario.as_dict(), np.nan, best, perf_counter() - begin, str(error))
    return Outcome(scenario.as_dict(), median_error_mm(rig, simulation), best, perf_counter() - begin)


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rigs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1000, help="of the first rig; the others count on")
    parser.add_argument("--sigma-px", type=float, default=0.12)
    parser.add_argument("--focal-error", type=float, default=0.10, help="nominal focal lengths off by up to this share")
    parser.add_argument("--outliers", type=float, default=0.003, help="share of gross outliers")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", action="store_true")


def main(options: argparse.Namespace) -> int:
    scenarios = [
        scenario_of(i, options.seed, options.sigma_px, options.focal_error, options.outliers)
        for i in range(options.rigs)
    ]
    with multiprocessing.Pool(options.jobs) as pool:
        outcomes = []
        for k, outcome in enumerate(pool.imap(measure, scenarios)):
            outcomes.append(outcome)
            if not options.json:
                print(_line(k, outcome), flush=True)
    if options.json:
        print(json.dumps([vars(o) | {"ratio": o.ratio} for o in outcomes]))
    else:
        print(summary(outcomes))
    return 0


def _line(k: int, o: Outcome) -> str:
    s = o.scenario
    what = o.failure or f"{o.ours_mm:8.4f} mm, best {o.best_mm:8.4f} mm, ratio {o.ratio:6.3f}, {o.seconds:5.1f} s"
    return f"{k:4d} seed {s['seed']:5d} {s['layout']:9}{s['n_cameras']:3d} cameras  {what}"


def summary(outcomes: list[Outcome]) -> str:
    """Return the distribution of the error ratio."""
    ratio = np.array([o.ratio for o in outcomes if not o.failure])
    lines = [f"{len(ratio)} of {len(outcomes)} rigs solved"]
    if len(ratio):
        quantiles = np.percentile(ratio, [5, 25, 50, 75, 95, 100])
        names = ("5 %", "25 %", "median", "75 %", "95 %", "worst")
        pairs = zip(names, quantiles, strict=True)
        lines.append("3D error / best possible: " + ", ".join(f"{n} {q:.3f}" for n, q in pairs))
    return "\n".join(lines)
