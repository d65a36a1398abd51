"""The rig as a person standing in it would draw it: up is up, metres, cameras as frusta."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.camera import undistort
from calib.core.geometry import Array
from calib.core.rig import Rig, RigCamera

LEVEL = 0.15  # spread of the cameras' own horizontals along up, against the next: more is no level
UP = {"x": (1, 2, 0), "y": (2, 0, 1), "z": (0, 1, 2)}  # axes across, along and up, right-handed


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """The space in which a rig is drawn, in metres: ``x = R @ (x_world_mm - origin_mm) / 1000``.

    Of an aligned rig it is the rig's world with its up axis as z, and the floor is at 0. Otherwise
    up is found from the cameras, which mostly hang level, and the floor is where the lowest place
    of the wave was. ``axes`` are the titles of x, y and z.
    """

    R: Array
    origin_mm: Array
    is_aligned: bool
    floor_m: float
    axes: tuple[str, str, str]

    def place(self, points_mm: Array) -> Array:
        """Return points (..., 3) of the rig's world on the stage, in m."""
        return (np.asarray(points_mm) - self.origin_mm) @ self.R.T / 1000.0

    def turn(self, vectors: Array) -> Array:
        """Return directions (..., 3) of the rig's world on the stage, their lengths kept."""
        return np.asarray(vectors) @ self.R.T


def stage_of(rig: Rig, places_mm: Array | None = None) -> Stage:
    """Return the stage for a rig and the places (n, 3) in its world where the wand was, by default
    those of its own wave.
    """
    places = rig.wave_mm if places_mm is None else places_mm
    cameras = np.array([c.position_mm for c in rig.cameras])
    if rig.alignment is not None:
        order = UP[str(rig.alignment.get("up", "z")).lower()]
        R = np.eye(3)[list(order)]
        x, y, z = ("xyz"[k] for k in order)
        return Stage(R, np.zeros(3), True, 0.0, (f"{x} (m)", f"{y} (m)", f"{z}, up (m)"))
    up = _up(rig)
    flat = cameras - cameras.mean(axis=0)
    flat = flat - np.outer(flat @ up, up)
    across = np.linalg.svd(flat, full_matrices=False)[2][0]
    across -= (across @ up) * up
    across /= np.linalg.norm(across)
    R = np.stack([across, np.cross(up, across), up])
    every = cameras if not len(places) else places
    origin = cameras.mean(axis=0)
    origin = origin + up * float(np.min((every - origin) @ up))
    return Stage(R, origin, False, 0.0, ("along (m)", "across (m)", "up (m)"))


def _up(rig: Rig) -> Array:
    """Return the direction (3,) in the world that is up by the cameras: the one to which their
    images' rows are square, or where these leave it open the mean of their own up.
    """
    own = -np.mean([c.cam_from_world.R[1] for c in rig.cameras], axis=0)
    rows = np.array([c.cam_from_world.R[0] for c in rig.cameras])
    values, vectors = np.linalg.eigh(rows.T @ rows)
    up = vectors[:, 0] * np.sign(vectors[:, 0] @ own)
    if values[0] > LEVEL * values[1] or up @ own < 0.5 * np.linalg.norm(own):
        up = own
    return np.asarray(up / max(float(np.linalg.norm(up)), 1e-12))


def reach_m(stage: Stage, rig: Rig) -> float:
    """Return how large frusta are drawn: a tenth of the rig, or less where cameras stand close."""
    at = stage.place(np.array([c.position_mm for c in rig.cameras]))
    size = float(np.linalg.norm(np.ptp(at, axis=0)))
    apart = np.linalg.norm(at[:, None] - at[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    near = float(np.median(apart.min(axis=1))) if len(at) > 1 else size
    return float(np.clip(0.6 * near, 0.03 * size, 0.1 * size)) or 0.3


def frustum(stage: Stage, camera: RigCamera, reach: float) -> Array:
    """Return apex and the corners of what a camera sees, ``reach`` m away (5, 3): top left, top
    right, bottom right, bottom left of its image.
    """
    w, h = camera.width - 1.0, camera.height - 1.0
    with np.errstate(all="ignore"):
        xy = undistort(camera.lens, np.array([[0, 0], [w, 0], [w, h], [0, h]], float))
    K = camera.lens
    plain = np.array([[-K.cx, -K.cy], [w - K.cx, -K.cy], [w - K.cx, h - K.cy], [-K.cx, h - K.cy]])
    xy = np.where(np.isfinite(xy), xy, plain / [K.fx, K.fy])
    rays = np.column_stack([xy, np.ones(4)])
    rays *= reach / np.linalg.norm([np.abs(xy).mean(), 1.0])
    apex = stage.place(camera.position_mm)
    return np.vstack([apex, apex + stage.turn(rays @ camera.cam_from_world.R)])


def outline(corners: Array) -> Array:
    """Return a frustum (5, 3) as one path (k, 3), with a mark above the image's upper edge."""
    o, a, b, c, d = corners
    mark = (a + b) / 2 + 0.35 * ((a + b) / 2 - (c + d) / 2)
    return np.array([o, a, b, c, d, a, o, b, mark, a, o, c, o, d])
