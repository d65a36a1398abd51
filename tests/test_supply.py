"""What is handed out: wheel and source archive, used without the checkout; a host that imports the
package stays as it is.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HEAVY = "import numpy, scipy.linalg, scipy.special, cv2, h5py, numba, networkx, threadpoolctl"


def run(*command: object, **options: object) -> str:
    done = subprocess.run(
        list(map(str, command)), capture_output=True, text=True, check=False, **options
    )  # type: ignore[call-overload]
    assert done.returncode == 0, done.stderr
    return str(done.stdout)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if importlib.util.find_spec("hatchling") is None:
        pytest.skip("hatchling, which builds the package, is not installed")
    folder = tmp_path_factory.mktemp("built")
    run(sys.executable, "-m", "hatchling", "build", "-d", folder, cwd=ROOT)
    return folder


def content(wheel: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_the_source_archive_gives_the_same_wheel(built: Path, tmp_path: Path) -> None:
    (source,), (wheel,) = built.glob("*.tar.gz"), built.glob("*.whl")
    run("tar", "-xzf", source, "-C", tmp_path)  # Python's asks for a filter from 3.11.4 on
    (folder,) = tmp_path.iterdir()
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path, cwd=folder)
    (again,) = tmp_path.glob("*.whl")
    assert content(again) == content(wheel)
    ours = {".py", ".pyi", ".typed", ".css", ".js", ".toml", ".csv", ".txt"}  # and what code reads
    files = {p for p in (ROOT / "calib").rglob("*") if p.suffix in ours}
    assert {str(p.relative_to(ROOT)) for p in files} <= set(content(wheel))


def test_the_wheel_works_without_the_checkout(built: Path, tmp_path: Path) -> None:
    """In an environment that holds nothing but the wheel and, by a path, what it depends on: to
    install that anew would take minutes and a network.
    """
    (wheel,) = built.glob("*.whl")
    place, work = tmp_path / "env", tmp_path / "work"
    work.mkdir()
    run(sys.executable, "-m", "venv", "--without-pip", place)
    python = place / "bin" / "python"
    run(
        sys.executable,
        "-m",
        "pip",
        "--python",
        python,
        "install",
        "--quiet",
        "--no-deps",
        "--no-index",
        wheel,
    )
    site = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    (site / "others.pth").write_text(sysconfig.get_path("purelib"))
    env = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV"))}

    def calib(*arguments: object) -> str:
        return run(place / "bin" / "calib", *arguments, cwd=work, env=env)

    where = run(python, "-c", "import calib; print(calib.__file__)", cwd=work, env=env)
    assert where.startswith(str(site))
    calib("simulate", "sim", "--cameras", 3, "--frames", 40)
    assert json.loads(calib("describe", "sim/tracks.h5", "--json"))["kind"] == "tracks"
    assert calib("export", "sim/truth.h5", "--to", "opencv").startswith("%YAML")
    assert "calib.rig" in calib("formats", "rig")


def test_importing_changes_nothing_for_the_host() -> None:
    """Warning filters, environment, threads and signals are as the libraries left them."""
    code = f"""
import json, locale, os, signal, sys, threading, warnings
{HEAVY}
import numpy as np
def state():
    return repr([
        dict(os.environ), threading.active_count(), np.geterr(), np.get_printoptions(),
        [signal.getsignal(n) for n in (1, 2, 15)], sys.excepthook, locale.setlocale(locale.LC_ALL),
        sys.path, cv2.getNumThreads(), sys.getrecursionlimit(), numba.get_num_threads(),
        getattr(cv2.utils, "logging", cv2).getLogLevel(),
    ])
def pools():
    return {{p["filepath"]: p["num_threads"] for p in threadpoolctl.threadpool_info()}}
before, filters, threads = state(), list(warnings.filters), pools()
import calib
assert state() == before and list(warnings.filters) == filters and pools() == threads
for name in calib.__all__:
    getattr(calib, name)
# Libraries that come along may add to filters and pools of their own.
assert state() == before
assert [f for f in warnings.filters if f in filters] == filters
assert threads.items() <= pools().items()
"""
    env = {k: v for k, v in os.environ.items() if not k.startswith("PYTHONWARN")}
    run(sys.executable, "-c", code, env=env, cwd=ROOT)


def test_every_dependency_is_listed_with_its_licence() -> None:
    """In DEVELOPERS.md, as the packages themselves state it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for needed in project["dependencies"]:
        name = re.match(r"[\w-]+", needed)
        assert name is not None
        row = re.search(rf"^\| {name[0]} \| ([^|]+) \| [\d.]+ \|", text, re.MULTILINE)
        assert row, f"{name[0]} is not in the list of licences"
        stated = metadata.metadata(name[0])
        told = " ".join(
            [
                stated.get("License-Expression") or "",
                stated.get("License") or "",
                *(stated.get_all("Classifier") or []),
            ]
        ).lower()
        assert row[1].split()[0].lower().split("-")[0] in told, f"{name[0]}: {row[1]}"
