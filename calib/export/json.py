"""The rig as JSON can hold it: lengths in mm, angles in degree, lens and
residuals in px.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from calib.core.rig import Rig, RigCamera


def rig_as_dict(rig: Rig) -> dict[str, Any]:
    """Return the rig as a table of text, numbers and lists; what is not known is None."""
    return {
        "format": "calib.rig",
        "version": 1,
        "unit": "mm",
        "cameras": [_camera(rig, camera) for camera in rig.cameras],
    }


def _camera(rig: Rig, camera: RigCamera) -> dict[str, Any]:
    lens, pose, stats = camera.lens, camera.cam_from_world, camera.stats
    position_mm, rotation_deg = rig.sigmas(camera.name)
    return {
        "name": camera.name,
        "width": int(camera.width),
        "height": int(camera.height),
        "fx": lens.fx,
        "fy": lens.fy,
        "cx": lens.cx,
        "cy": lens.cy,
        "dist": lens.dist.tolist(),
        "R": pose.R.tolist(),
        "t": pose.t_mm.tolist(),
        "position_mm": camera.position_mm.tolist(),
        "sigma_position_mm": _known(position_mm),
        "sigma_rotation_deg": _known(rotation_deg),
        "points": None if stats is None else int(stats.points),
        "rms_px": None if stats is None else _known([stats.rms_px])[0],
    }


def _known(values: Iterable[float]) -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in values]
