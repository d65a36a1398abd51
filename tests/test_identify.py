"""Nameless points become markers by the wand's geometry and motion, or the reason why
not is told.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from typer.testing import CliRunner

import calib
from calib.cli.main import app
from calib.core.camera import Lens, project
from calib.core.geometry import rotation_from_vector
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.naming.ambiguity import require_readable
from calib.naming.chains.records import Limits, Seeds, shape_of
from calib.naming.chains.seeds import line_seeds
from calib.naming.identify import CameraNames, Identification, hardly_named, identify
from calib.simulate import Scenario, Simulation, simulate
from tests.captures import RATES_HZ, at_rate, with_points

# Every layout and every wand; 5 static and 5 moving spurious points a frame and camera.
CASES = [
    ("room", "line3", 3),
    ("corridor", "plane5", 5),
    ("row", "solid6", 7),
    ("dome", "line3", 9),
]


@cache
def nameless(
    layout: str = "room", wand: str = "line3", seed: int = 3, strays: float = 10.0, **more: Any
) -> Simulation:
    options: dict[str, Any] = {"n_cameras": 4, "n_frames": 300} | more
    return simulate(
        Scenario(
            layout=layout,
            wand=wand,
            seed=seed,
            strays=strays,
            is_named=False,
            connected=False,
            **options,
        )
    )


@cache
def named(layout: str, wand: str, seed: int, strays: float = 10.0) -> Tracks:
    sim = nameless(layout, wand, seed, strays)
    return identify(sim.tracks, sim.wand).tracks


def line(*along: float) -> Wand:
    return Wand(
        "w", tuple(f"m{k}" for k in range(len(along))), np.array([[x, 0.0, 0.0] for x in along])
    )


def whole(sim: Simulation, tracks: Tracks) -> tuple[int, int, int, int]:
    """Return how many wands are fully visible, how many of these wholly named, and points named and
    wrongly so.
    """
    out = np.zeros(4, int)
    for c, true, is_bad in zip(tracks.cameras, sim.marker, sim.is_outlier, strict=True):
        good = (true >= 0) & ~is_bad
        seen, right = (
            np.bincount(c.frame[rows], minlength=sim.scenario.n_frames or 0)
            == len(sim.wand.markers)
            for rows in (good, good & (c.marker == true))
        )
        out += (
            seen.sum(),
            (seen & right).sum(),
            (c.marker >= 0).sum(),
            sim.is_wrong_name(c.name, c.marker).sum(),
        )
    n_seen, n_right, n_named, n_wrong = map(int, out)
    return n_seen, n_right, n_named, n_wrong


# ---- how well


def test_fully_visible_wands_are_named_and_next_to_nothing_wrongly() -> None:
    """97 % named, one in 10,000 wrong: rarer than gross outliers of a good capture (common
    practice, no source); limits of the binomial law at one run in 10,000.
    """
    total = np.zeros(4, int)
    for case in CASES:
        found = whole(nameless(*case), named(*case))
        assert found[1] >= stats.binom.ppf(1e-4, found[0], 0.95), case  # no layout lags far behind
        total += found
    n_seen, n_right, n_named, n_wrong = total
    assert n_seen > 1000 and n_named > 5000
    assert n_right >= stats.binom.ppf(1e-4, n_seen, 0.97)
    assert n_wrong <= stats.binom.ppf(1 - 1e-4, n_named, 1e-4)


def test_two_people_in_the_room() -> None:
    """30 spurious points a frame and camera, half of them moving: 90 %, and no more wrong names
    than otherwise.
    """
    case = ("room", "line3", 3, 30.0)
    n_seen, n_right, n_named, n_wrong = whole(nameless(*case), named(*case))
    assert n_seen > 150 and n_right >= stats.binom.ppf(1e-4, n_seen, 0.90)
    assert n_wrong <= stats.binom.ppf(1 - 1e-4, n_named, 1e-4)


@pytest.mark.parametrize("known", ["measured", "nothing"])
def test_lens_measured_or_not_stated_at_all(known: str) -> None:
    sim = nameless(seed=6, strays=4.0, known_lens=known, n_cameras=2)
    n_seen, n_right, n_named, n_wrong = whole(sim, identify(sim.tracks, sim.wand).tracks)
    assert n_right >= stats.binom.ppf(1e-4, n_seen, 0.95)
    assert n_wrong <= stats.binom.ppf(1 - 1e-4, n_named, 1e-4)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("wand", ["line3", "plane5"])
def test_the_same_motion_is_named_at_every_frame_rate(wand: str, rate_hz: float) -> None:
    """Frames that follow each other fail together: the law's limit is for as many as 25 a
    second.
    """
    sim = at_rate(rate_hz, 8.0, wand=wand, seed=3, n_cameras=4)
    n_seen, n_right, n_named, n_wrong = whole(sim, identify(sim.tracks, sim.wand).tracks)
    n_apart = round(n_seen * 25.0 / rate_hz)
    assert n_apart > 100
    assert n_right * 25.0 / rate_hz >= stats.binom.ppf(1e-4, n_apart, 0.97)
    assert n_wrong <= stats.binom.ppf(1 - 1e-4, n_named, 1e-4)


def test_points_stay_and_masks_and_counts_are_told() -> None:
    sim = nameless()
    seen: list[tuple[str, int, int]] = []
    found = identify(sim.tracks, sim.wand, lambda *step: seen.append(step))
    assert seen == [("identify", k, 4) for k in range(4)]
    for before, after, row in zip(
        sim.tracks.cameras, found.tracks.cameras, found.cameras, strict=True
    ):
        np.testing.assert_array_equal(before.xy_px, after.xy_px)
        np.testing.assert_array_equal(before.frame, after.frame)
        assert after.masks_px is not None and row.masks == len(after.masks_px) > 0
        assert not (after.is_masked & (after.marker >= 0)).any()
        assert row.masked == after.is_masked.sum() and row.named == (after.marker >= 0).sum()
        assert row.points == before.n_points and 0 < row.frames <= 300
    again = identify(sim.tracks, sim.wand).tracks
    assert all(
        (a.marker == b.marker).all()
        for a, b in zip(again.cameras, found.tracks.cameras, strict=True)
    )


def test_a_camera_says_the_same_alone_and_one_without_points_is_no_error() -> None:
    sim, whole_rig = nameless(*CASES[0]), named(*CASES[0])
    alone = identify(sim.tracks.subset(["cam02"]), sim.wand).tracks
    np.testing.assert_array_equal(alone.cameras[0].marker, whole_rig.camera("cam02").marker)
    blind = with_points(
        sim.tracks.camera("cam01"), np.zeros(sim.tracks.camera("cam01").n_points, bool)
    )
    found = identify(replace(sim.tracks, cameras=(blind, sim.tracks.camera("cam02"))), sim.wand)
    assert [c.named > 0 for c in found.cameras] == [False, True]


def test_gaps_in_frame_numbers_and_frames_in_any_order_of_points() -> None:
    sim = nameless(*CASES[0])
    c = sim.tracks.camera("cam01")
    gap = with_points(c, (c.frame < 100) | (c.frame >= 140))
    shuffled = np.lexsort((np.random.default_rng(0).random(gap.n_points), gap.frame))
    mixed = with_points(gap, shuffled)
    one, other = (
        identify(replace(sim.tracks, cameras=(x,)), sim.wand).tracks.cameras[0]
        for x in (gap, mixed)
    )
    assert (one.marker >= 0).sum() > 100
    assert (
        one.marker[shuffled] == other.marker
    ).mean() > 0.999  # equal candidates are taken in the order they come


# ---- the geometry


def test_frames_that_are_sent_twice_have_names() -> None:
    """Their whole wand breaks the motion; that these lie off tells of the fault, once named."""
    sim = nameless(strays=0.0, frame_rate_hz=100.0, n_frames=900, lasting_share=0.0)
    camera = sim.tracks.cameras[0]
    frame, count = np.unique(camera.frame, return_counts=True)
    whole = frame[count == 3]
    twice = whole[np.isin(whole - 1, whole)][5::6]
    of_before = [camera.xy_px[camera.frame == f - 1] for f in twice]
    own = [camera.xy_px[camera.frame == f] for f in twice]
    speed = np.abs(np.array(of_before) - np.array(own)).max(axis=(1, 2))
    xy = camera.xy_px.copy()
    for f, points in zip(twice, of_before, strict=True):
        xy[camera.frame == f] = points
    found = identify(
        replace(sim.tracks, cameras=(replace(camera, xy_px=xy), *sim.tracks.cameras[1:])), sim.wand
    ).tracks.cameras[0]
    fast = twice[speed > 3.0]  # px: by less no frame breaks a motion
    n_named = [np.count_nonzero(found.marker[found.frame == f] >= 0) for f in fast]
    assert len(fast) > 10 and np.mean(np.array(n_named) == 3) > 0.8


def cross_ratio(a: float, b: float, c: float, d: float) -> float:
    return (c - a) * (d - b) / ((c - b) * (d - a))


@pytest.mark.parametrize("seed", range(5))
def test_perspective_along_a_line_keeps_the_cross_ratio(seed: int) -> None:
    """A search names four markers in an image just where their cross-ratio is the wand's.

    Source: Hartley & Zisserman, Multiple View Geometry, 2nd edition 2004, section 2.5: the
    cross-ratio of four points on a line is the same in every image; a third point half way to its
    neighbour changes it.
    """
    rng = np.random.default_rng(seed)
    along = np.array([0.0, 130.0, 290.0, 500.0])
    R, lens = rotation_from_vector(rng.normal(size=3)), Lens(1.0, 1.0, 0.0, 0.0, np.zeros(5))
    t = np.array([*rng.uniform(-300, 300, 2), rng.uniform(2500, 4000)])
    space = along[:, None] * R[:, 0] + t
    image = project(lens, space)
    unit = (image[3] - image[0]) / np.linalg.norm(image[3] - image[0])
    on_line = (image - image[0]) @ unit
    assert cross_ratio(*on_line) == pytest.approx(cross_ratio(*along), rel=1e-9)

    shape, limits = (
        shape_of(line(*along)),
        Limits(noise=0.0, tolerance=1e-4, relative=0.0, bend=0.0),
    )

    def found(xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        seeds = Seeds(np.empty((12, 4), np.int64), np.empty((12, 12)), np.empty(12))
        n = line_seeds(np.ascontiguousarray(xy), shape, limits, seeds)
        return seeds.rows[:n], seeds.pose[:n]

    order = rng.permutation(4)
    rows, pose = found(image[order])
    right = np.argsort(order)
    at = [k for k in range(len(rows)) if (rows[k] == right).all()]
    assert len(at) == 1
    axis, middle = pose[at[0], :9:3], pose[at[0], 9:]
    seen = shape.points_mm[:, :1] * axis + middle
    np.testing.assert_allclose(seen, space, rtol=1e-6, err_msg="the place in space")
    image[2] = image[0] + 0.5 * (on_line[2] + on_line[3]) * unit
    assert abs(cross_ratio(*(image - image[0]) @ unit) / cross_ratio(*along) - 1) > 0.1
    rows, _ = found(image[order])
    assert not any((r == right).all() for r in rows)


@pytest.mark.parametrize("share", [0.42, 0.45, 0.37])
def test_depth_ratio_up_to_which_a_line_reads_one_way(share: float) -> None:
    """With one inner marker at w, kappa² w / (1 - w + kappa² w) = 1 - w turns it round: kappa = (1
    - w) / w.

    The limit keeps a distance of 0.9 % of the length from that, which moves it by 0.009 / (2 w (1 -
    w)) at most.
    """
    limit = require_readable(line(0.0, share * 500, 500.0))
    exact = (1 - share) / share
    assert (
        min(1.5, exact * (1 - 0.6 * 0.009 / (share * (1 - share))))
        <= limit
        <= min(1.5, exact) + 1e-9
    )


# ---- what is refused


SQUARE = [[0, 0, 0], [300, 0, 0], [300, 300, 0], [0, 300, 0]]
TETRAHEDRON = [[0, 0, 0], [300, 0, 0], [0, 220, 0], [50, 60, 250]]
PRISM = [[0, 0, 0], [300, 0, 0], [0, 200, 0], [0, 0, 260], [300, 0, 260], [0, 200, 260]]


def shaped(points: list[list[float]]) -> Wand:
    return Wand("w", tuple(f"m{k}" for k in range(len(points))), np.array(points, float))


@pytest.mark.parametrize(
    ("wand", "reason"),
    [
        (line(0, 250, 500), "looks the same end for end"),
        (line(0, 248, 500), "looks the same end for end"),
        (line(0, 100, 400, 500), "looks the same end for end"),
        (line(0, 500), "two points look the same end for end"),
        (line(0), "one point looks like any other"),
        (shaped(SQUARE[:3]), "image of any triangle"),
        (shaped(SQUARE), "looks the same with"),
        (shaped([[0, 0, 0], [400, 0, 0], [400, 250, 0], [0, 250, 0]]), "looks the same with"),
        (shaped(TETRAHEDRON), "four points fit in any order"),
        (shaped(PRISM), "looks the same with"),
    ],
)
def test_wands_that_a_single_image_cannot_tell_are_refused_with_the_reason(
    wand: Wand, reason: str
) -> None:
    with pytest.raises(InputError, match=reason) as caught:
        identify(nameless().tracks, wand)
    assert caught.value.where == "wand w" and "unequal" in str(caught.value)


def test_tracks_with_names_or_without_points_are_refused() -> None:
    sim = nameless()
    with pytest.raises(InputError, match="identified already"):
        identify(named(*CASES[0]), sim.wand)
    nothing = [with_points(c, np.zeros(c.n_points, bool)) for c in sim.tracks.cameras]
    with pytest.raises(InputError, match="none in any camera"):
        identify(replace(sim.tracks, cameras=tuple(nothing)), sim.wand)


def test_no_wand_a_still_one_and_two_few_points_are_told_apart() -> None:
    sim = nameless()
    clutter = [with_points(c, m < 0) for c, m in zip(sim.tracks.cameras, sim.marker, strict=True)]
    with pytest.raises(UnsolvableError, match="this is the wand") as caught:
        identify(replace(sim.tracks, cameras=tuple(clutter)), sim.wand)
    assert set(caught.value.cameras) == set(sim.tracks.names)
    still = nameless(strays=0.0, path="still")
    with pytest.raises(UnsolvableError, match=r"never move.*Keep the wand moving"):
        identify(still.tracks, still.wand)
    two = [
        with_points(c, (m == 0) | (m == 1))
        for c, m in zip(sim.tracks.cameras, sim.marker, strict=True)
    ]
    with pytest.raises(UnsolvableError, match=r"found 2 at most.*all markers must show"):
        identify(replace(sim.tracks, cameras=tuple(two)), sim.wand)
    one = [with_points(c, m == 0) for c, m in zip(sim.tracks.cameras, sim.marker, strict=True)]
    with pytest.raises(UnsolvableError, match=r"found 1 at most.*--distance CAM,CAM,MM"):
        identify(replace(sim.tracks, cameras=tuple(one)), sim.wand)


def test_a_solve_that_lacks_names_asks_for_the_wand_file_first() -> None:
    """The middle marker lies a twelfth of the wand off: hardly a view fits, no two cameras link."""
    sim = nameless(seed=4, strays=0.1, n_frames=600)
    points = sim.wand.points_mm.copy()
    points[1] += (points[2] - points[0]) / 12
    other = replace(sim.wand, points_mm=points, certified=())
    with pytest.raises(UnsolvableError, match=r"of \d+ such views.*See that the wand file"):
        calib.calibrate(sim.tracks, other)


def test_cameras_that_found_hardly_a_wand_are_why_they_are_not_linked() -> None:
    """Through some lenses a line reads as straight that is not: the others were named all the
    same, and it was advised to wave between them.
    """
    seen = {"cam01": (300, 280), "cam02": (200, 90), "cam03": (170, 6)}
    cameras = tuple(CameraNames(n, 900, 0, 0, 3 * f, e, f) for n, (e, f) in seen.items())
    named = Identification(nameless().tracks, cameras)
    islands = UnsolvableError("camera graph", expected="links", found="two islands", remedy="Wave.")
    wand = nameless().wand
    assert not named.is_sparse and hardly_named(named, islands, wand) is None
    islands = UnsolvableError(
        "camera graph",
        expected="links",
        found="two islands",
        remedy="Wave.",
        cameras=["cam02", "cam03"],
    )
    told = hardly_named(named, islands, wand)
    assert told is not None and "in 6 of 170 such views of cam03 (camera graph" in str(told)


def whole_in(sim: Simulation, k: int) -> np.ndarray:
    """The frames (F,) in which camera k truly shows all markers."""
    good = (sim.marker[k] >= 0) & ~sim.is_outlier[k]
    counts = np.bincount(sim.tracks.cameras[k].frame[good], minlength=300)
    return counts == len(sim.wand.markers)


def test_two_wands_of_the_same_shape_are_refused_and_the_cameras_named() -> None:
    one, other = nameless(strays=0.0), nameless(strays=0.0, wave=1)
    cameras = []
    for a, b in zip(one.tracks.cameras, other.tracks.cameras, strict=True):
        frame, xy = np.concatenate([a.frame, b.frame]), np.concatenate([a.xy_px, b.xy_px])
        order = np.argsort(frame, kind="stable")
        n = len(order)
        cameras.append(
            replace(a, frame=frame[order], xy_px=xy[order], marker=np.full(n, -1), radius_px=None)
        )
    with pytest.raises(
        UnsolvableError, match=r"two of its shape at once.*Keep all other wands"
    ) as caught:
        identify(replace(one.tracks, cameras=tuple(cameras)), one.wand)
    # By the truth: in how many of a camera's views both wands show all their markers.
    share = {}
    for k, name in enumerate(one.tracks.names):
        shown = [whole_in(s, k) for s in (one, other)]
        share[name] = (shown[0] & shown[1]).sum() / (shown[0] | shown[1]).sum()
    told = set(caught.value.cameras)
    assert {name for name, s in share.items() if s > 0.1} <= told
    assert told and all(share[name] > 0 for name in told)


# ---- the command


Run = Callable[..., Any]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    sim = nameless()
    calib.save_tracks(replace(sim.tracks, cameras=sim.tracks.cameras[:2]), tmp_path / "t.h5")
    calib.save_wand(sim.wand, tmp_path / "w.toml")
    return tmp_path


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_command_writes_names_lists_masks_and_draws_them(folder: Path) -> None:
    start = ["identify", folder / "t.h5", "--wand", folder / "w.toml", "-o", folder / "n.h5"]
    done = run(*start, "--draw", folder / "m.html")
    assert done.exit_code == 0, done.stderr
    tracks = calib.load_tracks(folder / "n.h5")
    n_masks = sum(len(c.masks_px) for c in tracks.cameras if c.masks_px is not None)
    assert done.stdout.count("mask: cam0") == n_masks > 0
    # Whoever is to cover a reflection may have to climb to it.
    assert "Cover or remove" in done.stdout and "ladder" in done.stderr
    assert "m.html" in done.stderr
    page = (folder / "m.html").read_text(encoding="utf-8")
    assert page.count('class="plot"') == len(tracks.cameras)
    assert f"{len(tracks.cameras[0].masks_px)} masks" in page
    refused = run(*start)
    assert (
        refused.exit_code == 2
        and "--force" in refused.stderr
        and len(refused.stderr.splitlines()) == 1
    )
    document = json.loads(run(*start, "--force", "--json").stdout)
    assert [c["named"] for c in document["cameras"]] == [
        int((c.marker >= 0).sum()) for c in tracks.cameras
    ]
    assert sum(len(c["masks"]) for c in document["cameras"]) == n_masks
    first = document["cameras"][0]["masks"][0]
    assert tracks.cameras[0].masks_px is not None
    assert [first[k] for k in ("x_px", "y_px", "radius_px")] == pytest.approx(
        tracks.cameras[0].masks_px[0].tolist()
    )


def test_command_sends_nobody_on_where_few_views_show_the_wand(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By another wand file, whose middle marker lies a twentieth of the wand off."""
    monkeypatch.chdir(folder)
    for name, off, then in (("w.toml", 0.0, "solve"), ("off.toml", 1 / 20, "inspect")):
        if off:
            wand = calib.load_wand(folder / "w.toml")
            points = wand.points_mm.copy()
            points[1] += off * (points[2] - points[0])
            calib.save_wand(replace(wand, points_mm=points, certified=()), folder / name)
        call = ["identify", "t.h5", "--wand", name, "-o", f"named_{then}.h5"]
        done = run(*call)
        assert done.exit_code == 0, done.stderr
        document = json.loads(run(*call, "--force", "--json").stdout)
        found, enough = (sum(c[k] for c in document["cameras"]) for k in ("frames", "enough"))
        (line_,) = (li for li in done.stdout.splitlines() if li.startswith("Next: "))
        assert document["is_sparse"] == (found < 0.3 * enough) == (then == "inspect")
        assert line_.startswith(f"Next: calib {then} named_{then}.h5 --wand {name}")
        assert ("See that the wand file" in done.stdout) == (then == "inspect")
    assert done.stdout.startswith(f"Too little of the wand was found: {found} of {enough} views")
    judged = run(*shlex.split(line_.removeprefix("Next: calib "), comments=True))
    assert judged.exit_code in {0, 1} and "Many points without a marker" in judged.stdout


def test_command_refuses_in_one_line_and_writes_nothing(folder: Path) -> None:
    calib.save_wand(line(0, 250, 500), folder / "even.toml")
    cases = [
        ("t.h5", "even.toml", "n.h5", (), "end for end"),
        ("t.h5", "w.toml", "t.h5", ("--force",), "input"),
        ("t.h5", "w.toml", "n.h5", ("--draw", folder / "n.svg"), "ends in .html"),
        ("w.toml", "w.toml", "n.h5", (), "not HDF5"),
        ("gone.h5", "w.toml", "n.h5", (), "no such file"),
    ]
    before = sorted(p.name for p in folder.iterdir())
    for tracks, wand, out, more, expected in cases:
        done = run("identify", folder / tracks, "--wand", folder / wand, "-o", folder / out, *more)
        assert (done.exit_code, done.stdout) == (2, ""), expected
        assert expected in done.stderr and len(done.stderr.splitlines()) == 1, done.stderr
        assert sorted(p.name for p in folder.iterdir()) == before
