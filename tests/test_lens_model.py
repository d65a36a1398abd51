"""Score and Wald tests of lens terms against regression, likelihood ratios, chi-square laws and
planted truth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calib.core.parameters import LENS_GROUPS, term_values
from calib.errors import InputError
from calib.solve.bundle.descent import BundleOptions, BundleResult, Prior, bundle
from calib.solve.bundle.linearise import residuals
from calib.solve.bundle.problem import Problem, State
from calib.solve.bundle.shape import ShapePrior
from calib.solve.certainty.covariance import joint_covariance
from calib.solve.certainty.lens_model import examine_lenses, log_p_value, with_held_terms
from calib.solve.certainty.lens_report import LensModelReport, TermFinding
from calib.solve.fit import Fit
from tests.small_problems import make_problem

SOLVED = ("focal", "cx", "cy", "k1", "k2")
GROUPS = ("aspect", "k3", "tangential")
NAMES = ("ash", "birch", "cedar", "elm")
NOISE_PX = 0.2
# Of ash, by (row, column) of the lens vector and value: effects of 0.1 to 0.3 px on its points.
PLANTED = {"aspect": {1: 1.004}, "tangential": {6: 4e-3, 7: -4e-3}, "k3": {8: -6.0}}


def with_lenses(
    problem: Problem, state: State, lens: np.ndarray, rng: np.random.Generator
) -> Problem:
    """Return the problem as cameras with other lenses see it."""
    uv = -residuals(replace(problem, uv_px=np.zeros_like(problem.uv_px)), replace(state, lens=lens))
    return replace(problem, uv_px=uv + rng.normal(0, NOISE_PX, uv.shape))


def observed(
    seed: int, planted: dict[int, float] | None = None, *, n_frames: int = 120, is_line: bool = True
) -> tuple[Problem, State]:
    """Return what four cameras see whose lenses have SOLVED alone, but for ``planted`` values of
    the first one's.
    """
    rng = np.random.default_rng(seed)
    problem, state = make_problem(rng, len(NAMES), n_frames, is_line=is_line, noise_px=NOISE_PX)
    lens = state.lens.copy()
    lens[:, 1], lens[:, 6:] = lens[:, 0], 0.0
    state = replace(state, lens=lens)
    for column, value in (planted or {}).items():
        lens[0, column] = lens[0, 0] * value if column == 1 else value
    held = lens.copy()
    held[:, 1], held[:, 6:] = held[:, 0], 0.0
    return with_lenses(problem, state, lens, rng), replace(state, lens=held)


def fitted(problem: Problem, start: State, options: BundleOptions | None = None) -> Fit:
    options = options or BundleOptions(terms=SOLVED)
    result = bundle(problem, start, options)
    assert result.is_converged
    return Fit(
        problem, result, np.full(problem.n_cameras, NOISE_PX), problem.weight > 0, options, None
    )


def refitted(fit: Fit, camera: int, group: str) -> BundleResult:
    """The full solve that also frees a group of one camera."""
    terms = (*fit.options.terms, *LENS_GROUPS[group])
    free = np.ones((fit.problem.n_cameras, 6 + len(terms)), bool)
    free[:, 6 + len(fit.options.terms) :] = False
    free[camera, 6 + len(fit.options.terms) :] = True
    result = bundle(
        fit.problem,
        fit.result.state,
        replace(fit.options, terms=terms, is_free=free, max_iterations=200),
    )
    assert result.is_converged
    return result


def moved_px(problem: Problem, camera: int, a: State, b: State) -> float:
    """RMS of sqrt(dx² + dy²) by which a camera's predicted points differ between two states."""
    move = (residuals(problem, a) - residuals(problem, b))[:, :, problem.cam == camera]
    return float(
        np.sqrt((move**2).sum(axis=0)[problem.weight[:, problem.cam == camera] > 0].mean())
    )


