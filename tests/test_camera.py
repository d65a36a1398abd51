"""The camera model against OpenCV, its derivatives against complex steps, and what lies beyond its
reach.
"""

import cv2
import numpy as np
import pytest

from calib.core.camera import Lens, coverage, distort, fold_radius, project, undistort
from calib.errors import InputError

WIDTH, HEIGHT = 2000, 1200


def random_lens(rng, n_dist):
    """Return a lens of a machine-vision zoom, strongly distorted but one to one out to the sensor's
    corners.
    """
    while True:
        f = rng.uniform(900, 2400)
        corner = 1.25 * np.hypot(WIDTH, HEIGHT) / 2 / f
        share = rng.uniform(-1, 1, 8) * [0.2, 0.08, 0, 0, 0.03, 0.08, 0.04, 0.02]
        dist = share / corner ** np.array([2, 4, 1, 1, 6, 2, 4, 6])
        dist[2:4] = rng.uniform(-3e-3, 3e-3, 2)
        lens = Lens(
            f,
            f * rng.uniform(0.98, 1.02),
            rng.uniform(980, 1070),
            rng.uniform(500, 590),
            dist[:n_dist],
        )
        if np.isfinite(undistort(lens, sensor())).all():
            return lens


def sensor(n=23):
    """Return points over the whole sensor, its corners and borders included."""
    u, v = np.meshgrid(np.linspace(-0.5, WIDTH - 0.5, n), np.linspace(-0.5, HEIGHT - 0.5, n))
    return np.stack([u, v], axis=-1).reshape(-1, 2)


def opencv_undistorted(lens, uv):
    """Return cv2's image-plane points, iterated until they stand still; OpenCV 4 has another name
    for it than 5.
    """
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 2000, 1e-15)
    src = np.ascontiguousarray(uv).reshape(-1, 1, 2)
    if hasattr(cv2, "undistortPointsIter"):
        out = cv2.undistortPointsIter(src, lens.K, lens.dist, None, None, criteria)
    else:
        out = cv2.undistortPoints(src, lens.K, lens.dist, criteria=criteria)
    return out.reshape(-1, 2)


# ---- against OpenCV


@pytest.mark.parametrize("n_dist", [5, 8])
@pytest.mark.parametrize("seed", range(12))
def test_projection_is_opencvs(n_dist, seed):
    # Source: cv2.projectPoints.
    rng = np.random.default_rng([seed, n_dist])
    lens = random_lens(rng, n_dist)
    plane = undistort(lens, rng.uniform([0, 0], [WIDTH - 1, HEIGHT - 1], (500, 2)))
    points = np.concatenate([plane, np.ones((500, 1))], axis=1) * rng.uniform(200, 20000, (500, 1))
    expected = cv2.projectPoints(
        points.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), lens.K, lens.dist
    )[0].reshape(-1, 2)
    assert np.abs(project(lens, points) - expected).max() < 1e-9


@pytest.mark.parametrize("n_dist", [5, 8])
@pytest.mark.parametrize("seed", range(12))
def test_undistortion_is_opencvs_and_the_inverse_of_projection(n_dist, seed):
    # Source: cv2.undistortPoints. Its fixed-point iteration, x <- (xd - tangential(x)) / radial(x),
    # does not converge for every lens that is one to one; the comparison is where it does: where
    # cv2's point projects back to 1e-10 px.
    lens = random_lens(np.random.default_rng([seed, n_dist, 7]), n_dist)
    uv = sensor()
    found, theirs = undistort(lens, uv), opencv_undistorted(lens, uv)
    assert np.abs(project(lens, np.c_[found, np.ones(len(uv))]) - uv).max() < 1e-9
    back = cv2.projectPoints(
        np.c_[theirs, np.ones(len(uv))].reshape(-1, 1, 3),
        np.zeros(3),
        np.zeros(3),
        lens.K,
        lens.dist,
    )
    has_converged = np.abs(back[0].reshape(-1, 2) - uv).max(axis=1) < 1e-10
    assert has_converged.mean() > 0.95
    assert np.abs(found - theirs)[has_converged].max() * lens.fx < 1e-9


def test_no_distortion_is_the_pinhole():
    lens = Lens(1000, 1100, 500, 400, np.zeros(5))
    assert project(lens, np.array([[100.0, -200, 1000], [0, 0, 5]])).tolist() == [
        [600.0, 180.0],
        [500.0, 400.0],
    ]
    assert undistort(lens, np.array([600.0, 180.0])).tolist() == [0.1, -0.2]


