"""A stored rig against a new wave: what the wave says about changes, with the uncertainty of both
counted.

The wave is solved anew with every camera free. To first order the reduced normal equations of that
solve (frames eliminated, matrix S, gradient g) at parameters that lie d from the stored ones say
about a change δ since then

    z = S d - g,    z = S (e + δ) + noise of covariance S,

where e, of covariance C = L Lᵀ, is the error of the stored rig. Eliminating e leaves information W
= (S⁻¹ + C)⁻¹ and gradient -w of the change alone: for any set A of parameters that may have changed
the estimate is ``W_AA⁻¹ w_A`` and the likelihood ratio ``w_Aᵀ W_AA⁻¹ w_A`` is chi-square if nothing
did. Of directions that the wave hardly tells the new solve is far off, and what it says is first
order no more; so it is said anew where both waves together have the cameras (``likeliest``), as
Gauss and Newton do. Neither needs a gauge: motions of the world as a whole are in the null space of
S and W.

Source: the general linear model with a stochastic parameter; Rao, Linear Statistical Inference and
Its Applications, 2nd edition 1973, section 4a (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, cross_matrix, rotation_from_vector, vector_from_rotation
from calib.core.parameters import (
    N_CHANGE,
    N_POSE,
    RING,
    CameraParameter,
    Parameter,
    of_cameras,
    term_values,
    with_term_steps,
)
from calib.core.rig import Covariance, Rig
from calib.core.tracks import Tracks
from calib.solve.bundle.frames import fit_frames
from calib.solve.bundle.problem import State
from calib.solve.certainty.held import assumed_sigma
from calib.solve.certainty.lens_terms import SMALL_TERMS, USUAL, USUAL_CORNER
from calib.solve.certainty.normal import Information
from calib.solve.fit import Fit
from calib.solve.lasting.scatter import together
from calib.solve.repair import Reduced, lacks_terms, reduced, shape_axes

FAR = 10.0  # standard deviations: no stored error is as large
N_ROUNDS = 20  # of reweighting: each takes off a good part of what is left


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What is said of each camera's change (9 C,): turn (rad), position (mm), ring (px).

    ``rig_from_fit`` (R, t in mm) carries the new solve's world on to the stored rig's.
    """

    names: tuple[str, ...]
    information: Information
    rig_from_fit: tuple[Array, Array]

    def at(self, cameras: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the rows of these cameras' changes."""
        return (cameras[:, None] * N_CHANGE + np.arange(N_CHANGE)).ravel()


def information(rig: Rig, tracks: Tracks, fit: Fit, cameras: State) -> Reduced:
    """Return what a fit's points say with its cameras elsewhere, errors that last counted."""
    state = fit_frames(fit.problem, cameras)
    now = reduced(fit.problem, state, tracks.names, fit.options.terms, shape_axes(rig))
    return now.with_scatter(together(fit.problem, state, now.terms, now.blocks, fit.scatter))


def compare(now: Reduced, rig: Rig, is_agreeing: NDArray[np.bool_] | None = None) -> Comparison:
    """Return the information about changes, the new solve moved on to the stored rig by the
    agreeing cameras.

    Without ``is_agreeing (C,)`` all cameras move it there robustly: exact enough to find out which
    agree.
    """
    placed = _placed(now, rig, is_agreeing)
    change = _changes(now, rig, placed)[0]
    return Comparison(now.names, change.at(_rows(now).ravel()), placed.rig_from_fit)


def likeliest(now: Reduced, rig: Rig, stood: NDArray[np.bool_]) -> State:
    """Return the cameras of a new solve where both waves together have them if those of ``stood``
    (C,) did not change, the others wherever the new one has them; in its world, with its frames.

    With δ the changes of these, e comes out as ``C (w - W δ)``. Beyond ``FAR`` of its standard
    deviations in any camera of ``stood`` the first order that says so does not hold: then these are
    as stored, and the others where the new solve has them beside these.
    """
    placed = _placed(now, rig, stood)
    change, root = _changes(now, rig, placed)
    changed = _rows(now)[~stood].ravel()
    change_of = np.zeros(len(change.own))
    change_of[changed] = change.at(changed).estimate()
    error = root @ (root.T @ (-change.gradient - change.matrix @ change_of))
    step, error, sigma = (
        x[: placed.from_stored.size].reshape(placed.from_stored.shape)
        for x in (change_of + error, error, np.sqrt(np.square(root).sum(axis=1)))
    )
    if not (np.abs(error) <= FAR * sigma)[stood].all():
        step = np.where(stood[:, None], 0.0, placed.from_stored)
    R, t = placed.rig_from_fit
    cam_R = rotation_from_vector(step[:, :3]) @ placed.stored_R @ R
    position = (placed.stored_mm + step[:, 3:N_POSE] - t) @ R
    return replace(
        now.state,
        cam_R=cam_R,
        cam_t=-(cam_R @ position[:, :, None])[..., 0],
        lens=with_term_steps(placed.stored_lens, now.terms, step[:, N_POSE:]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A new solve beside the stored rig: what carries its world there, the stored cameras, and the
    solve's parameters less these (C, n).
    """

    rig_from_fit: tuple[Array, Array]
    stored_R: Array
    stored_mm: Array
    stored_lens: Array
    from_stored: Array


def _placed(now: Reduced, rig: Rig, is_agreeing: NDArray[np.bool_] | None) -> _Placed:
    cameras = [rig.camera(name) for name in now.names]
    R0, p0 = (
        np.stack([c.cam_from_world.R for c in cameras]),
        np.stack([c.position_mm for c in cameras]),
    )
    weight = None if is_agreeing is None else is_agreeing.astype(float)
    position = now.state.position_mm
    R, t = rig_from_other(R0, p0, now.state.cam_R, position, weight)
    fit_R = now.state.cam_R @ R.T
    d = np.zeros((len(cameras), now.n))
    d[:, :3] = vector_from_rotation(fit_R @ np.swapaxes(R0, 1, 2))
    d[:, 3:N_POSE] = position @ R.T + t - p0
    lens = np.stack([c.lens.vector for c in cameras])
    for k, name in enumerate(now.terms):
        d[:, N_POSE + k] = term_values(now.state.lens, name) - term_values(lens, name)
    return _Placed((R, t), R0, p0, lens, d)


def _changes(now: Reduced, rig: Rig, placed: _Placed) -> tuple[Information, Array]:
    """Return W and -w of the change of every parameter, and the root of C."""
    here, d = now.turned(placed.rig_from_fit[0]), placed.from_stored
    found = here.information
    z = found.matrix @ np.pad(d.ravel(), (0, len(found.own) - d.size)) - found.gradient
    root = _stored_root(rig, here, d)
    return replace(found, gradient=-z).blurred(root), root


def _rows(now: Reduced) -> NDArray[np.intp]:
    """Return the rows (C, 9) of each camera's change among its parameters."""
    columns = np.array([*range(N_POSE), *(N_POSE + now.terms.index(name) for name in RING)])
    return np.asarray(np.arange(len(now.names))[:, None] * now.n + columns)


def rig_from_other(
    R0: Array, p0: Array, R1: Array, p1: Array, weight: Array | None
) -> tuple[Array, Array]:
    """Return (R, t) that carry a world on to another, given the cameras in both: rotations (C, 3,
    3), positions (C, 3).

    With ``weight (C,)`` by least squares, without it robustly.
    """
    each = np.swapaxes(R0, 1, 2) @ R1
    w = np.ones(len(R0)) if weight is None else weight
    for _ in range(N_ROUNDS if weight is None else 1):
        u, _values, vt = np.linalg.svd(np.einsum("c,cij->ij", w, each))
        R = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
        shift = p0 - p1 @ R.T
        t = w @ shift / w.sum()
        off = (
            np.linalg.norm(vector_from_rotation(each @ R.T), axis=1),
            np.linalg.norm(shift - t, axis=1),
        )
        # L1 by reweighting; a hundredth of the median keeps one exact camera from taking over.
        w = 1.0 / sum(o / max(float(np.median(o)), 1e-12) + 0.01 for o in off)
    return R, t


def _stored_root(rig: Rig, now: Reduced, d: Array) -> Array:
    """Return L (k, r) with L Lᵀ the covariance of the stored parameters, in the order of ``now``.

    ``d (C, n)`` are the new solve's parameters less the stored ones.
    """
    every, known = now.parameters(rig.wand_used.markers), rig.covariance
    if known is None:
        return np.zeros((len(every), 0))
    here = np.array([i for i, p in enumerate(every) if p in known.row], dtype=np.intp)
    there = np.array([known.row[every[i]] for i in here], dtype=np.intp)
    of_known, _ = Information.of(known.matrix[np.ix_(there, there)]).roots()
    root = np.zeros((len(every), of_known.shape[1]))
    root[here] = of_known
    more = [_counted(rig, known, d, every), _assumed(rig, known, now, every)]
    root = np.hstack([root, *more])
    # A stored turn's error e comes before the change: log(exp(d) exp(e)) is d + e + d × e / 2 to
    # first order in e.
    for c, turn in enumerate(d[:, :3]):
        at = slice(c * now.n, c * now.n + 3)
        root[at] += 0.5 * cross_matrix(turn) @ root[at]
    return root


def held_sigma(rig: Rig, held: CameraParameter) -> float:
    """Return the standard uncertainty of a lens term that a solve held, in its own unit: as stored,
    else as assumed.
    """
    known = rig.covariance
    if (
        known is not None
        and held in known.held
        and (stored := known.held_sigma[known.held.index(held)])
    ):
        return float(stored)
    camera = rig.camera(held.camera)
    return assumed_sigma(held.kind, camera.lens.fx, camera.width)


def is_silent(rig: Rig) -> bool:
    """Return whether lenses were held and the rig does not say what their errors did to
    the rest.
    """
    known = rig.covariance
    stated = set() if known is None else {*known.parameters, *known.held}
    return known is not None and any(
        p not in stated for p in of_cameras(rig.names, RING, of_pose=())
    )


def _counted(rig: Rig, known: Covariance, d: Array, every: tuple[Parameter, ...]) -> Array:
    """Return the root of what errors of held lenses add: themselves, and what they did to the rest
    by the rig's file.

    That is of first order. An error of a lens turns rays, and by about that angle (in radian) the
    sensitivity itself is off: with the errors that the new solve finds, ``d``, this is the last
    half of the columns.
    """
    root = np.zeros((len(every), len(known.held)))
    is_free = np.array([p in known.row for p in every])
    root[is_free] = known.sensitivity[[known.row[p] for p in every if p in known.row]]
    second = root.copy()
    error = dict(zip(every, d.ravel(), strict=False))  # without the wand's
    for k, held in enumerate(known.held):
        if held in error and held not in known.row:
            root[every.index(held), k] = 1.0
        of_ring = [error.get(p, 0.0) for p in of_cameras([held.camera], RING, of_pose=())]
        angle = np.linalg.norm(of_ring) / rig.camera(held.camera).lens.fx
        second[:, k] *= error.get(held, 0.0) * angle
        root[:, k] *= held_sigma(rig, held)
    return np.hstack([root, second])


def _assumed(rig: Rig, known: Covariance, now: Reduced, every: tuple[Parameter, ...]) -> Array:
    """Return the same for lens terms of which the file says nothing: what they would do to this
    wave.

    These are a ring's of held lenses, and small terms that a solve left out. What is free, here f,
    would answer by ``-S_ff⁺ S_fl``.
    """
    counted = {*RING, *(SMALL_TERMS if lacks_terms(rig) else ())}
    stated = {*known.parameters, *known.held}
    silent = [
        (i, p)
        for i, p in enumerate(every)
        if isinstance(p, CameraParameter) and p.kind in counted and p not in stated
    ]
    at = np.array([i for i, _ in silent], dtype=np.intp)
    root = np.zeros((len(every), len(at)))
    if not len(at):
        return root
    free = np.array(
        [i for i, p in enumerate(every) if isinstance(p, CameraParameter) and p in known.row],
        dtype=np.intp,
    )
    root[at, np.arange(len(at))] = 1.0
    across = now.information.matrix[np.ix_(free, at)]
    root[free] = -now.information.at(free).solve(across)
    return root * [_unstated_sigma(rig, p) for _, p in silent]


def _unstated_sigma(rig: Rig, of: CameraParameter) -> float:
    if of.kind not in SMALL_TERMS:
        return held_sigma(rig, of)
    camera = rig.camera(of.camera)
    corner = 0.5 * np.hypot(camera.width, camera.height) / camera.lens.fx
    return USUAL[of.kind] if of.kind in USUAL else float(USUAL_CORNER[of.kind] / corner**6)
