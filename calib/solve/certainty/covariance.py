"""The joint covariance of poses and lenses, in the gauge of least trace."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.parameters import POSE, n_unknowns, of_cameras, of_wand
from calib.core.rig import Covariance
from calib.solve.bundle.descent import (
    BundleOptions,
    BundleResult,
    Distance,
    free_parameters,
    without_frames,
)
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.determined import require_rank
from calib.solve.certainty.normal import Information, in_gauge, on_places
from calib.solve.lasting.scatter import Together

# Times the least variance that a camera in the middle can have: more is another's.
SHARED = 2.0


def joint_covariance(
    problem: Problem,
    result: BundleResult,
    options: BundleOptions,
    names: tuple[str, ...],
    markers: tuple[str, ...] = (),
    found: Information | None = None,
    scattered: Together | None = None,
) -> Covariance:
    """Return the covariance of all free parameters at a least-squares minimum, frames marginalised
    out.

    ``found`` is what the problem says of all parameters there, where that is known, and
    ``scattered`` what errors that last do to its gradient.

    Parameters are turns of ``cam_from_world`` (radian), positions in the world (mm) and the free
    lens terms, then the wand's free coordinates (mm, in its own axes). Raises UnsolvableError,
    naming cameras and the direction, where the capture leaves one open. When no pose is held, the
    world is fixed by the six conditions that give the poses the least trace, turns weighted with
    the median distance from camera to wand; an error of the rig as a whole is then no error.
    Cameras that are loose among the others have no part in them (``_held_by``). With a known
    distance for the scale, that adds its uncertainty.

    Source: Triggs et al., Bundle adjustment, a modern synthesis, 2000, section 9 (inner
    constraints).
    """
    system, state = found or without_frames(problem, result.blocks), result.state
    away = median_distance(problem, state)
    return covariance_of(system, state, options, names, markers, away, scattered)


def covariance_of(
    system: Information,
    state: State,
    options: BundleOptions,
    names: tuple[str, ...],
    markers: tuple[str, ...],
    away: float,
    scattered: Together | None = None,
) -> Covariance:
    """Return the covariance that a ``system`` of all parameters comes to, priors in it; ``away`` is
    the median distance in mm from camera to wand. See ``joint_covariance``.
    """
    n = n_unknowns(options.terms)
    n_shape = len(system.own) - len(names) * n
    free, motions = free_parameters(state, options, n_shape)
    system = system.at(free).fixed(motions[free])
    require_rank(system, free, names, (*POSE, *options.terms), state.lens[:, 0], away)
    back = -np.swapaxes(state.cam_R, 1, 2)

    def of_positions(found: Array) -> Array:
        full = np.zeros((len(motions), len(motions)))
        full[np.ix_(free, free)] = found
        return on_places(back, n, on_places(back, n, full).T)[np.ix_(free, free)]

    alone = system.covariance()
    C = of_positions(alone if scattered is None else scattered.covariance(alone, free))
    if motions.shape[1]:
        weight = np.zeros((len(names), n))  # in the trace: 1 for mm, away² for a radian
        weight[:, :3], weight[:, 3:6] = away**2, 1.0
        kept = np.zeros((len(weight.ravel()), 0))
        if options.distance is not None:  # is kept, instead of the rig's growth
            kept = _of_distance(state, options.distance, n)[:, None]
        world = _World(
            on_places(back, n, motions)[free],
            np.append(weight, np.zeros(n_shape))[free],
            np.minimum(free // n, len(names) - 1),
            np.pad(kept, ((0, n_shape), (0, 0)))[free],
        )
        G, E = world.motions, world.conditions(_held_by(world, C))
        C = in_gauge(G, E, in_gauge(G, E, C).T)
        if options.distance is not None:
            # Moves no condition but the distance, that by its sigma: an error of the length makes
            # the rig grow as a whole.
            growth = G @ np.linalg.solve(E.T @ G, np.eye(7)[6]) * options.distance.sigma_mm
            C += np.outer(growth, growth)
    markers = markers or tuple(str(m) for m in range(len(state.shape_mm)))
    n_axes = options.shape.n_axes if options.shape else 0
    every = (*of_cameras(names, options.terms), *of_wand(markers, n_axes))
    return Covariance(tuple(every[i] for i in free), 0.5 * (C + C.T))


@dataclass(frozen=True, slots=True, eq=False)
class _World:
    """What may hold the world of n parameters: its ``motions (n, 6 or 7)``, what each parameter
    counts in the trace (n,), which ``camera (n,)`` it is of, and a condition ``kept (n, 0 or 1)``.
    """

    motions: Array
    metric: Array
    camera: NDArray[np.intp]
    kept: Array

    def conditions(self, holds: NDArray[np.bool_]) -> Array:
        """Return the conditions (n, 6 or 7) of least trace of the cameras that hold (C,)."""
        of = (self.metric * holds[self.camera])[:, None] * self.motions[:, :6]
        return np.column_stack([of, self.kept])

    def variances(self, C: Array, holds: NDArray[np.bool_]) -> Array:
        """Return each camera's part of the trace (C,) in the world that these hold."""
        E = self.conditions(holds)
        G, EC = self.motions @ np.linalg.inv(E.T @ self.motions), E.T @ C
        own = np.diag(C) - 2.0 * (G * EC.T).sum(axis=1) + (G @ (EC @ E) * G).sum(axis=1)
        return np.asarray(np.bincount(self.camera, self.metric * own), float)


def _held_by(world: _World, C: Array) -> NDArray[np.bool_]:
    """Return which cameras (C,) hold the world: all, but for those that are loose among the others.

    A camera that saw a few points in a corner may be off by centimetres, and of a world that it
    helps to hold, a share of that would be each other camera's error, and each place's, however
    well these know of each other. As few are let go, the loosest first and less than half, as leave
    a camera in the middle surer than ``SHARED`` times what it can be.
    """
    holds = np.ones(world.camera.max() + 1, bool)
    C = in_gauge(world.motions, E := world.conditions(holds), in_gauge(world.motions, E, C).T)
    every, middle = [], []
    while 2 * holds.sum() > len(holds):
        variance = world.variances(C, holds)
        every.append(holds)
        middle.append(np.partition(variance, len(holds) // 2)[len(holds) // 2])
        holds = holds.copy()
        holds[np.where(holds, variance, -np.inf).argmax()] = False
    return every[int(np.argmax(np.array(middle) <= SHARED * min(middle)))]


def median_distance(problem: Problem, state: State) -> float:
    """Return the median distance from camera to wand in mm."""
    away = state.position_mm[problem.cam] - state.wand_t[problem.frame]
    return float(np.median(np.linalg.norm(away, axis=1)))


def _of_distance(state: State, distance: Distance, n: int) -> Array:
    """Return how the distance between two cameras follows the parameters (C n,)."""
    position, row = state.position_mm, np.zeros((len(state.cam_R), n))
    along = (position[distance.b] - position[distance.a]) / distance.length_mm
    row[distance.b, 3:6], row[distance.a, 3:6] = along, -along
    return row.ravel()