def test_shapes_go_through_and_inputs_stay():
    lens = random_lens(np.random.default_rng(3), 8)
    points = np.random.default_rng(3).uniform([-300, -200, 1000], [300, 200, 1500], (3, 4, 3))
    before = points.copy()
    uv = project(lens, points)
    kept = uv.copy()
    assert uv.shape == (3, 4, 2) and undistort(lens, uv).shape == (3, 4, 2)
    assert np.abs(undistort(lens, uv[1, 2]) - points[1, 2, :2] / points[1, 2, 2]).max() < 1e-12
    assert undistort(lens, np.empty((0, 2))).shape == (0, 2) and project(
        lens, np.empty((0, 3))
    ).shape == (0, 2)
    assert (points == before).all() and (uv == kept).all()


# ---- derivatives


@pytest.mark.parametrize("terms", ["k1 k2", "k1 k2 k3", "p1 p2", "k4", "all"])
def test_derivatives_are_those_of_a_complex_step(terms):
    # Source: Squire & Trapp, Using complex variables to estimate derivatives of real functions,
    # SIAM Review 40, 1998: Im f(x + ih) / h has no cancellation, so h = 1e-30 leaves rounding
    # alone.
    rng = np.random.default_rng(4)
    names = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
    on = np.array([terms == "all" or n in terms.split() for n in names])
    dist = on * rng.normal(0, 0.1, 8)
    x, y = rng.uniform(-0.9, 0.9, (2, 300))
    _, _, xd_x, xd_y, yd_x, yd_y, inverse = distort(dist, x, y)
    by_x, by_y = distort(dist, x + 1e-30j, y), distort(dist, x, y + 1e-30j)
    for found, stepped in ((xd_x, by_x[0]), (yd_x, by_x[1]), (xd_y, by_y[0]), (yd_y, by_y[1])):
        assert np.abs(found - stepped.imag / 1e-30).max() < 1e-13
    r2 = x**2 + y**2
    assert (
        np.abs(inverse * (1 + dist[5] * r2 + dist[6] * r2**2 + dist[7] * r2**3) - 1).max() < 1e-14
    )


def test_coefficients_may_differ_from_point_to_point():
    rng = np.random.default_rng(5)
    dist, (x, y) = rng.normal(0, 0.1, (8, 20)), rng.uniform(-0.5, 0.5, (2, 20))
    together = np.stack([np.broadcast_to(v, 20) for v in distort(dist, x, y)])
    one_by_one = np.array([distort(dist[:, i], x[i], y[i]) for i in range(20)]).T
    assert np.abs(together - one_by_one).max() < 1e-15


# ---- where the model has nothing to say


def test_points_behind_the_camera_are_nan():
    lens = random_lens(np.random.default_rng(6), 5)
    uv = project(
        lens, np.array([[10.0, 20, 1000], [10, 20, -1000], [10, 20, 0], [np.nan, 0, 1000]])
    )
    assert np.isnan(uv).all(axis=1).tolist() == [False, True, True, True]


def radial_map(lens, r):
    k1, k2, _, _, k3, k4, k5, k6 = lens.vector[4:]
    return r * (1 + k1 * r**2 + k2 * r**4 + k3 * r**6) / (1 + k4 * r**2 + k5 * r**4 + k6 * r**6)


# By hand: the slope of r (1 + k1 r² + k2 r⁴) is 1 + 3 k1 r² + 5 k2 r⁴; r / (1 + k4 r²) turns back
# at r² = 1 / k4 and runs to infinity at r² = -1 / k4. The second map grows again behind its fold,
# where every point finds a false place.
FOLDS = [
    ([-1 / 3, 0, 0, 0, 0], 1.0),
    ([-1.0, 0.25, 0, 0, 0], np.sqrt(0.4)),
    ([0, 0, 0, 0, 0, 1.0, 0, 0], 1.0),
    ([0, 0, 0, 0, 0, -4.0, 0, 0], 0.5),
    ([0.1, 0, 0, 0, 0], np.inf),
    ([-0.3, 0.1, 0, 0, 0], np.inf),  # 1 - 0.9 s + 0.5 s² has no zero
]


@pytest.mark.parametrize("dist, radius", FOLDS)
def test_fold_radius_by_hand(dist, radius):
    assert fold_radius(Lens(1, 1, 0, 0, dist).vector[4:]) == pytest.approx(radius, rel=1e-12)


