"""Does a camera's lens need more terms, or fewer? Score and Wald tests at the minimum that a solve
has reached.

With the frames eliminated the cost is, near its minimum, a quadratic in the cameras' free
parameters ``a`` (all cameras together) and the lens terms ``b`` that were held.
For a group of terms of one camera::

    more:  h = g_b - S_ba S_aa^-1 g_a,  B = S_bb - S_ba S_aa^-1 S_ab,  chi-square = h^T B^-1 h
    fewer: e = estimate - value it would be held at,  chi-square = e^T Var(e)^-1 e

The first needs no second solve and equals, to first order, twice the fall of the cost that such a
solve would show.

Sources: Rao, Large sample tests of statistical hypotheses concerning several parameters, 1948
(score test); Wald, Tests of statistical hypotheses concerning several parameters when the number of
observations is large, 1943; both and the likelihood ratio compared in Engle, Wald, likelihood
ratio, and Lagrange multiplier tests in econometrics, 1984.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array
from calib.core.parameters import LENS_GROUPS, in_order, n_unknowns, term_names, term_values
from calib.core.threads import in_groups, one_blas_thread
from calib.solve.bundle.descent import (
    BundleOptions,
    Prior,
    free_parameters,
    normal_equations,
    without_frames,
)
from calib.solve.bundle.elimination import half_coupling_kernel, inverse_factors
from calib.solve.bundle.linearise import Blocks, weighted_rows
from calib.solve.bundle.problem import Chunk
from calib.solve.certainty.lens_report import ALPHA, LensModelReport, TermFinding, together
from calib.solve.certainty.normal import Information
from calib.solve.fit import Fit

EFFECT_RUNS, EFFECT_RUN = 24, 12  # runs of frames and their length
# The residuals make a finding's rival less likely by no more than this (chi-square of 1 degree at
# 1e-3).
LEAD = 10.8
USUAL = tuple(g for g in LENS_GROUPS if g != "rational")  # groups to ask about


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """A fit linearised at its minimum with more lens terms than it freed, those of ``options``,
    frames eliminated.

    ``information`` is of all N parameters: six and the lens terms of each camera, and the wand's
    shape.
    """

    fit: Fit
    options: BundleOptions
    blocks: Blocks
    factors: Array
    information: Information

    def places(self, camera: int, names: Sequence[str]) -> NDArray[np.intp]:
        """Return where the named lens terms of a camera lie among the N parameters."""
        n = n_unknowns(self.options.terms)
        return np.array(
            [camera * n + 6 + self.options.terms.index(name) for name in names], dtype=np.intp
        )

    def of_fit(self) -> Information:
        """Return what is said of the fit's own parameters."""
        n, n_cameras = n_unknowns(self.options.terms), self.fit.problem.n_cameras
        own = [
            [*(c * n + np.arange(6)), *self.places(c, self.fit.options.terms)]
            for c in range(n_cameras)
        ]
        n_all = len(self.information.own)
        return self.information.at(
            np.append(np.array(own, dtype=np.intp), np.arange(n_cameras * n, n_all))
        )


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """A fit with all its lens terms, and the covariance of the free parameters among them."""

    names: tuple[str, ...]
    whole: Whole
    free: NDArray[np.intp]  # places of the free parameters among N
    covariance: Array  # of these, in some gauge

    def finding(
        self, camera: int, group: str, kind: str, statistic: float, dof: int, p_value: float
    ) -> TermFinding:
        """Return the finding of a camera by index, its effect still to be found."""
        noise = float(np.sqrt(2.0) * self.whole.fit.sigma_px[camera])
        return TermFinding(
            self.names[camera], group, kind, statistic, dof, p_value, float("nan"), noise
        )


