"""Where the cameras stand, where they look and the lenses they have: the true rig.

The world has z up and its origin on the floor in the middle of the volume.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.camera import Lens, undistort
from calib.core.geometry import Array, Pose, rotation_from_vector
from calib.core.rig import RigCamera
from calib.simulate.scenario import Knock, Scenario

FLOOR_GAP_MM = 200.0  # the wave keeps this far above the floor
# share by which k3 moves the sensor's corner, at most: with it the slope there is still above 0.3
MOST_K3 = 0.03
STRETCH_MM = 8000.0  # of a long rig, what one camera is meant to look after


def volume_mm(scenario: Scenario) -> Array:
    """Return the waved volume (2, 3): its lowest and highest corner."""
    n = scenario.n_cameras
    size = scenario.size_mm
    if size is None:
        # A larger room for more cameras, up to 14 m.
        grow = float(np.clip(np.sqrt(n / 10), 0.6, 2.3))
        size = {
            "room": (6000.0 * grow, 5000.0 * grow, 2200.0),
            "corridor": (max(4000.0, 1500.0 * n), 3000.0, 2200.0),
            "row": (max(3000.0, 1000.0 * n), 3000.0, 2200.0),
            "dome": (3000.0, 3000.0, 2200.0),
        }[scenario.layout]
    x, y, z = size
    return np.array([[-x / 2, -y / 2, min(FLOOR_GAP_MM, z / 4)], [x / 2, y / 2, z]])


def sample_points(scenario: Scenario, n: int, rng: np.random.Generator) -> Array:
    """Return n test points (n, 3) in mm, spread evenly over the scenario's volume."""
    low, high = volume_mm(scenario)
    return rng.uniform(low, high, (n, 3))


def true_cameras(scenario: Scenario) -> tuple[RigCamera, ...]:
    """Return the cameras as they truly stand at the first frame."""
    position, target = _stands(scenario)
    cameras = []
    for i, name in enumerate(scenario.names):
        pose = _look_at(
            position[i], target[i], scenario.rng("roll", i, of_wave=False), scenario.roll_deg
        )
        lens = _lens(scenario, pose, target[i], i)
        camera = RigCamera(name, scenario.width, scenario.height, lens, pose)
        if not np.isfinite(image_plane_reach(camera)):
            # All its terms pull alike, and it folds within a corner: no lens without k3 does.
            camera = replace(
                camera, lens=replace(lens, dist=lens.dist * (np.arange(len(lens.dist)) != 4))
            )
        cameras.append(camera)
    return tuple(cameras)


def knocked(camera: RigCamera, knock: Knock, rng: np.random.Generator) -> RigCamera:
    """Return the camera after the knock: turned about its own centre, shifted, zoomed."""
    axis, way = rng.normal(size=(2, 3))
    turn = rotation_from_vector(np.radians(knock.rotation_deg) * axis / np.linalg.norm(axis))
    R = turn @ camera.cam_from_world.R
    position = camera.position_mm + knock.translation_mm * way / np.linalg.norm(way)
    lens, zoom = camera.lens, 1.0 + knock.focal_change
    return replace(
        camera,
        cam_from_world=Pose(R, -R @ position),
        lens=Lens(lens.fx * zoom, lens.fy * zoom, lens.cx, lens.cy, lens.dist),
    )


def image_plane_reach(camera: RigCamera) -> float:
    """Return the largest distance from the axis, on the plane z = 1, that the sensor's border looks
    at.

    Beyond it the distortion may fold back on to the sensor, which a real lens does not do.
    """
    u, v = np.linspace(0, camera.width - 1, 21), np.linspace(0, camera.height - 1, 21)
    border = [
        np.stack(np.broadcast_arrays(a, b), -1) for a, b in ((u, 0), (u, v[-1]), (0, v), (u[-1], v))
    ]
    return float(np.linalg.norm(undistort(camera.lens, np.concatenate(border)), axis=1).max())


