"""A capture explained by a rig whose cameras are held: wand poses, residuals, and what does not
fit.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.parameters import RING, CameraParameter
from calib.core.rig import CameraStats, Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.solve.bundle.descent import without_frames
from calib.solve.bundle.frames import fit_frames
from calib.solve.bundle.linearise import linearise, residuals
from calib.solve.bundle.problem import Problem, State, problem_from_tracks
from calib.solve.bundle.shape import wand_shape
from calib.solve.certainty.normal import on_places
from calib.solve.certainty.rig_errors import RigErrors, rig_errors
from calib.solve.fit import GATE_SQUARED, Fit, dof_sigmas, gate, robust_sigmas, squared_residuals
from calib.solve.lasting.find import bin_frames, find_off, passing, with_sizes
from calib.solve.lasting.leaning import Leaning, find_leaning
from calib.solve.lasting.overdispersion import overdispersion_between
from calib.solve.lasting.scatter import Scatter
from calib.solve.lasting.shifts import shifts
from calib.solve.lasting.stretches import (
    MOST_PASSING_S,
    Off,
    Stretch,
    camera_of,
    off_pairs,
    pairs_in,
)
from calib.solve.lasting.systematic import without_systematic
from calib.solve.refine import LOSS_SCALE, placed

HOLD_ROUNDS = 3
# Share of a camera's points in stretches that stand off, at most: more is no passing error but a
# camera that is not where the rig has it.
MOST_OFF = 0.4


@dataclass(frozen=True, eq=False)  # no slots: what several ask for is kept once it is known
class RigFit:
    """A capture explained by a rig that is held: wand poses in ``state``, residuals (2, M, P) in
    px, inliers (M, P).

    ``stats`` are the cameras', where they are known by now; ``stretches`` those that were found to
    stand off together and left out. ``ring_sigma_px (C, 3)`` is how well focal length and centre
    are known of a lens that was held, empty where all were free; ``scatter`` is how points scatter
    together about it, where that is known.
    """

    problem: Problem
    state: State
    residual_px: Array
    sigma_px: Array
    is_inlier: NDArray[np.bool_]
    stats: tuple[CameraStats, ...] | None = None
    stretches: tuple[Stretch, ...] = ()
    ring_sigma_px: Array = field(default_factory=lambda: np.empty((0, len(RING))))
    scatter: Scatter | None = None

    @property
    def weighted(self) -> Problem:
        """The problem with each inlier weighted by its camera's noise."""
        return self.problem.with_weight(self.is_inlier / self.sigma_px[self.problem.cam])

    @cached_property
    def leaning(self) -> Leaning | None:
        """How markers lean about it."""
        known = self.scatter
        return find_leaning(self.weighted, self.state) if known is None else known.leaning

    @cached_property
    def is_passing(self) -> NDArray[np.bool_]:
        """Which pairs (P,) lie in stretches that stand off and pass: of a camera that would lose
        more than ``MOST_OFF`` of its pairs to them none do.
        """
        out = pairs_in(self.problem, self.stretches, MOST_PASSING_S)
        for at in self.problem.pairs_by_camera():
            if at.size and out[at].mean() > MOST_OFF:
                out[at] = False
        return out


def as_held(fit: Fit, stats: tuple[CameraStats, ...] | None = None) -> RigFit:
    """Return a fit as holding its capture against the cameras where it left them would give it."""
    problem, state = fit.problem, fit.result.state
    residual = residuals(problem, state)
    held = RigFit(problem, state, residual, fit.sigma_px, fit.is_inlier, stats, fit.stretches)
    # With lenses held it is of a fit that has them free.
    return held if fit.freed is not None else replace(held, scatter=fit.scatter)


def fit_to_rig(rig: Rig, tracks: Tracks, *, gives_way: bool = True) -> RigFit:
    """Return the best wand poses of a capture with the cameras of ``rig`` held; both name the same
    cameras.

    Where it ``gives_way``, what the rig's own errors do is none of what stands off for a while. A
    camera that moved by as little as these would lose to such stretches what it has left of the
    move: whoever looks for moves holds the rig as it is.
    """
    errors = rig_errors(rig, tracks.names) if gives_way else None
    fit = hold_cameras(tracks, rig.wand_used, rig_state(rig, tracks.names), errors)
    return replace(fit, ring_sigma_px=ring_sigmas(rig, tracks.names))


