"""Fixtures that several tests use: the program, and records with everything in them."""

from __future__ import annotations

import os
import re

# Before NumPy is loaded: a process a core runs, and workers of linear algebra beside it would wait
# for one another.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from types import SimpleNamespace

import numpy as np
import pytest

from calib.cli.main import app
from calib.cli.waves import live
from calib.core import threads
from calib.core.camera import Lens
from calib.core.geometry import Pose, rotation_from_vector
from calib.core.parameters import ROTATION, CameraParameter, of_cameras, of_wand
from calib.core.rig import CameraStats, Covariance, Rig, RigCamera
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import CertifiedLength, Wand
from tests.program import Call, snapshot

# Where processes share the tests out, each has a core: threads of one would wait for the other's.
# What they add up is grouped alike on any number, and test_determinism starts programs with two.
if "PYTEST_XDIST_WORKER" in os.environ:
    threads.n_threads = lambda: 1

# Long files come first, so that all processes end at about the same time. The first two call other
# compiled loops, which in a fresh clone are compiled side by side instead of twice.
FIRST = (
    *("calibrate", "identify", "field", "whole", "recheck", "causes", "cli", "plan", "exchange"),
    *("suspects", "process", "watch", "wand_check", "recheck_any", "readme", "inspect", "live"),
    *("lasting", "hostile", "known_offsets", "bridging", "timing", "simulate", "repair", "supply"),
    *("page", "centroids", "precision", "lens_terms", "history", "renaming", "guard", "align"),
    *("edit", "bundle", "last_seen", "architecture", "gathered", "cli_prove", "residuals"),
    *("single_marker", "leaning", "formats", "by_place", "images_to_rig", "overdispersion"),
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {f"test_{name}.py": k for k, name in enumerate(FIRST)}
    items.sort(key=lambda item: place.get(item.path.name, len(FIRST)))


@pytest.fixture(autouse=True)
def no_width_of_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables are as wide as in a pipe: readline, once imported, states a width to all processes
    that are started later, such as those that share the tests out.
    """
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.delenv("LINES", raising=False)


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """The program in this process: (exit code, standard output, standard error)."""

    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            app([str(a) for a in arguments])
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return run


@pytest.fixture
def refused(call: Call, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Call the program, which must exit 2 with one line that ends in what to do, nothing printed
    and nothing written; return the line.
    """

    def run(*arguments: object) -> str:
        before = snapshot(tmp_path)
        code, out, err = call(*arguments)
        assert (code, out) == (2, ""), err
        assert err.count("\n") == 1 and err.endswith("\n") and "Traceback" not in err
        assert re.search(r", found .*\.\.? \S|--help|Report it with", err), err
        assert snapshot(tmp_path) == before
        return err.strip()

    yield run


@pytest.fixture
def in_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A watch waits for its next look by a clock that it puts on itself."""
    now_s = 0.0

    class Stop(Event):
        def wait(self, timeout: float | None = None) -> bool:
            nonlocal now_s
            now_s += timeout or 0.0
            return self.is_set()

    monkeypatch.setattr(live, "Event", Stop)
    monkeypatch.setattr(live, "time", SimpleNamespace(monotonic=lambda: now_s))


@pytest.fixture
def tracks() -> Tracks:
    rng = np.random.default_rng(5)
    frame = np.sort(rng.integers(-20, 400, 300))
    marker = np.full(300, -1, np.int16)
    marker[::50] = np.arange(6)
    lens = Lens(1100.5, 1101.25, 640.0, 511.0, rng.normal(size=8))
    return Tracks(
        (
            CameraTracks(
                "west 2",
                1280,
                1024,
                frame,
                rng.uniform(0, 1000, (300, 2)),
                marker,
                radius_px=rng.uniform(1, 4, 300).astype(np.float32),
                lens=lens,
                serial="0042",
                model="тест",
            ),
            CameraTracks(
                "east",
                2000,
                1200,
                frame[:0],
                np.empty((0, 2)),
                marker[:0],
                pixel_pitch_mm=0.0045,
                focal_mm=8.0,
            ),
        ),
        frame_rate_hz=119.88,
        captured_at="2024-02-29T10:00:00+02:00",
        title="an invented capture",
    )


@pytest.fixture
def rig() -> Rig:
    rng = np.random.default_rng(6)
    cameras = []
    for i, name in enumerate(["z", "a b", "cam10", "cam2"]):
        lens = Lens(*rng.uniform(500, 2000, 4), rng.normal(size=8 if i == 1 else 5))
        pose = Pose(rotation_from_vector(rng.normal(size=3)), rng.normal(size=3) * 1e4)
        nan = float("nan")
        stats = [
            None,
            CameraStats(
                1234, 5, *rng.uniform(0, 1, 4).tolist(), tuple(rng.normal(size=2).tolist()), 0.61
            ),
            CameraStats(0, 0, nan, nan, nan, nan, (nan, nan), 0.0),
            None,
        ][i]
        offset = [(), (0.1 + 0.2, 1e-3), (), (-1.25, 0.0)][i]
        cameras.append(RigCamera(name, 2000, 1200, lens, pose, stats, *offset))
    wand = Wand(
        "tri", ("p", "q ü", "r"), np.array([[0, 0, 0], [170.1, 0, 0], [460.0, 1.5, 0]]), 0.02
    )
    certified = (CertifiedLength(0, 2, 460.02, 0.01), CertifiedLength(1, 0, 170.0, 0.02))
    used = Wand(
        "tri", wand.markers, wand.points_mm + rng.normal(size=(3, 3)) * 1e-3, 0.02, certified
    )
    parameters = of_cameras([c.name for c in cameras], (), of_pose=ROTATION)
    parameters = (*parameters[:-2], *of_wand(["q ü"], 2))
    held = (CameraParameter("wand", "focal"), CameraParameter("wand", "cx"))
    root = rng.normal(size=(12, 12))
    provenance = {"tool": "calib", "terms": ["k1"], "n": 3, "x": 0.1 + 0.2, "wand": None}
    return Rig(
        tuple(cameras),
        wand,
        used,
        Covariance(parameters, root @ root.T, held, root[:, :2]),
        provenance,
        left_out={"ü": "why", "cam1": ""},
        findings=("β", "two\nlines"),
        captured_at="2031-05-06T07:08:09+00:00",
        parent_sha256="ab" * 32,
        lasting_share=0.1 + 0.2,
        alignment={"by": ["cam2"], "rms_mm": 0.3},
        verification={"bar": None},
    )
