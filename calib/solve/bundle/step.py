"""One step of a descent: the damped normal equations of cameras and shape, factored, and how far
they foresee the cost to fall.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, lapack

from calib.core.geometry import Array
from calib.solve.bundle.damping import damped
from calib.solve.bundle.elimination import (
    frame_steps,
    inverse_factors,
    reduced_gradient,
    reduced_system,
)
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Problem
from calib.solve.certainty.normal import Information, cholesky, held_world

# Least eigenvalue of the scaled matrix, of unit diagonal, that a product in single precision leaves
# standing.
ROUGH_LEAST = 1e-7


def own_information(blocks: Blocks) -> Array:
    """Return what blocks say of each parameter (N,) of cameras and shape by itself."""
    return np.append(np.einsum("cjj->cj", blocks.camera), np.diag(blocks.shape))


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """The damped equations of cameras and shape, in units of ``scale``, with their factor; all
    parameters but the ``free`` ones are held. ``is_rough``: a product in single precision was
    enough.
    """

    matrix: Array
    factor: Array | None
    scale: Array
    free: NDArray[np.intp]
    is_rough: bool

    def step(self, gradient: Array) -> Array:
        """Return the step (N,) to the minimum of a cost with this gradient (N,)."""
        out, right = np.zeros(len(gradient)), self.scale * gradient[self.free]
        out[self.free] = -self.scale * solve_symmetric(self.matrix, self.factor, right)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """Steps of cameras (C, n), shape (s,) and frames (F, d), and the falls of the cost that they
    foresee.

    ``of_frames (F,)`` are the frames' own shares, ``predicted`` that of cameras and shape, by the
    equations ``of_cameras``.
    """

    camera: Array
    shape: Array
    frame: Array
    of_frames: Array
    predicted: float
    of_cameras: Reduced


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What is left of a descent by the blocks of its state and the matrix ``near``, of a state
    nearby: the step (N,) of cameras and shape, and the falls that are foreseen, as in ``Step``.
    """

    near: Reduced
    factors: Array
    of_all: Array
    of_frames: Array
    predicted: float

    def step(self, problem: Problem, blocks: Blocks) -> Step:
        """Return it as a step of frames too."""
        n_cameras, n = blocks.camera_gradient.shape
        camera, shape = np.split(self.of_all, [n_cameras * n])
        camera = camera.reshape(n_cameras, n)
        frame = frame_steps(problem, blocks, self.factors, camera, shape)
        return Step(camera, shape, frame, self.of_frames, self.predicted, self.near)


def what_is_left(problem: Problem, blocks: Blocks, near: Reduced) -> Left:
    """Return what is left by the blocks and the matrix of a state nearby."""
    factors = inverse_factors(blocks.frame)
    own = (factors @ blocks.frame_gradient[:, :, None])[..., 0]
    gradient = reduced_gradient(problem, blocks, factors)
    step = near.step(gradient)
    predicted = -0.5 * float(gradient @ step)
    return Left(near, factors, step, 0.5 * (own * own).sum(axis=1), predicted)


def damped_step(
    problem: Problem,
    blocks: Blocks,
    damping: float,
    free: NDArray[np.intp],
    motions: Array,
    is_rough: bool,
    known: Information | None,
) -> Step:
    """Return the step of the damped normal equations; ``free`` and ``motions`` are the parameters'
    that move and the world's.

    ``is_rough`` tries a product in single precision first; where that drowns a direction it is
    formed in double. What is ``known``, if anything, is taken for the undamped equations without
    frames.
    """
    n_cameras, n = blocks.camera_gradient.shape
    diagonal = own_information(blocks)
    factors = inverse_factors(damped(blocks.frame, np.full(problem.n_frames, damping)))
    scale = 1.0 / np.sqrt(np.maximum(diagonal[free], 1e-300))
    raised = replace(
        blocks,
        camera=damped(blocks.camera, np.full(n_cameras, damping)),
        shape=damped(blocks.shape[None], np.array([damping]))[0],
    )
    while True:
        if known is None:
            S, g = reduced_system(problem, raised, factors, is_rough=is_rough)
        else:
            S, g = known.matrix + np.diag(damping * diagonal), known.gradient
        A = S if len(free) == len(S) else S[np.ix_(free, free)]
        A *= scale[:, None]
        A *= scale
        A = A.T  # symmetric, in Fortran's order
        if motions.shape[1]:  # the step gets no part along motions of the world as a whole
            world = held_world(motions[free], scale)
            A = blas.dsyrk(1.0, world, beta=1.0, c=A, lower=True, overwrite_c=True)
        factor, least = cholesky(A)
        if not is_rough or known is not None or least > ROUGH_LEAST:
            break
        is_rough = False
    of_cameras = Reduced(A, factor, scale, free, is_rough)
    step = of_cameras.step(g)
    camera_step, shape_step = step[: n_cameras * n].reshape(n_cameras, n), step[n_cameras * n :]
    frame_step = frame_steps(problem, blocks, factors, camera_step, shape_step)
    slope = (blocks.camera_gradient * camera_step).sum() + blocks.shape_gradient @ shape_step
    predicted = 0.5 * float(damping * (diagonal @ step**2) - slope)
    held_back = damping * np.einsum("fjj->fj", blocks.frame) * frame_step
    own = (held_back - blocks.frame_gradient) * frame_step
    return Step(camera_step, shape_step, frame_step, 0.5 * own.sum(axis=1), predicted, of_cameras)


def solve_symmetric(A: Array, factor: Array | None, b: Array) -> Array:
    """Return x of A x = b for A (its lower triangle) with its factor; where it has none, of the
    nearest A that has.
    """
    if not len(b):
        return b
    jitter = 1e-14
    while factor is None:
        if jitter > 1.0 or not np.isfinite(A).all():
            return np.zeros_like(b)
        factor, _ = cholesky(A + jitter * np.eye(len(A)))
        jitter *= 100.0
    return np.asarray(lapack.dpotrs(factor, b, lower=True)[0])
