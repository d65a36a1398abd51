"""Errors that last: scores against their law, planted stretches found, what is left of them in the
error bars.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import stats

from calib.check.causes import Cause
from calib.check.residuals import held
from calib.check.verdicts import Fault
from calib.check.whole.left_out import product_chance
from calib.core.tracks import Tracks
from calib.pipeline import Solution, calibrate, solve_rig
from calib.report.rigs.residuals import as_json, lasting_sentences, touch_asked
from calib.simulate import Scenario, Simulation, simulate
from calib.simulate.noise import lasting_errors
from calib.simulate.scenario import INDEPENDENT, PLAIN
from calib.solve.bundle.descent import BundleOptions, bundle, normal_equations
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information
from calib.solve.hold import fit_to_rig
from calib.solve.lasting.bending import find_followed, joint_scores
from calib.solve.lasting.find import bin_frames, within
from calib.solve.lasting.scatter import scatter_of_fit
from calib.solve.lasting.shifts import shifts
from calib.solve.lasting.solved import Solved
from calib.solve.lasting.stretches import (
    BY_CHANCE,
    N_USUAL,
    USUAL_SHARE,
    Stretch,
    chance_at_end,
    chance_from,
    chance_of_most,
    largest_before_px,
    pairs_in,
    share_off,
)
from calib.solve.repair import stays_off
from scripts.benchmarks.errorbars import freed, pose_errors, pose_rows
from tests.captures import IDEAL, capture
from tests.small_problems import make_problem


def shifted(
    sim: Simulation, name: str, first: int, last: int, by_px: tuple[float, float]
) -> Tracks:
    """Return the tracks with all points of a camera off from frame ``first`` to ``last``."""
    camera = sim.tracks.camera(name)
    xy = camera.xy_px.copy()
    xy[(camera.frame >= first) & (camera.frame <= last)] += by_px
    limit = np.array([camera.width, camera.height]) - 0.5
    moved = replace(camera, xy_px=np.clip(xy, -0.5, limit))
    return replace(
        sim.tracks, cameras=tuple(moved if c.name == name else c for c in sim.tracks.cameras)
    )


def test_errors_at_a_waves_end_are_as_likely_as_those_within_it() -> None:
    """By hand: of four cameras the three others are off in 10 runs of 30 frames, of the 940 before
    the end, and in one of a second as usual; 60 frames at the end are so many of the mean length.
    """
    rng = np.random.default_rng(0)
    problem, _ = make_problem(rng, 4, 1000, is_line=True, drop=0.0)
    second = problem.rate_hz
    others = [
        Stretch(1 + k % 3, 100 + 80 * k, 129 + 80 * k, (0.0, 1.0 if k < 9 else -1.0))
        for k in range(10)
    ]
    at_ends = [
        Stretch(1, 0, 29, (1.0, 0.0)),
        *(Stretch(c, 940, 999, (1.0, 0.0)) for c in (1, 2, 3)),
    ]
    own = [Stretch(0, 300, 340, (1.0, 0.0))]

    def expected(n_runs: int, n_seen: int, n_filled: int) -> float:
        share = (30 * n_runs + second) / (n_seen + second / USUAL_SHARE)
        length = (n_runs * 30**2 + second**2) / (30 * n_runs + second)
        return float(2 * 4 * share ** (n_filled / length))

    for stretches in (others, others + at_ends + own):
        chance = chance_at_end(problem, stretches, [0], 940, 1.5)
        assert chance == pytest.approx(expected(10, 3 * 941, 60))
        chance = chance_at_end(problem, stretches, [0], 60, 1.5)
        assert chance == pytest.approx(expected(10, 3 * 940, 60))
        none = chance_at_end(problem, stretches, [0], 940, 2.5)  # none is half as large
        assert none == pytest.approx(expected(0, 3 * 941, 60))
    both = chance_at_end(problem, [s for s in others if s.camera != 3], [0, 3], 940, 1.5)
    assert both == pytest.approx(expected(7, 2 * 941, 2 * 60))


def test_views_far_apart_are_each_filled_anew() -> None:
    """By hand: three short looks, seconds apart, are filled with the share's cube. A camera that a
    turned ring spoilt for half of a wave saw a second and a half of it in all, and was called good.
    """
    rng = np.random.default_rng(0)
    problem, _ = make_problem(rng, 4, 1000, is_line=True, drop=0.0)
    number, second = problem.frame_number[problem.frame], problem.rate_hz
    looks = np.isin(number, np.concatenate([np.arange(k, k + 5) for k in (600, 750, 900)]))
    keep = (problem.cam != 0) | (number < 500) | looks
    seen = replace(problem, cam=problem.cam[keep], frame=problem.frame[keep])
    others = [Stretch(1 + k % 3, 100 + 80 * k, 129 + 80 * k, (0.0, 1.0)) for k in range(4)]
    share = (4 * 30 + second) / (3 * 501 + second / USUAL_SHARE)  # frames to 500: the longer side
    assert chance_at_end(seen, others, [0], 500, 1.0) == pytest.approx(2 * 4 * share**3)


def test_errors_that_take_most_of_a_wave_s_end_are_a_binomial_tail() -> None:
    """SciPy's binomial law, of ten lengths of which six, or all, are off."""
    rng = np.random.default_rng(0)
    problem, _ = make_problem(rng, 4, 1000, is_line=True, drop=0.0)
    second = int(problem.rate_hz)
    others = [Stretch(1 + k % 3, 60 * k, 60 * k + second - 1, (0.0, 1.0)) for k in range(1, 7)]
    share = 7 * second / (3 * (1000 - 10 * second + 1) + second / USUAL_SHARE)
    for n_off in (6, 10):
        own = [Stretch(0, 1000 - n_off * second, 999, (1.0, 0.0))]
        at = 1000 - 10 * second
        expected = 8 * stats.binom(10, share).sf(n_off - 1)
        assert chance_of_most(problem, others + own, 0, at, 1.0) == pytest.approx(expected)
    assert chance_at_end(problem, others + own, [0], at, 1.0) == pytest.approx(expected)


