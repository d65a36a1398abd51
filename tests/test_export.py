"""Exports: JSON as documented, and every other format as a reader that is not ours takes it back,
with the same points projected through both.
"""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pycolmap
import pytest
import trimesh
import yaml
from scipy.spatial.transform import Rotation

from calib import files
from calib.core.camera import Lens, project
from calib.core.geometry import Pose, rotation_from_vector
from calib.core.parameters import CameraParameter, of_cameras
from calib.core.rig import CameraStats, Covariance, Rig, RigCamera
from calib.core.wand import Wand
from calib.errors import InputError, OutputError
from calib.export.colmap import rig_as_colmap
from calib.export.csv import rig_as_csv
from calib.export.gltf import rig_as_gltf
from calib.export.json import rig_as_dict
from calib.export.opencv import rig_as_opencv_yaml
from calib.export.ros import rig_as_ros
from calib.export.target import Target, safe_names
from calib.outputs import write_folder
from tests.program import Call, snapshot

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
        cameras.append(RigCamera(name, 2000, 1200, lens, pose, stats))
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
            node.getNode("image_width").real() == 2000
            and node.getNode("image_height").real() == 1200
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
    text = rig_as_opencv_yaml(Rig((RigCamera("cam01", 2000, 1200, lens, pose),), wand, wand))
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
    assert [document[k] for k in ("format", "version", "unit")] == ["calib.rig", 1, "mm"]
    assert document["wand"]["markers"] == {"p": [0.0, 0.0, 0.0], "q": [400.0, 0.0, 0.0]}
    for camera, out in zip(rig.cameras, document["cameras"], strict=True):
        assert list(out) == [
            *("name", "width", "height", "fx", "fy", "cx", "cy", "dist", "R", "t"),
            *("position_mm", "sigma_position_mm", "sigma_rotation_deg", "points", "rms_px"),
            *("faults", "covariance", "time_offset_frames", "sigma_time_offset_frames"),
        ]
        assert (out["name"], out["width"], out["height"]) == (camera.name, 2000, 1200)
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


# ---- the same points through every export

TARGETS = [
    Target(unit=unit, up=up, up_in_rig=was)
    for unit in ("mm", "m")
    for was, up in (("Z", "Z"), ("Z", "Y"), ("Y", "Z"))
]
METRE = [t for t in TARGETS if t.unit == "m"]


def looking_in(seed: int) -> tuple[Rig, np.ndarray]:
    """A rig around the origin with a joint covariance, and points that all its cameras see."""
    rng = np.random.default_rng(seed)
    cameras = []
    for i, name in enumerate(NAMES):
        dist = (
            rng.normal(size=8 if i % 2 else 5)
            * [0.1, 0.05, 1e-3, 1e-3, 0.01, *[0.01] * 3][: 8 if i % 2 else 5]
        )
        dist[4] = 0.0 if i == 2 else dist[4]  # what needs four coefficients alone
        lens = Lens(*rng.uniform([1500, 1500, 900, 500], [2000, 2000, 1100, 600]), dist)
        turn = rotation_from_vector(rng.normal(size=3))
        position = turn.T @ rng.uniform([-300, -300, -7000], [300, 300, -4000])
        cameras.append(RigCamera(name, 2000, 1200, lens, Pose(turn, -turn @ position)))
    poses = of_cameras(NAMES, ())  # of each, turn before position
    root = rng.normal(size=(len(poses),) * 2) * np.tile([1e-4] * 3 + [0.3] * 3, len(NAMES))
    wand = Wand("bar", ("p", "q"), np.array([[0.0, 0, 0], [400, 0, 0]]), 0.02)
    covariance = Covariance(poses, root.T @ root)
    points = rng.uniform(-900, 900, (60, 3))
    return Rig(tuple(cameras), wand, wand, covariance), points


def in_target(target: Target, points_mm: np.ndarray) -> np.ndarray:
    """Points of the rig's world in the export's: written out, so that a wrong turn shows."""
    x, y, z = points_mm.T * {"mm": 1.0, "m": 0.001}[target.unit]
    turned = {"ZZ": [x, y, z], "ZY": [x, z, -y], "YZ": [x, -z, y]}[target.up_in_rig + target.up]
    return np.stack(turned, axis=-1)


def of_opencv(K: Any, dist: Any, R: Any, t: Any, points: np.ndarray) -> np.ndarray:
    """cv2.projectPoints is the reference for every format that states OpenCV's model."""
    rotvec = Rotation.from_matrix(R).as_rotvec()
    return cv2.projectPoints(
        points, rotvec, np.array(t, dtype=float), np.array(K), np.array(dist, dtype=float)
    )[0].reshape(-1, 2)


