"""The rig as a table: one row a camera, every column with its unit in its name."""

from __future__ import annotations

import csv
import io

import numpy as np

from calib.core.parameters import DIST_NAMES
from calib.core.rig import Rig, RigCamera
from calib.export.target import Target


def rig_as_csv(rig: Rig, target: Target) -> str:
    """Return the table with a header; what is not known is empty.

    ``r11`` to ``r33`` and ``t_*`` are of ``x_cam = R x_world + t``, ``sigma_rotation_*`` about the
    camera's axes; ``axes`` are those of the rig file that x, y, z are.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for i, camera in enumerate(rig.cameras):
        row = _row(rig, camera, target)
        if i == 0:
            writer.writerow(row)
        writer.writerow(row.values())
    return out.getvalue()


def _row(rig: Rig, camera: RigCamera, target: Target) -> dict[str, object]:
    R, t = target.cam_from_world(camera)
    block = target.pose_covariance(rig, camera)
    sigma_position = np.full(3, np.nan) if block is None else np.sqrt(np.diag(block)[:3])
    _, sigma_rotation_deg = rig.sigmas(camera.name)
    lens, stats, unit = camera.lens, camera.stats, target.unit
    late = camera.time_offset_sigma_frames
    row: dict[str, object] = {
        "camera": camera.name,
        "width_px": int(camera.width),
        "height_px": int(camera.height),
        **dict(zip(("fx_px", "fy_px", "cx_px", "cy_px"), lens.vector[:4].tolist(), strict=True)),
        **dict(zip(DIST_NAMES, lens.vector[4:].tolist(), strict=True)),
        **{f"r{i + 1}{j + 1}": float(R[i, j]) for i in range(3) for j in range(3)},
    }
    for key, values in (
        (f"t_{{}}_{unit}", t),
        (f"position_{{}}_{unit}", target.position(camera)),
        (f"sigma_position_{{}}_{unit}", sigma_position),
        ("sigma_rotation_{}_deg", sigma_rotation_deg),
    ):
        row |= {key.format(axis): _known(v) for axis, v in zip("xyz", values, strict=True)}
    row |= {
        "points": "" if stats is None else int(stats.points),
        "rms_px": "" if stats is None else _known(stats.rms_px),
        "time_offset_frames": "" if late is None else camera.time_offset_frames,
        "sigma_time_offset_frames": "" if late is None else late,
        "axes": target.axes,
    }
    return row


def _known(value: float) -> float | str:
    return float(value) if np.isfinite(value) else ""