def test_errors_that_begin_at_one_moment_are_as_likely_as_any_beginning() -> None:
    """By hand, of the runs of the test above: one begins in 11 of so many frames that others see,
    more seldom one that is larger than twice them all; SciPy's Lomax law for how long it lasts.
    """
    rng = np.random.default_rng(0)
    problem, _ = make_problem(rng, 4, 1000, is_line=True, drop=0.0)
    others = [Stretch(1 + k % 3, 100 + 80 * k, 129 + 80 * k, (0.0, 1.0)) for k in range(10)]
    second = problem.rate_hz
    n_seen = 3 * 941 + second / USUAL_SHARE
    stays = stats.lomax(10 + N_USUAL, scale=10 * 30 + N_USUAL * second).sf(58)

    def chance(size_px: float, frame: int) -> float:
        late = [Stretch(0, 942, 999, (size_px, 0.0))]
        return chance_from(problem, others + late, {0: size_px}, frame)[0]

    assert chance(1.5, 942) == pytest.approx(11 / (n_seen + 6) * stays)
    assert chance(1.5, 940) == pytest.approx(5 * 11 / n_seen * stays)
    none_is_half = stats.lomax(N_USUAL, scale=N_USUAL * second).sf(58)
    assert chance(20.0, 942) == pytest.approx(0.1**2 / (n_seen + 6) * none_is_half)


def test_the_chance_of_a_product_is_fishers() -> None:
    """SciPy's combination of p-values by Fisher's method."""
    p = np.array([3e-4, 0.02, 0.5])
    for k in (1, 2, 3):
        expected = stats.combine_pvalues(p[:k], method="fisher").pvalue
        assert product_chance(p)[k - 1] == pytest.approx(expected)


