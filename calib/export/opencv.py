"""The rig as YAML that ``cv2.FileStorage`` reads; written as text, so that nothing depends on
OpenCV's writer.

Source: OpenCV's documentation of cv::FileStorage (YAML with ``!!opencv-matrix``) and of the module
calib3d (order of coefficients, x_cam = R x_world + t, pixel centres at whole numbers).
"""

from __future__ import annotations

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.wand import Wand
from calib.export.target import Target
from calib.export.text import number, quoted

_HEAD = """# Conventions: x_cam = R * x_world + t.
# Camera frame: x right, y down, z forward.
# Pixels: x right, y down, the centre of the top-left pixel is (0, 0).
# distortion_coefficients: k1, k2, p1, p2, k3 and, where there are eight, k4, k5, k6.
# covariance: of position x, y, z, then of turns (rad) about the world's x, y, z.
format: "calib.opencv"
"""


def rig_as_opencv_yaml(rig: Rig, target: Target | None = None) -> str:
    """Return the text of the file: a list ``cameras`` with each camera's name, sensor, lens, pose
    and its covariance where known, and the wand.
    """
    target = target or Target.of(rig)
    blocks = []
    for camera in rig.cameras:
        lens, covariance = camera.lens, target.pose_covariance(rig, camera)
        R, t = target.cam_from_world(camera)
        blocks.append(
            "   -\n"
            f"      name: {quoted(camera.name)}\n"
            f"      image_width: {int(camera.width)}\n"
            f"      image_height: {int(camera.height)}\n"
            + _matrix("camera_matrix", lens.K)
            + _matrix("distortion_coefficients", lens.dist[None])
            + _matrix("R", R)
            + _matrix("t", t[:, None])
            + ("" if covariance is None else _matrix("covariance", covariance))
        )
    return (
        "%YAML:1.0\n---\n"
        + target.head(rig)
        + f'{_HEAD}unit: "{target.unit}"\ncameras:\n'
        + "".join(blocks)
        + _wand("wand", rig.wand, target)
        + _wand("wand_used", rig.wand_used, target)
    )


def _wand(key: str, wand: Wand, target: Target) -> str:
    names = ", ".join(map(quoted, wand.markers))
    return f"{key}:\n      name: {quoted(wand.name)}\n      markers: [ {names} ]\n" + _matrix(
        "points", target.scale * wand.points_mm
    )


def _matrix(name: str, values: Array) -> str:
    rows, columns = values.shape
    data = ", ".join(number(v) for v in np.ravel(values).tolist())
    return (
        f"      {name}: !!opencv-matrix\n"
        f"         rows: {rows}\n         cols: {columns}\n         dt: d\n         "
        f"data: [ {data} ]\n"
    )
