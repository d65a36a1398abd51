"""How the program meets its terminal and its signals."""

from __future__ import annotations

import json
import os
import random
import resource
import runpy
import signal
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import calib
from calib.cli import first_use
from calib.cli.process import LEAST_MB
from calib.core.camera import Lens
from calib.core.compiled import when_compiling
from calib.core.geometry import Pose
from calib.core.rig import Rig, RigCamera
from calib.core.wand import Wand

NAMES = ("cam é", "Łódź ß", "カメラ")


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    wand = Wand("w ±", ("p", "q"), np.array([[0, 0, 0], [500.0, 0, 0]]))
    lens = Lens(1000.0, 1000.0, 320.0, 240.0, np.zeros(5))
    cameras = [RigCamera(name, 640, 480, lens, Pose(np.eye(3), np.zeros(3))) for name in NAMES]
    path = tmp_path_factory.mktemp("process") / "rig.h5"
    calib.save_rig(Rig(tuple(cameras), wand, wand), path)
    return path


# Commands one after another in one process, as to start takes longer than what they do.
IN_TURN = (
    "import json, sys\nfrom calib.cli import process\nprocess.prepare()\n"
    "from calib.cli.main import app\n"
    "for arguments in json.loads(sys.argv[1]):\n"
    "    try:\n        app(arguments)\n    except SystemExit as ended:\n        code = ended.code\n"
    "    sys.stdout.flush()\n    sys.stdout.buffer.write(b'\\f%d\\f' % (code or 0))\n"
)


def in_turn(
    *commands: tuple[object, ...], encoding: str = "utf-8", **options: Any
) -> tuple[list[bytes], list[int], str]:
    """What each command prints where standard output has this encoding, what it exits with, and
    what all of them write to standard error.
    """
    env = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    arguments = json.dumps([list(map(str, of)) for of in commands])
    run = [sys.executable, "-c", IN_TURN, arguments]
    done = subprocess.run(run, capture_output=True, check=True, env=env, **options)
    told = done.stdout.split(b"\f")[:-1]
    return told[::2], list(map(int, told[1::2])), done.stderr.decode()


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8", "ascii:strict"])
def test_any_encoding_of_the_terminal_gets_a_readable_text(encoding: str, rig: Path) -> None:
    commands = ("describe", rig), ("describe", rig, "--json")
    (told, document), *ended = in_turn(*commands, encoding=encoding)
    assert ended == [[0, 0], ""]
    codec = encoding.partition(":")[0]
    text = told.decode(codec)
    assert "cam " in text and "640" in text
    if codec == "ascii":  # what NFKD of the Unicode standard leaves of an accented letter
        assert "cam e" in text and "odz ss" in text and "640 x 480" in text
    names = [c["name"] for c in json.loads(document.decode(codec))["cameras"]]
    assert tuple(names) == NAMES


def test_what_a_file_would_hold_is_printed_as_the_file_would_hold_it(
    rig: Path, tmp_path: Path
) -> None:
    kinds = ("csv", "json", "opencv")
    exports = [("export", rig, "--to", kind) for kind in kinds]
    files = [("--quiet", *export, "-o", tmp_path / export[-1]) for export in exports]
    printed, *ended = in_turn(*exports, *files, encoding="ascii")
    assert ended == [[0] * 6, ""]
    for kind, text in zip(kinds, printed, strict=False):
        assert text == (tmp_path / kind).read_bytes() and NAMES[2].encode() in text