def test_scores_of_independent_noise_are_chi_square() -> None:
    """Source: Rao's score test; SciPy's law of two degrees of freedom, the cameras held at the
    truth.
    """
    sim = capture("room", 6, 9, n_frames=800, **IDEAL)
    fit = fit_to_rig(sim.truth, sim.tracks)
    problem = fit.problem.with_weight((fit.problem.row >= 0) / sim.scenario.sigma_px)
    found = shifts(problem, fit.state, None, bin_frames(problem.rate_hz))
    n_bins = found.n_bins
    first = np.arange(0, n_bins - 5, 5)
    u, I, _ = found.in_stretches(first, first + 5)
    values = []
    for c in range(problem.n_cameras):
        for k in range(len(first)):
            information = np.array([[I[c, k, 0], I[c, k, 1]], [I[c, k, 1], I[c, k, 2]]])
            if np.linalg.eigvalsh(information)[0] > 0.05 * np.trace(information) > 0:
                values.append(u[c, k] @ np.linalg.solve(information, u[c, k]))
    assert len(values) > 500
    assert stats.kstest(values, "chi2", args=(2,)).pvalue > 1e-4


def test_errors_of_the_rig_itself_are_none_that_last() -> None:
    """A corridor that one wave ties together loosely, and a later wave of it, errors independent.

    Where the wand comes to other places, what the rig is uncertain by leaves points off for as long
    as it stays there. All that is planted are 0.3 % of strays (common practice, no source) and, in
    the second capture, a second of one camera off by ten times its noise.
    """
    scenario = replace(
        Scenario(layout="corridor", n_cameras=8, n_frames=1000, seed=3, connected=False), **PLAIN
    )
    rig = calibrate(simulate(scenario).tracks, simulate(scenario).wand)
    later = simulate(replace(scenario, wave=1))
    camera = max(later.tracks.cameras, key=lambda c: len(c.frame))
    until = camera.frame + int(later.tracks.frame_rate_hz)
    most = np.argmax(np.searchsorted(camera.frame, until) - np.arange(len(until)))
    second = int(camera.frame[most]), int(until[most])
    for tracks, is_planted in (
        (later.tracks, False),
        (shifted(later, camera.name, *second, (10 * scenario.sigma_px, 0.0)), True),
    ):
        fit = held(rig, tracks)[1]
        number = fit.problem.frame_number[fit.problem.frame]
        is_off = fit.problem.cam == tracks.names.index(camera.name)
        is_off &= (number >= second[0]) & (number <= second[1]) & is_planted
        has_points = fit.problem.weight > 0
        assert fit.is_inlier[:, ~is_off].sum() > 0.98 * has_points[:, ~is_off].sum()
        assert fit.is_inlier[:, is_off].sum() <= 0.1 * has_points[:, is_off].sum()


