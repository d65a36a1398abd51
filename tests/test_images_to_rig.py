"""From rendered images of a wave to a rig, by the program: centroids, identify, solve."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
from scipy import stats
from typer.testing import CliRunner

import calib
from calib.cli.main import app
from calib.core.camera import project
from calib.simulate import RenderOptions, Scenario, render, simulate
from tests.test_renaming import squared_error

SCENARIO = Scenario(
    n_cameras=3,
    n_frames=80,
    width=320,
    height=240,
    pixel_pitch_mm=0.0352,
    size_mm=(3000, 3000, 2000),
    marker_diameter_mm=30.0,
    strays=2.0,  # reflections are in the images, one that stays put and one that moves
    person=False,
    is_named=False,
    connected=False,
    seed=13,
)


def run(*arguments: object) -> dict[str, object]:
    done = CliRunner().invoke(app, [*map(str, arguments), "--json"])
    # 1: done, and a camera needs action, as so short a wave leaves most of some sensors bare.
    assert done.exit_code in ({0, 1} if arguments[0] == "solve" else {0}), done.stderr
    found: dict[str, object] = json.loads(done.stdout)
    return found


def test_images_become_a_rig_that_its_error_bars_hold(tmp_path: Path) -> None:
    """Shot noise, blur and reflections in 8 bit; nothing of the simulation but its images, nominal
    lenses and wand.
    """
    sim = simulate(SCENARIO)
    images = tmp_path / "images"
    images.mkdir()
    for camera, frame, image in render(sim, RenderOptions()):
        assert cv2.imwrite(str(images / f"{camera}_{frame:05d}.png"), image)
    listed = [f"frame_rate = {SCENARIO.frame_rate_hz}"]
    for c in sim.tracks.cameras:
        listed += [
            f"[cameras.{c.name}]",
            f"focal_mm = {c.focal_mm}",
            f"pixel_pitch_mm = {c.pixel_pitch_mm}",
        ]
    (tmp_path / "list.toml").write_text("\n".join(listed))
    calib.save_wand(sim.wand, tmp_path / "wand.toml")
    points, named, rig = (tmp_path / name for name in ("points.h5", "named.h5", "rig.h5"))

    found = run("centroids", images, "-o", points, "--list", tmp_path / "list.toml")
    assert [c["images"] for c in found["cameras"]] == [SCENARIO.n_frames] * 3  # type: ignore[attr-defined]
    assert all((c.marker == -1).all() for c in calib.load_tracks(points).cameras)
    run("identify", points, "--wand", tmp_path / "wand.toml", "-o", named)
    tracks = calib.load_tracks(named)
    # A spot named m lies where marker m truly is: within a pixel, far more than its noise and far
    # less than a marker.
    off = []
    for c in tracks.cameras:
        true, rows = sim.truth.camera(c.name), np.flatnonzero(c.marker >= 0)
        world = sim.markers_world_mm[c.frame[rows], c.marker[rows]]
        uv = project(true.lens, true.cam_from_world.apply(world))
        off.append(np.linalg.norm(uv - c.xy_px[rows], axis=1))
        assert c.masks_px is not None and len(c.masks_px) > 0 and len(rows) > 70
    assert np.concatenate(off).max() < 1.0
    run("solve", named, "--wand", tmp_path / "wand.toml", "-o", rig)
    solved = calib.load_rig(rig)
    # Aligned by positions, the errors of three cameras have at most nine freedoms.
    assert squared_error(solved, sim) < stats.chi2.ppf(1 - 1e-4, 9)
    # Bars that say something: centroids of 80 frames tell more than what one pixel spans.
    for true in sim.truth.cameras:
        depth_mm = true.cam_from_world.apply(sim.markers_world_mm.reshape(-1, 3))[:, 2]
        pixel_mm = float(np.median(depth_mm[depth_mm > 0])) / true.lens.fx
        assert np.linalg.norm(solved.sigmas(true.name)[0]) < pixel_mm
