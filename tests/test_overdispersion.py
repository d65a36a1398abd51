"""Errors that last all the time are no exceptions: told from stretches that stand off, kept in the
fit, and in the error bars.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal, stats

from calib.core.geometry import Array
from calib.pipeline import solve_rig
from calib.simulate import Scenario, simulate
from calib.simulate.noise import wandering_errors
from calib.solve.lasting.overdispersion import LENGTHS, overdispersion
from calib.solve.lasting.shifts import Shifts
from calib.solve.lasting.stretches import share_off
from scripts.benchmarks.errorbars import freed, pose_errors, pose_rows

CAMERAS, BINS, INFORMATION = 8, 4800, 9.0


def shifts_of(rng: np.random.Generator, off_px: Array) -> Shifts:
    """Return shifts of points that are off by so much in each bin (C, B, 2), beside independent
    noise.
    """
    scores = np.zeros((*off_px.shape[:2], 5))
    scores[..., :2] = INFORMATION * off_px + rng.normal(0.0, np.sqrt(INFORMATION), off_px.shape)
    scores[..., 2], scores[..., 4] = INFORMATION, INFORMATION
    given = np.zeros((*off_px.shape[:2], 0, 2))
    no_pairs = np.zeros((0, 2)), np.zeros(0), np.zeros((0, 6, 2))
    return Shifts(1, np.arange(off_px.shape[1]), *no_pairs, scores, given)


def of_mean(kept: float, n: int) -> float:
    """Return the variance of a mean of n values of a first-order autoregressive process of unit
    variance.

    Source: the sum of its autocorrelations (Priestley, Spectral analysis and time series, 1981,
    section 5.3, from memory).
    """
    k = np.arange(1, n)
    return float((1.0 + 2.0 * np.sum((1.0 - k / n) * kept**k)) / n)


@pytest.mark.parametrize("kept", [0.7, 0.95])
def test_a_process_raises_chi_squares_by_what_its_means_vary(kept: float) -> None:
    """The median of some hundred to some ten thousand, three standard deviations (which neighbours
    that hang together make half as large again).
    """
    rng = np.random.default_rng(4)
    fresh = rng.normal(size=(CAMERAS, BINS + 500, 2))
    off = 0.3 * np.sqrt(1 - kept**2) * signal.lfilter([1], [1, -kept], fresh, axis=1)[:, 500:]
    factor = overdispersion(shifts_of(rng, off)).factor
    for m, of_length in zip(LENGTHS, factor, strict=True):
        expected = 1.0 + INFORMATION * m * 0.3**2 * of_mean(kept, m)
        sd = 1.5 * 2.0 / stats.chi2.median(2) / np.sqrt(CAMERAS * BINS / m)
        assert of_length == pytest.approx(expected, rel=3.0 * sd)


@pytest.mark.parametrize("size_px", [0.0, 0.5, 5.0])
def test_stretches_that_stand_off_are_not_usual(size_px: float) -> None:
    rng = np.random.default_rng(5)
    is_off = np.repeat(rng.random((CAMERAS, BINS // 24)) < 0.05, 24, axis=1)
    off = size_px * is_off[..., None] * np.array([0.6, 0.8])
    assert overdispersion(shifts_of(rng, off)).most == 1.0


def test_points_that_are_off_all_the_time_are_kept_and_counted() -> None:
    """Of two rigs the squared errors together, against chi-square: left out as stretches a third
    of the points went, and squared errors were 1.4 to 1.8 of the stated.
    """
    squared, dof = 0.0, 0
    for layout, seed in (("room", 911), ("dome", 912)):
        scenario = Scenario(
            layout=layout, n_cameras=7, n_frames=1500, seed=seed, wander_px=0.1, wander_s=0.7
        )
        sim = simulate(scenario)
        solution = solve_rig(sim.tracks, sim.wand)
        assert share_off(solution.fit.problem, solution.fit.stretches) < 0.06
        errors, motions = pose_errors(solution.rig, sim.truth)
        assert solution.rig.covariance is not None
        C, (r,) = freed(pose_rows(solution.rig.covariance, solution.rig.names), motions, errors)
        squared, dof = squared + float(r @ np.linalg.solve(C, r)), dof + len(r)
    assert stats.chi2.ppf(1e-3, dof) < squared < stats.chi2.ppf(1.0 - 1e-3, dof)


def test_a_wandering_camera_is_off_by_what_its_scenario_says() -> None:
    """Standard deviations of variance and of correlation a second apart: Priestley, as above."""
    s = Scenario(n_frames=60_000, wander_px=0.3, wander_s=1.0)
    off = wandering_errors(s, 2, s.n_frames)
    apart = round(s.wander_s * s.frame_rate_hz)
    of_lag = (off[apart:] * off[:-apart]).mean(axis=0) / off.var(axis=0)
    n = s.n_frames / apart  # as many hang together as go into a second
    assert off.std(axis=0) == pytest.approx([0.3, 0.3], rel=4.0 / np.sqrt(n))
    assert of_lag == pytest.approx([np.exp(-1.0)] * 2, abs=4.0 / np.sqrt(n))
    assert not wandering_errors(replace(s, wander_px=0.0), 2, 10).any()