def _stands(s: Scenario) -> tuple[Array, Array]:
    """Return camera positions (n, 3) and the points they aim at (n, 3)."""
    n, rng = s.n_cameras, s.rng("stands", of_wave=False)
    low, high = volume_mm(s)
    length, width, _ = high - low
    share = (np.arange(n) + 0.5 + rng.uniform(-0.25, 0.25, n)) / n
    height = rng.uniform(2300, 3500, n)
    aim_z = rng.uniform(800, 1200, n)
    if s.layout == "room":
        # Along the walls, which stand 1 to 1.6 m outside the volume; aimed a little past the
        # middle.
        x, y = _along_rectangle(share, length / 2 + 1000, width / 2 + 1000)
        out = rng.uniform(1.0, 1.1, n)
        position = np.stack([x * out, y * out, height], -1)
        target = np.stack(
            [rng.normal(-0.05 * x, 0.06 * length), rng.normal(-0.05 * y, 0.06 * width), aim_z], -1
        )
        reach = np.linalg.norm(target[:, :2] - position[:, :2], axis=1)
        # In a hall wider than the strobes reach each camera looks after the part in front of it.
        near = np.minimum(1.0, 0.6 * s.range_mm / reach)[:, None]
        target[:, :2] = position[:, :2] + near * (target[:, :2] - position[:, :2])
    elif s.layout == "corridor":
        # On alternate walls, looking slantwise along the aisle, two up and two down; the ends look
        # inward.
        x = low[0] + share * length
        side = np.where(np.arange(n) % 2, 1.0, -1.0)
        way = np.where(np.arange(n) % 4 < 2, 1.0, -1.0)
        way = np.where(x > high[0] - 3000, -1.0, np.where(x < low[0] + 3000, 1.0, way))
        position = np.stack([x, side * (width / 2 + rng.uniform(300, 600, n)), height], -1)
        ahead = rng.uniform(2800, 3600, n)
        target = np.stack([x + way * ahead, -side * rng.uniform(0, 0.25, n) * width, aim_z], -1)
    elif s.layout == "row":
        x = low[0] + share * length
        position = np.stack([x, low[1] - rng.uniform(1800, 2400, n), height], -1)
        # Turned a little towards the middle of the row, as one would to gain intersection angles.
        target = np.stack([0.8 * x + rng.normal(0, 300, n), rng.normal(0, 200, n), aim_z], -1)
    else:
        # Even over the hemisphere above knee height: the golden angle spaces the azimuths.
        z = 0.12 + 0.85 * share
        azimuth = np.arange(n) * np.pi * (3 - np.sqrt(5)) + rng.normal(0, 0.1, n)
        radius = (np.hypot(length, width) / 2 + 2200) * rng.uniform(0.95, 1.05, n)
        flat = np.sqrt(1 - z**2)
        position = radius[:, None] * np.stack(
            [flat * np.cos(azimuth), flat * np.sin(azimuth), z], -1
        )
        target = np.stack([*rng.normal(0, 200, (2, n)), aim_z], -1)
    return position, target


def _along_rectangle(share: Array, half_x: float, half_y: float) -> tuple[Array, Array]:
    """Return x and y at ``share`` (n,) of the way round a rectangle."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * [half_x, half_y]
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
    x, y = (np.interp(share * way[-1], way, corners[:, k]) for k in (0, 1))
    return x, y


def _look_at(position: Array, target: Array, rng: np.random.Generator, roll_deg: float) -> Pose:
    """Return cam_from_world of a camera that looks at ``target``, upright but for a random roll."""
    forward = (target - position) / np.linalg.norm(target - position)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    upright = np.stack([right, np.cross(forward, right), forward])
    roll = np.radians(rng.uniform(-roll_deg, roll_deg))
    R = rotation_from_vector(np.array([0, 0, roll])) @ upright
    return Pose(R, -R @ position)


def _lens(s: Scenario, pose: Pose, target: Array, index: int) -> Lens:
    """Return a lens zoomed so that most of what the camera can reach of the volume lies on the
    sensor.
    """
    rng = s.rng("lens", index, of_wave=False)
    points = sample_points(s, 2000, rng)
    if s.layout in {"corridor", "row"}:  # a stretch of the length, not all of it
        points = points[np.abs(points[:, 0] - target[0]) < STRETCH_MM / 2]
    points = pose.apply(points)
    points = points[(points[:, 2] > 300) & (np.linalg.norm(points, axis=1) < s.range_mm)]
    half = np.array([s.width, s.height]) / 2
    shortest, longest = np.array(s.focal_range_mm) / s.pixel_pitch_mm
    focal = longest
    if len(points):
        spread = np.quantile(np.abs(points[:, :2] / points[:, 2:]), 0.8, axis=0)
        fills = (half / np.maximum(spread, 1e-6)).min() * rng.uniform(0.95, 1.05)
        focal = float(np.clip(fills, shortest, longest))
    cx, cy = half - 0.5 + rng.uniform(-1, 1, 2) * s.principal_offset_px
    # Drawn as a share of the radius a little beyond the sensor's corner, which barrel distortion
    # widens by up to a fifth, and small enough to stay monotonic: for c1 and c2 of k1 and k2 the
    # slope is 1 + 3 c1 + 5 c2, above 0.6, and with the denominator's c4 to c6 still above 0.4.
    corner = 1.2 * np.linalg.norm(half) / focal
    draw = rng.uniform([-0.10, -0.015, -0.03, -0.01, -0.003], [0.01, 0.015, 0.03, 0.01, 0.003])
    k1, k2, k4, k5, k6 = draw / corner ** np.array([2, 4, 2, 4, 6])
    k3 = rng.uniform(-1, 1) * min(s.k3_limit, MOST_K3 / (corner / 1.2) ** 6)
    p1, p2 = rng.uniform(-s.decentring, s.decentring, 2)
    aspect = 1.0 + rng.uniform(-s.aspect_error, s.aspect_error)
    has = set(s.lens_terms)
    if s.only_real and s.names[index] not in s.only_real:
        has -= {"k3", "tangential", "aspect"}
    dist = [
        k1 * ("k1" in has),
        k2 * ("k2" in has),
        *(np.array([p1, p2]) * ("tangential" in has)),
        k3 * ("k3" in has),
    ]
    if "rational" in has:
        dist += [k4, k5, k6]
    fy = focal * aspect if "aspect" in has else focal
    return Lens(focal, fy, cx, cy, np.array(dist) + 0.0)  # no -0.0
