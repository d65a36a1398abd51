"""The length test: worked numbers beside their sources, known errors, decisions, and a real
pair.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scipy import special, stats

from calib import files
from calib.core.geometry import Pose
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import CertifiedLength, Wand
from calib.errors import InputError, UnsolvableError
from calib.pipeline import calibrate
from calib.prove.decide import COVERAGE, RISK, Decision, Limit, combined, decide
from calib.prove.ends import end_poses, ends_of
from calib.prove.lengths import measured_lengths
from calib.prove.verify import Verification, spread, verify
from calib.prove.volume import Box
from calib.prove.world import moved
from calib.report.proofs.verify import as_blocks, as_json
from calib.report.tables import lines_of
from calib.simulate import Scenario, simulate
from calib.solve.calibrate import SolveOptions
from scripts.benchmarks.bars import bar_tracks
from tests.floors import poses_within

DATASETS = Path(__file__).parent.parent / "datasets"
LOW, HIGH = np.array([-1500.0, -1500, 500]), np.array([1500.0, 1500, 1700])
BAR_MM = np.array([[0.0, 0, 0], [700, 0, 0]])


@lru_cache
def truth() -> Rig:
    return simulate(Scenario(n_cameras=8, n_frames=50, seed=5, connected=False)).truth


def bar(sigma_mm: float = 0.01, length_mm: float = 700.0) -> Wand:
    certified = (CertifiedLength(0, 1, length_mm, sigma_mm),)
    return Wand("bar", ("p", "q"), BAR_MM * length_mm / 700.0, 0.1, certified)


def scaled(share: float) -> Rig:
    """The truth grown by a share: whatever it measures comes out as much longer."""
    return moved(truth(), Pose(np.eye(3), np.zeros(3)), 1.0 + share)


def test_a_rig_too_large_measures_too_long() -> None:
    """A rig too large by 0.1 % measures 700 mm as 700.7 mm (by hand)."""
    rng, share = np.random.default_rng(0), 1e-3
    tracks = bar_tracks(truth(), BAR_MM, poses_within(LOW, HIGH, 60, rng), rng)
    found = measured_lengths(scaled(share), tracks, bar(), False)
    mean, own = found.error_mm.mean(), found.noise_mm / np.sqrt(len(found.error_mm))
    assert abs(mean - 700.0 * share) < 4.0 * np.sqrt((own**2).mean())
    np.testing.assert_allclose(np.linalg.norm(found.along, axis=1), 1.0)


# ---- worked numbers


def test_combined_uncertainty_of_the_end_gauge() -> None:
    """JCGM 100:2008, example H.1: 25 nm of the standard, 9.7 nm of the comparison, 2.9 nm and 16.6
    nm of expansion and temperature give 32 nm (figures from memory).
    """
    assert round(float(combined(25.0, 9.7, 2.9, 16.6))) == 32


def test_a_guard_band_of_u_accepts_at_most_2_3_percent() -> None:
    """JCGM 106:2012, 8.3.2: a value at the tolerance limit is accepted with probability 1 -
    Φ(2).
    """
    assert pytest.approx(0.0228, abs=5e-5) == RISK
    rng, u, limit = np.random.default_rng(1), 0.05, Limit(0.5)
    n = 4000
    for true in (0.5, 0.52):
        accepted = sum(
            decide(np.array([true + e]), np.array([1000.0]), np.array([u]), np.zeros(1), limit)[0]
            is Decision.PASS
            for e in rng.normal(0, u, n)
        )
        expected = special.ndtr(-COVERAGE - (true - 0.5) / u)
        assert accepted <= stats.binom.ppf(1 - 1e-4, n, expected)
        assert accepted >= stats.binom.ppf(1e-4, n, expected)


def test_the_rule_by_hand() -> None:
    """A = 0.2 mm, K = 5000, B = 0.5 mm: 0.3 mm at 500 mm, 0.4 mm at a metre, 0.5 mm from 1.5 m
    on.
    """
    limit = Limit.parse("A=0.2 K=5000 B=0.5")
    np.testing.assert_allclose(limit.at(np.array([500.0, 1000, 1500, 4000])), [0.3, 0.4, 0.5, 0.5])
    length, u, none = np.array([500.0, 1000.0]), np.full(2, 0.02), np.zeros(2)
    # U = 0.04: accepted up to 0.26 and 0.36, rejected from 0.34 and 0.44 on.
    for error, decision in (
        ((0.26, -0.36), Decision.PASS),
        ((0.27, 0.1), Decision.UNDECIDED),
        ((-0.339, 0.1), Decision.UNDECIDED),
        ((0.0, -0.45), Decision.FAIL),
    ):
        found, room = decide(np.array(error), length, u, none, limit)
        assert found is decision, error
        np.testing.assert_allclose(room, [0.26, 0.36] - np.abs(error), atol=1e-12)
    assert Limit.parse("a=1,k=1e4").b_mm == np.inf


@pytest.mark.parametrize(
    "text",
    [
        "",
        "A",
        "A=",
        "A=x",
        "A=0.2 K=0",
        "A=-1",
        "A=0.2 C=3",
        "A=1 A=2",
        "0.2 5000",
        "A=0.2mm",
        "B=0",
        "A=0",
    ],
)
def test_malformed_limits_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="--limit"):
        Limit.parse(text)


def test_figures_of_a_group_by_hand() -> None:
    found = spread("g", np.array([-3.0, 1.0, 1.0, 1.0]))
    assert (found.mean_mm, found.sd_mm, found.max_mm) == (0.0, 2.0, 3.0)
    assert found.rms_mm == pytest.approx(np.sqrt(3.0))
    assert found.percentiles_mm[0] == 1.0


# ---- known errors


@lru_cache
def outcome(share: float, seed: int, at_rest: bool, sigma_px: float = 0.12) -> Verification:
    rng = np.random.default_rng(seed)
    sigma_bar = 0.03
    real = BAR_MM * (1.0 + rng.normal(0, sigma_bar) / 700.0)
    n_frames = 20 if at_rest else 1
    poses = poses_within(LOW, HIGH, 50, rng)
    tracks = bar_tracks(truth(), real, poses, rng, n_frames=n_frames, sigma_px=sigma_px)
    return verify(scaled(share), tracks, bar(sigma_bar), Limit(0.7), at_rest=at_rest)


@pytest.mark.parametrize("at_rest", [False, True])
def test_a_known_scale_error_is_found_within_its_interval(at_rest: bool) -> None:
    """95 % intervals over 20 tests: 15 or fewer hold by chance once in 400."""
    held = 0
    for seed in range(20):
        share = float(np.random.default_rng(seed).normal(0, 5e-4))
        found = outcome(share, seed, at_rest)
        held += abs(found.scale - share) < COVERAGE * found.scale_sigma
        expected = 700.0 * share
        assert abs(found.overall.mean_mm - expected) < 4.0 * found.mean_sigma_mm
    assert held >= 16


@pytest.mark.parametrize("at_rest", [False, True])
def test_decisions_are_rarely_wrong(at_rest: bool) -> None:
    """Rigs about the limit: at most 2.3 % of wrong decisions either way; 5 of 40 are allowed once
    in a thousand runs.
    """
    wrong, kinds = 0, set()
    for seed in range(40):
        share = float(np.random.default_rng(1000 + seed).uniform(0, 1.6e-3))
        found = outcome(share, 500 + seed, at_rest, 0.01)
        off = np.abs(found.lengths.error_mm - _bar_error(500 + seed))
        is_beyond = bool((off > 0.7).any()) if not at_rest else 700.0 * share > 0.7
        kinds.add(found.decision)
        wrong += found.decision is Decision.PASS and is_beyond
        wrong += found.decision is Decision.FAIL and not is_beyond
    assert wrong <= 4
    assert kinds == set(Decision)


def _bar_error(seed: int) -> float:
    """By how much a bar of ``outcome`` is longer than its certificate."""
    return float(np.random.default_rng(seed).normal(0, 0.03))


def test_at_rest_the_noise_of_frames_averages_out() -> None:
    moving, resting = outcome(0.0, 3, False), outcome(0.0, 3, True)
    assert resting.overall.sd_mm < 0.5 * moving.overall.sd_mm
    assert len(resting.lengths.error_mm) <= 50
    assert np.median(resting.lengths.noise_mm) < 0.5 * np.median(moving.lengths.noise_mm)


def test_nameless_ends_measure_the_same_lengths() -> None:
    rng = np.random.default_rng(4)
    poses = poses_within(LOW, HIGH, 40, rng)
    named, nameless = (
        measured_lengths(
            truth(),
            bar_tracks(truth(), BAR_MM, poses, np.random.default_rng(9), named=n),
            bar(),
            False,
        )
        for n in (True, False)
    )
    assert len(nameless.error_mm) > 0.8 * len(named.error_mm)
    _, a, b = np.intersect1d(named.frame, nameless.frame, return_indices=True)
    same = np.abs(named.error_mm[a] - nameless.error_mm[b]) < 1e-6
    assert same.mean() > 0.9  # matching may take in a point that the names' gate leaves out


# ---- what there is to say


def test_too_few_lengths_and_the_rigs_own_wand_are_no_proof() -> None:
    rng = np.random.default_rng(2)
    tracks = bar_tracks(truth(), BAR_MM, poses_within(LOW, HIGH, 8, rng), rng)
    few = verify(truth(), tracks, bar(), Limit(5.0))
    assert few.decision is Decision.UNDECIDED
    assert any("the guideline counts 35 on 7" in d for d in few.doubts)
    own = replace(truth(), wand=bar(), wand_used=bar())
    many = bar_tracks(truth(), BAR_MM, poses_within(LOW, HIGH, 60, rng), rng)
    found = verify(own, many, bar(), Limit(5.0))
    assert found.decision is Decision.UNDECIDED
    assert "the wand that gave the rig its scale" in found.doubts[0]
    assert verify(truth(), many, bar(), Limit(5.0)).decision is Decision.PASS


def test_what_the_bar_did_not_visit_is_told() -> None:
    rng = np.random.default_rng(3)
    low = poses_within(LOW, np.array([1500.0, 1500, 800]), 80, rng)
    found = verify(truth(), bar_tracks(truth(), BAR_MM, low, rng), bar())
    whole = replace(truth(), wave_mm=rng.uniform(LOW, HIGH, (300, 3)))
    partly = verify(whole, bar_tracks(truth(), BAR_MM, low, rng), bar())
    assert sum("high z" in m for m in partly.missed) == 9
    assert len(found.missed) < len(partly.missed)
    assert "not proved" in "\n".join(lines_of(as_blocks(partly)))


@pytest.mark.parametrize(("low_z", "is_proof"), [(400.0, True), (1500.0, False), (4000.0, False)])
def test_a_volume_that_the_bar_hardly_went_to_is_not_proved(low_z: float, is_proof: bool) -> None:
    """As where the volume is given in another world than the rig's."""
    rng = np.random.default_rng(4)
    poses = poses_within(LOW, np.array([1500.0, 1500, 1500]), 60, rng)
    asked = Box([-2000.0, -2000, low_z], [2000.0, 2000, low_z + 1400])
    tracks = bar_tracks(truth(), BAR_MM, poses, rng)
    found = verify(truth(), tracks, bar(), Limit(5.0), box=asked)
    assert found.decision is (Decision.PASS if is_proof else Decision.UNDECIDED)
    told = [d for d in found.doubts if "in the volume that was asked for" in d]
    assert len(told) == (not is_proof)
    assert found.overall.n == verify(truth(), tracks, bar(), Limit(5.0)).overall.n


