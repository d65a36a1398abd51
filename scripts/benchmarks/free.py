"""Days of nameless markers before simulated rigs: how often a recheck without a wand names the
right cameras.

Each seed is one rig of mixed layout and size with lenses and errors as the simulator draws them,
solved from a wave of its own, and days of 10 to 60 markers among 10 stray points a frame and
camera, one for each kind of change. Markers go where they like: a camera that hardly any passes
cannot be judged by anyone (``shows``); it must then be said to be open, and the day counts apart.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field, replace
from functools import partial
from time import process_time

import numpy as np
from scipy import stats

from calib.check.recheck.agree import price
from calib.check.recheck.free.run import CELL_MM, recheck_any
from calib.check.recheck.judge import RecheckOptions
from calib.check.recheck.run import recheck
from calib.core.camera import project
from calib.core.geometry import Array
from calib.core.parameters import N_CHANGE
from calib.core.rig import Rig
from calib.errors import CalibError
from calib.pipeline import calibrate
from calib.simulate import Day, Knock, Scenario, Simulation, day_capture, sample_points, simulate
from calib.simulate.imaging import camera_sigma
from scripts.benchmarks.accuracy import LAYOUTS, over_rigs, seeds_of
from scripts.benchmarks.recheck import squared_errors
from scripts.benchmarks.table import Row, note

KINDS = ("none", "turn", "shift", "third")
MUST = {"none": 0.99, "turn": 0.95, "shift": 0.95, "third": 0.90}
ABOUT = {
    "none": "no camera moved: none named",
    "turn": "one camera turned by 0.05°: named, and only it",
    "shift": "one camera shifted by 0.5 px: named, and only it",
    "third": "a third moved by 0.1° or more: exactly these",
}
SLOWEST_S = 60.0
NAMED = {"moved", "lens", "timing", "noisy", "exchanged", "moving"}
OPEN = {"undecided", "unseen"}


@dataclass(frozen=True)
class Outcome:
    """One rig: by kind whether the right cameras were named, of those that the day shows; whether
    all that was missed was said to be open; whether it shows any that moved, where some did; how
    many cameras were open; squared errors of moves (6 dof), also of waves before the same cameras,
    and how many of these named others than had moved; the processor seconds of the slowest recheck.
    """

    n_cameras: int = 0
    named: dict[str, bool] = field(default_factory=dict)
    honest: dict[str, bool] = field(default_factory=dict)
    can_tell: dict[str, bool] = field(default_factory=dict)
    undecided: dict[str, int] = field(default_factory=dict)
    squared: list[float] = field(default_factory=list)
    of_wave: list[float] = field(default_factory=list)
    wave_wrong: int = 0
    seconds: float = 0.0
    failure: str = ""


def changes_of(kind: str, rig: Rig, s: Scenario, rng: np.random.Generator) -> tuple[Knock, ...]:
    """Return the knocks of a kind."""
    if kind == "none":
        return ()
    if kind == "third":
        n = len(s.names) // 3
        turns = np.exp(rng.uniform(np.log(0.1), np.log(3.0), n))
        shifts = rng.choice([0.0, 2.0, 20.0], n)
        names = rng.choice(s.names, n, replace=False)
        return tuple(
            Knock(camera=str(k), rotation_deg=float(r), translation_mm=float(t))
            for k, r, t in zip(names, turns, shifts, strict=True)
        )
    name = str(rng.choice(s.names))
    if kind == "turn":
        return (Knock(camera=name, rotation_deg=0.05, translation_mm=0.0),)
    camera = rig.camera(name)
    seen = [p for p, ok in _seen(rig, s, name, rng) if ok]
    distance = float(np.median(np.linalg.norm(np.array(seen) - camera.position_mm, axis=1)))
    # Of a shift in a random direction the part across the line of sight moves points: sqrt(2/3)
    # of it, RMS.
    mm = 0.5 * distance / camera.lens.fx / np.sqrt(2.0 / 3.0)
    return (Knock(camera=name, rotation_deg=0.0, translation_mm=mm),)


def shows(made: Simulation, day: Day, name: str) -> bool:
    """Return whether a day shows that a camera moved to a test as strict as the recheck's that
    knows all other cameras and the lens without error: by even chance at least.

    Counted are places 40 mm apart that two others see as well: nearer ones share the errors of
    pixels and lens, and of two cameras' rays many meet by chance.

    Source of the chance: noncentral chi-square, of as many degrees of freedom as a camera's change
    has; Kay, Fundamentals of statistical signal processing II, 1998, section 6.5 (from memory).
    """
    tracks, names = day.tracks, made.truth.names
    n_seen = np.zeros(day.points_mm.shape[:2], int)
    for camera, marker in zip(tracks.cameras, day.marker, strict=True):
        is_true = marker >= 0
        np.add.at(n_seen, (camera.frame[is_true], marker[is_true]), 1)
    c = names.index(name)
    frame, marker = tracks.cameras[c].frame, day.marker[c]
    known = (marker >= 0) & (n_seen[frame, np.maximum(marker, 0)] >= 3)
    points = day.points_mm[frame[known], marker[known]]
    _, first = np.unique(np.floor(points / CELL_MM), axis=0, return_index=True)
    before, after = (
        project(camera.lens, camera.cam_from_world.apply(points[first]))
        for camera in (made.truth.camera(name), made.truth_after.camera(name))
    )
    sigmas = np.linalg.norm(after - before) / camera_sigma(made.scenario, c)
    limit = price(len(names), RecheckOptions().alpha)
    return bool(stats.ncx2.sf(limit, N_CHANGE, sigmas**2) >= 0.5)


def _seen(truth: Rig, s: Scenario, name: str, rng: np.random.Generator) -> list[tuple[Array, bool]]:
    points = sample_points(s, 1000, rng)
    return list(zip(points, truth.camera(name).image_of(points, s.range_mm)[1], strict=True))


def measure(seed: int, options: argparse.Namespace) -> Outcome:
    """Return what one rig comes to."""
    rng = np.random.default_rng([seed, 11])
    n_cameras, n_markers = int(rng.integers(6, 25)), int(rng.integers(10, 61))
    if options.largest:
        n_cameras, n_markers = 24, 60
    if options.few:
        n_cameras, n_markers = int(rng.integers(16, 25)), int(rng.integers(10, 17))
    base = Scenario(layout=LAYOUTS[seed % 4], n_cameras=n_cameras, seed=seed)
    try:
        first = simulate(base)
        rig = calibrate(first.tracks, first.wand)
    except CalibError as error:
        return Outcome(failure=str(error))
    named: dict[str, bool] = {}
    honest: dict[str, bool] = {}
    can_tell: dict[str, bool] = {}
    undecided: dict[str, int] = {}
    squared: list[float] = []
    of_wave: list[float] = []
    slowest, wave_wrong = 0.0, 0
    for number, kind in enumerate(options.kinds, start=1):
        knock = changes_of(kind, first.truth, base, rng)
        later = simulate(replace(base, wave=number, knock=knock, connected=False))
        day = day_capture(later, n_markers, options.frames)
        sim = replace(later, tracks=day.tracks)
        moved = {k.camera for k in knock}
        shown = {name for name in moved if shows(later, day, name)}
        can_tell[kind] = bool(shown) or not moved
        begin = process_time()
        try:
            found = recheck_any(rig, sim.tracks)
        except CalibError as error:
            named[kind], honest[kind] = not shown, True  # refused: nothing is claimed
            undecided[kind] = n_cameras
            note(f"     seed {seed} {kind}: {error}")
            continue
        slowest = max(slowest, process_time() - begin)
        got = {c.name for c in found.cameras if c.verdict in NAMED}
        open_ = {c.name for c in found.cameras if c.verdict in OPEN}
        honest[kind] = got <= moved <= got | open_
        named[kind] = honest[kind] and shown <= got
        undecided[kind] = len(open_)
        if not named[kind] or undecided[kind]:
            verdicts = {c.name: str(c.verdict) for c in found.cameras if c.verdict != "unmoved"}
            by = {k.camera: (f"{k.rotation_deg:.2f}°", f"{k.translation_mm:.1f} mm") for k in knock}
            unshown = sorted(moved - shown)
            note(f"     seed {seed} {kind}: moved {by}, not shown {unshown}, found {verdicts}")
        squared += squared_errors(found, rig, sim)
        if options.wave:
            waved = recheck(rig, later.tracks)
            of_wave += squared_errors(waved, rig, later)
            wave_wrong += not {c.name for c in waved.cameras if c.verdict in NAMED} <= moved
    return Outcome(
        n_cameras, named, honest, can_tell, undecided, squared, of_wave, wave_wrong, slowest
    )


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rigs", type=int, default=12, help="seeds; 50 for the full table")
    parser.add_argument(
        "--seed", type=int, default=5000, help="of the first rig; the others count on"
    )
    parser.add_argument("--frames", type=int, default=750, help="of each day, at 25 Hz")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument(
        "--largest", action="store_true", help="24 cameras and 60 markers in every rig"
    )
    parser.add_argument(
        "--few", action="store_true", help="16 to 24 cameras and 10 to 16 markers in every rig"
    )
    parser.add_argument(
        "--wave",
        action="store_true",
        help="also recheck a wave before the same cameras: what the solved rig itself costs",
    )
    parser.add_argument("--jobs", type=int, default=2)


def run(options: argparse.Namespace) -> list[Row]:
    outcomes = []
    seeds = range(options.seed, options.seed + options.rigs)
    for k, o in enumerate(over_rigs(partial(measure, options=options), seeds, options.jobs)):
        outcomes.append(o)
        wrong = [kind for kind, ok in o.named.items() if not ok]
        told = o.failure or ("wrong: " + ", ".join(wrong) if wrong else "all right")
        note(f"{k:4d} seed {options.seed + k} {o.n_cameras} cameras {o.seconds:.0f} s  {told}")
    rows, said = [], seeds_of(options)
    for kind in options.kinds:
        right = [o.named[kind] for o in outcomes if o.can_tell.get(kind)]
        untold = [o for o in outcomes if kind in o.named and not o.can_tell[kind]]
        if right:
            low, high = stats.binomtest(sum(right), len(right)).proportion_ci(0.95)
            open_ = sum(o.undecided.get(kind, 0) for o in outcomes)
            n_cameras = sum(o.n_cameras for o in outcomes if kind in o.named)
            n_wrong = sum(not o.honest[kind] for o in outcomes if kind in o.honest)
            found = (
                f"{100 * np.mean(right):.1f} % of {len(right)} (95 % interval {100 * low:.1f} to "
                f"{100 * high:.1f}); {n_wrong} wrong, the others open; {len(untold)} more days in "
                f"which nobody could tell; {open_} of {n_cameras} cameras undecided or unseen"
            )
            must = f"≥ {100 * MUST[kind]:.0f} %"
            is_met = float(np.mean(right)) >= MUST[kind]
            rows.append(Row(f"any markers: {ABOUT[kind]}", must, found, is_met, said))
    squared = np.array([s for o in outcomes for s in o.squared])
    if len(squared):
        held = float(np.mean(squared <= stats.chi2.ppf(0.95, 6)))
        what = "any markers: 95 % regions that hold the size of the move"
        found = f"{100 * held:.1f} % of {len(squared)}"
        rows.append(Row(what, "92 to 98 %", found, 0.92 <= held <= 0.98, said))
    if options.wave:
        of_wave = np.array([s for o in outcomes for s in o.of_wave])
        held = float(np.mean(of_wave <= stats.chi2.ppf(0.95, 6))) if len(of_wave) else np.nan
        n = sum(o.wave_wrong for o in outcomes)
        what = "the same cameras by a wave: regions that hold; captures with a wrong name"
        rows.append(Row(what, "", f"{100 * held:.1f} % of {len(of_wave)}; {n}", None, said))
    slowest = max(outcomes, key=lambda o: o.seconds)
    what = f"any markers: slowest recheck ({slowest.n_cameras} cameras), processor seconds"
    is_quick = slowest.seconds < SLOWEST_S
    rows.append(Row(what, f"< {SLOWEST_S:.0f} s", f"{slowest.seconds:.0f} s", is_quick, said))
    if failed := [o.failure for o in outcomes if o.failure]:
        note(f"{len(failed)} rigs did not solve: {failed[0]}")
    return rows
