"""What real lenses have beside focal length, centre, k1 and k2: how much of it this rig's cameras
show together.

Pixels are square to a thousandth or so, lenses are decentred by as much, and strong barrels need
k3; many lenses have next to nothing of each. Freeing these terms where they are absent costs a
tenth to a half of the accuracy; leaving them out where they are present costs all of it. So each
takes part with a prior whose width the capture itself tells: the cameras of a rig are of one make
more often than not, and many together show how large a term is in lenses like these where no single
one does. One that stands apart from the rest may: it is of another make, so all its terms do.

The reduced normal equations at the minimum give, with everything else eliminated, information B and
score h on the small terms b of all cameras: ``h = B b + noise of covariance B``. The prior of a
group of terms (p1 and p2 are one) is

    b_i | s, z ~ N(0, s²), s on a grid from nothing to beyond what is known, or N(0, z²) of a lens
    that stands apart by z, as one in so many does

and expectation propagation turns it into one normal factor a term, summing over the s of its group
and the z of its lens. As factors of mean m and variance v these are what the bundle takes as
priors, so that its minimum is the posterior mean and its covariance that of the posterior; the last
fit takes them ``WIDER``.

Sources: Minka, Expectation propagation for approximate Bayesian inference, UAI 2001;
Hernández-Lobato et al., Expectation propagation in linear regression models with spike-and-slab
priors, Machine Learning 99, 2015.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.parameters import n_unknowns, term_values
from calib.solve.bundle.descent import (
    BundleOptions,
    Prior,
    Start,
    free_parameters,
    normal_equations,
    prior_cost,
    prior_information,
    with_prior,
    without_frames,
)
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information

# What is small in a real lens, in groups that share a width, and how large it usually is (standard
# deviation). Published calibrations have pixels square to 0.03 to 0.3 % and p1, p2 of 2e-5 to 3e-3:
# the two cameras of the EuRoC MAV dataset (Burri et al., 2016: 0.30 and 0.32 %, p to 1.9e-4), a
# toolbox's worked example (Bouguet, from memory: 0.07 %, 2.8e-4), the pair in our datasets (0.09 %,
# p1 to 1.2e-3). k3 as the share by which it moves the sensor's corner: a percent in the strongest
# barrels among them, mostly far less (common practice, no source).
SMALL_TERMS: dict[str, int] = {"aspect": 0, "p1": 1, "p2": 1, "k3": 2}
USUAL = {"aspect": 6e-4, "p1": 6e-4, "p2": 6e-4}
USUAL_CORNER = {"k3": 3e-3}
WIDTHS = np.array([0.0, *(2.0**k for k in range(-5, 4))])  # in units of what is usual
# Chance, before any data, that all lenses lack a group of terms, and that they have the least width
# of it, which no capture tells from nothing; wider ones share the rest. More for nothing, and of
# lenses that have a tenth of what is usual poses come too sure; more for little, and of those that
# have none too unsure.
NOTHING, LITTLE = 0.3, 0.02
OF_WIDTH = np.full(len(WIDTHS), (1.0 - NOTHING - LITTLE) / (len(WIDTHS) - 2))
OF_WIDTH[:2] = NOTHING, LITTLE
# The last fit takes a factor this much wider. Of lenses that have little of a term a mixture is too
# sure, by what it gives to none at all; wider, error bars come nearer to the truth at any strength,
# and hardly an error grows. What stands off is sought without: cameras would bend to it.
WIDER = 1.25
# Chance that one lens stands apart from the others, with one of these widths. With wider ones a
# camera that is at fault would bend to its points.
APART = 0.03
WIDTHS_APART = np.array([1.0, 2.0])
# A thousandth of a standard deviation, and of a variance.
MAX_SWEEPS, SETTLED = 100, 1e-3
FARTHEST = 30.0  # mean of a factor, in units of what is usual
KEPT = 0.3  # of the logarithm of the last precision: plain updates may swing


def prior_factors(
    B: Array, h: Array, group: NDArray[np.intp], lens: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Return mean and standard deviation (E,) of each small term's normal factor, all in units of
    what is usual.

    B (E, E) and h (E,) are information and score on the terms, ``group (E,)`` which of them share a
    width and ``lens (E,)`` which are of one lens.
    """
    n, n_widths = len(h), len(WIDTHS)
    # A camera that ran away, as a mirrored one does, leaves directions below zero by rounding: they
    # tell nothing, and would drive the sweeps apart.
    into, out = Information.of(B).roots()
    B, h = into @ into.T, into @ (out.T @ h)
    variance = np.concatenate([WIDTHS**2, WIDTHS_APART**2])
    n_apart = len(WIDTHS_APART)
    of_state = np.array([1.0 - APART, *[APART / n_apart] * n_apart])
    state = np.tile(of_state, (n, 1))  # of each term's lens, as its other terms tell it
    precision, shift = np.ones(n), np.zeros(n)  # wide enough that all can show
    for _ in range(MAX_SWEEPS):
        C = Information.of(B + np.diag(precision)).covariance()
        mean, marginal = C @ (h + shift), np.diag(C)
        # Each term without its own factor, against every component.
        others = np.maximum(1.0 / marginal - precision, 1e-9)
        place = (mean / marginal - shift) / others
        total = 1.0 / others[:, None] + variance
        log_fit = -0.5 * (np.log(total) + place[:, None] ** 2 / total)
        fit = np.maximum(np.exp(log_fit - log_fit.max(axis=1, keepdims=True)), 1e-300)
        alike, apart = fit[:, :n_widths], fit[:, n_widths:]
        # What it tells of its group's width, whichever way its lens stands, and then of its lens.
        any_way = state[:, :1] * alike + (state[:, 1:] * apart).sum(axis=1, keepdims=True)
        width = _by_others(OF_WIDTH, any_way, group)
        any_width = (width * alike).sum(axis=1, keepdims=True)
        state = _by_others(of_state, np.hstack([any_width, apart]), lens)
        weight = np.hstack([state[:, :1] * width, state[:, 1:]]) * fit
        weight /= weight.sum(axis=1, keepdims=True)
        means = place[:, None] * variance / total
        wanted = (weight * means).sum(axis=1)
        spread = (weight * (variance / others[:, None] / total + means**2)).sum(axis=1) - wanted**2
        # A factor that widens is not one that the bundle can take: the least wide that keeps the
        # mean comes near.
        offset = others * (wanted - place)
        least = np.maximum(np.abs(offset) / FARTHEST, 1e-3)
        new = np.clip(1.0 / np.maximum(spread, 1e-12) - others, least, 1e8)
        new_shift = wanted * new + offset
        is_settled = (np.abs(wanted - mean) <= SETTLED * np.sqrt(marginal)).all() and (
            np.abs(new - precision) * marginal <= SETTLED
        ).all()
        precision = np.exp(KEPT * np.log(precision) + (1.0 - KEPT) * np.log(new))
        shift = KEPT * shift + (1.0 - KEPT) * new_shift
        if is_settled:
            break
    return shift / precision, precision**-0.5


