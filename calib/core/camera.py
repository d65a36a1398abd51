"""The camera model: pinhole, radial and tangential distortion in OpenCV's terms and order.

With x = X/Z, y = Y/Z and r² = x² + y²::

    radial = (1 + k1 r² + k2 r⁴ + k3 r⁶) / (1 + k4 r² + k5 r⁴ + k6 r⁶)
    xd = x radial + 2 p1 x y + p2 (r² + 2 x²)
    yd = y radial + p1 (r² + 2 y²) + 2 p2 x y
    u = fx xd + cx,  v = fy yd + cy

Source: OpenCV's documentation of the module calib3d (camera calibration and 3D reconstruction).
"""

from __future__ import annotations

from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import as_written, compiled, inlined
from calib.core.geometry import Array, frozen
from calib.errors import InputError, require_kinds

MOST_PX = 100_000  # some four times what the largest sensors have along a side
# Focal lengths of lenses in widths of the sensor: views of 157° and of half a degree across. None
# that keeps lines straight is wider; shares of the image or mm taken for px are.
FOCAL_WIDTHS = 0.1, 100.0
# No centroid is as good: a tenth or two of a pixel is usual. Where a capture has no noise, as one
# that was computed, its rounding has patterns too, and nothing lies within some of its sigmas.
LEAST_NOISE_PX = 0.01
LARGEST = 1e9  # of a lens's numbers in px, none of which comes near: beyond it squares overflow


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """Intrinsics of one camera.

    Parameters
    ----------
    fx, fy : float
        Focal lengths in px.
    cx, cy : float
        Principal point in px; the top-left pixel's centre is (0, 0).
    dist : (5,) or (8,) array
        Distortion in OpenCV's order: k1, k2, p1, p2, k3, and k4, k5, k6.
    """

    fx: float
    fy: float
    cx: float
    cy: float
    dist: Array

    def __post_init__(self) -> None:
        require_kinds(self, "lens: ")
        dist = frozen(self.dist)
        if dist.shape not in {(5,), (8,)}:
            raise InputError("dist", expected="5 or 8 coefficients", found=f"shape {dist.shape}")
        numbers = np.array([self.fx, self.fy, self.cx, self.cy, *dist])
        if not (np.abs(numbers) <= LARGEST).all() or min(self.fx, self.fy) < 1.0 / LARGEST:
            raise InputError(
                "lens",
                expected="finite numbers and focal lengths above 0 "
                f"({1.0 / LARGEST:g} to {LARGEST:g} px)",
                found=str(numbers.tolist()),
            )
        object.__setattr__(self, "dist", dist)
        for name in ("fx", "fy", "cx", "cy"):
            object.__setattr__(self, name, float(getattr(self, name)))

    @classmethod
    def from_vector(cls, vector: Array, camera: str = "") -> Lens:
        """Return the lens of ``vector`` (12,); keeps eight coefficients only where k4 to k6 are not
        all 0. Errors name the camera.
        """
        n = 8 if np.any(vector[9:12]) else 5
        fx, fy, cx, cy = vector[:4]
        try:
            return cls(fx, fy, cx, cy, vector[4 : 4 + n])
        except InputError as error:
            raise error.inside(camera) if camera else error from None

    @classmethod
    def from_matrix(cls, K: Array, dist: Array) -> Lens:
        """Return the lens of a camera matrix K (3, 3) without skew and ``dist`` (5,) or (8,)."""
        K = np.asarray(K, dtype=float)
        if K.shape != (3, 3) or K[0, 1] or K[1, 0] or np.any(K[2] != [0, 0, 1]):
            raise InputError(
                "K",
                expected="[[fx, 0, cx], [0, fy, cy], [0, 0, 1]]",
                found=str(np.asarray(K).tolist()),
            )
        return cls(K[0, 0], K[1, 1], K[0, 2], K[1, 2], np.asarray(dist, dtype=float))

    @property
    def vector(self) -> Array:
        """(12,): fx, fy, cx, cy, then k1, k2, p1, p2, k3, k4, k5, k6."""
        out = np.zeros(12)
        out[:4] = self.fx, self.fy, self.cx, self.cy
        out[4 : 4 + len(self.dist)] = self.dist
        return out

    @property
    def K(self) -> Array:
        """The camera matrix (3, 3)."""
        return np.array([[self.fx, 0, self.cx], [0, self.fy, self.cy], [0, 0, 1]])


