"""The tests behind the causes, against SciPy, NumPy and the nominal rates of their laws."""

import numpy as np
import pytest
from scipy import signal, stats

from calib.check.causes.change import changes
from calib.check.causes.levels import is_straying, noise_against
from calib.check.causes.record import VAGUE, of_cameras
from calib.check.causes.spectrum import periodogram
from calib.check.residuals import ResidualTable, residual_table
from calib.check.verdicts import MIN_COVERAGE, Fault
from calib.pipeline import calibrate
from calib.solve.bundle.linearise import weighted_rows
from calib.solve.hold import fit_to_rig
from tests.captures import IDEAL, capture
from tests.rigs_in_time import stored, wave


def within_binomial(count, n, rate, p=1e-4):
    low, high = stats.binom.interval(1 - p, n, rate)
    return low <= count <= high


def test_the_spectrum_is_scipys_with_gaps():
    # Source: scipy.signal.lombscargle, whose power without normalisation is half the fall of the
    # sum of squares.
    rng = np.random.default_rng(1)
    frame = np.sort(rng.choice(400, 230, replace=False))
    value = rng.normal(size=230) + np.sin(2 * np.pi * 0.173 * frame)
    f, fall = periodogram(frame, value, np.ones(230))
    power = signal.lombscargle((frame - frame[0]).astype(float), value, 2 * np.pi * f)
    assert fall / 2 == pytest.approx(power, rel=1e-6, abs=1e-9)
    assert f[fall.argmax()] == pytest.approx(0.173, abs=1 / 400)


def test_the_weighted_spectrum_is_the_fall_of_a_weighted_fit():
    # Source: numpy.linalg.lstsq.
    rng = np.random.default_rng(2)
    frame = np.sort(rng.choice(90, 60, replace=False))
    value, weight = rng.normal(size=60), rng.uniform(0.2, 3.0, 60)
    f, fall = periodogram(frame, value, weight)
    for k in (3, 17, 40, 100):
        angle = 2 * np.pi * f[k] * (frame - frame[0])
        A, y = (
            np.stack([np.cos(angle), np.sin(angle)], 1) * np.sqrt(weight)[:, None],
            value * np.sqrt(weight),
        )
        rest = np.linalg.lstsq(A, y, rcond=None)[1][0]
        assert fall[k] == pytest.approx(y @ y - rest, rel=1e-8)


def test_peaks_of_noise_follow_their_law():
    # A single frequency's fall is chi-square with two degrees of freedom (Scargle, ApJ 263 (1982),
    # 835-853).
    rng = np.random.default_rng(3)
    frame = np.sort(rng.choice(128, 90, replace=False))
    falls = [periodogram(frame, rng.normal(size=90), np.ones(90))[1][77] for _ in range(2000)]
    assert within_binomial(np.sum(falls > stats.chi2.isf(0.05, 2)), 2000, 0.05)


def test_a_change_of_mean_is_scipys_two_sample_t_test():
    # Source: scipy.stats.ttest_ind with equal variances: t² = fall / (RSS after / (n - 2)).
    rng = np.random.default_rng(4)
    y = rng.normal(size=50) + 0.8 * (np.arange(50) >= 31)
    x = np.ones((50, 1, 1))
    at = np.arange(5, 45)
    fall = changes(x, x, y[:, None], at)
    total = ((y - y.mean()) ** 2).sum()
    for k, n in enumerate(at):
        t = stats.ttest_ind(y[:n], y[n:]).statistic
        assert fall[k] / ((total - fall[k]) / 48) == pytest.approx(t**2, rel=1e-8)


def test_a_change_of_several_effects_is_the_fall_of_least_squares():
    # Source: numpy.linalg.lstsq with and without the step's columns.
    rng = np.random.default_rng(5)
    step, rest, y = (
        rng.normal(size=(40, 4, 3)),
        rng.normal(size=(40, 4, 2)),
        rng.normal(size=(40, 4)),
    )
    rest = np.concatenate([step, rest], axis=2)
    flat = rest.reshape(160, 5)
    before = np.linalg.lstsq(flat, y.ravel(), rcond=None)[1][0]
    for at in (10, 25):
        later = (step * (np.arange(40) >= at)[:, None, None]).reshape(160, 3)
        after = np.linalg.lstsq(np.hstack([flat, later]), y.ravel(), rcond=None)[1][0]
        assert changes(step, rest, y, np.array([at]))[0] == pytest.approx(before - after, rel=1e-8)