def _by_others(chance: Array, likelihood: Array, member: NDArray[np.intp]) -> Array:
    """Return the chance (E, K) of what each term shares with its like, ``chance (K,)`` before any
    data, by the ``likelihood (E, K)`` of those that are of the same ``member (E,)`` but for itself.
    """
    by_term = np.log(likelihood)
    of_all = np.zeros((int(member.max(initial=-1)) + 1, len(chance)))
    np.add.at(of_all, member, by_term)
    log = np.log(chance) + of_all[member] - by_term
    found = np.exp(log - log.max(axis=1, keepdims=True, initial=-np.inf))
    return np.asarray(found / found.sum(axis=1, keepdims=True))


def without_small(options: BundleOptions) -> BundleOptions:
    """Return the options with the small terms held where they are."""
    if not options.is_hierarchical:
        return options
    keep = np.array([name not in SMALL_TERMS for name in options.terms], dtype=bool)
    prior, is_free = options.prior, options.is_free
    return replace(
        options,
        terms=tuple(name for name, kept in zip(options.terms, keep, strict=True) if kept),
        prior=prior and Prior(prior.mean[:, keep], prior.sigma[:, keep]),
        is_free=None if is_free is None else is_free[:, np.append(np.ones(6, bool), keep)],
        is_hierarchical=False,
    )


