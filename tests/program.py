"""The program as a user calls it, for tests; the fixtures made of it are in ``conftest``."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from calib.cli.main import app

Call = Callable[..., tuple[int, str, str]]


def program(*arguments: object, **options: Any) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own, without a width that readline has set behind Python's
    back.
    """
    start = [sys.executable, "-m", "calib"]
    options = {"capture_output": True, "text": True, "env": os.environ} | options
    return subprocess.run([*start, *map(str, arguments)], check=False, **options)


def called(*arguments: object) -> tuple[int, str, str]:
    """The program in this process, as the fixture ``call``, for fixtures of a whole module."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        app([str(a) for a in arguments])
    told, said = (stream.buffer.getvalue().decode() for stream in (out, err))
    return int(ended.value.code or 0), told, said


def snapshot(folder: Path) -> dict[str, bytes]:
    """What is in a folder, by path."""
    return {
        str(p.relative_to(folder)): p.read_bytes() if p.is_file() else b""
        for p in sorted(folder.rglob("*"))
    }
