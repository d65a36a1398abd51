"""Tracks from comma-separated values: what is read, and the line and column of what is wrong."""

from __future__ import annotations

import io
import tomllib
from typing import Any

import numpy as np
import pytest

from calib.errors import InputError
from calib.intake.table import CameraList, every, tracks_from_csv

CAMERAS = """
frame_rate = 100.0
captured_at = 2024-02-29T10:00:00
title = "an invented capture"

[cameras.left]
width = 640
height = 480
focal_mm = 8.0
pixel_pitch_mm = 0.0045

[cameras."right 2"]
width = 800
height = 600
K = [[700.0, 0.0, 400.0], [0.0, 701.0, 300.0], [0.0, 0.0, 1.0]]
dist = [-0.1, 0.02, 0.0, 0.0, 0.0]
"""
TABLE = """camera,frame,x,y,marker,radius
left,0,10.5,20.25,0,2.0
right 2,0,30.0,40.0,1,1.5
left,1,11.5,21.25,,2.5
left,0,12.5,22.25,1,3.0
"""


def cameras(text: str = CAMERAS) -> CameraList:
    return CameraList.from_table(tomllib.loads(text))


def test_a_table_becomes_tracks() -> None:
    tracks = tracks_from_csv(TABLE.splitlines(True), cameras())
    assert (tracks.names, tracks.frame_rate_hz) == (("left", "right 2"), 100.0)
    assert (tracks.captured_at, tracks.title) == ("2024-02-29T10:00:00", "an invented capture")
    left, right = tracks.cameras
    # Rows sorted by frame, in the order of the table within a frame.
    assert left.frame.tolist() == [0, 0, 1] and left.marker.tolist() == [0, 1, -1]
    assert left.xy_px.tolist() == [[10.5, 20.25], [12.5, 22.25], [11.5, 21.25]]
    assert left.radius_px is not None and left.radius_px.tolist() == [2.0, 3.0, 2.5]
    assert (left.focal_mm, left.pixel_pitch_mm, left.lens) == (8.0, 0.0045, None)
    assert right.lens is not None and right.lens.fy == 701.0 and right.lens.dist[0] == -0.1


def test_columns_come_in_any_order_and_marker_and_radius_may_be_missing() -> None:
    text = "y, x ,frame,camera\r\n20,10,3,left\r\n\r\n21,11,2, left\r\n"
    tracks = tracks_from_csv(text.splitlines(True), cameras())
    assert tracks.cameras[0].frame.tolist() == [2, 3] and tracks.cameras[0].xy_px.tolist() == [
        [11, 21],
        [10, 20],
    ]
    assert tracks.cameras[0].marker.tolist() == [-1, -1] and tracks.cameras[0].radius_px is None
    assert tracks.cameras[1].n_points == 0


def test_whole_numbers_may_be_written_as_floats() -> None:
    """A column of integers with gaps comes out so of tables that hold it as floats."""
    text = "camera,frame,x,y,marker\nleft,3.0,1,2,1.0\nleft,4.0,1,2,\n"
    left = tracks_from_csv(text.splitlines(keepends=True), cameras()).cameras[0]
    assert left.frame.tolist() == [3, 4] and left.marker.tolist() == [1, -1]


def test_frames_that_go_up_by_more_than_one_are_told() -> None:
    """As times in ms do, or fields; a step that is not the same for all frames is none."""
    for frames, step in (((0, 40, 120), 40), ((3, 5, 8), 1), ((7,), 1), ((), 1)):
        rows = [f"left,{k},1,2\n" for k in frames]
        assert every(tracks_from_csv(["camera,frame,x,y\n", *rows], cameras())) == step


def test_a_table_of_a_header_alone_has_no_points() -> None:
    assert [c.n_points for c in tracks_from_csv(["camera,frame,x,y\n"], cameras()).cameras] == [
        0,
        0,
    ]


def test_a_long_table_agrees_with_numpys_own_reader() -> None:
    """Against numpy.genfromtxt, over a chunk's border (100,000 rows) and unsorted."""
    rng = np.random.default_rng(1)
    n = 120_000
    code, frame = rng.integers(0, 2, n), rng.integers(0, 10**6, n)
    xy = rng.uniform(0, 479, (n, 2))
    names = np.array(["left", "right 2"])
    rows = [
        f"{names[c]},{f},{x!r},{y!r}" for c, f, (x, y) in zip(code, frame, xy.tolist(), strict=True)
    ]
    text = "camera,frame,x,y\n" + "\n".join(rows) + "\n"
    tracks = tracks_from_csv(text.splitlines(True), cameras())
    reference: Any = np.genfromtxt(
        io.StringIO(text), delimiter=",", names=True, dtype=("U8", "i8", "f8", "f8")
    )
    for camera in tracks.cameras:
        mine = reference[reference["camera"] == camera.name]
        mine = mine[np.argsort(mine["frame"], kind="stable")]
        assert np.array_equal(camera.frame, mine["frame"])
        assert np.array_equal(camera.xy_px, np.column_stack([mine["x"], mine["y"]]))


