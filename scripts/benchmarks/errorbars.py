"""Compare the camera poses' errors over simulated rigs with the joint covariance that each solve
states.

Turns and positions of all cameras are tested jointly, freed of the motion of the rig as a whole:
with G the six motions of the world as changes of the poses and B a basis with Bᵀ G = 0, the
normalised error squared is ``(Bᵀ e)ᵀ (Bᵀ C B)⁻¹ (Bᵀ e)``, chi-square with 6 n - 6 degrees of
freedom for n cameras, the same in every gauge.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from scipy import stats

from calib.core.geometry import Array, cross_matrix, rotation_from_vector, vector_from_rotation
from calib.core.parameters import of_cameras
from calib.core.rig import Covariance, Rig
from calib.errors import CalibError
from calib.pipeline import calibrate
from scripts.benchmarks.accuracy import (
    LAYOUTS,
    WANDS,
    Case,
    add_rig_options,
    capture_of,
    over_rigs,
    seeds_of,
)
from scripts.benchmarks.table import Row, note

# how turns weigh against shifts where a rig is held as a whole: a usual distance to the wand
RADIAN_MM = 3000.0
N_ALIGN = 8  # each step squares what is left of the misfit as a whole


@dataclass(frozen=True)
class Outcome:
    """One rig: its normalised error squared and degrees of freedom, of all poses and of turns and
    positions alone.

    ``turn`` and ``position`` are mean squared errors of single parameters in units of sigma,
    ``size`` that of the rig's overall size, one degree of freedom: what each kind adds to a ratio
    that is off.
    """

    scenario: dict[str, Any]
    squared: float
    dof: int
    turn: float = np.nan
    position: float = np.nan
    size: float = np.nan
    failure: str = ""

    @property
    def ratio(self) -> float:
        return self.squared / self.dof

    @property
    def is_held(self) -> bool:
        """Whether the 95 % region holds the truth."""
        return bool(self.squared <= stats.chi2.ppf(0.95, self.dof))


def poses(rig: Rig, names: tuple[str, ...]) -> tuple[Array, Array]:
    """Return rotations of cam_from_world (n, 3, 3) and positions (n, 3) in mm."""
    cameras = [rig.camera(n) for n in names]
    return np.stack([c.cam_from_world.R for c in cameras]), np.stack(
        [c.position_mm for c in cameras]
    )


def world_motions(R: Array, position: Array) -> Array:
    """Return turns about and shifts along the world's axes as changes of turn and position (6 n,
    6).
    """
    G = np.zeros((len(R), 6, 6))
    G[:, :3, :3] = -R
    G[:, 3:, :3] = -cross_matrix(position)
    G[:, 3:, 3:] = np.eye(3)
    return G.reshape(-1, 6)


def pose_errors(rig: Rig, truth: Rig) -> tuple[Array, Array]:
    """Return errors (6 n,) of turn and position once the truth is moved on to the rig, and the
    motions (6 n, 6).
    """
    R, position = poses(rig, rig.names)
    true_R, true_position = poses(truth, rig.names)
    u, _, vt = np.linalg.svd(np.einsum("cji,cjk->ik", R, true_R))
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt  # rig_from_truth
    true_R, true_position = true_R @ turn.T, true_position @ turn.T
    true_position = true_position + (position - true_position).mean(axis=0)
    weight = np.tile([RADIAN_MM] * 3 + [1.0] * 3, len(R))
    for _ in range(N_ALIGN):
        e = np.hstack(
            [vector_from_rotation(R @ np.swapaxes(true_R, 1, 2)), position - true_position]
        ).ravel()
        G = world_motions(true_R, true_position)
        step = np.linalg.lstsq(weight[:, None] * G, weight * e, rcond=None)[0]
        turn = rotation_from_vector(step[:3])
        true_R, true_position = true_R @ turn.T, true_position @ turn.T + step[3:]
    return e, G


def freed(C: Array, G: Array, *vectors: Array) -> tuple[Array, list[Array]]:
    """Return covariance and vectors (n,) in a basis across the motions G (n, 6), each parameter in
    its own sigma.
    """
    scale = 1.0 / np.sqrt(np.diag(C))
    B = np.linalg.qr(scale[:, None] * G, mode="complete")[0][:, 6:]
    return B.T @ (C * scale[:, None] * scale) @ B, [B.T @ (scale * v) for v in vectors]


def pose_rows(covariance: Covariance, names: tuple[str, ...]) -> Array:
    """Return the covariance of all cameras' turns and positions (6 n, 6 n)."""
    at = [covariance.row[p] for p in of_cameras(names, ())]
    return covariance.matrix[np.ix_(at, at)]


