"""From a starting rig to the final least-squares fit: robust rounds, gross outliers out, noise per
camera.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.parameters import AUTO, RING, n_unknowns, term_names, term_values
from calib.core.progress import Progress
from calib.core.tracks import Ints, Tracks
from calib.core.wand import Wand
from calib.solve.bundle.descent import BundleOptions, bundle, normal_equations
from calib.solve.bundle.frames import fit_frames, place_wands
from calib.solve.bundle.linearise import Blocks, residuals
from calib.solve.bundle.monotonic import monotonic_prior, sensor_sizes, tightened
from calib.solve.bundle.problem import Problem, State, problem_from_tracks
from calib.solve.certainty.lens_terms import told_prior, with_small, without_small
from calib.solve.certainty.wand_check import MIN_FRAMES, check_wand, loosened
from calib.solve.fit import (
    GATE_SQUARED,
    Fit,
    Freed,
    dof_sigmas,
    gate,
    robust_sigmas,
    squared_residuals,
    with_told,
)
from calib.solve.lasting.bending import find_followed
from calib.solve.lasting.evened import evened
from calib.solve.lasting.find import LEAST_SHIFT, find_off, passing, with_sizes, within
from calib.solve.lasting.scatter import Scatter, scatter_of_fit
from calib.solve.lasting.solved import Solved
from calib.solve.lasting.stretches import Off, Stretch, camera_of, off_pairs
from calib.solve.start.lenses import lens_prior

# frames a camera in the first rounds: enough for poses and lenses to a fraction of a percent
START_FRAMES = 120
MAX_ROUNDS = 8
# share of a camera's points in stretches that stand off, at most: what is left must still place it
MOST_OFF = 0.5
FOLLOWED_ROUNDS, LASTING_ROUNDS, BENT_ROUNDS, SETTLED = 2, 4, 8, 5e-3  # share of the points
# In gates, how far off a camera leaves sound points beside a stretch that it followed from the
# start on; what is farther counts as if there.
FAR = 3.0
# A fit whose residuals moved by less than this, in a camera's noise, shows the same stretches: half
# the least shift that makes one.
UNMOVED = 0.5 * LEAST_SHIFT
ROUGH_ROUNDS = 2  # of fits after which points are left out or terms freed anyway
# Relative fall of the cost that ends the last descent. The cost is about half the number of
# residuals: at a million of them some hundredths of a standard deviation are left undone.
LAST_TOLERANCE = 1e-9
EVERY_TERM = term_names(AUTO)
SMALL_FALL = 2.0  # half squares: two standard deviations, over which a quadratic is the truth
# the same in half squares of unit noise: a hundredth of a standard deviation, of small captures too
LAST_FALL = 1e-4
NEAR_DAMPING = (
    1e-7  # so near the minimum a damped step only falls short where the capture says little
)
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


def refine(
    tracks: Tracks, wand: Wand, start: State, options: BundleOptions, progress: Progress
) -> Fit:
    """Return the least-squares fit on the inliers of all frames, from starting cameras (``start``'s
    wands are ignored).

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
    if options.is_told:  # in a few frames mostly noise; what the cameras show together stays
        state = bundle(
            weighted, state, replace(first, prior=told_prior(weighted, state, first)[0])
        ).state
    problem = problem_from_tracks(tracks, len(wand.markers), wand.dimension)
    state, seen = placed(problem, state)
    weighted = problem.with_weight(seen / sigma[problem.cam])
    state = fit_frames(
        weighted, state, loss_scale=LOSS_SCALE, max_iterations=2
    )  # near enough to tell outliers
    sigma = robust_sigmas(problem, squared_residuals(problem, state), seen)
    n_rounds = ROUGH_ROUNDS if options.is_told else MAX_ROUNDS
    fit = _least_squares_rounds(
        tracks, problem, state, seen, sigma, without_small(options), n_rounds, progress
    )
    if options.is_told:
        fit = _with_small_terms(tracks, fit, seen, options, ROUGH_ROUNDS)
    progress("errors that last", 0, 1)
    of_held: Freed | None = None
    if _has_every_term(options):
        sound, fit = _without_lasting(fit, seen)
        if options.is_told:
            fit = replace(_with_small_terms(tracks, fit, sound, options), stretches=fit.stretches)
        fit = with_told(fit)
        scatter = _scatter_of(fit)
    else:  # what a lens that is not as it is held makes of the residuals would pass for such errors
        sound, freed = _without_lasting(_freed(tracks, fit, seen), seen)
        freed = with_told(freed)
        scatter, of_held = _scatter_of(freed), _of_lenses(freed, fit.result.state.lens)
        if freed.stretches:
            fit = replace(_refitted(fit, sound, _near(fit.options)), stretches=freed.stretches)
    return replace(fit, scatter=scatter, freed=of_held, wand_finding=finding)


