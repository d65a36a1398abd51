"""Which cameras of a residual table get verdict ``act``, for what cause, and which do not."""

import json
from dataclasses import replace

import numpy as np
import pytest

from calib.check.causes import MIN_COVERAGE, MIN_POINTS
from calib.check.residuals import residual_table
from calib.simulate import Knock
from tests.captures import act, capture, table_of, with_camera, with_points

OF_RESIDUALS = {"residuals stand out", "large errors stand out", "large residuals", "residuals grew"}


@pytest.mark.parametrize("layout", ["room", "corridor", "row", "dome"])
@pytest.mark.parametrize("n_cameras", [2, 3, 6, 10])
def test_a_noisy_camera_is_first_and_the_only_one(layout, n_cameras):
    name = f"cam{min(3, n_cameras):02d}"
    sim = capture(layout, n_cameras, n_cameras, n_frames=600, noisy=((name, 4.0),))
    table = table_of(sim)
    assert table.cameras[0].name == name and act(table, OF_RESIDUALS) == [name]
    cause = table.cameras[0].causes[0]
    assert cause.cause == "residuals stand out"
    assert f"sigma {table.cameras[0].stats.sigma_px:.3f} px against 0.1" in cause.evidence
    if layout != "corridor":  # a short wave leaves some cameras of a corridor with little of their sensor covered
        assert act(table) == [name]


@pytest.mark.parametrize(
    "layout, n_cameras, seed", [("room", 4, 0), ("corridor", 6, 1), ("row", 5, 2), ("dome", 10, 3)]
)
def test_a_knocked_camera_is_the_only_one_where_three_others_agree(layout, n_cameras, seed):
    knock = (Knock(camera="cam02", frame=0, rotation_deg=0.2, translation_mm=3.0),)
    table = table_of(capture(layout, n_cameras, seed, knock=knock))
    assert table.cameras[0].name == "cam02" and act(table, OF_RESIDUALS) == ["cam02"]


@pytest.mark.parametrize("layout", ["room", "corridor", "row", "dome"])
@pytest.mark.parametrize("n_cameras", [2, 3])
def test_two_or_three_cameras_do_not_hide_a_knock(layout, n_cameras):
    # Two cameras that disagree cannot say which of them moved; all that is owed is that the table is not clean.
    knock = (Knock(camera="cam02", frame=0, rotation_deg=0.5, translation_mm=5.0),)
    for seed in range(3):
        assert act(table_of(capture(layout, n_cameras, seed, knock=knock)), OF_RESIDUALS)


@pytest.mark.parametrize("layout", ["room", "corridor", "row", "dome"])
def test_clean_captures_raise_no_alarm(layout):
    # Measured once: of 670 cameras in 96 captures (3 to 12 cameras, 500 frames) none stood out; the largest robust
    # score was 1.0 where 3.5 is the threshold. With none in 670 the rate is below 0.5 % (rule of three, 95 %).
    for n_cameras, seed in ((2, 11), (3, 12), (5, 13), (8, 14)):
        table = table_of(capture(layout, n_cameras, seed))
        assert act(table, OF_RESIDUALS | {"many gross outliers"}) == [], str(table)
        if layout != "corridor":
            assert act(table) == [], str(table)


def test_cameras_whose_noise_differs_by_half_raise_no_alarm():
    table = table_of(capture(n_cameras=8, seed=15, noise_spread=1.5))
    assert act(table) == [], str(table)


def test_residuals_that_grew_since_the_solve_are_told_where_nobody_is_left_to_compare_with():
    sim = capture("room", 2, 16)
    solved = {r.name: r.stats for r in table_of(sim).cameras}
    rig = replace(sim.truth, cameras=tuple(replace(c, stats=solved[c.name]) for c in sim.truth.cameras))
    assert act(residual_table(rig, sim.tracks)) == []
    worse = capture("room", 2, 16, noisy=(("cam01", 5.0), ("cam02", 5.0)))
    table = residual_table(rig, worse.tracks)
    assert sorted(act(table)) == ["cam01", "cam02"] and {c.cause for r in table.cameras for c in r.causes} == {
        "residuals grew"
    }
    first = table.cameras[0]
    before = solved[first.name].rms_px
    assert (
        first.causes[0].evidence == f"RMS {first.stats.rms_px:.3f} px against {before:.3f} px when the rig was solved"
    )


def test_too_few_points_and_too_little_of_the_sensor_are_told_in_numbers():
    sim = capture(n_cameras=6, seed=17)
    few, narrow, blind = (sim.tracks.cameras[i] for i in (0, 1, 2))
    tracks = with_camera(sim.tracks, with_points(few, np.isin(few.frame, few.frame[:60])))
    tracks = with_camera(tracks, with_points(narrow, (narrow.xy_px < [800, 460]).all(axis=1)))
    tracks = with_camera(tracks, with_points(blind, slice(0)))
    table = residual_table(sim.truth, tracks)
    rows = {r.name: r for r in table.cameras}
    n, share = rows["cam01"].stats.points, rows["cam02"].stats.coverage
    assert 0 < n < MIN_POINTS and 0 < share < MIN_COVERAGE
    assert [c.evidence.split(":")[0] for c in rows["cam01"].causes] == [f"{n} points, 100 are needed"]
    assert [c.evidence for c in rows["cam02"].causes] == [f"points cover {share:.0%}, 15% are needed"]
    assert (rows["cam03"].stats.points, rows["cam03"].causes[0].cause) == (0, "too few points")
    assert set(act(table)) == {"cam01", "cam02", "cam03"} and table.cameras[0].name == "cam03"
    document = json.loads(json.dumps(table.as_json(), allow_nan=False))
    assert document["cameras"][0]["rms_px"] is None and document["cameras"][0]["bias_px"] == [None, None]
    assert "nan" not in str(table)