def the(report: LensModelReport, camera: str, group: str) -> TermFinding:
    (found,) = [f for f in report.findings if (f.camera, f.group) == (camera, group)]
    return found


def dense_rows(fit: Fit, terms: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray, int]:
    """Whitened residuals and Jacobian of predictions by central differences, priors below; number
    of point rows.
    """
    problem, state, n = fit.problem, fit.result.state, 6 + len(terms)
    d, shape = problem.n_rotation + 3, fit.options.shape
    n_axes = shape.n_axes if shape else 0
    sizes = [problem.n_cameras * n, problem.n_frames * d, len(state.shape_mm) * n_axes]

    def rows(step: np.ndarray) -> np.ndarray:
        camera, frame, markers = np.split(step, np.cumsum(sizes)[:-1])
        moved = state.moved(camera.reshape(-1, n), frame.reshape(-1, d), terms, markers)
        return (residuals(problem, moved) * problem.weight)[:, problem.weight > 0].ravel()

    r = rows(np.zeros(sum(sizes)))
    # Steps that move a point by some thousandths of a pixel: rounding and curvature both stay below
    # 1e-7 of them.
    unit = {"focal": 1e-2, "cx": 1e-2, "cy": 1e-2}
    size = np.concatenate(
        [
            np.tile(
                [1e-5] * 3 + [1e-2] * 3 + [unit.get(t, 1e-5) for t in terms], problem.n_cameras
            ),
            np.tile([1e-4] * problem.n_rotation + [1e-2] * 3, problem.n_frames),
            np.full(sizes[2], 1e-2),
        ]
    )
    J = np.stack(
        [
            (rows(s * e) - rows(-s * e)) / (-2 * s)
            for s, e in zip(size, np.eye(len(size)), strict=True)
        ],
        axis=1,
    )
    n_points, extra_r, extra_J = len(r), [r], [J]
    if fit.options.prior is not None:
        for k, name in enumerate(fit.options.terms):
            row = np.zeros((problem.n_cameras, J.shape[1]))
            row[
                np.arange(problem.n_cameras),
                np.arange(problem.n_cameras) * n + 6 + terms.index(name),
            ] = 1.0
            sigma = fit.options.prior.sigma[:, k]
            extra_J.append(row / sigma[:, None])
            extra_r.append((fit.options.prior.mean[:, k] - term_values(state.lens, name)) / sigma)
    if shape is not None:
        residual, of_shape = shape.rows(state.shape_mm)
        extra_r.append(-residual)
        extra_J.append(
            np.concatenate([np.zeros((len(residual), sum(sizes[:2]))), of_shape], axis=1)
        )
    return np.concatenate(extra_r), np.concatenate(extra_J), n_points


