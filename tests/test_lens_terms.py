"""Small lens terms: priors as the cameras tell them together, against exact sums; what the table
says of them.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from calib.check.apart import UNSURE
from calib.check.residuals import residual_table
from calib.check.verdicts import RigFault
from calib.core.camera import Lens
from calib.core.parameters import POSITION, CameraParameter, term_values
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.files import load_rig, load_tracks, save_rig, save_tracks
from calib.pipeline import calibrate, solve_rig
from calib.report.rigs.residuals import as_json
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.calibrate import SolveOptions
from calib.solve.certainty.held import HELD_SIGMA
from calib.solve.certainty.lens_terms import APART, OF_WIDTH, WIDTHS, WIDTHS_APART, prior_factors

SMALL = ("aspect", "p1", "p2", "k3")


def each(n: int) -> NDArray[np.intp]:
    """Return as many terms' lenses, each another."""
    return np.arange(n)


def exact_moments(information: float, score: float) -> tuple[float, float]:
    """Return mean and variance of one term by summing over the whole mixture (SciPy's normal law
    for the evidence).
    """
    widths = np.concatenate([WIDTHS, WIDTHS_APART])
    chance = np.append((1 - APART) * OF_WIDTH, [APART / len(WIDTHS_APART)] * len(WIDTHS_APART))
    place, variance = score / information, 1.0 / information
    weight = chance * stats.norm.pdf(place, scale=np.sqrt(variance + widths**2))
    weight /= weight.sum()
    mean = place * widths**2 / (widths**2 + variance)
    spread = widths**2 * variance / (widths**2 + variance)
    m = weight @ mean
    return float(m), float(weight @ (spread + mean**2) - m**2)


@pytest.mark.parametrize(
    ("information", "score"), [(4.0, 1.0), (25.0, 40.0), (400.0, 10.0), (1e4, 1.5e4)]
)
def test_one_term_alone_gets_the_exact_posterior(information: float, score: float) -> None:
    """With a single term expectation propagation is exact: factor times likelihood has the
    mixture's two moments.

    But for a variance that the mixture makes larger than the likelihood's, which no factor can: a
    few percent at most.
    """
    mean, sigma = prior_factors(np.array([[information]]), np.array([score]), each(1), each(1))
    precision = information + sigma[0] ** -2
    found = (score + mean[0] * sigma[0] ** -2) / precision
    m, v = exact_moments(information, score)
    assert found == pytest.approx(m, abs=2e-3 * np.sqrt(v))
    assert 1.0 / precision == pytest.approx(min(v, 1.0 / information), rel=0.01)


def test_many_lenses_show_together_what_none_shows_alone() -> None:
    """Each term is known to its usual size: alone not told from nothing, 40 together are."""
    rng, n = np.random.default_rng(1), 40
    B, group = np.eye(n), np.zeros(n, np.intp)
    for truth, low, high in ((0.0, 0.0, 0.4), (1.0, 0.5, 1.6)):
        value = truth * rng.normal(size=n)
        _, sigma = prior_factors(B, value + rng.normal(size=n), group, each(n))
        assert low <= np.median(sigma) < high


def test_one_lens_may_stand_apart() -> None:
    n = 12
    h = np.zeros(n)
    h[4] = 400.0 * 1.5
    mean, sigma = prior_factors(400.0 * np.eye(n), h, np.zeros(n, np.intp), each(n))
    posterior = (h + mean * sigma**-2) / (400.0 + sigma**-2)
    assert posterior[4] == pytest.approx(1.5, rel=0.05)
    assert np.abs(np.delete(posterior, 4)).max() < 1e-6 and np.delete(sigma, 4).max() < 0.1