def measure(index: int, case: Case) -> Outcome:
    """Return how one simulated rig's errors compare with its covariance."""
    simulation = capture_of(index, case)
    scenario = simulation.scenario.as_dict()
    try:
        rig = calibrate(simulation.tracks, simulation.wand)
    except CalibError as error:
        return Outcome(scenario, np.nan, 6, failure=str(error))
    assert rig.covariance is not None
    e, G = pose_errors(rig, simulation.truth)
    C = pose_rows(rig.covariance, rig.names)
    _, position = poses(rig, rig.names)
    growth = np.hstack([np.zeros_like(position), position - position.mean(axis=0)]).ravel()
    A, (r, growth) = freed(C, G, e, growth)
    information = np.linalg.solve(A, growth)
    size = float(information @ r) ** 2 / float(information @ growth)
    turn, places = (pulls(e, C, G)[:, k].mean() for k in (0, 1))
    return Outcome(
        scenario, float(r @ np.linalg.solve(A, r)), len(r), float(turn), float(places), size
    )


def pulls(e: Array, C: Array, G: Array) -> Array:
    """Return each camera's squared errors of turn and position in units of sigma (n, 2, 3), the rig
    held as a whole.
    """
    weight = np.tile([RADIAN_MM] * 3 + [1.0] * 3, len(e) // 6)
    P = np.eye(len(e)) - G @ np.linalg.lstsq(weight[:, None] * G, np.diag(weight), rcond=None)[0]
    return np.asarray(((P @ e) ** 2 / np.diag(P @ C @ P.T)).reshape(-1, 2, 3))


def add_options(parser: argparse.ArgumentParser) -> None:
    add_rig_options(parser, 200)
    parser.add_argument(
        "--marker-error",
        type=float,
        default=0.02,
        help="SD in mm of the wand's markers off its file",
    )
    parser.add_argument("--focal-error", type=float, default=0.10)
    parser.add_argument("--outliers", type=float, default=0.003)
    parser.add_argument("--save", help="write every rig's outcome to this JSON file")


def run(options: argparse.Namespace) -> list[Row]:
    case = Case(
        options.seed,
        tuple(options.sigma_px),
        options.noise_spread,
        options.focal_error,
        options.outliers,
        marker_error_mm=options.marker_error,
        truth=options.truth,
    )
    outcomes = []
    for k, o in enumerate(
        over_rigs(partial(measure, case=case), range(options.rigs), options.jobs)
    ):
        outcomes.append(o)
        s = o.scenario
        found = (
            o.failure
            or f"{o.squared:8.1f} of {o.dof:3d}, ratio "
            f"{o.ratio:5.2f}{'' if o.is_held else '  outside'}"
            f"   pulls²: turns {o.turn:5.2f}, positions {o.position:5.2f}, size {o.size:6.2f}"
        )
        note(
            f"{k:4d} seed {s['seed']:5d} {s['layout']:9}{s['wand']:7}{s['n_cameras']:3d} "
            f"cameras  {found}"
        )
    if options.save:
        with open(options.save, "w", encoding="utf-8") as file:
            json.dump([vars(o) for o in outcomes], file)
    solved = [o for o in outcomes if not o.failure]
    if not solved:
        return [Row("error bars", "rigs that solve", "none", False, seeds_of(options))]
    for key, kinds in (("layout", LAYOUTS), ("wand", WANDS)):
        for kind in kinds:
            note(f"{kind:10}" + _summary([o for o in solved if o.scenario[key] == kind]))
    note(f"{'all':10}" + _summary(solved))
    ratio, held = (
        float(np.mean(v)) for v in ([o.ratio for o in solved], [o.is_held for o in solved])
    )
    of_ratio = np.sqrt(sum(2.0 / o.dof for o in solved)) / len(solved)  # what chance alone leaves
    of_held = np.sqrt(0.95 * 0.05 / len(solved))
    seeds = seeds_of(options)
    left = len(outcomes) - len(solved)
    return [
        Row(
            "error bars: normalised error squared / degrees of freedom, mean",
            "0.95 to 1.05",
            f"{ratio:.3f} (chance ± {of_ratio:.3f}), {left} not solved",
            0.95 <= ratio <= 1.05 and not left,
            seeds,
        ),
        Row(
            "error bars: 95 % regions that hold the truth",
            "93 to 97 %",
            f"{100 * held:.1f} % (chance ± {100 * of_held:.1f} %)",
            0.93 <= held <= 0.97,
            seeds,
        ),
    ]


def _summary(outcomes: list[Outcome]) -> str:
    if not outcomes:
        return "no rigs"
    mean = {
        k: float(np.mean([getattr(o, k) for o in outcomes]))
        for k in ("ratio", "turn", "position", "size")
    }
    held = 100 * np.mean([o.is_held for o in outcomes])
    return (
        f"{len(outcomes):4d} rigs: ratio {mean['ratio']:.3f}, held {held:.1f} %; mean "
        f"squares of turns "
        f"{mean['turn']:.2f}, positions {mean['position']:.2f}, size {mean['size']:.2f}"
    )