@pytest.mark.parametrize(("is_line", "has_prior"), [(True, False), (True, True), (False, True)])
def test_equals_regression_of_the_residuals(is_line: bool, has_prior: bool) -> None:
    """The score statistic is what an artificial regression explains of the residuals by the added
    columns, exactly.

    Source: Davidson & MacKinnon, Estimation and inference in econometrics, 1993, chapter 6
    (Gauss-Newton regression).
    """
    problem, start = observed(2, {8: -1.0}, n_frames=20, is_line=is_line)
    options = BundleOptions(terms=SOLVED, tolerance=1e-14)
    if has_prior:
        mean = np.stack([term_values(start.lens, t) for t in SOLVED], axis=1)
        sigma = np.broadcast_to([np.inf, 20.0, 20.0, 0.1, 0.1], mean.shape)
        shape = ShapePrior(
            start.shape_mm, np.full(len(start.shape_mm), 0.05), (), 1 if is_line else 3
        )
        options = replace(options, prior=Prior(mean, sigma), shape=shape)
    fit = fitted(problem, start, options)
    report = examine_lenses(fit, NAMES, (*GROUPS, "rational"))
    assert not any(
        f.is_significant for f in report.findings if f.kind == "add"
    )  # or later tests would be conditional
    terms = tuple(
        t
        for g in LENS_GROUPS
        for t in LENS_GROUPS[g]
        if t in (*SOLVED, "aspect", "k3", "p1", "p2", "k4", "k5", "k6")
    )
    r, J, n_points = dense_rows(fit, terms)
    n = 6 + len(terms)
    held = {c * n + 6 + terms.index(t) for c in range(4) for t in terms if t not in SOLVED}
    free = [k for k in range(J.shape[1]) if k not in held]
    u, size, _ = np.linalg.svd(J[:, free] / np.linalg.norm(J[:, free], axis=0), full_matrices=False)
    basis = u[:, :-6]  # all but the motions of the world as a whole, which move no point
    assert size[-6] < 1e-6 * size[-7]

    def apart(v: np.ndarray) -> np.ndarray:
        """What the free columns leave of v (the theorem of Frisch, Waugh and Lovell)."""
        return np.asarray(v - basis @ (basis.T @ v))

    owner = np.broadcast_to(problem.cam, problem.weight.shape)[problem.weight > 0]
    owner = np.concatenate([owner, owner])  # x of all points, then y
    for c, name in enumerate(NAMES):
        for group in GROUPS:
            added = apart(J[:, [c * n + 6 + terms.index(t) for t in LENS_GROUPS[group]]])
            move = added @ np.linalg.lstsq(added, apart(r), rcond=None)[0]
            found = the(report, name, group)
            assert found.dof == len(LENS_GROUPS[group])
            # Central differences of such steps are good to better than 1e-3.
            assert found.statistic == pytest.approx(move @ move, rel=1e-3, abs=1e-4)
            own = move[:n_points][owner == c] * NOISE_PX
            assert found.effect_px == pytest.approx(
                np.sqrt((own**2).sum() * 2 / len(own)), rel=1e-3, abs=1e-6
            )


@pytest.mark.parametrize("group", GROUPS)
@pytest.mark.parametrize("seed", [1, 2, 4])
def test_near_likelihood_ratio_and_full_solve(group: str, seed: int) -> None:
    """Score and likelihood ratio agree to first order (Engle 1984, section 2): some percent for
    moderate effects.
    """
    problem, start = observed(
        seed, {k: 1 + (v - 1) / 4 if k == 1 else v / 4 for k, v in PLANTED[group].items()}
    )
    fit = fitted(problem, start)
    found = the(examine_lenses(fit, NAMES, (group,)), "ash", group)
    full = refitted(fit, 0, group)
    assert found.statistic == pytest.approx(2.0 * (fit.result.cost - full.cost), rel=0.05, abs=0.1)
    assert found.effect_px == pytest.approx(
        moved_px(problem, 0, full.state, fit.result.state), rel=0.05, abs=1e-3
    )


@pytest.mark.parametrize("group", GROUPS)
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_planted_term_is_found_on_its_camera_only(group: str, seed: int) -> None:
    problem, start = observed(seed, PLANTED[group])
    fit = fitted(problem, start)
    report = examine_lenses(fit, NAMES)
    found = the(report, "ash", group)
    assert [(f.camera, f.group) for f in report.advised if f.kind == "add"] == [("ash", group)]
    full = refitted(fit, 0, group)
    assert found.statistic == pytest.approx(2.0 * (fit.result.cost - full.cost), rel=0.05)
    assert found.effect_px == pytest.approx(
        moved_px(problem, 0, full.state, fit.result.state), rel=0.05
    )
    assert set(report.advised_groups) == {"focal", "principal", "k1", "k2", group}
    assert f"ash: {group} would lower its residuals: it moves" in str(report)
    assert f"--terms {','.join(report.advised_groups)}" in str(report)
    # With the term in the model nothing more is advised, and it is not called needless.
    more = bundle(problem, full.state, BundleOptions(terms=(*SOLVED, *LENS_GROUPS[group])))
    after = examine_lenses(
        Fit(
            problem,
            more,
            fit.sigma_px,
            fit.is_inlier,
            BundleOptions(terms=(*SOLVED, *LENS_GROUPS[group])),
            None,
        ),
        NAMES,
    )
    assert not after.advised
    assert str(after).startswith("lenses: no camera needs more terms")


