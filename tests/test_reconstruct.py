"""Points in space: against a general triangulation, in pieces, and in the files they go to."""

from __future__ import annotations

import builtins
import importlib
import struct
from collections.abc import Callable
from dataclasses import fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import h5py
import numpy as np
import pytest
from scipy import optimize, stats

from calib import files
from calib.check.placed import known_part
from calib.check.verdicts import Fault
from calib.core.camera import project
from calib.core.geometry import Array, Pose, rotation_from_vector
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import CalibError, InputError
from calib.export.c3d import write_c3d
from calib.export.points import HEADER, csv_lines
from calib.pipeline import calibrate
from calib.prove.known import unsure_notes
from calib.prove.precision import precision
from calib.prove.reconstruct import Piece, in_pieces, margin_frames, reconstruct
from calib.prove.space.place import place
from calib.prove.space.views import Views, cameras_of, views_of_tracks
from calib.simulate import Scenario, Simulation, simulate


@lru_cache
def wave() -> Simulation:
    return simulate(Scenario(n_cameras=6, n_frames=300, seed=12))


@lru_cache
def solved() -> Rig:
    return calibrate(wave().tracks, wave().wand)


def views_of_frame(rig: Rig, at: int) -> tuple[list[Any], Array]:
    """The cameras and image points of one point of the wave."""
    views, *_ = views_of_tracks(wave().tracks.subset(rig.names))
    rows = slice(views.starts[at], views.starts[at + 1])
    return [rig.cameras[c] for c in views.cam[rows]], views.uv_px[rows]


def unsure(rig: Rig, *names: str) -> Rig:
    """The rig with some cameras turned by half a degree, as their solve knows and says."""
    turn = rotation_from_vector(np.array([0.0, np.radians(0.5), 0.0]))
    cameras = []
    for c in rig.cameras:
        if c.name in names:
            pose = Pose(turn @ c.cam_from_world.R, turn @ c.cam_from_world.t_mm)
            cameras.append(replace(c, cam_from_world=pose, faults=(Fault.KNOCK,), is_placed=False))
        else:
            cameras.append(c)
    return replace(rig, cameras=tuple(cameras))


def test_places_are_measured_without_cameras_whose_own_is_unsure() -> None:
    rig, tracks = solved(), wave().tracks
    off = unsure(rig, "cam03")
    sound = tuple(n for n in rig.names if n != "cam03")
    found, without = reconstruct(off, tracks), reconstruct(rig, tracks.subset(sound))
    np.testing.assert_allclose(found.points_mm, without.points_mm, atol=1e-9)
    assert known_part(off).names == sound and known_part(rig) is rig
    (told,) = unsure_notes(off)
    assert told == "measured without cam03 (knocked during the capture): unsure where it stood"
    assert precision(off).notes == (told,) and not unsure_notes(rig)
    # With one left there is nothing to measure with: all are taken, and it is said.
    hardly = unsure(rig, *rig.names[1:])
    assert known_part(hardly) is hardly
    (told,) = unsure_notes(hardly)
    assert told.startswith("too few cameras") and "wave again and solve" in told


def test_two_views_agree_with_opencv() -> None:
    """``cv2.triangulatePoints`` on undistorted points; it minimises an algebraic error, which for
    points without noise has the same minimum.
    """
    rig = wave().truth
    X = np.array([[300.0, -200.0, 1100.0]])
    cams = rig.cameras[:2]
    uv = np.vstack([project(c.lens, c.cam_from_world.apply(X)) for c in cams])
    views = Views(np.array([0, 1]), np.array([0, 2]), uv)
    ours = place(views, cameras_of(rig, rig.names[:2])).points_mm[0]
    plane = [
        cv2.undistortPoints(p[None, None], c.lens.K, c.lens.dist.copy())[0].T
        for p, c in zip(uv, cams, strict=True)
    ]
    P = [np.column_stack([c.cam_from_world.R, c.cam_from_world.t_mm]) for c in cams]
    theirs = cv2.triangulatePoints(P[0], P[1], plane[0], plane[1]).ravel()
    np.testing.assert_allclose(ours, theirs[:3] / theirs[3], atol=1e-3)
    np.testing.assert_allclose(ours, X[0], atol=1e-6)


