"""The rig as YAML that ``cv2.FileStorage`` reads; written as text, so that nothing depends on
OpenCV's writer.

Source: OpenCV's documentation of cv::FileStorage (YAML with ``!!opencv-matrix``) and of the module
calib3d (order of coefficients, x_cam = R x_world + t, pixel centres at whole numbers).
"""

from __future__ import annotations

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import Rig

_HEAD = """%YAML:1.0
---
# Conventions: x_cam = R * x_world + t, lengths in millimetre.
# Camera frame: x right, y down, z forward.
# Pixels: x right, y down, the centre of the top-left pixel is (0, 0).
# distortion_coefficients: k1, k2, p1, p2, k3 and, where there are eight, k4, k5, k6.
format: "calib.opencv"
unit: "mm"
cameras:
"""


def rig_as_opencv_yaml(rig: Rig) -> str:
    """Return the text of the file: a list ``cameras`` with each camera's name, sensor, lens and
    pose.
    """
    blocks = []
    for camera in rig.cameras:
        lens, pose = camera.lens, camera.cam_from_world
        blocks.append(
            "   -\n"
            f"      name: {_quoted(camera.name)}\n"
            f"      image_width: {int(camera.width)}\n"
            f"      image_height: {int(camera.height)}\n"
            + _matrix("camera_matrix", lens.K)
            + _matrix("distortion_coefficients", lens.dist[None])
            + _matrix("R", pose.R)
            + _matrix("t", pose.t_mm[:, None])
        )
    return _HEAD + "".join(blocks)


def _matrix(name: str, values: Array) -> str:
    rows, columns = values.shape
    data = ", ".join(_number(v) for v in np.ravel(values).tolist())
    return (
        f"      {name}: !!opencv-matrix\n"
        f"         rows: {rows}\n         cols: {columns}\n         dt: d\n         "
        f"data: [ {data} ]\n"
    )


def _number(value: float) -> str:
    """The shortest text that reads back to the bit, with the point that OpenCV tells real numbers
    by.
    """
    text = repr(value)
    mantissa, exponent = text.partition("e")[::2]
    return text if "." in mantissa or not exponent else f"{mantissa}.0e{exponent}"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in escaped) + '"'
