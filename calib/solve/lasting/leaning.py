"""Errors that markers share by how the wand lies: seen along the wand, the stick hides a part of a
marker, and all that is left of its image lies farther out; a stick that shines pulls it in.

A camera that a marker's stick leans towards, by the cosine c of the angle between the stick and the
line of sight, sees the marker off along the stick by ``size · max(c, 0)``. What of it all views
share the wand's length takes up, and with it the size of the rig: a fault of the scale that no
residual shows. What views from other sides do not share shows the size. It is estimated as one more
unknown, with poses, wands and the wand's shape giving way, so that a marker off its listed place is
no part of it. A stick is taken to run from each marker to the middle of the wand (assumed).

Source: Rao, Linear Statistical Inference and Its Applications, 1973, section 4a (one more
parameter in linear least squares, the others eliminated; from memory); Liang & Zeger, 1986
(clusters, as in ``scatter``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.core.camera import distort
from calib.core.frames import without_gaps
from calib.core.geometry import Array
from calib.core.parameters import N_POSE
from calib.solve.bundle.elimination import inverse_factors, reduced_gradient, reduced_system
from calib.solve.bundle.frames import fit_frames
from calib.solve.bundle.linearise import linearise, residuals
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information

# Standard deviations from which leaning counts, as in ``by_place``. Where nothing leans, lenses
# beyond their model and errors that last make up to 2.4 (measured: 13 captures, 0.1 px of such).
SURE = 3.0
# What is said in parts of the time so long must agree: whatever else is amiss makes large scores,
# but of either sign.
PART_S = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Leaning:
    """By how much a marker looks off along its stick where that points to the camera, outward
    positive; by which share the rig came out too large for it, and the ``twist (C, 6)`` by which
    that put each camera off.
    """

    size_mm: float
    sigma_mm: float
    growth: float
    twist: Array


def _apparent(problem: Problem, state: State) -> Array:
    """Return by how far points (2, M, P) look off in px for a size of 1 mm."""
    shape, R, t = state.shape_mm, state.wand_R, state.wand_t
    inward = shape.mean(axis=0) - shape
    inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-9)
    out = np.zeros_like(problem.uv_px)
    for c, at in enumerate(problem.pairs_by_camera()):
        turn = state.cam_R[c] @ R[problem.frame[at]]
        place = shape @ np.swapaxes(turn, 1, 2)
        place += (t[problem.frame[at]] @ state.cam_R[c].T + state.cam_t[c])[:, None]
        stick = inward @ np.swapaxes(turn, 1, 2)
        with np.errstate(invalid="ignore", divide="ignore"):  # of frames without a pose
            sight = place / np.linalg.norm(place, axis=2, keepdims=True)
            cosine = np.maximum(-(sight * stick).sum(axis=2, keepdims=True), 0.0)
            off = _image(state.lens[c], place - cosine * stick) - _image(state.lens[c], place)
        out[:, :, at] = off.transpose(2, 1, 0)
    return np.where((problem.row >= 0) & np.isfinite(out), out, 0.0)


def _image(lens: Array, place: Array) -> Array:
    x, y, *_ = distort(lens[4:], place[..., 0] / place[..., 2], place[..., 1] / place[..., 2])
    return np.asarray(lens[:2] * np.stack([x, y], axis=-1) + lens[2:4])


def find_leaning(problem: Problem, state: State) -> Leaning | None:
    """Return how the weighted points lean about a fit of theirs; None where they do not, or no
    stick is known.
    """
    if problem.n_rotation == 0:
        return None
    n_axes = 1 if problem.n_rotation == 2 else 3
    residual = np.where(problem.weight > 0, residuals(problem, state), 0.0)
    off = _apparent(problem, state)
    blocks = linearise(problem, state, (), np.inf, n_axes)
    of_one = linearise(_showing(problem, residual, off), state, (), np.inf, n_axes)
    factors = inverse_factors(blocks.frame)
    S, g = reduced_system(problem, blocks, factors)
    one = reduced_gradient(problem, of_one, factors)
    halves = [(factors @ b.frame_gradient[..., None])[..., 0] for b in (blocks, of_one)]
    own = Information.of(S)
    taken = own.solve(one)
    square, frame = problem.weight**2, problem.frame
    information_by, score_by = (
        np.bincount(frame, (square * (off * of).sum(axis=0)).sum(axis=0), problem.n_frames)
        - (halves[1] * half).sum(axis=1)
        for of, half in ((off, halves[1]), (residual, halves[0]))
    )
    information, score = (
        float(information_by.sum() - one @ taken),
        float(score_by.sum() - g @ taken),
    )
    if not information > 0:
        return None
    size = score / information
    # What cameras take is shared out as the rest is.
    left = score_by - score_by.sum() * information_by / information_by.sum()
    n_frames = max(PART_S * problem.rate_hz, 1.0)
    time = without_gaps(problem.frame_number, n_frames)
    left = np.bincount((time / n_frames).astype(int), left)
    sigma = float(np.sqrt(max(information, (left**2).sum()))) / information
    if abs(size) < SURE * sigma:
        return None
    cameras = np.arange(problem.n_cameras * N_POSE)
    twist = -size * own.at(cameras).solve(one[cameras]).reshape(-1, N_POSE)
    moved = -np.einsum("cji,cj->ci", state.cam_R, twist[:, 3:])
    place = state.position_mm - state.position_mm.mean(axis=0)
    growth = float((place * (moved - moved.mean(axis=0))).sum() / (place**2).sum())
    return Leaning(size, sigma, growth, twist)


def _showing(problem: Problem, residual: Array, off: Array) -> Problem:
    """Return the problem with ``off`` for its residuals."""
    return replace(problem, uv_px=problem.uv_px - residual + off)


def without_leaning(problem: Problem, state: State, leaning: Leaning) -> Problem:
    """Return the problem with what leans taken off its points, as far as the cameras and wands of
    the state did not follow it.
    """
    off = leaning.size_mm * _apparent(problem, state)
    one = _showing(problem, residuals(problem, state), off)
    still = np.zeros((problem.n_frames, problem.n_rotation + 3))
    left = residuals(one, fit_frames(one, state.moved(leaning.twist, still, ())))
    return replace(problem, uv_px=problem.uv_px - np.where(problem.row >= 0, left, 0.0))


def leaning_gradient(problem: Problem, state: State, terms: tuple[str, ...], n_axes: int) -> Array:
    """Return the reduced gradient (N,) that a size of 1 mm makes of cameras and shape."""
    one = _showing(problem, residuals(problem, state), _apparent(problem, state))
    blocks = linearise(one, state, terms, np.inf, n_axes)
    return reduced_gradient(problem, blocks, inverse_factors(blocks.frame))
