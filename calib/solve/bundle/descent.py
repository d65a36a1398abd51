"""Sparse bundle adjustment: Levenberg-Marquardt with the wand frames eliminated first.

Each frame's block is at most 6 × 6. With its Cholesky factor L_f and its coupling W_f to the
cameras, eliminating the frames leaves ``S = H_cc - Σ_f (L_f⁻¹ W_f)ᵀ (L_f⁻¹ W_f)``. Stacked over a
chunk of frames that is one large symmetric product, which BLAS does at full speed; only cameras
that see a chunk take part in its product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.parameters import n_unknowns, term_values
from calib.errors import UnsolvableError
from calib.solve.bundle.damping import MOST_DAMPED, next_damping
from calib.solve.bundle.elimination import inverse_factors, reduced_system
from calib.solve.bundle.frames import settle
from calib.solve.bundle.linearise import Blocks, frame_costs, linearise
from calib.solve.bundle.problem import Problem, State
from calib.solve.bundle.shape import ShapePrior
from calib.solve.bundle.step import Reduced, damped_step, own_information, what_is_left
from calib.solve.certainty.normal import Information, on_places, world_motions

# From this many parameters of cameras on the elimination's product is what an iteration waits for.
ROUGH_SIZE = 400
OVERSHOOT = (
    0.01  # rise of a frame's cost, in half squares of unit noise: below that it holds nothing back
)
# Share of the least fall worth a trial below which the equations of a step ago, which near the
# minimum are a few percent off, are sure that it is reached.
SURELY = 0.5
# Times the least fall: frames that have no more left than that move no camera.
REST = 1e3
# Of so many frames, with so little left of what a step foresaw, and no more than REST, its matrix
# makes the last step as well: to form it anew takes longer than all else of a step. Of fewer, weak
# directions may have another matrix a step on, and what settles by fit after fit, as clocks do, was
# left undone (of four rigs one came out 1.4 times less accurate).
MANY, AGAIN = 20_000, 0.1
MOST_KEPT = 2_000_000  # numbers of a matrix of cameras that outlives its descent
FEW = 0.2  # of the frames: more are settled only where the step fails without, as that takes long


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Independent weak knowledge of lens terms: mean and sigma (C, L); an infinite sigma states
    nothing.
    """

    mean: Array
    sigma: Array


@dataclass(frozen=True, slots=True, eq=False)
class Distance:
    """The known distance between the cameras with indices a and b, which is the scale of points
    without a wand.
    """

    a: int
    b: int
    length_mm: float
    sigma_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BundleOptions:
    """What to free and when to stop.

    ``terms`` are single lens parameters (``focal``, ``cx``, ``k1``...); ``is_free (C, 6 + L)``
    holds parameters of single cameras where False (None frees all).
    """

    terms: tuple[str, ...] = ()
    is_free: NDArray[np.bool_] | None = None
    prior: Prior | None = None
    # Sigmas of small terms in the prior are what is usual; how large they are here the capture
    # tells (``lens_terms``).
    is_hierarchical: bool = False
    shape: ShapePrior | None = None  # None holds the wand's shape
    distance: Distance | None = (
        None  # given: the images leave the scale open, as one more motion of the world
    )
    loss_scale: float = np.inf  # Cauchy's scale in sigmas; infinite is plain least squares
    max_iterations: int = 60
    tolerance: float = (
        1e-11  # relative fall of the cost that ends the search: well below what a digit of it shows
    )
    # Fall of the cost in half squares that ends the search too: with unit noise 1e-4 is 0.014
    # sigma.
    enough: float = 0.0
    damping: float = 1e-5  # start near Gauss-Newton; a bad start raises it within a few trials


