"""What the errors of a rig's poses and lenses do to points in space, all points together.

A point x is least squares over its views, with J the derivative of a view by the point and E by its
camera's parameters, both in units of noise. An error e of the parameters moves it by ``K e``, ``K =
-(Σ Jᵀ J)⁻¹ Jᵀ E``, view by view. With the covariance of all parameters C = L Lᵀ the points move
together by ``B = K L``: their joint covariance is ``B Bᵀ``, beside that of the centroids' noise,
which is each point's own. Source: the law of propagation for correlated quantities, JCGM 100:2008,
5.2.2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.parameters import PLACE
from calib.core.threads import in_groups
from calib.prove.space.views import Cameras, Views
from calib.solve.bundle.kernels import twist_rows
from calib.solve.certainty.rig_errors import RigErrors

PIECE = 1024  # points that a thread takes at a time
LANES = 16  # sums side by side: one alone waits for its last addition
LEAST_DET = 1e-7  # of a normal matrix of unit trace a dimension: flatter, rays have no meeting


def effects(
    errors: RigErrors, views: Views, points_mm: Array, cameras: Cameras, is_used: Any = None
) -> tuple[Array, Array]:
    """Return what the rig's errors do to points: B (N, 3, r) in mm, and the covariance (N, 3, 3) in
    mm² of the centroids' noise; nan where fewer than two views place the point.
    """
    sums = np.empty((views.n_points, 3, errors.root.shape[2]))
    own, _ = _summed(errors, views, points_mm, cameras, is_used, sums)
    return -(own @ sums), own


def effect_covariance(
    errors: RigErrors, views: Views, points_mm: Array, cameras: Cameras, is_used: Any = None
) -> Array:
    """Return the rig's share ``B Bᵀ`` (N, 3, 3) of each point's covariance, without keeping B.

    In single precision, which saves a third of the time and is off by less than a thousandth.
    """
    single = replace(errors, root=errors.root.astype(np.float32))
    none = np.empty((0, 3, errors.root.shape[2]), np.float32)
    own, squares = _summed(single, views, points_mm, cameras, is_used, none)
    return np.asarray(own @ squares @ own)


def _summed(
    errors: RigErrors, views: Views, points_mm: Array, cameras: Cameras, is_used: Any, sums: Any
) -> tuple[Array, Array]:
    """Return the covariance (N, 3, 3) of the noise alone, ``(Σ Jᵀ J)⁻¹``, and the squares (N, 3, 3)
    of ``Σ Jᵀ E L``, which goes into ``sums`` (N, 3, r) where that has room.
    """
    n = views.n_points
    keep = np.ones(len(views.cam), bool) if is_used is None else np.asarray(is_used)
    H, squares = np.empty((n, 3, 3)), np.empty((n, 3, 3))
    arrays = views.cam, views.starts, keep, np.array(points_mm, order="C")
    rig = np.array(cameras.R), np.array(cameras.t_mm), np.array(cameras.lens), cameras.sigma_px
    codes = np.array([PLACE[term] for term in errors.terms], np.int64)

    def run(firsts: Sequence[int]) -> None:
        last = min(firsts[-1] + PIECE, n)
        _sum(firsts[0], last, *arrays, *rig, codes, errors.root, H, squares, sums)

    if n:
        in_groups(run, range(0, n, PIECE))
    with np.errstate(all="ignore"):
        scale = np.trace(H, axis1=1, axis2=2) / 3.0
        is_placed = np.linalg.det(H / scale[:, None, None]) > LEAST_DET
    own = np.full_like(H, np.nan)
    own[is_placed] = np.linalg.inv(H[is_placed])
    return own, squares


@compiled
def _sum(
    first: int,
    last: int,
    cam: Any,
    starts: Any,
    keep: Any,
    points: Array,
    R: Array,
    t: Array,
    lens: Array,
    sigma: Array,
    codes: Any,
    root: Array,
    H: Array,
    squares: Array,
    all_sums: Array,
) -> None:
    """Write ``Jᵀ J`` and the square of ``Jᵀ E L`` of the points from first to last, and the latter
    itself where there is room; nan for a point without a place.
    """
    r, q = root.shape[2], root.shape[1]
    image, sums = np.empty(r, root.dtype), np.empty((3, r), root.dtype)
    rows, h, lanes = np.empty((2, q + 1)), np.empty(3), np.empty(LANES, root.dtype)
    for n in range(first, last):
        sums[:] = 0.0
        H[n] = 0.0 if np.isfinite(points[n, 0]) else np.nan
        for v in range(starts[n], starts[n + 1]):
            if not keep[v] or np.isnan(H[n, 0, 0]):
                continue
            c = cam[v]
            twist_rows(
                R[c], t[c], lens, c, points, n, codes, 0.0, 0.0, 1.0 / sigma[c], np.inf, rows
            )
            for k in range(2):
                a, b, d = rows[k, 3], rows[k, 4], rows[k, 5]
                # About the camera, not the world's origin; its position moves the point the other
                # way.
                rows[k, 0] += t[c, 1] * d - t[c, 2] * b
                rows[k, 1] += t[c, 2] * a - t[c, 0] * d
                rows[k, 2] += t[c, 0] * b - t[c, 1] * a
                for p in range(3):
                    h[p] = R[c, 0, p] * a + R[c, 1, p] * b + R[c, 2, p] * d
                    rows[k, 3 + p] = -h[p]
                image[:] = 0.0
                for j in range(q):
                    e = root.dtype.type(rows[k, j])
                    for i in range(r):
                        image[i] += e * root[c, j, i]
                for p in range(3):
                    e = root.dtype.type(h[p])
                    for i in range(r):
                        sums[p, i] += e * image[i]
                    for m in range(3):
                        H[n, p, m] += h[p] * h[m]
        for p in range(3):
            for m in range(p, 3):
                lanes[:] = 0.0
                for i in range(0, r - r % LANES, LANES):
                    for k in range(LANES):
                        lanes[k] += sums[p, i + k] * sums[m, i + k]
                for i in range(r - r % LANES, r):
                    lanes[0] += sums[p, i] * sums[m, i]
                squares[n, p, m] = squares[n, m, p] = lanes.sum()
        if len(all_sums):
            all_sums[n] = sums


def covariance_of(B: Array, noise: Array) -> Array:
    """Return each point's covariance (N, 3, 3): the rig's share and the noise of centroids."""
    return np.asarray(B @ np.swapaxes(B, 1, 2) + noise)


def joint_of(B: Array, noise: Array) -> Array:
    """Return the joint covariance (3 N, 3 N) of few points."""
    flat = B.reshape(3 * len(B), B.shape[2])  # of a rig without covariance no columns
    C = flat @ flat.T
    for n, own in enumerate(noise):
        C[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] += own
    return np.asarray(C)