def test_changes_in_noise_follow_their_law():
    # At one place the fall is chi-square with as many degrees of freedom as effects.
    rng = np.random.default_rng(6)
    step = rng.normal(size=(60, 2, 3))
    falls = [changes(step, step, rng.normal(size=(60, 2)), np.array([20]))[0] for _ in range(2000)]
    assert within_binomial(np.sum(falls > stats.chi2.isf(0.05, 3)), 2000, 0.05)


@pytest.mark.parametrize("layout, n_cameras, wand", [("room", 4, "line3"), ("dome", 6, "solid6")])
def test_whitened_residuals_are_independent_unit_noise(layout, n_cameras, wand):
    # Theory: whatever the rig, sums of their squares are chi-square and neighbours in a frame do
    # not hang together.
    sim = capture(layout, n_cameras, 7, n_frames=400, wand=wand, **IDEAL)
    fit = fit_to_rig(sim.truth, sim.tracks)
    for every in of_cameras(fit, sim.tracks, lambda record: record):
        assert every is not None
        is_vague = every.variance.reshape(*every.is_used.shape, 2).max(axis=2) >= 10
        record = every.with_used(every.is_used & ~(is_vague & every.is_used).any(axis=1)[:, None])
        z = (
            record.whitened(record.residual_px[..., None])[..., 0]
            * record.sigma_px
            / sim.scenario.sigma_px
        )
        full = record.is_used.all(axis=1)
        values = z[full]
        n = values.size
        assert n > 300
        # Whitening uses estimated noise levels (a percent or so) and poses to first order.
        assert abs(values.var() - 1.0) < 4 * np.sqrt(2 / n) + 0.03
        C = np.corrcoef(values.T)
        assert np.abs(C - np.eye(len(C))).max() < 4.5 / np.sqrt(len(values))


@pytest.mark.parametrize(("wand", "d"), [("line3", 5), ("solid6", 6)])
def test_whitening_is_the_inverse_root_of_the_covariance(wand, d):
    # Source: numpy.linalg.inv of I + B Bᵀ over the points in use, whose root it must be.
    rng = np.random.default_rng(9)
    sim = capture("room", 4, 9, n_frames=60, wand=wand)
    records = of_cameras(fit_to_rig(sim.truth, sim.tracks), sim.tracks, lambda record: record)
    record = next(r for r in records if r is not None)
    record = record.with_used(record.is_used & (rng.random(record.is_used.shape) < 0.8))
    effects = rng.normal(size=(*record.residual_px.shape, 4))
    z = record.whitened(effects)
    assert record.dependence.shape[2] == d and not record.is_used.all()
    for p in range(len(z)):
        used = np.repeat(record.is_used[p], 2)
        B, e = record.dependence[p, used], effects[p, used] / record.sigma_px
        expected = e.T @ np.linalg.inv(np.eye(len(B)) + B @ B.T) @ e
        # B reaches some hundreds where the others tell little: its square loses that many digits.
        assert z[p].T @ z[p] == pytest.approx(
            expected, rel=1e-8, abs=1e-8 * max(1.0, np.abs(expected).max(initial=0))
        )
        assert not z[p, ~used].any()