@dataclass(frozen=True, slots=True, eq=False)
class BundleResult:
    """The state reached, its cost (half the weighted sum of squares) and the blocks there, priors
    included in both.

    ``left`` is the fall of the cost that the last step foresaw, ``near`` the equations of cameras
    that it was told by, None where they are too large to keep.
    """

    state: State
    cost: float
    blocks: Blocks
    n_iterations: int
    is_converged: bool
    left: float
    near: Reduced | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Blocks and cost where a descent starts.

    ``information`` is what the blocks say with the frames eliminated, where that is known, and
    makes the first step.
    """

    blocks: Blocks
    cost: float
    information: Information | None = None


def bundle(
    problem: Problem,
    state: State,
    options: BundleOptions,
    start: Start | None = None,
    spare: Blocks | None = None,
    near: Reduced | None = None,
) -> BundleResult:
    """Return the minimum of the weighted reprojection residuals that a descent from ``state``
    reaches.

    ``start`` is what is known at ``state``, ``spare`` are blocks of another; the memory of either
    is taken. ``near`` are equations of the same parameters with nearly these weights. Raises
    UnsolvableError where not even a heavily damped step can be computed (nan in the start).
    """
    start = start or Start(*normal_equations(problem, state, options, spare))
    blocks, cost, known = start.blocks, start.cost, start.information
    damping, growth = np.array(options.damping), np.array(2.0)
    is_converged, iteration = False, 0
    is_rough = blocks.camera_gradient.size + len(blocks.shape) >= ROUGH_SIZE
    before = near if problem.n_frames >= MANY and known is None else None
    predicted, of_cameras = np.inf, np.inf
    while iteration < options.max_iterations and not is_converged:
        iteration += 1
        least = max(options.tolerance * cost, options.enough)
        # The equations of a step ago tell an end as well, and the next step.
        left = what_is_left(problem, blocks, before) if before is not None else None
        is_at_rest = left is not None and abs(left.predicted) <= SURELY * least
        most = min(REST * least, AGAIN * of_cameras) if problem.n_frames >= MANY else 0.0
        is_new = not (left and (is_at_rest or abs(left.predicted) < most))
        if left is None or is_new:
            moving = free_parameters(state, options, len(blocks.shape))
            step = damped_step(problem, blocks, float(damping), *moving, is_rough, known)
            known, is_rough = None, step.of_cameras.is_rough
            of_cameras, of_frames, before = step.predicted, step.of_frames, step.of_cameras
            is_at_rest = abs(of_cameras) <= least
        else:
            of_cameras, of_frames = left.predicted, left.of_frames
        predicted = of_cameras + (own := float(of_frames.sum()))
        if is_at_rest:  # a wand seen edge on may still creep, and needs no step of the cameras
            is_converged, was = own <= REST * least, cost
            if own > least:
                creeping = np.flatnonzero(of_frames > least / problem.n_frames)
                given = problem, state, options, blocks, creeping, is_converged
                state, blocks, cost = _crept(*given)
                is_converged |= was - cost <= least  # or can go no further
            continue
        if left is not None and not is_new:
            step = left.step(problem, blocks)
        near, before = before, None
        trial = state.moved(step.camera, step.frame, options.terms, step.shape)
        trial, trial_cost = _not_over(problem, state, trial, options, blocks.frame_cost, cost)
        if is_new:
            damping, growth = next_damping(
                damping, growth, np.array(cost - trial_cost), np.array(predicted)
            )
        if trial_cost < cost:
            is_converged = cost - trial_cost <= least
            before, state = step.of_cameras, trial
            blocks, cost = normal_equations(problem, state, options, blocks)
        if damping > MOST_DAMPED:
            break
    if not np.isfinite(cost):
        raise UnsolvableError(
            "bundle", expected="finite starting values", found=f"a cost of {cost}"
        )
    last = before or near
    kept = last if last is not None and last.matrix.size <= MOST_KEPT else None
    return BundleResult(state, cost, blocks, iteration, is_converged, predicted, kept)


def _crept(
    problem: Problem,
    state: State,
    options: BundleOptions,
    blocks: Blocks,
    frames: NDArray[np.intp],
    is_end: bool,
) -> tuple[State, Blocks, float]:
    """Return state, blocks and cost with some frames at their own minima; at the end the blocks are
    those from before, which with the frames eliminated say the same.
    """
    state = settle(problem, state, frames, options.loss_scale)
    if is_end:
        return state, blocks, costs(problem, state, options)[1]
    return state, *normal_equations(problem, state, options, blocks)


def _not_over(
    problem: Problem,
    state: State,
    trial: State,
    options: BundleOptions,
    frame_cost: Array,
    cost: float,
) -> tuple[State, float]:
    """Return the trial of a step from a state, and its cost, with frames that overshoot settled by
    themselves from where they were.
    """
    trial_costs, trial_cost = costs(problem, trial, options)
    is_over = trial_costs - frame_cost > OVERSHOOT
    if not is_over.any() or (is_over.mean() >= FEW and trial_cost < cost):
        return trial, trial_cost
    trial = replace(
        trial,
        wand_R=np.where(is_over[:, None, None], state.wand_R, trial.wand_R),
        wand_t=np.where(is_over[:, None], state.wand_t, trial.wand_t),
    )
    trial = settle(problem, trial, np.flatnonzero(is_over), options.loss_scale)
    return trial, costs(problem, trial, options)[1]


def normal_equations(
    problem: Problem, state: State, options: BundleOptions, spare: Blocks | None = None
) -> tuple[Blocks, float]:
    """Return the blocks and the cost with the priors of lenses and shape added; ``spare`` blocks
    lend their memory.
    """
    shape = options.shape
    n_axes = shape.n_axes if shape else 0
    blocks = linearise(problem, state, options.terms, options.loss_scale, n_axes, reuse=spare)
    cost = blocks.cost + _cost_of_priors(state, options)
    if options.prior is not None and options.terms:
        blocks = with_prior(blocks, state, options.terms, options.prior)
    if shape is not None:
        residual, J = shape.rows(state.shape_mm)
        blocks = replace(
            blocks,
            shape=blocks.shape + J.T @ J,
            shape_gradient=blocks.shape_gradient + J.T @ residual,
        )
    return blocks, cost


def costs(problem: Problem, state: State, options: BundleOptions) -> tuple[Array, float]:
    """Return each frame's cost (F,) and that of ``normal_equations``, with the priors."""
    of_frames = frame_costs(problem, state, options.loss_scale)
    return of_frames, float(of_frames.sum()) + _cost_of_priors(state, options)