@one_blas_thread
def examine_lenses(
    fit: Fit, names: Sequence[str], groups: Sequence[str] | None = None, whole: Whole | None = None
) -> LensModelReport:
    """Return what the final fit says about each camera's lens terms; ``names`` (C,) are the
    cameras'.

    Tested for "add" are ``groups`` (all but ``rational`` when None) as far as a camera held them,
    for "drop" the freed groups with a value to hold them at, which is the prior's mean. Terms that
    are added one by one explain away what another camera's missing term did to its neighbours: the
    most significant is taken up first, and the others are tested with it free (forward selection),
    until none is left below 0.01 after Holm's correction. ``whole`` is the fit with the terms of
    these groups, where that is at hand.

    Raises InputError for a group that does not exist. Source: Holm, A simple sequentially rejective
    multiple test procedure, 1979; and those of this module.
    """
    groups = USUAL if groups is None else list(groups)
    whole = whole or with_held_terms(fit, groups)
    terms = whole.options.terms
    system = _System(tuple(names), whole, *_free_covariance(whole))
    is_free = np.zeros(len(whole.information.own), bool)
    is_free[system.free] = True
    n_points = np.bincount(
        fit.problem.cam, (fit.problem.weight > 0).sum(axis=0), fit.problem.n_cameras
    )
    candidates: list[_Places] = []
    freed: list[_Places] = []
    for c in np.flatnonzero(n_points).tolist():
        for g, members in LENS_GROUPS.items():
            at = whole.places(c, [name for name in members if name in terms])
            if g in groups and not is_free[at].all():
                candidates.append((c, g, at[~is_free[at]]))
            if len(at) == len(members) and is_free[at].all():
                freed.append((c, g, at))
    added, steps = _additions(system, candidates)
    dropped, drop_steps = _removals(system, freed)
    findings = added + dropped
    owner = np.array([names.index(f.camera) for f in findings], dtype=np.intp)
    effect = _moves_px(
        whole, np.array(steps + drop_steps).reshape(len(owner), len(whole.information.own)), owner
    )
    findings = [replace(f, effect_px=float(size)) for f, size in zip(findings, effect, strict=True)]
    free_groups = {g for _, g, _ in freed}
    held = set(np.flatnonzero(n_points).tolist()) - {c for c, *_ in freed}
    return LensModelReport(
        tuple(findings),
        tuple(g for g in LENS_GROUPS if g in free_groups),
        tuple(names[c] for c in sorted(held)),
    )


_Places = tuple[
    int, str, NDArray[np.intp]
]  # camera, group, places of its terms among all parameters


def with_held_terms(fit: Fit, groups: Sequence[str] | None = None) -> Whole:
    """Linearise at the minimum with the terms of more groups (all but ``rational`` when None);
    eliminate the frames.

    Raises InputError for a group that does not exist.
    """
    problem, state, options = fit.problem, fit.result.state, fit.options
    is_wanted = {*term_names(USUAL if groups is None else groups), *options.terms}
    terms = in_order(is_wanted)
    n = n_unknowns(terms)
    column = np.array([terms.index(name) for name in options.terms], dtype=np.intp)
    is_free = np.zeros((problem.n_cameras, n), bool)
    is_free[:, [*range(6), *(6 + column)]] = True if options.is_free is None else options.is_free
    mean = np.stack([term_values(state.lens, name) for name in terms], axis=1)
    sigma = np.full(mean.shape, np.inf)
    if options.prior is not None:
        # A held term's prior says nothing here: whether it was rightly held is the question.
        mean[:, column] = options.prior.mean
        sigma[:, column] = np.where(is_free[:, 6 + column], options.prior.sigma, np.inf)
    more = replace(
        options, terms=terms, is_free=is_free, prior=Prior(mean, sigma), loss_scale=np.inf
    )
    blocks, _ = normal_equations(problem, state, more)
    found = without_frames(problem, blocks)
    return Whole(fit, more, blocks, inverse_factors(blocks.frame), found)


def _free_covariance(whole: Whole) -> tuple[NDArray[np.intp], Array]:
    """Return the places of the free parameters (k,) and their covariance (k, k), gauge fixed."""
    found = whole.information
    free, motions = free_parameters(whole.fit.result.state, whole.options, len(whole.blocks.shape))
    free = free[found.own[free] > 0]  # without the parameters of cameras that have no points
    return free, found.at(free).fixed(motions[free]).covariance()