BAD_TABLES = {
    "empty": ("", ("line 1", "camera,frame,x,y", "no camera")),
    "no header": ("left,0,1.0,2.0\n", ("line 1", "no camera, frame, x, y")),
    "column missing": ("camera,frame,x\nleft,0,1.0\n", ("line 1", "no y")),
    "semicolons": ("camera;frame;x;y\nleft;0;1,0;2,0\n", ("line 1", "commas")),
    "column unknown": ("camera,frame,x,y,markers\nleft,0,1,2,0\n", ("line 1", "'markers'")),
    "column twice": ("camera,frame,x,y,x\nleft,0,1,2,3\n", ("line 1", "x twice")),
    "value missing": ("camera,frame,x,y\nleft,0,1\n", ("line 2", "expected 4 values", "found 3")),
    "value too many": ("camera,frame,x,y\nleft,0,1,2\nleft,1,1,2,3\n", ("line 3", "found 5")),
    "unknown camera": (
        "camera,frame,x,y\nleft,0,1,2\ntop,0,1,2\n",
        ("line 3: camera", "left and right 2", "'top'"),
    ),
    "frame broken": ("camera,frame,x,y\nleft,0.5,1,2\n", ("line 2: frame", "whole", "'0.5'")),
    "frame too large": ("camera,frame,x,y\nleft,99999999999999999999,1,2\n", ("line 2: frame",)),
    "x text": ("camera,frame,x,y\n\nleft,0,1,2\nleft,0,one,2\n", ("line 4: x", "'one'")),
    "y empty": ("camera,frame,x,y\nleft,0,1,\n", ("line 2: y", "''")),
    "x nan": ("camera,frame,x,y\nleft,0,nan,2\n", ("line 2: x", "finite", "'nan'")),
    "y infinite": ("camera,frame,x,y\nleft,0,1,-inf\n", ("line 2: y", "'-inf'")),
    "off the sensor": (
        "camera,frame,x,y\nleft,5,1,2\nleft,1,641,2\n",
        ("line 3: left", "640 × 480", "(641, 2)"),
    ),
    "marker below -1": ("camera,frame,x,y,marker\nleft,0,1,2,-2\n", ("line 2: marker", "'-2'")),
    "marker too large": (
        "camera,frame,x,y,marker\nleft,0,1,2,65535\n",
        ("line 2: marker", "32767"),
    ),
    "marker by name": ("camera,frame,x,y,marker\nleft,0,1,2,p\n", ("line 2: marker", "'p'")),
    "radius negative": ("camera,frame,x,y,radius\nleft,0,1,2,-1\n", ("line 2: radius", "'-1'")),
    "radius in some rows": (
        "camera,frame,x,y,radius\nleft,0,1,2,\nleft,1,1,2,3\n",
        ("line 2: radius", "every row"),
    ),
    "twice the same": (
        "camera,frame,x,y,marker\nleft,7,1,2,0\nleft,7,3,4,0\n",
        ("left: frame 7", "marker 0 more than once"),
    ),
    "quote left open": ('camera,frame,x,y\n"left,0,1,2\n', ("line", "comma-separated")),
}


@pytest.mark.parametrize("case", BAD_TABLES)
def test_a_bad_table_is_told_with_its_line(case: str) -> None:
    text, words = BAD_TABLES[case]
    with pytest.raises(InputError) as caught:
        tracks_from_csv(text.splitlines(True), cameras())
    line = str(caught.value)
    assert "\n" not in line and all(word in line for word in words), line


BAD_LISTS = {
    "no rate": ("frame_rate = 100.0", "", ("frame_rate", "nothing")),
    "rate text": ("frame_rate = 100.0", 'frame_rate = "100"', ("frame_rate", "number")),
    "unknown key at the top": (
        "frame_rate = 100.0",
        "frame_rate = 100.0\nfps = 100",
        ("top level", "fps"),
    ),
    "unknown key of a camera": (
        "focal_mm = 8.0",
        "focal = 8.0",
        ("[cameras.left]", "found focal."),
    ),
    "no width": ("width = 640", "", ("[cameras.left]: width",)),
    "width true": ("width = 640", "width = true", ("[cameras.left]: width", "whole")),
    "height zero": ("height = 480", "height = 0", ("left", "640 × 0")),
    "focal negative": ("focal_mm = 8.0", "focal_mm = -8.0", ("left: focal_mm", "-8.0")),
    "K alone": ("dist = [-0.1, 0.02, 0.0, 0.0, 0.0]", "", ("right 2", "K alone")),
    "K ragged": ("[0.0, 701.0, 300.0]", "[0.0, 701.0]", ("right 2", "3 × 3")),
    "dist nan": ("dist = [-0.1", "dist = [nan", ("right 2", "nan")),
    "name with a slash": ("[cameras.left]", '[cameras."a/b"]', ("camera name", "a/b")),
    "camera no table": (
        "[cameras.left]",
        "[cameras]\nleft = 3\n[cameras.other]",
        ("[cameras.left]", "a table"),
    ),
}


@pytest.mark.parametrize("case", BAD_LISTS)
def test_a_bad_camera_list_is_told_with_its_key(case: str) -> None:
    old, new, words = BAD_LISTS[case]
    assert old in CAMERAS
    with pytest.raises(InputError) as caught:
        cameras(CAMERAS.replace(old, new, 1))
    line = str(caught.value)
    assert "\n" not in line and all(word in line for word in words), line


def test_a_camera_list_needs_cameras() -> None:
    with pytest.raises(InputError, match="cameras"):
        cameras("frame_rate = 100.0")
    with pytest.raises(InputError, match="one camera or more"):
        tracks_from_csv(["camera,frame,x,y\n"], cameras("frame_rate = 100.0\n[cameras]"))