def test_many_views_reach_the_minimum_that_scipy_finds() -> None:
    """``scipy.optimize.least_squares`` on the same weighted residuals, and its covariance."""
    rig, cameras = solved(), cameras_of(solved())
    views, *_ = views_of_tracks(wave().tracks.subset(rig.names))
    placed = place(views, cameras)
    whole = [
        n
        for n in np.flatnonzero(placed.n_used >= 3)
        if placed.n_used[n] == views.starts[n + 1] - views.starts[n]
    ][:20]
    for n in whole:
        rows = slice(views.starts[n], views.starts[n + 1])
        cam, uv = views.cam[rows], views.uv_px[rows]

        def weighted(x: Array, cam: Any = cam, uv: Any = uv) -> Array:
            seen = [
                project(rig.cameras[c].lens, rig.cameras[c].cam_from_world.apply(x[None]))[0]
                for c in cam
            ]
            return ((uv - seen) / cameras.sigma_px[cam][:, None]).ravel()

        best = optimize.least_squares(weighted, placed.points_mm[n] + 5.0, xtol=1e-14, ftol=1e-14)
        np.testing.assert_allclose(placed.points_mm[n], best.x, atol=1e-4)
        C = np.linalg.inv(best.jac.T @ best.jac)
        np.testing.assert_allclose(placed.covariance_mm2[n], C, rtol=1e-3, atol=1e-9)
        squares = (weighted(best.x) * np.repeat(cameras.sigma_px[cam], 2)) ** 2
        assert placed.rms_px[n] == pytest.approx(np.sqrt(squares.sum() / len(cam)), rel=1e-6)


def test_a_gross_view_is_left_out_and_two_that_disagree_make_no_point() -> None:
    rig = wave().truth
    X = np.array([[0.0, 0.0, 1000.0]])
    uv = np.vstack([project(c.lens, c.cam_from_world.apply(X)) for c in rig.cameras])
    inside = np.flatnonzero(
        ((uv >= 0) & (uv <= [rig.cameras[0].width, rig.cameras[0].height])).all(axis=1)
    )[:4]
    assert len(inside) == 4
    off = uv[inside].copy()
    off[2] += [25.0, -30.0]
    placed = place(Views(inside, np.array([0, 4]), off), cameras_of(rig))
    np.testing.assert_array_equal(placed.is_used, [True, True, False, True])
    np.testing.assert_allclose(placed.points_mm[0], X[0], atol=1e-5)
    two = place(Views(inside[1:3], np.array([0, 2]), off[1:3]), cameras_of(rig))
    assert not two.is_placed[0] and two.n_used[0] == 0


def test_errors_follow_the_stated_noise() -> None:
    """Normalised squared errors of single points against the truth, chi-square of three: with the
    true rig and independent noise alone.
    """
    sim = simulate(
        Scenario.plain(n_cameras=6, n_frames=300, seed=4, outliers=0.0, occlusion=False, strays=0.0)
    )
    rig = sim.truth
    found = reconstruct(rig, sim.tracks, noise_px=sim.scenario.sigma_px)
    true = sim.markers_world_mm[found.frame, found.marker]
    e = found.points_mm - true
    squared = (e * np.linalg.solve(found.covariance_mm2, e[..., None])[..., 0]).sum(axis=1)
    n = len(squared)
    assert n > 500
    low, high = stats.chi2.ppf([1e-3, 1 - 1e-3], 3 * n)
    assert low < squared.sum() < high
    assert np.mean(squared < stats.chi2.ppf(0.95, 3)) == pytest.approx(0.95, abs=0.03)


# ---- piece by piece


def pieces(tracks: Tracks, length: int, margin: int = 0) -> list[Piece]:
    last = max(int(c.frame[-1]) for c in tracks.cameras)
    out = []
    for first in range(0, last + 1, length):
        inside = np.arange(first - margin, first + length + margin)
        out.append(Piece(tracks.at_frames(inside), first, first + length))
    return out


