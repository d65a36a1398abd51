"""Name nameless captures among stray points: how many wands, how many wrongly, what the rig loses,
and how fast.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from time import process_time

import numpy as np

from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import CalibError
from calib.naming.identify import identify
from calib.pipeline import solve_rig
from calib.simulate import Scenario, Simulation, simulate
from scripts.benchmarks.accuracy import LAYOUTS, WANDS, median_error_mm, over_rigs
from scripts.benchmarks.sizes import LINEAR, exponent
from scripts.benchmarks.table import Row, forget_peak_memory, note, peak_memory_bytes

WRONG_SHARE = 1e-4
LEAST_NAMED = {10: 0.97, 30: 0.90}
RATIO = 1.03
SECONDS = 10.0


@dataclass(frozen=True, slots=True)
class Count:
    """One capture: wands wholly seen and wholly named, points named and wrongly so, before and in
    the final fit.
    """

    what: str
    n_whole: int
    n_found: int
    n_named: int
    n_wrong: int
    n_fitted: int = 0
    n_wrong_fitted: int = 0
    ratio: float = np.nan
    sigma_ratio: float = np.nan
    failure: str = ""


def _with_names(tracks: Tracks, names: Sequence[np.ndarray]) -> Tracks:
    return replace(
        tracks,
        cameras=tuple(replace(c, marker=m) for c, m in zip(tracks.cameras, names, strict=True)),
    )


def count(simulation: Simulation, tracks: Tracks, what: str) -> Count:
    """Count the names of a capture against the truth; gross outliers and merged markers are not
    wholly seen.
    """
    n_markers, numbers = len(simulation.wand.markers), np.zeros(4, int)
    for camera, true, is_bad in zip(
        tracks.cameras, simulation.marker, simulation.is_outlier, strict=True
    ):
        number, at = np.unique(camera.frame, return_inverse=True)
        good = (true >= 0) & ~is_bad
        is_whole = np.bincount(at[good], minlength=len(number)) == n_markers
        is_found = (
            np.bincount(at[good & (camera.marker == true)], minlength=len(number)) == n_markers
        )
        is_named = camera.marker >= 0
        wrong = simulation.is_wrong_name(camera.name, camera.marker)
        numbers += is_whole.sum(), (is_whole & is_found).sum(), is_named.sum(), wrong.sum()
    whole, found, named, wrongly = map(int, numbers)
    return Count(what, whole, found, named, wrongly)


def measure(key: tuple[str, str, float, int], n_cameras: int, n_frames: int) -> Count:
    """Return what one simulated capture comes to."""
    layout, wand, strays, seed = key
    what = f"{layout}, {wand}, {strays:g} strays, seed {seed}"
    simulation = simulate(
        Scenario(
            layout=layout,
            wand=wand,
            strays=strays,
            seed=seed,
            n_cameras=n_cameras,
            n_frames=n_frames,
            is_named=False,
            connected=False,
        )
    )
    try:
        named = identify(simulation.tracks, simulation.wand).tracks
        found = count(simulation, named, what)
        solution = solve_rig(simulation.tracks, simulation.wand)
    except CalibError as error:
        return (
            replace(found, failure=str(error))
            if "found" in locals()
            else Count(what, 0, 0, 0, 0, failure=str(error))
        )
    fit, problem, wrong = solution.fit, solution.fit.problem, 0
    for k, camera in enumerate(simulation.tracks.cameras):
        names = np.full(camera.n_points, -1, np.int16)
        for m, row in enumerate(problem.row):
            names[row[fit.is_inlier[m] & (problem.cam == k)]] = m
        wrong += int(simulation.is_wrong_name(camera.name, names).sum())
    true = solve_rig(_with_names(simulation.tracks, simulation.marker), simulation.wand).rig
    ratio = median_error_mm(solution.rig, simulation) / median_error_mm(true, simulation)
    sigma = np.median(_sigmas(solution.rig) / _sigmas(true))
    return replace(
        found,
        n_fitted=int(fit.is_inlier.sum()),
        n_wrong_fitted=wrong,
        ratio=ratio,
        sigma_ratio=float(sigma),
    )


def _sigmas(rig: Rig) -> np.ndarray:
    """Return how sure a rig is of its cameras' positions (C, 3) in mm."""
    return np.stack([rig.sigmas(name)[0] for name in rig.names])


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--layouts", nargs="+", choices=LAYOUTS, default=LAYOUTS)
    parser.add_argument("--wands", nargs="+", choices=WANDS, default=WANDS)
    parser.add_argument(
        "--strays",
        nargs="*",
        type=int,
        default=(10, 30),
        help="spurious points, half of them static",
    )
    parser.add_argument("--seeds", type=int, default=2, help="captures of each layout and wand")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cameras", type=int, default=8)
    parser.add_argument("--frames", type=int, default=750)
    parser.add_argument(
        "--million", type=int, default=1_000_000, help="points to take the time of; 0: no timing"
    )
    parser.add_argument(
        "--sizes",
        type=int,
        nargs="*",
        default=(50_000, 200_000, 800_000),
        help="points, for memory",
    )
    parser.add_argument("--jobs", type=int, default=2)


