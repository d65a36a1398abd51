"""A least-squares fit as a record, the noise of each camera by its residuals, and the gate that
leaves gross outliers out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array, sigma_of_squares
from calib.solve.bundle.descent import BundleOptions, BundleResult, without_frames
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.linearise import frame_leverage, residuals
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information
from calib.solve.certainty.wand_check import WandFinding
from calib.solve.lasting.scatter import Scatter
from calib.solve.lasting.stretches import Stretch

# A good point fails this test once in 100,000: at a million points ten are lost, which costs
# nothing, and what passes is within 4.8 sigma, which moves no camera.
GATE_SQUARED = float(special.chdtri(2, 1e-5))
SIGMA_FLOOR_PX = 1e-3  # noise-free input must not divide by zero


@dataclass(frozen=True, slots=True, eq=False)
class Freed:
    """What a capture says of lenses that are held: ``change (C, 3)`` of focal length and centre in
    px by freeing all.

    ``covariance (C, 3, 3)`` is that of the freed terms, ``lens (C, 12)`` the lenses as they are
    held, ``share (C,)`` what freeing takes of each camera's squares.
    """

    lens: Array
    change: Array
    covariance: Array
    share: Array


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The final fit: problem with its last weights, result, noise (C,) in px of one coordinate,
    inliers (M, P).
    """

    problem: Problem
    result: BundleResult
    sigma_px: Array
    is_inlier: NDArray[np.bool_]
    options: BundleOptions
    wand_finding: WandFinding | None = None
    stretches: tuple[
        Stretch, ...
    ] = ()  # of time in which a camera's points stand off together and are left out
    scatter: Scatter | None = None  # by how much the points that are left still scatter together
    freed: Freed | None = None  # what the capture says of lenses that were held
    information: Information | None = None  # of its blocks, as ``with_information`` leaves it


def with_information(fit: Fit) -> Fit:
    """Return the fit with what its blocks say with the frames eliminated, formed once for all who
    ask.
    """
    return replace(fit, information=without_frames(fit.problem, fit.result.blocks))


def squared_residuals(problem: Problem, state: State) -> Array:
    """Return squared residual lengths (M, P) in px²; meaningless where no point was seen."""
    r = residuals(problem, state)
    return np.asarray(r[0] ** 2 + r[1] ** 2)


def robust_sigmas(problem: Problem, squared: Array, seen: NDArray[np.bool_]) -> Array:
    """Return each camera's noise of one coordinate (C,) in px from medians of squared lengths (M,
    P).

    No camera gets less than the rig's median: small residuals may mean that the wands follow this
    one camera, and trusting it more would make them follow it blindly.
    """
    sigma = np.full(problem.n_cameras, np.nan)
    for c, at in enumerate(problem.pairs_by_camera()):
        values = squared[:, at][seen[:, at]]
        if values.size:
            sigma[c] = sigma_of_squares(values)
    middle = float(np.nanmedian(sigma)) if np.isfinite(sigma).any() else 1.0
    return np.maximum(np.where(np.isfinite(sigma), sigma, middle), max(middle, SIGMA_FLOOR_PX))


def in_placed_frames(problem: Problem, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the points (M, P) of ``seen`` in frames that they place: a marker in two cameras or
    more.
    """
    is_placed = np.asarray((problem.n_views(seen) >= 2).any(axis=0))
    return np.asarray(seen & is_placed[problem.frame])


def dof_sigmas(
    problem: Problem, state: State, frame: Array, n_camera: int, fallback: Array
) -> Array:
    """Return each camera's noise (C,) in px from the squares of its weighted points, degrees of
    freedom counted.

    ``frame (F, d, d)`` are the frames' blocks at the state, ``n_camera`` how many parameters of
    each camera were free. What a frame's pose takes up is counted pair by pair with the weights in
    use: a camera that its frames follow closely has small residuals and little freedom left, so its
    noise does not come out too small and its weight does not run away. A camera's own parameters
    come off in full. Source: Förstner & Wrobel, Photogrammetric Computer Vision, 2016, section
    4.2.4 (variance components).
    """
    inlier = problem.weight > 0
    taken = frame_leverage(problem, state, inverse_factors(frame))
    squared = squared_residuals(problem, state)
    total = np.bincount(problem.cam, np.where(inlier, squared, 0.0).sum(axis=0), problem.n_cameras)
    freedom = (
        np.bincount(problem.cam, 2.0 * inlier.sum(axis=0) - taken, problem.n_cameras) - n_camera
    )
    # With fewer than ten degrees of freedom left the estimate says nothing.
    sigma = np.where(freedom > 10, np.sqrt(total / np.maximum(freedom, 1.0)), fallback)
    if problem.n_rotation:
        return np.maximum(sigma, SIGMA_FLOOR_PX)
    # A single point can follow any one camera exactly, so there weights run away all the same. None
    # gets more than the median by degrees of freedom, of which a camera that runs away has next to
    # none.
    order, share = np.argsort(sigma), np.maximum(freedom, 1e-9)
    least = sigma[order][np.searchsorted(np.cumsum(share[order]), 0.5 * share.sum())]
    return np.maximum(sigma, max(float(least), SIGMA_FLOOR_PX))


def gate(
    problem: Problem, state: State, seen: NDArray[np.bool_], sigma: Array
) -> NDArray[np.bool_]:
    """Return the points (M, P) of ``seen`` within the gate of their camera's noise, in frames that
    they still fix.
    """
    inlier = seen & (squared_residuals(problem, state) < GATE_SQUARED * sigma[problem.cam] ** 2)
    return in_placed_frames(problem, inlier)