@compiled
def distort_point(
    k1: Any, k2: Any, p1: Any, p2: Any, k3: Any, k4: Any, k5: Any, k6: Any, x: Any, y: Any
) -> tuple[Any, Any, Any, Any, Any, Any]:
    """Return (xd, yd, xd_x, xd_y = yd_x, yd_y, 1 / denominator) of an image-plane point: the model
    itself.
    """
    r2 = x * x + y * y
    inverse = 1.0 / (1.0 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    radial = (1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))) * inverse
    slope = k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3) - radial * (k4 + r2 * (2.0 * k5 + 3.0 * r2 * k6))
    slope = 2.0 * slope * inverse
    xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    yd = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    xd_x = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    xd_y = x * y * slope + 2.0 * (p1 * x + p2 * y)
    yd_y = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return xd, yd, xd_x, xd_y, yd_y, inverse


@inlined
def distorted(lens: Array, c: int, x: float, y: float) -> Any:
    """Return what ``distort_point`` does of camera c, whose lens is a row of lens vectors."""
    k1, k2, p1, p2, k3 = lens[c, 4], lens[c, 5], lens[c, 6], lens[c, 7], lens[c, 8]
    return distort_point(k1, k2, p1, p2, k3, lens[c, 9], lens[c, 10], lens[c, 11], x, y)


def distort(dist: Any, x: Any, y: Any) -> tuple[Any, Any, Any, Any, Any, Any, Any]:
    """Return (xd, yd, xd_x, xd_y, yd_x, yd_y, 1 / denominator): distorted image-plane points and
    derivatives.

    dist holds eight numbers or arrays that broadcast against x and y.
    """
    k1, k2, p1, p2, k3, k4, k5, k6 = dist
    point = as_written(distort_point)
    xd, yd, xd_x, xd_y, yd_y, inverse = point(k1, k2, p1, p2, k3, k4, k5, k6, x, y)
    return xd, yd, xd_x, xd_y, xd_y, yd_y, inverse


def project(lens: Lens, points_cam_mm: Array) -> Array:
    """Return image points (..., 2) in px of points (..., 3) in the camera frame; nan behind the
    camera.

    Farther off the axis than ``fold_radius`` the model leads back on to the image, where no lens
    shows the point.
    """
    points = np.asarray(points_cam_mm, dtype=float)
    z = np.where(points[..., 2] > 0, points[..., 2], np.nan)
    xd, yd, *_ = distort(lens.vector[4:], points[..., 0] / z, points[..., 1] / z)
    return np.stack([lens.fx * xd + lens.cx, lens.fy * yd + lens.cy], axis=-1)


def radial_ends(dist: Array) -> tuple[Array, Array]:
    """Return the image-plane radii (fold, pole), each (...), where the radial maps of ``dist``
    (..., 8) turn back and where they end.

    With s = r², N = 1 + k1 s + k2 s² + k3 s³ and D the denominator, the radial map r N / D has the
    slope ``(N D + 2 s (N' D - N D')) / D²``: it folds at the first positive zero of that numerator
    and has a pole at that of D; infinite where there is none.
    """
    k1, k2, _, _, k3, *denominator = np.moveaxis(np.asarray(dist, float), -1, 0)
    N, D = ([np.ones_like(k1), *rest] for rest in ((k1, k2, k3), denominator))
    slope = np.zeros((*np.shape(k1), 7))
    for i in range(4):
        for j in range(4):  # s^i s^j has 2 (i - j) from the derivatives
            slope[..., i + j] += (1.0 + 2.0 * (i - j)) * N[i] * D[j]
    return _root_radius(slope), _root_radius(np.stack(D, axis=-1))


def _root_radius(coefficients: Array) -> Array:
    """Return the square roots (...) of the smallest positive roots of polynomials in r², given by
    coefficients (..., n + 1) of which the first is 1.

    1 / r² is then an eigenvalue of the companion matrix (Golub & Van Loan, Matrix Computations, 4th
    edition, section 7.4.6); a leading coefficient of 0 gives it the eigenvalue 0.
    """
    n = coefficients.shape[-1] - 1
    companion = np.zeros((*coefficients.shape[:-1], n, n))
    companion[..., np.arange(1, n), np.arange(n - 1)] = 1.0
    companion[..., 0, :] = -coefficients[..., 1:]
    inverse = np.linalg.eigvals(companion)
    # A double root comes out of rounding as a pair just off the real axis.
    is_real = (np.abs(inverse.imag) <= 1e-7 * np.abs(inverse)) & (inverse.real > 0)
    largest = np.where(is_real, inverse.real, 0.0).max(axis=-1)
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / np.sqrt(largest))


