"""What charts show, against other programs' counts, projections and colour spaces."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from html import unescape

import cv2
import numpy as np
import pytest
from scipy import stats

from calib.check.history.compare import history
from calib.check.history.records import Entry
from calib.check.recheck.run import recheck
from calib.check.residuals import held
from calib.check.verdicts import Majority
from calib.core.geometry import Pose, rotation_from_vector
from calib.report import figures
from calib.report.figures import data, look, moves, sensor, stage
from calib.report.figures.data import Portrait
from calib.report.figures.space import ROOM, add_cameras
from calib.simulate import Scenario, simulate
from tests.rigs_in_time import SCENARIO, moved_as_one, stored, turned, wave

# Machado, Oliveira, Fernandes, A physiologically-based model for simulation of color vision
# deficiency, IEEE TVCG 15, 2009, table 1, severity 1.0 (from memory).
DEFICIENT = {
    "none": np.eye(3),
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}


def linear(colours: tuple[str, ...]) -> np.ndarray:
    """Return linear RGB (n, 3) of sRGB colours (IEC 61966-2-1)."""
    s = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in colours]) / 255.0
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)


def lab(colours: tuple[str, ...], matrix: object) -> np.ndarray:
    """Return CIELAB (n, 3) by OpenCV of colours as somebody sees them."""
    seen = np.clip(linear(colours) @ np.transpose(matrix), 0.0, 1.0).astype(np.float32)
    return cv2.cvtColor(seen[None], cv2.COLOR_LRGB2Lab)[0]


@pytest.mark.parametrize("who", DEFICIENT)
@pytest.mark.parametrize("name", ["RISING", "COUNTS"])
def test_scales_grow_darker_for_everybody(name: str, who: str) -> None:
    colours = getattr(look, name)
    step = np.diff(lab(colours, DEFICIENT[who]), axis=0)
    assert (step[:, 0] < -1.5).all()  # lightness falls at every step: they are read in grey too
    if who == "none":
        size = np.linalg.norm(step, axis=1)
        assert size.max() / size.min() < 1.35  # equal steps, to the rounding of OpenCV's tables


@pytest.mark.parametrize("who", DEFICIENT)
def test_too_long_and_too_short_differ_for_everybody(who: str) -> None:
    seen = lab(look.ABOUT_NONE, DEFICIENT[who])
    half = len(seen) // 2
    assert (np.diff(seen[: half + 1, 0]) > 5).all() and (np.diff(seen[half:, 0]) < -5).all()
    apart = np.linalg.norm(seen[:half] - seen[:half:-1], axis=1)
    assert (apart[:-1] > 15).all()  # many times a just noticeable difference of 2.3 (Mahy 1994)


def test_text_stands_out_from_its_ground() -> None:
    """Web Content Accessibility Guidelines 2.1, 1.4.3: a contrast of 4.5 for text."""

    def luminance(colour: str) -> float:
        return float(linear((colour,))[0] @ [0.2126, 0.7152, 0.0722])

    for ink in (look.INK, look.SOFT, look.MAIN, look.WARN):
        for ground in (look.PAPER, look.SHADE):
            ratio = (luminance(ground) + 0.05) / (luminance(ink) + 0.05)
            assert ratio > 4.5, (ink, ground)


@lru_cache
def seen() -> Portrait:
    return figures.portrait(stored(), simulate(SCENARIO).tracks)


def test_cells_and_bins_count_as_scipy_and_numpy_do() -> None:
    tracks, fit = held(stored(), simulate(SCENARIO).tracks)
    for k, one in enumerate(sorted(seen().sensors, key=lambda s: tracks.names.index(s.name))):
        own = np.flatnonzero(fit.problem.cam == k)
        m, p = np.nonzero(fit.is_inlier[:, own])
        x, y = fit.problem.uv_px[:, m, own[p]]
        dx, dy = fit.residual_px[:, m, own[p]]
        ny, nx = one.count.shape
        box = [[-0.5, one.height - 0.5], [-0.5, one.width - 0.5]]
        count = stats.binned_statistic_2d(y, x, None, "count", (ny, nx), box).statistic
        mean = stats.binned_statistic_2d(y, x, [dx, dy], "mean", (ny, nx), box).statistic
        assert (one.count == count).all()
        full = count >= data.LEAST_IN_CELL
        assert np.abs(one.mean_px[full] - np.moveaxis(mean, 0, -1)[full]).max() < 1e-9
        edges = (np.arange(2 * data.HALF_BINS + 1) - data.HALF_BINS) * one.bin_px
        assert (one.bins == np.histogram([dx, dy], edges)[0]).sum() > len(one.bins) - 2
        assert one.bins.sum() + one.n_beyond == 2 * len(x)


def test_means_of_a_sound_camera_are_chance() -> None:
    """Means beyond three of their standard uncertainties: 1.1 % of two-dimensional normal ones
    (chi-square), here with a scatter estimated from as few as four; a twentieth is allowed.
    """
    beyond, n = 0, 0
    for one in seen().sensors:
        length = np.linalg.norm(one.mean_px, axis=-1)
        known = np.isfinite(length) & (one.count >= 12)
        beyond += int((length[known] > sensor.BEYOND * one.sigma_px[known]).sum())
        n += int(known.sum())
    assert n >= 100 and beyond / n < 0.05


def test_up_is_found_of_a_rig_in_any_world() -> None:
    """Simulated cameras hang within 5° of level, ``roll_deg``; up of all is told better."""
    truth = simulate(SCENARIO).truth  # its z points up
    for axis in np.random.default_rng(3).normal(size=(6, 3)):
        R = rotation_from_vector(axis)
        world = Pose(R, np.array([100.0, -2000.0, 30.0]))
        cameras = tuple(
            replace(c, cam_from_world=c.cam_from_world @ world.inverse()) for c in truth.cameras
        )
        found = stage.stage_of(replace(truth, cameras=cameras, alignment=None))
        up = R.T @ found.R[2]
        assert np.degrees(np.arccos(up[2])) < 3.0
        assert np.linalg.det(found.R) == pytest.approx(1.0)
        level = found.place(np.array([c.position_mm for c in cameras]))[:, 2]
        true = np.array([c.position_mm[2] for c in truth.cameras]) / 1000.0
        assert np.ptp(level - true) < 0.06 * 10.0  # 3° over ten metres


def test_an_aligned_rig_stands_in_its_own_world() -> None:
    rig = replace(stored(), alignment={"up": "y"})
    found = stage.stage_of(rig)
    assert found.place(np.array([1000.0, 2000.0, 3000.0])).tolist() == [3.0, 1.0, 2.0]
    assert found.floor_m == 0.0 and found.axes == ("z (m)", "x (m)", "y, up (m)")


def test_a_frustum_is_what_opencv_projects_to_the_corners() -> None:
    rig = stored()
    at = stage.stage_of(rig)
    for camera in rig.cameras:
        corners = stage.frustum(at, camera, 1.0)
        world = corners @ at.R * 1000.0 + at.origin_mm
        R, t = camera.cam_from_world.R, camera.cam_from_world.t_mm
        uv = cv2.projectPoints(world[1:], cv2.Rodrigues(R)[0], t, camera.lens.K, camera.lens.dist)
        w, h = camera.width - 1, camera.height - 1
        assert np.abs(uv[0][:, 0] - [[0, 0], [w, 0], [w, h], [0, h]]).max() < 0.01
        assert np.abs(world[0] - camera.position_mm).max() < 1e-6


def test_a_move_is_drawn_as_planted() -> None:
    """A rig of two files, one camera turned by half a degree: what moves is its view alone."""
    before = stored()
    after = turned(before, "cam03", 0.5)
    found = moves.of_history(history([Entry("a", before), Entry("b", after)]))
    (named,) = found.named
    assert named.camera.name == "cam03" == found.cameras[0].camera.name
    assert named.later is not None
    assert (
        np.abs(named.later.cam_from_world.R - after.camera("cam03").cam_from_world.R).max() < 1e-4
    )
    assert named.turn_deg == pytest.approx(0.5, abs=0.02) and named.shift_mm < 0.5
    uv, vector = moves._picture(named.camera, after.camera("cam03"), np.zeros(3), (5, 4))
    K, dist = named.camera.lens.K, named.camera.lens.dist
    ray = np.column_stack([cv2.undistortPoints(uv, K, dist)[:, 0], np.ones(20)])
    turn = after.camera("cam03").cam_from_world.R @ named.camera.cam_from_world.R.T
    by_cv = cv2.projectPoints(ray, cv2.Rodrigues(turn)[0], np.zeros(3), K, dist)[0][:, 0]
    assert np.abs(uv + vector - by_cv).max() < 0.02
    text = " ".join(t.name or "" for t in figures.moves_in_space(found).data)
    assert "where its view went" in text


def test_a_recheck_and_its_files_tell_the_same_move() -> None:
    new = wave(1)
    old = turned(stored(), "cam05", 0.4)
    told = recheck(old, new.tracks)
    found = moves.of_recheck(old, told)
    assert [m.camera.name for m in found.named] == ["cam05"]
    assert len(found.remedies) == 1 and "To solve cam05 anew" in found.remedies[0]
    # A camera that nothing can be said of is open, though nobody goes up to it.
    vague = [replace(c, verdict="undecided") for c in told.cameras if c.name == "cam05"]
    others = [c for c in told.cameras if c.name != "cam05"]
    opened = moves.of_recheck(old, replace(told, cameras=(*others, *vague)))
    assert not opened.is_settled and not opened.needs_a_hand
    assert opened.remedies == (
        "To judge who is open, record as said, then: calib recheck RIG NEW_TRACKS",
    )
    # Commands name the files that were given, also those of cameras and of the rig as a whole.
    moving = [replace(c, verdict="moving", since_frame=90, step_px=2.0) for c in told.cameras[:1]]
    divided = replace(told, majority=Majority.NONE, cameras=(*moving, *told.cameras[1:]))
    shown = moves.of_recheck(old, divided, "'my rig.h5' 'wave 2.h5'")
    (note,) = (m.note for m in shown.cameras if m.camera.name == moving[0].name)
    assert "calib select 'wave 2.h5' --frames 90- -o AFTER" in note
    assert any("calib solve 'wave 2.h5' --wand WAND -o NEW_RIG" in text for text in shown.findings)
    later = found.named[0].later
    assert later is not None
    true = stored().camera("cam05").cam_from_world
    angle = np.degrees(np.arccos((np.trace(later.cam_from_world.R @ true.R.T) - 1) / 2))
    assert angle < 0.03
    whole = moved_as_one(stored(), SCENARIO.names, [0, 0, 3], [10, 0, 0])
    still = moves.of_history(history([Entry("a", stored()), Entry("b", whole)]))
    assert not still.named and not still.needs_a_hand


def test_charts_name_the_cameras_and_carry_few_numbers() -> None:
    rig, of = stored(), seen()
    made = [
        figures.rig_in_space(of),
        figures.rig_in_space(of, "precision"),
        figures.rig_in_space(rig),
        figures.links_map(rig, of.overlap),
        figures.links_table(of.overlap),
        figures.sensor_map(of.sensors[0]),
        figures.histogram(of.sensors[0], 0.1),
        figures.over_time(of.sensors[0]),
        figures.length_errors(of.lengths, figures.stage_of(rig)),
        figures.length_errors(of.lengths, figures.stage_of(rig), "side"),
    ]
    for chart in made:
        assert chart.layout.title.text
        assert len(chart.to_json()) < 80_000
        has_axes = not any(t.type.endswith("3d") for t in chart.data)
        units = str(chart.layout.xaxis.title.text)
        assert (
            not has_axes or re.search(r"\((px|s|m)\)", units) or "share" in chart.layout.title.text
        )
    for k in (0, 2):
        texts = [
            t
            for trace in made[k].data
            for t in np.atleast_1d(trace.text if "text" in trace and trace.text is not None else [])
        ]
        assert sum(n in unescape(t) for n in rig.names for t in texts) == len(rig.names)


def test_links_map_keeps_each_cameras_strongest() -> None:
    from calib.report.figures.links import MOST_LINKS, strongest  # noqa: PLC0415

    rng = np.random.default_rng(1)
    shared = rng.integers(0, 50, (9, 9)).astype(float)
    shared = np.triu(shared, 1) + np.triu(shared, 1).T
    pairs = strongest(shared)
    for i, row in enumerate(shared):
        best = set(np.argsort(-row, kind="stable")[:MOST_LINKS].tolist())
        assert {(min(i, j), max(i, j)) for j in best if row[j] >= 3} <= set(pairs)
    assert pairs == sorted(pairs, key=lambda p: shared[p])


def test_names_that_find_no_room_beside_one_another_are_told_on_pointing() -> None:
    rig = simulate(Scenario(n_cameras=41, n_frames=60, seed=4, connected=False)).truth
    place, bar = figures.stage_of(rig), look.colours_to(1.0, "px")

    def drawn(n: int, n_acting: int) -> list[str]:
        """Names written beside the cameras; on pointing all are told."""
        part, out = replace(rig, cameras=rig.cameras[:n]), look.figure("", height=600)
        add_cameras(out, place, part, np.ones(n), "px", bar, part.names[:n_acting])
        named = [t for t in out.data if t.hovertext is not None]
        assert sum(len(t.hovertext) for t in named) == n
        return [name for t in named if "text" in t.mode for name in t.text]

    at = {look.in_space(c.name): place.place(c.position_mm) for c in rig.cameras}
    extent = np.linalg.norm(np.ptp(np.array(list(at.values())), axis=0))

    def apart(names: list[str]) -> float:
        """The least distance of two cameras that are named, as a share of the rig's extent."""
        own = np.array([at[n.removeprefix("▲ ")] for n in names])
        each = np.linalg.norm(own[:, None] - own, axis=2)[np.triu_indices(len(own), 1)]
        return float(each.min() / extent)

    assert len(drawn(40, 0)) == 40
    some, all_act = ([n for n in drawn(41, k) if n] for k in (0, 41))
    assert 10 < len(some) < 41 and apart(some) >= ROOM and apart(drawn(40, 0)) < ROOM
    assert 10 < len(all_act) < 41 and apart(all_act) >= ROOM and all_act[0].startswith("▲ ")
    # Few that need action are named wherever they stand, and others clear of them.
    acting = [f"▲ {look.in_space(n)}" for n in rig.names[:4]]
    named = [n for n in drawn(41, 4) if n]
    assert set(acting) < set(named)
    assert all(apart([acting[k], n]) >= ROOM for k in range(4) for n in named if n not in acting)


