"""Captures followed while they are written, and the command that does so."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace

import h5py
import numpy as np
import pytest

from calib import files
from calib.core.names import command
from calib.core.tracks import Tracks, joined
from calib.errors import InputError
from calib.files.live import FileFollower, follow
from calib.simulate import Knock, day_capture, later_wave
from tests.captures import capture


def wave():
    return capture(n_cameras=6, seed=4, n_frames=900)


def same(a: Tracks, b: Tracks) -> None:
    for c, d in zip(a.cameras, b.cameras, strict=True):
        np.testing.assert_array_equal(c.frame, d.frame)
        np.testing.assert_array_equal(c.xy_px, d.xy_px)
        np.testing.assert_array_equal(c.marker, d.marker)


def polled(follower: FileFollower, n: int = 3) -> list[Tracks]:
    looks = [follower.poll() for _ in range(n)]
    assert not any(look.trouble or look.is_anew for look in looks), looks
    return [look.tracks for look in looks if look.tracks is not None]


def test_a_file_is_followed_as_it_grows(tmp_path):
    tracks, path, got = wave().tracks, tmp_path / "t.h5", []
    follower = follow(path)
    assert "is not there yet" in follower.poll().trouble
    with files.recording(path, tracks) as append:
        for first in range(0, 300, 50):
            append(tracks.between(first, first + 50))
            look = follower.poll()
            assert not look.trouble
            if look.tracks is not None:
                got.append(look.tracks)
                # The newest frames may still be in the writing.
                assert max(c.frame[-1] for c in look.tracks.cameras if c.n_points) < first
    got += polled(follower)
    same(joined(got), tracks.between(0, 300))
    same(files.load_tracks(path), tracks.between(0, 300))
    for c, d in zip(joined(got).cameras, tracks.between(0, 300).cameras, strict=True):
        np.testing.assert_array_equal(c.radius_px, d.radius_px)


def test_a_file_that_a_longer_one_replaces_goes_on(tmp_path):
    tracks, path = wave().tracks, tmp_path / "t.h5"
    follower, got = follow(path), []
    for end in (100, 200, 300):
        files.save_tracks(tracks.between(0, end), path, overwrite=True)
        got += polled(follower)
    same(joined(got), tracks.between(0, 300))


def test_another_capture_or_a_shorter_file_begins_anew(tmp_path):
    tracks, path = wave().tracks, tmp_path / "t.h5"
    other = replace(
        tracks, cameras=tuple(replace(c, xy_px=c.xy_px[::-1].copy()) for c in tracks.cameras)
    )
    follower = follow(path)
    files.save_tracks(tracks.between(0, 200), path)
    polled(follower)
    for then, word in (
        (other.between(0, 300), "replaced by another"),
        (other.between(0, 100), "and held"),
    ):
        files.save_tracks(then, path, overwrite=True)
        look = follower.poll()
        assert look.is_anew and word in look.trouble and "\n" not in look.trouble
        same(joined(polled(follower)), then)


def test_a_file_that_is_cut_off_or_locked_is_told_in_one_line(tmp_path):
    tracks, path = wave().tracks, tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    follower = follow(path)
    polled(follower)
    size = path.stat().st_size
    for n in (size // 2, 1000, 0):
        os.truncate(path, n)
        look = follower.poll()
        assert look.trouble.startswith(str(path)) and "\n" not in look.trouble
        assert look.tracks is None
    path.unlink()
    assert follower.poll().trouble == "t.h5 is gone."
    with h5py.File(path, "w"):
        code = f"from calib.files import follow; print(follow({str(path)!r}).poll().trouble)"
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=False
        )
    assert "its writer has locked" in done.stdout


def test_a_file_whose_writer_was_killed_can_be_read(tmp_path):
    path = tmp_path / "t.h5"
    code = (
        "import os\nfrom calib import files\nfrom tests.test_live import wave\n"
        f"with files.recording({str(path)!r}, wave().tracks) as append:\n"
        "    append(wave().tracks)\n    os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == -9
    with pytest.raises(OSError, match="already open for write"):
        h5py.File(path, "r")
    same(files.load_tracks(path), wave().tracks)
    same(joined(polled(follow(path))), wave().tracks)


def test_files_that_arrive_in_a_folder(tmp_path):
    tracks, folder = wave().tracks.between(0, 300), tmp_path / "in"
    folder.mkdir()
    follower, got = follow(folder), []
    for k, first in enumerate(range(0, 200, 50)):
        files.save_tracks(tracks.between(first, first + 50), folder / f"{k}.h5")
        got += polled(follower, 2)
    (folder / "cameras.toml").write_text(
        f"frame_rate = {tracks.frame_rate_hz}\n"
        + "".join(
            f"[cameras.{c.name}]\nwidth = {c.width}\nheight = {c.height}\n" for c in tracks.cameras
        )
    )
    rest = tracks.between(200, 300)
    (folder / "9.csv").write_text(
        "camera,frame,x,y,marker\n"
        + "".join(
            f"{c.name},{f},{x!r},{y!r},{m}\n"
            for c in rest.cameras
            for f, (x, y), m in zip(
                c.frame.tolist(), c.xy_px.tolist(), c.marker.tolist(), strict=True
            )
        )
    )
    got += polled(follower, 2)
    same(joined(got), tracks)
    (folder / "a.h5").write_bytes(b"nothing of the kind")
    files.save_tracks(tracks.between(0, 50), folder / "b.h5")
    follower.poll()
    trouble = follower.poll().trouble
    assert "not HDF5" in trouble and "frames after 299" in trouble and "\n" not in trouble
    with pytest.raises(InputError, match="its folder"):
        follow(folder / "9.csv")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("live")
    sim = wave()
    files.save_tracks(sim.tracks, out / "tracks.h5")
    files.save_tracks(sim.tracks.between(0, 150), out / "short.h5")
    files.save_wand(sim.wand, out / "wand.toml")
    files.save_rig(sim.truth, out / "rig.h5")
    pair = replace(sim.wand, markers=sim.wand.markers[:2], points_mm=sim.wand.points_mm[:2])
    files.save_wand(pair, out / "pair.toml")
    return out


def test_the_command_stops_when_the_wave_suffices(folder, call):
    code, out, err = call(
        "watch", folder / "tracks.h5", "--wand", folder / "wand.toml", "--need", 1, "--json"
    )
    found = json.loads(out)
    assert code == 0 and found["enough"] and found["reason"] == "the need is met"
    assert found["solved"]["half_mm"] <= 1.0 and found["seconds"] < 36
    assert {c["name"] for c in found["cameras"]} == set(wave().tracks.names)
    assert len(err.splitlines()) <= 3
    _, _, err = call("watch", folder / "tracks.h5", "--wand", folder / "wand.toml", "--need", 9)
    solve = command("solve", str(folder / "tracks.h5"), "--wand", str(folder / "wand.toml"))
    assert f"Next: {solve} -o rig.h5\n" in err


def test_the_command_tells_what_is_missing_when_the_data_end(folder, call):
    code, out, err = call(
        "watch",
        folder / "short.h5",
        "--wand",
        folder / "wand.toml",
        "--need",
        0.01,
        "--patience",
        2,
    )
    assert code == 1
    told = out.replace("\n", " ")
    assert "the need is 0.01 mm in half of them. Keep waving. Walk " in told
    assert "the recording has ended, or its writer died." in err
    assert "Keep waving" not in err  # it is said once, though both go to one pipe


def test_ctrl_c_ends_it_with_the_state(folder):
    arguments = ["watch", folder / "short.h5", "--wand", folder / "wand.toml", "--need", "0.01"]
    start = [sys.executable, "-m", "calib", *map(str, arguments)]
    with subprocess.Popen(start, stdout=-1, stderr=-1, text=True) as running:
        assert running.stderr is not None and running.stderr.readline()  # the first look
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=60)
    assert running.returncode == 1 and "Keep waving." in out and "Traceback" not in err


@pytest.mark.usefixtures("in_no_time")
def test_a_rig_is_rechecked_meanwhile(folder, call):
    code, out, _ = call(
        "watch", folder / "short.h5", "--rig", folder / "rig.h5", "--patience", 2, "--json"
    )
    found = json.loads(out)
    assert code == 0 and not found["moved"] and len(found["cameras"]) == 6


@pytest.mark.usefixtures("in_no_time")
def test_a_rig_is_rechecked_by_any_markers_meanwhile(folder, call, tmp_path):
    """The rig of the wave, one camera turned since, before nameless markers that move about."""
    knock = Knock(camera="cam02", rotation_deg=0.2, translation_mm=0.0)
    day = day_capture(later_wave(wave(), 1, [knock]), 20, 300)
    files.save_tracks(day.tracks, tmp_path / "day.h5")
    code, out, _ = call(
        "watch", tmp_path / "day.h5", "--rig", folder / "rig.h5", "--any", "--patience", 2, "--json"
    )
    found = json.loads(out)
    assert code == 1 and found["moved"] == ["cam02"] and found["is_any"]
    told = call("watch", tmp_path / "day.h5", "--rig", folder / "rig.h5", "--any", "--patience", 2)
    repair = f"calib recheck {folder / 'rig.h5'} {tmp_path / 'day.h5'} --any --repair -o NEW_RIG"
    assert told[0] == 1 and repair in told[1] and "come down: keep" in told[2]
    few = Tracks(tuple(c.rows(c.frame < 5) for c in day.tracks.cameras), 25.0)
    files.save_tracks(few, tmp_path / "few.h5")
    code, out, err = call(
        "watch", tmp_path / "few.h5", "--rig", folder / "rig.h5", "--any", "--patience", 2
    )
    line = err.splitlines()[-1]
    assert (code, out) == (2, "") and "few.h5: recheck" in line and "45 matched points" in line


@pytest.mark.usefixtures("in_no_time")
def test_wrong_calls(folder, refused, call):
    tracks, wand, rig = folder / "tracks.h5", folder / "wand.toml", folder / "rig.h5"
    assert "found neither" in (told := refused("watch", tracks))
    assert "single marker" in told and "calib solve TRACKS --distance CAM,CAM,MM -o RIG" in told
    assert "found both" in refused("watch", tracks, "--wand", wand, "--rig", rig)
    assert "--need" in refused("watch", tracks, "--rig", rig, "--need", 1)
    assert "a wave to solve" in refused("watch", tracks, "--wand", wand, "--any")
    assert "above 0 mm" in refused("watch", tracks, "--wand", wand, "--need", 0)
    line = refused("watch", tracks, "--wand", folder / "pair.toml")
    assert "an index below the wand's 2 markers" in line and str(tracks) in line
    assert "no folder" in refused("watch", folder / "no" / "t.h5", "--wand", wand)
    none = folder / "none.h5"
    code, out, err = call("watch", none, "--wand", wand, "--patience", 2)
    assert (code, out) == (2, "") and "no points while it was watched" in err.splitlines()[-1]
    code, out, err = call("watch", rig, "--wand", wand, "--patience", 2)
    assert (code, out) == (2, "") and "expected calib.tracks, found calib.rig" in err.splitlines()[
        -1
    ]


def test_a_simulated_recording_grows(tmp_path, call):
    out = tmp_path / "trial"
    code, _, err = call(
        "simulate", out, "--cameras", 4, "--frames", 100, "--seed", 3, "--live", "--speed", 40
    )
    assert code == 0, err
    live = files.load_tracks(out / "tracks.h5")
    call("simulate", tmp_path / "b", "--cameras", 4, "--frames", 100, "--seed", 3)
    same(live, files.load_tracks(tmp_path / "b" / "tracks.h5"))
