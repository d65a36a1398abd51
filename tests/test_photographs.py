"""The real pair of cameras: our solve of chessboard corners in photographs against
``cv2.stereoCalibrate``.

Source: OpenCV's function of that name with CALIB_FIX_INTRINSIC, run here on the same corners of the
same 13 pairs with the same intrinsics. It knows the whole board; the collinear form is given three
corners a row and solves for each row's place by itself, and so has the same pose to find from
less.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import pytest

from calib.core.geometry import Array, Pose, angle_between_deg
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.files import load_tracks, load_wand
from calib.pipeline import calibrate
from calib.solve.calibrate import SolveOptions

DATASETS = Path(__file__).parent.parent / "datasets"
N_PAIRS, N_CORNERS = 13, 54


@pytest.fixture(scope="module")
def board() -> tuple[Tracks, Wand]:
    return load_tracks(DATASETS / "photographs/board.h5"), load_wand(
        DATASETS / "photographs/board.toml"
    )


@pytest.fixture(scope="module")
def line() -> tuple[Tracks, Wand]:
    return load_tracks(DATASETS / "photographs/line.h5"), load_wand(
        DATASETS / "photographs/line.toml"
    )


@pytest.fixture(scope="module")
def right_from_left(board: tuple[Tracks, Wand]) -> Pose:
    """OpenCV's answer."""
    tracks, wand = board
    points = [wand.points_mm.astype(np.float32)] * N_PAIRS
    left, right = (
        list(c.xy_px.astype(np.float32).reshape(N_PAIRS, N_CORNERS, 2)) for c in tracks.cameras
    )
    # Copies, as OpenCV takes K and dist for outputs too, which records do not allow.
    (K1, dist1), (K2, dist2) = ((c.lens.K, c.lens.dist.copy()) for c in tracks.cameras if c.lens)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-10)
    found = cv2.stereoCalibrate(
        points,
        left,
        right,
        K1,
        dist1,
        K2,
        dist2,
        (640, 480),
        flags=cv2.CALIB_FIX_INTRINSIC,
        criteria=stop,
    )
    assert found[0] < 0.3, "px; the corners are known to about a quarter of a pixel"
    return Pose(np.asarray(found[5], float), np.asarray(found[6], float).ravel())


def relative(rig: Rig) -> Pose:
    return rig.camera("right").cam_from_world @ rig.camera("left").cam_from_world.inverse()


def between_deg(a: Array, b: Array) -> float:
    """The angle between two directions."""
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


# Of the line: five standard deviations. One standard deviation of noise (0.16 px, 78 rows)
# is 0.02 degree and 0.1 %; found are 0.06 degree and 0.4 %: the errors of corners in a row are not
# independent of one another. Of the board: both sides minimise the same residuals and differ only
# in how they weight the two cameras, so that they must agree to one standard deviation of noise,
# 0.009 degree and 0.04 % (found by adding noise to the fitted corners).
@pytest.mark.parametrize(
    ("form", "limit_deg", "limit_share"), [("line", 0.1, 0.005), ("board", 0.01, 0.0005)]
)
def test_pose_agrees_with_stereo_calibrate(
    form: str,
    limit_deg: float,
    limit_share: float,
    request: pytest.FixtureRequest,
    right_from_left: Pose,
) -> None:
    tracks, wand = request.getfixturevalue(form)
    rig = calibrate(tracks, wand, SolveOptions(lens="hold"))
    ours = relative(rig)
    baseline, expected = np.linalg.norm(ours.t_mm), np.linalg.norm(right_from_left.t_mm)

    assert angle_between_deg(ours.R, right_from_left.R) < limit_deg
    assert baseline == pytest.approx(expected, rel=limit_share)
    assert between_deg(ours.t_mm, right_from_left.t_mm) < limit_deg

    for camera, given in zip(rig.cameras, tracks.cameras, strict=True):
        assert given.lens is not None
        np.testing.assert_array_equal(
            camera.lens.vector, given.lens.vector, err_msg="a held lens must not change"
        )


def test_measured_intrinsics_are_the_default(line: tuple[Tracks, Wand]) -> None:
    """With K in the tracks, ``auto`` holds the lens and gives the same rig."""
    auto, held = calibrate(*line), calibrate(*line, SolveOptions(lens="hold"))
    np.testing.assert_array_equal(relative(auto).t_mm, relative(held).t_mm)


def test_line_holds_three_corners_of_each_row_of_the_board(
    line: tuple[Tracks, Wand], board: tuple[Tracks, Wand]
) -> None:
    np.testing.assert_array_equal(
        line[1].lengths_mm, np.array([[0, 3, 8], [3, 0, 5], [8, 5, 0]]) * 30.0
    )
    assert (line[1].dimension, board[1].dimension) == (1, 2)
    for thin, whole in zip(line[0].cameras, board[0].cameras, strict=True):
        grids = whole.xy_px.reshape(N_PAIRS, 6, 9, 2)
        np.testing.assert_array_equal(thin.xy_px, grids[:, :, [0, 3, 8]].reshape(-1, 2))
        frames, counts = np.unique(thin.frame, return_counts=True)
        assert len(frames) == N_PAIRS * 6
        assert (counts == 3).all()


def extractor() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "extract_photographs", DATASETS / "extract_photographs.py"
    )
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_extraction_orders_corners_by_colour_not_by_the_image() -> None:
    """A drawn board, turned in quarters, keeps its first corner, and corners lie where they were
    drawn.
    """
    module, side = extractor(), 40
    squares = (np.indices((7, 10)).sum(axis=0) % 2 * 255).astype(np.uint8)
    drawn = cv2.copyMakeBorder(
        np.kron(squares, np.ones((side, side), np.uint8)),
        60,
        60,
        60,
        60,
        cv2.BORDER_CONSTANT,
        value=(255,),
    )
    height, width = drawn.shape
    row, col = np.mgrid[1:7, 1:10]
    at = np.stack(
        [60 + side * col - 0.5, 60 + side * row - 0.5], axis=-1
    )  # edges lie between pixel centres
    turned = {
        0: at,
        1: np.stack([at[..., 1], width - 1 - at[..., 0]], axis=-1),
        2: np.array([width - 1, height - 1]) - at,
        3: np.stack([height - 1 - at[..., 1], at[..., 0]], axis=-1),
    }
    for quarters, expected in turned.items():
        image = cv2.GaussianBlur(np.ascontiguousarray(np.rot90(drawn, quarters)), (5, 5), 1.0)
        np.testing.assert_allclose(
            module.corners(image, "drawn"), expected, atol=0.05, err_msg=f"{quarters} quarters"
        )