def log_p_value(statistic: float, dof: int) -> float:
    """Return log of the probability that chi-square exceeds ``statistic``, also where the
    probability underflows.

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
    """Return score tests of groups that were held, and the step (N,) of all parameters that each
    foresees.
    """
    if not candidates:
        return [], []
    found, C, free = system.whole.information, system.covariance, system.free
    S, gradient = found.matrix, found.gradient
    held = np.concatenate([at for *_, at in candidates])
    spans = np.split(np.arange(len(held)), np.cumsum([len(at) for *_, at in candidates])[:-1])
    S_ab = S[np.ix_(free, held)]
    respond = np.zeros((len(S), len(held)))  # how all parameters follow one that was held
    respond[held, np.arange(len(held))] = 1.0
    respond[free] = -C @ S_ab
    B = S[np.ix_(held, held)] + S_ab.T @ respond[free]
    h = gradient[held] + respond[free].T @ gradient[free]
    remaining = list(range(len(candidates)))
    ranked: list[TermFinding] = []
    steps: list[Array] = []
    close: list[int] = []
    bound, is_open = 0.0, True
    while remaining:
        if is_open:  # once nothing is significant the tests stay as they are
            inverse = {
                k: Information(B[np.ix_(s, s)], h[s], found.own[held[s]]).inverse()
                for k in remaining
                for s in [spans[k]]
            }
            statistic = {k: float(h[spans[k]] @ inverse[k][0] @ h[spans[k]]) for k in remaining}
            log_p = {k: log_p_value(statistic[k], inverse[k][1]) for k in remaining}
            is_clear = {k: log_p[k] + np.log(len(remaining)) < np.log(ALPHA) for k in remaining}
            # What was as good as the one just freed, and is nothing with it free, would have done
            # in its place.
            rivals = tuple(
                f"{system.names[candidates[k][0]]} {candidates[k][1]}"
                for k in close
                if not is_clear[k]
            )
            ranked[-1:] = [replace(f, rivals=rivals) for f in ranked[-1:]]
        best = min(remaining, key=lambda k: log_p[k])
        corrected = min(1.0, float(np.exp(log_p[best])) * len(remaining))
        # Among tests of one step a less likely one never gets a smaller p; each step that frees a
        # group starts anew.
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
    """Return Wald tests of freed groups against their prior's mean, and the step (N,) that takes
    each back to it.

    The prior itself must not count as evidence. With B the information on the group, prior
    included, and D without it, the estimate's offset e has the variance B^-1 D B^-1 where the mean
    is true.
    """
    results: list[TermFinding] = []
    steps: list[Array] = []
    whole = system.whole
    prior, terms = whole.options.prior, whole.options.terms
    assert prior is not None
    values = np.stack([term_values(whole.fit.result.state.lens, name) for name in terms], axis=1)
    for camera, group, _ in freed:
        gone = [g for c, g, _ in freed if c == camera and g in together(group)]
        at = np.concatenate([p for c, g, p in freed if c == camera and g in gone])
        column = [terms.index(name) for g in gone for name in LENS_GROUPS[g]]
        sigma = prior.sigma[camera, column]
        if group == "principal" or not np.isfinite(sigma).all():  # no value that a lens is built to
            continue
        own = np.searchsorted(system.free, at)
        B = np.linalg.inv(system.covariance[np.ix_(own, own)])
        gradient = B @ (values - prior.mean)[camera, column]
        D = np.asarray(B - np.diag(1.0 / sigma**2))
        statistic, dof = Information(D, gradient, whole.information.own[at]).chi_square()
        step = np.zeros(len(whole.information.own))
        step[system.free] = -system.covariance[:, own] @ gradient
        p_value = float(np.exp(log_p_value(statistic, dof)))
        results.append(system.finding(camera, group, "drop", statistic, dof, p_value))
        steps.append(step)
    return results, steps


def _moves_px(whole: Whole, steps: Array, owner: NDArray[np.intp]) -> Array:
    """Return the RMS (K,) in px by which steps (K, N) move the points of their ``owner`` (K,),
    wands following.

    Some hundred frames, evenly over the capture, show it to a few percent; of a camera that they
    miss all count.
    """
    problem = whole.fit.problem
    first = np.unique(
        np.linspace(0, max(problem.n_frames - EFFECT_RUN, 0), EFFECT_RUNS).astype(int)
    )
    few = [
        problem.chunk(a, min(a + EFFECT_RUN, b)) for a, b in pairwise([*first, problem.n_frames])
    ]
    # As many for each camera, those that it has first.
    rank = np.arange(len(owner)) - np.searchsorted(np.sort(owner), np.sort(owner))
    slot = np.empty(len(owner), dtype=np.intp)
    slot[np.argsort(owner, kind="stable")] = rank
    of_owner = np.zeros((steps.shape[1], problem.n_cameras, int(slot.max(initial=0)) + 1))
    of_owner[:, owner, slot] = steps.T
    total, n_points = _squared_moves(whole, of_owner, few)
    if (n_points[owner] == 0).any():
        total, n_points = _squared_moves(whole, of_owner, problem.chunks)
    return np.asarray(np.sqrt(total[owner, slot] / n_points[owner]))


def _squared_moves(whole: Whole, steps: Array, chunks: Sequence[Chunk]) -> tuple[Array, Array]:
    """Return the sums (C, K) in px² over chunks of frames of how K steps of each camera, (N, C, K),
    move its points.

    Also its points (C,) in them.
    """
    problem, state, blocks, terms = (
        whole.fit.problem,
        whole.fit.result.state,
        whole.blocks,
        whole.options.terms,
    )
    n, n_rotation, (n_markers, _) = n_unknowns(terms), problem.n_rotation, problem.weight.shape
    d, n_cameras, n_steps = n_rotation + 3, problem.n_cameras, steps.shape[2]
    n_axes = len(blocks.shape) // n_markers
    half_shape = whole.factors @ blocks.frame_shape
    cameras = np.arange(n_cameras)
    own = steps[: n_cameras * n].reshape(n_cameras, n, n_cameras, n_steps)[cameras, :, cameras]
    shift = np.zeros(
        (n_cameras, n_markers, 3, n_steps)
    )  # of the markers, which move as the wand does
    shift[:, :, :n_axes] = np.moveaxis(
        steps[n_cameras * n :].reshape(n_markers, n_axes, n_cameras, n_steps), 2, 0
    )

    def run(chunks: Sequence[Chunk]) -> Array:
        """Return the sums of squared moves over these chunks."""
        total = np.zeros((n_cameras, n_steps))
        for chunk in chunks:
            first, last = chunk.frames.start, chunk.frames.stop
            half = np.zeros(((last - first) * d, len(steps)))
            half_coupling_kernel(
                problem.cam,
                problem.starts,
                first,
                last,
                cameras * n,
                whole.factors,
                np.ascontiguousarray(blocks.couplings(chunk)),
                half_shape,
                half,
            )
            gradient = (half @ steps.reshape(len(steps), -1)).reshape(last - first, d, -1)
            of_frames = -(np.swapaxes(whole.factors[chunk.frames], 1, 2) @ gradient)
            of_frames = of_frames.reshape(last - first, d, n_cameras, n_steps)
            cam, frame = problem.cam[chunk.pairs], problem.frame[chunk.pairs] - first
            J = weighted_rows(
                problem, state, terms, (problem.weight > 0).astype(float), chunk.pairs
            )
            of_pair = np.concatenate([of_frames[frame, :, cam], own[cam]], axis=1)[:, None]
            move = J[..., :-1] @ of_pair + J[..., n_rotation : n_rotation + 3] @ shift[cam]
            np.add.at(total, cam, (move**2).sum(axis=(1, 2)))
        return total

    pairs = np.concatenate([np.arange(len(problem.cam))[chunk.pairs] for chunk in chunks])
    seen = (problem.weight[:, pairs] > 0).sum(axis=0).astype(float)
    count = np.bincount(problem.cam[pairs], seen, n_cameras).astype(float)
    return np.asarray(np.sum(in_groups(run, chunks), axis=0)), count
