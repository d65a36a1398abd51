"""The rig as a glTF 2.0 scene, to look at and to place in other scenes: a camera node and a small
wire pyramid for each camera.

A glTF camera has no principal point and no distortion; ``extras`` hold them, and the wand and the
uncertainties. Source: the glTF 2.0 specification (metre, y up, right-handed; cameras look along -z
with +y up; node rotation is the quaternion x, y, z, w; yfov in radian; extras).
"""

from __future__ import annotations

import base64
import json
import math
import struct
from typing import Any

import numpy as np

from calib.core.rig import Rig, RigCamera
from calib.export.target import Target, quaternion_xyzw, sensor_table

# From a glTF camera (x right, y up, z backward) to ours (x right, y down, z forward).
_CAM_FROM_GLTF = np.diag([1.0, -1.0, -1.0])
_NEAR_M = 0.05
_PYRAMID_M = 0.25  # how far its base lies before the camera: to be seen in a room, not in the way
_CORNERS = np.array([[0, 0, 0], [-1, -1, -1], [1, -1, -1], [1, 1, -1], [-1, 1, -1]], "<f4")
_EDGES = np.array([[0, 1], [0, 2], [0, 3], [0, 4], [1, 2], [2, 3], [3, 4], [4, 1]], "<u2")


def rig_as_gltf(rig: Rig, target: Target) -> dict[str, Any]:
    """Return the scene as a table that JSON can hold."""
    nodes: list[dict[str, Any]] = []
    for i, camera in enumerate(rig.cameras):
        R, _ = target.cam_from_world(camera)
        nodes.append(
            {
                "name": camera.name,
                "camera": i,
                "translation": target.position(camera).tolist(),
                "rotation": quaternion_xyzw(R.T @ _CAM_FROM_GLTF),
                "children": [len(rig.cameras) + i],
                "extras": _pose_extras(rig, camera, target),
            }
        )
    nodes += [
        {"name": f"{camera.name}: view", "mesh": 0, "scale": _pyramid_scale(camera)}
        for camera in rig.cameras
    ]
    return {
        "asset": {"version": "2.0", "generator": "calib"},
        "extras": {
            "note": target.sentences(rig),
            "wand": target.wand(rig.wand),
            "wand_used": target.wand(rig.wand_used),
        },
        "scene": 0,
        "scenes": [{"name": "rig", "nodes": list(range(len(rig.cameras)))}],
        "nodes": nodes,
        "cameras": [_camera(camera) for camera in rig.cameras],
        **_pyramid(),
    }


def as_glb(scene: dict[str, Any]) -> bytes:
    """Return a scene as a binary glTF file (the specification's GLB: a header, then scene
    and buffer as chunks, each filled up to words of four bytes).
    """
    (buffer,) = scene["buffers"]
    data = base64.b64decode(buffer["uri"].partition(",")[2])
    inside = scene | {"buffers": [{k: v for k, v in buffer.items() if k != "uri"}]}
    body = b""
    for kind, chunk, filler in (
        (b"JSON", json.dumps(inside, ensure_ascii=False).encode("utf-8"), b" "),
        (b"BIN\0", data, b"\0"),
    ):
        filled = chunk + filler * (-len(chunk) % 4)
        body += struct.pack("<I4s", len(filled), kind) + filled
    return struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body


def _camera(camera: RigCamera) -> dict[str, Any]:
    lens, width, height = camera.lens, camera.width, camera.height
    return {
        "name": camera.name,
        "type": "perspective",
        "perspective": {
            "yfov": 2.0 * math.atan(height / (2.0 * lens.fy)),
            "aspectRatio": width * lens.fy / (height * lens.fx),
            "znear": _NEAR_M,
        },
        "extras": {
            **sensor_table(camera),
            "note": "px, y down, top-left pixel's centre (0, 0); dist in OpenCV's order",
        },
    }


def _pose_extras(rig: Rig, camera: RigCamera, target: Target) -> dict[str, Any]:
    covariance = target.pose_covariance(rig, camera)
    if covariance is None:
        return {"covariance": None}
    return {
        "covariance": covariance.tolist(),
        "note": "position x, y, z (m), then turns about the world's x, y, z (rad)",
    }


def _pyramid_scale(camera: RigCamera) -> list[float]:
    lens = camera.lens
    half = 0.5 * camera.width / lens.fx, 0.5 * camera.height / lens.fy
    return [_PYRAMID_M * half[0], _PYRAMID_M * half[1], _PYRAMID_M]


def _pyramid() -> dict[str, Any]:
    """Return the mesh that all cameras share: edges of a pyramid with its apex at the camera."""
    corners, edges = _CORNERS.tobytes(), _EDGES.tobytes()
    data = base64.b64encode(corners + edges).decode("ascii")
    # Numbers of the specification.
    is_float, is_short, lines, of_vertices, of_indices = 5126, 5123, 1, 34962, 34963
    return {
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1, "mode": lines}]}],
        "accessors": [
            {
                "bufferView": 0,
                "componentType": is_float,
                "count": len(_CORNERS),
                "type": "VEC3",
                "min": _CORNERS.min(axis=0).tolist(),
                "max": _CORNERS.max(axis=0).tolist(),
            },
            {"bufferView": 1, "componentType": is_short, "count": _EDGES.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(corners), "target": of_vertices},
            {
                "buffer": 0,
                "byteOffset": len(corners),
                "byteLength": len(edges),
                "target": of_indices,
            },
        ],
        "buffers": [
            {
                "byteLength": len(corners) + len(edges),
                "uri": f"data:application/octet-stream;base64,{data}",
            }
        ],
    }
