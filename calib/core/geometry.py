"""Rotations, rigid motions, the rigid fit of two point sets, triangulation, small positive definite
systems, and noise by medians.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy  # its submodules load at first use: most commands never ask for them
from numpy.typing import NDArray

from calib.core.compiled import compiled, inlined
from calib.errors import InputError

Array = NDArray[np.float64]


def frozen(values: Any, dtype: Any = np.float64, where: str = "array") -> NDArray[Any]:
    """Return a read-only, contiguous copy of ``values``; InputError where these are no numbers."""
    try:
        array = np.array(values, dtype=dtype, order="C", copy=True)
    except (OverflowError, TypeError, ValueError) as error:
        raise InputError(
            where, expected="numbers, in rows of one length", found=str(error)
        ) from None
    array.flags.writeable = False
    return array


class ReadOnly(dict[str, Any]):
    """A table of a record, which is not to be changed; JSON, copies and pickles take it as a dict.

    >>> table = read_only({"options": {"terms": ["k1"]}})
    >>> table["options"]["terms"] = "all"
    Traceback (most recent call last):
    TypeError: a record's table is read-only; take a copy, dict(table)
    >>> table | {"version": "1"}
    {'options': {'terms': ['k1']}, 'version': '1'}
    """

    def _refuse(self, *_: object, **__: object) -> Any:
        raise TypeError("a record's table is read-only; take a copy, dict(table)")

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (dict(self),)


def read_only(value: Any) -> Any:
    """Return a copy of JSON-like data with every table in it read-only; lists stay lists, as files
    bring them.
    """
    if isinstance(value, Mapping):
        return ReadOnly((key, read_only(v)) for key, v in value.items())
    return list(map(read_only, value)) if isinstance(value, list) else value


def rotation_from_vector(rotvec: Array) -> Array:
    """Return rotation matrices (..., 3, 3) from rotation vectors (..., 3) in radian.

    >>> rotation_from_vector(np.array([0.0, 0.0, np.pi / 2])).round(12) @ [1.0, 0.0, 0.0]
    array([0., 1., 0.])
    """
    flat = np.asarray(rotvec, dtype=float).reshape(-1, 3)
    if not len(flat):  # SciPy 1.12 refuses none
        return np.empty((*np.shape(rotvec)[:-1], 3, 3))
    turns = scipy.spatial.transform.Rotation.from_rotvec(flat)
    return np.asarray(turns.as_matrix().reshape((*np.shape(rotvec)[:-1], 3, 3)))


def vector_from_rotation(rotation: Array) -> Array:
    """Return rotation vectors (..., 3) in radian, of length at most π, from matrices (...,
    3, 3).
    """
    flat = np.asarray(rotation, dtype=float).reshape(-1, 3, 3)
    if not len(flat):
        return np.empty(np.shape(rotation)[:-1])
    turns = scipy.spatial.transform.Rotation.from_matrix(flat)
    return np.asarray(turns.as_rotvec().reshape(np.shape(rotation)[:-1]))


def angle_between_deg(a: Array, b: Array) -> Array:
    """Return the angle (...) in degree of the rotation that leads from a to b, both (..., 3, 3)."""
    relative = np.swapaxes(a, -1, -2) @ b
    return np.asarray(np.degrees(np.linalg.norm(vector_from_rotation(relative), axis=-1)))


def turn_between(a: Array, b: Array) -> Array:
    """Return the least rotation (3, 3) that takes one unit vector to another."""
    axis = np.cross(a, b)
    size = float(np.linalg.norm(axis))
    return rotation_from_vector(axis / max(size, 1e-12) * np.arctan2(size, a @ b))


def sigma_in_space(covariance: Array) -> Array:
    """Return 3D standard deviations (n,) of covariances (n, 3, 3): the root of the sum of the three
    variances.
    """
    return np.asarray(np.sqrt(np.trace(covariance, axis1=1, axis2=2)))


def is_slim(points: Array, share: float) -> bool:
    """Return whether points (n, 3) lie on a line but for this share of their spread along it."""
    spread = np.linalg.svd(points - points.mean(axis=0))[1]
    return bool(spread[1] < share * spread[0])


def cross_matrix(v: Array) -> Array:
    """Return the matrices (..., 3, 3) with ``cross_matrix(v) @ x == np.cross(v, x)``."""
    v = np.asarray(v, dtype=float)
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A rigid motion ``target_from_source``: ``x_target = R @ x_source + t_mm``.

    Products chain: ``a_from_b @ b_from_c == a_from_c``. An R that rounded digits left beside a
    rotation is taken to the nearest one; what is farther off is refused.

    Parameters
    ----------
    R : (3, 3) array
        Rotation.
    t_mm : (3,) array
        Translation.
    """

    R: Array
    t_mm: Array

    def __post_init__(self) -> None:
        R, t = frozen(self.R), frozen(self.t_mm)
        if R.shape != (3, 3) or t.shape != (3,):
            raise InputError(
                "pose", expected="R (3, 3) and t (3,)", found=f"{R.shape} and {t.shape}"
            )
        # Text files carry a matrix to some six digits; more than that is not a rotation.
        if not (
            np.isfinite(t).all()
            and np.abs(R @ R.T - np.eye(3)).max() < 1e-5
            and np.linalg.det(R) > 0
        ):
            raise InputError(
                "pose", expected="a finite t and a proper rotation R", found=f"R = {R.tolist()}"
            )
        if np.abs(R @ R.T - np.eye(3)).max() > 1e-12:
            # The nearest rotation: six digits leave a scale and a shear, a tenth of a millimetre
            # ten metres away.
            u, _, vt = np.linalg.svd(R)
            R = frozen(u @ vt)
        object.__setattr__(self, "R", R)
        object.__setattr__(self, "t_mm", t)

    def __matmul__(self, other: Pose) -> Pose:
        return Pose(self.R @ other.R, self.R @ other.t_mm + self.t_mm)

    def inverse(self) -> Pose:
        """Return ``source_from_target``."""
        return Pose(self.R.T, -self.R.T @ self.t_mm)

    def apply(self, points_mm: Array) -> Array:
        """Return points (..., 3) in the target frame from points in the source frame."""
        return points_mm @ self.R.T + self.t_mm

    @property
    def origin_mm(self) -> Array:
        """Where the target's origin lies in the source frame (3,); of ``cam_from_world``, the
        camera's position.
        """
        return -self.R.T @ self.t_mm


