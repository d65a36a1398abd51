"""Stretches that a search misses: how many those found stand for, and what they do to the error
bars.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.geometry import Array
from calib.pipeline import solve_rig
from calib.simulate import Scenario, simulate
from calib.solve.lasting.find import bin_frames
from calib.solve.lasting.gradients import Gradients
from calib.solve.lasting.hidden import found_for_sure, hidden
from calib.solve.lasting.scatter import scatter_matrix, together
from calib.solve.lasting.shifts import Shifts, shifts
from calib.solve.lasting.stretches import Stretch

LIMIT, BINS = 30.0, 8


def shifts_of_places(information: Array) -> Shifts:
    """Return shifts with that information per px² (C, K) in stretches of BINS bins, cameras giving
    way by far more.
    """
    n_cameras, n_places = information.shape
    n_bins, g = n_places * BINS, 1000.0
    scores, given = np.zeros((n_cameras, n_bins, 5)), np.zeros((n_cameras, n_bins, 2, 2))
    given[:, :, [0, 1], [0, 1]] = g
    whole = (information.repeat(BINS, axis=1) + (BINS * g) ** 2) / BINS
    scores[:, :, 2], scores[:, :, 4] = whole, whole
    no_pairs = np.zeros((0, 2)), np.zeros(0), np.zeros((0, 6, 2))
    return Shifts(1, np.arange(n_bins), *no_pairs, scores, given)


def test_places_hide_as_much_as_a_search_misses() -> None:
    """Source: NumPy's noncentral chi-square draws what is found; Horvitz & Thompson's estimate is
    unbiased, up to four of its standard errors here.
    """
    rng = np.random.default_rng(3)
    information = np.exp(rng.normal(4.0, 1.0, (6, 40)))
    found, told, missed = shifts_of_places(information), [], []
    for _ in range(200):
        shift = rng.normal(scale=0.5, size=(30, 2))
        square = (shift**2).sum(axis=1)
        at = rng.choice(information.ravel(), 30)
        is_found = rng.noncentral_chisquare(2, at * square) > LIMIT
        kinds = [(float(BINS), float(s)) for s in square[is_found]]
        told.append(sum(float(v.sum()) for _, v in hidden(found, kinds, LIMIT)))
        missed.append(0.5 * square[~is_found].sum())
    difference = np.subtract(told, missed)
    assert abs(difference.mean()) < 4.0 * difference.std() / np.sqrt(200)


def test_a_place_that_shows_less_hides_more() -> None:
    information = np.array([[10.0, 100.0, 1000.0]])
    ((m, variance),) = hidden(shifts_of_places(information), [(float(BINS), 0.5)], LIMIT)
    assert m == BINS
    assert (np.diff(variance[0]) < 0).all()


def test_pieces_are_one_stretch_and_weak_ones_none() -> None:
    sim = simulate(Scenario.plain(n_cameras=4, n_frames=300, seed=2))
    fit = solve_rig(sim.tracks, sim.wand).fit
    problem, state = fit.problem, fit.result.state
    found = shifts(problem, state, fit.options.terms, bin_frames(problem.rate_hz))
    sigma = float(fit.sigma_px[1])
    pieces = [
        Stretch(1, 100, 109, (3.0 * sigma, 0.0)),
        Stretch(1, 112, 129, (3.0 * sigma, 0.0)),
        Stretch(2, 50, 60, (0.1 * sigma, 0.0)),
    ]
    ((frames, square),) = found_for_sure(problem, found, pieces, LIMIT)
    assert frames == 30.0
    np.testing.assert_allclose(square, 9.0 * sigma**2)


def test_gross_errors_tell_nothing_of_what_hides() -> None:
    """Beyond its lens model's range a point is off by any number: no error of the rig is."""
    sim = simulate(Scenario.plain(n_cameras=4, n_frames=300, seed=2))
    fit = solve_rig(sim.tracks, sim.wand).fit
    problem, state = fit.problem, fit.result.state
    found = shifts(problem, state, fit.options.terms, bin_frames(problem.rate_hz))
    gross = [Stretch(1, 100, 129, (1e21, 0.0)), Stretch(2, 50, 90, (0.0, 600.0))]
    assert not found_for_sure(problem, found, gross, LIMIT)
    ((_, variance),) = hidden(shifts_of_places(np.full((1, 3), 100.0)), [(8.0, 100.0)], LIMIT)
    assert not variance.any()  # a hundred standard deviations of it are nowhere missed


def test_the_matrix_sums_over_places() -> None:
    """Against the sum as it stands in the module's docstring."""
    sim = simulate(Scenario.plain(n_cameras=4, n_frames=300, seed=2))
    fit = solve_rig(sim.tracks, sim.wand).fit
    problem, state, blocks = fit.problem, fit.result.state, fit.result.blocks
    terms = fit.options.terms
    found = shifts(problem, state, terms, bin_frames(problem.rate_hz))
    gradients, rng = Gradients.of(problem, state, terms, blocks), np.random.default_rng(1)
    expected, of_places = np.zeros((gradients.size, gradients.size)), []
    for m in (8, 32):
        n = -(-found.n_bins // m)
        variance = rng.random((4, n)) * (rng.random((4, n)) > 0.3)
        of_places.append((m, variance))
        group = problem.cam * n + found.bin_of_frame[problem.frame] // m
        A = gradients.sums(found, np.arange(len(problem.cam)), group)
        A *= np.sqrt(variance.ravel()[: len(A)])[:, None, None]
        expected += np.einsum("kia,kib->ab", A, A)
    D = scatter_matrix(problem, state, terms, blocks, found, of_places)
    np.testing.assert_allclose(D, expected, atol=1e-9 * np.abs(expected).max())


def test_error_bars_count_what_hides_where_stretches_were_found() -> None:
    sim = simulate(Scenario(n_cameras=5, n_frames=600, seed=4, lasting_share=0.06, lasting_px=1.0))
    fit = solve_rig(sim.tracks, sim.wand).fit
    assert fit.scatter is not None and fit.scatter.kinds
    given = fit.problem, fit.result.state, fit.options.terms, fit.result.blocks
    every = together(*given, fit.scatter)
    no_kinds = together(*given, replace(fit.scatter, kinds=()))
    assert every is not None
    D = every.D - (0.0 if no_kinds is None else no_kinds.D)
    size = np.linalg.eigvalsh(D)
    assert size[-1] > 0
    assert size[0] > -1e-9 * size[-1]
