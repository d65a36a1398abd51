"""Plant one fault in one camera of a simulated rig and see which cause is named first; and how
often on clean ones.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from scipy import stats

from calib.check.causes.certainty import known_to
from calib.check.causes.examine import Examination, examine
from calib.check.causes.record import Record, of_cameras
from calib.check.residuals import ResidualTable, residual_table
from calib.core.rig import Rig
from calib.errors import CalibError
from calib.pipeline import calibrate
from calib.report.rigs.causes import evidence
from calib.simulate import Knock, Scenario, simulate
from calib.solve.hold import fit_to_rig
from scripts.benchmarks.accuracy import LAYOUTS, WANDS, over_rigs
from scripts.benchmarks.table import Row, note
from scripts.benchmarks.truths import add_option, drawn_from

Changes = dict[str, Any]
STRAY_SHARE = 0.05
# How each fault is planted at a strength (in a camera, a knock at the middle of its frames), the
# strength first tried, and the cause that must be named.
FAULTS: dict[str, tuple[Callable[[str, float, Scenario, int], Changes], float, str]] = {
    "noise": (lambda c, x, s, f: {"noisy": {c: x}}, 2.0, "noise only"),
    "lens": (lambda c, x, s, f: {"window_px": {c: x}}, 0.3, "lens model does not fit"),
    "knock": (
        lambda c, x, s, f: {
            "knock": (Knock(camera=c, frame=f, rotation_deg=x, translation_mm=20 * x),)
        },
        0.01,
        "knocked during the capture",
    ),
    "timing": (lambda c, x, s, f: {"late": {c: x}}, 0.03, "out of time"),
    "rows": (lambda c, x, s, f: {"row_delay": {c: x}}, 0.06, "rows exposed one after another"),
    "vibration": (
        lambda c, x, s, f: {"vibration_px": {c: x}, "vibration_hz": {c: 2 + s.seed % 9}},
        0.3,
        "vibration",
    ),
    # 5 % of the points off by so much that the squares of all points become fourfold: the mean
    # square of lengths even over the logarithm from a to 4 a is 15 a² / (2 ln 4).
    "stray": (
        lambda c, x, s, f: {
            "stray_share": {c: STRAY_SHARE},
            "outlier_px": (x * s.sigma_px, 4 * x * s.sigma_px),
        },
        float(np.sqrt(6 / STRAY_SHARE * 2 * np.log(4) / 15)),
        "stray points",
    ),
    "one-sided": (lambda c, x, s, f: {"side_seen": {c: x}}, 0.4, "one-sided points"),
}
DOUBLED_BY_DESIGN = {"noise", "stray", "one-sided"}


def scenario_of(index: int, seed: int, spread: float, n_frames: int, truth: str) -> Scenario:
    rng = np.random.default_rng(seed + index)
    scenario = Scenario(
        layout=LAYOUTS[index % 4],
        wand=WANDS[index // 4 % 3],
        n_cameras=int(rng.integers(6, 13)),
        seed=seed + index,
        sigma_px=float(np.exp(rng.uniform(np.log(0.07), np.log(0.25)))),
        noise_spread=spread,
        n_frames=n_frames,
        connected=False,
    )
    return drawn_from(scenario, truth)


def rms_of(table: ResidualTable, name: str) -> float:
    return next(r.stats.rms_px for r in table.cameras if r.name == name)


@dataclass(frozen=True, slots=True)
class Outcome:
    """A planted fault: the cause first named, how many times the RMS grew, and sound cameras that
    are named as well.
    """

    fault: str
    first: str
    growth: float
    others: tuple[str, ...] = ()


def planted(
    index: int, seed: int, faults: Sequence[str], itself: bool, n_frames: int, truth: str
) -> list[Outcome]:
    """Return what becomes of each fault, planted in one camera of the index-th rig.

    With ``itself`` the faulty capture is solved and held against itself; else a clean wave of the
    same rig is solved and a new, faulty one held against it. A fault's strength is set so that the
    camera's RMS doubles.
    """
    s = scenario_of(index, seed, 1.2, n_frames, truth)
    clean = simulate(s)
    try:
        solved = None if itself else calibrate(clean.tracks, clean.wand)
        wave = s if itself else replace(s, wave=1)
        sound_capture = simulate(wave)
        reference = residual_table(solved or clean.truth, sound_capture.tracks)
    except CalibError as error:
        note(f"rig {index} is left out: {error}")
        return []
    sound = sorted(r.name for r in reference.cameras if not r.causes and r.stats.points >= 400)
    if len(sound) < 3:
        note(
            f"rig {index} is left out: its clean wave gives fewer than three cameras enough points"
        )
        return []
    name = str(np.random.default_rng(seed + index).choice(sound))
    middle = int(np.median(sound_capture.tracks.camera(name).frame))
    return [
        _plant(fault, name, s, wave, solved, reference, frozenset(sound), middle)
        for fault in faults
    ]


def is_bare(wave: Scenario, name: str, share: float, solved: Rig | None) -> bool:
    """Return whether points of a strip leave errors over the whole sensor at twice the noise (two
    coordinates), beside what a rig ``solved`` before knows of the lens.
    """
    sim = simulate(replace(wave, side_seen={name: share}))

    def look(record: Record) -> Examination | None:
        return examine(record, known_to(solved or sim.truth, record.name))

    found = of_cameras(fit_to_rig(sim.truth, sim.tracks), sim.tracks, look)[
        sim.tracks.names.index(name)
    ]
    return found is None or found.corner_px > np.sqrt(6.0) * found.sigma_px


def _plant(
    fault: str,
    name: str,
    s: Scenario,
    wave: Scenario,
    solved: Rig | None,
    reference: ResidualTable,
    sound: frozenset[str],
    middle: int,
) -> Outcome:
    plant, strength, _ = FAULTS[fault]
    before = rms_of(reference, name)
    if fault == "one-sided":
        strength = next(
            x for x in (0.4, 0.3, 0.25, 0.2, 0.15, 0.0) if not x or is_bare(wave, name, x, solved)
        )
        if not strength:
            return Outcome(fault, "not planted: no strip is bare enough", float("nan"))
    for attempt in range(3):
        sim = simulate(replace(wave, **plant(name, strength, s, middle)))
        try:
            table = residual_table(solved or calibrate(sim.tracks, sim.wand), sim.tracks)
        except CalibError as error:
            return Outcome(fault, f"not solved: {error}", float("nan"))
        growth = rms_of(table, name) / before
        if fault in DOUBLED_BY_DESIGN or 1.9 < growth < 2.1 or attempt == 2:
            break
        strength *= float(np.clip(np.sqrt(3.0 / max(growth**2 - 1.0, 1e-3)), 0.2, 5.0))
    row = next(r for r in table.cameras if r.name == name)
    others = tuple(
        r.causes[0].cause for r in table.cameras if r.name != name and r.causes and r.name in sound
    )
    first = row.causes[0].cause if row.causes else "nothing"
    # What is left of a sensor's side may hold too few points: the same cause.
    first = FAULTS[fault][2] if fault == "one-sided" and first == "too few points" else first
    return Outcome(fault, first, growth, others)


def clean_causes(
    index: int, seed: int, itself: bool, n_frames: int, truth: str
) -> tuple[int, list[str]]:
    """Return how many cameras a clean capture has and the causes named."""
    try:
        sim = simulate(scenario_of(index, seed, 1.5, n_frames, truth))
        rig = calibrate(sim.tracks, sim.wand) if itself else sim.truth
        table = residual_table(rig, sim.tracks)
    except CalibError:
        return 0, []
    judged = [
        r
        for r in table.cameras
        if not r.causes or r.causes[0].cause not in {"too few points", "one-sided points"}
    ]
    return len(judged), [
        f"{r.causes[0].cause}: {evidence(r.causes[0])}" for r in judged if r.causes
    ]


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rigs", type=int, default=40, help="for each fault and situation")
    parser.add_argument("--clean", type=int, default=100, help="clean rigs for false alarms")
    parser.add_argument(
        "--clean-solved", type=int, default=40, help="clean rigs solved and held against themselves"
    )
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    add_option(parser)
    parser.add_argument("--fault", choices=FAULTS, nargs="+", default=list(FAULTS))
    parser.add_argument(
        "--situation", choices=("new", "itself"), nargs="+", default=["new", "itself"]
    )


def run(options: argparse.Namespace) -> list[Row]:
    rows = []
    seeds = f"{options.seed} to {options.seed + options.rigs - 1}"
    for situation in options.situation:
        job = partial(
            planted,
            seed=options.seed,
            faults=options.fault,
            itself=situation == "itself",
            n_frames=options.frames,
            truth=options.truth,
        )
        found: list[Outcome] = []
        for k, one in enumerate(over_rigs(job, range(options.rigs), options.jobs)):
            found += one
            wrong = [f"{o.fault}: {o.first}" for o in one if o.first != FAULTS[o.fault][2]]
            note(
                f"{situation} rig {k}: {len(one) - len(wrong)} of {len(one)} named "
                f"first; {'; '.join(wrong)}"
            )
        for fault in options.fault:
            mine = [o for o in found if o.fault == fault and not o.first.startswith("not planted")]
            right = sum(o.first == FAULTS[fault][2] for o in mine)
            grown = float(np.nanmedian([o.growth for o in mine])) if mine else float("nan")
            others = sum(len(o.others) for o in mine)
            against = "a solved rig" if situation == "new" else "itself"
            text = f"{right} of {len(mine)} (RMS × {grown:.2f}), {others} sound cameras named"
            is_met = bool(mine) and right >= 0.9 * len(mine)
            rows.append(
                Row(f"causes: {fault}, capture against {against}", "≥ 90 %", text, is_met, seeds)
            )
    for count, itself in ((options.clean, False), (options.clean_solved, True)):
        if not count:
            continue
        job_clean = partial(
            clean_causes,
            seed=options.seed + 50_000,
            itself=itself,
            n_frames=options.frames,
            truth=options.truth,
        )
        each = list(over_rigs(job_clean, range(count), options.jobs))
        n, alarms = sum(e[0] for e in each), [a for e in each for a in e[1]]
        for alarm in alarms:
            note(f"false alarm: {alarm}")
        high = (
            float(stats.beta.ppf(0.975, len(alarms) + 1, n - len(alarms)))
            if n > len(alarms)
            else 1.0
        )
        low = float(stats.beta.ppf(0.025, len(alarms), n - len(alarms) + 1)) if alarms else 0.0
        text = f"{len(alarms)} of {n} ({low:.2%} to {high:.2%}, 95 %)"
        what = "solved from the capture" if itself else "true rig"
        rows.append(
            Row(
                f"causes: false alarms, {what}",
                "< 1 %",
                text,
                len(alarms) < 0.01 * n,
                f"{options.seed + 50_000} on",
            )
        )
    return rows