@pytest.mark.parametrize("late", [0.0, 1.3])
def test_pieces_give_what_the_whole_gives(late: float) -> None:
    rig = solved()
    cameras = [
        replace(c, time_offset_frames=late, time_offset_sigma_frames=0.01) if k == 1 else c
        for k, c in enumerate(rig.cameras)
    ]
    rig = replace(rig, cameras=tuple(cameras))
    whole = reconstruct(rig, wave().tracks)
    parts = list(in_pieces(rig, pieces(wave().tracks, 37, margin_frames(rig))))
    assert len(parts) == 9
    for name in ("frame", "marker", "points_mm", "covariance_mm2", "rms_px", "n_cameras"):
        together = np.concatenate([getattr(p, name) for p in parts])
        if name in {"frame", "marker", "n_cameras"}:
            np.testing.assert_array_equal(together, getattr(whole, name))
        else:
            np.testing.assert_allclose(together, getattr(whole, name), rtol=1e-7, atol=1e-9)


def test_a_camera_that_exposes_late_is_brought_in_time() -> None:
    sim = simulate(Scenario.plain(n_cameras=5, n_frames=300, seed=3, late={"cam02": 0.4}))
    truth = sim.truth
    known = replace(
        truth,
        cameras=tuple(
            replace(c, time_offset_frames=0.4, time_offset_sigma_frames=0.01)
            if c.name == "cam02"
            else c
            for c in truth.cameras
        ),
    )
    median, views = [], []
    for rig in (truth, known):
        found = reconstruct(rig, sim.tracks, noise_px=0.12)
        e = found.points_mm - sim.markers_world_mm[found.frame, found.marker]
        median.append(np.median(np.linalg.norm(e, axis=1)))
        views.append(int(found.n_cameras.sum()))
    # Unknown, its points lie off by pixels and are left out: fewer views, and worse points.
    late = int((sim.tracks.camera("cam02").marker >= 0).sum())
    assert views[1] - views[0] > 0.5 * late
    assert median[1] < 0.95 * median[0]


@pytest.mark.parametrize("rows", [50, 300, 10_000])
def test_a_file_in_pieces_holds_every_point_once(rows: int, tmp_path: Path) -> None:
    tracks = wave().tracks
    files.save_tracks(tracks, tmp_path / "t.h5")
    frames: dict[str, list[Array]] = {c.name: [] for c in tracks.cameras}
    before = None
    for part, first, last in files.tracks_in_pieces(tmp_path / "t.h5", 2, rows):
        assert before in (None, first) and last > first
        before = last
        for c in part.cameras:
            assert c.n_points <= rows
            assert ((c.frame >= first - 2) & (c.frame < last + 2)).all()
            frames[c.name].append(c.frame[(c.frame >= first) & (c.frame < last)])
            inner = tracks.camera(c.name)
            wanted = (inner.frame >= first - 2) & (inner.frame < last + 2)
            np.testing.assert_array_equal(c.xy_px, inner.xy_px[wanted])
    for c in tracks.cameras:
        np.testing.assert_array_equal(np.concatenate(frames[c.name]), c.frame)


def test_a_damaged_file_is_refused_at_its_piece(tmp_path: Path) -> None:
    files.save_tracks(wave().tracks, tmp_path / "t.h5")
    with h5py.File(tmp_path / "t.h5", "a") as file:
        file["cameras/cam02/frame"][120] = 0
    with pytest.raises(InputError, match=r"cam02: frame row 120.*never decrease"):
        list(files.tracks_in_pieces(tmp_path / "t.h5", 0, 64))
    with h5py.File(tmp_path / "t.h5", "a") as file:
        del file["cameras/cam02/xy"]
    with pytest.raises(InputError, match="cam02: xy"):
        list(files.tracks_in_pieces(tmp_path / "t.h5"))


# ---- formats


def test_lines_hold_the_numbers() -> None:
    found = reconstruct(solved(), wave().tracks)
    text = csv_lines(found).decode().splitlines()
    assert len(text) == len(found.frame)
    table = np.array([[float(v) for v in line.split(",")] for line in text])
    assert HEADER.count(",") == table.shape[1] - 1
    np.testing.assert_array_equal(table[:, 0], found.frame)
    np.testing.assert_array_equal(table[:, 1], found.marker)
    np.testing.assert_allclose(table[:, 2:5], found.points_mm, atol=5.1e-5)
    upper = found.covariance_mm2[:, [0, 0, 0, 1, 1, 2], [0, 1, 2, 1, 2, 2]]
    np.testing.assert_allclose(table[:, 5:11], upper, atol=5.1e-7)
    np.testing.assert_allclose(table[:, 11], found.rms_px, atol=5.1e-5)
    np.testing.assert_array_equal(table[:, 12], found.n_cameras)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.0, "0.0000"),
        (-0.00001, "0.0000"),
        (1234.56786, "1234.5679"),
        (-0.05, "-0.0500"),
        (999999.99999, "1000000.0000"),
    ],
)
def test_numbers_are_written_as_python_writes_them(value: float, expected: str) -> None:
    found = reconstruct(solved(), wave().tracks)
    one = replace(
        found,
        frame=found.frame[:1],
        marker=found.marker[:1],
        n_cameras=found.n_cameras[:1],
        points_mm=np.full((1, 3), value),
        covariance_mm2=found.covariance_mm2[:1],
        rms_px=found.rms_px[:1],
        rms_mm=found.rms_mm[:1],
    )
    assert csv_lines(one).decode().split(",")[2] == expected