def run(options: argparse.Namespace) -> list[Row]:
    seeds, rows = range(options.seed, options.seed + options.seeds), []
    for strays in options.strays:
        keys = [
            (p, w, float(strays), s) for w in options.wands for p in options.layouts for s in seeds
        ]
        found = []
        one = partial(measure, n_cameras=options.cameras, n_frames=options.frames)
        for c in over_rigs(one, keys, options.jobs):
            found.append(c)
            note(
                f"{c.what:34} whole wands named {c.n_found / max(c.n_whole, 1):7.2%} of "
                f"{c.n_whole}, wrong {c.n_wrong}"
                f" of {c.n_named}, in the fit {c.n_wrong_fitted} of {c.n_fitted}, error "
                f"× {c.ratio:.3f},"
                f" sigma × {c.sigma_ratio:.3f} {c.failure}"
            )
        rows += _rows(found, strays, f"{seeds[0]} to {seeds[-1]}")
    if options.million:
        rows += [_speed(options.million, wand, options.seed) for wand in options.wands]
    if len(options.sizes) > 1:
        rows += [_memory(options.sizes, wand, options.seed) for wand in options.wands]
    return rows


def _rows(found: list[Count], strays: int, seeds: str) -> list[Row]:
    head, least = f"identify, {strays} strays:", LEAST_NAMED.get(strays)
    shares = {c.what: c.n_found / max(c.n_whole, 1) for c in found}
    worst, total = (
        min(shares, key=shares.__getitem__),
        sum(c.n_found for c in found) / sum(c.n_whole for c in found),
    )
    named, wrong = sum(c.n_named for c in found), sum(c.n_wrong for c in found)
    fitted, in_fit = sum(c.n_fitted for c in found), sum(c.n_wrong_fitted for c in found)
    ratios, failed = (
        np.array([c.ratio for c in found if not c.failure]),
        [c.what for c in found if c.failure],
    )
    share = f"{total:.2%}; least {shares[worst]:.2%} ({worst})"
    must = "-" if least is None else f"≥ {least:.0%}"
    middle = float(np.median(ratios)) if len(ratios) else np.nan
    sigma = np.median([c.sigma_ratio for c in found if not c.failure]) if len(ratios) else np.nan
    return [
        Row(f"{head} solved", "all", f"{len(ratios)} of {len(found)}", not failed, seeds),
        Row(
            f"{head} whole wands named",
            must,
            share,
            None if least is None else total >= least,
            seeds,
        ),
        Row(
            f"{head} wrong names",
            "≤ 1 in 10,000",
            f"{wrong} of {named}",
            wrong <= WRONG_SHARE * named,
            seeds,
        ),
        Row(
            f"{head} wrong among the fit's inliers",
            "none",
            f"{in_fit} of {fitted}",
            in_fit == 0,
            seeds,
        ),
        Row(
            f"{head} 3D error / with names, median",
            f"≤ {RATIO}",
            f"{middle:.3f}; most {ratios.max(initial=0.0):.3f}; sigmas {sigma:.3f}",
            middle <= RATIO,
            seeds,
        ),
    ]


@dataclass(frozen=True, slots=True)
class Large:
    """What naming a long capture took: points, processor seconds, and bytes more than the process
    held before.
    """

    n_points: int
    seconds: float
    n_bytes: int


def name_many(n_points: int, wand: str, seed: int) -> Large:
    """Return what naming that many points takes, after a small capture has compiled the loops."""
    small = Scenario(
        n_cameras=8,
        n_frames=300,
        wand=wand,
        strays=10.0,
        seed=seed,
        is_named=False,
        connected=False,
    )
    once = simulate(small)
    identify(once.tracks, once.wand)
    n_frames = round(300 * n_points / sum(c.n_points for c in once.tracks.cameras))
    many = simulate(replace(small, n_frames=n_frames)).tracks
    forget_peak_memory()
    before, begin = peak_memory_bytes(), process_time()
    identify(many, once.wand)
    return Large(
        sum(c.n_points for c in many.cameras), process_time() - begin, peak_memory_bytes() - before
    )


def in_own_process(n_points: int, wand: str, seed: int) -> Large:
    """Return ``name_many`` as run by a fresh process."""
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        return pool.submit(name_many, n_points, wand, seed).result()


def _speed(n_points: int, wand: str, seed: int) -> Row:
    large = in_own_process(n_points, wand, seed)
    seconds = large.seconds * 1e6 / large.n_points
    found = f"{seconds:.1f} s a million ({large.n_points} points)"
    return Row(
        f"identify: a million points, {wand}",
        f"< {SECONDS:g} s",
        found,
        seconds < SECONDS,
        str(seed),
    )


def _memory(sizes: Sequence[int], wand: str, seed: int) -> Row:
    """Return the row of how memory grows with the points, each size in a process of its own."""
    large = [in_own_process(n, wand, seed) for n in sizes]
    p = exponent([float(x.n_points) for x in large], [float(max(x.n_bytes, 1)) for x in large])
    found = f"{p:.2f}; " + ", ".join(f"{x.n_points}: {x.n_bytes / 1e6:.0f} MB" for x in large)
    return Row(
        f"identify: memory against points, exponent, {wand}",
        f"≤ {LINEAR:g}",
        found,
        p <= LINEAR,
        str(seed),
    )
