"""A fit without errors that last: what stands off is found, left out and looked for again, until
what is left shows no more.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.parameters import n_unknowns
from calib.solve.bundle.descent import BundleOptions, bundle, normal_equations
from calib.solve.bundle.linearise import Blocks, residuals
from calib.solve.fit import GATE_SQUARED, Fit, dof_sigmas, gate, squared_residuals
from calib.solve.lasting.bending import find_followed
from calib.solve.lasting.find import LEAST_SHIFT, bin_frames, find_off, passing, with_sizes, within
from calib.solve.lasting.overdispersion import (
    AS_NOISE,
    Overdispersion,
    overdispersion,
    overdispersion_between,
)
from calib.solve.lasting.shifts import Shifts, shifts
from calib.solve.lasting.solved import Solved
from calib.solve.lasting.stretches import (
    BREAK_S,
    MOST_PASSING_S,
    Off,
    Stretch,
    camera_of,
    off_pairs,
)
from calib.solve.lasting.systematic import without_systematic

# share of a camera's points in stretches that stand off, at most: what is left must still place it
MOST_OFF = 0.5
FOLLOWED_ROUNDS, LASTING_ROUNDS, BENT_ROUNDS, SETTLED = 2, 4, 8, 5e-3  # share of the points
# By what factor what is usual must be less than it seemed for another search.
LESS_UNREST = 1.2
# In gates, how far off a camera leaves sound points beside a stretch that it followed from the
# start on; what is farther counts as if there.
FAR = 3.0
# A fit whose residuals moved by less than this, in a camera's noise, shows the same stretches: half
# the least shift that makes one.
UNMOVED = 0.5 * LEAST_SHIFT
# Relative fall of the cost that ends the last descent. The cost is about half the number of
# residuals: at a million of them some hundredths of a standard deviation are left undone.
LAST_TOLERANCE = 1e-9
# the same in half squares of unit noise: a hundredth of a standard deviation, of small captures too
LAST_FALL = 1e-4
NEAR_DAMPING = (
    1e-7  # so near the minimum a damped step only falls short where the capture says little
)


def near(options: BundleOptions, **more: Any) -> BundleOptions:
    """Return them for a descent that starts next to its minimum and goes on to the very end."""
    last = {"tolerance": LAST_TOLERANCE, "damping": NEAR_DAMPING, "enough": LAST_FALL}
    return replace(options, **{**last, **more})


def elsewhere(fit: Fit, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the pairs (P,) of cameras that see the wand elsewhere than others that agree, farther
    than any stretch that a camera followed, for longer than errors last.

    Its recorder lost frames, or it was turned: beside it, where few others see the wand, these
    would seem to stand off.
    """
    problem = fit.problem
    scaled = squared_residuals(problem, fit.result.state) / fit.sigma_px[problem.cam] ** 2
    far = seen & (scaled > FAR**2 * GATE_SQUARED)
    n_agree = np.bincount(problem.frame[fit.is_inlier.any(axis=0)], minlength=problem.n_frames)
    is_far = far.any(axis=0) & ~(seen & ~far).any(axis=0) & (n_agree[problem.frame] >= 2)
    number, out = problem.frame_number[problem.frame], np.zeros_like(is_far)
    for at in problem.pairs_by_camera():
        own = at[is_far[at]]
        breaks = np.flatnonzero(np.diff(number[own]) > BREAK_S * problem.rate_hz) + 1
        for run in filter(len, np.split(own, breaks)):
            out[run] = np.ptp(number[run]) > MOST_PASSING_S * problem.rate_hz
    return out


def without_lasting(fit: Fit, seen: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Fit]:
    """Return the points (M, P) of ``seen`` outside stretches that stand off together, and the fit
    without these, which takes up the memory of the fit given.

    What comes back with the wand's place or turn does not pass: the search does not see it.
    """
    terms, result = fit.options.terms, fit.result
    even = without_systematic(fit.problem, result.state, fit.sigma_px, terms, result.blocks)
    if even is fit.problem:
        return _search(fit, seen)
    close = near(fit.options)
    sound, found = _search(refitted(replace(fit, problem=even), seen, close), seen)
    return sound, replace(refitted(fit, sound, close), stretches=found.stretches)


