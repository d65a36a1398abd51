"""The program as a user calls it, for tests; the fixtures made of it are in ``conftest``."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

Call = Callable[..., tuple[int, str, str]]


def program(*arguments: object, **options: Any) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own, without a width that readline has set behind Python's
    back.
    """
    start = [sys.executable, "-m", "calib"]
    options = {"capture_output": True, "text": True, "env": os.environ} | options
    return subprocess.run([*start, *map(str, arguments)], check=False, **options)


def snapshot(folder: Path) -> dict[str, bytes]:
    """What is in a folder, by path."""
    return {
        str(p.relative_to(folder)): p.read_bytes() if p.is_file() else b""
        for p in sorted(folder.rglob("*"))
    }