def test_of_many_lengths_a_table_shows_the_worst() -> None:
    rig, tracks, board = photographs()
    found = verify(rig, tracks, board)
    shown = lines_of(as_blocks(found))
    rows = [line for line in shown if re.match(r"r\d+c\d+ to ", line)]
    worst = sorted((g.max_mm for g in found.by_length), reverse=True)[:12]
    assert len(found.by_length) > 100 and len(rows) == 12
    assert sorted((float(row.split()[-1]) for row in rows), reverse=True) == pytest.approx(
        worst, abs=6e-4
    )
    assert f"Of {len(found.by_length)} lengths those 12 with the largest" in "\n".join(shown)
    assert len(as_json(found)["by"]["length"]) == len(found.by_length)


def test_names_of_another_bar_are_left_out_and_told() -> None:
    rng = np.random.default_rng(5)
    tracks = bar_tracks(truth(), BAR_MM * 1.2, poses_within(LOW, HIGH, 40, rng), rng)
    with pytest.raises(UnsolvableError, match="of another length"):
        verify(truth(), tracks, bar())


@pytest.mark.parametrize(("n_off", "is_single"), [(1, True), (2, True), (25, False)])
def test_single_lengths_that_stand_out_are_told_before_cameras(n_off: int, is_single: bool) -> None:
    """Lengths 6 mm off, of 50 that else keep 1.5 mm: single ones are no camera's doing."""
    one, other = (
        bar_tracks(truth(), BAR_MM * share, poses_within(LOW, HIGH, 50, rng), rng)
        for share, rng in ((s, np.random.default_rng(8)) for s in (1.0, 1.0 + 6.0 / 700.0))
    )
    frames = np.unique(np.concatenate([c.frame for c in one.cameras]))
    off = frames[:: len(frames) // n_off][:n_off]
    cameras = []
    for a, b in zip(one.cameras, other.cameras, strict=True):
        parts = a.rows(~np.isin(a.frame, off)), b.rows(np.isin(b.frame, off))
        frame, xy, marker = (
            np.concatenate([getattr(part, key) for part in parts])
            for key in ("frame", "xy_px", "marker")
        )
        at = np.argsort(frame, kind="stable")
        changes = {"frame": frame[at], "xy_px": xy[at], "marker": marker[at], "radius_px": None}
        cameras.append(replace(a, **changes))
    found = verify(truth(), replace(one, cameras=tuple(cameras)), bar(), Limit(1.5))
    text = " ".join(lines_of(as_blocks(found, files=("rig.h5", "bar.h5", "bar.toml"))))
    assert found.decision is Decision.FAIL
    assert ("out from the rest" in text) == is_single
    assert ("calib recheck rig.h5" in text) == (not is_single)
    if is_single:
        assert found.odd_ones is not None
        assert np.isin(found.lengths.frame[found.odd_ones], off).all()
    # Without a limit nothing is decided, and single ones are told all the same.
    found = replace(found, limit=None, decision=None, room_mm=None)
    names = ("rig.h5", "bar.h5", "bar.toml")
    shown = as_blocks(found, files=names, then="calib verify", table="All of them: ALL.")
    text = " ".join(lines_of(shown))
    assert ("All of them: ALL." in text) == is_single
    assert ("out from the rest" in text) == is_single == ("Next: " not in text)
    assert as_json(found)["stand_out"] == (sorted(off.tolist()) if is_single else [])


@pytest.mark.parametrize("share", [0.0, 0.02, -0.02])
def test_lengths_that_are_all_off_alike_are_told_as_bar_or_wand(share: float) -> None:
    """Another bar than its file's, or a wand file that is off: no camera is to be looked at."""
    rng = np.random.default_rng(11)
    tracks = bar_tracks(truth(), BAR_MM, poses_within(LOW, HIGH, 60, rng), rng)
    files = ("rig.h5", "bar.h5", "bar.toml")
    for limit in (None, Limit(1.5)):
        found = verify(scaled(share), tracks, bar(), limit)
        assert found.is_of_scale == (share != 0)
        text = " ".join(lines_of(as_blocks(found, files=files, then="calib verify")))
        way = "long" if share > 0 else "short"
        assert (f"All lengths come out {way} alike, by 2." in text) == (share != 0)
        assert ("compare their files: calib describe bar.toml" in text) == (share != 0)
        assert "recheck" not in text and ("Next: " in text) == (share == 0)


def test_a_bar_that_one_camera_sees_is_refused() -> None:
    rng = np.random.default_rng(6)
    tracks = bar_tracks(truth(), BAR_MM, poses_within(LOW, HIGH, 20, rng), rng)
    alone = replace(
        tracks,
        cameras=tuple(
            c.rows(np.arange(c.n_points * (k == 0))) for k, c in enumerate(tracks.cameras)
        ),
    )
    with pytest.raises(UnsolvableError, match="two cameras"):
        verify(truth(), alone, bar())
    with pytest.raises(UnsolvableError, match="at rest"):
        verify(truth(), tracks, bar(), at_rest=True)


def test_a_bar_of_one_marker_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bar.toml").write_text('unit = "mm"\n[markers]\na = [0, 0, 0]\n')
    with pytest.raises(InputError, match=r"two or more markers.*--distance CAM,CAM,MM"):
        files.load_wand(tmp_path / "bar.toml")


def test_the_outcome_goes_through_json() -> None:
    found = outcome(0.0, 3, True)
    table = json.loads(json.dumps(as_json(found), allow_nan=False))
    assert table["decision"] == str(found.decision)
    assert table["percentiles_mm"]["95"] == found.overall.percentiles_mm[2]
    assert table["scale_error"] == found.scale


# ---- the ends' relative pose


def two_groups() -> Wand:
    group = np.array([[0.0, 0, 0], [60, 0, 0], [0, 50, 0], [20, 10, 40]])
    return Wand(
        "dumbbell", tuple("abcdefgh"), np.vstack([group, group + np.array([640.0, 0, 0])]), 0.01
    )


def test_ends_of_a_bar() -> None:
    found = ends_of(two_groups())
    assert found is not None
    np.testing.assert_array_equal(np.sort(np.concatenate(found)), np.arange(8))
    assert ends_of(bar()) is None
    line = Wand("l", tuple("abcdef"), np.outer([0, 20, 60, 500, 540, 600.0], [1.0, 0, 0]))
    assert ends_of(line) is None


def test_the_ends_pose_error_of_a_rig_too_large() -> None:
    """Without noise the far end of 640 mm between the groups comes out 0.64 mm off and not turned;
    the lever is the distance of the groups' middles (by hand).
    """
    rng = np.random.default_rng(7)
    wand = two_groups()
    poses = poses_within(LOW, HIGH, 30, rng)
    tracks = bar_tracks(truth(), wand.points_mm, poses, rng, sigma_px=1e-4)
    found = end_poses(scaled(1e-3), tracks, wand, None)
    assert found is not None and len(found.position_mm) >= 10
    np.testing.assert_allclose(found.position_mm, 0.64, atol=0.02)
    assert found.rotation_deg.max() < 0.01


# ---- the real pair


@lru_cache
def photographs() -> tuple[Rig, Tracks, Wand]:
    """The pair solved from three corners in a row, and the whole board."""
    line, wand = (
        files.load_tracks(DATASETS / "photographs/line.h5"),
        files.load_wand(DATASETS / "photographs/line.toml"),
    )
    rig = calibrate(line, wand, SolveOptions(lens="hold"))
    board = files.load_wand(DATASETS / "photographs/board.toml")
    return rig, files.load_tracks(DATASETS / "photographs/board.h5"), board


def test_the_real_pair_keeps_its_scale_across_the_rows() -> None:
    """Lengths across the rows, of which the solve saw none, in the same photographs. A printed
    board is square and evenly spaced to a fraction of a millimetre; 0.05 mm is assumed of each
    length. The scale came out 0.05 % short with 0.03 % of uncertainty.
    """
    rig, tracks, board = photographs()
    names = board.markers
    across = [
        ("r0c0", "r5c0"),
        ("r0c8", "r5c8"),
        ("r0c4", "r5c4"),
        ("r0c0", "r5c8"),
        ("r0c8", "r5c0"),
        ("r1c2", "r4c6"),
        ("r0c1", "r3c5"),
    ]
    ends = [(names.index(a), names.index(b)) for a, b in across]
    known = tuple(CertifiedLength(i, j, board.lengths_mm[i, j], 0.05) for i, j in ends)
    found = verify(rig, tracks, replace(board, certified=known), Limit(2.5))
    assert found.overall.n == 7 * 13
    assert abs(found.scale) < 3.0 * found.scale_sigma < 2e-3
    assert found.decision is Decision.PASS
    assert found.ends is not None and len(found.ends.position_mm) == 13
    # A corner is good to a quarter of a pixel, at half a metre and 530 px some 0.25 mm and along
    # the view more: errors of half a millimetre, as the pair's own error bars say.
    assert found.overall.rms_mm < 3.0 * np.median(found.lengths.noise_mm)