def _near(options: BundleOptions, **more: Any) -> BundleOptions:
    """Return them for a descent that starts next to its minimum and goes on to the very end."""
    last = {"tolerance": LAST_TOLERANCE, "damping": NEAR_DAMPING, "enough": LAST_FALL}
    return replace(options, **{**last, **more})


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
    options = replace(fit.options, terms=EVERY_TERM, is_free=None, prior=prior, is_told=False)
    for _ in range(2):
        fit = _refitted(replace(fit, options=options), seen, _near(options))
    return fit


def _of_lenses(freed: Fit, lens: Array) -> Freed:
    """Return by how much freeing changed the lenses (C, 12) in focal length and centre, and how
    sure that is.
    """
    n = n_unknowns(freed.options.terms)
    columns = 6 + np.array([freed.options.terms.index(term) for term in RING])
    state, blocks = freed.result.state, freed.result.blocks
    C = Solved.of(freed.problem, state, freed.options, blocks, freed.told).covariance
    at = np.arange(len(lens))[:, None] * n + columns
    change = np.stack([term_values(state.lens, t) - term_values(lens, t) for t in RING], axis=1)
    return Freed(lens, change, C[at[:, :, None], at[:, None, :]])


def _scatter_of(fit: Fit) -> Scatter:
    return scatter_of_fit(
        fit.problem, fit.result.state, fit.options, fit.result.blocks, fit.told, fit.stretches
    )


def _without_lasting(fit: Fit, seen: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Fit]:
    """Return the points (M, P) of ``seen`` outside stretches that stand off together, and the fit
    without these, which takes up the memory of the fit given.

    What comes back with the wand's place or turn does not pass: the search does not see it.
    """
    even = evened(fit.problem, fit.result.state, fit.sigma_px, fit.options.terms)
    if even is fit.problem:
        return _search(fit, seen)
    near = _near(fit.options)
    sound, found = _search(_refitted(replace(fit, problem=even), seen, near), seen)
    return sound, replace(_refitted(fit, sound, near), stretches=found.stretches)


def _search(fit: Fit, seen: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Fit]:
    near = _near(fit.options, max_iterations=3)
    whole = replace(near, max_iterations=fit.options.max_iterations)
    limit, before = float(np.sqrt(GATE_SQUARED)), seen
    off: list[Off] = []
    stretches: list[Stretch] = []
    # Cameras that stand off most of the time: something else is wrong with them.
    barred: set[int] = set()
    given, followed = fit, list[Off]()
    for _ in range(FOLLOWED_ROUNDS):
        more = _followed(fit, seen, followed)
        if not more:
            break
        if passing(fit.problem, [*followed, *more], seen, MOST_OFF)[2]:
            fit = given  # something else is wrong, which followed stretches would only hide
            break
        followed += more
        spare = fit.result.blocks if fit is not given else None  # the fit given may yet stand
        fit = _refitted(fit, seen & ~off_pairs(fit.problem, followed), whole, spare)
    for k in range(LASTING_ROUNDS):
        off = find_off(fit.problem, fit.result.state, seen, fit.sigma_px, limit)
        off, stretches, much = passing(fit.problem, off, seen, MOST_OFF)
        if k + 1 == LASTING_ROUNDS:
            barred |= much
            off = [o for o in off if camera_of(fit.problem, o) not in barred]
        sound = seen & ~off_pairs(fit.problem, off)
        if (sound != before).sum() <= SETTLED * seen.sum():
            break
        searched, before = fit, sound
        fit = _refitted(fit, sound, near, fit.result.blocks)
        if not _has_moved(fit, searched, seen):
            break
    for _ in range(BENT_ROUNDS if off else 0):
        more = _followed(fit, seen, off)
        more = [o for o in more if camera_of(fit.problem, o) not in barred]
        if not more:
            break
        off, stretches, much = passing(fit.problem, [*off, *more], seen, MOST_OFF)
        barred |= much
        off = [o for o in off if camera_of(fit.problem, o) not in barred]
        before, sound = sound, seen & ~off_pairs(fit.problem, off)
        fit = _refitted(fit, sound, whole, fit.result.blocks)
        if (sound != before).sum() <= SETTLED * seen.sum():
            break
    if not fit.result.is_converged:
        fit = _refitted(fit, sound, whole)
    kept = [s for s in stretches if s.camera not in barred]
    residual = residuals(fit.problem, fit.result.state)
    return sound, replace(fit, stretches=with_sizes(fit.problem, residual, seen, kept))