def redirected(rig: Path, what: str, command: str) -> subprocess.CompletedProcess[str]:
    line = f"'{sys.executable}' -m calib {command} {what}"
    return subprocess.run(
        ["bash", "-c", line], cwd=rig.parent, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("where", [">&-", ">/dev/full"])
@pytest.mark.parametrize("command", ["describe rig.h5", "--help", "solve --help", "--version"])
def test_standard_output_that_takes_nothing_ends_in_one_line(
    where: str, command: str, rig: Path
) -> None:
    done = redirected(rig, where, command)
    assert done.returncode == 2 and done.stderr.count("\n") == 1, done.stderr
    assert "expected to read or write it" in done.stderr


def test_a_command_that_prints_nothing_needs_no_standard_output(rig: Path) -> None:
    done = redirected(rig, ">&-", "export rig.h5 --to json -o closed.json")
    assert (done.returncode, done.stderr) == (0, "wrote closed.json\n")
    done = redirected(rig, ">&- 2>&- <&-", "export rig.h5 --to json -o silent.json")
    assert done.returncode == 0
    texts = [(rig.parent / f"{name}.json").read_text() for name in ("closed", "silent")]
    assert texts[0] == texts[1] and json.loads(texts[0])["format"] == "calib.rig"


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_at_any_moment_ends_in_one_line(sent: signal.Signals, rig: Path) -> None:
    """From the program's own first line on: what Python does before that is not ours."""
    draw = random.Random(int(sent))
    start = (
        "import signal\nfrom calib.cli import process\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "process.prepare()\nprint('ready', flush=True)\n"
        "from calib.cli.main import app\napp()"
    )
    command = [sys.executable, "-c", start, "describe", str(rig)]
    for _ in range(4):
        running = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert running.stdout is not None and running.stdout.readline() == "ready\n"
        time.sleep(draw.uniform(0, 0.4))
        running.send_signal(sent)
        _, said = running.communicate(timeout=20)
        if running.returncode != 0:  # it had not ended before
            assert running.returncode == 128 + sent
            assert said.startswith("Stopped ") and said.count("\n") == 1
            assert said.endswith("; no output file was written.\n")


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_after_all_is_done_changes_nothing(sent: signal.Signals) -> None:
    """Sent from the last thing that the interpreter destroys: its handlers are gone by then."""
    code = (
        "import os, signal\nfrom calib.cli import process\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\nprocess.prepare()\n"
        "class Last:\n    def __del__(self, kill=os.kill, me=os.getpid()):\n"
        f"        kill(me, {int(sent)})\n"
        "import sys\nsys.last = Last()\nprint('done')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "done\n", "")


def test_what_is_ignored_stays_ignored() -> None:
    code = (
        "import signal\nfrom calib.cli import process\n"
        "signal.signal(signal.SIGHUP, signal.SIG_IGN)\nprocess.prepare()\n"
        "print(signal.getsignal(signal.SIGHUP) is signal.SIG_IGN)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "True\n"


def claiming(n: int, ending: str) -> bytes:
    """An image of a kilobyte that says it is ``n`` pixels wide and high."""
    if ending == ".pgm":
        return f"P2\n{n} {n}\n255\n0 0 0\n".encode()
    if ending == ".png":

        def chunk(kind: bytes, data: bytes) -> bytes:
            crc = zlib.crc32(kind + data)
            return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", crc)

        head = struct.pack(">IIBBBBB", n, n, 8, 0, 0, 0, 0)
        rows = zlib.compress(bytes(n + 1), 9) * 3
        data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows)
        return data + chunk(b"IEND", b"")
    import cv2  # noqa: PLC0415

    small: bytes = cv2.imencode(ending, np.zeros((16, 16), np.uint8))[1].tobytes()
    side = "<I" if ending == ".bmp" else "<H"
    return small.replace(struct.pack(side, 16), struct.pack(side, n))


def test_an_image_that_claims_gigabytes_takes_none(tmp_path: Path) -> None:
    paths = [tmp_path / f"cam_000001{ending}" for ending in (".png", ".pgm", ".bmp", ".tif")]
    for path in paths:
        path.write_bytes(claiming(30_000, path.suffix))

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))

    _, codes, said = in_turn(*(("focus", path) for path in paths), preexec_fn=limit)
    assert codes == [2] * 4
    for path, line in zip(paths, said.splitlines(), strict=True):
        assert str(path) in line


@pytest.mark.parametrize("megabytes", [150, 360, 500, 900])
def test_too_little_memory_for_the_libraries_is_told_at_once(megabytes: int, rig: Path) -> None:
    done = _aligned(rig, megabytes)
    assert done.returncode == 2 and done.stderr.count("\n") == 1, done.stderr
    assert f"found {megabytes} MB" in done.stderr


def test_the_least_memory_that_is_let_pass_is_enough_for_the_libraries(rig: Path) -> None:
    done = _aligned(rig, LEAST_MB)
    assert done.returncode == 0, done.stderr


def test_linear_algebra_has_its_buffers_before_memory_runs_out() -> None:
    """It would ask for them for ever."""
    code = (
        "from calib.cli import process\nprocess.reserve()\n"
        "import numpy as np\nfrom scipy.linalg import blas\n"
        "a, out = (np.ones((300, 300), order='F') for _ in range(2))\nheld = []\n"
        "try:\n    while True:\n        held.append(bytearray(1 << 20))\n"
        "except MemoryError:\n    pass\n"
        "np.matmul(a, a, out=out)\nblas.dgemm(1.0, a, a, c=out, overwrite_c=1)\n"
        "held.clear()\nprint(out[0, 0])\n"
    )
    done = _held(LEAST_MB, sys.executable, "-c", code)
    assert (done.returncode, done.stdout) == (0, "300.0\n"), done.stderr


def test_linear_algebra_that_is_loaded_later_keeps_to_one_thread_too() -> None:
    """SciPy brings its own."""
    code = (
        "import numpy\nfrom threadpoolctl import threadpool_info\n"
        "from calib.core.threads import one_blas_thread\n"
        "@one_blas_thread\ndef found():\n"
        "    return [p['num_threads'] for p in threadpool_info() if p['user_api'] == 'blas']\n"
        "before = len(found())\nimport scipy.linalg\n"
        "print(before < len(found()), set(found()))\n"
    )
    two = os.environ | {"OPENBLAS_NUM_THREADS": "2"}
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, env=two
    )
    assert done.stdout == "True {1}\n"