def _cost_of_priors(state: State, options: BundleOptions) -> float:
    cost = 0.0
    if options.prior is not None and options.terms:
        cost += prior_cost(state, options.terms, options.prior)
    if options.shape is not None:
        residual, _ = options.shape.rows(state.shape_mm)
        cost += 0.5 * float(residual @ residual)
    return cost


def known_before(state: State, options: BundleOptions) -> Array:
    """Return what priors of lenses and shape say (N, N) of cameras and shape."""
    n_of_cameras = len(state.lens) * n_unknowns(options.terms)
    of_shape = np.zeros((0, 0))
    if options.shape is not None:
        _, J = options.shape.rows(state.shape_mm)
        of_shape = J.T @ J
    out = np.zeros((n_of_cameras + len(of_shape),) * 2)
    out[n_of_cameras:, n_of_cameras:] = of_shape
    if options.prior is not None and options.terms:
        at = np.arange(n_of_cameras)
        out[at, at] = prior_information(state, options.terms, options.prior)[0].ravel()
    return out


def without_frames(problem: Problem, blocks: Blocks) -> Information:
    """Return what blocks say about cameras and shape with the frames eliminated."""
    S, g = reduced_system(problem, blocks, inverse_factors(blocks.frame))
    return Information(S, g, own_information(blocks))


def free_parameters(
    state: State, options: BundleOptions, n_shape: int
) -> tuple[NDArray[np.intp], Array]:
    """Return the indices of the free ones among the N parameters of cameras and shape, and the
    motions (N, 6) of the world as twists, (N, 7) with the scale open, (N, 0) where poses hold it.
    """
    n_cameras, n = len(state.lens), n_unknowns(options.terms)
    is_free = np.ones((n_cameras, n), bool) if options.is_free is None else options.is_free
    free = np.append(np.flatnonzero(is_free), n_cameras * n + np.arange(n_shape))
    n_motions = 0 if not is_free[:, :6].all() else 6 if options.distance is None else 7
    G = on_places(-state.cam_R, n, world_motions(state.cam_R, state.position_mm, n))
    return free, np.pad(G[:, :n_motions], ((0, n_shape), (0, 0)))


def with_prior(blocks: Blocks, state: State, terms: tuple[str, ...], prior: Prior) -> Blocks:
    """Return the blocks with the prior of the lens terms added."""
    information, of_prior = prior_information(state, terms, prior)
    camera = blocks.camera.copy()
    np.einsum("cjj->cj", camera)[:] += information
    if blocks.of_prior is not None:
        information = information + blocks.of_prior
    gradient = blocks.camera_gradient + of_prior
    return replace(blocks, camera=camera, camera_gradient=gradient, of_prior=information)


def prior_information(state: State, terms: tuple[str, ...], prior: Prior) -> tuple[Array, Array]:
    """Return information on and gradient by each parameter of cameras (C, n) that the prior of the
    lens terms adds.
    """
    information = 1.0 / prior.sigma**2
    both = information, information * _offset(state, terms, prior)
    of_terms, gradient = (np.pad(values, ((0, 0), (6, 0))) for values in both)
    return of_terms, gradient


def prior_cost(state: State, terms: tuple[str, ...], prior: Prior) -> float:
    """Return what the prior of the lens terms adds to the cost."""
    return 0.5 * float((_offset(state, terms, prior) ** 2 / prior.sigma**2).sum())


def _offset(state: State, terms: tuple[str, ...], prior: Prior) -> Array:
    """Return how far lens terms (C, L) are from the prior's mean."""
    return np.stack([term_values(state.lens, name) for name in terms], axis=1) - prior.mean