def _search(given: Fit, seen: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Fit]:
    """Return what ``without_lasting`` does: what stands off by more than points usually do.

    Where they do at all shows once what stands off is left out, as changes, since a camera that was
    moved stays off; how much, in all points first, as what is left out hides a part of it.
    """
    sound, found = _searched(given, seen, AS_NOISE)
    if overdispersion_between(_shifts(found)).most == 1.0:
        return sound, found
    every = refitted(found, seen, near(found.options), found.result.blocks)
    of_all = overdispersion(_shifts(every))
    sound, found = _searched(every, seen, of_all)
    usual = overdispersion(_shifts(found))
    if usual.most * LESS_UNREST > of_all.most:
        return sound, found
    return _searched(refitted(found, seen, near(found.options), found.result.blocks), seen, usual)


def _shifts(fit: Fit) -> Shifts:
    length, blocks = bin_frames(fit.problem.rate_hz), fit.result.blocks
    return shifts(fit.problem, fit.result.state, fit.options.terms, length, blocks=blocks)


def _searched(
    fit: Fit, seen: NDArray[np.bool_], usual: Overdispersion
) -> tuple[NDArray[np.bool_], Fit]:
    close = near(fit.options, max_iterations=3)
    whole = replace(close, max_iterations=fit.options.max_iterations)
    limit, before = float(np.sqrt(GATE_SQUARED)), seen
    off: list[Off] = []
    stretches: list[Stretch] = []
    # Cameras that stand off most of the time: something else is wrong with them.
    barred: set[int] = set()
    given, followed, room = fit, list[Off](), None
    for _ in range(FOLLOWED_ROUNDS):
        more, room = _followed(fit, seen, followed, usual, room)
        if not more:
            break
        if passing(fit.problem, [*followed, *more], seen, MOST_OFF)[2]:
            fit = given  # something else is wrong, which followed stretches would only hide
            break
        followed += more
        spare = fit.result.blocks if fit is not given else None  # the fit given may yet stand
        fit = refitted(fit, seen & ~off_pairs(fit.problem, followed), whole, spare)
    for k in range(LASTING_ROUNDS):
        off = find_off(fit.problem, fit.result.state, seen, fit.sigma_px, limit, usual)
        off, stretches, much = passing(fit.problem, off, seen, MOST_OFF)
        if k + 1 == LASTING_ROUNDS:
            barred |= much
            off = [o for o in off if camera_of(fit.problem, o) not in barred]
        sound = seen & ~off_pairs(fit.problem, off)
        if (sound != before).sum() <= SETTLED * seen.sum():
            break
        searched, before = fit, sound
        fit = refitted(fit, sound, close, fit.result.blocks)
        if not _has_moved(fit, searched, seen):
            break
    for _ in range(BENT_ROUNDS if off else 0):
        more, room = _followed(fit, seen, off, usual, room)
        more = [o for o in more if camera_of(fit.problem, o) not in barred]
        if not more:
            break
        off, stretches, much = passing(fit.problem, [*off, *more], seen, MOST_OFF)
        barred |= much
        off = [o for o in off if camera_of(fit.problem, o) not in barred]
        before, sound = sound, seen & ~off_pairs(fit.problem, off)
        fit = refitted(fit, sound, whole, fit.result.blocks)
        if (sound != before).sum() <= SETTLED * seen.sum():
            break
    if not fit.result.is_converged:
        fit = refitted(fit, sound, whole)
    kept = [s for s in stretches if s.camera not in barred]
    residual = residuals(fit.problem, fit.result.state)
    return sound, replace(fit, stretches=with_sizes(fit.problem, residual, seen, kept))


def _followed(
    fit: Fit, seen: NDArray[np.bool_], off: list[Off], usual: Overdispersion, room: Blocks | None
) -> tuple[list[Off], Blocks | None]:
    """Return what the cameras of a fit followed, of the ``seen`` points (M, P) but those ``off``,
    and the blocks that tell it, which take up the memory of those of ``room``; None where that is
    not worth keeping.

    Beyond the gate they are asked as well: where a camera followed a stretch from the start on, it
    is the sound points beside it that lie there.
    """
    state, limit = fit.result.state, float(np.sqrt(GATE_SQUARED))
    sound = seen & ~off_pairs(fit.problem, off)
    problem = within(fit.problem, state, sound, fit.sigma_px, limit, FAR * limit)
    blocks, _ = normal_equations(problem, state, fit.options, room)
    solved = Solved.of(problem, state, fit.options, blocks)
    off = find_followed(problem, state, solved, fit.sigma_px, usual)
    return off, blocks if len(blocks.coupling) else None


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


def refitted(
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
    result = bundle(problem, fit.result.state, options, spare=spare, near=fit.result.near)
    sigma = dof_sigmas(
        problem, result.state, result.blocks.frame, n_unknowns(options.terms), fit.sigma_px
    )
    return Fit(problem, result, sigma, inlier, fit.options)