def _aligned(rig: Path, megabytes: int) -> subprocess.CompletedProcess[str]:
    start = (sys.executable, "-m", "calib", "align")
    return _held(megabytes, *start, rig, "--like", rig, "-o", rig.parent / "no.h5", "--force")


def _held(megabytes: int, *command: object) -> subprocess.CompletedProcess[str]:
    """Run a command in so much address space."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))

    one = {f"{pool}_NUM_THREADS": "1" for pool in ("OMP", "OPENBLAS", "NUMBA")}
    return subprocess.run(
        list(map(str, command)),
        check=False,
        capture_output=True,
        text=True,
        preexec_fn=limit,
        env=os.environ | one,
        timeout=120,
    )


def test_a_first_use_is_said_once_at_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def said(is_terminal: bool, times: list[float]) -> list[str]:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: is_terminal, raising=False)
        told = first_use.FirstUse(iter(times).__next__)
        for _ in times:
            told()
        return capsys.readouterr().err.splitlines()

    assert said(True, [10.0, 10.5, 12.5, 20.0]) == [
        "First use here: getting ready takes a minute or two, this once."
    ]
    assert said(True, [10.0, 11.9]) == []  # done before it is read
    assert said(False, [10.0, 20.0, 30.0]) == []  # a script reads what comes here


def test_a_loop_that_is_compiled_is_told_and_one_that_is_kept_is_not(tmp_path: Path) -> None:
    path = tmp_path / "doubling.py"
    path.write_text(
        "from calib.core.compiled import compiled\n@compiled\ndef twice(x):\n    return 2.0 * x\n"
    )
    told: list[str] = []
    when_compiling(lambda: told.append("compiling"))
    for has_kept in (False, True):
        told.clear()
        assert runpy.run_path(str(path))["twice"](2.0) == 4.0
        assert (not told) == has_kept


CALLER = """from calib.core.compiled import compiled
from {callee} import {function}
@compiled
def total(x):
    return {function}(x) + 1.0
"""
CALLEE = """from calib.core.compiled import compiled
FACTOR = {factor}
@compiled
def {function}(x):
    return FACTOR * x
"""


def _total_of(folder: Path, callee: str, function: str, factor: float, **limits: int) -> float:
    """What a loop gives that calls one of another file, in a process of its own."""
    (folder / "caller.py").write_text(CALLER.format(callee=callee, function=function))
    (folder / f"{callee}.py").write_text(CALLEE.format(function=function, factor=factor))
    limit = "".join(f"resource.setrlimit(resource.{k}, ({v}, {v}));" for k, v in limits.items())
    code = f"import resource; {limit} from caller import total; print(total(3.0))"
    # Python takes a file of the same second and size for the same.
    env = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}
    env |= {"PYTHONPATH": os.pathsep.join([str(folder), *sys.path])}
    env |= {"NUMBA_CACHE_DIR": str(folder / "kept")}
    run = [sys.executable, "-c", code]
    done = subprocess.run(run, cwd=folder, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return float(done.stdout)


def test_machine_code_that_is_kept_follows_what_is_inside_it(tmp_path: Path) -> None:
    assert _total_of(tmp_path, "inner", "scaled", 2.0) == 7.0
    assert list(tmp_path.rglob("caller.total*.nbi")), "nothing was kept to begin with"
    # A constant in the file of the loop that is called, while the caller's file stays as it was.
    assert _total_of(tmp_path, "inner", "scaled", 5.0) == 16.0
    # A newer version of the program has that file no more.
    (tmp_path / "inner.py").unlink()
    assert _total_of(tmp_path, "other", "grown", 7.0) == 22.0


def test_damaged_machine_code_is_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "tripling.py"
    path.write_text(
        "from calib.core.compiled import compiled\n@compiled\ndef thrice(x):\n    return 3.0 * x\n"
    )
    told: list[str] = []
    when_compiling(lambda: told.append("compiling"))

    def is_compiled() -> bool:
        told.clear()
        assert runpy.run_path(str(path))["thrice"](2.0) == 6.0
        return bool(told)

    assert is_compiled() and not is_compiled()
    for left in (b"", b"\x80\x04\x95", b"no machine code"):
        for suffix in (".nbi", ".nbc"):  # the one names the other
            kept = list(tmp_path.rglob(f"*{suffix}"))
            assert kept
            for of in kept:
                of.write_bytes(left)
            assert is_compiled() and not is_compiled()


def test_a_full_disk_keeps_no_machine_code_and_does_no_harm(tmp_path: Path) -> None:
    assert _total_of(tmp_path, "inner", "scaled", 2.0, RLIMIT_FSIZE=0) == 7.0
    assert not list(tmp_path.rglob("*.nbc"))
