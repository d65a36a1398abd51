"""Time our bundle and Ceres on one problem, from the same start to the same cost, then a whole ``calib solve``.

Both minimise the same residuals over the same unknowns: every camera's pose, focal length, principal point, k1 and k2,
and every frame's wand pose. A time runs until the cost is within 1e-6 of the common minimum. Ours counts laying out the
points, Ceres' its preprocessing; reading files counts for neither. The best of the repeats stands, as the machine's
other work only ever adds.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import numpy as np

from calib.core.geometry import Array, rotation_from_vector, vector_from_rotation
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.files import save_tracks, save_wand
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.bundle import BundleOptions, Prior, bundle
from calib.solve.problem import Problem, State, problem_from_tracks, term_values

TERMS = ("focal", "cx", "cy", "k1", "k2")
MARK = 1e-6  # relative distance from the minimum at which the clock stops
AGREE = 1e-9  # relative difference of the two minima that convergence explains
SOURCE = Path(__file__).with_name("wand_ceres.cpp")
WORK = Path("out/bench")
CERES_KINDS = ("dense", "sparse")  # the Schur complement's solver: the faster of the two counts


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What both sides are given."""

    tracks: Tracks
    wand: Wand
    sigma_px: Array
    start: State
    prior: Prior

    def problem(self) -> Problem:
        return problem_from_tracks(self.tracks, len(self.wand.markers), self.wand.dimension, sigma_px=self.sigma_px)


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds to the mark and to the program's own end, iterations to each, and the cost at the end."""

    program: str
    to_mark_s: float
    total_s: float
    n_to_mark: int
    n_total: int
    cost: float


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--cameras", type=int, default=16)
    parser.add_argument("--frames", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--no-solve", action="store_true", help="leave out the whole calib solve")
    parser.add_argument("--json", action="store_true")


def make_simulation(n_cameras: int, n_frames: int, seed: int) -> Simulation:
    """Return a wave of a planar five-marker wand with noise and dropout alone, as neither side here rejects points."""
    return simulate(
        Scenario(
            layout="room", n_cameras=n_cameras, n_frames=n_frames, size_mm=(4000.0, 3000.0, 2000.0), wand="plane5",
            dropout=0.013, outliers=0.0, strays=0.0, person=False, seed=seed,
        )
    )  # fmt: skip


def make_task(sim: Simulation, seed: int) -> Task:
    """Return the capture with a start that is off as a good initial rig is.

    Standard deviations of the start: cameras 0.5° and 20 mm, wands 1° and 10 mm; focal length up to 3 % off either
    way, principal point at the sensor's centre, no distortion.
    """
    rng = np.random.default_rng(seed)
    cameras = sim.truth.cameras
    # Points that merged with a neighbour are no Gaussian noise: left out for both.
    clean = []
    for c, is_outlier in zip(sim.tracks.cameras, sim.is_outlier, strict=True):
        keep = ~is_outlier
        clean.append(type(c)(c.name, c.width, c.height, c.frame[keep], c.xy_px[keep], c.marker[keep]))
    tracks = Tracks(tuple(clean), sim.tracks.frame_rate_hz)
    sigma = np.full(len(cameras), sim.scenario.sigma_px)
    problem = problem_from_tracks(tracks, len(sim.wand.markers), sim.wand.dimension, sigma_px=sigma)

    n, frames = len(cameras), problem.frame_number
    R = rotation_from_vector(rng.normal(0, np.radians(0.5), (n, 3))) @ np.stack([c.cam_from_world.R for c in cameras])
    position = np.stack([c.position_mm for c in cameras]) + rng.normal(0, 20, (n, 3))
    lens = np.zeros((n, 12))
    lens[:, 0] = lens[:, 1] = np.array([c.lens.fx for c in cameras]) * rng.uniform(0.97, 1.03, n)
    lens[:, 2:4] = [[(c.width - 1) / 2, (c.height - 1) / 2] for c in cameras]
    turn = rotation_from_vector(rng.normal(0, np.radians(1.0), (len(frames), 3)))
    start = State(
        cam_R=R,
        cam_t=-(R @ position[:, :, None])[..., 0],
        lens=lens,
        wand_R=turn @ sim.R_world_from_wand[frames],
        wand_t=sim.t_world_from_wand_mm[frames] + rng.normal(0, 10, (len(frames), 3)),
        shape_mm=sim.wand.points_mm,
    )
    mean = np.stack([term_values(lens, name) for name in TERMS], axis=1)
    prior = Prior(mean, np.stack([0.25 * lens[:, 0], *np.broadcast_to([[40.0], [40.0], [0.3], [0.3]], (4, n))], axis=1))
    return Task(tracks, sim.wand, sigma, start, prior)


def write_problem(task: Task, path: Path) -> None:
    """Write what ``wand_ceres.cpp`` reads; its head describes the format."""
    problem, s = task.problem(), task.start
    marker, pair = np.nonzero(problem.weight > 0)
    order = np.lexsort((problem.cam[pair], problem.frame[pair]))
    marker, pair = marker[order], pair[order]
    cameras = np.hstack([vector_from_rotation(s.cam_R), s.cam_t, *(term_values(s.lens, n)[:, None] for n in TERMS)])
    frames = np.hstack([vector_from_rotation(s.wand_R), s.wand_t])
    seen = np.column_stack([*problem.uv_px[:, marker, pair], 1.0 / problem.weight[marker, pair]])
    with path.open("w") as out:
        print("wand-bundle 1", file=out)
        print(problem.n_cameras, problem.n_frames, len(s.shape_mm), len(pair), file=out)
        for block in (s.shape_mm, cameras, np.hstack([task.prior.mean, task.prior.sigma]), frames):
            np.savetxt(out, block, fmt="%.17g")
        index = np.column_stack([problem.cam[pair], problem.frame[pair], marker])
        np.savetxt(out, np.hstack([index, seen]), fmt=["%d"] * 3 + ["%.17g"] * 3)


def compile_ceres() -> Path | str:
    """Return the compiled program, or in a line why there is none."""
    program = WORK / "wand_ceres"
    compiler = shutil.which("g++")
    if compiler is None:
        return "Ceres takes no part: no g++ here (on Debian: apt-get install g++)."
    if not Path("/usr/include/ceres/ceres.h").is_file():
        return "Ceres takes no part: libceres-dev is not installed (on Debian: apt-get install libceres-dev)."
    if program.is_file() and program.stat().st_mtime > SOURCE.stat().st_mtime:
        return program
    flags = ["-std=c++17", "-O3", "-DNDEBUG", "-march=native", "-fopenmp", "-I/usr/include/eigen3"]
    command = [compiler, *flags, str(SOURCE), "-o", str(program), "-lceres", "-lglog", "-lpthread"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        return f"Ceres takes no part: g++ failed with {done.stderr.strip().splitlines()[-1]}"
    return program


def run_ceres(program: Path, path: Path, kind: str) -> Timing:
    done = subprocess.run([program, path, kind, "2"], capture_output=True, text=True, check=True)
    out = json.loads(done.stdout)
    steps, cost = out["iterations"], out["final_cost"]
    mark = next(i for i, step in enumerate(steps) if step["cost"] <= cost * (1 + MARK))
    name = f"Ceres {out['program'].split()[1]}, {kind} Schur"
    return Timing(name, steps[mark]["seconds"], out["seconds"]["total"], mark, len(steps) - 1, cost)


def ours(task: Task) -> Callable[[], Timing]:
    """Return a run of our bundle. The iterations that the mark takes are counted once, beforehand."""

    def run(max_iterations: int = 60) -> tuple[float, int, float]:
        begin = perf_counter()
        options = BundleOptions(terms=TERMS, prior=task.prior, max_iterations=max_iterations, tolerance=1e-10)
        result = bundle(task.problem(), task.start, options)
        return perf_counter() - begin, result.n_iterations, result.cost

    _, n_total, cost = run()
    n_to_mark = next(n for n in range(1, n_total + 1) if run(n)[2] <= cost * (1 + MARK))
    return lambda: Timing("calib bundle", run(n_to_mark)[0], run()[0], n_to_mark, n_total, cost)


def best(timings: list[Timing]) -> Timing:
    first = timings[0]
    return Timing(
        first.program, min(t.to_mark_s for t in timings), min(t.total_s for t in timings), first.n_to_mark,
        first.n_total, first.cost,
    )  # fmt: skip


def whole_solve(sim: Simulation) -> float:
    """Return the seconds of ``calib solve`` on the capture, from files to file, the interpreter's start included."""
    tracks, wand, rig = WORK / "tracks.h5", WORK / "wand.toml", WORK / "rig.h5"
    save_tracks(sim.tracks, tracks, force=True)
    save_wand(sim.wand, wand, force=True)
    begin = perf_counter()
    program = shutil.which("calib") or "calib"
    command = [program, "solve", str(tracks), "--wand", str(wand), "-o", str(rig), "--force"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return perf_counter() - begin


def main(options: argparse.Namespace) -> int:
    """Return 1 where ours is slower or the two minima differ."""
    WORK.mkdir(parents=True, exist_ok=True)
    sim = make_simulation(options.cameras, options.frames, options.seed)
    task = make_task(sim, options.seed)
    n_points = task.problem().n_points
    size = f"{options.cameras} cameras × {options.frames:,} frames × {len(sim.wand.markers)} markers"
    print(f"{size}, {n_points:,} points, lens free; best of {options.repeats}", file=sys.stderr)
    write_problem(task, WORK / "problem.txt")
    program = compile_ceres()
    if isinstance(program, str):
        print(program, file=sys.stderr)
    run_ours = ours(task)
    runs: dict[str, list[Timing]] = {}
    for _ in range(options.repeats):
        runs.setdefault("ours", []).append(run_ours())
        if isinstance(program, Path):
            for kind in CERES_KINDS:
                runs.setdefault(kind, []).append(run_ceres(program, WORK / "problem.txt", kind))
    timings = [best(t) for t in runs.values()]
    solve_s = None if options.no_solve else whole_solve(sim)
    ratio = timings[0].to_mark_s / min(t.to_mark_s for t in timings[1:]) if len(timings) > 1 else None
    spread = max(t.cost for t in timings) / min(t.cost for t in timings) - 1
    if options.json:
        rows = [{name: getattr(t, name) for name in Timing.__dataclass_fields__} for t in timings]
        print(json.dumps({"points": n_points, "runs": rows, "solve_s": solve_s, "ours_over_ceres": ratio}))
    else:
        print(f"{'':28}{'to 1e-6 of the minimum':>24}{'to the end':>20}{'cost':>18}")
        for t in timings:
            mark, end = f"{t.to_mark_s:.2f} s, {t.n_to_mark:2d} steps", f"{t.total_s:.2f} s, {t.n_total:2d} steps"
            print(f"{t.program:28}{mark:>24}{end:>20}{t.cost:18.6f}")
        if solve_s is not None:
            print(f"{'calib solve, file to file':28}{f'{solve_s:.2f} s':>24}")
        if ratio is not None:
            print(f"Ours takes {ratio:.2f} of the time of the faster Ceres; the minima agree to {spread:.1e}.")
    if spread > AGREE:
        print(f"The minima differ by {spread:.1e}, expected below {AGREE:.0e}.", file=sys.stderr)
    return int(spread > AGREE or (ratio is not None and ratio > 1))