def fold_radius(dist: Array) -> Array:
    """Return the image-plane radii (...) up to which the radial distortion of ``dist`` (..., 8)
    grows steadily, else infinity.

    >>> float(fold_radius(np.array([-1 / 3, 0, 0, 0, 0, 0, 0, 0])))
    1.0
    """
    return np.minimum(*radial_ends(dist))


def undistort(lens: Lens, uv_px: Array) -> Array:
    """Return image-plane points (..., 2), x = X/Z and y = Y/Z, of image points (..., 2) in px.

    Inverts the distortion by Newton's method, to rounding, on the part about the axis where it is
    one to one; a point that nothing within the fold maps to (beyond what strong barrel distortion
    reaches) comes out as nan.
    """
    uv = np.asarray(uv_px, dtype=float)
    goal = (uv - [lens.cx, lens.cy]) / [lens.fx, lens.fy]
    dist = lens.vector[4:]
    if not dist.any():
        return goal
    fold, flat = float(fold_radius(dist)), goal.reshape(-1, 2)
    out = np.empty_like(flat)
    goal_r = np.hypot(flat[:, 0], flat[:, 1])
    reach = float(np.max(goal_r, initial=0.0, where=np.isfinite(goal_r)))
    _undistort_all(flat, dist, fold, radial_table(dist, reach, fold), out)
    return out.reshape(goal.shape)


@compiled
def _undistort_all(goal: Array, dist: Array, fold: float, table: Array, out: Array) -> None:
    for i in range(len(goal)):
        out[i, 0], out[i, 1] = undistort_point(goal[i, 0], goal[i, 1], dist, fold, table)


@compiled
def undistort_point(
    goal_x: float, goal_y: float, dist: Array, fold: float, table: Array
) -> tuple[float, float]:
    """Return the point within the fold that ``dist`` (8,) maps to the goal, nan where there is
    none.

    ``table`` is that of ``radial_table``.
    """
    k1, k2, p1, p2 = dist[0], dist[1], dist[2], dist[3]
    k3, k4, k5, k6 = dist[4], dist[5], dist[6], dist[7]
    r = np.sqrt(goal_x * goal_x + goal_y * goal_y)
    k = np.searchsorted(table[0, 1:-1], r)
    slope = (table[1, k + 1] - table[1, k]) / max(table[0, k + 1] - table[0, k], 1e-300)
    scale = min(table[1, k] + slope * (r - table[0, k]), table[1, -1]) / max(r, 1e-300)
    x, y = goal_x * scale, goal_y * scale
    for _ in range(30):
        xd, yd, a, b, d, _ = distort_point(k1, k2, p1, p2, k3, k4, k5, k6, x, y)
        ex, ey, det = goal_x - xd, goal_y - yd, a * d - b * b
        step_x, step_y = (d * ex - b * ey) / det, (a * ey - b * ex) / det
        shrink = 1.0
        if fold < np.inf:
            # At most half the way to the fold: beyond it lie other solutions, which no lens shows.
            r_new = np.sqrt((x + step_x) ** 2 + (y + step_y) ** 2)
            shrink = min(1.0, 0.5 * (np.sqrt(x * x + y * y) + fold) / r_new)
        x, y = (x + step_x) * shrink, (y + step_y) * shrink
        if not abs(step_x) + abs(step_y) >= 1e-11:  # the next would be its square
            break
    xd, yd, a, b, d, _ = distort_point(k1, k2, p1, p2, k3, k4, k5, k6, x, y)
    miss = max(abs(xd - goal_x), abs(yd - goal_y))
    if miss < 1e-12 and a * d - b * b > 0.0 and x * x + y * y < fold * fold:
        return x, y
    return np.nan, np.nan


def radial_table(dist: Array, reach: float, fold: float) -> Array:
    """Return distorted radii up to ``reach`` and the radii (2, 200) that the radial terms alone map
    there.
    """
    only_radial = dist * [1, 1, 0, 0, 1, 1, 1, 1]
    limit = 0.999 * fold
    end = min(reach, limit)
    while end < limit and distort(only_radial, end, 0.0)[0] < reach:
        end = min(1.5 * end, limit)
    radius = (
        end * np.linspace(0.0, 1.0, 200) ** 3
    )  # dense near the axis, so that one distant point does no harm
    return np.stack([distort(only_radial, radius, 0.0)[0], radius])


