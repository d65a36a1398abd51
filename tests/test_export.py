"""Exports: JSON as documented, and YAML that OpenCV's own reader takes back."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from calib.core.camera import Lens, project
from calib.core.geometry import Pose, rotation_from_vector
from calib.core.parameters import of_cameras
from calib.core.rig import CameraStats, Covariance, Rig, RigCamera
from calib.core.wand import Wand
from calib.export.json import rig_as_dict
from calib.export.opencv import rig_as_opencv_yaml

# Names that YAML or a reader could trip over.
NAMES = ("cam01", "1", "north east", 'a "b" \\ c', "- x: #y", "Süd 2")


def make_rig(seed: int) -> Rig:
    rng = np.random.default_rng(seed)
    cameras = []
    for i, name in enumerate(NAMES):
        dist = rng.normal(size=8 if i % 2 else 5) * np.geomspace(1e-1, 1e-17, 8 if i % 2 else 5)
        lens = Lens(*rng.uniform(500, 2000, 4), dist)
        pose = Pose(
            rotation_from_vector(rng.normal(size=3)),
            rng.normal(size=3) * 10.0 ** rng.integers(-8, 8),
        )
        stats = CameraStats(1000 + i, 3, 0.12 + i, 0.1, 0.2, 0.1, (0.0, 0.01), 0.5) if i else None
        cameras.append(RigCamera(name, 2048, 1088, lens, pose, stats))
    wand = Wand("bar", ("p", "q"), np.array([[0.0, 0, 0], [400, 0, 0]]))
    return Rig(tuple(cameras), wand, wand)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_opencv_reads_its_yaml_back_to_the_bit(seed: int) -> None:
    """Against cv2.FileStorage."""
    rig = make_rig(seed)
    text = rig_as_opencv_yaml(rig)
    storage = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    assert storage.getNode("unit").string() == "mm"
    nodes = storage.getNode("cameras")
    assert nodes.size() == len(rig.cameras)
    for i, camera in enumerate(rig.cameras):
        node = nodes.at(i)
        assert node.getNode("name").string() == camera.name
        assert (
            node.getNode("image_width").real() == 2048
            and node.getNode("image_height").real() == 1088
        )
        assert np.array_equal(node.getNode("camera_matrix").mat(), camera.lens.K)
        assert np.array_equal(node.getNode("distortion_coefficients").mat(), camera.lens.dist[None])
        assert np.array_equal(node.getNode("R").mat(), camera.cam_from_world.R)
        assert np.array_equal(node.getNode("t").mat(), camera.cam_from_world.t_mm[:, None])
    storage.release()


def test_opencv_projects_with_the_exported_numbers_as_calib_does() -> None:
    """Against cv2.projectPoints, which takes R and t as x_cam = R x_world + t."""
    lens = Lens(1200.0, 1201.0, 1020.0, 540.0, np.array([-0.1, 0.02, 1e-3, -1e-3, 0.0]))
    pose = Pose(rotation_from_vector(np.array([0.2, -0.4, 0.1])), np.array([100.0, -50.0, 4000.0]))
    wand = Wand("bar", ("p", "q"), np.array([[0.0, 0, 0], [400, 0, 0]]))
    text = rig_as_opencv_yaml(Rig((RigCamera("cam01", 2048, 1088, lens, pose),), wand, wand))
    storage = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    node = storage.getNode("cameras").at(0)
    K, dist, R, t = (
        node.getNode(key).mat() for key in ("camera_matrix", "distortion_coefficients", "R", "t")
    )
    world = np.random.default_rng(4).uniform(-800, 800, (50, 3))
    theirs = cv2.projectPoints(world, cv2.Rodrigues(R)[0], t, K, dist)[0].reshape(-1, 2)
    # Rodrigues to a vector and back costs some 1e-16 of rotation, times a focal length of 1200 px.
    assert np.abs(theirs - project(lens, pose.apply(world))).max() < 1e-9


def test_json_has_its_keys_and_values() -> None:
    rig = make_rig(7)
    document = json.loads(json.dumps(rig_as_dict(rig), allow_nan=False))
    assert {k: v for k, v in document.items() if k != "cameras"} == {
        "format": "calib.rig",
        "version": 1,
        "unit": "mm",
    }
    for camera, out in zip(rig.cameras, document["cameras"], strict=True):
        assert list(out) == [
            *("name", "width", "height", "fx", "fy", "cx", "cy", "dist", "R", "t"),
            *("position_mm", "sigma_position_mm", "sigma_rotation_deg", "points", "rms_px"),
        ]
        assert (out["name"], out["width"], out["height"]) == (camera.name, 2048, 1088)
        assert [out[k] for k in ("fx", "fy", "cx", "cy")] == camera.lens.vector[:4].tolist()
        assert out["dist"] == camera.lens.dist.tolist()
        R, t, position = (np.array(out[k]) for k in ("R", "t", "position_mm"))
        assert np.array_equal(R, camera.cam_from_world.R) and np.array_equal(
            t, camera.cam_from_world.t_mm
        )
        # The camera's centre is where x_cam = 0; rounding scales with |t|.
        assert np.abs(R @ position + t).max() <= 1e-14 * np.abs(t).max()
        assert out["points"] == (camera.stats.points if camera.stats else None)
        assert out["rms_px"] == (camera.stats.rms_px if camera.stats else None)


def test_json_states_sigmas_of_the_covariance_and_null_where_not_known() -> None:
    rig = make_rig(8)
    poses = of_cameras(["cam01"], ())
    sigma = np.array([1e-4, 2e-4, 3e-4, 0.1, 0.2, 0.3])
    known = Rig(rig.cameras, rig.wand, rig.wand, Covariance(poses, np.diag(sigma**2)))
    first, second, *_ = rig_as_dict(known)["cameras"]
    # Exact but for the rounding of a square and its root.
    assert first["sigma_position_mm"] == pytest.approx([0.1, 0.2, 0.3], rel=1e-15)
    assert first["sigma_rotation_deg"] == pytest.approx(
        np.degrees([1e-4, 2e-4, 3e-4]).tolist(), rel=1e-15
    )
    assert second["sigma_position_mm"] == second["sigma_rotation_deg"] == [None] * 3
    assert rig_as_dict(rig)["cameras"][0]["sigma_position_mm"] == [None] * 3
