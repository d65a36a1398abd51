"""Markers in space from their images, one by one: the most likely place, how sure, and what does
not fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.camera import distorted, radial_tables, undistort_point
from calib.core.compiled import compiled
from calib.core.geometry import Array, add_ray, from_ray, nearest_point
from calib.core.threads import in_groups
from calib.prove.space.views import Cameras, Views

# A view lies off by its own noise and by what its camera's pose is off, which is about as much:
# with twice the variance a sound one fails once in 100,000.
GATE = 2.0 * float(special.chdtri(2, 1e-5))
SETTLED_MM = 1e-3
PIECE = 2048  # points that a thread takes at a time


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Points (N): places ``points_mm (N, 3)``, nan where no two views agree; ``covariance_mm2 (N,
    3, 3)`` by the noise of centroids alone; ``is_used (V,)`` views; how many they are, and the RMS
    of their residuals (sqrt(mean(dx² + dy²))) in px and as distances of rays in mm.
    """

    points_mm: Array
    covariance_mm2: Array
    is_used: NDArray[np.bool_]
    n_used: NDArray[np.int64]
    rms_px: Array
    rms_mm: Array

    @property
    def is_placed(self) -> NDArray[np.bool_]:
        return np.isfinite(self.points_mm[:, 0])


def place(views: Views, cameras: Cameras, gate: float = GATE) -> Placed:
    """Return where the points are: least squares in reprojection error, weighted by each camera's
    noise, gross outliers left out.

    With J the derivative of a view by the point in units of its noise, the covariance is ``(Σ Jᵀ
    J)⁻¹``. A view is left out where its squared residual in units of noise exceeds ``gate``.
    Sources: Hartley & Zisserman, Multiple View Geometry, 2nd edition 2004, section 12.5 (optimal
    triangulation); JCGM 100:2008, 5.1.2.
    """
    n = views.n_points
    points, covariance = np.empty((n, 3)), np.empty((n, 3, 3))
    used, n_used = np.zeros(len(views.cam), bool), np.zeros(n, np.int64)
    rms = np.empty((n, 2))
    centre, focal = cameras.lens[:, 2:4], cameras.lens[:, :2]
    goal = (views.uv_px - centre[views.cam]) / focal[views.cam]
    dist = np.ascontiguousarray(cameras.lens[:, 4:])
    fold, tables = radial_tables(dist, views.cam, goal.T)
    of = _In(
        views.cam,
        views.starts,
        np.ascontiguousarray(views.uv_px, float),
        np.ascontiguousarray(goal),
        np.array(cameras.R),
        np.array(cameras.t_mm),
        np.array(cameras.lens),
        np.array(cameras.sigma_px),
        dist,
        fold,
        tables,
    )
    out = _Out(points, covariance, used, n_used, rms)

    def run(firsts: Sequence[int]) -> None:
        _place(firsts[0], min(firsts[-1] + PIECE, n), of, gate, out)

    if n:
        in_groups(run, range(0, n, PIECE))
    return Placed(points, covariance, used, n_used, rms[:, 0], rms[:, 1])


class _In(NamedTuple):
    """What the loops read: views sorted by point, as pixels and on the image plane, and cameras."""

    cam: Any
    starts: Any
    uv: Array
    goal: Array
    R: Array
    t: Array
    lens: Array
    sigma: Array
    dist: Array
    fold: Array
    tables: Array


class _Out(NamedTuple):
    """What they write."""

    points: Array
    covariance: Array
    used: Any
    n_used: Any
    rms: Array


@compiled
def _place(first: int, last: int, of: _In, gate: float, out: _Out) -> None:
    """Write the points from first to last; their views' rays are made once and kept at hand."""
    cam, starts, goal, R, t, lens = of.cam, of.starts, of.goal, of.R, of.t, of.lens
    points, used, n_used, rms = out.points, out.used, out.n_used, out.rms
    most = 1
    for n in range(first, last):
        most = max(most, starts[n + 1] - starts[n])
    ray, origin = np.empty((most, 3)), np.empty((most, 3))
    weight, squared = np.empty(most), np.empty(most)
    A, b, x, H, move = np.empty(6), np.empty(3), np.empty(3), np.empty(6), np.empty(3)
    for n in range(first, last):
        v0, k = starts[n], starts[n + 1] - starts[n]
        n_rays = 0
        for i in range(k):
            c = cam[v0 + i]
            px, py = undistort_point(
                goal[v0 + i, 0], goal[v0 + i, 1], of.dist[c], of.fold[c], of.tables[c]
            )
            weight[i] = 0.0
            if np.isfinite(px):
                n_rays += 1
                weight[i] = 1.0
            length = 1.0 / np.sqrt(px * px + py * py + 1.0)
            for j in range(3):
                ray[i, j] = length * (R[c, 0, j] * px + R[c, 1, j] * py + R[c, 2, j])
                origin[i, j] = -(R[c, 0, j] * t[c, 0] + R[c, 1, j] * t[c, 1] + R[c, 2, j] * t[c, 2])
        points[n], rms[n], n_used[n] = np.nan, np.nan, 0
        out.covariance[n] = np.nan
        if n_rays < 2:
            continue
        _meet(k, v0, of, ray, origin, weight, A, b, x)
        n_good = -1
        for _ in range(4):
            n_good = _step(k, v0, of, gate, weight, squared, x, H, b, move)
            # Steps square what is left: after this one nothing is.
            if n_good < 2 or move[0] ** 2 + move[1] ** 2 + move[2] ** 2 < SETTLED_MM**2:
                break
        if n_good < 2 or not np.isfinite(x[0]):
            continue
        points[n], n_used[n] = x, n_good
        _inverse(H, out.covariance[n])
        total_px, total_mm = 0.0, 0.0
        for i in range(k):
            used[v0 + i] = weight[i] > 0.0 and squared[i] <= gate
            if used[v0 + i]:
                c = cam[v0 + i]
                away = 0.0
                for j in range(3):
                    away += (x[j] - origin[i, j]) ** 2
                px2 = squared[i] * of.sigma[c] ** 2
                total_px += px2
                total_mm += px2 * away / lens[c, 0] ** 2
        rms[n, 0], rms[n, 1] = np.sqrt(total_px / n_good), np.sqrt(total_mm / n_good)


