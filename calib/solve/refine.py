"""From a starting rig to the final least-squares fit: robust rounds, gross outliers out, noise per
camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.parameters import AUTO, RING, n_unknowns, term_names, term_values
from calib.core.progress import Progress
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.solve.bundle.descent import BundleOptions, bundle
from calib.solve.bundle.frames import fit_frames, place_wands
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.monotonic import monotonic_prior, sensor_sizes, tightened
from calib.solve.bundle.problem import Problem, State, problem_from_tracks
from calib.solve.certainty.lens_terms import WIDER, estimated_prior, with_small, without_small
from calib.solve.certainty.normal import wald
from calib.solve.certainty.wand_check import MIN_FRAMES, WandFinding, check_wand, loosened
from calib.solve.fit import (
    Fit,
    Freed,
    dof_sigmas,
    gate,
    robust_sigmas,
    squared_residuals,
    with_information,
)
from calib.solve.lasting.scatter import Scatter, scatter_of_fit
from calib.solve.lasting.solved import Solved
from calib.solve.start.lenses import lens_prior
from calib.solve.without_lasting import (
    LAST_TOLERANCE,
    NEAR_DAMPING,
    elsewhere,
    near,
    refitted,
    without_lasting,
)

# frames a camera in the first rounds: enough for poses and lenses to a fraction of a percent
START_FRAMES = 120
MAX_ROUNDS = 8
ROUGH_ROUNDS = 2  # of fits after which points are left out or terms freed anyway
# Of a capture of four times as many frames and more, every k-th come first, some so many: a fit of
# them lies a few standard deviations from that of all, to which one step is left then. Of fewer
# frames that of a part costs what it saves.
STAGE_FRAMES, STAGED = 20_000, 4
EVERY_TERM = term_names(AUTO)
SMALL_FALL = 2.0  # half squares: two standard deviations, over which a quadratic is the truth
# Cauchy's scale in sigmas: 95 % efficient at 2.385 (Huber 1981), a bit less to weather a bad start
LOSS_SCALE = 2.0


def spread_frames(tracks: Tracks, per_camera: int) -> Ints:
    """Return frame numbers that give every camera some ``per_camera`` frames, evenly over its own
    points.

    Cameras that see least choose first; the others count what these chose.
    """
    chosen = np.empty(0, np.int64)
    for camera in sorted(tracks.cameras, key=lambda c: int((c.marker >= 0).sum())):
        frames, count = np.unique(camera.frame[camera.marker >= 0], return_counts=True)
        frames = frames[count >= np.median(count)] if len(frames) else frames
        left = np.setdiff1d(frames, chosen, assume_unique=True)
        wanted = min(per_camera - (len(frames) - len(left)), len(left))
        if wanted > 0:
            left = left[np.linspace(0, len(left) - 1, wanted).astype(int)]
            chosen = np.union1d(chosen, left)
    return chosen


@dataclass(frozen=True, slots=True, eq=False)
class Rough:
    """A fit of all frames before its small lens terms are freed and errors that last are sought:
    of the ``seen`` points (M, P), with the ``options`` of the whole fit; after ``n_rounds`` more
    its small terms are near.
    """

    fit: Fit
    seen: NDArray[np.bool_]
    options: BundleOptions
    wand_finding: WandFinding | None
    n_rounds: int = ROUGH_ROUNDS


def refine(
    tracks: Tracks, wand: Wand, start: State, options: BundleOptions, progress: Progress
) -> Fit:
    """Return the least-squares fit on the inliers of all frames, from starting cameras (``start``'s
    wands are ignored).
    """
    return finished(tracks, roughly(tracks, wand, start, options, progress), progress)


def roughly(
    tracks: Tracks, wand: Wand, start: State, options: BundleOptions, progress: Progress
) -> Rough:
    """Return the fit of all frames with the large terms of lenses, errors that last still in it.

    First a robust fit of cameras, lenses and the wand's shape on a few frames with the noise that
    the start has, repeated while it falls; the shape is compared with the wand's file. Then all
    frames with those cameras, outliers out, and least squares until the inliers stay the same.
    """
    problem = problem_from_tracks(
        tracks, len(wand.markers), wand.dimension, frames=spread_frames(tracks, START_FRAMES)
    )
    state, seen = placed(problem, start)
    sigma = robust_sigmas(problem, squared_residuals(problem, state), seen)
    # In a short capture the shape is held as stated: see MIN_FRAMES.
    stated, finding = options.shape if problem.n_frames >= MIN_FRAMES else None, None
    loose = loosened(stated) if stated else None
    first = replace(options, shape=loose, loss_scale=LOSS_SCALE, max_iterations=20, tolerance=1e-5)
    for k in range(MAX_ROUNDS):
        progress("first bundle", k + 1, MAX_ROUNDS)
        weighted = problem.with_weight(seen / sigma[problem.cam])
        result = bundle(weighted, state, replace(first, damping=1e-3 if k == 0 else NEAR_DAMPING))
        state = result.state
        before, sigma = sigma, robust_sigmas(problem, squared_residuals(problem, state), seen)
        if np.all(sigma > 0.9 * before):
            break
    prior = stated
    if stated is not None:
        prior, finding = check_wand(weighted, result, first, stated, wand)
    options = replace(options, shape=prior)
    if (
        options.is_hierarchical
    ):  # in a few frames mostly noise; what the cameras show together stays
        state = bundle(
            weighted, state, replace(first, prior=estimated_prior(weighted, state, first)[0])
        ).state
    problem = problem_from_tracks(tracks, len(wand.markers), wand.dimension)
    bare = without_small(options)
    n_rounds = ROUGH_ROUNDS if options.is_hierarchical else MAX_ROUNDS
    each, rounds = problem.n_frames // STAGE_FRAMES, ROUGH_ROUNDS
    if each >= STAGED:
        some, _ = problem.of_frames(np.arange(0, problem.n_frames, each))
        fit, seen = _of_all(tracks, some, state, sigma, bare, n_rounds, progress)
        bare, state, sigma = fit.options, fit.result.state, fit.sigma_px
        if options.is_hierarchical:
            state = _with_small_terms(tracks, fit, seen, options, ROUGH_ROUNDS).result.state
            n_rounds, rounds = 1, 1
    fit, seen = _of_all(tracks, problem, state, sigma, bare, n_rounds, progress)
    return Rough(fit, seen, options, finding, rounds)


def _of_all(
    tracks: Tracks,
    problem: Problem,
    cameras: State,
    sigma: Array,
    options: BundleOptions,
    n_rounds: int,
    progress: Progress,
) -> tuple[Fit, NDArray[np.bool_]]:
    """Return the least-squares fit of a problem's frames from ``cameras`` and their noise, and the
    points (M, P) that it is of but for gross outliers.
    """
    state, seen = placed(problem, cameras)
    weighted = problem.with_weight(seen / sigma[problem.cam])
    state = fit_frames(
        weighted, state, loss_scale=LOSS_SCALE, max_iterations=2
    )  # near enough to tell outliers
    sigma = robust_sigmas(problem, squared_residuals(problem, state), seen)
    fit = _least_squares_rounds(tracks, problem, state, seen, sigma, options, n_rounds, progress)
    return fit, seen


def finished(tracks: Tracks, rough: Rough, progress: Progress) -> Fit:
    """Return the fit with the small terms of its lenses, and without errors that last."""
    fit, seen, options = rough.fit, rough.seen, rough.options
    if options.is_hierarchical:
        fit = _with_small_terms(tracks, fit, seen, options, rough.n_rounds)
    progress("errors that last", 0, 1)
    seen = seen & ~elsewhere(fit, seen)
    of_held: Freed | None = None
    if _has_every_term(options):
        sound, fit = without_lasting(fit, seen)
        if options.is_hierarchical:
            last = _with_small_terms(tracks, fit, sound, options, wider=WIDER)
            fit = replace(last, stretches=fit.stretches)
        fit = with_information(fit)
        scatter = _scatter_of(fit)
    else:  # what a lens that is not as it is held makes of the residuals would pass for such errors
        sound, freed = without_lasting(_freed(tracks, fit, seen), seen)
        freed = with_information(freed)
        scatter, of_held = _scatter_of(freed), _of_lenses(freed, fit.result.state.lens)
        if freed.stretches:
            fit = replace(refitted(fit, sound, near(fit.options)), stretches=freed.stretches)
    return replace(fit, scatter=scatter, freed=of_held, wand_finding=rough.wand_finding)


def _has_every_term(options: BundleOptions) -> bool:
    """Return whether all terms that a lens of the usual model may have are free in all cameras."""
    return set(EVERY_TERM) <= set(options.terms) and (
        options.is_free is None or bool(options.is_free.all())
    )


def _freed(tracks: Tracks, fit: Fit, seen: NDArray[np.bool_]) -> Fit:
    """Return the fit with every camera and every term of its lens free, each about where it is."""
    widths, heights = sensor_sizes(tracks)
    lens = fit.result.state.lens
    prior = lens_prior(lens, EVERY_TERM, widths, is_usual=True)
    prior = monotonic_prior(prior, EVERY_TERM, lens[:, 0], widths, heights, is_usual=True)
    options = replace(
        fit.options, terms=EVERY_TERM, is_free=None, prior=prior, is_hierarchical=False
    )
    fit = replace(fit, options=options, result=replace(fit.result, near=None))
    for _ in range(2):
        fit = refitted(fit, seen, near(options))
    return fit


def _of_lenses(freed: Fit, lens: Array) -> Freed:
    """Return by how much freeing changed the lenses (C, 12) in focal length and centre, and how
    sure that is.
    """
    n = n_unknowns(freed.options.terms)
    columns = 6 + np.array([freed.options.terms.index(term) for term in RING])
    state, blocks = freed.result.state, freed.result.blocks
    C = Solved.of(freed.problem, state, freed.options, blocks, freed.information).covariance
    at = np.arange(len(lens))[:, None] * n + columns
    change = np.stack([term_values(state.lens, t) - term_values(lens, t) for t in RING], axis=1)
    own = C[at[:, :, None], at[:, None, :]]
    taken = np.array([wald(*of)[0] for of in zip(change, own, strict=True)])
    left = 2 * np.bincount(freed.problem.cam, freed.is_inlier.sum(axis=0), len(lens))
    return Freed(lens, change, own, taken / np.maximum(taken + left, 1.0))


def _scatter_of(fit: Fit) -> Scatter:
    return scatter_of_fit(
        fit.problem,
        fit.result.state,
        fit.options,
        fit.result.blocks,
        fit.information,
        fit.stretches,
    )


def _with_small_terms(
    tracks: Tracks,
    fit: Fit,
    seen: NDArray[np.bool_],
    options: BundleOptions,
    max_rounds: int = MAX_ROUNDS,
    wider: float = 1.0,
) -> Fit:
    """Return the fit with the small terms of its lenses found as well, each as sure as the capture
    makes it, or ``wider`` by so much.
    """
    widths, heights = sensor_sizes(tracks)
    problem, state, sigma, inlier = fit.problem, fit.result.state, fit.sigma_px, fit.is_inlier
    options = with_small(options, fit.options)
    assert options.prior is not None
    spare = fit.result.blocks
    for k in range(max_rounds):
        prior, start = estimated_prior(problem, state, options, spare, wider)
        result = bundle(problem, state, near(options, prior=prior), start)
        state = result.state
        folded = tightened(options.prior, options.terms, state.lens, widths, heights)
        # A prior estimated from so near is what it would be at the minimum.
        if (start.cost - result.cost < SMALL_FALL and folded is None) or k + 1 == max_rounds:
            break
        options = replace(options, prior=folded or options.prior)
        sigma = dof_sigmas(problem, state, result.blocks.frame, n_unknowns(options.terms), sigma)
        inlier = gate(problem, state, seen, sigma)
        problem = problem.with_weight(inlier / sigma[problem.cam])
        spare = result.blocks
    return Fit(problem, result, sigma, inlier, replace(options, prior=prior))


def placed(problem: Problem, cameras: State) -> tuple[State, NDArray[np.bool_]]:
    """Return the state with wands placed by triangulation, and the points (M, P) of frames that got
    a pose.
    """
    F = problem.n_frames
    identity = np.broadcast_to(np.eye(3), (F, 3, 3))
    state, has_pose = place_wands(
        problem, replace(cameras, wand_R=identity, wand_t=np.zeros((F, 3)))
    )
    return state, np.asarray((problem.weight > 0) & has_pose[problem.frame])


def _least_squares_rounds(
    tracks: Tracks,
    problem: Problem,
    state: State,
    seen: NDArray[np.bool_],
    sigma: Array,
    options: BundleOptions,
    n_rounds: int,
    progress: Progress,
) -> Fit:
    n_camera = n_unknowns(options.terms)
    widths, heights = sensor_sizes(tracks)
    inlier = gate(problem, state, seen, sigma)
    spare: Blocks | None = None
    for k in range(n_rounds):
        progress("bundle of all frames", k + 1, n_rounds)
        weighted = problem.with_weight(inlier / sigma[problem.cam])
        # The first noise and inliers are only near enough: one step, the next round does the rest
        # anyway.
        steps = 1 if k == 0 else options.max_iterations
        last = near(options, tolerance=max(options.tolerance, LAST_TOLERANCE), max_iterations=steps)
        result = bundle(weighted, state, last, spare=spare)
        state, spare = result.state, result.blocks
        before = sigma
        sigma = dof_sigmas(weighted, state, result.blocks.frame, n_camera, sigma)
        after = gate(problem, state, seen, sigma)
        n_changed = int((after != inlier).sum())
        prior = options.prior and tightened(
            options.prior, options.terms, state.lens, widths, heights
        )
        # A change of one weight in a thousand, or of sigma by a part in 200, moves nothing by its
        # own error bar.
        is_settled = n_changed <= 1e-4 * inlier.sum() and np.all(
            np.abs(sigma / before - 1.0) < 5e-3
        )
        if (k > 0 and is_settled and prior is None) or k + 1 == n_rounds:
            break
        inlier, options = after, replace(options, prior=prior or options.prior)
    return Fit(weighted, result, sigma, inlier, options)
