"""Turn OpenCV's sample chessboard pairs into the tracks and wands of ``datasets/photographs``.

python datasets/extract_photographs.py FOLDER   (FOLDER holds left01.jpg to left14.jpg and
right01.jpg to right14.jpg)
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.errors import CalibError, InputError
from calib.files import save_tracks, save_wand

SHOTS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14)  # the set has no number 10
SIDES = ("left", "right")
N_ROWS, N_COLS = 6, 9  # inner corners
SQUARE_MM = 30.0  # nominal: the set does not state the size of its squares
LINE_COLS = (0, 3, 8)  # unequal gaps, so that a row cannot be taken end for end
WINDOW_PX = 5  # half width; 11 reaches into neighbouring corners and corrupts one pair


def corners(image: NDArray[np.uint8], place: str) -> NDArray[np.float32]:
    """Return the inner corners (6, 9, 2) in px, the first one beside the dark one of the two end
    squares.

    The board has 10 by 7 squares, so that its end squares differ in colour and half a turn cannot
    pass unseen.
    """
    is_found, found = cv2.findChessboardCorners(image, (N_COLS, N_ROWS))
    if not is_found:
        raise InputError(
            place, expected=f"a chessboard with {N_COLS} × {N_ROWS} inner corners", found="none"
        )
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-4)
    grid = cv2.cornerSubPix(image, found, (WINDOW_PX, WINDOW_PX), (-1, -1), stop).reshape(
        N_ROWS, N_COLS, 2
    )

    def grey(row: int, col: int) -> int:
        x, y = np.rint(grid[row : row + 2, col : col + 2].mean(axis=(0, 1))).astype(int)
        return int(image[y, x])

    if grey(0, 0) > grey(N_ROWS - 2, N_COLS - 2):
        grid = grid[::-1, ::-1]
    across, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if across[0] * down[1] - across[1] * down[0] <= 0:
        raise InputError(
            place, expected="rows that run clockwise to columns", found="a mirrored board"
        )
    return np.ascontiguousarray(grid, dtype=np.float32)


def board_mm() -> NDArray[np.float64]:
    """Return the corners (6, 9, 3) on the board in mm, of nominal size."""
    row, col = np.mgrid[:N_ROWS, :N_COLS]
    return SQUARE_MM * np.stack([col, row, np.zeros_like(row)], axis=-1).astype(float)


def measured_lens(grids: NDArray[np.float32], width: int, height: int) -> Lens:
    """Return the intrinsics that fit one camera's grids (n, 6, 9, 2); k3 is held at 0, as these do
    not fix it.
    """
    board = board_mm().reshape(-1, 3).astype(np.float32)
    flags = cv2.CALIB_FIX_K3
    images = [g.reshape(-1, 2) for g in grids]
    _, K, dist, *_ = cv2.calibrateCamera(
        [board] * len(grids), images, (width, height), None, None, flags=flags
    )
    # Rounded far below their uncertainty (0.5 px, 0.003), so that threads and builds give the same
    # file.
    return Lens.from_matrix(
        np.asarray(K, float).round(3), np.asarray(dist, float).ravel()[:5].round(5)
    )


def read(folder: Path) -> list[tuple[str, int, int, Lens, NDArray[np.float32]]]:
    """Return each camera's name, width, height, lens and grids (13, 6, 9, 2)."""
    cameras = []
    for side in SIDES:
        grids = []
        for shot in SHOTS:
            path = folder / f"{side}{shot:02d}.jpg"
            image = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) if path.is_file() else None
            if image is None:
                raise InputError(str(path), expected="a photograph", found="none that can be read")
            height, width = image.shape
            grids.append(corners(image.astype(np.uint8), str(path)))
        stack = np.stack(grids)
        cameras.append((side, width, height, measured_lens(stack, width, height), stack))
    return cameras


def as_lines(cameras: list[tuple[str, int, int, Lens, NDArray[np.float32]]]) -> tuple[Tracks, Wand]:
    """Return every row of every shot as one frame of a collinear wand; frame 73 is row 3 of shot
    07.
    """
    frame = np.repeat([10 * shot + row for shot in SHOTS for row in range(N_ROWS)], len(LINE_COLS))
    tracks = _tracks(
        "rows", cameras, frame, lambda grids: grids[:, :, LINE_COLS].reshape(-1, 2), len(LINE_COLS)
    )
    wand = Wand("row", tuple(f"c{col}" for col in LINE_COLS), board_mm()[0, list(LINE_COLS)])
    return tracks, wand


def as_boards(
    cameras: list[tuple[str, int, int, Lens, NDArray[np.float32]]],
) -> tuple[Tracks, Wand]:
    """Return every shot as one frame of a planar wand; the frame number is the shot's."""
    n_markers = N_ROWS * N_COLS
    frame = np.repeat(SHOTS, n_markers)
    tracks = _tracks("whole boards", cameras, frame, lambda grids: grids.reshape(-1, 2), n_markers)
    markers = tuple(f"r{row}c{col}" for row in range(N_ROWS) for col in range(N_COLS))
    return tracks, Wand("board", markers, board_mm().reshape(-1, 3))


def _tracks(
    title: str, cameras: Any, frame: NDArray[np.int64], pick: Any, n_markers: int
) -> Tracks:
    marker = np.tile(np.arange(n_markers, dtype=np.int16), len(frame) // n_markers)
    return Tracks(
        tuple(
            CameraTracks(name, w, h, frame, pick(grids), marker, lens=lens)
            for name, w, h, lens, grids in cameras
        ),
        frame_rate_hz=1.0,  # single photographs: no rate is known and none is used
        title=f"Chessboard corners in OpenCV's sample photographs, {title}",
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path, help="the 26 photographs")
    parser.add_argument("-o", "--out", type=Path, default=Path(__file__).parent / "photographs")
    options = parser.parse_args()
    try:
        cameras = read(options.folder)
        options.out.mkdir(parents=True, exist_ok=True)
        for name, (tracks, wand) in {
            "line": as_lines(cameras),
            "board": as_boards(cameras),
        }.items():
            save_tracks(tracks, options.out / f"{name}.h5", overwrite=True)
            save_wand(wand, options.out / f"{name}.toml", overwrite=True)
    except CalibError as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{len(SHOTS)} pairs, {len(SHOTS) * N_ROWS} rows: {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
