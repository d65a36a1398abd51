"""How far a rig is from the truth, in the only currency that counts: millimetres in the volume."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import distort, project, undistort
from calib.core.geometry import Array, nearest_point, rigid_fit
from calib.core.rig import Rig, RigCamera
from calib.errors import InputError

N_STEPS = 5  # Gauss-Newton from a linear start settles to rounding in three


def triangulate(
    origins: Array, directions: Array, weight: Array, group: NDArray[np.intp], n: int
) -> Array:
    """Return the points (n, 3) nearest to bundles of rays, nan where a bundle has no definite
    point.

    Ray i starts at origins[i], runs along the unit vector directions[i], counts weight[i] and
    belongs to point group[i]. Minimises ``sum w |(I - d d^T)(x - o)|^2``, which is linear: a
    starting value, not the maximum-likelihood point.
    """
    A, b, points = np.zeros((n, 3, 3)), np.zeros((n, 3)), np.empty((n, 3))
    across = weight[:, None, None] * (np.eye(3) - directions[:, :, None] * directions[:, None])
    np.add.at(A, group, across)
    np.add.at(b, group, (across @ origins[:, :, None])[..., 0])
    for k in range(n):
        nearest_point(A[k][np.triu_indices(3)], b[k], points[k])
    return points


def error_against_truth(
    rig: Rig, truth: Rig, points_world_mm: Array, *, range_mm: float = np.inf
) -> Array:
    """Return the 3D errors (n,) in mm that ``rig`` makes at ``points_world_mm`` (n, 3) of the true
    world.

    Each point is imaged without noise by the true cameras that see it (in front, on the sensor,
    within ``range_mm``), reconstructed from those image points with the rig's lenses and poses by
    least squares in reprojection error, and compared after the rigid fit, without scale, of all
    reconstructed points to the true ones. A point that fewer than two cameras common to both rigs
    see is nan.

    Raises InputError where fewer than three points are left, as they fix no rigid fit.
    """
    points = np.asarray(points_world_mm, dtype=float)
    common = [name for name in rig.names if name in truth.names]
    views = [(rig.camera(name), _image(truth.camera(name), points, range_mm)) for name in common]
    found = reconstruct(
        [camera for camera, _ in views],
        np.array([uv for _, uv in views]).reshape(-1, len(points), 2),
    )
    is_found = np.isfinite(found).all(axis=1)
    if is_found.sum() < 3:
        raise InputError(
            "test points",
            expected="three or more that two cameras common to both rigs see",
            found=f"{is_found.sum()} of {len(points)}, {len(common)} common cameras",
        )
    _, R, t = rigid_fit(found[is_found], points[is_found])
    return np.asarray(np.linalg.norm(found @ R.T + t - points, axis=1))


def reconstruct(cameras: list[RigCamera], uv_px: Array) -> Array:
    """Return the points (n, 3) in mm whose images lie nearest to ``uv_px`` (cameras, n, 2), nan
    where not seen.

    Minimises the sum of squared reprojection residuals by Gauss-Newton from the point nearest to
    all rays. Points with fewer than two rays, or with rays too parallel to meet, are nan.
    """
    n = uv_px.shape[1]
    point, origins, directions = [], [np.empty((0, 3))], [np.empty((0, 3))]
    for camera, uv in zip(cameras, uv_px, strict=True):
        rays = (
            np.concatenate([undistort(camera.lens, uv), np.ones((n, 1))], axis=1)
            @ camera.cam_from_world.R
        )
        index = np.flatnonzero(np.isfinite(rays).all(axis=1))
        point.append(index)
        directions.append(rays[index] / np.linalg.norm(rays[index], axis=1, keepdims=True))
        origins.append(np.broadcast_to(camera.position_mm, (len(index), 3)))
    group = np.concatenate([np.empty(0, dtype=np.intp), *point])
    start = triangulate(
        np.concatenate(origins), np.concatenate(directions), np.ones(len(group)), group, n
    )
    start[np.bincount(group, minlength=n) < 2] = np.nan
    points = start
    for _ in range(N_STEPS):
        normal, gradient = np.zeros((n, 3, 3)), np.zeros((n, 3))
        for camera, uv, index in zip(cameras, uv_px, point, strict=True):
            residual, jacobian = _residual(camera, points[index], uv[index])
            normal[index] += np.swapaxes(jacobian, 1, 2) @ jacobian
            gradient[index] += (np.swapaxes(jacobian, 1, 2) @ residual[..., None])[..., 0]
        is_fixed = np.isfinite(normal).all(axis=(1, 2)) & np.isfinite(points).all(axis=1)
        points = np.full((n, 3), np.nan)
        points[is_fixed] = (
            start[is_fixed]
            + np.linalg.solve(normal[is_fixed], gradient[is_fixed][..., None])[..., 0]
        )
        start = points
    return points


def _image(camera: RigCamera, points: Array, range_mm: float) -> Array:
    """Return image points (n, 2) of what the camera sees, else nan."""
    in_cam = camera.cam_from_world.apply(points)
    uv = project(camera.lens, in_cam)
    edge = np.array([camera.width, camera.height]) - 1.0
    # Far off the axis the distortion may fold back on to the sensor: there, undistorting leads
    # elsewhere.
    with np.errstate(invalid="ignore", divide="ignore"):
        is_seen = ((uv >= 0) & (uv <= edge)).all(axis=1) & (
            np.linalg.norm(in_cam, axis=1) <= range_mm
        )
        back = undistort(camera.lens, np.where(is_seen[:, None], uv, np.nan))
        is_seen &= np.abs(back - in_cam[:, :2] / in_cam[:, 2:]).max(axis=1) < 1e-9
    return np.where(is_seen[:, None], uv, np.nan)


def _residual(camera: RigCamera, points: Array, uv: Array) -> tuple[Array, Array]:
    """Return observed minus predicted (n, 2) and the derivative of the prediction (n, 2, 3) by the
    point.
    """
    lens, pose = camera.lens, camera.cam_from_world
    in_cam = pose.apply(points)
    x, y, w = in_cam[:, 0] / in_cam[:, 2], in_cam[:, 1] / in_cam[:, 2], 1.0 / in_cam[:, 2]
    xd, yd, xd_x, xd_y, yd_x, yd_y, _ = distort(lens.vector[4:], x, y)
    f = np.array([lens.fx, lens.fy])
    residual = uv - (f * np.stack([xd, yd], -1) + [lens.cx, lens.cy])
    by_plane = f[:, None] * np.stack([np.stack([xd_x, xd_y], -1), np.stack([yd_x, yd_y], -1)], -2)
    plane_by_cam = np.zeros((len(points), 2, 3))
    plane_by_cam[:, 0, 0], plane_by_cam[:, 1, 1] = w, w
    plane_by_cam[:, 0, 2], plane_by_cam[:, 1, 2] = -x * w, -y * w
    return residual, by_plane @ plane_by_cam @ pose.R