@pytest.mark.parametrize("dist, radius", FOLDS[:3])
def test_beyond_the_fold_is_nan_and_within_comes_back(dist, radius):
    lens = Lens(1000, 1000, 500, 500, dist)
    angle = np.linspace(0, 2 * np.pi, 33)
    way = np.stack([np.cos(angle), np.sin(angle)], axis=-1)[:, None]
    r = np.linspace(0, 0.999 * radius, 40)[:, None]
    back = undistort(lens, 500 + 1000 * way * radial_map(lens, r))
    # At 0.999 of the fold the slope is some thousandth, which makes a thousand roundings of a
    # coordinate of 1.
    assert np.abs(back - way * r).max() < 1e-12
    beyond = radial_map(lens, radius) * np.geomspace(1.001, 20, 50)[:, None]
    assert np.isnan(undistort(lens, 500 + 1000 * way * beyond)).all()


@pytest.mark.parametrize("n_dist", [5, 8])
def test_wild_lenses_give_the_place_within_the_fold_or_nan(n_dist):
    # The fold is found here on a fine grid. With weak tangential terms the map differs from the
    # radial one near the fold only: what is looked at ends at 0.98 and begins again at 1.02 of its
    # reach.
    rng = np.random.default_rng(8)
    n_folded = 0
    for _ in range(150):
        dist = rng.normal(0, [0.3, 0.2, 5e-4, 5e-4, 0.05, 0.3, 0.1, 0.05])[:n_dist]
        lens = Lens(1000, 1000, 0, 0, dist)
        grid = np.linspace(0, 3, 30001)
        mapped = radial_map(lens, grid)
        with_pole = 1 + np.polyval([*lens.vector[11:8:-1], 0], grid**2) <= 0
        ends = np.flatnonzero(with_pole[1:] | (np.diff(mapped) <= 0))
        last = ends[0] if len(ends) else len(grid) - 1
        angle = rng.uniform(0, 2 * np.pi, 100)
        way = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        place = way * rng.uniform(0, 0.98 * min(grid[last], 1.5), (100, 1))
        uv = project(lens, np.c_[place, np.ones(100)])
        assert np.abs(undistort(lens, uv) - place).max() < 1e-9, dist
        if len(ends) and not with_pole[last + 1] and mapped[last] < 3:
            n_folded += 1
            far = undistort(lens, 1000 * way * mapped[last] * rng.uniform(1.02, 4, (100, 1)))
            assert np.isnan(far).all(), dist
    assert n_folded > 40


def test_nan_and_distant_image_points_are_nan_without_harm_to_others():
    uv = np.array([[600.0, 500.0], [np.nan, 3.0], [1e9, 0.0], [np.inf, 0.0], [500.0, 500.0]])
    for dist in ([-0.2, 0, 0, 0, 0], [-0.3, 0.2, 0, 0, 0]):  # the second has no fold
        lens = Lens(1000, 1000, 500, 500, dist)
        found = undistort(lens, uv)
        assert np.isnan(found[[1, 3]]).all() and (dist[1] or np.isnan(found[2]).all())
        assert np.abs(found[0] - undistort(lens, uv[:1])[0]).max() < 1e-15 and found[
            4
        ].tolist() == [0.0, 0.0]


# ---- coverage


def test_coverage_counts_tenths_of_the_sensor():
    # By hand: 100 cells; a 2000 px wide sensor has borders at 199.5, 399.5 and so on.
    assert coverage(np.empty((0, 2)), 2000, 1000) == 0.0
    assert coverage(np.array([[199.4, 5.0], [199.6, 5.0]]), 2000, 1000) == 0.02
    assert coverage(np.array([[-0.5, -0.5], [10, 10]]), 2000, 1000) == 0.01
    assert (
        coverage(np.array([[1999.5, 999.5], [-1.0, 1000.0]]), 2000, 1000) == 0.02
    )  # the half pixel of grace
    x, y = np.meshgrid(np.arange(0, 2000, 50), np.arange(0, 1000, 50))
    every = np.stack([x.ravel(), y.ravel()], axis=1)
    assert coverage(every, 2000, 1000) == 1.0
    assert coverage(every[every[:, 0] < 1000], 2000, 1000) == 0.5


def test_a_lens_that_is_none_names_its_camera() -> None:
    with pytest.raises(InputError, match=r"^cam07: lens: expected finite numbers"):
        Lens.from_vector(np.full(12, np.nan), "cam07")
    usual = [1000.0, 1000.0, 500.0, 400.0, *np.zeros(8)]
    for at, value in ((0, np.nan), (0, 1e-310), (1, 0.0), (1, -1000.0), (2, 1e200), (4, np.inf)):
        with pytest.raises(InputError, match=r"^lens: expected finite numbers"):
            Lens.from_vector(np.array([*usual[:at], value, *usual[at + 1 :]]))
