"""The commands align, verify, precision and reconstruct as their user meets them."""

from __future__ import annotations

import csv
import json
import shlex
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

import calib
from calib import files
from calib.core.rig import Doubt
from calib.core.wand import CertifiedLength, Wand
from calib.simulate import Scenario, simulate
from scripts.benchmarks.bars import bar_tracks
from tests.floors import poses_within
from tests.program import Call, called

BAR_MM = np.array([[0.0, 0, 0], [700, 0, 0]])


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig solved by the program, what else it simulates, and a bar seen in many places."""
    folder = tmp_path_factory.mktemp("site")
    sim = folder / "sim"
    made = called(
        *("simulate", sim, "--cameras", 6, "--frames", 400, "--seed", 21, "--floor", "--bar")
    )
    assert made[0] == 0, made
    solve = ("solve", sim / "tracks.h5", "--wand", sim / "wand.toml", "-o", folder / "rig.h5")
    _, told, said = called(*solve)
    assert "A marker in the middle of the volume is placed to" in told, said
    truth, rng = files.load_rig(folder / "sim/truth.h5"), np.random.default_rng(1)
    low, high = np.array([-1200.0, -1000, 500]), np.array([1200.0, 1000, 1700])
    tracks = bar_tracks(truth, BAR_MM, poses_within(low, high, 80, rng), rng)
    files.save_tracks(tracks, folder / "bar.h5")
    bar = Wand("bar", ("p", "q"), BAR_MM, 0.1, (CertifiedLength(0, 1, 700.0, 0.02),))
    files.save_wand(bar, folder / "bar.toml")
    return folder


@pytest.fixture(scope="module")
def aligned(site: Path) -> Path:
    out = site / "aligned.h5"
    code, told, said = called(
        "align", site / "rig.h5", site / "sim/floor.h5", "-o", out, "--height", 8
    )
    assert code == 0, said
    assert told.startswith("Aligned by right angle")
    assert f"\nNext: calib verify {out} BAR --bar " in told
    return out


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text().splitlines()))


def test_an_aligned_rig_stands_on_its_floor(site: Path, aligned: Path) -> None:
    rig, truth = files.load_rig(aligned), files.load_rig(site / "sim/truth.h5")
    assert rig.alignment is not None and rig.alignment["how"] == "right angle"
    assert {v["file"] for v in rig.alignment["read"].values()} == {"rig.h5", "floor.h5"}
    assert rig.alignment["command"] == "align"
    assert rig.provenance["command"] == "solve"
    heights = [c.position_mm[2] for c in rig.cameras]
    np.testing.assert_allclose(heights, [c.position_mm[2] for c in truth.cameras], atol=15.0)


def test_like_needs_no_floor(site: Path, aligned: Path, call: Call, tmp_path: Path) -> None:
    out = tmp_path / "again.h5"
    code, text, _ = call("align", site / "rig.h5", "--like", aligned, "-o", out, "--json")
    assert code == 0 and json.loads(text)["numbers"]["cameras_agreeing"] == 6
    for a, b in zip(files.load_rig(out).cameras, files.load_rig(aligned).cameras, strict=True):
        np.testing.assert_allclose(a.position_mm, b.position_mm, atol=1e-6)
    # What was checked, in words and units; how many cameras carry the world is in the notes.
    _, text, _ = call("record", out)
    (row,) = (line for line in text.splitlines() if line.startswith("| checked"))
    assert "| cameras apart, RMS 0.00 mm, turned, RMS 0.0000° " in row and "_" not in row


def test_verify_exits_by_its_decision(
    site: Path, aligned: Path, call: Call, tmp_path: Path
) -> None:
    base = ("verify", aligned, site / "bar.h5", "--bar", site / "bar.toml")
    code, text, _ = call(*base)
    assert code == 0 and text.startswith("No limit given")
    code, text, _ = call(
        *base, "--limit", "A=8", "-o", tmp_path / "v.h5", "--csv", tmp_path / "v.csv"
    )
    assert code == 0 and text.startswith("Pass")
    stored = files.load_rig(tmp_path / "v.h5").verification
    assert stored is not None and stored["decision"] == "pass"
    assert stored["read"]["bar"]["sha256"] == files.sha256(site / "bar.toml")
    rows = rows_of(tmp_path / "v.csv")
    code, text, _ = call(*base, "--limit", "A=0.02", "--json")
    found = json.loads(text)
    assert code == 1 and found["decision"] == "fail" and len(found["lengths"]) == len(rows)
    worst = max(abs(float(r["error_mm"])) for r in rows)
    assert found["max_mm"] == pytest.approx(worst, abs=1e-5)
    # In words: which error is furthest beyond what its own length allows.
    code, text, _ = call(*base, "--limit", "A=0.02 K=20000")
    off = max(rows, key=lambda r: abs(float(r["error_mm"])) - float(r["known_mm"]) / 20000)
    allowed = 0.02 + float(off["known_mm"]) / 20000
    told = f"{float(off['error_mm']):+.3f} mm where {allowed:.3f} mm are allowed, lies near"
    assert code == 1 and f"The worst for its length, {told}" in text
    code, text, _ = call(*base, "--limit", f"A={worst + 0.01}")
    assert code == 1 and text.startswith("Undecided")


def test_verify_goes_on_to_the_record(
    site: Path, aligned: Path, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it prints as the next command runs as printed, limit and all, and ends with the page."""
    monkeypatch.chdir(tmp_path)
    typed = ["verify", aligned, site / "bar.h5", "--bar", site / "bar.toml", "--limit", "A=8 B=9"]
    for _ in range(2):
        code, text, _ = call(*typed)
        assert code == 0 and text.startswith("Pass")
        (then,) = (li for li in text.splitlines() if li.startswith("Next: "))
        typed = list(shlex.split(then.removeprefix("Next: calib "), comments=True))
    assert call(*typed)[0] == 0
    assert typed == ["record", "verified.h5", "-o", "record.html"]
    assert "8 mm, 9 mm at most" in Path("record.html").read_text()


