"""Many pairs of cameras refined at once: a small robust bundle for each, their arithmetic in common
arrays.

A bundle of two cameras and some frames is a few milliseconds of arithmetic and as many of calls; a
rig has a hundred. Here cameras ``2 k`` and ``2 k + 1`` and a run of frames belong to item ``k``,
which sees nothing of the others: it has a damping, a noise and an end of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import Ints
from calib.core.geometry import Array, sigma_of_squares
from calib.solve.bundle.damping import Owners, damped, descend_each
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.frames import place_wands
from calib.solve.bundle.linearise import Blocks, linearise, residuals
from calib.solve.bundle.problem import Index, Problem, State, arrange

TERMS = ("focal",)
N_CAMERA = 6 + len(TERMS)
LOSS_SCALE = 2.0  # Cauchy's scale in sigmas, as in the rig's first rounds
TOLERANCE = 1e-3  # relative fall of the cost that ends a descent: a start for what follows
SIGMA_FLOOR_PX = 0.02
Kind = TypeVar("Kind", bound=np.generic)


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """What two cameras both saw: frame and marker (n,), points in px (n, 2) in each."""

    frame: Ints
    marker: Index
    uv_a: Array
    uv_b: Array

    def rows(self, keep: NDArray[np.bool_] | Index) -> Shared:
        return Shared(self.frame[keep], self.marker[keep], self.uv_a[keep], self.uv_b[keep])


@dataclass(frozen=True, slots=True, eq=False)
class PairStart:
    """A pair to refine: its points, b_from_a with t in mm, lenses (2, 12) and which focal lengths
    (2,) are open.

    ``known (2, 2)`` are focal lengths in px that other pairs gave and how sure they are (standard
    deviation, infinite where nothing is known): few points in a corner would bend them.
    """

    shared: Shared
    R: Array
    t_mm: Array
    lens: Array
    is_open: NDArray[np.bool_]
    known: Array


@dataclass(frozen=True, slots=True, eq=False)
class PairFit:
    """A refined pair: noise of one coordinate in px, pose and focal lengths (2,) with their
    standard deviations.
    """

    residual_px: float
    R: Array
    t_mm: Array
    focal_px: Array
    sigma_log_focal: Array
    sigma_rotation: float
    sigma_mm: float


def refine_pairs(
    starts: list[PairStart], shape_mm: Array, n_rotation: int, n_frames: int
) -> list[PairFit | None]:
    """Return the minimum near each start on at most n_frames of its frames, None where there is
    none.

    First from afar on a noise that fits the start, then on the noise that this leaves.
    """
    thinned = [_whole_frames(s.shared, n_rotation, n_frames) for s in starts]
    used = [k for k, rows in enumerate(thinned) if rows.size]
    out: list[PairFit | None] = [None] * len(starts)
    if not used:
        return out
    items = _Items.of(
        [starts[k] for k in used],
        [starts[k].shared.rows(thinned[k]) for k in used],
        shape_mm,
        n_rotation,
    )
    state, has_pose = place_wands(items.problem, items.state)
    seen = items.problem.weight * has_pose[items.problem.frame]
    sigma = items.robust_sigmas(state, seen)
    for max_iterations in (12, 8):
        problem = items.weighted(seen, sigma)
        state, blocks = _descend(items, problem, state, max_iterations)
        before, sigma = sigma, np.maximum(items.robust_sigmas(state, seen), SIGMA_FLOOR_PX)
        if np.all(sigma > 0.7 * before):  # the noise was right at once
            break
    variance = _variances(items, blocks)
    for item, k in enumerate(used):
        out[k] = _fit_of(state, item, float(sigma[item]), variance[item])
    return out


def _whole_frames(shared: Shared, n_rotation: int, n_frames: int) -> Index:
    """Return the rows of at most n_frames frames with enough markers to place the wand, evenly over
    time.
    """
    _, index, count = np.unique(shared.frame, return_inverse=True, return_counts=True)
    good = np.flatnonzero(count >= {0: 1, 2: 2, 3: 3}[n_rotation])
    if len(good) > n_frames:
        good = good[np.linspace(0, len(good) - 1, n_frames).astype(int)]
    return np.flatnonzero(np.isin(index, good))


@dataclass(frozen=True, slots=True, eq=False)
class _Items:
    """All pairs as one problem; ``edges (K + 1,)`` says where each item's frames begin."""

    problem: Problem
    state: State
    is_free: NDArray[np.bool_]  # (K, 14)
    known: Array  # (2 K, 2)
    edges: Index

    @classmethod
    def of(
        cls, starts: list[PairStart], shared: list[Shared], shape_mm: Array, n_rotation: int
    ) -> _Items:
        parts, numbers, edges = [], [], [0]
        for k, s in enumerate(shared):
            number, frame = np.unique(s.frame, return_inverse=True)
            for side, uv in enumerate((s.uv_a, s.uv_b)):
                parts.append((np.full(len(frame), 2 * k + side), edges[-1] + frame, s.marker, uv))
            numbers.append(number)
            edges.append(edges[-1] + len(number))
        cam, frame, marker, uv = (np.concatenate(p) for p in zip(*parts, strict=True))
        problem = arrange(
            cam,
            frame,
            marker,
            uv,
            np.ones(len(cam)),
            np.arange(len(cam)),
            shape=(2 * len(shared), edges[-1], len(shape_mm)),
            n_rotation=n_rotation,
            frame_number=np.concatenate(numbers),
        )
        is_free = np.ones((len(starts), 2 * N_CAMERA), bool)
        is_free[:, :6] = False
        is_free[:, [6, 6 + N_CAMERA]] = [s.is_open for s in starts]
        if (
            n_rotation == 0
        ):  # single points leave the scale open: the step along the baseline is held
            for k, start in enumerate(starts):
                is_free[k, N_CAMERA + 3 + int(np.abs(start.t_mm).argmax())] = False
        nowhere = np.zeros(3)
        state = State(
            np.stack([R for s in starts for R in (np.eye(3), s.R)]),
            np.stack([t for s in starts for t in (nowhere, s.t_mm)]),
            np.concatenate([s.lens for s in starts]),
            np.empty((0, 3, 3)),
            np.empty((0, 3)),
            shape_mm,
        )
        return cls(
            problem, state, is_free, np.concatenate([s.known for s in starts]), np.array(edges)
        )

    def of_frames(self, values: NDArray[Kind]) -> NDArray[Kind]:
        """Return values (K, ...) of the items as values (F, ...) of their frames."""
        return np.repeat(values, np.diff(self.edges), axis=0)

    def weighted(self, seen: Array, sigma: Array) -> Problem:
        """Return the problem with each item's points of ``seen`` (M, P) weighted by its noise
        (K,).
        """
        return self.problem.with_weight(seen / sigma[self.problem.cam // 2])

    def robust_sigmas(self, state: State, seen: Array) -> Array:
        """Return the noise (K,) of one coordinate in px, infinite where no point counts."""
        r = residuals(self.problem, state)
        squared, out = r[0] ** 2 + r[1] ** 2, np.full(len(self.is_free), np.inf)
        ends = self.problem.starts[self.edges]
        for k in range(len(out)):
            at = slice(int(ends[k]), int(ends[k + 1]))
            values = squared[:, at][seen[:, at] > 0]
            if values.size:
                out[k] = sigma_of_squares(values)
        return out


def _linearised(items: _Items, problem: Problem, state: State) -> tuple[Blocks, Array]:
    """Return the normal equations and the cost (K,) of the items, what is known of focal lengths
    included.
    """
    blocks = linearise(problem, state, TERMS, LOSS_SCALE)
    away, sigma = state.lens[:, 0] - items.known[:, 0], items.known[:, 1]
    blocks.camera[:, 6, 6] += 1.0 / sigma**2
    blocks.camera_gradient[:, 6] += away / sigma**2
    cost = np.add.reduceat(blocks.frame_cost, items.edges[:-1])
    return blocks, cost + 0.5 * ((away / sigma) ** 2).reshape(-1, 2).sum(axis=1)


def _descend(
    items: _Items, problem: Problem, state: State, max_iterations: int
) -> tuple[State, Blocks]:
    """Return where the descent of each item ends, and the blocks there."""
    item = np.arange(len(items.is_free))
    frames = items.of_frames(item)
    return descend_each(
        state,
        TERMS,
        Owners(np.repeat(item, 2), frames, frames[problem.frame]),
        lambda at: _linearised(items, problem, at),
        lambda blocks, damping: _damped_steps(items, blocks, damping),
        lambda fall, predicted, cost: (
            (predicted <= TOLERANCE * cost) | ((fall > 0) & (fall <= TOLERANCE * cost))
        ),
        1e-3,
        max_iterations,
    )


def _reduced(items: _Items, blocks: Blocks, damping: Array) -> tuple[Array, Array, Array, Array]:
    """Return the items' reduced matrices (K, 14, 14) and gradients (K, 14), and what gives the
    frames' steps.

    Those are the factors (F, d, d) and the whitened couplings with the gradient last (F, d, 15).
    """
    n_items, n_frames, d = len(items.is_free), *blocks.frame_gradient.shape
    n = 2 * N_CAMERA
    factors = inverse_factors(damped(blocks.frame, items.of_frames(damping)))
    coupling = np.swapaxes(blocks.coupling.reshape(n_frames, 2, d, N_CAMERA), 1, 2).reshape(
        n_frames, d, n
    )
    whitened = factors @ np.concatenate([coupling, blocks.frame_gradient[:, :, None]], axis=2)
    S, g = np.zeros((n_items, n, n)), blocks.camera_gradient.reshape(n_items, n).copy()
    camera = blocks.camera.reshape(n_items, 2, N_CAMERA, N_CAMERA)
    S[:, :N_CAMERA, :N_CAMERA], S[:, N_CAMERA:, N_CAMERA:] = camera[:, 0], camera[:, 1]
    S = damped(S, damping)
    for k in range(n_items):
        A = whitened[items.edges[k] : items.edges[k + 1]].reshape(-1, n + 1)
        S[k] -= A[:, :n].T @ A[:, :n]
        g[k] -= A[:, :n].T @ A[:, n]
    return S, g, factors, whitened


def _free_only(items: _Items, S: Array) -> tuple[Array, Array]:
    """Return matrices (K, 14, 14) scaled to a unit diagonal, held rows as in the identity, and the
    scales (K, 14).
    """
    scale = np.where(items.is_free, 1.0 / np.sqrt(np.maximum(np.einsum("kii->ki", S), 1e-300)), 0.0)
    A = np.nan_to_num(S) * scale[:, :, None] * scale[:, None, :]
    # A little more than rounding on the diagonal: a direction that an item leaves open gets no
    # step, and no error.
    np.einsum("kii->ki", A)[:] += np.where(items.is_free, 1e-12, 1.0)
    return A, scale


def _damped_steps(items: _Items, blocks: Blocks, damping: Array) -> tuple[Array, Array, Array]:
    """Return the steps of cameras (2 K, 7) and frames (F, d), and the fall of cost (K,) that they
    foresee.
    """
    S, g, factors, whitened = _reduced(items, blocks, damping)
    A, scale = _free_only(items, S)
    step = np.nan_to_num(
        -scale * np.linalg.solve(A, (scale * np.nan_to_num(g))[:, :, None])[:, :, 0]
    )
    along = (
        whitened @ items.of_frames(np.pad(step, ((0, 0), (0, 1)), constant_values=1.0))[:, :, None]
    )
    frame_step = -(np.swapaxes(factors, 1, 2) @ along)[:, :, 0]
    camera_step = step.reshape(-1, N_CAMERA)
    slope = blocks.frame_gradient * frame_step
    curve = np.einsum("fii->fi", blocks.frame) * frame_step**2
    of_frames = items.of_frames(damping)[:, None] * curve - slope
    predicted = np.add.reduceat(of_frames.sum(axis=1), items.edges[:-1])
    own = np.einsum("cii->ci", blocks.camera) * camera_step**2 * np.repeat(damping, 2)[:, None]
    own -= blocks.camera_gradient * camera_step
    return camera_step, frame_step, 0.5 * (predicted + own.sum(axis=1).reshape(-1, 2).sum(axis=1))


def _variances(items: _Items, blocks: Blocks) -> Array:
    """Return the variances (K, 14) of the items' parameters, 0 of those that are held."""
    S, *_ = _reduced(items, blocks, np.zeros(len(items.is_free)))
    A, scale = _free_only(items, S)
    return np.asarray(np.einsum("kii->ki", np.linalg.inv(A)) * scale**2)


def _fit_of(state: State, item: int, sigma_px: float, variance: Array) -> PairFit | None:
    """Return an item's outcome, None where it is no pose of two cameras."""
    lens, t = state.lens[2 * item : 2 * item + 2], state.cam_t[2 * item + 1]
    if not (
        np.isfinite(sigma_px)
        and (variance >= 0).all()
        and np.isfinite(t).all()
        and (lens[:, 0] > 0).all()
    ):
        return None
    at = N_CAMERA
    return PairFit(
        sigma_px,
        state.cam_R[2 * item + 1],
        t,
        lens[:, 0],
        np.sqrt(variance[[6, at + 6]]) / lens[:, 0],
        float(np.sqrt(variance[at : at + 3].sum())),
        float(np.sqrt(variance[at + 3 : at + 6].sum())),
    )