def rigid_fit(
    source: Array, target: Array, weight: Array | None = None, *, with_scale: bool = False
) -> tuple[Array, Array, Array]:
    """Return (c, R, t) that minimise the weighted ``sum |target - (c R source + t)|^2``, for a
    batch of sets.

    source and target are (..., n, 3), or (..., n, 2) in the plane; weight (..., n) counts points,
    default 1. Returns c (...), R (..., d, d), t (..., d); c is 1 unless ``with_scale``. A set whose
    points lie on a line leaves the turn about it open: the returned R is then one of the
    minimisers.

    Source: Umeyama, Least-squares estimation of transformation parameters between two point
    patterns, IEEE PAMI 13(4), 1991, equations 40 to 43.
    """
    source, target = np.asarray(source, float), np.asarray(target, float)
    w = np.ones(source.shape[:-1]) if weight is None else np.asarray(weight, float)
    w = (w / w.sum(axis=-1, keepdims=True))[..., None]
    mean_s, mean_t = (w * source).sum(axis=-2), (w * target).sum(axis=-2)
    ds, dt = source - mean_s[..., None, :], target - mean_t[..., None, :]
    u, d, vt = np.linalg.svd(np.swapaxes(w * dt, -1, -2) @ ds)
    sign = np.ones_like(d)
    sign[..., -1] = np.where(np.linalg.det(u) * np.linalg.det(vt) < 0, -1.0, 1.0)
    R = (u * sign[..., None, :]) @ vt
    c = (
        (d * sign).sum(axis=-1) / (w * ds**2).sum(axis=(-1, -2))
        if with_scale
        else np.ones(d.shape[:-1])
    )
    t = mean_t - c[..., None] * (R @ mean_s[..., None])[..., 0]
    return c, R, t


@inlined
def add_ray(origin: Array, ray: Array, w: float, A: Array, b: Array) -> None:
    """Add ``w (I - d dᵀ)`` of a ray from ``origin`` along the unit vector d to A, an upper triangle
    (6,), and its product with the origin to b (3,): see ``nearest_point``.
    """
    along = origin[0] * ray[0] + origin[1] * ray[1] + origin[2] * ray[2]
    k = 0
    for i in range(3):
        b[i] += w * (origin[i] - along * ray[i])
        A[k] += w
        for j in range(i, 3):
            A[k] -= w * ray[i] * ray[j]
            k += 1


@inlined
def from_ray(origin: Array, ray: Array, x: Array) -> Any:
    """Return how far along a ray x (3,) lies, and the square of how far beside."""
    a0, a1, a2 = x[0] - origin[0], x[1] - origin[1], x[2] - origin[2]
    along = a0 * ray[0] + a1 * ray[1] + a2 * ray[2]
    return along, max(a0 * a0 + a1 * a1 + a2 * a2 - along * along, 0.0)


@compiled
def nearest_point(A: Array, b: Array, out: Array) -> None:
    """Write the solution of ``A x = b`` into out (3,), A symmetric as its upper triangle (6,); nan
    where it has none.

    A is a sum over rays of ``w (I - d dᵀ)``.
    """
    xx, xy, xz, yy, yz, zz = A[0], A[1], A[2], A[3], A[4], A[5]
    # The adjugate, symmetric.
    c0, c1, c2 = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    c4, c5, c8 = xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy
    det = xx * c0 + xy * c1 + xz * c2
    # det over the sum of the minors is the least eigenvalue, as long as that is small. Two rays
    # less than about a milliradian apart leave the depth to noise.
    if det > 1e-7 * (xx + yy + zz) * (c0 + c4 + c8):
        out[0] = (c0 * b[0] + c1 * b[1] + c2 * b[2]) / det
        out[1] = (c1 * b[0] + c4 * b[1] + c5 * b[2]) / det
        out[2] = (c2 * b[0] + c5 * b[1] + c8 * b[2]) / det
    else:
        out[:] = np.nan


