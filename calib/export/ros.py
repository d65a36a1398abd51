"""The rig as ROS reads it: one camera_info YAML a camera, and all poses in ``transforms.yaml``.

Source: ROS packages camera_calibration_parsers (keys of the YAML), sensor_msgs/CameraInfo
(``plumb_bob``, ``rational_polynomial`` and the order of coefficients, P), geometry_msgs
(TransformStamped, quaternion x, y, z, w; PoseWithCovariance: x, y, z, turns about the fixed axes)
and REP 103 (metre; optical frames: z forward, x right, y down). Pixel centres are at whole numbers,
as in OpenCV, whose model and image functions ROS uses.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import Rig, RigCamera
from calib.export.target import Target, quaternion_xyzw, safe_names
from calib.export.text import number, quoted

MODELS = {5: "plumb_bob", 8: "rational_polynomial"}


def rig_as_ros(rig: Rig, target: Target) -> dict[str, str]:
    """Return the files, by name: ``<camera>.yaml`` for each camera and ``transforms.yaml``.

    Names that ROS would refuse are written with ``_``; ``transforms.yaml`` has the names of the
    rig beside them.
    """
    names = safe_names(rig.names, taken=["transforms"])
    head = target.head(rig)
    files = {
        f"{name}.yaml": head + _camera_info(camera, name)
        for name, camera in zip(names, rig.cameras, strict=True)
    }
    rows = [
        _transform(rig, camera, name, target)
        for name, camera in zip(names, rig.cameras, strict=True)
    ]
    files["transforms.yaml"] = (
        head + "# Transforms are where each camera's optical frame (x right, y down, z forward) "
        "lies in the world.\n"
        "# covariance: 6 x 6 by rows of x, y, z (m) and turns about the world's x, y, z (rad).\n"
        "transforms:\n" + "".join(rows)
    )
    return files


def _camera_info(camera: RigCamera, name: str) -> str:
    lens = camera.lens
    P = np.hstack([lens.K, np.zeros((3, 1))])
    return (
        f"image_width: {int(camera.width)}\n"
        f"image_height: {int(camera.height)}\n"
        f"camera_name: {quoted(name)}\n"
        + _matrix("camera_matrix", lens.K)
        + f"distortion_model: {MODELS[len(lens.dist)]}\n"
        + _matrix("distortion_coefficients", lens.dist[None])
        + _matrix("rectification_matrix", np.eye(3))
        + _matrix("projection_matrix", P)
    )


def _transform(rig: Rig, camera: RigCamera, name: str, target: Target) -> str:
    R, _ = target.cam_from_world(camera)
    rotation = zip("xyzw", quaternion_xyzw(R.T), strict=True)
    translation = zip("xyz", target.position(camera).tolist(), strict=True)
    covariance = target.pose_covariance(rig, camera)
    return (
        f"  - name: {quoted(camera.name)}\n"
        "    header: {frame_id: world}\n"
        f"    child_frame_id: {quoted(f'{name}_optical_frame')}\n"
        "    transform:\n"
        f"      translation: {_mapping(translation)}\n"
        f"      rotation: {_mapping(rotation)}\n"
        + ("" if covariance is None else f"    covariance: {_sequence(covariance)}\n")
    )


def _mapping(items: Iterable[tuple[str, float]]) -> str:
    return "{" + ", ".join(f"{key}: {number(value)}" for key, value in items) + "}"


def _sequence(values: Array) -> str:
    return f"[{', '.join(map(number, np.ravel(values).tolist()))}]"


def _matrix(key: str, values: Array) -> str:
    rows, columns = values.shape
    return f"{key}:\n  rows: {rows}\n  cols: {columns}\n  data: {_sequence(values)}\n"