def test_false_alarms_follow_chi_square() -> None:
    """With no term missing p is even over (0, 1); corrected, a report in a hundred names one (Holm
    1979).
    """
    p_values: dict[str, list[float]] = {g: [] for g in (*GROUPS, "rational")}
    n_alarms, n_reports = 0, 50
    for seed in range(n_reports):
        report = examine_lenses(fitted(*observed(100 + seed, n_frames=40)), NAMES, tuple(p_values))
        for f in report.findings:
            p_values[f.group].append(float(stats.chi2.sf(f.statistic, f.dof)))
        assert {f.dof for f in report.findings if f.group == "tangential"} == {2}
        # The denominator repeats k1 to k3; of its three directions no more than two are told apart
        # here.
        assert {f.dof for f in report.findings if f.group == "rational"} <= {1, 2}
        n_alarms += any(f.is_significant for f in report.findings if f.kind == "add")
    for values in p_values.values():
        # Two-sided, at one in a thousand: the intervals of the binomial law and of Kolmogorov's
        # statistic.
        assert stats.binomtest(sum(p < 0.05 for p in values), len(values), 0.05).pvalue > 1e-3
        assert stats.kstest(values, "uniform").pvalue > 1e-3
    assert n_alarms <= stats.binom.isf(1e-3, n_reports, 0.01)


@pytest.mark.parametrize("seed", [8, 10])
def test_significant_but_small_is_left(seed: int) -> None:
    # 800 frames tell an aspect of 1.0004 with certainty; it moves no point by a tenth of its noise.
    report = examine_lenses(fitted(*observed(seed, {1: 1.0004}, n_frames=800)), NAMES, ("aspect",))
    found = the(report, "ash", "aspect")
    assert found.is_significant and found.is_small and not found.is_advised
    assert found.noise_px == pytest.approx(np.sqrt(2) * NOISE_PX)
    assert "ash: aspect is there" in str(report) and "leave it" in str(report)
    assert report.advised_groups == report.groups == ("focal", "principal", "k1", "k2")


def test_what_cannot_be_told_apart_is_named() -> None:
    # Cedar faces ash: an aspect this small of the one is nearly that of the other, and here it fits
    # no worse.
    problem, start = observed(27, {1: 1.0006}, n_frames=400)
    fit = fitted(problem, start)
    report = examine_lenses(fit, NAMES, ("aspect",))
    ash, cedar = (refitted(fit, c, "aspect").cost for c in (0, 2))
    assert (
        0.0 < ash - cedar < 5.4 < fit.result.cost - ash
    )  # half of chi-square 10.8, once in a thousand
    found = the(report, "cedar", "aspect")
    assert found.is_significant and found.rivals == ("ash aspect",)
    assert not the(report, "ash", "aspect").is_significant
    assert "(or else ash aspect)" in str(report)


def with_prior(sigma: float | np.ndarray, names: tuple[str, ...] = ("k2",)) -> BundleOptions:
    """Options with a prior of the named terms about zero, of width sigma () or (C, number of
    names).
    """
    widths = np.full((len(NAMES), len(SOLVED)), np.inf)
    widths[:, [SOLVED.index(n) for n in names]] = sigma
    return BundleOptions(terms=SOLVED, prior=Prior(np.zeros(widths.shape), widths), tolerance=1e-13)