@compiled
def rays_meet(
    cam: Any, ray: Array, position: Array, reach: Array, i: int, j: int, s: int, x: Array
) -> bool:
    """Write where the rays ``ray[i, s]`` and ``ray[j, s]`` of two cameras come nearest into x (3,);
    False where that is behind, or they miss by more than the angles ``reach`` of both.
    """
    ci, cj = cam[i], cam[j]
    d = ray[i, s, 0] * ray[j, s, 0] + ray[i, s, 1] * ray[j, s, 1] + ray[i, s, 2] * ray[j, s, 2]
    b0, b1, b2 = (
        position[cj, 0] - position[ci, 0],
        position[cj, 1] - position[ci, 1],
        position[cj, 2] - position[ci, 2],
    )
    ai = b0 * ray[i, s, 0] + b1 * ray[i, s, 1] + b2 * ray[i, s, 2]
    bi = b0 * ray[j, s, 0] + b1 * ray[j, s, 1] + b2 * ray[j, s, 2]
    det = 1.0 - d * d
    if not det > 1e-5:
        return False
    a, b = (ai - d * bi) / det, (d * ai - bi) / det
    if a <= 1.0 or b <= 1.0:
        return False
    miss = 0.0
    for k in range(3):
        p, q = position[ci, k] + a * ray[i, s, k], position[cj, k] + b * ray[j, s, k]
        x[k] = 0.5 * (p + q)
        miss += (p - q) ** 2
    return bool(miss <= (a * reach[ci] + b * reach[cj]) ** 2)


@compiled
def ray_miss(c: int, ray: Array, position: Array, reach: Array, i: int, s: int, x: Array) -> float:
    """Return by what share of its reach the ray ``ray[i, s]`` of camera c misses x."""
    x0, x1, x2 = x[0] - position[c, 0], x[1] - position[c, 1], x[2] - position[c, 2]
    r0, r1, r2 = ray[i, s, 0], ray[i, s, 1], ray[i, s, 2]
    away = x0 * r0 + x1 * r1 + x2 * r2
    if not away > 1.0:
        return np.inf
    c0, c1, c2 = x1 * r2 - x2 * r1, x2 * r0 - x0 * r2, x0 * r1 - x1 * r0
    return float(np.sqrt(c0 * c0 + c1 * c1 + c2 * c2) / (away * reach[c]))


def ray_depths(ray_a: Array, ray_b: Array, base: Array) -> tuple[Array, Array]:
    """Return the shares (..., n) of rays (..., n, 3) where two pass nearest, one from the origin,
    the other from ``base`` (..., 1, 3).
    """
    rays = (ray_a, ray_a), (ray_b, ray_b), (ray_a, ray_b), (ray_a, base), (ray_b, base)
    aa, bb, ab, ac, bc = (np.einsum("...i,...i->...", p, q) for p, q in rays)
    det = np.maximum(aa * bb - ab**2, 1e-12)
    return (bb * ac - ab * bc) / det, (ab * ac - aa * bc) / det


@compiled
def factor_in_place(A: Array) -> bool:
    """Turn the lower half of a small A (n, n) into L with L Lᵀ = A, inside compiled loops; False
    where A is not positive definite.

    Source: Golub & Van Loan, Matrix Computations, 4th edition 2013, section 4.2.
    """
    for i in range(len(A)):
        for j in range(i + 1):
            value = A[i, j]
            for k in range(j):
                value -= A[i, k] * A[j, k]
            if j < i:
                A[i, j] = value / A[j, j]
            elif value > 0.0:
                A[i, i] = math.sqrt(value)
            else:
                return False
    return True


@compiled
def solve_in_place(L: Array, b: Array) -> None:
    """Turn b (n,) into the solution of L Lᵀ x = b; L is the lower half."""
    n = len(b)
    for i in range(n):
        for k in range(i):
            b[i] -= L[i, k] * b[k]
        b[i] /= L[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= L[k, i] * b[k]
        b[i] /= L[i, i]


def sigma_of(errors: Array, axis: int | None = None) -> Any:
    """Return the standard deviation of a normal law whose errors are as far from 0 as these: by
    their median, which stray ones hardly move.
    """
    return 1.4826 * np.median(np.abs(errors), axis=axis)


def sigma_of_squares(squared: Array) -> float:
    """Return the standard deviation of one coordinate by squared lengths in a plane: the median of
    a normal law's is 2 ln 2 sigma².
    """
    return float(np.sqrt(np.median(squared) / (2.0 * np.log(2.0))))
