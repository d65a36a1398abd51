"""Mistakes made on site: what a person is told of a capture with one planted, and of sound ones.

A capture goes the way of ``calib solve``, and where the mistake is made after the rig was solved,
that of ``calib recheck``. Quietly wrong is what exits with 0 though the rig is wrong.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

import numpy as np

from calib.check.recheck.run import recheck
from calib.check.verdicts import Fault, Standing
from calib.core.parameters import POSITION
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.errors import CalibError, InputError
from calib.pipeline import solve_rig
from calib.simulate import Simulation, sample_points
from scripts.benchmarks.accuracy import over_rigs
from scripts.benchmarks.errorbars import pose_errors
from scripts.benchmarks.mistakes import MISTAKES, Capture, clean, planted
from scripts.benchmarks.table import Row, note
from scripts.benchmarks.truth import error_against_truth

# A rig is wrong from here on: positions in their own sigmas; or in fewer, where points of the
# volume are off by so many mm besides (nine in ten of a sound capture mostly by a third of it).
WRONG_SIGMAS, NOTICED_SIGMAS, WRONG_MM = 5.0, 3.5, 1.5
N_TEST_POINTS = 300
POOR_WAVE = {Fault.TOO_FEW, Fault.ONE_SIDED}  # true of a sound capture whose wave was poor


@dataclass(frozen=True, slots=True)
class Reported:
    """A name that a person reads, and the cameras that it is said of, none where it is the wand."""

    name: str
    cameras: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one capture: ``exit`` as the program's, what was told, first things first;
    by how many of its sigmas the worst camera of the rig is off, and how far points are.
    """

    kind: str
    seed: int
    exit: int
    told: tuple[Reported, ...]
    at_fault: tuple[str, ...] = ()
    sigmas: float = float("nan")
    error_mm: float = float("nan")

    @property
    def is_wrong(self) -> bool:
        return self.sigmas > WRONG_SIGMAS or (
            self.error_mm > WRONG_MM and self.sigmas > NOTICED_SIGMAS
        )

    @property
    def is_quietly_wrong(self) -> bool:
        if self.exit:
            return False
        mistake = MISTAKES.get(self.kind)
        return self.is_wrong or (mistake is not None and (mistake.is_later or mistake.is_stale))

    @property
    def is_at_issue(self) -> bool:
        """Whether there is something to name: not where the mistake did no harm and nothing was
        told but that the wave is poor.
        """
        return bool(self.told) or self.is_wrong or self.is_quietly_wrong

    @property
    def is_named(self) -> bool:
        """Whether what is told first is one of the mistake's names."""
        return bool(self.told) and any(
            str(name) in self.told[0].name.lower() for name in MISTAKES[self.kind].expected
        )

    @property
    def is_right_camera(self) -> bool:
        """Whether what is told first is said of cameras at fault alone, where there are such."""
        if not self.at_fault or not self.told:
            return not self.at_fault
        first = self.told[0]
        if not first.cameras:  # said of the rig
            return MISTAKES[self.kind].who == "all"
        return set(first.cameras) <= set(self.at_fault)

    def __str__(self) -> str:
        told = "; ".join(f"{t.name} ({', '.join(t.cameras) or '-'})" for t in self.told[:4])
        return (
            f"{self.kind} {self.seed} [{', '.join(self.at_fault[:3])}]: exit {self.exit}, "
            f"{self.sigmas:.1f} sigmas, {self.error_mm:.2f} mm: {told[:300] or 'nothing'}"
        )


def outcome(kind: str, seed: int, is_nameless: bool = False) -> Outcome:
    """Return what becomes of a capture with this mistake, or of a sound one, its points named or as
    cameras send them.
    """
    capture = planted(kind, seed) if kind in MISTAKES else clean(seed)
    if is_nameless:
        earlier = capture.earlier and _nameless(capture.earlier)
        capture = replace(capture, tracks=_nameless(capture.tracks), earlier=earlier)
    solve_and_tell = _solved if capture.earlier is None else _rechecked
    try:
        return solve_and_tell(kind, seed, capture)
    except CalibError as error:
        return Outcome(kind, seed, 2, (Reported(str(error), error.cameras),), capture.cameras)


def _nameless(tracks: Tracks) -> Tracks:
    cameras = (replace(c, marker=np.full(c.n_points, -1)) for c in tracks.cameras)
    return replace(tracks, cameras=tuple(cameras))


def _solved(kind: str, seed: int, capture: Capture) -> Outcome:
    solution, sim = solve_rig(capture.tracks, capture.wand), capture.simulation
    rig, table = solution.rig, solution.table
    told = []
    for one in table.told:
        if isinstance(one, Doubt):
            told.append(Reported(one.finding, one.cameras))
        else:
            names = [c.cause for c in one.causes if c.cause not in POOR_WAVE]
            told += [Reported(name, (one.name,)) for name in names[:1]]
    truths = [sim.truth, *([sim.truth_after] if sim.scenario.knock else [])]
    return Outcome(
        kind,
        seed,
        int(table.needs_a_hand),
        tuple(told),
        capture.cameras,
        min(_sigmas_off(rig, truth) for truth in truths),
        min(_error_mm(rig, sim, truth) for truth in truths),
    )


