"""Outputs: whole, together, never over an input, and nothing of theirs left behind."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from calib import outputs
from calib.errors import OutputError
from calib.outputs import check_output, check_outputs, together, write_folder, write_text, written
from tests.program import snapshot


def test_an_input_is_known_by_the_file_that_its_name_resolves_to(tmp_path: Path) -> None:
    """A folder that is not there, and the way back up from it, name the same file to a writer that
    puts names in order, though the system finds nothing under that name.
    """
    source = tmp_path / "t.h5"
    source.write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path)
    for other in ("none/../t.h5", "link/t.h5", "./t.h5"):
        out = f"{tmp_path}/{other}"
        with pytest.raises(OutputError, match="apart from the inputs"):
            check_output(out, overwrite=True, inputs=[source])
        with pytest.raises(OutputError, match="no file there yet"):
            write_text(out, "new")
    assert snapshot(tmp_path)["t.h5"] == b"mine"


def test_a_dash_is_no_files_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Other programs take it for standard output; as a file it is hard to get rid of."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OutputError, match="expected the name of a file, found a dash alone"):
        write_text("-", "x")
    assert not list(tmp_path.iterdir())


def test_two_outputs_of_a_command_are_two_files(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path)
    check_outputs([tmp_path / "a", None, tmp_path / "b"])
    for second in ("a", "./a", "link/a", "none/../a"):
        with pytest.raises(OutputError, match="a file of its own"):
            check_outputs([tmp_path / "a", f"{tmp_path}/{second}"])


def write_all(folder: Path, text: str) -> None:
    with together():
        write_text(folder / "a", text, overwrite=True)
        write_folder(folder / "b", {"c": text}, overwrite=True)
        write_text(folder / "d", text, overwrite=True)
        assert not {"a", "b", "d"} & {p.name for p in folder.iterdir()} or text != "first"


def test_files_written_together_appear_together(tmp_path: Path) -> None:
    for text in ("first", "second"):
        write_all(tmp_path, text)
        data = text.encode()
        assert snapshot(tmp_path) == {"a": data, "b": b"", "b/c": data, "d": data}
        assert outputs.finished[-3:] == [tmp_path / name for name in "abd"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
@pytest.mark.parametrize("is_there", [False, True])
@pytest.mark.parametrize("failing", [1, 2, 3])
@pytest.mark.parametrize("failure", [OSError(errno.ENOSPC, "full"), KeyboardInterrupt()])
def test_where_one_fails_all_are_as_they_were(
    step: str,
    is_there: bool,
    failing: int,
    failure: BaseException,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if is_there:
        write_all(tmp_path, "first")
    before, calls, true = snapshot(tmp_path), [0], getattr(os, step)

    def fail(*arguments: Any) -> None:
        calls[0] += 1
        if calls[0] == failing:
            raise failure
        true(*arguments)

    monkeypatch.setattr(os, step, fail)
    with pytest.raises((OutputError, OSError, KeyboardInterrupt)):
        write_all(tmp_path, "second")
    assert snapshot(tmp_path) == before


def test_a_disk_that_fills_at_the_second_file_leaves_the_first_unwritten(tmp_path: Path) -> None:
    """A limit on a file's size stands for the full disk."""
    code = (
        "import resource, sys\n"
        "from calib.outputs import together, write_text\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "with together():\n"
        "    write_text('a', 'short')\n"
        "    write_text('b', 'x' * 5000)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1 and "OutputError: b: " in done.stderr
    assert snapshot(tmp_path) == {}


START = "import os, signal\nfrom calib.outputs import *\nfrom calib.outputs import written\n"


def test_what_a_killed_writer_leaves_is_removed_by_the_next(tmp_path: Path) -> None:
    code = f"{START}with written('a') as part:\n    os.kill(os.getpid(), signal.SIGKILL)"
    for _ in range(2):
        done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=False)
        assert done.returncode == -signal.SIGKILL
    (left,) = tmp_path.iterdir()  # the second run has removed what the first left
    left.with_name(f"{left.name}.c3d").write_text("written under another ending")
    (tmp_path / ".calib-notes").write_text("somebody's")
    write_text(tmp_path / "b", "new")
    assert snapshot(tmp_path) == {".calib-notes": b"somebody's", "b": b"new"}


def test_what_is_being_written_is_left_alone(tmp_path: Path) -> None:
    with written(tmp_path / "a") as part:
        part.write_text("first")
        code = f"{START}write_text('b', 'second')"
        subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=True)
        write_text(tmp_path / "c", "third")
    assert snapshot(tmp_path) == {"a": b"first", "b": b"second", "c": b"third"}


def test_a_folder_cut_off_between_its_renames_comes_back(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, {"a": "first"})
    code = (
        f"{START}true, n = os.replace, []\n"
        "def replace(*names):\n"
        "    n.append(1)\n"
        "    os.kill(os.getpid(), signal.SIGKILL) if len(n) == 2 else true(*names)\n"
        "os.replace = replace\n"
        "write_folder('out', {'a': 'second'}, True)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=False)
    assert done.returncode == -signal.SIGKILL and not out.exists()
    with pytest.raises(OutputError, match="no folder there yet"):
        write_folder(out, {"a": "third"})
    assert (out / "a").read_text() == "first"
    write_folder(out, {"a": "third"}, overwrite=True)
    assert snapshot(tmp_path) == {"out": b"", "out/a": b"third"}


def test_signals_wait_until_all_names_are_given(tmp_path: Path) -> None:
    code = (
        f"{START}true = os.replace\n"
        "def replace(*names):\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "    true(*names)\n"
        "os.replace = replace\n"
        "signal.signal(signal.SIGINT, lambda *_: os._exit(9))\n"
        "with together():\n"
        "    write_text('a', 'new')\n"
        "    write_text('b', 'new')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=False)
    assert done.returncode == 9 and snapshot(tmp_path) == {"a": b"new", "b": b"new"}