def ours(camera: RigCamera, points_mm: np.ndarray) -> np.ndarray:
    uv = project(camera.lens, camera.cam_from_world.apply(points_mm))
    assert np.isfinite(uv).all()
    return uv


@pytest.mark.parametrize("target", TARGETS, ids=str)
def test_opencv_yaml_projects_as_the_rig_in_every_world(target: Target) -> None:
    rig, points = looking_in(1)
    storage = cv2.FileStorage(
        rig_as_opencv_yaml(rig, target), cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY
    )
    assert storage.getNode("unit").string() == target.unit
    wand = storage.getNode("wand")
    assert [wand.getNode("markers").at(i).string() for i in range(2)] == ["p", "q"]
    length = np.diff(wand.getNode("points").mat(), axis=0)
    assert np.linalg.norm(length) == pytest.approx(400 if target.unit == "mm" else 0.4)
    for i, camera in enumerate(rig.cameras):
        node = storage.getNode("cameras").at(i)
        numbers = [
            node.getNode(key).mat()
            for key in ("camera_matrix", "distortion_coefficients", "R", "t")
        ]
        theirs = of_opencv(*numbers, in_target(target, points))
        assert np.abs(theirs - ours(camera, points)).max() < 1e-6
        block = target.pose_covariance(rig, camera)
        assert block is not None and np.array_equal(node.getNode("covariance").mat(), block)


@pytest.mark.parametrize("target", TARGETS, ids=str)
def test_json_projects_as_the_rig_in_every_world(target: Target) -> None:
    rig, points = looking_in(2)
    document = json.loads(json.dumps(rig_as_dict(rig, target), allow_nan=False))
    assert document["unit"] == target.unit and target.unit in " ".join(document["note"])
    for camera, out in zip(rig.cameras, document["cameras"], strict=True):
        K = [[out["fx"], 0, out["cx"]], [0, out["fy"], out["cy"]], [0, 0, 1]]
        theirs = of_opencv(K, out["dist"], out["R"], out["t"], in_target(target, points))
        assert np.abs(theirs - ours(camera, points)).max() < 1e-6
        position = in_target(target, camera.position_mm[None])[0]
        assert out[f"position_{target.unit}"] == pytest.approx(position, rel=1e-12)