@pytest.mark.parametrize(
    ("by_px", "seconds"), [((0.6, 0.0), 1.0), ((-0.3, 0.4), 2.0), ((0.0, 3.0), 0.4)]
)
def test_a_planted_stretch_is_found_with_its_camera_frames_and_size(
    by_px: tuple[float, float], seconds: float
) -> None:
    sim = simulate(Scenario(n_cameras=6, n_frames=700, seed=12, lasting_share=0.0))
    views = np.unique(sim.tracks.camera("cam03").frame[sim.tracks.camera("cam03").marker >= 0])
    first = int(views[len(views) // 2])
    last = first + round(seconds * 25.0) - 1
    fit = solve_rig(shifted(sim, "cam03", first, last, by_px), sim.wand).fit
    own = [
        s for s in fit.stretches if s.camera == 2 and s.last >= first - 1 and s.first <= last + 1
    ]
    covered = sum(min(s.last, last) - max(s.first, first) + 1 for s in own)
    assert covered >= 0.8 * (last - first + 1)
    largest = max(own, key=lambda s: s.last - s.first)
    np.testing.assert_allclose(largest.shift_px, by_px, atol=0.35)
    others = sum(s.last - s.first + 1 for s in fit.stretches if s not in own)
    assert (
        others < 0.02 * 6 * 700
    )  # a thousandth of the good stretches of each length, and a frame or two around


def scores(problem: Problem, state: State, options: BundleOptions, group: Any) -> tuple[Any, Any]:
    solved = Solved.of(problem, state, options, normal_equations(problem, state, options)[0])
    found = shifts(problem, state, options.terms, bin_frames(problem.rate_hz))
    return joint_scores(problem, state, solved, found, group)


def stretches_of(problem: Problem, frames: int) -> Any:
    """Every second stretch of so many frames of each camera, numbered."""
    group = 100 * problem.cam + problem.frame // frames
    is_in = problem.frame // frames % 2 > 0
    group[~is_in] = -1
    group[is_in] = np.unique(group[is_in], return_inverse=True)[1]
    return group


def test_scores_at_a_minimum_have_the_joint_information_for_their_covariance() -> None:
    """Source: Rao's score test; SciPy's law. All together, as cameras are coupled by the wand and
    by what all of them give way to.
    """
    value, n = 0.0, 0
    for seed in range(5):
        sim = simulate(Scenario.plain(n_cameras=4, n_frames=240, seed=seed, layout="row"))
        fit = solve_rig(sim.tracks, sim.wand).fit
        group = stretches_of(fit.problem, 30)
        u, M = scores(fit.problem, fit.result.state, fit.options, group)
        of_noise, n_told = Information.of(M, u).chi_square()
        value, n = value + of_noise, n + n_told
    assert n > 100
    assert stats.chi2.ppf(1e-3, n) < value < stats.chi2.isf(1e-3, n)


def test_scores_a_step_away_are_those_at_the_minimum() -> None:
    """Source: the descent itself, to what is linear of the step."""
    sim = simulate(Scenario.plain(n_cameras=4, n_frames=240, seed=1))
    fit = solve_rig(sim.tracks, sim.wand).fit
    problem, options = fit.problem, replace(fit.options, tolerance=1e-13, damping=1e-9)
    group, uv = stretches_of(problem, 30), problem.uv_px.copy()
    uv[0][:, (problem.cam == 2) & (problem.frame < 90)] += 0.5 * fit.sigma_px[2]
    start = bundle(problem, fit.result.state, options).state
    moved = replace(problem, uv_px=uv)
    u, M = scores(moved, start, options, group)
    there, _ = scores(moved, bundle(moved, start, options).state, options, group)
    sd = np.sqrt(np.diag(M))
    told = sd > 1.0
    np.testing.assert_allclose((u / sd)[told], (there / sd)[told], atol=5e-3)
    found = shifts(moved, start, options.terms, bin_frames(moved.rate_hz))
    solved = Solved.of(moved, start, options, normal_equations(moved, start, options)[0])
    as_if_there = replace(solved, gradient=np.zeros_like(solved.gradient))
    v, _ = joint_scores(moved, start, as_if_there, found, group)
    assert np.abs((v - u) / sd)[told].max() > 0.1


def test_sound_points_that_a_camera_left_tell_which_stretch_it_followed() -> None:
    """Where a camera followed a stretch from the start on, the sound points beside it lie beyond
    the gate. The truth is what was planted: a wave in which these points decide, as without them
    another stretch is taken.
    """
    sim = simulate(Scenario(layout="row", n_cameras=6, n_frames=700, seed=1, **INDEPENDENT))
    camera, (first, last) = sim.tracks.camera("cam05"), (200, 226)
    around = (camera.frame >= first - 8) & (camera.frame <= last)
    low, high = camera.xy_px[around].min(axis=0) - 150, camera.xy_px[around].max(axis=0) + 150
    elsewhere = ~((camera.xy_px >= low) & (camera.xy_px <= high)).all(axis=1)
    there = replace(
        sim.tracks,
        cameras=tuple(c.rows(around | elsewhere) if c is camera else c for c in sim.tracks.cameras),
    )
    by = 25.0 * sim.scenario.sigma_px
    tracks = shifted(replace(sim, tracks=there), "cam05", first, last, (-by, 0.3 * by))
    fit = solve_rig(tracks, sim.wand).fit
    problem, sigma = fit.problem, fit.sigma_px
    number, own = problem.frame_number[problem.frame], problem.cam == 4
    beside, off = (
        own & (number >= a) & (number < b) for a, b in ((first - 8, first), (first, last + 1))
    )
    seen, gate = problem.row >= 0, 4.8 * sigma[problem.cam]
    near = seen & (np.hypot(*residuals(problem, fit.result.state)) < gate)
    followed = problem.with_weight((near & ~beside | seen & off) / sigma[problem.cam])
    state = bundle(followed, fit.result.state, replace(fit.options, damping=1e-4)).state
    far = np.hypot(*residuals(problem, state)) > gate
    assert far[:, beside][seen[:, beside]].mean() > 0.5
    assert far[:, off][seen[:, off]].mean() < 0.1
    asked = within(problem, state, seen, sigma, 4.8, 15.0)
    solved = Solved.of(asked, state, fit.options, normal_equations(asked, state, fit.options)[0])
    pairs, *_ = max(find_followed(asked, state, solved, sigma), key=lambda o: o[2])
    assert (problem.cam[pairs] == 4).all()
    assert number[pairs].min() >= first and number[pairs].max() <= last
    assert len(pairs) > 0.8 * off.sum()


@cache
def without_any(layout: Any, seed: int) -> tuple[Simulation, Solution]:
    """Return a wave in which nothing lasts, and its solution."""
    sim = simulate(Scenario(layout=layout, n_cameras=6, n_frames=700, seed=seed, **INDEPENDENT))
    return sim, solve_rig(sim.tracks, sim.wand)


BENDING: list[tuple[Any, int, str, int, tuple[float, float], str]] = [
    ("row", 2, "cam06", 588, (2.3, 0.0), "cam03"),
    ("row", 6, "cam03", 282, (0.0, 1.8), "cam05"),
    ("corridor", 5, "cam02", 138, (2.8, 0.0), "cam04"),
]


@pytest.mark.parametrize(("layout", "seed", "name", "first", "by_sigmas", "other"), BENDING)
@pytest.mark.parametrize("is_alone", [True, False])
def test_a_stretch_that_alone_sees_a_part_of_the_image_bends_no_camera(
    layout: Any,
    seed: int,
    name: str,
    first: int,
    by_sigmas: tuple[float, float],
    other: str,
    is_alone: bool,
) -> None:
    """Most of the shift the camera's own pose and lens can take, and little shows in residuals;
    nor does it where another camera, that sees the most of it, is off by more in the midst.

    Source: a squared error of all poses over what is stated is chi-square (SciPy's law).
    """
    sim, sound = without_any(layout, seed)
    last, fit = first + 34, sound.fit
    c, way = sim.tracks.names.index(name), 0 if by_sigmas[0] else 2
    found = shifts(fit.problem, fit.result.state, fit.options.terms, 1)
    at = np.array([first, last + 1]) - fit.problem.frame_number[0]
    _, I, taken = found.in_stretches(at[:1], at[1:])
    assert taken[c, 0, way] > 0.7 * I[c, 0, way]
    x, y = (n * float(fit.sigma_px[c]) for n in by_sigmas)
    tracks = shifted(sim, name, first, last, (x, y))
    if not is_alone:
        px = 3.0 * sim.scenario.sigma_px
        tracks = shifted(replace(sim, tracks=tracks), other, first - 8, first + 12, (-px, px))
    solution = solve_rig(tracks, sim.wand)
    own = [s for s in solution.fit.stretches if s.camera == c]
    covered = sum(max(min(s.last, last) - max(s.first, first) + 1, 0) for s in own)
    assert covered >= 0.5 * (last - first + 1)
    e, G = pose_errors(solution.rig, sim.truth)
    assert solution.rig.covariance is not None
    A, (r,) = freed(pose_rows(solution.rig.covariance, solution.rig.names), G, e)
    assert r @ np.linalg.solve(A, r) < stats.chi2.isf(1e-3, len(r))


def test_where_nothing_lasts_little_is_left_out_and_nothing_said() -> None:
    _, solution = without_any("room", 13)
    assert share_off(solution.fit.problem, solution.fit.stretches) < USUAL_SHARE
    assert lasting_sentences(solution.table.lasting) == []


def test_stretches_found_by_chance_make_nothing_scatter() -> None:
    """With few points in stretches what is left must stand out from noise as if there were none;
    where more stand off, what is there counts whatever it is.
    """
    has_any = []
    for layout, seed in (("room", 13), ("row", 2), ("row", 6), ("corridor", 5)):
        fit = without_any(layout, seed)[1].fit
        number = fit.problem.frame_number
        few, many = Stretch(0, number[0], number[9], (0.3, 0.0)), Stretch(0, 0, 10**6, (0.3, 0.0))
        assert share_off(fit.problem, [few]) < BY_CHANCE < share_off(fit.problem, [many])
        given = fit.problem, fit.result.state, fit.options, fit.result.blocks, fit.information
        none, with_few, with_many = (scatter_of_fit(*given, s).share for s in ((), [few], [many]))
        np.testing.assert_array_equal(with_few > 0, none > 0)
        has_any.append((none.any(), with_many.any()))
    assert sum(told for told, _ in has_any) < sum(told for _, told in has_any)


def test_it_is_asked_whether_what_lay_off_until_the_end_was_touched() -> None:
    sim, sound = without_any("room", 13)
    since = 700 - int(1.8 * sim.tracks.frame_rate_hz)

    def touched(*names: str, deg: float = 0.07, since: int = since) -> Tracks:
        """By an angle, told as pixels of the image's middle."""
        shift = np.array([np.radians(deg) * sim.truth.cameras[0].lens.fx, 0.0])
        cameras = [
            replace(c, xy_px=np.where((c.frame >= since)[:, None], c.xy_px + shift, c.xy_px))
            if c.name in names
            else c
            for c in sim.tracks.cameras
        ]
        return replace(sim.tracks, cameras=tuple(cameras))

    assert touch_asked(sound.table) == ""
    # Those two see the wand nearly to the end.
    asked = 0
    for name in ("cam05", "cam06"):
        table = solve_rig(touched(name), sim.wand).table
        (row,) = (row for row in table.cameras if row.name == name)
        if [c.cause for c in row.causes] == [Fault.KNOCK]:  # sure already: nothing is to be asked
            continue
        asked, one = asked + 1, touch_asked(table)
        assert one.startswith(f"Was {name} touched? From frame ")
        assert abs(int(one.split("From frame ")[1].split()[0]) - since) <= 3
    assert asked
    # By more than shimmer does, it is told, where others place the wand for half a second after it.
    table = solve_rig(touched("cam05", deg=0.3, since=since - 15), sim.wand).table
    assert touch_asked(table) == ""
    assert {row.name: [c.cause for c in row.causes] for row in table.cameras if row.causes} == {
        "cam05": [Fault.KNOCK]
    }


def test_the_table_says_when_and_in_which_cameras() -> None:
    sim = simulate(Scenario(n_cameras=6, n_frames=700, seed=12, lasting_share=0.15, lasting_px=1.0))
    table = solve_rig(sim.tracks, sim.wand).table
    (line,) = lasting_sentences(table.lasting, explain=False)
    line_and_more = " ".join(lasting_sentences(table.lasting, explain=True))
    worst = max(table.lasting["cameras"].items(), key=lambda item: item[1]["seconds"])
    assert (
        line.startswith("For a while all points of a camera lay off together")
        and line in str(table)
        and line in line_and_more
        and f"{worst[0]} {worst[1]['count']} time" in line_and_more
    )
    assert not [
        c for r in table.cameras for c in r.causes if isinstance(c, Cause) and "knock" in c.cause
    ]
    assert as_json(table)["lasting"]["share"] == pytest.approx(table.lasting["share"])


def test_a_run_of_stretches_without_a_break_is_no_passing_error() -> None:
    """Of a camera that stays off nothing is hidden from the causes, whatever pieces it was found
    in.
    """
    fit = solve_rig(
        (sim := simulate(Scenario(n_cameras=4, n_frames=300, seed=2))).tracks, sim.wand
    ).fit
    problem = fit.problem
    pieces = [Stretch(0, a, a + 24, (0.5, 0.0)) for a in range(0, 200, 25)]
    assert not pairs_in(problem, pieces, 5.0).any()
    inside = pairs_in(problem, pieces)
    number = problem.frame_number[problem.frame]
    np.testing.assert_array_equal(inside, (problem.cam == 0) & (number < 200))
    assert pairs_in(problem, pieces[:4], 5.0).sum() == (inside & (number < 100)).sum()


@pytest.mark.parametrize("share", [0.05, 0.2])
def test_the_simulator_has_as_many_as_it_says(share: float) -> None:
    """Of the time: stretches of equal length are off independently, SciPy's binomial law."""
    s = Scenario(
        n_cameras=4, n_frames=20_000, lasting_share=share, lasting_s=(1.0, 1.0), path="still"
    )
    each = [lasting_errors(s, c, s.n_frames or 0)[1] for c in range(4)]
    n = 4 * 800  # of 25 frames
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], n, share)
    assert low <= np.sum(each) / 25 <= high
    # Cameras' errors begin at moments of their own.
    begins = [{int(k) % 25 for k in np.flatnonzero(np.diff(off.astype(int)) > 0)} for off in each]
    assert all(len(own) == 1 for own in begins) and len(set.union(*begins)) > 1


