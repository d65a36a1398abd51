"""Did the rig change while the wand was waved? The capture before and after each of some moments,
compared as two waves are.

Each part determines the cameras' poses by itself but for a motion of the world, which its own wand
poses take up. About the common fit that is linear: with S and g the reduced normal equations of a
part, cameras' poses alone, the part would have the cameras moved by ``-S⁺ g``; the difference d of
two parts has covariance ``S_1⁺ + S_2⁺``, and ``dᵀ (S_1⁺ + S_2⁺)⁺ d`` is chi-square if nothing
changed (Rao, Linear Statistical Inference and Its Applications, 2nd edition 1973, section 3b.4).
That information is the parts' parallel sum ``S_1 (S_1 + S_2)⁺ S_2`` (Anderson & Duffin, Series and
parallel addition of matrices, 1969).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.frames import without_gaps
from calib.core.geometry import Array
from calib.core.parameters import N_POSE, RING
from calib.solve.bundle.elimination import inverse_factors, reduced_system
from calib.solve.bundle.linearise import cauchy, linearise
from calib.solve.bundle.problem import Problem
from calib.solve.certainty.normal import Information, on_places, world_motions
from calib.solve.fit import in_placed_frames
from calib.solve.hold import RigFit
from calib.solve.lasting.by_place import without_field
from calib.solve.lasting.find import bin_frames
from calib.solve.lasting.leaning import without_leaning
from calib.solve.lasting.overdispersion import overdispersion_between
from calib.solve.lasting.shifts import shifts
from calib.solve.lasting.stretches import BREAK_S, MOST_PASSING_S, PASSES, STEP_PX, chance_at_end

STEP_CHANCE = 1e-6  # a step counts where chance makes it once in a million captures
# Chi-square over its degrees of freedom: sound captures have 0.2 to 1.2 without the stretches that
# stand off, and with them up to 7; a knock of a pixel has 10 to 1000 in either.
STEP_EXCESS, LASTING_EXCESS = 3.0, 20.0
# With the stretches that stand off, a step must be so many times what either side shows within
# itself: one stretch that lies across a moment shows as much at its other end.
TIMES_WITHIN = 2.0
# Errors that last come to a camera by itself; at the wave's end, where no other end is seen, so
# many cameras that change at once are moved.
SEVERAL = 3
# Of a camera's points on one side of a step: as many in stretches that stand off leave none to say
# otherwise. They must span so long, as what is over sooner passes.
HIDDEN, STAYS_S = 0.8, 3.0
# Of -2 log likelihood among the points outside of them: by chance one in fifty at most says so.
SAID = 4.0
# Cameras are let go until this share of chi-square is left: effects of a large move are not linear.
REST = 0.1
# Share of chi-square that each further camera must be worth at a moment chosen: near the true one
# the knocked cameras alone explain what elsewhere takes half of the rig.
EACH = 0.03
LEAST = 0.35  # of the largest shift
MOMENTS = 9  # at every tenth of the capture
LOSS_SCALE = 3.0  # Cauchy's, in sigmas: points that a knock put beyond the gate keep a say
ROUNDING = 1.001
CUTOFF = 1e-9  # of the largest scaled entry: the world's motions, and cameras without points


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """The moment at which two parts of the capture differ most: from ``frame`` on.

    ``excess`` is chi-square over its degrees of freedom, ``explained`` what is taken of it by the
    cameras that ``moved``, ``gain (C,)`` what each would take by itself, ``shift_px (C,)`` how far
    each camera's points move, RMS, with everything else where the common fit has it.
    ``excess_within`` and ``gain_within (C,)`` are the largest at any moment within either side, of
    which the shorter lasts ``side_s``. ``move (C, 6)``, its ``information`` and ``score`` are those
    of each camera, none of the others having moved.
    """

    frame: int
    chi_square: float
    freedom: int
    p_value: float
    moved: NDArray[np.bool_]
    shift_px: Array
    explained: float
    gain: Array
    gain_within: Array
    move: Array
    information: Array
    score: Array
    excess_within: float = 0.0
    side_s: float = np.inf

    def speaks_for(self, step: Step) -> Array:
        """Return by how much -2 log likelihood falls here (C,) if each camera alone moved as it
        would in ``step``.
        """
        move = (
            np.linalg.pinv(step.information, rcond=CUTOFF, hermitian=True) @ step.score[..., None]
        )
        taken = np.swapaxes(move, 1, 2) @ (2.0 * self.score[..., None] - self.information @ move)
        return np.asarray(taken[:, 0, 0])

    @property
    def is_sure(self) -> bool:
        """Whether it is more than chance and errors that last make of it."""
        return self.p_value < STEP_CHANCE and self.excess > STEP_EXCESS

    @property
    def is_real(self) -> NDArray[np.bool_]:
        """Which cameras (C,) moved, by so much that it is no trace of another's knock, and more
        than they seem to at any other moment.
        """
        least = max(STEP_PX, LEAST * float(self.shift_px[self.moved].max(initial=0.0)))
        stays = self.gain > self.gain_within
        return np.asarray(self.moved & stays & (self.shift_px > least) & self.is_sure)

    @property
    def outlasts(self) -> bool:
        """Whether it is more than errors that last make of points none of which are left out for
        them.
        """
        is_long = self.side_s > MOST_PASSING_S or self.moved.sum() >= SEVERAL
        return (
            bool(self.excess > max(LASTING_EXCESS, TIMES_WITHIN * self.excess_within)) and is_long
        )

    @property
    def excess(self) -> float:
        return self.chi_square / max(self.freedom, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """The cameras that moved during a wave, which shows most first: from which frame on, and by how
    many px. ``n_seen`` cameras see the wand before and after: of others nothing is known.
    """

    of: dict[str, tuple[int, float]]
    n_seen: int = 0

    @property
    def is_rigs(self) -> bool:
        """Whether most cameras moved: it is the rig that changed, then."""
        return 2 * len(self.of) > self.n_seen

    def apart_from(self, frame: int, reach: float) -> Moves:
        """Return the moves farther from a frame."""
        far = {name: at for name, at in self.of.items() if abs(at[0] - frame) > reach}
        return replace(self, of=far)


def moves_of(step: Step | None, fit: RigFit, names: Sequence[str]) -> Moves:
    """Return the cameras of these names that moved at a step of a fit, none where errors that last
    may stand off so at the wave's end.
    """
    if step is None:
        return Moves({})
    moved = sorted(np.flatnonzero(step.is_real).tolist(), key=lambda c: -float(step.gain[c]))
    if moved and may_pass(fit, moved, step.frame, float(step.shift_px[moved].min())):
        moved = []
    return Moves(
        {names[c]: (step.frame, float(step.shift_px[c])) for c in moved},
        int((step.shift_px > 0).sum()),
    )


def may_pass(fit: RigFit, cameras: Collection[int], frame: int, size_px: float) -> bool:
    """Return whether errors that last explain that cameras stand off by such a size from a frame
    on, or up to it.
    """
    return chance_at_end(fit.problem, fit.stretches, cameras, frame, size_px) > PASSES


def largest_step(fit: RigFit) -> Step | None:
    """Return the step between two parts of a capture that is least likely to be chance, None of a
    capture too short to part.

    What came after a late knock may have been left out as errors that last: where all points tell
    of a step by more than such errors do, it is theirs, unless each camera of it has other points
    on both sides that tell of none there.
    """
    fit = _evened(fit)
    quiet = _largest(fit, _robust(fit, ~fit.is_passing))
    every = _largest(fit, _robust(fit, ~np.zeros_like(fit.is_passing)))
    if quiet is None or every is None or not every.outlasts:
        return quiet
    there = _largest(fit, _robust(fit, ~fit.is_passing), every.frame)
    is_shown = quiet.is_real | _is_hidden(fit, every.frame)
    is_shown |= there.speaks_for(every) > SAID if there is not None else False
    return every if (every.is_real & is_shown).any() else quiet


def _evened(fit: RigFit) -> RigFit:
    """Return the fit without what comes back with the wand's place or turn, as parts of a wave see
    other places and turns: what a lens is beyond its model would pass for a step. Where points are
    off all the time its noise is as large as it is to means of long stretches.
    """
    even = without_leaning(fit.weighted, fit.state, fit.leaning)
    even = without_field(even, fit.state, fit.sigma_px)
    usual = overdispersion_between(shifts(even, fit.state, None, bin_frames(even.rate_hz)))
    return replace(
        fit,
        problem=replace(fit.problem, uv_px=even.uv_px),
        residual_px=fit.residual_px + even.uv_px - fit.problem.uv_px,
        sigma_px=fit.sigma_px * np.sqrt(usual.most),
        scatter=None,
    )


def _is_hidden(fit: RigFit, frame: int) -> NDArray[np.bool_]:
    """Return of which cameras (C,) nearly all points on one side of a frame lie in stretches that
    stand off; the moment may lie as far from it as the next that is looked at.
    """
    problem, is_off = fit.problem, fit.is_passing
    number = problem.frame_number[problem.frame]
    reach = problem.n_frames // (MOMENTS + 1)
    out = np.zeros(problem.n_cameras, bool)
    for c, at in enumerate(problem.pairs_by_camera()):
        for away in (frame - 1 - number[at], number[at] - frame):
            for own in (at[away >= 0], at[away >= reach]):
                # A view long before the rest says nothing of the time between.
                seen = without_gaps(number[own], BREAK_S * problem.rate_hz)
                if seen.max(initial=0) >= STAYS_S * problem.rate_hz:
                    out[c] |= is_off[own].mean() > HIDDEN
    return out


def _largest(fit: RigFit, problem: Problem, frame: int | None = None) -> Step | None:
    """Return the largest step at any of the moments, or that at the moment of a frame."""
    edges = np.linspace(0, problem.n_frames, MOMENTS + 2).astype(int)
    if np.diff(edges).min() < 1:
        return None
    parts = [_normal(problem, fit, a, b) for a, b in pairwise(edges)]
    S, g, H, L = (np.array([p[k] for p in parts]) for k in range(4))
    motions = world_motions(fit.state.cam_R, fit.state.position_mm, N_POSE)
    motions = on_places(-fit.state.cam_R, N_POSE, motions)[:, : 7 if problem.n_rotation == 0 else 6]
    n_points = np.bincount(problem.cam, (problem.weight > 0).sum(axis=0), problem.n_cameras)
    # What a squared step of a camera alone does to its points, on average, in px².
    of_camera = H.sum(0) * (fit.sigma_px**2 / np.maximum(n_points, 1))[:, None, None]

    def between(first: int, k: int, last: int) -> Step:
        one, other = (
            (S[a:b].sum(0), g[a:b].sum(0), L[a:b].sum(0)) for a, b in ((first, k), (k, last))
        )
        return _step(one, other, motions, of_camera, int(problem.frame_number[edges[k]]))

    end = MOMENTS + 1
    if frame is not None:
        return between(0, int(np.abs(problem.frame_number[edges[1:-1]] - frame).argmin()) + 1, end)
    steps = [between(0, k, end) for k in range(1, end)]
    most = max(s.chi_square for s in steps)
    score = [s.explained - EACH * most * int(s.moved.sum()) for s in steps]
    k = int(np.argmax(score)) + 1
    step = steps[k - 1]
    if not step.is_sure:
        return step
    within = [between(a, j, b) for a, b in ((0, k), (k, end)) for j in range(a + 1, b)]
    number = problem.frame_number[np.minimum(edges, problem.n_frames - 1)]
    return replace(
        step,
        gain_within=np.max([s.gain for s in within], axis=0),
        excess_within=max(s.excess for s in within),
        side_s=float(min(number[k] - number[0], number[-1] - number[k]) / problem.rate_hz),
    )


def _robust(fit: RigFit, counts: NDArray[np.bool_]) -> Problem:
    """Return the problem with all points of the pairs that count (P,), in frames with a pose,
    weighted by Cauchy's loss.
    """
    problem = fit.problem
    seen = in_placed_frames(problem, problem.row >= 0) & counts
    sigma = fit.sigma_px[problem.cam]
    weight = cauchy((fit.residual_px**2).sum(axis=0) / sigma**2, LOSS_SCALE)[1]
    return problem.with_weight(np.where(seen, np.sqrt(weight) / sigma, 0.0))


def _normal(
    problem: Problem, fit: RigFit, first: int, last: int
) -> tuple[Array, Array, Array, Array]:
    """Return a part's reduced matrix and gradient, the cameras' own blocks (C, 6, 6), and how the
    gradient changes by an error of each held lens term, in its own sigmas (6 C, 3 C).
    """
    part = problem.part(first, last)
    state = fit.state.of_frames(slice(first, last))
    n, sigma = problem.n_cameras, fit.ring_sigma_px
    blocks = linearise(part, state, RING if sigma.size else (), np.inf)
    S, g = reduced_system(part, blocks, inverse_factors(blocks.frame))
    wide = N_POSE + sigma.size // n
    S, g = S.reshape(n, wide, n, wide)[:, :N_POSE], g.reshape(n, wide)[:, :N_POSE].ravel()
    own = blocks.camera[:, :N_POSE, :N_POSE]
    size = n * N_POSE
    of_held = S[..., N_POSE:].reshape(size, -1) * sigma.ravel()
    return S[..., :N_POSE].reshape(size, size), g, own, of_held


def _step(
    before: tuple[Array, Array, Array],
    after: tuple[Array, Array, Array],
    motions: Array,
    of_camera: Array,
    frame: int,
) -> Step:
    """Return the step at a frame between two parts, given by reduced matrix, gradient and what held
    lenses do to it, none of which tells of the ``motions`` of the world.

    A lens is off alike in both parts, but the poses answer it by where each has its points.
    """
    n = len(of_camera)
    least = np.minimum(np.diag(before[0]), np.diag(after[0]))
    scale = np.where(least > 0, 1.0 / np.sqrt(np.maximum(least, 1e-300)), 0.0)
    one, other = (S * scale[:, None] * scale for S, *_ in (before, after))
    Q = np.linalg.qr(motions * np.sqrt(np.maximum(least, 0.0))[:, None])[0]
    world = Q @ Q.T
    solutions = [
        Information.of(S + world, scale * g).solve(scale[:, None] * np.column_stack([g, of_held]))
        for S, (_, g, of_held) in ((one, before), (other, after))
    ]
    d, lenses = np.split(solutions[0] - solutions[1], [1], axis=1)
    d = d[:, 0]
    W = one @ Information.of(one + other + world).solve(other)
    W = 0.5 * (W + W.T)
    freedom = int(np.linalg.matrix_rank(W, hermitian=True, tol=CUTOFF * np.abs(W).max()))
    if lenses.size:
        W = np.array(Information.of(W).blurred(lenses).matrix)
    w = W @ d
    chi = float(d @ w)
    moved, chi_left, left = np.zeros(n, bool), chi, freedom
    gain, inverse = _gains(W, w, ROUNDING * chi)
    alone, unit = gain, np.where(scale > 0, 1.0 / np.maximum(scale, 1e-300), 0.0)
    score, own = w.reshape(n, N_POSE), np.einsum("cicj->cij", W.reshape(n, N_POSE, n, N_POSE))
    move = np.einsum("cij,cj->ci", inverse, score)
    scale_c, unit_c = scale.reshape(n, N_POSE), unit.reshape(n, N_POSE)
    alone_move = move * scale_c, own * unit_c[:, :, None] * unit_c[:, None], score * unit_c
    # Cameras are let go one by one, each time the one that explains most.
    while left > 0 and chi_left > max(STEP_EXCESS * left, REST * chi) and moved.sum() < n - 1:
        c = int(np.where(moved, -np.inf, gain).argmax())
        moved[c], at = True, slice(c * N_POSE, (c + 1) * N_POSE)
        took = W[:, at] @ inverse[c]
        W, w = W - took @ W[at], w - took @ w[at]
        chi_left, left = chi_left - float(gain[c]), freedom - N_POSE * int(moved.sum())
        gain, inverse = _gains(W, w, ROUNDING * chi)
    by_camera = (d * scale).reshape(n, N_POSE)
    square = np.einsum("ci,cij,cj->c", by_camera, of_camera, by_camera)
    p = float(special.chdtrc(max(freedom, 1), chi))
    explained = chi - chi_left if moved.any() else chi - freedom
    within, shift = np.zeros(n), np.sqrt(square)
    return Step(frame, chi, freedom, p, moved, shift, explained, alone, within, *alone_move)


def _gains(W: Array, w: Array, most: float) -> tuple[Array, Array]:
    """Return by how much chi-square falls as each camera (C,) is let go, and the inverses (C, 6, 6)
    of their own blocks; 0 where that is more than the ``most`` there is, which rounding makes of a
    camera that one part hardly tells of.
    """
    n = len(w) // N_POSE
    own = np.einsum("cicj->cij", W.reshape(n, N_POSE, n, N_POSE))
    inverse = np.linalg.pinv(own, rcond=CUTOFF, hermitian=True)
    of = w.reshape(n, N_POSE)
    gain = np.einsum("ci,cij,cj->c", of, inverse, of)
    return np.asarray(np.where(gain <= most, gain, 0.0)), inverse