@pytest.mark.parametrize("target", TARGETS, ids=str)
def test_csv_is_one_row_a_camera_and_projects_as_the_rig(target: Target) -> None:
    rig, points = looking_in(3)
    rows = list(csv.DictReader(io.StringIO(rig_as_csv(rig, target))))
    assert [row["camera"] for row in rows] == list(NAMES)
    for camera, row in zip(rig.cameras, rows, strict=True):
        fx, fy, cx, cy = (float(row[f"{k}_px"]) for k in ("fx", "fy", "cx", "cy"))
        dist = [float(row[k]) for k in ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")]
        R = [[float(row[f"r{i}{j}"]) for j in (1, 2, 3)] for i in (1, 2, 3)]
        t = [float(row[f"t_{a}_{target.unit}"]) for a in "xyz"]
        K = [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]
        theirs = of_opencv(K, dist, R, t, in_target(target, points))
        assert np.abs(theirs - ours(camera, points)).max() < 1e-6
        assert row["axes"] == target.axes and row["points"] == ""
        sigma = [float(row[f"sigma_position_{a}_{target.unit}"]) for a in "xyz"]
        stated = in_target(target, rig.sigmas(camera.name)[0][None])[0]
        assert sigma == pytest.approx(np.abs(stated), rel=1e-9)


@pytest.mark.parametrize("target", METRE, ids=str)
def test_ros_yaml_has_the_published_keys_and_projects_as_the_rig(target: Target) -> None:
    """Read by PyYAML; keys as ROS' camera_calibration_parsers (parse_yml.cpp) looks for them,
    models and P as sensor_msgs/CameraInfo states, quaternion turned into a matrix by SciPy.
    """
    rig, points = looking_in(4)
    files = rig_as_ros(rig, target)
    transforms = yaml.safe_load(files.pop("transforms.yaml"))["transforms"]
    assert len(files) == len(rig.cameras) == len(transforms)
    for camera, (file, text), placed in zip(rig.cameras, files.items(), transforms, strict=True):
        info = yaml.safe_load(text)
        assert set(info) == {
            *("image_width", "image_height", "camera_name", "camera_matrix", "distortion_model"),
            *("distortion_coefficients", "rectification_matrix", "projection_matrix"),
        }
        assert (info["image_width"], info["image_height"]) == (2000, 1200)
        assert f"{info['camera_name']}.yaml" == file
        n = len(camera.lens.dist)
        assert info["distortion_model"] == {5: "plumb_bob", 8: "rational_polynomial"}[n]
        K, dist, rectification, P = (
            np.reshape(info[key]["data"], (info[key]["rows"], info[key]["cols"]))
            for key in (
                *("camera_matrix", "distortion_coefficients"),
                *("rectification_matrix", "projection_matrix"),
            )
        )
        assert np.array_equal(rectification, np.eye(3))
        assert np.array_equal(P, np.column_stack([K, np.zeros(3)]))
        assert placed["name"] == camera.name and placed["header"] == {"frame_id": "world"}
        assert placed["child_frame_id"] == f"{info['camera_name']}_optical_frame"
        at, turn = placed["transform"]["translation"], placed["transform"]["rotation"]
        position = np.array([at[a] for a in "xyz"])
        R = Rotation.from_quat([turn[a] for a in "xyzw"]).as_matrix().T
        theirs = of_opencv(K, dist, R, -R @ position, in_target(target, points))
        assert np.abs(theirs - ours(camera, points)).max() < 1e-6
        assert len(placed["covariance"]) == 36


@pytest.mark.parametrize("target", TARGETS, ids=str)
def test_colmap_reads_its_text_and_projects_as_the_rig(target: Target, tmp_path: Path) -> None:
    """Against pycolmap, whose pixel centres lie at half-integers."""
    rig, points = looking_in(5)
    for name, text in rig_as_colmap(rig, target).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    model = pycolmap.Reconstruction(tmp_path)
    assert len(model.cameras) == len(model.images) == len(rig.cameras)
    assert len(model.points3D) == 0
    models = set()
    for i, camera in enumerate(rig.cameras, 1):
        image = model.images[i]
        lens = model.cameras[image.camera_id]
        models.add(lens.model.name)
        assert (lens.width, lens.height) == (2000, 1200)
        seen = [image.project_point(p) for p in in_target(target, points)]
        assert np.abs(np.array(seen) - 0.5 - ours(camera, points)).max() < 1e-6
        position = in_target(target, camera.position_mm[None])[0]
        assert image.projection_center() == pytest.approx(position, rel=1e-9)
        assert image.name == safe_names(NAMES)[i - 1]
    assert models == {"OPENCV", "FULL_OPENCV"}


@pytest.mark.parametrize("target", METRE, ids=str)
def test_gltf_places_and_opens_the_cameras_as_the_rig(target: Target, tmp_path: Path) -> None:
    """Read by trimesh, which turns node rotations into matrices itself; the rules of the camera are
    section 3.10 of the glTF 2.0 specification.
    """
    rig, points = looking_in(6)
    document = json.loads(json.dumps(rig_as_gltf(rig, target), allow_nan=False))
    path = tmp_path / "rig.gltf"
    path.write_text(json.dumps(document), encoding="utf-8")
    scene = trimesh.load(path)
    for i, camera in enumerate(rig.cameras):
        node, lens = document["nodes"][i], document["cameras"][i]
        assert node["name"] == camera.name == lens["name"] and node["camera"] == i
        world_from_gltf, _ = scene.graph.get(camera.name)
        position = in_target(target, camera.position_mm[None])[0]
        assert world_from_gltf[:3, 3] == pytest.approx(position, rel=1e-12)
        x, y, z = ((in_target(target, points) - position) @ world_from_gltf[:3, :3]).T
        # Pinhole of the specification, y up, looking along -z; then the lens out of extras.
        assert (z < 0).all()
        shown, extra = lens["perspective"], lens["extras"]
        half_height = np.tan(shown["yfov"] / 2)
        half_width = half_height * shown["aspectRatio"]
        ndc = np.stack([x / -z / half_width, y / -z / half_height], axis=-1)
        pinhole = Lens(camera.lens.fx, camera.lens.fy, 0.0, 0.0, np.zeros(5))
        flat = project(pinhole, camera.cam_from_world.apply(points))
        assert np.abs(ndc * [1000, -600] - flat).max() < 1e-6
        K = [[extra["fx"], 0, extra["cx"]], [0, extra["fy"], extra["cy"]], [0, 0, 1]]
        to_cv = np.stack([x, -y, -z], axis=-1)
        theirs = of_opencv(K, extra["dist"], np.eye(3), np.zeros(3), to_cv)
        assert np.abs(theirs - ours(camera, points)).max() < 1e-6
    # The pyramids are drawn before each camera, within a metre of it.
    bounds = np.array([scene.graph.get(f"{n}: view")[0][:3, 3] for n in NAMES])
    assert bounds == pytest.approx(
        np.array([in_target(target, c.position_mm[None])[0] for c in rig.cameras]), rel=1e-12
    )
    assert all(len(g.vertices) == 5 for g in scene.geometry.values())


VALIDATE = """
const folder = process.argv[1], file = process.argv[2];
const bytes = new Uint8Array(require("fs").readFileSync(file));
require(folder).validateBytes(bytes, {uri: "rig.gltf"}).then(r => console.log(JSON.stringify(r)));
"""


@pytest.fixture(scope="module")
def validated() -> Callable[[Path], dict[str, Any]]:
    """Validate a glTF file by the specification's own validator (npm: gltf-validator)."""
    node = shutil.which("node")
    folder = Path(sys.prefix) / "node_modules" / "gltf-validator"
    if node is None or not folder.exists():
        pytest.skip(f"needs node and: npm install --prefix {sys.prefix} gltf-validator")

    def validate(path: Path) -> dict[str, Any]:
        command = [node, "-e", VALIDATE, str(folder), str(path)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        report: dict[str, Any] = json.loads(done.stdout)
        return report

    return validate


@pytest.mark.parametrize("target", METRE, ids=str)
def test_gltf_is_valid_and_places_cameras_where_the_rig_has_them(
    target: Target, tmp_path: Path, validated: Callable[[Path], dict[str, Any]]
) -> None:
    """By the validator of the specification's publisher: not one error, warning, information or
    hint; the cameras of nodes without a parent, so that a node's translation is its place.
    """
    rig, _ = looking_in(7)
    path = tmp_path / "rig.gltf"
    path.write_text(json.dumps(rig_as_gltf(rig, target)), encoding="utf-8")
    report = validated(path)
    assert report["issues"]["messages"] == []
    assert report["info"]["version"] == "2.0"
    document = json.loads(path.read_text(encoding="utf-8"))
    for i, camera in zip(document["scenes"][0]["nodes"], rig.cameras, strict=True):
        node = document["nodes"][i]
        position = in_target(target, camera.position_mm[None])[0]
        assert node["translation"] == pytest.approx(position, rel=1e-12)
        assert document["cameras"][node["camera"]]["name"] == camera.name


def test_a_glb_file_is_binary_and_holds_the_same_scene(call: Call, rig_file: Path) -> None:
    """Read by ``trimesh``, which goes by a file's ending, as viewers do."""
    made = [rig_file.parent / f"rig.{ending}" for ending in ("gltf", "glb", "GLB")]
    for out in made:
        assert call("export", rig_file, "--to", "gltf", "-o", out)[0] == 0
    assert made[1].stat().st_size % 4 == 0 and made[1].read_bytes() == made[2].read_bytes()
    text, binary = (trimesh.load_scene(path) for path in made[:2])
    assert len(binary.graph.nodes) == len(text.graph.nodes) > 3
    for name in text.graph.nodes:
        np.testing.assert_allclose(binary.graph.get(name)[0], text.graph.get(name)[0], rtol=1e-12)


def test_the_validator_finds_nothing_in_a_glb_file(
    call: Call, rig_file: Path, validated: Callable[[Path], dict[str, Any]]
) -> None:
    out = rig_file.parent / "rig.glb"
    call("export", rig_file, "--to", "gltf", "-o", out)
    assert validated(out)["issues"]["messages"] == []


def test_the_validator_sees_a_wrong_file(
    tmp_path: Path, validated: Callable[[Path], dict[str, Any]]
) -> None:
    document = rig_as_gltf(looking_in(7)[0], METRE[0])
    document["nodes"][0]["rotation"] = [0.0, 0.0, 0.0, 0.5]
    document["accessors"][0]["max"] = [0.5, 0.5, 0.5]
    path = tmp_path / "rig.gltf"
    path.write_text(json.dumps(document), encoding="utf-8")
    codes = {m["code"] for m in validated(path)["issues"]["messages"]}
    assert {"ROTATION_NON_UNIT", "ACCESSOR_MAX_MISMATCH"} <= codes


@pytest.mark.parametrize("target", TARGETS, ids=str)
def test_pose_covariance_is_of_the_poses_as_exported(target: Target) -> None:
    """Against the definition: draws of the labelled parameters, moved into the export one by one.

    With 40,000 draws an element's standard error is below 1 % of its standard deviations' product.
    """
    rig, _ = looking_in(7)
    camera = rig.cameras[3]
    block = target.pose_covariance(rig, camera)
    assert block is not None and rig.covariance is not None
    rng = np.random.default_rng(8)
    draws = rng.multivariate_normal(
        np.zeros(len(rig.covariance.parameters)), rig.covariance.matrix, 40_000, method="cholesky"
    )
    at = rig.covariance.row[CameraParameter(camera.name, "rotation_x")]
    turn, shift = draws[:, at : at + 3], draws[:, at + 3 : at + 6]
    R, _ = target.cam_from_world(camera)
    moved = Rotation.from_rotvec(turn) * Rotation.from_matrix(camera.cam_from_world.R)
    world = Rotation.from_matrix(
        in_target(replace(target, unit="mm"), np.eye(3))  # rows: the rig's axes in the export
    )
    # world_from_cam of the draw, in the export's axes, against the exported one.
    turned = (
        Rotation.from_matrix(world.as_matrix().T) * moved.inv() * Rotation.from_matrix(R)
    ).as_rotvec()
    sample = np.cov(np.hstack([in_target(target, shift), turned]).T)
    size = np.sqrt(np.outer(np.diag(block), np.diag(block)))
    assert np.abs((sample - block) / size).max() < 0.04


def test_an_unknown_unit_or_axis_is_refused() -> None:
    with pytest.raises(InputError, match="unit: expected one of mm, m, found 'km'"):
        Target(unit="km")
    with pytest.raises(InputError, match="up: expected one of Y, Z, found 'X'"):
        Target(up="X")


HOSTILE = ("../x", "/abs", "a\nb", "..", "", "C:\\x", "transforms", "cam\x00", "Cam", "cAM")


def test_safe_names_are_names_of_files_in_the_folder() -> None:
    names = safe_names(HOSTILE, taken=["transforms"])
    assert len({n.casefold() for n in names}) == len(HOSTILE)
    assert all(n.isascii() and n.replace("_", "a").isalnum() for n in names)
    assert "transforms" not in names


@pytest.mark.parametrize("export", [rig_as_ros, rig_as_colmap])
def test_a_cameras_name_cannot_leave_the_folder(export: Any, tmp_path: Path) -> None:
    rig, _ = looking_in(9)
    named = [n for n in HOSTILE if n and n.isprintable()]  # others no rig has
    cameras = tuple(
        RigCamera(n, c.width, c.height, c.lens, c.cam_from_world)
        for n, c in zip(named, (*rig.cameras, *rig.cameras), strict=False)
    )
    hostile = Rig(cameras, rig.wand, rig.wand)
    inner = tmp_path / "inner"
    inner.mkdir()
    write_folder(inner / "out", export(hostile, Target(unit="m", source="a\n- b: c")))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["inner"]
    assert [p.name for p in inner.iterdir()] == ["out"]
    if export is rig_as_colmap:
        model = pycolmap.Reconstruction(inner / "out")
        names = [model.images[i + 1].name for i in range(len(named))]
        assert names == safe_names(named)
    else:
        files = {p.stem: yaml.safe_load(p.read_text()) for p in (inner / "out").iterdir()}
        assert [t["name"] for t in files.pop("transforms")["transforms"]] == named
        assert {f["camera_name"] for f in files.values()} == set(files)


@pytest.mark.parametrize("name", ["../x", "/abs", "a/b", "..", ""])
def test_a_folder_is_only_written_with_plain_names(name: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="without a path"):
        write_folder(tmp_path / "out", {"ok.txt": "", name: ""})
    assert not list(tmp_path.iterdir())


# ---- the command


@pytest.fixture
def rig_file(tmp_path: Path) -> Path:
    rig, _ = looking_in(10)
    files.save_rig(Rig(rig.cameras[:3], rig.wand, rig.wand), tmp_path / "rig.h5")
    return tmp_path / "rig.h5"


def test_an_unknown_format_is_refused_with_the_formats(refused: Any, rig_file: Path) -> None:
    line = refused("export", rig_file, "--to", "fbx")
    assert all(name in line for name in ("json", "opencv", "ros", "colmap", "gltf", "csv"))


def test_formats_of_several_files_ask_for_a_folder(refused: Any, rig_file: Path) -> None:
    assert "Add -o FOLDER." in refused("export", rig_file, "--to", "ros")
    assert "Add -o FOLDER." in refused("export", rig_file, "--to", "colmap")


def test_a_unit_that_the_format_has_not_is_refused(refused: Any, rig_file: Path) -> None:
    assert "expected m" in refused("export", rig_file, "--to", "gltf", "--unit", "mm")
    assert "expected m" in refused(
        "export", rig_file, "--to", "ros", "--unit", "mm", "-o", rig_file.parent / "out"
    )


def test_every_format_is_written_and_says_what_it_is_of(call: Call, rig_file: Path) -> None:
    for to in ("json", "opencv", "gltf", "ros", "colmap"):
        out = rig_file.parent / to
        code, printed, said = call("export", rig_file, "--to", to, "-o", out, "--up", "Y")
        assert (code, printed, said.strip()) == (0, "", f"wrote {out}")
        written = (
            out / {"ros": "transforms.yaml", "colmap": "images.txt"}[to] if out.is_dir() else out
        )
        text = written.read_text(encoding="utf-8")
        assert files.sha256(rig_file) in text and "y, z are x z -y of" in text
        assert "Not aligned" in text
        assert f"lengths in {'m' if to in {'gltf', 'ros'} else 'mm'};" in text
    code, printed, _ = call("export", rig_file, "--to", "csv", "--unit", "m")
    assert code == 0 and "position_x_m," in printed


def test_a_folder_is_replaced_by_force_and_only_where_nothing_else_is_in_it(
    call: Call, refused: Any, rig_file: Path
) -> None:
    out = rig_file.parent / "out"
    arguments = ("export", rig_file, "--to", "colmap", "-o", out)
    assert call(*arguments)[0] == 0
    before = snapshot(rig_file.parent)
    assert "--force" in refused(*arguments)
    assert call(*arguments, "--force", "--unit", "m")[0] == 0
    assert "lengths in m;" in (out / "images.txt").read_text(encoding="utf-8")
    assert set(snapshot(rig_file.parent)) == set(before)  # nothing of the exchange stays behind
    (out / "notes.txt").write_text("mine")
    assert "notes.txt" in refused(*arguments, "--force")
    assert "no folder there yet" in refused(
        "export", rig_file, "--to", "ros", "-o", rig_file.parent
    )
    assert "found one" in refused("export", rig_file, "--to", "ros", "-o", rig_file)
    assert "rig.h5" in refused("export", rig_file, "--to", "ros", "-o", rig_file.parent, "--force")


def test_a_folder_that_cannot_be_written_leaves_nothing(
    rig_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig, _ = looking_in(11)
    made = rig_as_colmap(rig, Target())
    out = rig_file.parent / "out"
    write_folder(out, made)
    before = snapshot(rig_file.parent)
    real, n = os.fsync, [0]

    def full(descriptor: int) -> None:
        n[0] += 1
        if n[0] == 3:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="no space left"):
        write_folder(out, made, overwrite=True)
    assert n[0] == 3 and snapshot(rig_file.parent) == before


def test_json_tells_what_became_of_the_rig(rig: Rig) -> None:
    """Of a rig that has everything; numbers of the record, text for text."""
    document = json.loads(json.dumps(rig_as_dict(rig, Target()), allow_nan=False))
    assert document["left_out"] == dict(rig.left_out) != {}
    assert document["findings"] == list(rig.findings) != []
    for key in ("captured_at", "parent_sha256", "alignment", "verification", "provenance"):
        assert document[key] == getattr(rig, key) and document[key], key
    late = {c["name"]: c["sigma_time_offset_frames"] for c in document["cameras"]}
    assert late == {c.name: c.time_offset_sigma_frames for c in rig.cameras}
    assert "Not aligned" not in " ".join(document["note"])


def test_an_aligned_rig_is_turned_from_the_axis_that_its_alignment_says(rig: Rig) -> None:
    for was, up, axes in (("y", None, "x y z"), ("y", "Z", "x -z y"), ("z", "Y", "x z -y")):
        target = Target.of(replace(rig, alignment={"up": was}), up=up)
        assert (target.up, target.axes) == (up or was.upper(), axes)
        # What points up in the rig file points up in the export, and hands stay right.
        up_in_rig = np.eye(3)["xyz".index(was)]
        assert (target.turn @ up_in_rig)["XYZ".index(target.up)] == 1.0
        assert np.linalg.det(target.turn) == pytest.approx(1.0)
        assert f"{target.up} points up." in target.sentences(replace(rig, alignment={"up": was}))