@pytest.mark.parametrize("sigma", [0.3, 0.05])
def test_needless_terms_against_likelihood_ratio(sigma: float) -> None:
    """Wald's statistic is near the likelihood ratio without the camera's own prior, however strong
    that was.
    """
    problem, start = observed(21)
    lens = start.lens.copy()
    lens[:, 4], lens[:, 5] = [0.005, -0.005, 0.002, 0.0], [0.0, 0.05, 0.0, 0.0]
    problem, start = (
        with_lenses(problem, start, lens, np.random.default_rng(22)),
        replace(start, lens=lens),
    )
    report = examine_lenses(fitted(problem, start, with_prior(sigma, ("k1", "k2"))), NAMES, ())
    # Focal and principal have no value to go back to.
    assert [f.group for f in report.findings] == ["k1", "k2"] * 4
    for c, name in enumerate(NAMES):
        for group, gone in (("k1", ("k1", "k2")), ("k2", ("k2",))):
            free = np.ones((4, 11), bool)
            free[c, [6 + SOLVED.index(n) for n in gone]] = False
            lens = start.lens.copy()
            lens[c, [3 + int(n[1]) for n in gone]] = 0.0
            own_prior = [np.inf if n in gone else sigma for n in ("k1", "k2")]
            options = with_prior(
                np.where(np.arange(4)[:, None] == c, own_prior, np.full((1, 2), sigma)),
                ("k1", "k2"),
            )
            held = bundle(problem, replace(start, lens=lens), replace(options, is_free=free))
            ratio = 2.0 * (held.cost - bundle(problem, start, options).cost)
            found = the(report, name, group)
            assert (found.kind, found.dof) == ("drop", len(gone))
            assert found.statistic == pytest.approx(ratio, rel=0.05, abs=0.1)
            assert found.p_value == pytest.approx(stats.chi2.sf(found.statistic, len(gone)))


def test_needless_terms_are_named_and_needed_ones_are_not() -> None:
    n_advised, p_values = 0, []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        problem, start = observed(40 + seed)
        lens = start.lens.copy()
        lens[:2, 5], lens[2:, 5] = (
            [1.0, -1.0],
            0.0,
        )  # ash and birch have a k2, cedar and elm have none
        problem, start = with_lenses(problem, start, lens, rng), replace(start, lens=lens)
        report = examine_lenses(fitted(problem, start, with_prior(3.0)), NAMES, ())
        drops = {f.camera: f for f in report.findings if f.is_advised}
        assert not {"ash", "birch"} & set(drops)
        p_values += [the(report, name, "k2").p_value for name in ("cedar", "elm")]
        n_advised += len(drops)
        if "cedar" in drops:
            assert "cedar" in str(report) and "k2 not needed" in str(report)
            assert drops["cedar"].effect_px < 0.1 * drops["cedar"].noise_px
    assert stats.kstest(p_values, "uniform").pvalue > 1e-3
    # p above 0.05 happens to 95 % of needless terms, and then an effect of noise on 280 points is
    # small.
    assert n_advised >= stats.binom.ppf(1e-3, 20, 0.95)


def test_advice_on_terms() -> None:
    def finding(
        camera: str, group: str, kind: str, p_value: float, effect_px: float
    ) -> TermFinding:
        return TermFinding(camera, group, kind, 1.0, 1, p_value, effect_px, 0.3)

    needless = [finding(c, g, "drop", 0.5, 0.001) for c in ("ash", "elm") for g in ("k1", "k2")]
    freed = ("focal", "k1", "k2")
    report = LensModelReport(tuple(needless), freed, ())
    assert report.advised_groups == ("focal",)
    assert "ash and elm: k1 and k2 not needed" in str(report)
    assert "Solve again with --terms focal." in str(report)
    # One camera that needs k2 keeps it for all; one that needs k3 keeps all radial terms below it.
    one = LensModelReport((*needless[:3], finding("elm", "k2", "drop", 1e-9, 0.5)), freed, ())
    assert one.advised_groups == ("focal", "k2")
    more = LensModelReport((*needless, finding("elm", "k3", "add", 1e-9, 0.5)), freed, ())
    assert more.advised_groups == ("focal", "k1", "k2", "k3")
    assert "Solve again with --terms focal,k1,k2,k3." in str(more)