def test_a_lens_stands_apart_in_all_its_terms() -> None:
    """What one term shows of a lens counts for those that the capture tells little of: against the
    sum over all widths of both groups and all states of the lens, ten others being plain.

    Only that a group's width and a lens' state tell each other of a term in turn is left out by the
    sweeps: by a term of a dozen, a few percent.
    """
    n, at = 11, 4
    known, open_ = np.full(n, 400.0), np.ones(n)
    B = np.diag(np.concatenate([known, open_]))
    group, lens = np.repeat([0, 1], n), np.tile(np.arange(n), 2)
    for offset in (0.0, 1.5):
        h = np.zeros(2 * n)
        h[at] = known[at] * offset
        mean, sigma = prior_factors(B, h, group, lens)
        found = 1.0 / (open_[at] + sigma[n + at] ** -2)
        assert abs(mean[n + at]) < 1e-9  # it is told by the lens alone, which has no side
        assert found == pytest.approx(variance_of_open(known, open_, offset, at), rel=0.05)


def variance_of_open(
    known: NDArray[np.float64], open_: NDArray[np.float64], offset: float, at: int
) -> float:
    """Return the posterior variance of the second term of lens ``at``, whose first is seen off by
    ``offset``; all else is seen where a plain lens has it.
    """
    apart = APART / len(WIDTHS_APART)
    seen = np.where(np.arange(len(known)) == at, offset, 0.0)
    weights, variances = [], []
    for first, p in zip(WIDTHS, OF_WIDTH, strict=True):
        for second, q in zip(WIDTHS, OF_WIDTH, strict=True):
            ways = [((1 - APART), first, second), *((apart, w, w) for w in WIDTHS_APART)]
            fits = np.array(
                [
                    share
                    * stats.norm.pdf(seen, scale=np.sqrt(1 / known + a**2))
                    * stats.norm.pdf(0.0, scale=np.sqrt(1 / open_ + b**2))
                    for share, a, b in ways
                ]
            )
            others = np.delete(fits.sum(axis=0), at).prod()
            for fit, (_, _, b) in zip(fits[:, at], ways, strict=True):
                weights.append(p * q * others * fit)
                variances.append(b**2 / (1 + open_[at] * b**2))
    return float(np.average(variances, weights=weights))


def test_what_rounding_made_negative_tells_nothing() -> None:
    """As where a camera ran away: the others' terms come out as without it."""
    B, h, group = (
        np.diag([4e21, -6e13, 25.0, 400.0]),
        np.array([-1e11, 4e5, 40.0, 10.0]),
        np.arange(4),
    )
    with np.errstate(all="raise", under="ignore"):
        mean, sigma = prior_factors(B, h, group, each(4))
    for k in (2, 3):
        one = prior_factors(B[k : k + 1, k : k + 1], h[k : k + 1], each(1), each(1))
        for of_mean, of_sigma in ((mean[k], sigma[k]), (one[0][0], one[1][0])):
            precision = B[k, k] + of_sigma**-2
            found = (h[k] + of_mean * of_sigma**-2) / precision
            m, v = exact_moments(B[k, k], h[k])
            assert found == pytest.approx(m, abs=2e-3 * np.sqrt(v))
    assert np.isfinite(mean).all() and abs(mean[1]) < 1e-9


def solved(**changes: object) -> tuple[Simulation, Rig]:
    sim = simulate(Scenario(n_cameras=6, n_frames=700, seed=3, lasting_share=0.0, **changes))
    return sim, calibrate(sim.tracks, sim.wand)


def test_terms_come_within_their_sigmas_and_are_named() -> None:
    sim, rig = solved()
    assert rig.covariance is not None
    total = 0.0
    for camera, true in zip(rig.cameras, sim.truth.cameras, strict=True):
        for term in SMALL:
            i = rig.covariance.row[CameraParameter(camera.name, term)]
            error = (
                term_values(camera.lens.vector[None], term)
                - term_values(true.lens.vector[None], term)
            )[0]
            total += float(error**2 / rig.covariance.matrix[i, i])
    n = len(SMALL) * len(
        rig.cameras
    )  # they hang together, so their sum scatters by more than chi-square: twice
    assert n - 8 * np.sqrt(2 * n) < total < n + 8 * np.sqrt(2 * n)
    table = residual_table(rig, sim.tracks)
    assert all({"tangential"} <= set(row.lens_terms or ()) for row in table.cameras)
    assert [c["lens_terms"] for c in as_json(table)["cameras"]] == [
        list(r.lens_terms or ()) for r in table.cameras
    ]


