"""Does a camera's lens need more terms, or fewer? Score and Wald tests at the minimum that a solve has reached.

With the frames eliminated the cost is, near its minimum, a quadratic in the cameras' free parameters ``a`` (all
cameras together) and the lens terms ``b`` that were held. For a group of terms of one camera::

    more:  h = g_b - S_ba S_aa^-1 g_a,  B = S_bb - S_ba S_aa^-1 S_ab,  chi-square = h^T B^-1 h
    fewer: e = estimate - value it would be held at,  chi-square = e^T Var(e)^-1 e

The first needs no second solve and equals, to first order, twice the fall of the cost that such a solve would show.

Sources: Rao, Large sample tests of statistical hypotheses concerning several parameters, 1948 (score test); Wald,
Tests of statistical hypotheses concerning several parameters when the number of observations is large, 1943; both
and the likelihood ratio compared in Engle, Wald, likelihood ratio, and Lagrange multiplier tests in econometrics, 1984.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array
from calib.solve.bundle import (
    BundleOptions,
    Prior,
    bundle,
    free_parameters,
    gauge_motions,
    inverse_factors,
    reduced_system,
)
from calib.solve.lens_report import ALPHA, LensModelReport, TermFinding, together
from calib.solve.linearise import Blocks, weighted_rows
from calib.solve.problem import TERMS, Chunk, Problem, State, term_values
from calib.solve.refine import Fit
from calib.solve.start import term_names
from calib.solve.threads import in_groups, one_blas_thread

# Share of a parameter's information that is its own. What is left below it is rounding of the elimination: the
# denominator's k4 to k6 repeat k1 to k3 all but entirely, and mostly only one or two of their directions remain.
RANK_CUT = 1e-9
EFFECT_RUNS, EFFECT_RUN = 24, 12  # runs of frames and their length
# The residuals make a finding's rival less likely by no more than this (chi-square of 1 degree at 1e-3).
LEAD = 10.8


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """The reduced system (N, N) of cameras and wand shape with all lens terms of ``options``, free and held."""

    names: tuple[str, ...]
    noise_px: Array
    problem: Problem
    state: State
    options: BundleOptions
    blocks: Blocks
    factors: Array
    matrix: Array
    gradient: Array
    free: NDArray[np.intp]  # places of the free parameters among N
    covariance: Array  # of these, in some gauge

    def places(self, camera: int, names: Sequence[str]) -> NDArray[np.intp]:
        """Return where the named lens terms of a camera lie among the N parameters."""
        n = 6 + len(self.options.terms)
        return np.array([camera * n + 6 + self.options.terms.index(name) for name in names], dtype=np.intp)

    def finding(self, camera: int, group: str, kind: str, statistic: float, dof: int, p_value: float) -> TermFinding:
        """Return the finding of a camera by index, its effect still to be found."""
        noise = float(self.noise_px[camera])
        return TermFinding(self.names[camera], group, kind, statistic, dof, p_value, float("nan"), noise)


@one_blas_thread
def examine_lenses(fit: Fit, names: Sequence[str], groups: Sequence[str] | None = None) -> LensModelReport:
    """Return what the final fit says about each camera's lens terms; ``names`` (C,) are the cameras'.

    Tested for "add" are ``groups`` (all but ``rational`` when None) as far as a camera held them, for "drop" the
    freed groups with a value to hold them at, which is the prior's mean. Terms that are added one by one explain away
    what another camera's missing term did to its neighbours: the most significant is taken up first, and the others are
    tested with it free (forward selection), until none is left below 0.01 after Holm's correction.

    Raises InputError for a group that does not exist.
    Source: Holm, A simple sequentially rejective multiple test procedure, 1979; and those of this module.
    """
    groups = [g for g in TERMS if g != "rational"] if groups is None else list(groups)
    is_wanted = {*term_names(groups), *fit.options.terms}
    terms = tuple(name for g in TERMS.values() for name in g if name in is_wanted)
    system = _linearised(fit, tuple(names), terms)
    is_free = np.zeros(len(system.matrix), bool)
    is_free[system.free] = True
    n_points = np.bincount(fit.problem.cam, (fit.problem.weight > 0).sum(axis=0), fit.problem.n_cameras)
    candidates: list[_Places] = []
    freed: list[_Places] = []
    for c in np.flatnonzero(n_points).tolist():
        for g, members in TERMS.items():
            at = system.places(c, [name for name in members if name in terms])
            if g in groups and not is_free[at].all():
                candidates.append((c, g, at[~is_free[at]]))
            if len(at) == len(members) and is_free[at].all():
                freed.append((c, g, at))
    added, steps = _additions(system, candidates)
    dropped, drop_steps = _removals(system, freed)
    findings = added + dropped
    owner = np.array([names.index(f.camera) for f in findings], dtype=np.intp)
    effect = _moves_px(system, np.array(steps + drop_steps).reshape(len(owner), len(system.matrix)).T, owner)
    findings = [replace(f, effect_px=float(size)) for f, size in zip(findings, effect, strict=True)]
    free_groups = {g for _, g, _ in freed}
    held = set(np.flatnonzero(n_points).tolist()) - {c for c, *_ in freed}
    return LensModelReport(
        tuple(findings), tuple(g for g in TERMS if g in free_groups), tuple(names[c] for c in sorted(held))
    )


_Places = tuple[int, str, NDArray[np.intp]]  # camera, group, places of its terms among all parameters


def _linearised(fit: Fit, names: tuple[str, ...], terms: tuple[str, ...]) -> _System:
    """Linearise at the minimum with more ``terms``, eliminate the frames and invert the free part, gauge fixed."""
    problem, state, options = fit.problem, fit.result.state, fit.options
    n_cameras, n = problem.n_cameras, 6 + len(terms)
    column = np.array([terms.index(name) for name in options.terms], dtype=np.intp)
    is_free = np.zeros((n_cameras, n), bool)
    is_free[:, [*range(6), *(6 + column)]] = True if options.is_free is None else options.is_free
    mean = np.stack([term_values(state.lens, name) for name in terms], axis=1)
    sigma = np.full(mean.shape, np.inf)
    if options.prior is not None:
        # A held term's prior says nothing here: whether it was rightly held is the question.
        mean[:, column] = options.prior.mean
        sigma[:, column] = np.where(is_free[:, 6 + column], options.prior.sigma, np.inf)
    more = replace(options, terms=terms, is_free=is_free, prior=Prior(mean, sigma), loss_scale=np.inf, max_iterations=0)
    blocks = bundle(problem, state, more).blocks
    factors = inverse_factors(blocks.frame)
    S, g = reduced_system(problem, blocks, factors)
    free, has_gauge = free_parameters(n_cameras, more, len(blocks.shape))
    free = free[np.diag(S)[free] > 0]  # without the parameters of cameras that have no points
    scale = 1.0 / np.sqrt(np.diag(S)[free])
    A = S[np.ix_(free, free)] * scale[:, None] * scale
    if has_gauge:
        Q, _ = np.linalg.qr(
            gauge_motions(state, n, len(blocks.shape), more.distance is not None)[free] / scale[:, None]
        )
        A = A + Q @ Q.T
    covariance = np.linalg.inv(A) * scale[:, None] * scale
    noise = np.sqrt(2.0) * fit.sigma_px
    return _System(names, noise, problem, state, more, blocks, factors, S, g, free, covariance)


def rank_inverse(information: Array, reference: Array) -> tuple[Array, int]:
    """Return the inverse (n, n) of a symmetric matrix over directions that are more than rounding, and their number.

    ``reference`` (n,) is the information on each parameter before others took their share; an eigenvalue of the
    matrix in these units below 1e-9 counts as none.
    """
    scale = 1.0 / np.sqrt(np.maximum(reference, 1e-300))
    value, axes = np.linalg.eigh(information * scale[:, None] * scale)
    keep = value > RANK_CUT
    half = scale[:, None] * axes[:, keep] / np.sqrt(value[keep])
    return half @ half.T, int(keep.sum())


def log_p_value(statistic: float, dof: int) -> float:
    """Return log of the probability that chi-square exceeds ``statistic``, also where the probability underflows.

    Source: Abramowitz & Stegun, Handbook of mathematical functions, 1964, 6.5.32 (leading terms).
    """
    if dof == 0:
        return 0.0
    p = float(special.chdtrc(dof, statistic))
    if p > 1e-290:
        return float(np.log(p))
    half, a = statistic / 2.0, dof / 2.0
    return float((a - 1.0) * np.log(half) - half + np.log1p((a - 1.0) / half) - special.gammaln(a))


def _additions(system: _System, candidates: list[_Places]) -> tuple[list[TermFinding], list[Array]]:
    """Return score tests of groups that were held, and the step (N,) of all parameters that each foresees."""
    if not candidates:
        return [], []
    S, C, free = system.matrix, system.covariance, system.free
    held = np.concatenate([at for *_, at in candidates])
    spans = np.split(np.arange(len(held)), np.cumsum([len(at) for *_, at in candidates])[:-1])
    S_ab = S[np.ix_(free, held)]
    respond = np.zeros((len(S), len(held)))  # how all parameters follow one that was held
    respond[held, np.arange(len(held))] = 1.0
    respond[free] = -C @ S_ab
    B = S[np.ix_(held, held)] + S_ab.T @ respond[free]
    h = system.gradient[held] + respond[free].T @ system.gradient[free]
    reference = np.diag(S)[held]
    remaining = list(range(len(candidates)))
    ranked: list[TermFinding] = []
    steps: list[Array] = []
    close: list[int] = []
    bound, is_open = 0.0, True
    while remaining:
        if is_open:  # once nothing is significant the tests stay as they are
            inverse = {k: rank_inverse(B[np.ix_(s, s)], reference[s]) for k in remaining for s in [spans[k]]}
            statistic = {k: float(h[spans[k]] @ inverse[k][0] @ h[spans[k]]) for k in remaining}
            log_p = {k: log_p_value(statistic[k], inverse[k][1]) for k in remaining}
            is_clear = {k: log_p[k] + np.log(len(remaining)) < np.log(ALPHA) for k in remaining}
            # What was as good as the one just freed, and is nothing with it free, would have done in its place.
            rivals = tuple(f"{system.names[candidates[k][0]]} {candidates[k][1]}" for k in close if not is_clear[k])
            ranked[-1:] = [replace(f, rivals=rivals) for f in ranked[-1:]]
        best = min(remaining, key=lambda k: log_p[k])
        corrected = min(1.0, float(np.exp(log_p[best])) * len(remaining))
        # Among tests of one step a less likely one never gets a smaller p; each step that frees a group starts anew.
        bound = corrected if is_open else max(bound, corrected)
        (camera, group, _), span = candidates[best], spans[best]
        inverse_B, dof = inverse[best]
        ranked.append(system.finding(camera, group, "add", statistic[best], dof, bound))
        steps.append(-respond[:, span] @ inverse_B @ h[span])
        remaining.remove(best)
        close = [k for k in remaining if is_clear[k] and log_p[k] < log_p[best] + LEAD / 2.0]
        is_open = is_open and bound < ALPHA
        if is_open:  # free it from here on: the others lose what they share with it
            shared = inverse_B @ B[span]
            h = h - shared.T @ h[span]
            respond = respond - respond[:, span] @ shared
            B = B - B[:, span] @ shared
    return ranked, steps


def _removals(system: _System, freed: list[_Places]) -> tuple[list[TermFinding], list[Array]]:
    """Return Wald tests of freed groups against their prior's mean, and the step (N,) that takes each back to it.

    The prior itself must not count as evidence. With B the information on the group, prior included, and D without
    it, the estimate's offset e has the variance B^-1 D B^-1 where the mean is true.
    """
    results: list[TermFinding] = []
    steps: list[Array] = []
    prior = system.options.prior
    assert prior is not None
    values = np.stack([term_values(system.state.lens, name) for name in system.options.terms], axis=1)
    for camera, group, _ in freed:
        gone = [g for c, g, _ in freed if c == camera and g in together(group)]
        at = np.concatenate([p for c, g, p in freed if c == camera and g in gone])
        column = [system.options.terms.index(name) for g in gone for name in TERMS[g]]
        sigma = prior.sigma[camera, column]
        if group == "principal" or not np.isfinite(sigma).all():  # no value that a lens is built to
            continue
        own = np.searchsorted(system.free, at)
        B = np.linalg.inv(system.covariance[np.ix_(own, own)])
        pull = B @ (values - prior.mean)[camera, column]
        inverse_D, dof = rank_inverse(np.asarray(B - np.diag(1.0 / sigma**2)), np.diag(system.matrix)[at])
        statistic = float(pull @ inverse_D @ pull)
        step = np.zeros(len(system.matrix))
        step[system.free] = -system.covariance[:, own] @ pull
        p_value = float(np.exp(log_p_value(statistic, dof)))
        results.append(system.finding(camera, group, "drop", statistic, dof, p_value))
        steps.append(step)
    return results, steps


def _moves_px(system: _System, steps: Array, owner: NDArray[np.intp]) -> Array:
    """Return the RMS (K,) in px by which steps (N, K) move the points of their ``owner`` (K,), wands following.

    Some hundred frames, evenly over the capture, show it to a few percent; a camera that they miss is asked in all.
    """
    problem = system.problem
    first = np.unique(np.linspace(0, max(problem.n_frames - EFFECT_RUN, 0), EFFECT_RUNS).astype(int))
    few = [problem.chunk(a, min(a + EFFECT_RUN, b)) for a, b in pairwise([*first, problem.n_frames])]
    total, n_points = _squared_moves(system, steps, owner, few)
    if (n_points[owner] == 0).any():
        total, n_points = _squared_moves(system, steps, owner, problem.chunks)
    return np.asarray(np.sqrt(total / n_points[owner]))


def _squared_moves(
    system: _System, steps: Array, owner: NDArray[np.intp], chunks: Sequence[Chunk]
) -> tuple[Array, Array]:
    """Return the sums (K,) in px² of these moves over chunks of frames, and each camera's points (C,) in them."""
    problem, blocks, names = system.problem, system.blocks, system.options.terms
    n, n_turn, n_markers = 6 + len(names), problem.n_turn, len(problem.weight)
    d, n_axes = n_turn + 3, len(blocks.shape) // n_markers
    of_cameras = steps[: problem.n_cameras * n].reshape(problem.n_cameras, n, len(owner))
    of_shape = steps[problem.n_cameras * n :]

    def run(chunks: Sequence[Chunk]) -> Array:
        """Return the sums of squared moves over these chunks."""
        total = np.zeros(len(owner))
        for chunk in chunks:
            near = np.flatnonzero(np.isin(owner, chunk.cameras))
            if not near.size:
                continue
            cam, frame = problem.cam[chunk.pairs], problem.frame[chunk.pairs] - chunk.frames.start
            pull = np.empty((len(cam), d, len(near)))
            for c in chunk.cameras:
                pull[cam == c] = blocks.coupling[chunk.pairs][cam == c] @ of_cameras[c][:, near]
            pull_of_frames = problem.sum_to_frames(pull, chunk) + blocks.frame_shape[chunk.frames] @ of_shape[:, near]
            factors = system.factors[chunk.frames]
            of_frames = -np.swapaxes(factors, 1, 2) @ (factors @ pull_of_frames)
            rows = weighted_rows(problem, system.state, names, (problem.weight > 0).astype(float), chunk.pairs)
            for c in chunk.cameras:
                mine = owner[near] == c
                J = rows[cam == c]
                move = J[..., :d] @ of_frames[frame[cam == c]][:, None, :, mine]
                move += J[..., d:-1] @ of_cameras[c][:, near[mine]]
                if n_axes:
                    shift = of_shape[:, near[mine]].reshape(n_markers, n_axes, -1)
                    move += np.einsum("pmra,mak->pmrk", J[..., n_turn : n_turn + n_axes], shift)
                total[near[mine]] += (move**2).sum(axis=(0, 1, 2))
        return total

    pairs = np.concatenate([np.arange(len(problem.cam))[chunk.pairs] for chunk in chunks])
    seen = (problem.weight[:, pairs] > 0).sum(axis=0).astype(float)
    count = np.bincount(problem.cam[pairs], seen, problem.n_cameras).astype(float)
    return np.asarray(np.sum(in_groups(run, chunks), axis=0)), count