def radial_tables(dist: Array, cam: Any, goal: Array) -> tuple[Array, Array]:
    """Return the fold radii (C,) and ``radial_table``s (C, 2, 200) of lenses' ``dist`` (C, 8) that
    ``undistort_point`` needs for distorted points ``goal (2, ...)`` of cameras ``cam``.
    """
    reach, fold = np.zeros(len(dist)), fold_radius(dist)
    np.maximum.at(reach, cam, np.atleast_2d(np.hypot(*goal)).max(axis=0))
    each = zip(dist, reach.tolist(), fold, strict=True)
    return fold, np.stack([radial_table(d, r, f) for d, r, f in each])


SENSOR_CELLS = 100  # of a 10 by 10 grid
# Stray points beyond the edge are few; of a tenth and more, the sensor's size is stated wrongly.
MOST_OUTSIDE = 0.1


def sensor_cell(xy_px: Array, width: int, height: int) -> NDArray[np.intp]:
    """Return which cell of a 10 by 10 grid on the sensor each point (n, 2) lies in."""
    cell = (np.asarray(xy_px) + 0.5) * 10.0 / np.array([width, height])
    cell = np.clip(cell.astype(np.intp), 0, 9)
    return np.asarray(cell[:, 0] * 10 + cell[:, 1])


def coverage(xy_px: Array, width: int, height: int) -> float:
    """Return the share of the sensor that points (n, 2) cover: cells of a 10 by 10 grid that hold
    at least one.

    >>> coverage(np.array([[0.0, 0.0], [99.0, 99.0]]), 100, 100)
    0.02
    """
    return float(np.unique(sensor_cell(xy_px, width, height)).size / SENSOR_CELLS)


def check_sensor(where: str, width: int, height: int) -> tuple[int, int]:
    """Return a sensor's size in px as plain whole numbers; InputError where it holds no such."""
    sizes = [
        size if isinstance(size, Real) and not isinstance(size, bool) else np.nan
        for size in (width, height)
    ]
    if not all(1 <= size <= MOST_PX and size == size // 1 for size in sizes):
        raise InputError(
            where,
            expected=f"whole numbers from 1 to {MOST_PX} px",
            found=" × ".join(str(s) if isinstance(s, Real) else repr(s) for s in (width, height)),
        )
    return int(width), int(height)


def check_focal(where: str, lens: Lens | None, width: int) -> None:
    """Raise InputError for a lens that is not in px: in shares of the image or in mm, a solve makes
    a wand of it that bends.
    """
    short, long = (widths * width for widths in FOCAL_WIDTHS)
    if lens is not None and not (short < lens.fx < long and short < lens.fy < long):
        raise InputError(
            where,
            expected=f"focal lengths in px, {short:g} to {long:g} on a sensor {width} px wide",
            found=f"{lens.fx:g} and {lens.fy:g}",
            remedy="From mm: divide by the pixel pitch; from shares of the image: times its width "
            "(fx, cx) and height (fy, cy).",
        )


def is_outside(xy_px: Array, width: int, height: int) -> NDArray[np.bool_]:
    """Return which points (n,) lie outside a sensor; nan does not.

    Half a pixel of grace beyond its edge serves files that count pixels from another corner.
    """
    return np.asarray(((xy_px < -1.0) | (xy_px > np.array([width, height]))).any(axis=1))


def kept_inside(xy_px: Array, width: int, height: int, drop_outside: bool) -> NDArray[np.bool_]:
    """Return which points (n,) to keep of a camera's: those on its sensor where others are to be
    dropped, all where these are too many to be stray points.
    """
    is_off = is_outside(xy_px, width, height)
    is_few = is_off.sum() <= MOST_OUTSIDE * len(xy_px)
    return ~is_off if drop_outside and is_few else np.ones(len(xy_px), dtype=bool)


def outside_error(
    where: str, size: tuple[int, int], xy_px: Array, is_off: NDArray[np.bool_]
) -> InputError:
    """Return the error of a camera with points outside its sensor; ``where`` is the camera and the
    place of the first of them.
    """
    x, y = xy_px[int(is_off.argmax())]
    n, share = int(is_off.sum()), float(is_off.mean())
    remedy = (
        "Correct width and height, or leave these points out: --drop-outside of calib import, "
        "select and solve."
    )
    if share > MOST_OUTSIDE:
        remedy = "Correct width, height or the origin: so many are no stray points."
    return InputError(
        where,
        expected=f"px on the {size[0]} × {size[1]} sensor",
        found=f"({x:g}, {y:g}); {n} of {len(xy_px)} points ({share:.1%}) lie outside",
        remedy=remedy,
    )
