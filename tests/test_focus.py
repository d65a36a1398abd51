"""Focus: each fault, drawn, is told with what to turn; a good image passes.

What is good follows common practice, no source: a bright centre with a gradient to its edge, no
merging neighbours.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from calib.cli.main import app
from calib.errors import InputError
from calib.intake.centroids.focus import Focus, Optics, judge
from calib.intake.centroids.sources import read_image
from calib.intake.centroids.spots import detect
from calib.report.captures.focus import as_blocks
from calib.report.tables import lines_of
from calib.simulate.render import RenderOptions, draw_spots, expose

PLACES = [(60.3, 50.2), (150.7, 60.1), (100.2, 140.6), (40.4, 170.9)]


def view(
    radius: float = 3.0,
    height: float = 180.0,
    blur: float = 0.7,
    background: float = 12.0,
    places: Any = PLACES,
    noise: float = 1.0,
    seed: int = 0,
) -> NDArray[np.uint8]:
    light = background + draw_spots(220, 220, places, radius, height, blur)
    return expose(light, RenderOptions(read_noise=noise), np.random.default_rng(seed))


def focus(image: NDArray[np.uint8], optics: Optics | None = None) -> Focus:
    return judge("cam01", [detect(image)], optics)


def acts(found: Focus) -> dict[str, tuple[str, ...]]:
    return {c.name: c.turn for c in found.checks if not c.is_ok}


# 16 mm at 4 m by 8.25 mm and 0.0055 mm: 6 px across.
OPTICS = Optics(marker_mm=16.0, distance_mm=4000.0, focal_mm=8.25, pitch_mm=0.0055)


@pytest.mark.parametrize("optics", [None, OPTICS])
def test_a_good_image_passes_with_its_numbers(optics: Optics | None) -> None:
    found = focus(view(), optics)
    assert found.is_fit and not acts(found)
    assert found.n_spots == 4
    n = found.numbers
    assert n["diameter_px"] == pytest.approx(6.0, abs=0.3)
    assert n["blur_px"] == pytest.approx(0.7, abs=0.1)
    assert n["contrast"] == pytest.approx(180 / np.sqrt(1 + 12 / 40 + 1 / 12), rel=0.1)
    assert n["nearest_px"] == pytest.approx(np.hypot(100.2 - 40.4, 140.6 - 170.9), abs=0.1)
    assert n["predicted_diameter_px"] == (None if optics is None else pytest.approx(6.0))
    assert (n["merge_mm"] is None) == (optics is None)
    # On one screen: a verdict beside what was found, whatever else there is no room for.
    lines = [line for line in lines_of(as_blocks([found]), 80) if line.startswith("what ")]
    assert lines[0].split()[:3] == ["what", "verdict", "found"]
    assert len(lines) == (1 if optics is None else 2)


@pytest.mark.parametrize(
    ("image", "name", "turn"),
    [
        (view(height=700.0), "clipping", "aperture"),
        (view(height=40.0), "peak", "exposure"),
        (view(height=60.0, noise=4.0), "contrast", "aperture"),
        (view(background=90.0, height=140.0), "background", "exposure"),
        (view(radius=3.0, blur=3.0), "sharpness", "focus"),
        (view(radius=0.7, blur=0.5), "size", "zoom"),
        (view(radius=24.0), "size", "zoom"),
        (
            view(places=[(x + k / 4, y) for x, y in PLACES for k in range(11)]),
            "roundness",
            "exposure",
        ),
        (view(places=[*PLACES, *[(x + 4.5, y + 1) for x, y in PLACES]]), "neighbours", "aperture"),
    ],
    ids=[
        "clipped",
        "dim",
        "noisy",
        "bright room",
        "defocused",
        "tiny",
        "huge",
        "moving",
        "merging",
    ],
)
def test_each_fault_is_told_with_what_to_turn(
    image: NDArray[np.uint8], name: str, turn: str
) -> None:
    found = focus(image)
    assert not found.is_fit
    assert turn in acts(found)[name] if name in acts(found) else turn in acts(found)["spots"]
    if name != "neighbours":
        assert set(acts(found)) <= {name, "sharpness", "spots"}, "no other fault is made up"


@pytest.mark.parametrize(
    ("image", "name", "turn"),
    [
        (view(radius=3.0, blur=2.2), "sharpness", "focus"),
        (view(radius=0.0, blur=3.5), "sharpness", "focus"),
        (view(radius=5.0), "width", "zoom"),
        (view(radius=1.6), "width", "zoom"),
    ],
)
def test_width_is_held_against_the_predicted_one(
    image: NDArray[np.uint8], name: str, turn: str
) -> None:
    assert turn in acts(focus(image, OPTICS))[name]


def test_small_sharp_and_large_blurred_are_told_apart_by_the_prediction() -> None:
    """A spot of 1 px blur: in focus where a large marker is due, out of focus where a speck is."""
    small = Optics(marker_mm=4.0, distance_mm=4000.0, focal_mm=8.25, pitch_mm=0.0055)
    image = view(radius=3.0, blur=1.0)
    assert "sharpness" not in acts(focus(image, OPTICS))
    assert "width" in acts(focus(image, small))


@pytest.mark.parametrize(("radius", "blur"), [(3.0, 0.7), (5.0, 1.0), (0.0, 1.2), (2.0, 0.5)])
def test_merging_distance_is_that_of_the_detector(radius: float, blur: float) -> None:
    """Pairs drawn a tenth farther apart come out as two, a quarter nearer they do not."""
    merge_px = focus(view(radius=radius, blur=blur)).numbers["merge_px"]
    assert merge_px is not None
    counts = {}
    for share in (1.1, 0.75):
        places = [(x + d * merge_px * share / 2, y) for x, y in PLACES for d in (-1, 1)]
        counts[share] = detect(view(radius=radius, blur=blur, places=places)).n
    assert counts[1.1] == 8
    assert counts[0.75] == 0


def test_real_photograph_is_judged() -> None:
    """A field of stars and galaxies is no rig's image: bright and sharp spots, but crowded and of
    uneven shape.
    """
    image = read_image(Path(__file__).parents[1] / "datasets/photographs/deep-field.png")
    found = focus(image)
    assert acts(found)["neighbours"] == ("focus", "aperture")
    assert {"peak", "contrast", "clipping", "background", "sharpness"}.isdisjoint(acts(found))


def test_dark_white_and_empty() -> None:
    dark = focus(np.zeros((100, 100), np.uint8))
    assert acts(dark) == {"spots": ("aperture", "exposure")}
    lamp = focus(view(radius=40.0, places=[(60, 60)], height=150.0)[:, :200])
    assert not lamp.is_fit
    with pytest.raises(InputError, match="a length above 0 mm"):
        Optics(marker_mm=0.0)


# ---- the command


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_command(tmp_path: Path) -> None:
    good, bad, white = tmp_path / "good.png", tmp_path / "bad.png", tmp_path / "white.png"
    cv2.imwrite(str(good), view())
    cv2.imwrite(str(bad), view(height=700.0))
    cv2.imwrite(str(white), np.full((100, 100), 250, np.uint8))
    done = run("focus", good)
    assert done.exit_code == 0, done.stderr
    assert "fit to measure (4 spots in 1 image)" in done.stdout
    assert done.stderr == ""
    done = run("focus", bad)
    assert done.exit_code == 1
    assert "shorten the exposure or close the aperture" in done.stdout
    assert "ladder" in done.stderr and "look into none" in done.stderr
    done = run(
        "focus",
        bad,
        "--json",
        "--marker-mm",
        16,
        "--distance-mm",
        4000,
        "--focal-mm",
        8.25,
        "--pitch-mm",
        0.0055,
    )
    assert done.exit_code == 1
    found = json.loads(done.stdout)
    assert found["verdict"] == "act"
    assert found["numbers"]["predicted_diameter_px"] == pytest.approx(6.0)
    assert any(c["verdict"] == "act" and "exposure" in c["turn"] for c in found["checks"])
    done = run("focus", white)
    assert done.exit_code == 1
    assert "brightness (turn exposure, then aperture)" in done.stdout


def test_a_folder_of_several_cameras_names_those_that_need_a_hand(tmp_path: Path) -> None:
    views = {"cam01": view(), "cam02": view(radius=3.0, blur=3.0), "cam03": view(height=40.0)}
    for camera, image in views.items():
        cv2.imwrite(str(tmp_path / f"{camera}_1.png"), image)
    done = run("focus", tmp_path)
    assert done.exit_code == 1 and "ladder" in done.stderr
    assert done.stdout.startswith("1 of 3 cameras fit to measure; not yet: cam02 and cam03.")
    assert "cam02: sharpness (turn focus)" in done.stdout and "cam03: peak" in done.stdout
    found = json.loads(run("focus", tmp_path, "--json").stdout)["cameras"]
    assert [(c["camera"], c["verdict"]) for c in found] == [
        ("cam01", "ok"),
        ("cam02", "act"),
        ("cam03", "act"),
    ]


def test_what_is_soft_is_focused_before_anything_else() -> None:
    soft = focus(view(radius=3.0, blur=3.0, height=40.0))
    lines = lines_of(as_blocks([soft]), 100)
    assert "turn focus" in lines[1] and len(acts(soft)) > 1
    # Printed, in a list and as plain data it is what the command prints, not its parts.
    assert str(soft).splitlines()[0] == lines[0] and repr([soft]) == f"[<Focus: {lines[0]}>]"
    assert soft.to_dict()["verdict"] == "act"


def test_command_refuses_other_input(tmp_path: Path) -> None:
    (tmp_path / "broken.png").write_bytes(b"no image")
    assert run("focus", tmp_path / "broken.png").exit_code == 2
    cv2.imwrite(str(tmp_path / "cam01_1.png"), view())
    done = run("focus", tmp_path / "cam01_1.png", "--marker-mm", -1)
    assert done.exit_code == 2
