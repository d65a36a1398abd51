"""Folding radial distortion: against OpenCV's projection, and captures that see only the middle of
their sensors.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.core.camera import Lens, undistort
from calib.core.parameters import term_values
from calib.solve.bundle.descent import BundleOptions, Prior, bundle
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.monotonic import (
    CORNER_SIGMA,
    fold_reach,
    is_monotonic,
    monotonic_prior,
    tightened,
    turning_radius,
)
from calib.solve.bundle.problem import Problem, State
from tests.small_problems import make_problem

WIDTH, HEIGHT = 2000.0, 1200.0


def lens_vector(focal: float = 1000.0, **dist: float) -> np.ndarray:
    names = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
    return np.array(
        [focal, focal, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, *(dist.get(n, 0.0) for n in names)]
    )


def distorted_radius(lens: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """By OpenCV: the image radius, on the plane z = 1, of rays at a radius from the axis."""
    points = np.stack([radius, 0 * radius, 0 * radius + 1], axis=1)
    uv, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), np.eye(3), lens[4:].copy())
    return np.asarray(uv[:, 0, 0])


def test_fold_where_the_projection_of_opencv_turns_back() -> None:
    rng = np.random.default_rng(0)
    radius = np.linspace(0, 4, 8001)[1:]
    n_folds = 0
    for k in range(300):
        k1, k2, k3, k4, k5, k6 = rng.normal(0, 0.3, 6) * [
            1,
            1,
            k % 3 > 0,
            k % 3 > 1,
            k % 3 > 1,
            k % 3 > 1,
        ]
        lens = lens_vector(k1=k1, k2=k2, k3=k3, k4=k4, k5=k5, k6=k6)
        s = radius**2
        is_before_pole = np.cumprod(1 + s * (k4 + s * (k5 + s * k6)) > 0).astype(bool)
        image = distorted_radius(lens, radius)[is_before_pole]
        falls = np.flatnonzero(np.diff(image) <= 0)
        found = turning_radius(lens)
        if len(falls):
            n_folds += 1
            assert found == pytest.approx(
                radius[falls[0]], abs=1e-3
            )  # the grid's step is half of that
        else:
            assert found > radius[is_before_pole][-1] - 1e-3
    assert 50 < n_folds < 250


def test_fold_in_closed_form() -> None:
    # r + k1 r³ has the slope 1 + 3 k1 r²; with k2 the smaller root of 1 + 3 k1 s + 5 k2 s².
    assert turning_radius(lens_vector(k1=-0.2)) == pytest.approx(np.sqrt(1 / 0.6))
    assert turning_radius(lens_vector(k1=-0.5, k2=0.05)) == pytest.approx(
        np.sqrt((1.5 - np.sqrt(2.25 - 1.0)) / 0.5)
    )
    assert turning_radius(lens_vector()) == turning_radius(lens_vector(k1=0.1)) == np.inf
    # r / (1 + k4 r²) turns at k4 r² = 1; r / (1 - k4 r²) reaches everywhere before its pole.
    assert turning_radius(lens_vector(k4=0.25)) == pytest.approx(2.0)
    assert turning_radius(lens_vector(k4=-0.25)) == np.inf
    # A slope that touches zero and goes on, 1 - 2 s + s², counts as a fold.
    assert turning_radius(lens_vector(k1=-2 / 3, k2=1 / 5)) == pytest.approx(1.0, abs=1e-6)


def test_reach_is_measured_to_the_farthest_corner() -> None:
    sizes = np.array([WIDTH]), np.array([HEIGHT])
    lens = lens_vector(k1=-0.2)
    peak = 1000 * np.sqrt(1 / 0.6) * (1 - 0.2 / 0.6)
    assert fold_reach(lens[None], *sizes)[0] == pytest.approx(
        peak / np.hypot(WIDTH / 2, HEIGHT / 2)
    )
    lens[2] += 100  # the left corners are then farther away
    assert fold_reach(lens[None], *sizes)[0] == pytest.approx(
        peak / np.hypot(WIDTH / 2 + 100, HEIGHT / 2)
    )
    # Aspect: y reaches less far on the image plane where fy is larger.
    lens[1] *= 2
    assert fold_reach(lens[None], *sizes)[0] == pytest.approx(
        peak / np.hypot(WIDTH / 2 + 100, HEIGHT / 4)
    )


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_monotonic_lens_can_be_undistorted_everywhere(seed: int) -> None:
    rng = np.random.default_rng(seed)
    corners = np.array(
        [[-0.5, -0.5], [WIDTH - 0.5, -0.5], [-0.5, HEIGHT - 0.5], [WIDTH - 0.5, HEIGHT - 0.5]]
    )
    n_folded = 0
    for _ in range(60):
        lens = lens_vector(
            rng.uniform(700, 2000), k1=rng.uniform(-0.5, 0.1), k2=rng.uniform(-0.1, 0.1)
        )
        lens[2:4] += rng.normal(0, 20, 2)
        is_fine = bool(is_monotonic(lens[None], np.array([WIDTH]), np.array([HEIGHT]))[0])
        reach = fold_reach(lens[None], np.array([WIDTH]), np.array([HEIGHT]))[0]
        n_folded += not is_fine
        if reach < 1:  # no ray at all lands on the farthest corner before the fold
            radius = np.linspace(0, turning_radius(lens), 500)
            away = np.linalg.norm(corners - lens[2:4], axis=1).max() / lens[0]
            assert distorted_radius(lens, radius).max() < away
        elif reach > 1.05:  # Newton's method finds the ray of each corner
            assert np.isfinite(undistort(Lens.from_vector(lens), corners)).all()
    assert 0 < n_folded < 60


TERMS = ("focal", "cx", "cy", "k1", "k2", "k3")
SIZES = np.full(4, WIDTH), np.full(4, HEIGHT)


def capture(
    seed: int, focal: float, noise_px: float, n_frames: int
) -> tuple[Problem, State, Prior]:
    """Return what four cameras see, a mild barrel among them, with the prior about a plain lens,
    all sigmas 0.3.

    The volume fills an angle of some 25° to each side: all of the sensor for a long lens, its
    middle for a short one.
    """
    rng = np.random.default_rng(seed)
    problem, state = make_problem(rng, 4, n_frames, is_line=True, noise_px=noise_px)
    lens = np.zeros((4, 12))
    lens[:, :2] = focal
    lens[:, 2:4] = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2]) + rng.normal(0, 10, (4, 2))
    lens[:, 4] = rng.uniform(-0.08, 0.0, 4) / (0.5 * np.hypot(WIDTH, HEIGHT) / focal) ** 2
    state = replace(state, lens=lens)
    uv = -residuals(replace(problem, uv_px=np.zeros_like(problem.uv_px)), state)
    problem = replace(problem, uv_px=uv + rng.normal(0, noise_px, uv.shape))
    mean = np.broadcast_to([focal, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, 0.0, 0.0, 0.0], (4, 6))
    sigma = np.broadcast_to([np.inf, 0.03 * WIDTH, 0.03 * WIDTH, 0.3, 0.3, 0.3], (4, 6))
    return problem, state, Prior(mean, sigma)


def test_middle_of_the_sensor_alone_does_not_fold_the_corners() -> None:
    n_before, n_with_prior = 0, 0
    for seed in range(12):
        problem, truth, plain = capture(seed, 700.0, 0.4, 40)
        assert is_monotonic(truth.lens, *SIZES).all()
        options = BundleOptions(terms=TERMS, prior=plain)
        n_before += int((~is_monotonic(bundle(problem, truth, options).state.lens, *SIZES)).sum())
        prior: Prior | None = monotonic_prior(plain, TERMS, truth.lens[:, 0], *SIZES)
        assert prior is not None
        state, n_rounds = bundle(problem, truth, replace(options, prior=prior)).state, 0
        n_with_prior += int((~is_monotonic(state.lens, *SIZES)).sum())
        while (prior := tightened(prior, TERMS, state.lens, *SIZES)) is not None:
            state, n_rounds = (
                bundle(problem, state, replace(options, prior=prior)).state,
                n_rounds + 1,
            )
            assert n_rounds < 6
        assert is_monotonic(state.lens, *SIZES).all()
    # Coefficients of 0.3 whatever the lens let a good part of these 48 cameras fold; scaled to the
    # corner few do.
    assert n_before >= 10
    assert n_with_prior <= 2


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_covered_sensor_does_not_feel_the_prior(seed: int) -> None:
    """A prior moves an estimate by (sigma / prior's sigma)² of its offset: little of a sigma where
    points reach out.
    """
    problem, truth, plain = capture(seed, 2400.0, 0.15, 500)
    none = replace(plain, sigma=np.where(np.arange(6) < 3, plain.sigma, 1e6))
    prior = monotonic_prior(plain, TERMS, truth.lens[:, 0], *SIZES)
    free, held = (
        bundle(problem, truth, BundleOptions(terms=TERMS, prior=p)).state for p in (none, prior)
    )
    move = (residuals(problem, free) - residuals(problem, held))[:, problem.weight > 0]
    # Six lens terms leave an error of 0.15 px √(6 / 2 / 1200) in predicted points; a tenth of that
    # is no bias.
    assert np.sqrt((move**2).sum(axis=0).mean()) < 0.1 * 0.15 * np.sqrt(6 / 1200)
    corner = (0.5 * np.hypot(WIDTH, HEIGHT) / 2400.0) ** 2
    shift = [term_values(s.lens, "k1") * corner for s in (free, held)]
    assert np.abs(shift[0] - shift[1]).max() < 0.05 * CORNER_SIGMA["k1"]


def test_tightening_leaves_alone_what_it_should() -> None:
    lens = np.stack(
        [lens_vector(k1=-0.5), lens_vector(k1=-0.05), lens_vector(k1=-0.5), lens_vector(k1=0.1)]
    )
    names = ("focal", "k1")
    prior = Prior(
        np.array([[1000, 0.0], [1000, 0.0], [1000, -0.5], [1000, 0.0]]),
        np.tile([np.inf, 0.2], (4, 1)),
    )
    tighter = tightened(prior, names, lens, *SIZES)
    assert tighter is not None
    # The third is as its measurement says: no prior about it helps.
    np.testing.assert_array_equal(
        tighter.sigma, [[np.inf, 0.1], [np.inf, 0.2], [np.inf, 0.2], [np.inf, 0.2]]
    )
    assert tightened(prior, ("focal", "k1"), lens[[1, 1, 2, 3]], *SIZES) is None
    assert tightened(Prior(prior.mean[:, :1], prior.sigma[:, :1]), ("focal",), lens, *SIZES) is None
