"""The rig as JSON can hold it: lengths in mm, angles in degree, lens and residuals in px."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

import numpy as np

from calib.core.rig import Rig, RigCamera
from calib.export.target import Target, sensor_table


def rig_as_dict(rig: Rig, target: Target | None = None) -> dict[str, Any]:
    """Return the rig as a table of text, numbers and lists; what is not known is None.

    ``covariance`` is of position and of a turn (radian), both along the world's axes; the joint
    covariance of all cameras stays in the rig file. What alignment and verification tell is in mm
    and in the axes of the rig file, whatever the target.
    """
    target = target or Target.of(rig)
    return {
        "format": "calib.rig",
        "version": 1,
        "unit": target.unit,
        "cameras": [_camera(rig, camera, target) for camera in rig.cameras],
        "note": target.sentences(rig),
        "wand": target.wand(rig.wand),
        "wand_used": target.wand(rig.wand_used),
        "left_out": dict(rig.left_out),
        "findings": list(rig.findings),
        "doubts": [asdict(doubt) for doubt in rig.doubts],
        "captured_at": rig.captured_at,
        "parent_sha256": rig.parent_sha256,
        "lasting_share": rig.lasting_share,
        "alignment": None if rig.alignment is None else dict(rig.alignment),
        "verification": None if rig.verification is None else dict(rig.verification),
        "provenance": dict(rig.provenance),
    }


def _camera(rig: Rig, camera: RigCamera, target: Target) -> dict[str, Any]:
    stats = camera.stats
    R, t = target.cam_from_world(camera)
    block = target.pose_covariance(rig, camera)
    _, sigma_rotation_deg = rig.sigmas(camera.name)
    sigma_position = [None] * 3 if block is None else np.sqrt(np.diag(block)[:3]).tolist()
    return {
        "name": camera.name,
        **sensor_table(camera),
        "R": R.tolist(),
        "t": t.tolist(),
        f"position_{target.unit}": target.position(camera).tolist(),
        f"sigma_position_{target.unit}": sigma_position,
        "sigma_rotation_deg": _known(sigma_rotation_deg),
        "points": None if stats is None else int(stats.points),
        "rms_px": None if stats is None else _known([stats.rms_px])[0],
        "faults": list(camera.faults),
        "covariance": None if block is None else block.tolist(),
        "time_offset_frames": camera.time_offset_frames,
        "sigma_time_offset_frames": camera.time_offset_sigma_frames,
    }


def _known(values: Iterable[float]) -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in values]