def test_plain_lenses_are_said_to_be_plain() -> None:
    sim, rig = solved(lens_terms=("k1", "k2"))
    named = [r.lens_terms for r in residual_table(rig, sim.tracks).cameras]
    assert sum(bool(terms) for terms in named) <= 1  # a term in a thousand is named by chance


# ---- held lenses


def with_lens(tracks: Tracks, name: str, **changes: object) -> Tracks:
    return replace(
        tracks,
        cameras=tuple(replace(c, **changes) if c.name == name else c for c in tracks.cameras),
    )


def test_a_stated_lens_that_the_capture_contradicts_is_named_and_no_other() -> None:
    sim = simulate(Scenario(n_cameras=5, n_frames=600, seed=4, known_lens="measured"))
    assert not calibrate(sim.tracks, sim.wand).doubts
    given = sim.tracks.camera("cam03").lens
    assert given is not None
    wrong = Lens.from_vector(given.vector * np.array([1.03, 1.03, *[1.0] * 10]))
    rig = calibrate(with_lens(sim.tracks, "cam03", lens=wrong), sim.wand)
    named = [d for d in rig.doubts if d.finding == RigFault.STATED]
    assert [d.cameras for d in named] == [("cam03",)]
    assert named[0].figures["focal_share"] == pytest.approx(1 / 1.03 - 1, abs=2e-3)
    assert "that of cam03 comes out otherwise" in str(named[0]) and "--lens free" in str(named[0])


def all_off(tracks: Tracks, share: float) -> Tracks:
    scale = np.array([1.0 + share, 1.0 + share, *[1.0] * 10])
    for camera in tracks.cameras:
        assert camera.lens is not None
        lens = Lens.from_vector(camera.lens.vector * scale)
        tracks = with_lens(tracks, camera.name, lens=lens)
    return tracks


@pytest.mark.parametrize("seed", [4, 5])
def test_stated_lenses_that_are_all_off_alike_are_one_finding(seed: int) -> None:
    """Each camera was told to be knocked, bent or late, and the wand to be another."""
    sim = simulate(Scenario(n_cameras=6, n_frames=600, seed=seed, known_lens="measured"))
    solution = solve_rig(all_off(sim.tracks, 0.01), sim.wand)
    table = solution.table
    first = table.told[0]
    assert isinstance(first, Doubt) and first.finding == RigFault.STATED
    assert first.cameras == sim.tracks.names and "--lens free" in str(first)
    off = first.figures["least_share"], first.figures["most_share"]
    assert off == pytest.approx((1 / 1.01 - 1,) * 2, abs=1e-3)
    assert not any({c.cause for c in row.causes} & UNSURE for row in table.cameras)


def test_stated_lenses_off_by_less_than_lenses_are_known_to_name_nobody() -> None:
    sim = simulate(Scenario(n_cameras=6, n_frames=600, seed=6, known_lens="measured"))
    solution = solve_rig(all_off(sim.tracks, 0.001), sim.wand)
    table = solution.table
    assert not table.told


