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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.core.camera import distorted
from calib.core.compiled import compiled
from calib.core.frames import without_gaps
from calib.core.geometry import Array
from calib.core.parameters import N_POSE
from calib.core.threads import in_groups
from calib.solve.bundle.elimination import inverse_factors, reduced_gradient, reduced_system
from calib.solve.bundle.frames import fit_frames
from calib.solve.bundle.kernels import join_poses
from calib.solve.bundle.linearise import linearise, residuals, state_arrays
from calib.solve.bundle.problem import Chunk, Problem, State
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
    inward = state.shape_mm.mean(axis=0) - state.shape_mm
    inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-9)
    out, arrays = np.zeros_like(problem.uv_px), state_arrays(state)

    def run(chunks: Sequence[Chunk]) -> None:
        first, last = chunks[0].pairs.start, chunks[-1].pairs.stop
        at = problem.cam, problem.frame, problem.row, first, last
        _apparent_kernel(*at, *arrays, inward, out)

    in_groups(run, problem.chunks)
    return out


@compiled
def _apparent_kernel(
    cam: Any,
    frame: Any,
    row: Any,
    first: int,
    last: int,
    cam_R: Array,
    cam_t: Array,
    lens: Array,
    wand_R: Array,
    wand_t: Array,
    shape: Array,
    inward: Array,
    out: Array,
) -> None:
    """Write by how far the points of the pairs from first to last look off into out (2, M, P); 0
    of those in frames without a pose.
    """
    R, t, image = np.empty((3, 3)), np.empty(3), np.empty((2, 2))
    place, stick = np.empty(3), np.empty(3)
    for p in range(first, last):
        c = cam[p]
        join_poses(cam_R, cam_t, c, wand_R, wand_t, frame[p], R, t)
        for m in range(len(shape)):
            if row[m, p] < 0:
                continue
            along, squared = 0.0, 0.0
            for i in range(3):
                place[i], stick[i] = t[i], 0.0
                for j in range(3):
                    place[i] += R[i, j] * shape[m, j]
                    stick[i] += R[i, j] * inward[m, j]
                along -= place[i] * stick[i]
                squared += place[i] * place[i]
            cosine = max(along / np.sqrt(squared), 0.0)
            for k in range(2):
                x, y = place[0] / place[2], place[1] / place[2]
                xd, yd, _, _, _, _ = distorted(lens, c, x, y)
                image[k, 0], image[k, 1] = lens[c, 0] * xd, lens[c, 1] * yd
                for i in range(3):
                    place[i] -= cosine * stick[i]
            for k in range(2):
                off = image[1, k] - image[0, k]
                out[k, m, p] = off if np.isfinite(off) else 0.0


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
    # Couplings are the same whatever the residuals: written anew where they are.
    of_one = linearise(_showing(problem, residual, off), state, (), np.inf, n_axes, reuse=blocks)
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


def without_leaning(problem: Problem, state: State, leaning: Leaning | None) -> Problem:
    """Return the problem with what leans, if anything, taken off its points, as far as the cameras
    and wands of the state did not follow it.
    """
    if leaning is None:
        return problem
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
