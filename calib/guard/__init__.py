"""HDF5 files looked through in a process of its own before this one opens them (``walk``).

This module loads next to nothing, so that the other process can start before this one loads what
it works with.
"""

from __future__ import annotations

import atexit
import json
import os
import signal
import subprocess
import sys
import threading
from contextvars import ContextVar
from pathlib import Path

from calib.errors import InputError

PathLike = str | os.PathLike[str]
_WALK = Path(__file__).with_name("walk.py")
POINT_BYTES = 26  # of frame, place and marker in a tracks file
# Points that a file which is read as a whole may hold: they take some three times their 0.5 GB.
most_points: ContextVar[int] = ContextVar("most_points", default=20_000_000)
WAIT_S, WAIT_BYTES_PER_S = 30.0, 2e6  # for a slow disk; the work itself has a limit of its own
_DAMAGED = "Copy or make it again."


def check(path: PathLike, kind: str, is_whole: bool = True) -> None:
    """Raise InputError for a file that is damaged, that leads to other files, or whose sizes cannot
    be; ``is_whole``: it will be read as a whole, so that its size has a limit.
    """
    most_bytes = most_points.get() * POINT_BYTES if is_whole else sys.float_info.max
    answer = _ask(os.path.abspath(os.fspath(path)), most_bytes)
    match answer:
        case ["good"]:
            return
        case ["refused", place, expected, found, remedy]:
            raise InputError(f"{path}: {place}", expected=expected, found=found, remedy=remedy)
        case ["locked"]:
            raise InputError(
                str(path),
                expected="a file that others may read",
                found="one its writer has locked",
                remedy="Write it for readers to follow (HDF5's SWMR mode), or wait until it is "
                "closed.",
            )
        case ["damaged", why]:
            found = f"a damaged or cut-off file ({why})"
        case ["memory"]:
            found = "a damaged file, which takes all memory"
        case ["slow"]:
            found = "a damaged file, which takes no end"
        case _:
            found = "a damaged file, which crashes the HDF5 library"
    raise InputError(str(path), expected=f"{kind}, complete", found=found, remedy=_DAMAGED)


class _Looker:
    """The other process and the pipes to it."""

    def __init__(self) -> None:
        paths = json.dumps([p for p in sys.path if p])
        start = (
            "import json, runpy, sys; sys.path[:] = json.loads(sys.argv[1]);"
            " runpy.run_path(sys.argv[2], run_name='__main__')"
        )
        self.process = subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", start, paths, str(_WALK)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            # Ctrl-C is for its owner; one thread is all that it needs, and plugins none.
            start_new_session=True,
            env=os.environ | _QUIET,
        )

    def ask(self, path: str, most_bytes: float) -> list[str]:
        to, back = self.process.stdin, self.process.stdout
        assert to is not None and back is not None
        try:
            wait_s = WAIT_S + os.path.getsize(path) / WAIT_BYTES_PER_S
        except OSError:
            wait_s = WAIT_S
        is_late = threading.Event()

        def end() -> None:
            is_late.set()
            self.process.kill()

        timer = threading.Timer(wait_s, end)
        timer.daemon = True
        timer.start()
        try:
            to.write(json.dumps([path, most_bytes]) + "\n")
            to.flush()
            line = back.readline()
        except OSError:  # it is gone
            line = ""
        except BaseException:
            self.close()
            raise
        finally:
            timer.cancel()
        if line.endswith("\n"):
            answer: list[str] = json.loads(line)
            return answer
        self.close()
        is_slow = is_late.is_set() or self.process.returncode == -getattr(signal, "SIGPROF", 0)
        return ["slow"] if is_slow else ["crashed"]

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


_QUIET = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "HDF5_PLUGIN_PRELOAD": "::",
}
_lock = threading.Lock()
_lookers: dict[int, _Looker] = {}  # by the process that started it, as processes may fork


def start() -> None:
    """Start the other process, so that it is there when it is needed."""
    with _lock:
        _looker()


def _looker() -> _Looker | None:
    """Return the process; None where this one's executable is no Python that could be started."""
    found = _lookers.get(os.getpid())
    if found is not None and found.process.poll() is None:
        return found
    name = os.path.basename(sys.executable or "").lower()
    if not name.startswith("python") or getattr(sys, "frozen", False):
        return None
    try:
        _lookers[os.getpid()] = _Looker()
    except OSError:
        return None
    return _lookers[os.getpid()]


def _ask(path: str, most_bytes: float) -> list[str]:
    with _lock:
        if (looker := _looker()) is not None:
            return looker.ask(path, most_bytes)
    from calib.guard.walk import answer  # noqa: PLC0415 - loads h5py

    return answer(path, most_bytes)


@atexit.register
def _end() -> None:
    if (found := _lookers.get(os.getpid())) is not None:
        found.close()
