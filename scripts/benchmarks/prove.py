"""Whether what is proved of a rig is true: worlds, length tests and precision over simulated rigs
that were really solved, and how long a million frames take.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import numpy as np
from scipy import special, stats

from calib import files
from calib.core.geometry import Array, Pose, rotation_from_vector, vector_from_rotation
from calib.core.parameters import of_cameras
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import CertifiedLength, Wand
from calib.errors import CalibError, UnsolvableError
from calib.pipeline import calibrate
from calib.prove.align import Alignment, AlignOptions, align
from calib.prove.decide import COVERAGE, Decision, Limit
from calib.prove.like import align_like
from calib.prove.precision import one_line, precision
from calib.prove.space.joint import covariance_of, effects
from calib.prove.space.place import place
from calib.prove.space.views import Views, cameras_of, views_of_places
from calib.prove.verify import verify
from calib.prove.volume import Box
from calib.prove.world import moved
from calib.simulate import Scenario, Simulation, simulate
from calib.simulate.layouts import volume_mm
from calib.simulate.scenario import Knock
from calib.simulate.still import FRAME_MM, still_tracks
from calib.solve.certainty.normal import world_motions
from calib.solve.certainty.rig_errors import rig_errors
from scripts.benchmarks.accuracy import over_rigs
from scripts.benchmarks.bars import bar_tracks
from scripts.benchmarks.table import Row, note
from scripts.benchmarks.truths import add_option, drawn_from

LEVEL = 0.95
SIGMA_PX = 0.12
BAR_MM, BAR_SIGMA_MM = np.array([[0.0, 0, 0], [700.0, 0, 0]]), 0.03
LIMIT_MM = 0.7


@dataclass(frozen=True)
class World:
    """One rig: normalised squared errors of its world by a frame and by an earlier rig, both of six
    degrees of freedom; nan where there is none, with the reason.
    """

    frame: float
    like: float
    failure: str = ""


def scenario_of(index: int, options: argparse.Namespace, wave: int = 0) -> Scenario:
    seed = options.seed + index
    n_cameras = int(np.random.default_rng(seed).integers(6, 10))
    plain = Scenario(n_cameras=n_cameras, n_frames=300, seed=seed, wave=wave, sigma_px=SIGMA_PX)
    return drawn_from(plain, options.truth)


def solved(index: int, options: argparse.Namespace, wave: int = 0) -> tuple[Simulation, Rig]:
    made = simulate(scenario_of(index, options, wave))
    return made, calibrate(made.tracks, made.wand)


def off_truth(rig: Rig, truth: Rig) -> Array:
    """Return by how much the rig's world is off the truth's (6,), turn and shift: the motion that
    is left once the rig as a whole is held as its covariance's gauge holds it.

    The gauge's conditions are those that the covariance does not scatter along: turns of cameras
    weigh by the square of a distance, which is found as the one of which that is true.
    """
    assert rig.covariance is not None
    names = rig.names
    R, p = _poses(rig, names)
    R0, p0 = _poses(truth, names)
    e = np.hstack([vector_from_rotation(R @ np.swapaxes(R0, 1, 2)), p - p0]).ravel()
    at = [rig.covariance.row[p] for p in of_cameras(names, ())]
    C = rig.covariance.matrix[np.ix_(at, at)]
    G = world_motions(R0, p0, 6)[:, :6]
    is_turn = np.tile([True] * 3 + [False] * 3, len(names))
    by_turn, by_shift = C[:, is_turn] @ G[is_turn], C[:, ~is_turn] @ G[~is_turn]
    square = -float((by_turn * by_shift).sum() / (by_turn**2).sum())
    E = np.where(is_turn, square, 1.0)[:, None] * G
    return np.asarray(np.linalg.solve(E.T @ G, E.T @ e))


def _poses(rig: Rig, names: Sequence[str]) -> tuple[Array, Array]:
    cameras = [rig.camera(n) for n in names]
    return (
        np.stack([c.cam_from_world.R for c in cameras]),
        np.stack([c.position_mm for c in cameras]),
    )


def squared(error: Array, how: Alignment) -> float:
    return float(error @ np.linalg.solve(how.covariance, error))


def placed(points: Array, rng: np.random.Generator) -> Array:
    turn = rotation_from_vector(np.array([0.0, 0.0, rng.uniform(-np.pi, np.pi)]))
    return np.asarray(points @ turn.T + [*rng.uniform(-800, 800, 2), 0.0])


def world_of(points: Array) -> Pose:
    x, y = ((points[k] - points[0]) / np.linalg.norm(points[k] - points[0]) for k in (1, 2))
    R = np.stack([x, y, np.cross(x, y)])
    return Pose(R, -R @ points[0])


def measure_world(index: int, options: argparse.Namespace) -> World:
    """Return how one solved rig's worlds compare with their covariances."""
    try:
        made, rig = solved(index, options)
        rng = np.random.default_rng([options.seed + index, 1])
        points = placed(FRAME_MM, rng)
        floor = still_tracks(made.truth, points, rng, sigma_px=SIGMA_PX, named=index % 2 == 0)
        aligned, how = align(rig, floor)
        of_frame = squared(off_truth(aligned, moved(made.truth, world_of(points))), how)
        # A third of the cameras is knocked before another wave; the world is the first rig's.
        names = rng.choice(rig.names, len(rig.names) // 3, replace=False)
        knocks = tuple(Knock(camera=str(n), rotation_deg=1.0, translation_mm=20.0) for n in names)
        later = simulate(replace(scenario_of(index, options, wave=1), knock=knocks))
        again = calibrate(later.tracks, later.wand)
        carried, by = align_like(again, aligned)
        # Both rigs' gauges hold them where they are: the later one's error less the first one's.
        truth = moved(later.truth_after, world_of(points))
        apart = off_truth(carried, truth) - off_truth(aligned, moved(made.truth, world_of(points)))
    except CalibError as error:
        return World(np.nan, np.nan, str(error))
    return World(of_frame, squared(apart, by))


def measure_refusals(n: int, seed: int) -> int:
    """Return how many of n mirrored frames or swapped legs are refused."""
    truth, refused = simulate(Scenario(n_cameras=8, n_frames=30, seed=5, connected=False)).truth, 0
    for k in range(n):
        rng = np.random.default_rng([seed, k])
        points = placed(FRAME_MM * [1, -1, 1] if k % 2 else FRAME_MM, rng)
        points, options = (
            (points, AlignOptions())
            if k % 2
            else (points[[0, 2, 1]], AlignOptions(points=(0, 1, 2)))
        )
        try:
            align(truth, still_tracks(truth, points, rng), options)
        except UnsolvableError:
            refused += 1
    return refused


@dataclass(frozen=True)
class Test:
    """One length test: whether the scale's interval held, and what was decided and true."""

    is_held: bool
    decision: Decision
    is_beyond: bool


def measure_test(index: int, options: argparse.Namespace) -> Test:
    """Return the outcome of a test of a rig whose scale is wrong by a known share."""
    rng = np.random.default_rng([options.seed, 7, index])
    truth = simulate(Scenario(n_cameras=8, n_frames=30, seed=index % 20, connected=False)).truth
    # Just within the limit or just beyond it, where a wrong decision is likeliest.
    share = LIMIT_MM / 700.0 * (0.999 if index // 2 % 2 else 1.001)
    at_rest = bool(index % 2)
    real = BAR_MM * (1.0 + rng.normal(0, BAR_SIGMA_MM) / 700.0)
    low, high = volume_mm(Scenario(n_cameras=8))
    low, high = 0.6 * low + [0, 0, 300], 0.6 * high
    turns = rotation_from_vector(rng.normal(0, 1.5, (50, 3)))
    poses = [Pose(R, t) for R, t in zip(turns, rng.uniform(low, high, (50, 3)), strict=True)]
    # In motion the noise is part of the error, so that it must be small beside the limit.
    sigma = SIGMA_PX if at_rest else 0.01
    tracks = bar_tracks(truth, real, poses, rng, n_frames=20 if at_rest else 1, sigma_px=sigma)
    bar = Wand("bar", ("p", "q"), BAR_MM, 0.1, (CertifiedLength(0, 1, 700.0, BAR_SIGMA_MM),))
    grown = moved(truth, Pose(np.eye(3), np.zeros(3)), 1.0 + share)
    found = verify(grown, tracks, bar, Limit(LIMIT_MM), at_rest=at_rest)
    off_bar = float(np.linalg.norm(real[1])) - 700.0
    errors = np.abs(found.lengths.error_mm - off_bar)
    is_beyond = share * 700.0 > LIMIT_MM if at_rest else bool((errors > LIMIT_MM).any())
    held = abs(found.scale - share) <= COVERAGE * found.scale_sigma
    assert found.decision is not None
    return Test(held, found.decision, is_beyond)


def measure_precision(index: int, options: argparse.Namespace) -> tuple[Array, Array]:
    """Return squared errors and predicted variances (n,) of places that a solved rig places from
    images without noise of the true cameras and with noise, the truth moved on to it.
    """
    made, rig = solved(index, options)
    rng = np.random.default_rng([options.seed + index, 3])
    low, high = volume_mm(made.scenario)
    places = rng.uniform(0.7 * low, 0.7 * high, (200, 3))
    views = views_of_places(made.truth, places, made.scenario.range_mm)
    cameras = cameras_of(rig)
    noise = rng.normal(size=views.uv_px.shape) * SIGMA_PX
    noisy = Views(views.cam, views.starts, views.uv_px + noise)
    noisy_cameras = replace(cameras, sigma_px=np.full(len(cameras.names), SIGMA_PX))
    found = place(noisy, noisy_cameras)
    # The truth in the rig's world, by the gauge of its covariance.
    truth = made.truth
    pose = Pose(truth.cameras[0].cam_from_world.R, truth.cameras[0].cam_from_world.t_mm)
    for _ in range(4):
        step = off_truth(rig, moved(truth, pose))
        pose = Pose(rotation_from_vector(step[:3]), step[3:]) @ pose
    there = pose.apply(places)
    C = covariance_of(
        *effects(rig_errors(rig), noisy, found.points_mm, noisy_cameras, found.is_used)
    )
    variance = np.trace(C, axis1=1, axis2=2)
    good = found.is_placed & (variance < 9.0 * np.nanmedian(variance))
    return ((found.points_mm - there) ** 2).sum(axis=1)[good], variance[good]


def long_capture(n_frames: int, seed: int, rig_file: Path, tracks_file: Path) -> int:
    """Write a capture of 16 cameras and so many frames, a wave over and over, and its solved rig;
    return how many points it holds.
    """
    made = simulate(Scenario(n_cameras=16, n_frames=1000, seed=seed))
    files.save_rig(calibrate(made.tracks, made.wand), rig_file)
    n = n_frames // 1000

    def over(c: CameraTracks) -> CameraTracks:
        frame = (c.frame + 1000 * np.arange(n)[:, None]).ravel()
        return replace(
            c,
            frame=frame,
            xy_px=np.tile(c.xy_px, (n, 1)),
            marker=np.tile(c.marker, n),
            radius_px=None,
        )

    tracks = Tracks(tuple(over(c) for c in made.tracks.cameras), 25.0)
    files.save_tracks(tracks, tracks_file)
    return sum(int((c.marker >= 0).sum()) for c in tracks.cameras)


def measure_speed(n_frames: int, seed: int) -> list[Row]:
    """Return how long the command takes for a long capture, and the most memory it had."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        rig_file, tracks = Path(folder) / "rig.h5", Path(folder) / "long.h5"
        # In a process of its own: what this one had counts as the peak of those it starts.
        with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
            n_points = pool.submit(long_capture, n_frames, seed, rig_file, tracks).result()
        call = [sys.executable, "-m", "calib", "reconstruct", str(rig_file), str(tracks), "-o"]
        for kind in ("h5", "csv"):
            wall = perf_counter()
            done = subprocess.Popen([*call, f"{folder}/out.{kind}"], stderr=subprocess.DEVNULL)
            _, status, used = os.wait4(done.pid, 0)
            wall = perf_counter() - wall
            if status:
                raise RuntimeError(f"reconstruct ended with {status}")
            cpu = used.ru_utime + used.ru_stime
            rows.append(
                Row(
                    f"reconstruct: {n_frames:,} frames of 16 cameras, {n_points:,} points: {kind}",
                    "under 30 s",
                    f"{wall:.1f} s ({cpu:.1f} s of processor), {used.ru_maxrss / 1024:.0f} MB",
                    wall < 30.0 if n_frames >= 1_000_000 else None,
                )
            )
    return rows


def measure_map(seed: int) -> list[Row]:
    """Return how long a map and the one figure take."""
    made = simulate(Scenario(n_cameras=24, n_frames=600, seed=seed))
    begin = process_time()
    rig = calibrate(made.tracks, made.wand)
    of_solve = process_time() - begin
    low, high = np.percentile(rig.wave_mm, [2, 98], axis=0)
    places = Box(low, high).grid((high - low) / [20, 20, 10])
    precision(rig, places[:10])
    begin = process_time()
    precision(rig, places)
    of_map = process_time() - begin
    begin = process_time()
    one_line(rig)
    of_line = process_time() - begin
    return [
        Row(
            "precision: 20 × 20 × 10 places, 24 cameras",
            "under 1 s",
            f"{of_map:.2f} s of processor",
            of_map < 1.0,
        ),
        Row(
            "precision: the one figure at the end of a solve",
            "under 3 % of it",
            f"{of_line:.3f} s, {of_line / of_solve:.1%} of {of_solve:.1f} s",
            of_line < 0.03 * of_solve,
        ),
    ]


def share_row(what: str, hits: int, n: int, low: float, high: float, seeds: str) -> Row:
    """Return a row for a share that must lie between two limits."""
    share = hits / n
    chance = np.sqrt(0.5 * (low + high) * (1.0 - 0.5 * (low + high)) / n)
    return Row(
        what,
        f"{low:.0%} to {high:.0%}",
        f"{share:.1%} of {n} (chance ± {chance:.1%})",
        bool(low <= share <= high),
        seeds,
    )


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rigs", type=int, default=200, help="solved rigs for worlds")
    parser.add_argument("--tests", type=int, default=500, help="length tests")
    parser.add_argument("--maps", type=int, default=40, help="solved rigs for precision")
    parser.add_argument(
        "--frames", type=int, default=1_000_000, help="of the long capture; 0: none"
    )
    parser.add_argument("--seed", type=int, default=41000)
    parser.add_argument("--jobs", type=int, default=1)
    add_option(parser)


def run(options: argparse.Namespace) -> list[Row]:
    seeds = f"{options.seed} to {options.seed + max(options.rigs, options.maps) - 1}"
    rows: list[Row] = []
    worlds = _told(partial(measure_world, options=options), options.rigs, options.jobs, str)
    limit = float(stats.chi2.ppf(LEVEL, 6))
    for kind in ("frame", "like"):
        of = np.array([getattr(w, kind) for w in worlds if not w.failure])
        if len(of):
            what = {"frame": "a frame on the floor", "like": "an earlier rig, a third moved"}[kind]
            rows.append(
                share_row(
                    f"align: 95 % regions of the world by {what} that hold",
                    int((of <= limit).sum()),
                    len(of),
                    0.93,
                    0.97,
                    seeds,
                )
            )
            rows.append(
                Row(
                    f"align: normalised error squared / 6, mean, {kind}",
                    "0.9 to 1.1",
                    f"{of.mean() / 6:.3f} (chance ± {np.sqrt(2 / 6 / len(of)):.3f})",
                    bool(0.9 <= of.mean() / 6 <= 1.1),
                    seeds,
                )
            )
    if failed := [w.failure for w in worlds if w.failure]:
        note(f"not measured: {len(failed)}: {failed[0]}")
    if options.rigs:
        refused = measure_refusals(100, options.seed)
        rows.append(
            Row(
                "align: mirrored frames and swapped legs refused",
                "100 of 100",
                f"{refused} of 100",
                refused == 100,
            )
        )
    tests = _told(partial(measure_test, options=options), options.tests, options.jobs, str)
    if tests:
        beyond = [t.decision for t in tests if t.is_beyond]
        within = [t.decision for t in tests if not t.is_beyond]
        rows.append(
            share_row(
                "verify: intervals of the scale error that hold (k = 2)",
                sum(t.is_held for t in tests),
                len(tests),
                0.93,
                0.98,
                f"{options.seed}",
            )
        )
        rows += [
            _decided("beyond the limit that pass", beyond, Decision.PASS, options.seed),
            _decided("within the limit that fail", within, Decision.FAIL, options.seed),
        ]
    if options.maps:
        errors = [measure_precision(k, options) for k in range(options.maps)]
        ratio = np.array([np.sqrt((e / v).mean()) for e, v in errors])
        mean = float(np.sqrt((ratio**2).mean()))
        chance = float(ratio.std() / np.sqrt(len(ratio)))
        rows.append(
            Row(
                "precision: errors of solved rigs against predicted, RMS ratio",
                "0.95 to 1.05",
                f"{mean:.3f} (chance ± {chance:.3f})",
                bool(0.95 <= mean <= 1.05),
                seeds,
            )
        )
    rows += measure_map(options.seed)
    if options.frames:
        rows += measure_speed(options.frames, options.seed)
    return rows


def _decided(what: str, found: Sequence[Decision], wrong: Decision, seed: int) -> Row:
    """Return a row for wrong decisions: at most 2.3 % of these rigs, chance counted."""
    n, n_wrong = len(found), sum(d is wrong for d in found)
    most = int(stats.binom.ppf(0.999, n, special.ndtr(-COVERAGE)))
    kinds = ", ".join(f"{sum(d is k for d in found)} {k}" for k in Decision)
    return Row(
        f"verify: rigs just {what}",
        f"at most 2.3 % ({most} of {n} by chance)",
        f"{n_wrong} ({kinds})",
        n_wrong <= most,
        f"{seed}",
    )


def _told(
    function: Callable[[int], Any], n: int, jobs: int, words: Callable[[Any], str]
) -> list[Any]:
    out = []
    for k, found in enumerate(over_rigs(function, range(n), jobs)):
        out.append(found)
        if k % 20 == 19:
            note(f"{k + 1:4d} of {n}: {words(found)}")
    return out