def test_the_simulated_bar_is_another_than_the_wand(site: Path, aligned: Path, call: Call) -> None:
    bar = site / "sim/bar.toml"
    code, text, _ = call("verify", aligned, site / "sim/bar.h5", "--bar", bar, "--json")
    found = json.loads(text)
    assert code == 0 and not found["doubts"] and found["n"] > 100
    assert abs(found["scale_error"]) < 4 * found["scale_error_sigma"] + 2e-4


def test_precision_prints_json_and_csv(aligned: Path, call: Call, tmp_path: Path) -> None:
    out = tmp_path / "map.csv"
    volume = ("--volume=-1000,1000,-800,800,300,1700", "--step", "400,400,350")
    code, text, err = call("precision", aligned, *volume, "--csv", out)
    assert code == 0 and "worst near" in text and ("ladder" in err) == ("turned to see it" in text)
    rows = rows_of(out)
    assert len(rows) == 5 * 4 * 4
    code, text, _ = call("precision", aligned, *volume, "--json")
    found = json.loads(text)
    assert len(found["places"]["sigma_mm"]) == len(rows)
    seen = [float(r["sigma_mm"]) for r in rows if r["sigma_mm"]]
    assert found["worst"][0]["sigma_mm"] == pytest.approx(max(seen), abs=1e-5)


def test_precision_says_that_the_rig_is_in_doubt(aligned: Path, call: Call, tmp_path: Path) -> None:
    """Its figures come from a covariance that knows nothing of what speaks against the rig."""
    rig = files.load_rig(aligned)
    doubt = Doubt("wand bends", ("cam01",), {"marker": "q", "offset_mm": 1.5}, 1.0)
    files.save_rig(replace(rig, doubts=(doubt,)), tmp_path / "doubtful.h5")
    volume = ("--volume=-1000,1000,-800,800,300,1700", "--step", "1000")
    said = "The rig is in doubt, and these figures do not count that: wand bends (cam01)."
    _, text, _ = call("precision", tmp_path / "doubtful.h5", *volume)
    assert text.startswith("A marker in the middle") and said in " ".join(text.split())
    assert "in doubt" not in call("precision", aligned, *volume)[1]


@pytest.mark.parametrize("ending", ["csv", "h5", "c3d"])
def test_reconstruct_writes_each_format(
    site: Path, aligned: Path, call: Call, tmp_path: Path, ending: str
) -> None:
    if ending == "c3d":
        pytest.importorskip("ezc3d")
    out = tmp_path / f"points.{ending}"
    code, text, err = call("reconstruct", aligned, site / "sim/tracks.h5", "-o", out, "--json")
    counts = json.loads(text)
    found = calib.reconstruct(files.load_rig(aligned), files.load_tracks(site / "sim/tracks.h5"))
    assert code == 0 and counts["points"] == len(found.frame) and "wrote" in err
    if ending == "csv":
        assert len(out.read_text().splitlines()) == len(found.frame) + 1
    elif ending == "h5":
        with h5py.File(out) as file:
            np.testing.assert_array_equal(file["xyz"][()], found.points_mm)
            assert file.attrs["format"] == "calib.points"
            assert json.loads(file.attrs["provenance"])["command"] == "reconstruct"
    assert [p.name for p in tmp_path.iterdir()] == [out.name]


