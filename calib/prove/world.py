"""A rig carried to another world: poses, joint covariance and what errors of held lenses did to
it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.geometry import Array, Pose
from calib.core.parameters import POSITION, CameraParameter, WandCoordinate
from calib.core.rig import Covariance, Rig
from calib.core.wand import CertifiedLength, Wand

LIKE = "like an earlier rig"  # how a world carried over from one was made, in its record


def moved(rig: Rig, new_from_old: Pose, scale: float = 1.0) -> Rig:
    """Return the rig in a new world, ``x_new = scale (R x_old + t)``, with its covariance.

    A camera's turn stands on the left of ``cam_from_world`` and knows nothing of the world, so its
    rows stay; positions turn with the world and grow with the scale: ``C_new = T C Tᵀ``, the law of
    propagation (JCGM 100:2008, 5.2.2). Rows of the wand are in its own axes and grow alone. The
    gauge stays what it was: how sure the new axes are is no part of this matrix.
    """
    cameras = tuple(
        replace(c, cam_from_world=_carried(c.cam_from_world, new_from_old, scale))
        for c in rig.cameras
    )
    covariance = rig.covariance
    if covariance is not None:
        T = _parameters(covariance, new_from_old.R, scale)
        C = T @ covariance.matrix @ T.T
        covariance = replace(
            covariance, matrix=0.5 * (C + C.T), sensitivity=T @ covariance.sensitivity
        )
    used = rig.wand_used if scale == 1.0 else _grown(rig.wand_used, scale)
    wave = scale * new_from_old.apply(rig.wave_mm)
    return replace(rig, cameras=cameras, covariance=covariance, wand_used=used, wave_mm=wave)


def _carried(cam_from_old: Pose, new_from_old: Pose, scale: float) -> Pose:
    pose = cam_from_old @ new_from_old.inverse()
    return Pose(pose.R, scale * pose.t_mm)


def _parameters(known: Covariance, R: Array, scale: float) -> Array:
    """Return the matrix (n, n) from parameters in the old world to those in the new one."""
    T = np.eye(len(known.parameters))
    for parameter, i in known.row.items():
        if isinstance(parameter, WandCoordinate):
            T[i, i] = scale
        elif parameter.kind in POSITION:
            T[i, i] = 0.0
            for k, kind in enumerate(POSITION):
                j = known.row.get(CameraParameter(parameter.camera, kind))
                if j is not None:
                    T[i, j] = scale * R[POSITION.index(parameter.kind), k]
    return T


def _grown(wand: Wand, scale: float) -> Wand:
    certified = tuple(
        CertifiedLength(c.i, c.j, scale * c.length_mm, scale * c.sigma_mm) for c in wand.certified
    )
    return replace(wand, points_mm=scale * wand.points_mm, certified=certified)
