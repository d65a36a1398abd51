"""The rig as a COLMAP model in text: ``cameras.txt``, ``images.txt`` and an empty ``points3D.txt``.

Source: COLMAP's documentation of its output format and camera models (camera from world, quaternion
w, x, y, z; OPENCV and FULL_OPENCV; the centre of the top-left pixel is (0.5, 0.5)).
"""

from __future__ import annotations

import numpy as np

from calib.core.camera import Lens
from calib.core.rig import Rig
from calib.export.target import Target, one_line, quaternion_xyzw, safe_names


def rig_as_colmap(rig: Rig, target: Target) -> dict[str, str]:
    """Return the files, by name: each camera is a camera and an image of its own.

    An image bears its camera's name, written with ``_`` for what is no letter, digit or ``_``, as
    COLMAP takes it for a path.
    """
    head = target.head(rig)
    cameras, images, renamed = [], [], []
    for i, (camera, name) in enumerate(zip(rig.cameras, safe_names(rig.names), strict=True), 1):
        model, parameters = _model(camera.lens)
        cameras.append(
            " ".join(map(str, [i, model, int(camera.width), int(camera.height), *parameters]))
        )
        R, t = target.cam_from_world(camera)
        x, y, z, w = quaternion_xyzw(R)
        images.append(" ".join(map(str, [i, w, x, y, z, *t.tolist(), i, name])))
        renamed += [f"# {name}: {one_line(camera.name)}\n"] if name != camera.name else []
    names = "# Names of the rig file, where they differ:\n" + "".join(renamed) if renamed else ""
    return {
        "cameras.txt": f"{head}# CAMERA_ID, MODEL, WIDTH, HEIGHT, PARAMS[]\n"
        + "".join(f"{line}\n" for line in cameras),
        # Every second line lists an image's 2D points; a rig has none.
        "images.txt": f"{head}{names}# IMAGE_ID, QW, QX, QY, QZ, TX, TY, TZ, CAMERA_ID, NAME\n"
        "# POINTS2D[] as (X, Y, POINT3D_ID)\n" + "".join(f"{line}\n\n" for line in images),
        "points3D.txt": "# POINT3D_ID, X, Y, Z, R, G, B, ERROR, TRACK[]: none\n",
    }


def _model(lens: Lens) -> tuple[str, list[float]]:
    """Return COLMAP's name of a lens' model and its parameters, in COLMAP's order."""
    fx, fy, cx, cy, *dist = lens.vector.tolist()
    plain = [fx, fy, cx + 0.5, cy + 0.5]
    if not np.any(dist[4:]):
        return "OPENCV", [*plain, *dist[:4]]
    return "FULL_OPENCV", [*plain, *dist]