def ring_sigmas(rig: Rig, names: tuple[str, ...]) -> Array:
    """Return how well focal length and centre of the named cameras' lenses are known (C, 3), 0 of
    those that the rig's solve had free; empty where it held none.
    """
    known = rig.covariance
    if known is None or not known.held:
        return np.empty((0, len(RING)))
    sigma = dict(zip(known.held, known.held_sigma.tolist(), strict=True))
    return np.array([[sigma.get(CameraParameter(n, term), 0.0) for term in RING] for n in names])


def rig_state(rig: Rig, names: tuple[str, ...]) -> State:
    """Return the named cameras of a rig and the wand that it used as a state without frames."""
    cameras = [rig.camera(name) for name in names]
    return State(
        np.stack([c.cam_from_world.R for c in cameras]),
        np.stack([c.cam_from_world.t_mm for c in cameras]),
        np.stack([c.lens.vector for c in cameras]),
        np.empty((0, 3, 3)),
        np.empty((0, 3)),
        wand_shape(rig.wand_used),
    )


def hold_cameras(
    tracks: Tracks, wand: Wand, cameras: State, errors: RigErrors | None = None
) -> RigFit:
    """Return the best wand poses of a capture with the cameras and the shape of
    ``cameras`` held.

    What stands off for a while is sought beside the ``errors`` that the cameras may have: where the
    wand comes to another place, these leave points off by as much.
    """
    problem, state, seen, sigma = _robustly_placed(tracks, wand, cameras)
    off: list[Off] = []
    stretches: list[Stretch] = []
    for k in range(HOLD_ROUNDS):
        sound = seen & ~off_pairs(problem, off)
        inlier = gate(problem, state, sound, sigma)
        weighted = problem.with_weight(inlier / sigma[problem.cam])
        state = fit_frames(weighted, state)
        sigma = dof_sigmas(
            weighted,
            state,
            linearise(weighted, state, (), np.inf, has_cameras=False).frame,
            0,
            sigma,
        )
        if k + 1 < HOLD_ROUNDS:
            near = state if errors is None else _given_way(weighted, state, errors)
            even = without_systematic(weighted, near, sigma)
            usual = overdispersion_between(shifts(even, near, None, bin_frames(problem.rate_hz)))
            even = replace(problem, uv_px=even.uv_px)
            off = find_off(even, near, seen, sigma, float(np.sqrt(GATE_SQUARED)), usual)
            off, stretches, much = passing(problem, off, seen, MOST_OFF)
            off = [o for o in off if camera_of(problem, o) not in much]
            stretches = [s for s in stretches if s.camera not in much]
    residual = residuals(problem, state)
    return RigFit(
        problem,
        state,
        residual,
        sigma,
        inlier,
        None,
        with_sizes(problem, residual, seen, stretches),
    )


def _given_way(problem: Problem, state: State, errors: RigErrors) -> State:
    """Return the state where its cameras gave way to the weighted points as far as they are
    uncertain: the likeliest of the ``errors``.
    """
    n_cameras, n, n_errors = errors.root.shape
    if not n_errors:
        return state
    back = -state.cam_R  # a shift in the camera's frame is minus the position's, turned
    root = on_places(back, n, errors.root.reshape(n_cameras * n, n_errors))
    blocks = linearise(problem, state, errors.terms, np.inf)
    told = without_frames(problem, blocks).through(root).beside(np.eye(n_errors))
    step = (root @ told.estimate()).reshape(n_cameras, n)
    still = np.zeros((problem.n_frames, blocks.frame.shape[1]))
    return fit_frames(problem, state.moved(step, still, errors.terms))


def place_frames(tracks: Tracks, wand: Wand, cameras: State) -> tuple[Problem, State]:
    """Return where a capture has the wand in each frame, with the cameras held, and which points
    weigh what in that: all but gross outliers.
    """
    problem, state, seen, sigma = _robustly_placed(tracks, wand, cameras)
    problem = problem.with_weight(gate(problem, state, seen, sigma) / sigma[problem.cam])
    return problem, fit_frames(problem, state)


def _robustly_placed(
    tracks: Tracks, wand: Wand, cameras: State
) -> tuple[Problem, State, NDArray[np.bool_], Array]:
    """Return a capture's problem, its wands where most of their points put them, the points
    (M, P) of frames that got a pose, and each camera's noise (C,).
    """
    problem = problem_from_tracks(tracks, len(wand.markers), wand.dimension)
    state, seen = placed(problem, cameras)
    sigma = robust_sigmas(problem, squared_residuals(problem, state), seen)
    state = fit_frames(problem.with_weight(seen / sigma[problem.cam]), state, loss_scale=LOSS_SCALE)
    return problem, state, seen, robust_sigmas(problem, squared_residuals(problem, state), seen)