def test_what_is_not_known_of_a_held_lens_is_in_the_sigmas(tmp_path) -> None:
    """Assumed where nobody states it, and said; stated, it counts as stated; and files
    keep both.
    """
    sim = simulate(Scenario(n_cameras=4, n_frames=500, seed=5, known_lens="measured"))
    assumed = calibrate(sim.tracks, sim.wand)
    sigma = np.array([0.2, 0.2, 0.1, 0.1, 1e-4, 1e-4, 0.0, 0.0, 0.0])
    stated = replace(
        sim.tracks, cameras=tuple(replace(c, lens_sigma=sigma) for c in sim.tracks.cameras)
    )
    save_tracks(stated, tmp_path / "t.h5")
    sure = calibrate(load_tracks(tmp_path / "t.h5"), sim.wand)
    assert any("nobody states how well they are known" in f for f in assumed.findings)
    assert not any("nobody states" in f for f in sure.findings)
    known = assumed.covariance
    assert known is not None
    k = known.held.index(CameraParameter("cam02", "cx"))
    assert known.held_sigma[k] == HELD_SIGMA["cx"] * sim.scenario.width
    rows = [known.row[CameraParameter("cam02", kind)] for kind in POSITION]
    by_hand = np.sqrt(
        np.diag(known.matrix)[rows]
        + ((known.sensitivity[rows] * known.held_sigma) ** 2).sum(axis=1)
    )
    np.testing.assert_allclose(assumed.sigmas("cam02")[0], by_hand)
    assert np.linalg.norm(sure.sigmas("cam02")[0]) < 0.2 * np.linalg.norm(by_hand)
    save_rig(assumed, tmp_path / "r.h5")
    again = load_rig(tmp_path / "r.h5")
    np.testing.assert_array_equal(again.sigmas("cam02")[0], assumed.sigmas("cam02")[0])


def test_sigmas_of_no_lens_or_of_the_wrong_length_are_refused() -> None:
    sim = simulate(Scenario(n_cameras=2, path="still", n_frames=2))
    with pytest.raises(InputError, match="cam01: lens_sigma: expected K, dist"):
        replace(sim.tracks.cameras[0], lens_sigma=np.ones(9))
    with pytest.raises(InputError, match="lens_sigma"):
        replace(sim.tracks.cameras[0], lens=sim.truth.cameras[0].lens, lens_sigma=np.ones(4))


# ---- outside check


def test_terms_agree_with_opencvs_calibration_of_the_same_rays() -> None:
    """Source: cv2.calibrateCamera on a spatial wand's true places, all terms free, against ours of
    the whole rig.

    It knows the markers' places in each frame's wand and finds the camera's pose there by itself,
    frame by frame.
    """
    sim = simulate(
        Scenario.plain(
            n_cameras=4,
            n_frames=500,
            seed=8,
            wand="solid6",
            lens_terms=("k1", "k2", "k3", "tangential", "aspect"),
        )
    )
    rig = calibrate(sim.tracks, sim.wand)
    assert rig.covariance is not None
    camera = sim.tracks.cameras[0]
    good = (camera.marker >= 0) & ~sim.is_outlier[0]
    frames, count = np.unique(camera.frame[good], return_counts=True)
    points, images = [], []
    for f in frames[count == 6]:
        at = good & (camera.frame == f)
        points.append(sim.truth.wand_used.points_mm[camera.marker[at]].astype(np.float32))
        images.append(camera.xy_px[at].astype(np.float32))
    true = sim.truth.cameras[0].lens
    _, K, dist, *_, spread, _, _ = cv2.calibrateCameraExtended(
        points,
        images,
        (camera.width, camera.height),
        true.K.copy(),
        true.dist.copy(),
        flags=cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    ours, spread = rig.cameras[0].lens, spread.ravel()
    for term, theirs, theirs_sigma in (
        ("focal", K[0, 0], spread[0]),
        ("cx", K[0, 2], spread[2]),
        ("cy", K[1, 2], spread[3]),
        ("p1", dist.ravel()[2], spread[6]),
        ("p2", dist.ravel()[3], spread[7]),
    ):
        i = rig.covariance.row[CameraParameter("cam01", term)]
        sigma = np.hypot(theirs_sigma, np.sqrt(rig.covariance.matrix[i, i]))
        assert abs(term_values(ours.vector[None], term)[0] - theirs) < 4.0 * sigma, term


def test_a_list_of_terms_holds_the_others() -> None:
    sim = simulate(Scenario(n_cameras=4, n_frames=300, seed=9))
    rig = calibrate(sim.tracks, sim.wand, SolveOptions(terms=("focal", "principal", "k1")))
    assert all(c.lens.fx == c.lens.fy and not c.lens.dist[1:].any() for c in rig.cameras)
