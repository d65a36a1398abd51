"""Is the wand as its file says? A test of the shape that the capture shows against the
one stated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from calib.core.geometry import Array
from calib.core.parameters import n_unknowns
from calib.core.wand import Wand
from calib.solve.bundle.descent import BundleOptions, BundleResult, free_parameters, without_frames
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem
from calib.solve.bundle.shape import ShapePrior
from calib.solve.certainty.normal import Information

# A wand is called wrong once in a million waves of a right one: the finding sends somebody to a
# measuring machine.
P_WRONG = 1e-6
# what is left after a marker is set aside must be this likely for the rest to count as right
P_RIGHT = 1e-3
LOOSE_SHARE = 0.01  # of the span: how far a bent or re-glued marker may be off in the first rounds
# A marker that is off shows as one offset in all views; in fewer frames it cannot be told from what
# those views have in common (blobs that look different from aside, a lens term that is missing).
MIN_FRAMES = 50
# The other explanations must be this much less likely (chi-square of one freedom at 1e-3) for a
# marker to be named.
LEAD = 10.8


@dataclass(frozen=True, slots=True, eq=False)
class WandFinding:
    """A wand that is not as its file says.

    ``marker`` names the one that is off, None where the capture cannot tell which; ``offset_mm`` is
    how far, from where the rest puts it; chi_square has ``freedom`` degrees and happens by chance
    with ``p_value``.
    """

    marker: str | None
    offset_mm: float
    chi_square: float
    freedom: int
    p_value: float

    def __str__(self) -> str:
        if self.marker is None:
            return (
                f"The wand is not as its file says: its markers lie off by some "
                f"{self.offset_mm:.2f} mm, far beyond chance. "
                "Which one cannot be told from this capture; the scale is only as sure "
                "as that. Measure the wand again."
            )
        return (
            f"The wand is not as its file says: marker {self.marker} lies "
            f"{self.offset_mm:.2f} mm off, far beyond chance. "
            "The solve used the other markers' coordinates. Measure the wand again."
        )


def loosened(prior: ShapePrior) -> ShapePrior:
    """Return the prior with coordinates that leave room for a marker that is off."""
    span = float(np.linalg.norm(prior.mean_mm[:, None] - prior.mean_mm[None], axis=2).max())
    return replace(prior, sigma_mm=np.maximum(prior.sigma_mm, LOOSE_SHARE * span))


def check_wand(
    problem: Problem, result: BundleResult, options: BundleOptions, stated: ShapePrior, wand: Wand
) -> tuple[ShapePrior, WandFinding | None]:
    """Return the prior to go on with, and what is wrong with the wand.

    ``result`` is a bundle with the shape ``loosened``. What the capture alone says of the shape, a
    quadratic about the result, is compared with the stated coordinates: at their joint minimum the
    sum of squares is chi-square with as many degrees of freedom as the capture determines. Where
    that fails, each marker in turn is set aside. One that alone makes the rest fit is named and
    stays loose; otherwise all coordinates count as less sure, by the ratio that makes them fit
    (Birge, The calculation of errors by the method of least squares, Physical Review 40, 1932).
    """
    shape = result.state.shape_mm
    found = _of_capture(problem, result, options)
    # A robust fit's noise is a median, which misses what the many unknowns of a short capture took
    # up.
    excess = _variance_ratio(problem, result, options)
    found = Information.of(found.matrix / excess, found.gradient / excess)
    value, freedom, _ = _joint_minimum(found, stated, shape, None)
    value = max(value, 0.0)  # rounding, of captures without noise: a difference of large sums
    p_value = float(special.chdtrc(freedom, value)) if freedom > 0 else 1.0
    if p_value >= P_WRONG:
        return stated, None
    loose = loosened(stated).sigma_mm
    without = [_joint_minimum(found, stated, shape, m) for m in range(len(shape))]
    order = np.argsort([w[0] for w in without])
    best, second = int(order[0]), int(order[1])
    left = freedom - stated.n_axes
    is_rest_right = without[best][0] < special.chdtri(max(left, 1), P_RIGHT)
    if is_rest_right and without[second][0] - without[best][0] > LEAD:
        sigma = stated.sigma_mm.copy()
        sigma[best] = loose[best]
        offset = float(np.linalg.norm((without[best][2] - stated.mean_mm)[best]))
        return replace(stated, sigma_mm=sigma), WandFinding(
            wand.markers[best], offset, value, freedom, p_value
        )
    widened = np.minimum(stated.sigma_mm * np.sqrt(value / freedom), loose)
    return replace(stated, sigma_mm=widened), WandFinding(
        None, float(widened.max()), value, freedom, p_value
    )


def _variance_ratio(problem: Problem, result: BundleResult, options: BundleOptions) -> float:
    """Return the variance of the weighted residuals with the degrees of freedom counted, at least
    1.

    Gross errors do not count: beyond 3 sigma a good point is one in 90, and the sum lacks 6 % for
    it.
    """
    squared = (residuals(problem, result.state) ** 2).sum(axis=0) * problem.weight**2
    is_near = (problem.weight > 0) & (squared < 9.0)
    per_frame = problem.n_rotation + 3
    n_unknown = (
        per_frame * problem.n_frames
        + problem.n_cameras * n_unknowns(options.terms)
        + len(result.blocks.shape)
    )
    freedom = 2.0 * is_near.sum() - n_unknown
    return max(float(squared[is_near].sum() / 0.94 / max(freedom, 1.0)), 1.0)


def _of_capture(problem: Problem, result: BundleResult, options: BundleOptions) -> Information:
    """Return what the capture alone says about the shape, at the result: of what lies on one line
    in it, along that.
    """
    assert options.shape is not None
    along = options.shape.along
    n_shape = len(result.blocks.shape)
    told = np.eye(n_shape)
    if along is not None:
        told = np.kron(np.eye(n_shape // 3), along[:, None]).astype(float)
    free, motions = free_parameters(result.state, options, n_shape)
    own = np.arange(len(motions) - n_shape, len(motions))
    posterior = without_frames(problem, result.blocks).fixed(motions)
    posterior = posterior.left(own, np.setdiff1d(free, own))
    residual, J = options.shape.rows(result.state.shape_mm)
    # What the capture says less about than the loose prior is what it cannot say at all: place,
    # turn and scale.
    values, turns = np.linalg.eigh(told.T @ (posterior.matrix - J.T @ J) @ told)
    is_known = values > 0.01 / options.shape.sigma_mm.max() ** 2
    values, axes = values[is_known], told @ turns[:, is_known]
    return Information.of((axes * values) @ axes.T, -axes @ (axes.T @ (J.T @ residual)))


def _joint_minimum(
    found: Information, stated: ShapePrior, shape: Array, aside: int | None
) -> tuple[float, int, Array]:
    """Return (chi-square, degrees of freedom, shape (M, 3)) of capture and statement together, one
    marker set aside.
    """
    sigma = stated.sigma_mm.copy()
    if aside is not None:
        sigma[aside] = 1e6
    residual, J = replace(stated, sigma_mm=sigma).rows(shape)
    S, g = found.matrix, found.gradient
    step = Information.of(S + J.T @ J, g + J.T @ residual).estimate()
    after = residual + J @ step
    alone, rank = found.chi_square()
    capture = step @ S @ step + 2.0 * g @ step + alone
    moved = shape.copy()
    moved[:, : stated.n_axes] += step.reshape(len(shape), -1)
    return float(capture + after @ after), rank + len(stated.certified), moved