@compiled
def _meet(
    k: int, v0: int, of: _In, ray: Array, origin: Array, weight: Array, A: Array, b: Array, x: Array
) -> None:
    """Write where k rays meet into x (3,), robustly: a ray counts by Cauchy's weight of its miss in
    units of noise.
    """
    cam, lens, sigma = of.cam, of.lens, of.sigma
    x[:] = np.nan
    for step in range(5):
        A[:], b[:] = 0.0, 0.0
        for i in range(k):
            if weight[i] == 0.0:
                continue
            w = 1.0
            c = cam[v0 + i]
            if step:
                along, across = from_ray(origin[i], ray[i], x)
                away = sigma[c] * max(along, 1.0) / lens[c, 0]
                w = 1.0 / (away * away * (1.0 + across / (9.0 * away * away)))
            add_ray(origin[i], ray[i], w, A, b)
        nearest_point(A, b, x)


@compiled
def _step(
    k: int,
    v0: int,
    of: _In,
    gate: float,
    weight: Array,
    squared: Array,
    x: Array,
    H: Array,
    b: Array,
    move: Array,
) -> int:
    """Take a Gauss-Newton step of x (3,) and return how many views fit before it; H (6,) is their
    normal matrix there, ``squared`` their squared residuals in units of noise.
    """
    cam, uv, R, t, lens, sigma = of.cam, of.uv, of.R, of.t, of.lens, of.sigma
    H[:], b[:] = 0.0, 0.0
    n_good = 0
    for i in range(k):
        if weight[i] == 0.0:
            continue
        c = cam[v0 + i]
        X = R[c, 0, 0] * x[0] + R[c, 0, 1] * x[1] + R[c, 0, 2] * x[2] + t[c, 0]
        Y = R[c, 1, 0] * x[0] + R[c, 1, 1] * x[1] + R[c, 1, 2] * x[2] + t[c, 1]
        Z = R[c, 2, 0] * x[0] + R[c, 2, 1] * x[1] + R[c, 2, 2] * x[2] + t[c, 2]
        squared[i] = np.inf
        if not Z > 1.0:
            continue
        px, py = X / Z, Y / Z
        xd, yd, a, m, d, _ = distorted(lens, c, px, py)
        du = (uv[v0 + i, 0] - lens[c, 0] * xd - lens[c, 2]) / sigma[c]
        dv = (uv[v0 + i, 1] - lens[c, 1] * yd - lens[c, 3]) / sigma[c]
        squared[i] = du * du + dv * dv
        if squared[i] > gate:
            continue
        n_good += 1
        fu, fv = lens[c, 0] / (sigma[c] * Z), lens[c, 1] / (sigma[c] * Z)
        # Derivatives of u and v by the point in the camera, then in the world.
        u0, u1 = fu * a, fu * m
        u2 = -(u0 * px + u1 * py)
        v_0, v_1 = fv * m, fv * d
        v_2 = -(v_0 * px + v_1 * py)
        j = 0
        for p in range(3):
            gu = u0 * R[c, 0, p] + u1 * R[c, 1, p] + u2 * R[c, 2, p]
            gv = v_0 * R[c, 0, p] + v_1 * R[c, 1, p] + v_2 * R[c, 2, p]
            b[p] += gu * du + gv * dv
            for q in range(p, 3):
                hu = u0 * R[c, 0, q] + u1 * R[c, 1, q] + u2 * R[c, 2, q]
                hv = v_0 * R[c, 0, q] + v_1 * R[c, 1, q] + v_2 * R[c, 2, q]
                H[j] += gu * hu + gv * hv
                j += 1
    if n_good >= 2:
        nearest_point(H, b, move)
        if np.isfinite(move[0]):
            x += move
        else:
            n_good = 0
    return n_good


@compiled
def _inverse(H: Array, out: Array) -> None:
    """Write the inverse of a symmetric matrix, its upper triangle (6,), into out (3, 3)."""
    xx, xy, xz, yy, yz, zz = H[0], H[1], H[2], H[3], H[4], H[5]
    out[0, 0], out[0, 1], out[0, 2] = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    out[1, 1], out[1, 2], out[2, 2] = xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy
    det = xx * out[0, 0] + xy * out[0, 1] + xz * out[0, 2]
    for p in range(3):
        for q in range(p, 3):
            out[p, q] /= det
            out[q, p] = out[p, q]