def _rechecked(kind: str, seed: int, capture: Capture) -> Outcome:
    assert capture.earlier is not None
    found = recheck(solve_rig(capture.earlier, capture.wand).rig, capture.tracks)
    named = {
        s: tuple(c.name for c in found.cameras if c.verdict == s and c.needs_a_hand)
        for s in Standing
    }
    told = [Reported(d.finding, d.cameras) for d in found.of_wave]
    told += [Reported(standing, of) for standing, of in named.items() if of]
    return Outcome(kind, seed, int(not found.is_settled), tuple(told), capture.cameras)


def _sigmas_off(rig: Rig, truth: Rig) -> float:
    """Return by how many of its sigmas a coordinate of a camera's position is off at most."""
    assert rig.covariance is not None
    e = pose_errors(rig, truth)[0].reshape(-1, 6)[:, 3:]
    sigma = np.array([rig.covariance.sigma(name, POSITION) for name in rig.names])
    return float(np.max(np.abs(e) / sigma))


def _error_mm(rig: Rig, sim: Simulation, truth: Rig) -> float:
    """Return within how many mm nine in ten points of the volume are reconstructed."""
    s = sim.scenario
    points = sample_points(s, N_TEST_POINTS, np.random.default_rng(s.seed))
    try:
        error = error_against_truth(rig, truth, points, range_mm=s.range_mm)
    except (InputError, np.linalg.LinAlgError):  # no point comes out, or none in front
        return float("inf")
    return float(np.nanpercentile(error, 90))


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--captures", type=int, default=600, help="with a mistake planted")
    parser.add_argument("--clean", type=int, default=300, help="captures without")
    parser.add_argument("--seed", type=int, default=20_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--kind", choices=MISTAKES, nargs="+", default=list(MISTAKES))
    parser.add_argument("--nameless", action="store_true", help="points as cameras send them")


def run(options: argparse.Namespace) -> list[Row]:
    jobs = [
        (options.kind[k % len(options.kind)], options.seed + k, options.nameless)
        for k in range(options.captures)
    ]
    found = []
    for one in over_rigs(_outcome_of, jobs, options.jobs):
        found.append(one)
        if one.is_quietly_wrong:
            note(f"QUIETLY WRONG {one}")
        elif one.is_at_issue and not (one.is_named and one.is_right_camera):
            note(f"wrongly named {one}")
    seeds = f"{options.seed} to {options.seed + options.captures - 1}"
    rows = [_row(kind, [o for o in found if o.kind == kind]) for kind in options.kind]
    at_issue = [o for o in found if o.is_at_issue]
    n = len(at_issue)
    for what, must, is_met in (
        ("right cause first", 0.95, [o.is_named for o in at_issue]),
        ("right camera", 0.98, [o.is_right_camera for o in at_issue]),
    ):
        share = sum(is_met) / max(n, 1)
        text = f"{sum(is_met)} of {n} ({share:.1%})"
        rows.append(Row(f"field: {what}", f"≥ {must:.0%}", text, share >= must, seeds))
    quiet = [o for o in found if o.is_quietly_wrong]
    text = f"{len(quiet)} of {len(found)}"
    rows.append(Row("field: quietly wrong", "0", text, not quiet, seeds))
    return [*rows, *_sound(options)]


def _sound(options: argparse.Namespace) -> list[Row]:
    """Return how often sound captures are told to need action, and are quietly wrong."""
    first = options.seed + 50_000
    jobs = [("none", first + k, options.nameless) for k in range(options.clean)]
    alarms = wrong = 0
    for one in over_rigs(_outcome_of, jobs, options.jobs):
        is_alarm = any(t.name not in POOR_WAVE for t in one.told)
        alarms += is_alarm
        wrong += one.is_quietly_wrong
        if is_alarm or one.is_quietly_wrong:
            note(f"{'false alarm' if is_alarm else 'QUIETLY WRONG'} {one}")
    if not jobs:
        return []
    text, seeds = f"of {len(jobs)}", f"{first} to {first + options.clean - 1}"
    return [
        Row(
            "field: sound captures to act on",
            "≤ 1 %",
            f"{alarms} {text}",
            alarms <= 0.01 * len(jobs),
            seeds,
        ),
        Row("field: sound captures quietly wrong", "0", f"{wrong} {text}", not wrong, seeds),
    ]


def _outcome_of(job: tuple[str, int, bool]) -> Outcome:
    return outcome(*job)


def _row(kind: str, found: list[Outcome]) -> Row:
    at_issue = [o for o in found if o.is_at_issue]
    text = (
        f"{sum(o.is_named for o in at_issue)} named, {sum(o.is_right_camera for o in at_issue)} "
        f"right camera of {len(at_issue)}; {sum(o.exit == 2 for o in found)} refused, "
        f"{sum(o.is_quietly_wrong for o in found)} quietly wrong, "
        f"{len(found) - len(at_issue)} harmless"
    )
    return Row(f"field: {kind}", "-", text, None)
