"""Knock, turn, delay and blur cameras of simulated rigs; count how often a recheck names the right
ones.

Each seed is one rig of mixed layout, wand, noise and size, solved once from its own wave and
rechecked by further waves, one for each kind of change. A camera "not seen enough to tell" is not
named.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from time import perf_counter
from typing import Any

import numpy as np
from scipy import stats

from calib.check.recheck.compare import rig_from_other
from calib.check.recheck.outcome import Recheck
from calib.check.recheck.run import recheck
from calib.core.camera import Lens
from calib.core.geometry import vector_from_rotation
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import CalibError
from calib.pipeline import calibrate
from calib.simulate import Knock, Scenario, Simulation, sample_points, simulate
from calib.solve.repair import repair
from scripts.benchmarks.accuracy import LAYOUTS, WANDS, over_rigs, seeds_of
from scripts.benchmarks.table import Row, note
from scripts.benchmarks.truth import error_against_truth
from scripts.benchmarks.truths import add_option, drawn_from

KINDS = ("none", "turn", "shift", "third", "ring", "late", "noise")
MUST = {
    "none": 0.99,
    "turn": 0.99,
    "shift": 0.99,
    "third": 0.98,
    "ring": 0.95,
    "late": 0.98,
    "noise": 0.98,
}
ABOUT = {
    "none": "no camera moved: none named",
    "turn": "one camera turned by 0.03°: named, and only it",
    "shift": "one camera shifted by 0.5 px: named, and only it",
    "third": "up to a third moved by 0.1° or more: exactly these",
    "ring": "focal ring turned by 0.5 %: called a lens change",
    "late": "one frame late: called timing",
    "noise": "noise × 4: called noise",
}
VERDICT = {"ring": "lens", "late": "timing", "noise": "noisy"}
N_TEST_POINTS = 300
# 1σ of lenses measured apart and held: share of focal, px of centre, k1, k2 (common practice, no
# source)
LENS_ERROR = (1e-3, 2.0, 2.0, 3e-3, 3e-3)


@dataclass(frozen=True)
class Outcome:
    """One rig: by kind whether the right cameras were named, squared errors of moves (6 dof), the
    repaired rig's error over that of the rig before and of a new solve.
    """

    named: dict[str, bool]
    squared: list[float] = field(default_factory=list)
    of_repair: tuple[float, ...] = ()
    failure: str = ""


def scenario_of(
    seed: int, sigma_px: tuple[float, float], noise_spread: float, n_frames: int, truth: str
) -> Scenario:
    """Return a rig of 6 to 24 cameras; layouts and wands in turn."""
    rng = np.random.default_rng([seed, 5])
    low, high = np.log(np.array(sigma_px) * [noise_spread, 1.0 / noise_spread])
    scenario = Scenario(
        layout=LAYOUTS[seed % 4],
        wand=WANDS[seed // 4 % 3],
        n_cameras=int(rng.integers(6, 25)),
        seed=seed,
        n_frames=n_frames,
        sigma_px=float(np.exp(rng.uniform(low, max(low, high)))),
        noise_spread=noise_spread,
        marker_error_mm=0.02,
    )
    return drawn_from(scenario, truth)


def changes_of(
    kind: str, scenario: Scenario, rng: np.random.Generator
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what a kind changes in the scenario, and the verdicts it should lead to."""
    name = str(rng.choice(scenario.names))
    still: dict[str, Any] = {"rotation_deg": 0.0, "translation_mm": 0.0}
    if kind == "turn":
        return {"knock": (Knock(camera=name, **still | {"rotation_deg": 0.03}),)}, {name: "moved"}
    if kind == "shift":
        sim = simulate(scenario)
        camera = sim.truth.camera(name)
        seen = sim.tracks.camera(name)
        points = sim.markers_world_mm[seen.frame[seen.marker >= 0], seen.marker[seen.marker >= 0]]
        distance = float(np.median(np.linalg.norm(points - camera.position_mm, axis=1)))
        # Of a shift in a random direction the part across the line of sight moves points: sqrt(2/3)
        # of it, RMS.
        mm = 0.5 * distance / camera.lens.fx / np.sqrt(2.0 / 3.0)
        return {"knock": (Knock(camera=name, **still | {"translation_mm": mm}),)}, {name: "moved"}
    if kind == "third":
        n = int(rng.integers(1, len(scenario.names) // 3 + 1))
        names = [str(v) for v in rng.choice(scenario.names, n, replace=False)]
        turns, shifts = (
            np.exp(rng.uniform(np.log(0.1), np.log(3.0), n)),
            rng.choice([0.0, 2.0, 20.0], n),
        )
        each = zip(names, turns, shifts, strict=True)
        knock = tuple(
            Knock(camera=k, rotation_deg=float(r), translation_mm=float(t)) for k, r, t in each
        )
        return {"knock": knock}, dict.fromkeys(names, "moved")
    if kind == "ring":
        share = 0.005 * float(rng.choice([-1.0, 1.0]))
        return {"knock": (Knock(camera=name, **still, focal_change=share),)}, {name: "lens"}
    if kind == "late":
        return {"slip": {name: 1}}, {name: "timing"}
    if kind == "noise":
        return {"noisy": {name: 4.0}}, {name: "noisy"}
    return {}, {}


def captured(sim: Simulation, is_held: bool) -> Tracks:
    """Return a wave's tracks: with nominal lenses, or measured ones a little off, the same in every
    wave.
    """
    if not is_held:
        return sim.tracks
    rng, cameras = np.random.default_rng([sim.scenario.seed, 7]), []
    for c, t in zip(sim.tracks.cameras, sim.truth.cameras, strict=True):
        e = rng.normal(size=5) * LENS_ERROR
        vector = t.lens.vector + np.array([e[0] * t.lens.fx, e[0] * t.lens.fy, *e[1:], *[0.0] * 6])
        cameras.append(replace(c, lens=Lens.from_vector(vector)))
    return replace(sim.tracks, cameras=tuple(cameras))


def squared_errors(found: Recheck, rig: Rig, sim: Simulation) -> Iterator[float]:
    """Yield the squared error of each named move in units of its covariance, 6 degrees of
    freedom.
    """
    ours, true = ([r.camera(n) for n in rig.names] for r in (rig, sim.truth))
    R = [np.stack([c.cam_from_world.R for c in cameras]) for cameras in (ours, true)]
    p = [np.stack([c.position_mm for c in cameras]) for cameras in (ours, true)]
    rig_from_truth, _ = rig_from_other(R[0], p[0], R[1], p[1], np.ones(len(ours)))
    for k in sim.scenario.knock:
        c, before, after = (
            found.camera(k.camera),
            sim.truth.camera(k.camera),
            sim.truth_after.camera(k.camera),
        )
        if c.verdict == "moved":
            turn = vector_from_rotation(after.cam_from_world.R @ before.cam_from_world.R.T)
            e = c.change[:6] - np.append(
                turn, rig_from_truth @ (after.position_mm - before.position_mm)
            )
            s = np.sqrt(np.diag(c.covariance)[:6])
            yield float((e / s) @ np.linalg.solve(c.covariance[:6, :6] / s[:, None] / s, e / s))


def measure(seed: int, options: argparse.Namespace) -> Outcome:
    """Return what one rig comes to."""
    base = scenario_of(
        seed, tuple(options.sigma_px), options.noise_spread, options.frames, options.truth
    )
    rng = np.random.default_rng([seed, 6])
    try:
        first = simulate(base)
        rig = calibrate(captured(first, options.held), first.wand)
    except CalibError as error:
        return Outcome({}, failure=str(error))
    named: dict[str, bool] = {}
    squared: list[float] = []
    of_repair: tuple[float, ...] = ()
    for number, kind in enumerate(options.kinds, start=1):
        changes, expected = changes_of(kind, base, rng)
        try:
            sim = simulate(replace(base, wave=number, **changes))
        except CalibError:
            continue  # a wave that leaves the rig in pieces is another matter
        tracks = captured(sim, options.held)
        found = recheck(rig, tracks)
        got = {c.name: c.verdict for c in found.cameras if c.needs_a_hand}
        named[kind] = got == expected
        if not named[kind]:
            note(f"     seed {seed} {kind}: expected {expected}, found {got}")
        squared += squared_errors(found, rig, sim)
        if kind == "third" and options.repair and found.repairable:
            of_repair = repair_ratios(rig, found, sim, tracks)
    return Outcome(named, squared, of_repair)


def repair_ratios(rig: Rig, found: Recheck, sim: Simulation, tracks: Tracks) -> tuple[float, float]:
    """Return the median 3D error of the repaired rig over that of the rig before the move, and of a
    new solve of the same wave.
    """
    points = sample_points(sim.scenario, N_TEST_POINTS, np.random.default_rng(sim.scenario.seed))
    repaired = repair(rig, found.tracks, found.repairable, lambda *_: None)
    anew = calibrate(tracks, sim.wand)
    ours, before, full = (
        float(np.nanmedian(error_against_truth(r, t, points, range_mm=sim.scenario.range_mm)))
        for r, t in ((repaired, sim.truth_after), (rig, sim.truth), (anew, sim.truth_after))
    )
    return ours / before, ours / full


def seconds(cameras: int, frames: int) -> tuple[float, float]:
    """Return how long a full solve takes and a recheck of a second wave before the same cameras:
    the least of three.
    """
    base = Scenario(n_cameras=cameras, n_frames=frames, seed=3)
    first, later = simulate(base), simulate(replace(base, wave=1))
    each = []
    for _ in range(3):
        begin = perf_counter()
        rig = calibrate(first.tracks, first.wand)
        middle = perf_counter()
        recheck(rig, later.tracks)
        each.append((middle - begin, perf_counter() - middle))
    solve_s, recheck_s = np.min(each, axis=0)
    return float(solve_s), float(recheck_s)


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rigs", type=int, default=24, help="seeds; 500 for the full table")
    parser.add_argument(
        "--seed", type=int, default=1000, help="of the first rig; the others count on"
    )
    parser.add_argument(
        "--sigma-px", type=float, nargs=2, default=(0.05, 0.5), help="limits of a camera's noise"
    )
    parser.add_argument(
        "--noise-spread", type=float, default=1.5, help="cameras differ by up to this, either way"
    )
    parser.add_argument("--frames", type=int, default=1500, help="of each wave")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument(
        "--held", action="store_true", help="lenses measured apart and held, a little off"
    )
    parser.add_argument(
        "--no-repair",
        dest="repair",
        action="store_false",
        help="leave out repair against new solve",
    )
    parser.add_argument(
        "--no-time", dest="time", action="store_false", help="leave out the time of a recheck"
    )
    parser.add_argument("--jobs", type=int, default=2)
    add_option(parser)


def run(options: argparse.Namespace) -> list[Row]:
    outcomes = []
    for k, o in enumerate(
        over_rigs(partial(measure, options=options), _seeds(options), options.jobs)
    ):
        outcomes.append(o)
        wrong = [kind for kind, ok in o.named.items() if not ok]
        told = o.failure or ("wrong: " + ", ".join(wrong) if wrong else "all right")
        note(f"{k:4d} seed {options.seed + k}  {told}")
    seeds, rows = seeds_of(options), []
    part = "recheck, held lenses" if options.held else "recheck"
    for kind in options.kinds:
        right = [o.named[kind] for o in outcomes if kind in o.named]
        if right:
            low, high = stats.binomtest(sum(right), len(right)).proportion_ci(0.95)
            found = (
                f"{100 * np.mean(right):.1f} % of {len(right)} (95 % interval "
                f"{100 * low:.1f} to {100 * high:.1f})"
            )
            must = f"≥ {100 * MUST[kind]:.0f} %"
            rows.append(
                Row(
                    f"{part}: {ABOUT[kind]}",
                    must,
                    found,
                    float(np.mean(right)) >= MUST[kind],
                    seeds,
                )
            )
    squared = np.array([s for o in outcomes for s in o.squared])
    if len(squared):
        held = float(np.mean(squared <= stats.chi2.ppf(0.95, 6)))
        rows.append(
            Row(
                f"{part}: 95 % regions that hold the size of the move",
                "92 to 98 %",
                f"{100 * held:.1f} % of {len(squared)}",
                0.92 <= held <= 0.98,
                seeds,
            )
        )
    # The rig before and the repaired one share most cameras, a new solve is another draw.
    of_repair = np.log([o.of_repair for o in outcomes if o.of_repair])
    for k, other in enumerate(("the rig's before", "a new solve's") if len(of_repair) else ()):
        mean = float(np.exp(of_repair[:, k].mean()))
        chance = mean * float(of_repair[:, k].std()) / np.sqrt(len(of_repair))
        rows.append(
            Row(
                f"{part}: repair's 3D error over {other}, geometric mean",
                "≤ 1.05",
                f"{mean:.3f} (chance ± {chance:.3f}) of {len(of_repair)}",
                mean <= 1.05,
                seeds,
            )
        )
    if options.time:
        solve_s, recheck_s = seconds(24, 2400)
        share = recheck_s / solve_s
        rows.append(
            Row(
                "recheck: time of 24 cameras × 2,400 frames over a full solve's",
                "< 0.5",
                f"{share:.2f} ({recheck_s:.1f} s, {solve_s:.1f} s)",
                share < 0.5,
                "3",
            )
        )
    failed = [o.failure for o in outcomes if o.failure]
    if failed:
        note(f"{len(failed)} rigs did not solve: {failed[0]}")
    return rows


def _seeds(options: argparse.Namespace) -> range:
    return range(options.seed, options.seed + options.rigs)