def with_small(options: BundleOptions, rest: BundleOptions) -> BundleOptions:
    """Return the options with all else as in ``rest``, which is of ``without_small``."""
    assert options.prior is not None and rest.prior is not None
    mean, sigma = options.prior.mean.copy(), options.prior.sigma.copy()
    for k, name in enumerate(rest.terms):
        if name not in SMALL_TERMS:
            at = options.terms.index(name)
            mean[:, at], sigma[:, at] = rest.prior.mean[:, k], rest.prior.sigma[:, k]
    return replace(
        rest,
        terms=options.terms,
        prior=Prior(mean, sigma),
        is_free=options.is_free,
        is_hierarchical=True,
    )


def is_small(options: BundleOptions) -> NDArray[np.bool_]:
    """Return of which lens terms (L,) the prior is estimated."""
    return np.array(
        [options.is_hierarchical and name in SMALL_TERMS for name in options.terms], dtype=bool
    )


def estimated_prior(
    problem: Problem,
    state: State,
    options: BundleOptions,
    spare: Blocks | None = None,
    wider: float = 1.0,
) -> tuple[Prior, Start]:
    """Return the prior with small terms as the capture shows them at ``state``, and the start of a
    descent with it; ``spare`` blocks lend their memory. Factors are taken ``wider`` by so much.
    """
    assert options.prior is not None
    small = is_small(options)
    bare = replace(
        options, prior=Prior(options.prior.mean, np.where(small, np.inf, options.prior.sigma))
    )
    blocks, cost = normal_equations(problem, state, bare, spare)
    values = np.stack([term_values(state.lens, name) for name in options.terms], axis=1)
    found = without_frames(problem, blocks)
    prior = _with_estimated(values, state, found, options, wider)
    of_small = Prior(prior.mean, np.where(small, prior.sigma, np.inf))
    more, gradient = (
        np.pad(values.ravel(), (0, len(blocks.shape)))
        for values in prior_information(state, options.terms, of_small)
    )
    information = Information(
        found.matrix + np.diag(more), found.gradient + gradient, found.own + more
    )
    blocks = with_prior(blocks, state, options.terms, of_small)
    return prior, Start(blocks, cost + prior_cost(state, options.terms, of_small), information)


def _with_estimated(
    values: Array, state: State, found: Information, options: BundleOptions, wider: float
) -> Prior:
    """Return the options' prior with the small terms' factors as ``found`` shows them, ``wider``.

    ``values (C, L)`` are the lens terms now.
    """
    assert options.prior is not None
    n, n_cameras = n_unknowns(options.terms), len(values)
    free, motions = free_parameters(state, options, len(found.own) - n_cameras * n)
    small_columns = np.append(np.zeros(6, bool), is_small(options))
    is_small_row = np.pad(np.tile(small_columns, n_cameras), (0, len(found.own) - n_cameras * n))
    small = free[is_small_row[free]]
    if not small.size:
        return options.prior
    left = found.fixed(motions).left(small, free[~is_small_row[free]])
    B, gradient = left.matrix, left.gradient
    at = small // n, small % n - 6
    unit, away = options.prior.sigma[at], (values - options.prior.mean)[at]
    group = np.array([SMALL_TERMS[options.terms[k]] for k in at[1]])
    scaled = B * unit[:, None] * unit
    of_mean, of_sigma = prior_factors(scaled, (B @ away - gradient) * unit, group, at[0])
    mean, sigma = options.prior.mean.copy(), options.prior.sigma.copy()
    mean[at] += of_mean * unit
    sigma[at] = wider * of_sigma * unit
    return Prior(mean, sigma)
