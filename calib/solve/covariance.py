"""The joint covariance of poses and lenses, in the gauge of least trace."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from calib.core.geometry import Array
from calib.core.rig import Covariance
from calib.solve.bundle import (
    BundleOptions,
    BundleResult,
    free_parameters,
    gauge_motions,
    inverse_factors,
    reduced_system,
)
from calib.solve.problem import Problem


def scaled_system(
    problem: Problem, result: BundleResult, options: BundleOptions
) -> tuple[Array, Array, NDArray[np.intp], Array]:
    """Return (A (k, k), scale (k,), free (k,), motions (k, 6)): the reduced system at a minimum, scaled and definite.

    Parameters that are free have the indices ``free``; ``A = scale S scale`` plus, where the world is free to move, the
    projector on its six motions (in these parameters), which leaves everything else as it is.
    """
    n, n_shape = 6 + len(options.terms), len(result.blocks.shape)
    S, _ = reduced_system(problem, result.blocks, inverse_factors(result.blocks.frame))
    free, has_gauge = free_parameters(problem.n_cameras, options, n_shape)
    scale = 1.0 / np.sqrt(np.diag(S)[free])
    A = S[np.ix_(free, free)] * scale[:, None] * scale
    motions = gauge_motions(result.state, n, n_shape)[free] if has_gauge else np.zeros((len(free), 0))
    if has_gauge:
        Q, _ = np.linalg.qr(motions / scale[:, None])
        A += Q @ Q.T
    return A, scale, free, motions


def joint_covariance(
    problem: Problem,
    result: BundleResult,
    options: BundleOptions,
    names: tuple[str, ...],
    markers: tuple[str, ...] = (),
) -> Covariance:
    """Return the covariance of all free parameters at a least-squares minimum, frames marginalised out.

    Parameters are turns of ``cam_from_world`` (radian), positions in the world (mm) and the free lens terms, then the
    wand's free coordinates (mm, in its own axes). When no pose is held, the world is fixed by the six conditions that
    give the poses the least trace, turns weighted with the median distance from camera to wand; an error of the rig as
    a whole is then no error.

    Source: Triggs et al., Bundle adjustment, a modern synthesis, 2000, section 9 (inner constraints).
    """
    state, n, n_shape = result.state, 6 + len(options.terms), len(result.blocks.shape)
    A, scale, free, G = scaled_system(problem, result, options)
    C = np.linalg.inv(A) * scale[:, None] * scale
    T = linalg.block_diag(_turn_and_position(state.cam_R, n), np.eye(n_shape))[np.ix_(free, free)]
    C, G = T @ C @ T.T, T @ G
    if G.size:
        metric = np.append(_metric(problem, result, n), np.zeros(n_shape))
        C = _least_trace(C, G, metric[free])
    parameters = [f"{kind}_{axis}" for kind in ("rotation", "position") for axis in "xyz"] + list(options.terms)
    labels = [f"{name}/{p}" for name in names for p in parameters]
    if options.shape is not None:
        markers = markers or tuple(str(m) for m in range(len(state.shape_mm)))
        labels += [f"wand/{m}_{axis}" for m in markers for axis in "xyz"[: options.shape.n_axes]]
    return Covariance(tuple(labels[i] for i in free), 0.5 * (C + C.T))


def _turn_and_position(cam_R: Array, n: int) -> Array:
    """Return the matrix (C n, C n) from camera twists to turn and position: position moves by -Rᵀ shift."""
    T = np.zeros((len(cam_R), n, len(cam_R), n))
    for c, R in enumerate(cam_R):
        T[c, :, c, :] = np.eye(n)
        T[c, 3:6, c, 3:6] = -R.T
    return T.reshape(len(cam_R) * n, -1)


def _metric(problem: Problem, result: BundleResult, n: int) -> Array:
    """Return the squared weight (C n,) of each parameter in the trace: 1 for mm, distance² for radian, 0 for lenses."""
    state = result.state
    position = -(state.cam_t[:, None, :] @ state.cam_R)[:, 0]
    away = np.linalg.norm(position[problem.cam] - state.wand_t[problem.frame], axis=1)
    weight = np.zeros((problem.n_cameras, n))
    weight[:, :3], weight[:, 3:6] = np.median(away) ** 2, 1.0
    return weight.ravel()


def _least_trace(C: Array, G: Array, metric: Array) -> Array:
    """Return the covariance moved along the gauge motions G (n, 6) to the least trace in ``metric`` (n,)."""
    E = metric[:, None] * G
    P = np.eye(len(C)) - G @ np.linalg.solve(E.T @ G, E.T)
    return np.asarray(P @ C @ P.T)