@pytest.mark.parametrize("seed", [6, 7, 8])
def test_lens_held_at_a_wrong_focal_length(seed: int) -> None:
    problem, start = observed(seed)
    lens = start.lens.copy()
    lens[0, :2] *= 1.02
    free = np.ones((4, 11), bool)
    free[0, 6:] = False
    report = examine_lenses(
        fitted(problem, replace(start, lens=lens), BundleOptions(terms=SOLVED, is_free=free)), NAMES
    )
    assert [(f.camera, f.group) for f in report.advised] == [("ash", "focal")]
    assert report.held == ("ash",)
    assert "ash: focal free would lower" in str(report) and "solve with --lens free" in str(report)
    assert "--terms" not in str(report)


def test_camera_without_points_gets_no_finding() -> None:
    problem, start = observed(7)
    weight = np.where(problem.cam == 3, 0.0, problem.weight)
    whole = BundleOptions(
        terms=SOLVED, is_free=np.repeat([[True], [True], [True], [False]], 11, axis=1)
    )
    fit = fitted(problem.with_weight(weight), start, whole)
    report = examine_lenses(replace(fit, options=BundleOptions(terms=SOLVED)), NAMES)
    assert {f.camera for f in report.findings} == {"ash", "birch", "cedar"}
    assert all(np.isfinite([f.statistic, f.p_value, f.effect_px]).all() for f in report.findings)


def test_unknown_group_and_nothing_to_test() -> None:
    fit = fitted(*observed(8, n_frames=20))
    with pytest.raises(InputError, match="k7"):
        examine_lenses(fit, NAMES, ("k7",))
    report = examine_lenses(fit, NAMES, ())
    assert report.findings == () and "no camera needs more terms" in str(report)


def test_log_p_value_against_closed_forms() -> None:
    for x in (0.5, 10.0, 500.0, 5000.0, 1e6):
        # Exact: chi-square of 2 degrees is exponential, of 1 the square of a normal variable, of 4
        # an Erlang law.
        assert log_p_value(x, 2) == pytest.approx(-x / 2)
        assert log_p_value(x, 1) == pytest.approx(
            stats.norm.logsf(np.sqrt(x)) + np.log(2), rel=1e-6
        )
        assert log_p_value(x, 4) == pytest.approx(np.log1p(x / 2) - x / 2)
    assert log_p_value(3.0, 0) == 0.0


@pytest.mark.parametrize("is_part_held", [False, True])
def test_one_elimination_serves_covariance_and_tests(is_part_held: bool) -> None:
    """The rows of what a fit freed give its covariance, and the tests are those of an elimination
    of their own.
    """
    problem, start = observed(12, {8: -6.0}, n_frames=60)
    options = BundleOptions(terms=("k2", "focal", "cx", "cy", "k1"))  # in an order of their own
    if is_part_held:
        free = np.ones((4, 11), bool)
        free[1, 6:] = False
        options = replace(options, is_free=free)
    fit = fitted(problem, start, options)
    whole = with_held_terms(fit)
    alone = joint_covariance(problem, fit.result, options, NAMES)
    shared = joint_covariance(problem, fit.result, options, NAMES, found=whole.of_fit())
    assert shared.parameters == alone.parameters
    # Sums in another order: rounding of 1e-13 or so times the condition of some 1e4 of the scaled
    # matrix.
    sigma = np.sqrt(np.diag(alone.matrix))
    assert np.abs((shared.matrix - alone.matrix) / sigma / sigma[:, None]).max() < 1e-8
    report, own = examine_lenses(fit, NAMES, whole=whole), examine_lenses(fit, NAMES)
    assert str(report) == str(own) and len(report.findings) == len(own.findings) > 10
    for a, b in zip(report.findings, own.findings, strict=True):
        assert (a.camera, a.group, a.statistic) == (
            b.camera,
            b.group,
            pytest.approx(b.statistic, rel=1e-6),
        )
