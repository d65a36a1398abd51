"""What every export needs: the unit and the axes of its world, poses and their uncertainty in it,
and names that are safe as file names.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from calib.core.fields import wand_table
from calib.core.geometry import Array
from calib.core.rig import Rig, RigCamera
from calib.core.wand import Wand
from calib.errors import require_one_of

UNITS = {"mm": 1.0, "m": 1e-3}
# From the axis that points up in the rig file to the one that does in the export: rows are the
# export's axes in the rig's, a quarter turn about x.
TURNS = {
    ("Z", "Y"): np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]),
    ("Y", "Z"): np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]),
}
AXES = {("Z", "Y"): "x z -y", ("Y", "Z"): "x -z y"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The world of an export: its unit, the axis that points up in it, and the one that does in the
    rig file; and in words which rig file it is of.
    """

    unit: str = "mm"
    up: str = "Z"
    up_in_rig: str = "Z"
    source: str = ""

    def __post_init__(self) -> None:
        known = {"unit": UNITS, "up": ("Y", "Z"), "up_in_rig": ("Y", "Z")}
        for name, values in known.items():
            require_one_of(name, getattr(self, name), values)

    @classmethod
    def of(cls, rig: Rig, unit: str = "mm", up: str | None = None, source: str = "") -> Target:
        """Return the target for a rig: by default with the axes of its file.

        Where no alignment says which of them points up, z counts as that.
        """
        up_in_rig = str((rig.alignment or {}).get("up", "z")).upper()
        return cls(unit=unit, up=up or up_in_rig, up_in_rig=up_in_rig, source=source)

    @property
    def scale(self) -> float:
        """Of this unit in a millimetre."""
        return UNITS[self.unit]

    @property
    def turn(self) -> Array:
        """The rotation (3, 3) from the rig file's world to this one."""
        return TURNS.get((self.up_in_rig, self.up), np.eye(3))

    @property
    def axes(self) -> str:
        """This world's axes in those of the rig file, "x y z" where they are the same."""
        return AXES.get((self.up_in_rig, self.up), "x y z")

    def cam_from_world(self, camera: RigCamera) -> tuple[Array, Array]:
        """Return R (3, 3) and t (3,) of ``x_cam = R x_world + t``."""
        pose = camera.cam_from_world
        return pose.R @ self.turn.T, self.scale * pose.t_mm

    def position(self, camera: RigCamera) -> Array:
        """Return where the camera is (3,)."""
        return self.scale * (self.turn @ camera.position_mm)

    def pose_covariance(self, rig: Rig, camera: RigCamera) -> Array | None:
        """Return the covariance (6, 6) of position and of a small turn of the camera (radian), both
        along this world's axes; None where not known.

        With a turn w on the left of cam_from_world, world_from_cam is ``exp(-R_world_cam w)
        R_world_cam``: the same camera turned by ``-R_world_cam w`` in the world.
        """
        if rig.covariance is None or not camera.is_placed:
            return None
        block = rig.covariance.pose_block(camera.name)
        if block is None:
            return None
        J = np.zeros((6, 6))
        J[:3, :3] = self.scale * self.turn
        J[3:, 3:] = -self.turn @ camera.cam_from_world.R.T
        return J @ block @ J.T

    def wand(self, wand: Wand) -> dict[str, Any]:
        """Return a wand with the keys of a wand file, lengths in this unit."""
        return wand_table(wand, self.unit, self.scale)

    def head(self, rig: Rig) -> str:
        """Return the same as comments of a text file, a line each."""
        return "".join(f"# {one_line(line)}\n" for line in self.sentences(rig))

    def sentences(self, rig: Rig) -> list[str]:
        """Return what a file says of itself before its numbers."""
        return [
            *([f"Rig: {self.source}"] if self.source else []),
            f"World: lengths in {self.unit}; its x, y, z are {self.axes} of the rig file.",
            f"{self.up} points up."
            if rig.alignment
            else "Not aligned: the rig's axes are as its solve left them.",
        ]


def sensor_table(camera: RigCamera) -> dict[str, Any]:
    """Return a camera's sensor and lens in px, distortion in OpenCV's order, as JSON holds them."""
    lens = camera.lens
    size = {"width": int(camera.width), "height": int(camera.height)}
    return (
        size
        | {k: getattr(lens, k) for k in ("fx", "fy", "cx", "cy")}
        | {"dist": lens.dist.tolist()}
    )


def quaternion_xyzw(R: Array) -> list[float]:
    """Return the unit quaternion x, y, z, w of a rotation matrix (3, 3), w not negative.

    >>> quaternion_xyzw(np.diag([1.0, -1.0, -1.0]))
    [1.0, 0.0, 0.0, 0.0]
    """
    q = Rotation.from_matrix(R).as_quat()
    return [float(v) + 0.0 for v in (-q if q[3] < 0 else q)]


def one_line(text: str) -> str:
    """Return a text as a comment may hold it: on one line, nothing that does not print.

    >>> one_line("a\\n- b")
    'a?- b'
    """
    return "".join(c if c.isprintable() else "?" for c in text)


def safe_names(names: Iterable[str], taken: Collection[str] = ()) -> list[str]:
    """Return names of ASCII letters, digits and ``_`` alone, each once and none of ``taken``,
    whatever the case of letters: safe as file names and as names that other programs allow.

    >>> safe_names(["cam 1", "../etc", "cam_1", "CAM_1"])
    ['cam_1', '___etc', 'cam_1_2', 'CAM_1_3']
    """
    used = {name.casefold() for name in taken}
    out = []
    for name in names:
        base = candidate = re.sub(r"[^A-Za-z0-9_]", "_", name) or "_"
        n = 1
        while candidate.casefold() in used:
            n += 1
            candidate = f"{base}_{n}"
        used.add(candidate.casefold())
        out.append(candidate)
    return out
