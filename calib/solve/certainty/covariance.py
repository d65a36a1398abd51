"""The joint covariance of poses and lenses, in the gauge of least trace."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from calib.core.geometry import Array
from calib.core.rig import Covariance
from calib.solve.bundle.descent import (
    BundleOptions,
    BundleResult,
    Distance,
    free_parameters,
    gauge_motions,
    inverse_factors,
    reduced_system,
)
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.determined import require_rank
from calib.solve.lasting.scatter import Together


def scaled_system(
    problem: Problem, result: BundleResult, options: BundleOptions, S: Array | None = None
) -> tuple[Array, Array, NDArray[np.intp], Array]:
    """Return (A (k, k), scale (k,), free (k,), motions (k, 6 or 7)): the reduced system, scaled and
    definite.

    Parameters that are free have the indices ``free``; ``A = scale S scale`` plus, where the world
    is free to move, the projector on its motions (in these parameters), which leaves everything
    else as it is. S is what eliminating the frames leaves, where that is known.
    """
    n, n_shape = 6 + len(options.terms), len(result.blocks.shape)
    if S is None:
        S, _ = reduced_system(problem, result.blocks, inverse_factors(result.blocks.frame))
    free, has_gauge = free_parameters(problem.n_cameras, options, n_shape)
    # Scaled by what each parameter has before the frames are eliminated: that is above 0 where the
    # rest may vanish.
    diagonal = np.append(np.einsum("cjj->cj", result.blocks.camera), np.diag(result.blocks.shape))[
        free
    ]
    scale = 1.0 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    A = S[np.ix_(free, free)] * scale[:, None] * scale
    motions = gauge_motions(result.state, n, n_shape, options.distance is not None)[free]
    motions = motions if has_gauge else motions[:, :0]
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
    S: Array | None = None,
    scattered: Together | None = None,
) -> Covariance:
    """Return the covariance of all free parameters at a least-squares minimum, frames marginalised
    out.

    S is the reduced matrix of all parameters there, where it is known, and ``scattered`` what
    errors that last do to its gradient.

    Parameters are turns of ``cam_from_world`` (radian), positions in the world (mm) and the free
    lens terms, then the wand's free coordinates (mm, in its own axes). Raises UnsolvableError,
    naming cameras and the direction, where the capture leaves one open. When no pose is held, the
    world is fixed by the six conditions that give the poses the least trace, turns weighted with
    the median distance from camera to wand; an error of the rig as a whole is then no error. With a
    known distance for the scale, that adds its uncertainty.

    Source: Triggs et al., Bundle adjustment, a modern synthesis, 2000, section 9 (inner
    constraints).
    """
    state, n, n_shape = result.state, 6 + len(options.terms), len(result.blocks.shape)
    A, scale, free, G = scaled_system(problem, result, options, S)
    parameters = [f"{kind}_{axis}" for kind in ("rotation", "position") for axis in "xyz"] + list(
        options.terms
    )
    inverse = definite_inverse(A)
    require_rank(
        A, inverse, scale, free, names, parameters, state.lens[:, 0], _distance(problem, state)
    )
    assert inverse is not None
    C = inverse * scale[:, None] * scale
    if scattered is not None:
        C = scattered.covariance(C, free)
    for at, T in _shifts_to_positions(state.cam_R, n, free):
        C[at] = T @ C[at]
        C[:, at] = C[:, at] @ T.T
        G[at] = T @ G[at]
    if G.size:
        metric = np.append(_metric(problem, result, n), np.zeros(n_shape))
        C = _in_gauge(C, G, metric[free, None] * G[:, :6], options.distance, state, n, free)
    labels = [f"{name}/{p}" for name in names for p in parameters]
    if options.shape is not None:
        markers = markers or tuple(str(m) for m in range(len(state.shape_mm)))
        labels += [f"wand/{m}_{axis}" for m in markers for axis in "xyz"[: options.shape.n_axes]]
    return Covariance(tuple(labels[i] for i in free), 0.5 * (C + C.T))


def definite_inverse(A: Array) -> Array | None:
    """Return the inverse of a symmetric matrix (k, k), None where it is not positive definite."""
    factor, info = lapack.dpotrf(A, lower=True)
    if info:
        return None
    lower, _ = lapack.dpotri(factor, lower=True)
    return np.asarray(np.tril(lower) + np.tril(lower, -1).T)


def _shifts_to_positions(
    cam_R: Array, n: int, free: NDArray[np.intp]
) -> Iterator[tuple[NDArray[np.intp], Array]]:
    """Yield where each camera's free shifts stand, and the matrix to positions: these move by -Rᵀ
    shift.
    """
    for c, R in enumerate(cam_R):
        at = np.flatnonzero((free >= c * n + 3) & (free < c * n + 6))
        axes = free[at] - c * n - 3
        yield at, -R.T[np.ix_(axes, axes)]


def _metric(problem: Problem, result: BundleResult, n: int) -> Array:
    """Return the squared weight (C n,) of each parameter in the trace: 1 for mm, distance² for
    radian, 0 for lenses.
    """
    weight = np.zeros((problem.n_cameras, n))
    weight[:, :3], weight[:, 3:6] = _distance(problem, result.state) ** 2, 1.0
    return weight.ravel()


def _distance(problem: Problem, state: State) -> float:
    """Return the median distance from camera to wand in mm."""
    position = -(state.cam_t[:, None, :] @ state.cam_R)[:, 0]
    return float(
        np.median(np.linalg.norm(position[problem.cam] - state.wand_t[problem.frame], axis=1))
    )


def _in_gauge(
    C: Array,
    G: Array,
    E: Array,
    distance: Distance | None,
    state: State,
    n: int,
    free: NDArray[np.intp],
) -> Array:
    """Return the covariance moved along the gauge motions G (k, 6 or 7) to where ``E.T @ error``
    (k, 6) is 0.

    With the scale open, the seventh condition holds the known distance, and its own uncertainty
    comes on top: an error of the length makes the rig grow as a whole.
    """
    if distance is not None:
        position = -(state.cam_t[:, None, :] @ state.cam_R)[:, 0]
        along = (position[distance.b] - position[distance.a]) / distance.length_mm
        row = np.zeros((len(position), n))
        row[distance.b, 3:6], row[distance.a, 3:6] = along, -along
        E = np.column_stack([E, row.ravel()[free]])
    inverse = np.linalg.solve(E.T @ G, np.eye(G.shape[1]))
    # (I - K Eᵀ) C (I - E Kᵀ), of rank six beside C itself.
    K, CE = G @ inverse, C @ E
    C = C - K @ CE.T - CE @ K.T + K @ (E.T @ CE) @ K.T
    if distance is not None:
        growth = (
            K[:, 6] * distance.sigma_mm
        )  # moves no condition but the distance, that by its sigma
        C += np.outer(growth, growth)
    return C
