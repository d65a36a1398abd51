"""Rendered captures: light, places and sizes are the truth's, and what hides or shines is in the
picture.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from calib.core.camera import project
from calib.errors import InputError
from calib.intake.centroids.spots import detect
from calib.simulate import (
    Knock,
    RenderOptions,
    Scenario,
    Simulation,
    draw_spots,
    expose,
    render,
    simulate,
)

SMALL = Scenario(
    n_cameras=3,
    n_frames=12,
    width=320,
    height=240,
    pixel_pitch_mm=0.022,
    size_mm=(3000, 3000, 2000),
    marker_diameter_mm=30.0,
    strays=0.0,
    person=False,
    connected=False,
    seed=11,
)


def true_spots(s: Simulation, camera: int, frame: int) -> tuple[np.ndarray, np.ndarray]:
    """Where a camera's markers project to, by the camera model, and which lie on the sensor."""
    cam = s.truth.cameras[camera]
    uv = project(cam.lens, cam.cam_from_world.apply(s.markers_world_mm[frame]))
    return uv, ((uv > 6) & (uv < [cam.width - 7, cam.height - 7])).all(axis=1)


def test_disc_has_the_area_and_centre_given() -> None:
    """Light of a disc: π R² times its brightness, about its centre, blurred or not."""
    for radius, blur in itertools.product((1.3, 4.0), (0.0, 0.8)):
        image = draw_spots(40, 30, [(18.37, 14.81)], radius, 100.0, blur)
        y, x = np.mgrid[:30, :40]
        assert image.sum() == pytest.approx(np.pi * radius**2 * 100, rel=2e-3)
        # Pixels place the light of a sharp edge only so well: less than a fiftieth of one.
        tolerance = 2e-3 if blur else 0.02
        assert (image * x).sum() / image.sum() == pytest.approx(18.37, abs=tolerance)
        assert (image * y).sum() / image.sum() == pytest.approx(14.81, abs=tolerance)


def test_gaussian_is_its_integral_over_each_pixel() -> None:
    """Against differences of SciPy's normal distribution; 8 samples a pixel come to (1/8)²/24 ·
    2/s² of the height.
    """
    s, x0, y0 = 1.1, 15.3, 14.6
    image = draw_spots(32, 30, [(x0, y0)], 0.0, 100.0, s)
    x, y = (np.diff(ndtr((np.arange(n + 1) - 0.5 - c) / s)) for n, c in ((32, x0), (30, y0)))
    np.testing.assert_allclose(image, 100 * 2 * np.pi * s**2 * np.outer(y, x), atol=0.1)


def test_blurred_disc_is_opencvs_blur_of_the_sharp_one() -> None:
    """Against ``cv2.GaussianBlur`` of a disc drawn 8 times as large."""
    sharp = draw_spots(320, 320, [(163.5, 155.5)], 32.0, 100.0)
    fine = cv2.GaussianBlur(sharp, (0, 0), 0.9 * 8, borderType=cv2.BORDER_REPLICATE)
    expected = fine.reshape(40, 8, 40, 8).mean(axis=(1, 3))
    image = draw_spots(40, 40, [(20.0, 19.0)], 4.0, 100.0, 0.9)
    np.testing.assert_allclose(image, expected, atol=0.3)


def test_later_discs_hide_earlier_ones_and_edges_cut() -> None:
    image = draw_spots(40, 40, [(20, 20), (22, 20)], 5.0, [50.0, 100.0])
    assert image[20, 22] == 100 and image[20, 16] == 50
    cut = draw_spots(40, 40, [(0, 20), (60, 60)], 4.0, 100.0)
    assert cut.sum() == pytest.approx(np.pi * 16 * 100 * 0.5 + 8 * 50, rel=0.05)


def test_noise_is_that_of_electrons_reading_and_rounding() -> None:
    o = RenderOptions(electrons=20.0, read_noise=1.5)
    rng = np.random.default_rng(0)
    for light in (10.0, 150.0):
        seen = expose(np.full((400, 400), light), o, rng).astype(float)
        assert seen.mean() == pytest.approx(light, abs=0.05)
        assert seen.var() == pytest.approx(light / 20 + 1.5**2 + 1 / 12, rel=0.02)
    assert (expose(np.full((5, 5), 900.0), o, rng) == 255).all()


def test_images_hold_the_markers_where_they_truly_are() -> None:
    s = simulate(SMALL)
    n_seen = 0
    images = list(render(s))
    assert [(name, frame) for name, frame, _ in images] == [
        (n, f) for n in s.tracks.names for f in range(12)
    ]
    for name, frame, image in images:
        assert image.shape == (240, 320) and image.dtype == np.uint8
        camera = s.tracks.names.index(name)
        uv, is_on = true_spots(s, camera, frame)
        apart = np.hypot(*(uv[:, None] - uv).transpose(2, 0, 1)) + 1e3 * np.eye(len(uv))
        found = detect(image)
        for k in np.flatnonzero(is_on & (apart.min(axis=1) > 15)):
            assert np.hypot(*(found.xy_px - uv[k]).T).min() < 0.1
            n_seen += 1
    assert n_seen > 35


def test_radius_is_the_markers() -> None:
    s = simulate(replace(SMALL, n_cameras=2))
    for name, frame, image in render(s, frames=range(0, 12, 2)):
        camera = s.truth.camera(name)
        uv, is_on = true_spots(s, s.tracks.names.index(name), frame)
        z = camera.cam_from_world.apply(s.markers_world_mm[frame])[:, 2]
        found = detect(image)
        for k in np.flatnonzero(is_on):
            near = np.hypot(*(found.xy_px - uv[k]).T)
            if near.min() < 0.1:
                assert found.disc_px[near.argmin()] == pytest.approx(
                    camera.lens.fx * 15 / z[k], abs=0.3
                )


def count(s: Simulation, **options: Any) -> int:
    return sum(detect(image).n for *_, image in render(s, RenderOptions(**options)))


def test_reflections_and_the_person_are_in_the_picture() -> None:
    plain, strays = simulate(SMALL), simulate(replace(SMALL, strays=4.0))
    n_plain = count(plain)
    assert count(strays) > n_plain + 60
    assert count(strays, reflections=False) == n_plain
    crowded = simulate(replace(SMALL, person=True))
    assert count(crowded) < n_plain


def test_late_and_knocked_cameras() -> None:
    """A camera whose count is 3 late shows at frame 10 what was at 7; one knocked at 8 sees it from
    its new place.
    """
    s = simulate(
        replace(SMALL, slip={"cam01": 3}, knock=(Knock(camera="cam03", frame=8, rotation_deg=2.0),))
    )
    plain = list(render(simulate(SMALL), RenderOptions(electrons=0, read_noise=0)))
    late = {(n, f): im for n, f, im in render(s, RenderOptions(electrons=0, read_noise=0))}
    before = {(n, f): im for n, f, im in plain}
    np.testing.assert_array_equal(late["cam01", 10], before["cam01", 7])
    assert (late["cam01", 2] == 12).all()
    np.testing.assert_array_equal(late["cam03", 7], before["cam03", 7])
    assert any((late["cam03", f] != before["cam03", f]).any() for f in range(8, 12))
    np.testing.assert_array_equal(late["cam02", 11], before["cam02", 11])


def test_options_are_checked() -> None:
    with pytest.raises(InputError, match="render blur_px"):
        RenderOptions(blur_px=-1.0)