def test_names_along_a_table_of_many_cameras_find_room() -> None:
    """60 names, each of 11 px in height, beside 900 px but over some 350."""
    names = tuple(f"cam{k:02d}" for k in range(60))
    full = np.full((60, 60), 50)
    chart = figures.links_table(replace(seen().overlap, names=names, frames=full))
    assert len(chart.layout.yaxis.ticktext) == 60
    across = chart.layout.xaxis
    assert across.tickvals == tuple(range(0, 60, 3))
    assert across.ticktext == tuple(look.shown(n) for n in names[::3])


def test_names_beside_a_map_stand_clear_of_its_axis() -> None:
    """A name of six letters is 45 px wide, of some 400 that the map has."""
    rig = stored()
    chart = figures.links_map(rig, seen().overlap)
    across = figures.stage_of(rig).place(np.array([c.position_mm for c in rig.cameras]))[:, 0]
    low, high = chart.layout.xaxis.range
    room = min(across.min() - low, high - across.max()) / (high - low)
    assert room > 45 / 400


@pytest.mark.parametrize("layout", ["room", "corridor", "dome", "row"])
def test_a_view_in_space_holds_all_that_it_shows(layout: str) -> None:
    """By OpenCV's projection through Plotly's camera, 45° high (its documentation, from memory);
    of a rig without a wave as well.
    """
    rig = simulate(
        Scenario(layout=layout, n_cameras=10, n_frames=700, seed=4, connected=False)
    ).truth
    out = figures.rig_in_space(rig)
    scene, parts = out.layout.scene, ("x", "y", "z")
    low, high = np.array([scene[f"{k}axis"]["range"] for k in parts]).T
    shown = np.concatenate([np.array([np.asarray(t[k], float) for k in parts]).T for t in out.data])
    shown = shown[np.isfinite(shown).all(axis=1)]
    ratio = np.array([scene.aspectratio[k] for k in parts])
    eye, middle = (
        np.array([at[k] for k in parts], float) for at in (scene.camera.eye, scene.camera.center)
    )
    ahead = (middle - eye) / np.linalg.norm(middle - eye)
    right = np.cross(ahead, [0.0, 0.0, 1.0]) / np.linalg.norm(np.cross(ahead, [0.0, 0.0, 1.0]))
    R = np.stack([right, np.cross(ahead, right), ahead])
    K = np.diag([1 / np.tan(np.pi / 8)] * 2 + [1.0])
    at = ((shown - low) / (high - low) - 0.5) * ratio
    uv = cv2.projectPoints(at, cv2.Rodrigues(R)[0], -R @ eye, K, None)[0].reshape(-1, 2)
    assert (np.abs(uv) < 1.0).all()
