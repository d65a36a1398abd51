"""select and join: fewer cameras or frames, swapped cables put right, two waves as one capture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import calib
from calib.check.residuals import residual_table
from calib.cli.rigs.rig import _known_distance
from calib.cli.waves.live import in_seconds
from calib.core.camera import Lens
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.intake.edit import GAP_S, join, select
from tests.captures import IDEAL, capture
from tests.program import Call
from tests.test_files import same

Refused = Callable[..., str]
LENS = Lens(1000.0, 1000.0, 640.0, 512.0, np.zeros(5))


def camera(name: str, seed: int, first: int = 0, n: int = 60, **stated: object) -> CameraTracks:
    rng = np.random.default_rng(seed)
    frame = first + np.sort(rng.choice(400, n, replace=False))
    points = {
        "frame": frame,
        "xy_px": rng.uniform(0, 1000, (n, 2)),
        "marker": rng.integers(-1, 3, n).astype(np.int16),
        "radius_px": rng.uniform(1, 3, n).astype(np.float32),
    }
    return CameraTracks(name, 1280, 1024, **(points | stated))  # type: ignore[arg-type]


@pytest.fixture
def tracks() -> Tracks:
    return Tracks(
        (
            camera("a", 1, serial="11", lens=LENS),
            camera("b", 2, serial="22", masks_px=np.array([[5.0, 6.0, 7.0]])),
            camera("c", 3, first=-100),
        ),
        25.0,
        "2031-05-06T07:08:09",
        "an invented capture",
    )


def test_cameras_are_kept_or_left_out_in_their_order(tracks: Tracks) -> None:
    assert select(tracks, without=["b"]).names == ("a", "c")
    assert select(tracks, only=["c", "a"]).names == ("a", "c")
    kept = select(tracks, only=["a", "b"], without=["a"])
    assert kept.names == ("b",) and same(kept.camera("b"), tracks.camera("b"))
    assert (kept.frame_rate_hz, kept.captured_at, kept.title) == (
        tracks.frame_rate_hz,
        tracks.captured_at,
        tracks.title,
    )


@pytest.mark.parametrize("frames", [(50, 200), (-50, None), (None, 10), (-9, 9)])
def test_frames_are_kept_both_ends_included(
    frames: tuple[int | None, int | None], tracks: Tracks
) -> None:
    first, last = frames
    kept = select(tracks, frames=frames)
    for before, after in zip(tracks.cameras, kept.cameras, strict=True):
        wanted = [
            i
            for i, f in enumerate(before.frame.tolist())
            if (first is None or f >= first) and (last is None or f <= last)
        ]
        assert same(after, before.rows(np.array(wanted, dtype=np.intp)))


def test_swapped_cables_are_put_right_and_lenses_stay_with_their_names(tracks: Tracks) -> None:
    right = select(tracks, rename={"a": "b", "b": "a"})
    assert sorted(right.names) == ["a", "b", "c"]
    for name, other in (("a", "b"), ("b", "a")):
        now, stated, seen = right.camera(name), tracks.camera(name), tracks.camera(other)
        assert (now.serial, now.lens) == (stated.serial, stated.lens)
        assert np.array_equal(now.xy_px, seen.xy_px) and np.array_equal(now.frame, seen.frame)
        assert (now.masks_px is None) == (seen.masks_px is None)
    assert same(right.camera("c"), tracks.camera("c"))
    again = select(right, rename={"a": "b", "b": "a"})
    assert all(same(again.camera(n), tracks.camera(n)) for n in tracks.names)


def test_three_cables_in_a_ring_are_put_right_at_once(tracks: Tracks) -> None:
    right = select(tracks, rename={"a": "b", "b": "c", "c": "a"})
    for was, name in (("a", "b"), ("b", "c"), ("c", "a")):
        assert np.array_equal(right.camera(name).xy_px, tracks.camera(was).xy_px)


def test_a_new_name_takes_all_of_its_camera(tracks: Tracks) -> None:
    new = select(tracks, rename={"a": "north"})
    assert new.names == ("north", "b", "c")
    assert same(replace(new.camera("north"), name="a"), tracks.camera("a"))


def test_swapped_cables_put_right_fit_the_rig_as_if_they_had_never_been() -> None:
    """Swapped by hand here; the residuals against the true rig say whether it was put right."""
    sim = capture(n_frames=200, **IDEAL)
    seen = {"cam02": sim.tracks.camera("cam05"), "cam05": sim.tracks.camera("cam02")}
    cameras = (
        replace(c, frame=o.frame, xy_px=o.xy_px, marker=o.marker, radius_px=o.radius_px)
        if (o := seen.get(c.name))
        else c
        for c in sim.tracks.cameras
    )
    swapped = replace(sim.tracks, cameras=tuple(cameras))

    def told(tracks: Tracks) -> dict[str, tuple[float, str]]:
        rows = residual_table(sim.truth, tracks).cameras
        return {row.name: (row.stats.rms_px, " ".join(map(str, row.causes))) for row in rows}

    right = select(swapped, rename={"cam02": "cam05", "cam05": "cam02"})
    assert told(right) == told(sim.tracks)
    assert "under its name are those of cam05" in told(swapped)["cam02"][1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"only": ["z"]}, ("expected one of a, b and c", "'z'")),
        ({"without": ["z"]}, ("expected one of a, b and c", "'z'")),
        ({"rename": {"z": "a"}}, ("expected one of a, b and c", "'z'")),
        ({"without": ["a", "b", "c"]}, ("expected one camera or more", "has a, b and c")),
        ({"without": ["a"], "rename": {"a": "d"}}, ("expected cameras that are kept, b and c",)),
        ({"rename": {"a": "b"}}, ("b twice", "Rename b as well")),
        ({"rename": {"a": "d", "b": "d"}}, ("d twice",)),
        ({"rename": {"a": "x/y"}}, ("a name without '/'",)),
        ({"frames": (5000, None)}, ("points of these cameras", "frames -100 to 395")),
    ],
)
def test_what_cannot_be_selected_is_told(
    options: dict[str, object], words: tuple[str, ...], tracks: Tracks
) -> None:
    with pytest.raises(InputError) as raised:
        select(tracks, **options)  # type: ignore[arg-type]
    assert all(word in str(raised.value) for word in words), str(raised.value)


def test_frames_of_a_capture_without_points_are_told(tracks: Tracks) -> None:
    """It was said to have "frames no"."""
    bare = Tracks(tuple(c.between(0, 0) for c in tracks.cameras), 25.0)
    with pytest.raises(InputError, match=r"found none\. The capture has no points\.$"):
        select(bare, frames=(5, 9))


def test_the_points_of_a_swap_must_fit_the_other_sensor(tracks: Tracks) -> None:
    small = CameraTracks(
        "s", 100, 100, np.empty(0, np.int64), np.empty((0, 2)), np.empty(0, np.int16)
    )
    both = replace(tracks, cameras=(*tracks.cameras, small))
    with pytest.raises(InputError, match="100 × 100 sensor"):
        select(both, rename={"a": "s", "s": "a"})


# ---- join


def later(tracks: Tracks, first: int = 7) -> Tracks:
    return replace(
        tracks,
        cameras=(
            camera("a", 4, first=first, serial="11"),
            camera("d", 5, first=first),
            camera("c", 6, first=first, n=0),
        ),
    )


def test_two_waves_become_one_capture_with_a_gap(tracks: Tracks) -> None:
    second = later(tracks)
    made = join([tracks, second])
    assert made.tracks.names == ("a", "b", "c", "d")
    shift = made.shifts[1]
    assert made.shifts[0] == 0 and shift % 1000 == 0
    last = max(c.frame.max() for c in tracks.cameras)
    first = min(c.frame.min() for c in second.cameras if c.n_points)
    assert GAP_S * 25.0 <= first + shift - last < GAP_S * 25.0 + 1000
    a = made.tracks.camera("a")
    assert np.array_equal(
        a.frame, np.concatenate([tracks.camera("a").frame, second.camera("a").frame + shift])
    )
    assert np.array_equal(
        a.xy_px, np.concatenate([tracks.camera("a").xy_px, second.camera("a").xy_px])
    )
    assert a.serial == "11" and a.lens is LENS  # stated by one of them
    assert same(made.tracks.camera("b"), tracks.camera("b"))
    assert same(made.tracks.camera("c"), tracks.camera("c"))
    assert np.array_equal(made.tracks.camera("d").frame, second.camera("d").frame + shift)


def test_frames_of_three_waves_never_meet(tracks: Tracks) -> None:
    made = join([tracks, later(tracks, -3000), later(tracks, 90_000)])
    frames = [np.concatenate([c.frame for c in made.tracks.cameras])]
    assert made.shifts[1] > 0 > made.shifts[2]  # later numbers come back to what follows
    n = sum(c.n_points for t in (tracks, later(tracks), later(tracks)) for c in t.cameras)
    assert len(frames[0]) == n
    ends = []
    for capture_, shift in zip(
        (tracks, later(tracks, -3000), later(tracks, 90_000)), made.shifts, strict=True
    ):
        own = np.concatenate([c.frame for c in capture_.cameras]) + shift
        ends.append((own.min(), own.max()))
    assert ends[0][1] + 250 <= ends[1][0] and ends[1][1] + 250 <= ends[2][0]


@pytest.mark.parametrize("wave", [0, 1])
def test_a_night_between_two_waves_changes_nothing_and_takes_no_memory(wave: int) -> None:
    """A counter that runs on leaves forty thousand years as it leaves an hour: errors of images are
    looked for within seconds.
    """
    sim = capture(n_frames=250, wave=wave)

    def parted(gap: int) -> Tracks:
        after = [replace(c, frame=c.frame + gap * (c.frame >= 125)) for c in sim.tracks.cameras]
        return replace(sim.tracks, cameras=tuple(after))

    near, far = (calib.solve_rig(parted(gap), sim.wand) for gap in (10**5, 3 * 10**13))
    for name in near.rig.names:
        a, b = (s.rig.camera(name).cam_from_world for s in (near, far))
        np.testing.assert_allclose(a.t_mm, b.t_mm, atol=1e-9)
    tables = [s.table for s in (near, far)]
    assert tables[0].to_dict()["cameras"] == tables[1].to_dict()["cameras"]
    assert list(parted(3 * 10**13).span or ()) == [0, 249 + 3 * 10**13]
    parts = list(in_seconds(parted(3 * 10**13), 0.24))  # of six frames, as told to a watch
    assert 2 * 125 / 6 < len(parts) <= 2 * (125 // 6 + 1) + 1
    assert sum(c.n_points for p in parts for c in p.cameras) == sum(
        c.n_points for c in sim.tracks.cameras
    )


def test_a_joined_capture_tells_more_than_either_wave() -> None:
    """Independent observations add their information (JCGM 101 and any text on least squares), so
    every position comes out surer than from the better wave.
    """
    one, two = (capture(n_frames=250, wave=w, **IDEAL) for w in (0, 1))
    joined = join([one.tracks, two.tracks]).tracks
    first, second, both = (
        np.array([rig.sigmas(n)[0] for n in rig.names])
        for rig in (calib.calibrate(t, one.wand) for t in (one.tracks, two.tracks, joined))
    )
    # The first camera stands for the origin; least trace spreads what is open over all.
    assert (both.mean(axis=1) < np.minimum(first, second).mean(axis=1)).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: replace(t, frame_rate_hz=50.0), ("wave 2: frame_rate", "25 Hz", "50 Hz")),
        (lambda t: one_of(t, width=640), ("wave 2: a: sensor", "1280 × 1024", "640 × 1024")),
        (lambda t: one_of(t, serial="99"), ("wave 2: a: serial", "same cameras")),
        (
            lambda t: one_of(t, lens=Lens(999.0, 1e3, 640.0, 512.0, np.zeros(5))),
            ("wave 2: a: K, dist",),
        ),
    ],
)
def test_waves_that_do_not_belong_together_are_refused(
    change: Callable[[Tracks], Tracks], words: tuple[str, ...], tracks: Tracks
) -> None:
    with pytest.raises(InputError) as raised:
        join([tracks, change(tracks)], ["wave 1", "wave 2"])
    assert all(word in str(raised.value) for word in words), str(raised.value)


def one_of(tracks: Tracks, **changes: object) -> Tracks:
    first, *rest = tracks.cameras
    if "width" in changes:
        first = replace(first, xy_px=first.xy_px * 0.5)
    return replace(tracks, cameras=(replace(first, **changes), *rest))  # type: ignore[arg-type]


def test_names_found_and_names_stated_do_not_mix(tracks: Tracks) -> None:
    with pytest.raises(InputError, match="calib identify in all captures or in none"):
        join([tracks, replace(later(tracks), is_identified=True)])


def test_a_radius_is_kept_only_where_every_point_has_one(tracks: Tracks) -> None:
    second = later(tracks)
    bare = replace(second, cameras=tuple(replace(c, radius_px=None) for c in second.cameras))
    made = join([tracks, bare]).tracks
    assert made.camera("a").radius_px is None
    radius = made.camera("b").radius_px
    assert radius is not None and np.array_equal(radius, tracks.camera("b").radius_px)


# ---- the commands


@pytest.fixture
def file(tracks: Tracks, tmp_path: Path) -> Path:
    calib.save_tracks(tracks, tmp_path / "tracks.h5")
    return tmp_path / "tracks.h5"


def test_select_writes_a_tracks_file(call: Call, file: Path, tracks: Tracks) -> None:
    out = file.parent / "out.h5"
    code, printed, said = call(
        "select",
        file,
        "--without",
        "c",
        "--frames",
        "0-200",
        "--rename",
        "a=b",
        "--rename",
        "b=a",
        "-o",
        out,
    )
    assert (code, printed) == (0, "") and f"wrote {out} (2 cameras" in said
    wanted = select(tracks, without=["c"], frames=(0, 200), rename={"a": "b", "b": "a"})
    assert same(calib.load_tracks(out), wanted)


def test_join_writes_a_tracks_file_and_says_the_shifts(
    call: Call, file: Path, tracks: Tracks
) -> None:
    other, out = file.parent / "second.h5", file.parent / "out.h5"
    calib.save_tracks(later(tracks), other)
    code, printed, said = call("join", file, other, "-o", out)
    assert (code, printed) == (0, "")
    assert (
        f"{file}: frame numbers as they were" in said and f"{other}: frame numbers + 1000" in said
    )
    assert same(calib.load_tracks(out), join([tracks, later(tracks)]).tracks)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Say what to select"),
        (("--frames", "ten"), "FIRST-LAST, as 100-2000"),
        (("--frames", "9" * 5000 + "-"), "FIRST-LAST, as 100-2000"),
        (("--frames", "20-10"), "a first frame before the last"),
        (("--frames", "-"), "FIRST-LAST"),
        (("--rename", "a"), "CAM=CAM"),
        (("--rename", "a=b", "--rename", "a=c"), "a twice"),
        (("--without", "z"), "tracks.h5: camera: expected one of a, b and c"),
    ],
)
def test_a_wrong_selection_is_one_line(
    arguments: tuple[str, ...], words: str, refused: Refused, file: Path
) -> None:
    assert words in refused("select", file, "-o", file.parent / "out.h5", *arguments)


@pytest.fixture
def odd(tracks: Tracks, tmp_path: Path) -> Path:
    """A capture whose cameras bear the signs that options are split at."""
    names = ("a", "b", "a,b", "a=b", "left, low")
    cameras = (replace(tracks.cameras[0], name=name) for name in names)
    calib.save_tracks(replace(tracks, cameras=tuple(cameras)), tmp_path / "odd.h5")
    return tmp_path / "odd.h5"


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (("--without", "a,b"), ("a", "b", "a=b", "left, low")),  # the exact name
        (("--without", "a", "--without", "b"), ("a,b", "a=b", "left, low")),
        (("--only", "left, low,b"), ("b", "left, low")),
        (("--only", " b , a=b "), ("b", "a=b")),
        (("--rename", "left, low=low"), ("a", "b", "a,b", "a=b", "low")),
        (("--rename", "a,b=x=y"), ("a", "b", "x=y", "a=b", "left, low")),
        (
            ("--rename", "b=left, low", "--rename", "left, low=b"),
            ("a", "left, low", "a,b", "a=b", "b"),
        ),
    ],
)
def test_names_with_commas_and_equals_signs_are_taken_as_they_stand(
    arguments: tuple[str, ...], names: tuple[str, ...], call: Call, odd: Path
) -> None:
    out = odd.parent / "out.h5"
    code, _, said = call("select", odd, *arguments, "-o", out)
    assert code == 0, said
    assert set(calib.load_tracks(out).names) == set(names)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--without", "a,b,a=b"), "'a' and 'b' and 'a=b', or 'a,b' and 'a=b'"),
        (("--rename", "a=b=c"), "'a' to 'b=c', or 'a=b' to 'c'"),
        (("--without", "a,z"), "found 'z'"),
        (("--rename", "z=y=x"), "found 'z'"),
    ],
)
def test_names_that_can_be_read_in_two_ways_are_told(
    arguments: tuple[str, ...], words: str, refused: Refused, odd: Path
) -> None:
    assert words in refused("select", odd, "-o", odd.parent / "out.h5", *arguments)


def test_a_distance_is_between_cameras_that_the_capture_has() -> None:
    names = ("1", "2", "1,2", "left, low")

    def read(text: str) -> tuple[str, str, float, float]:
        of = _known_distance(text, names)
        return of.first, of.second, of.length_mm, of.sigma_mm

    assert read("1,2,3500")[:3] == ("1", "2", 3500)
    assert read("1, 2, 3500, 5") == ("1", "2", 3500, 5)
    assert read("1,2,left, low,3500,5") == ("1,2", "left, low", 3500, 5)
    assert read("left, low,1,3500")[:3] == ("left, low", "1", 3500)
    assert read("x,y,3500")[:3] == ("x", "y", 3500)  # told by the solve
    with pytest.raises(InputError, match="read in one way"):
        _known_distance("1,2,3,4", ("1", "2", "1,2", "3"))
    for text in ("1,2", "1", "", "1,2,3,4,5"):
        with pytest.raises(InputError, match="CAMERA,CAMERA,MM"):
            _known_distance(text, names)


def test_outputs_are_never_inputs(refused: Refused, file: Path, tracks: Tracks) -> None:
    other = file.parent / "second.h5"
    calib.save_tracks(later(tracks), other)
    assert "apart from the inputs" in refused("select", file, "--only", "a", "-o", file, "--force")
    assert "apart from the inputs" in refused("join", file, other, "-o", other, "--force")
    assert "one of them twice" in refused("join", file, file, "-o", file.parent / "o.h5")
    assert "two tracks files or more" in refused("join", file, "-o", file.parent / "o.h5")