def test_noise_grows_with_distance_and_pixels_pull() -> None:
    from calib.simulate.noise import pixel_pull, random_errors  # noqa: PLC0415

    s = Scenario(noise_growth=0.5, tremble=0.0)
    distance = np.where(np.arange(20_000)[:, None] % 2, 2000.0, 6000.0)
    uv = np.full((20_000, 1, 2), 500.0)
    error = random_errors(s, 0, 0.1, uv, distance)
    ratio = (error[::2] ** 2).mean() / (error[1::2] ** 2).mean()
    middle = np.median(distance)
    expected = (0.5 + 0.5 * (6000 / middle) ** 2) / (0.5 + 0.5 * (2000 / middle) ** 2)
    assert ratio == pytest.approx(expected, rel=5 * np.sqrt(4 / 20_000))
    at = np.array([10.0, 10.25, 10.5, 9.75])
    np.testing.assert_allclose(
        pixel_pull(s, at), -s.pixel_pull_px * np.array([0, 1, 0, -1]), atol=1e-12
    )


def test_a_stray_view_does_not_make_what_stays_off_large() -> None:
    """One of 40 px among stretches of 2 px counted by the root mean square, and a size that no
    other camera's errors reach is a knock.
    """
    problem, _ = make_problem(np.random.default_rng(0), 4, 1000, is_line=True, drop=0.0)
    own = [Stretch(0, a, a + 39, (2.0, 0.0)) for a in range(700, 980, 50)]
    stray = Stretch(0, 995, 999, (0.0, 40.0))
    ((camera, (frame, size_px)),) = stays_off(problem, [*own, stray]).items()
    assert (camera, frame) == (0, 700) and size_px == pytest.approx(2.0)


def test_what_errors_that_last_reach_is_not_far_off() -> None:
    """Of the others, and what was over before: what begins later may come of a knock."""
    passed, own = Stretch(1, 100, 140, (0.0, 6.0)), Stretch(0, 100, 140, (9.0, 0.0))
    after = Stretch(2, 950, 960, (20.0, 0.0))
    largest = [largest_before_px([passed, own, after], c, 950) for c in range(3)]
    assert largest == [6.0, 9.0, 9.0]