def test_c3d_comes_back_from_the_library(tmp_path: Path) -> None:
    ezc3d = pytest.importorskip("ezc3d")
    rig = solved()
    parts = list(in_pieces(rig, pieces(wave().tracks, 100)))
    write_c3d(parts, rig.wand.markers, 25.0, tmp_path / "out")
    (tmp_path / "out").rename(tmp_path / "out.c3d")
    back = ezc3d.c3d(str(tmp_path / "out.c3d"))
    found = reconstruct(rig, wave().tracks)
    first = int(found.frame.min())
    data = back["data"]["points"][:3, found.marker, found.frame - first].T
    np.testing.assert_allclose(data, found.points_mm, rtol=1e-6, atol=1e-3)  # 32-bit floats
    assert np.isfinite(back["data"]["points"][0]).sum() == len(found.frame)
    assert back["parameters"]["POINT"]["LABELS"]["value"] == list(rig.wand.markers)
    assert back["parameters"]["POINT"]["UNITS"]["value"] == ["mm"]
    assert back["parameters"]["POINT"]["RATE"]["value"][0] == 25.0
    assert back["header"]["points"]["first_frame"] == first  # counted from 0 by the library
    late = [replace(parts[0], frame=parts[0].frame * 1000)]
    with pytest.raises(InputError, match="at most 65535 frames"):
        write_c3d(late, rig.wand.markers, 25.0, tmp_path / "long")


@pytest.mark.parametrize(
    ("at", "shift"), [(0, 0), (65535 - 40, 0), (65535 - 39, 65535 - 39), (2**33 + 5,) * 2, (-7, -7)]
)
def test_frames_beyond_what_a_c3d_header_holds_count_from_its_first(
    at: int, shift: int, tmp_path: Path
) -> None:
    """Words 4 and 5 of the header (c3d.org): the first and the last frame, from 1 to 65535."""
    pytest.importorskip("ezc3d")
    rig = solved()
    found = reconstruct(rig, wave().tracks)
    few = found.frame < found.frame.min() + 40
    assert np.ptp(found.frame[few]) == 39
    kept = {f.name: getattr(found, f.name) for f in fields(found)}
    kept = {k: v[few] if isinstance(v, np.ndarray) else v for k, v in kept.items()}
    moved = replace(found, **kept | {"frame": found.frame[few] - found.frame.min() + at})
    assert write_c3d([moved], rig.wand.markers, 25.0, tmp_path / "out") == shift
    words = struct.unpack("<2H", (tmp_path / "out").read_bytes()[6:10])
    assert words == (at - shift + 1, at - shift + 40)


def test_without_the_library_one_line_says_how_to_install_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    real: Callable[..., Any] = importlib.import_module

    def absent(name: str, *rest: Any) -> Any:
        if name == "ezc3d":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(importlib, "import_module", absent)
    assert builtins.__import__ is not absent
    with pytest.raises(CalibError, match=r"pip install .calib\[c3d\]."):
        write_c3d([reconstruct(solved(), wave().tracks)], ("p",), 25.0, tmp_path / "x.c3d")
    assert not list(tmp_path.iterdir())


def test_a_capture_of_another_rig_is_refused() -> None:
    strange = replace(
        wave().tracks, cameras=tuple(replace(c, name=f"x{c.name}") for c in wave().tracks.cameras)
    )
    with pytest.raises(InputError, match="tracks of the rig's cameras"):
        reconstruct(solved(), strange)