@pytest.mark.parametrize("wand", ["line3", "solid6"])
def test_the_others_prediction_is_least_squares_without_the_camera(wand):
    # Source: numpy.linalg.lstsq on the stacked rows of all other cameras in a frame, what is known
    # anyway beside them.
    sim = capture("room", 5, 10, n_frames=60, wand=wand)
    fit = fit_to_rig(sim.truth, sim.tracks)
    problem, c = fit.problem, 2
    d = problem.n_rotation + 3
    rows = weighted_rows(problem, fit.state, (), np.ones(problem.row.shape))
    record = of_cameras(fit, sim.tracks, lambda record: record)[c]
    vague = np.diag(np.sqrt(VAGUE[6 - d :]))
    for p, number in enumerate(record.frame):
        here = problem.frame == np.searchsorted(problem.frame_number, number)
        weight = np.where(problem.cam != c, fit.is_inlier / fit.sigma_px[problem.cam], 0.0)[
            :, here
        ].T[..., None, None]
        others = (rows[here] * weight).reshape(-1, rows.shape[-1])
        A = np.concatenate([others[:, :d], vague])
        step = np.linalg.lstsq(A, np.append(-others[:, -1], np.zeros(d)), rcond=None)[0]
        own = rows[here & (problem.cam == c)].reshape(-1, rows.shape[-1])
        variance = (
            1.0
            + np.einsum("ri,ij,rj->r", own[:, :d], np.linalg.inv(A.T @ A), own[:, :d])
            / record.sigma_px**2
        )
        assert record.variance[p] == pytest.approx(variance, rel=1e-6)
        # Along what the others hardly tell only so many digits are left of a step that is a
        # multiple of the noise.
        assert record.residual_px[p] == pytest.approx(
            -own[:, -1] - own[:, :d] @ step, abs=1e-8 * record.sigma_px * variance.max()
        )


def test_noise_alarms_keep_their_rate():
    # Of cameras alike but for a tenth of spread in log noise fewer than one in a thousand stand out
    # by half.
    rng = np.random.default_rng(8)
    n = 0
    for _ in range(4000):
        sigma = 0.12 * np.exp(rng.normal(0, 0.1, 5))
        n += noise_against(sigma[0], sigma[1:], None) is not None
    assert stats.binom.sf(n - 1, 4000, 1e-3) > 1e-4
    assert noise_against(0.24, np.full(5, 0.12), None) and noise_against(0.2, np.array([0.2]), 2.0)
    assert (
        noise_against(0.2, np.array([]), None) is None
        and noise_against(np.nan, np.ones(3), None) is None
    )


def test_stray_alarms_are_scipys_binomial_test():
    # Source: scipy.stats.binomtest at the usual share of 1 %.
    for count in range(5, 40):
        p = stats.binomtest(count, 800, 0.01, alternative="greater").pvalue
        assert is_straying(count / 800, 800, np.array([0.003, 0.002])) == (p < 1e-3)
    assert not is_straying(0.05, 800, np.full(4, 0.04))


def test_a_later_wave_need_not_tell_a_lens_that_the_rig_knows() -> None:
    """A camera that a recheck finds unmoved was to act on, for what the later wave did not show."""
    made = wave(1, side_seen={"cam02": 0.4})
    own = residual_table(calibrate(made.tracks, made.wand), made.tracks)
    assert causes_of(own) == {"cam02": [Fault.ONE_SIDED]}
    assert own.needs_a_hand and not own.sends_up  # another wave mends it
    assert causes_of(residual_table(stored(), made.tracks)) == {}
    corner = residual_table(stored(), wave(2, side_seen={"cam02": 0.2}, connected=False).tracks)
    assert next(row for row in corner.cameras if row.name == "cam02").stats.coverage < MIN_COVERAGE
    assert causes_of(corner) == {}


def test_noise_has_grown_by_what_is_told_of_it() -> None:
    """What the rig's own doubt makes of the residuals is no noise: 0.15 px of 0.12 px were told as
    2.9 times as much.
    """
    table = residual_table(stored(), wave(3, noisy={"cam03": 4.0}).tracks)
    (row,) = (row for row in table.cameras if row.causes)
    figures = row.causes[0].figures
    before = stored().camera("cam03").stats
    assert row.name == "cam03" and row.causes[0].cause == Fault.NOISE and before is not None
    assert figures["grown"] == pytest.approx(figures["sigma_px"] / before.sigma_px)
    assert 2.5 < figures["grown"] < 4.0  # a part of what it had is not of the centroids alone


def causes_of(table: ResidualTable) -> dict[str, list[Fault]]:
    return {row.name: [c.cause for c in row.causes] for row in table.cameras if row.causes}