def _followed(fit: Fit, seen: NDArray[np.bool_], off: list[Off]) -> list[Off]:
    """Return what the cameras of a fit followed, of the ``seen`` points (M, P) but those ``off``.

    Beyond the gate they are asked as well: where a camera followed a stretch from the start on, it
    is the sound points beside it that lie there.
    """
    state, limit = fit.result.state, float(np.sqrt(GATE_SQUARED))
    sound = seen & ~off_pairs(fit.problem, off)
    problem = within(fit.problem, state, sound, fit.sigma_px, limit, FAR * limit)
    blocks, _ = normal_equations(problem, state, fit.options)
    solved = Solved.of(problem, state, fit.options, blocks)
    return find_followed(problem, state, solved, fit.sigma_px)


def _has_moved(fit: Fit, before: Fit, seen: NDArray[np.bool_]) -> bool:
    """Return whether residuals of a tenth of any camera's ``seen`` points (M, P) changed by more
    than UNMOVED.
    """
    change = residuals(fit.problem, fit.result.state) - residuals(
        before.problem, before.result.state
    )
    size = np.hypot(*change) / fit.sigma_px[fit.problem.cam]
    by_camera = [size[:, at][seen[:, at]] for at in fit.problem.pairs_by_camera()]
    return any(len(own) and np.percentile(own, 90) > UNMOVED for own in by_camera)


def _refitted(
    fit: Fit, seen: NDArray[np.bool_], options: BundleOptions, spare: Blocks | None = None
) -> Fit:
    """Return the fit of the ``seen`` points (M, P) alone, from where the fit stands; ``spare``
    blocks lend their memory.
    """
    inlier = gate(fit.problem, fit.result.state, seen, fit.sigma_px)
    count = [
        np.bincount(fit.problem.cam, of.sum(axis=0), fit.problem.n_cameras)
        for of in (fit.is_inlier, inlier)
    ]
    if ((count[1] == 0) & (count[0] > 0)).any():  # a camera that fits nowhere would be lost
        return fit
    problem = fit.problem.with_weight(inlier / fit.sigma_px[fit.problem.cam])
    result = bundle(problem, fit.result.state, options, spare=spare)
    sigma = dof_sigmas(
        problem, result.state, result.blocks.frame, n_unknowns(options.terms), fit.sigma_px
    )
    return Fit(problem, result, sigma, inlier, fit.options)


def _with_small_terms(
    tracks: Tracks,
    fit: Fit,
    seen: NDArray[np.bool_],
    options: BundleOptions,
    max_rounds: int = MAX_ROUNDS,
) -> Fit:
    """Return the fit with the small terms of its lenses found as well, each as sure as the capture
    makes it.
    """
    widths, heights = sensor_sizes(tracks)
    problem, state, sigma, inlier = fit.problem, fit.result.state, fit.sigma_px, fit.is_inlier
    options = with_small(options, fit.options)
    assert options.prior is not None
    spare = fit.result.blocks
    for k in range(max_rounds):
        prior, start = told_prior(problem, state, options, spare)
        result = bundle(problem, state, _near(options, prior=prior), start)
        state = result.state
        folded = tightened(options.prior, options.terms, state.lens, widths, heights)
        # A prior told from so near is what it would be at the minimum.
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
        near = _near(
            options, tolerance=max(options.tolerance, LAST_TOLERANCE), max_iterations=steps
        )
        result = bundle(weighted, state, near, spare=spare)
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