def test_tracks_of_another_rig_are_told(aligned: Path, call: Call, tmp_path: Path) -> None:
    """The same names before another rig: rays meet by chance alone, in few frames."""
    other = simulate(Scenario(n_cameras=6, n_frames=200, seed=91, connected=False))
    files.save_tracks(other.tracks, tmp_path / "other.h5")
    out = tmp_path / "p.csv"
    code, _, err = call("reconstruct", aligned, aligned, "-o", out)
    assert code == 2 and err.startswith(
        f"{aligned}: format: expected calib.tracks, found calib.rig"
    )
    code, _, err = call("reconstruct", aligned, tmp_path / "other.h5", "-o", out)
    assert code == 0 and "Most points have no place: see that the tracks are of this rig" in err


def test_frames_alone_and_nameless_tracks(
    site: Path, aligned: Path, call: Call, tmp_path: Path
) -> None:
    out = tmp_path / "some.csv"
    code, _, _ = call(
        "reconstruct", aligned, site / "sim/tracks.h5", "-o", out, "--frames", "50-59"
    )
    assert code == 0
    frames = {int(row["frame"]) for row in rows_of(out)}
    assert frames and frames <= set(range(50, 60))
    named = files.load_tracks(site / "sim/tracks.h5")
    cameras = (replace(c, marker=np.full_like(c.marker, -1)) for c in named.cameras)
    files.save_tracks(replace(named, cameras=tuple(cameras)), tmp_path / "nameless.h5")
    code, _, _ = call("reconstruct", aligned, tmp_path / "nameless.h5", "-o", tmp_path / "n.csv")
    whole = calib.reconstruct(files.load_rig(aligned), named)
    assert code == 0 and len(rows_of(tmp_path / "n.csv")) > 0.7 * len(whole.frame)


def test_bad_calls_end_in_one_line(
    site: Path, aligned: Path, refused: Callable[..., str], tmp_path: Path
) -> None:
    bar, floor, empty = site / "bar.toml", site / "sim/floor.h5", tmp_path / "empty.h5"
    capture = files.load_tracks(site / "bar.h5")
    nothing = tuple(c.rows(np.arange(0)) for c in capture.cameras)
    files.save_tracks(replace(capture, cameras=nothing), empty)
    calls: Iterator[tuple[tuple[object, ...], str]] = iter(
        [
            (("align", aligned, "-o", tmp_path / "o.h5"), "either TRACKS"),
            (
                ("align", aligned, floor, "-o", tmp_path / "o.h5", "--points", "a,b"),
                "three markers by number",
            ),
            (
                ("align", aligned, floor, "-o", tmp_path / "o.h5", "--points", "0,1,2"),
                "without names are numbered as calib align lists them",
            ),
            (
                ("align", aligned, "--like", aligned, "-o", tmp_path / "o.h5", "--plane"),
                "no layout of markers",
            ),
            (("align", aligned, floor, "-o", aligned), "apart from the inputs"),
            (("verify", aligned, site / "bar.h5", "--bar", bar, "--limit", "A=x"), "--limit"),
            (("verify", aligned, site / "bar.h5", "--bar", bar, "--volume", "1,2"), "six numbers"),
            (("precision", aligned, "--step", "0"), "--step"),
            (("precision", aligned, "--volume=0,1,0,1,90000,90001"), "two cameras see"),
            (("reconstruct", aligned, site / "bar.h5", "-o", tmp_path / "o.txt"), "ends in .csv"),
            (
                (
                    "reconstruct",
                    aligned,
                    site / "bar.h5",
                    "-o",
                    tmp_path / "o.csv",
                    "--frames",
                    "9-1",
                ),
                "a first frame before the last",
            ),
            (("reconstruct", aligned, bar, "-o", tmp_path / "o.csv"), "not HDF5"),
            *(
                (("reconstruct", aligned, empty, "-o", tmp_path / f"o.{kind}"), "found none")
                for kind in ("csv", "h5", "c3d")
            ),
            (("align", aligned, empty, "-o", tmp_path / "o.h5"), "found none in any of 6"),
            (("verify", aligned, empty, "--bar", bar), "found none in any of 6"),
        ]
    )
    for arguments, words in calls:
        assert words in refused(*arguments)
