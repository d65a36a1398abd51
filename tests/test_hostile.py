"""Some of the spoiled files, kills and signals of ``scripts/bench hostile``, of its seeds."""

from __future__ import annotations

import signal
import socket
import urllib.request
from pathlib import Path

import pytest

from calib.cli.main import app
from scripts.benchmarks.hostile import reading, samples, stopping

SOME = (
    "short.h5",
    "rig.h5",
    "old.h5",
    "wand.toml",
    "cameras.toml",
    "table.csv",
    "plan.toml",
    "scenario.toml",
    "cam_000001.png",
    "cam_000001.tif",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("hostile") / "good"
    samples.make(path)
    return path


@pytest.mark.filterwarnings("ignore")  # as the program does
@pytest.mark.parametrize("sample", SOME)
def test_a_spoiled_file_ends_in_one_line_or_is_used(
    sample: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    codes = set()
    for number in range(6):
        wrong, code = reading.case(sample, 1, number, folder)
        assert wrong is None, f"{sample} seed 1 case {number}: {wrong}"
        codes.add(code)
    assert codes <= {0, 1, 2}


def test_the_check_of_an_end_can_fail() -> None:
    for code, out, err in (
        (3, "", ""),
        (2, "x\n", "one line\n"),
        (2, "", "two\nlines\n"),
        (2, "", "x" * 600 + "\n"),
        (0, "", "Traceback (most recent call last)"),
        (2, "", "calib: a defect of the program\n"),
        (0, "\x1b[2J", ""),
    ):
        assert reading.fault(code, out, err)
    assert reading.fault(2, "", "rig.h5: expected a rig, found none.\n") is None
    assert reading.fault(1, "a table\n", "a note\n") is None


def test_a_command_of_two_outputs_is_stopped(folder: Path) -> None:
    command, outputs = next(w for w in stopping.WRITING if w[0].startswith("history"))
    place = folder / "stopped"
    usual_s = stopping.usual_s(command, outputs, folder, place)
    for sent, share in ((signal.SIGKILL, 0.97), (signal.SIGINT, 0.6)):
        ended = stopping.stopped(command, outputs, sent, share * usual_s, True, folder, place)
        assert ended.wrong is None, sent


READING = (
    "describe rig.h5",
    "formats",
    "inspect tracks.h5 --wand wand.toml",
    "focus cam_000001.png",
    "watch tracks.h5 --wand wand.toml --patience 2",
    "residuals rig.h5 tracks.h5",
    "plan plan.toml",
)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.usefixtures("in_no_time")
def test_no_command_opens_a_socket(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a socket")

    monkeypatch.chdir(folder)
    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refuse)
    with pytest.raises(AssertionError):
        urllib.request.urlopen("http://127.0.0.1:9/")
    place = folder / "unplugged"
    place.mkdir()
    calls = [command.replace("{o}", str(place)) for command, _ in stopping.WRITING]
    for words in (call.split() for call in [*calls, *READING]):
        code, _, said = reading.call(words)
        assert code in (0, 1), said
    tried = {call.split()[0] for call in [*calls, *READING]}
    assert tried == {command.name for command in app.registered_commands}


def test_an_image_of_an_input_folder_is_an_input(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    images = folder / "images"
    images.mkdir()
    picture = images / "cam_000001.png"
    picture.write_bytes((folder / picture.name).read_bytes())
    before = picture.read_bytes()
    for out in (
        "-o images/cam_000001.png",
        "-o images/c.h5 --spots images/../images/cam_000001.png",
    ):
        code, _, said = reading.call(f"centroids images --rate 25 --force {out}".split())
        assert code == 2 and "apart from the inputs" in said
    assert [p.name for p in images.iterdir()] == [picture.name] and picture.read_bytes() == before
