"""HDF5 files that mean harm, or are damaged, end in one line."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from calib import files, guard
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.guard import walk


def external_link(file: h5py.File, folder: Path) -> None:
    camera = next(iter(file["cameras"].values()))
    del camera["xy"]
    camera["xy"] = h5py.ExternalLink("other.h5", "/xy")


def external_group(file: h5py.File, folder: Path) -> None:
    file["more"] = h5py.ExternalLink(str(folder / "t.h5"), "/")


def external_storage(file: h5py.File, folder: Path) -> None:
    (folder / "raw").write_bytes(bytes(80))
    file.create_dataset("raw", (10,), "f8", external=[(str(folder / "raw"), 0, 80)])


def virtual(file: h5py.File, folder: Path) -> None:
    layout = h5py.VirtualLayout((10,), "f8")
    layout[:] = h5py.VirtualSource(".", "/loop", (10,))
    file.create_virtual_dataset("loop", layout)


def odd_filter(file: h5py.File, folder: Path) -> None:
    file.create_dataset("odd", data=np.arange(100), scaleoffset=3, chunks=(100,))


def huge(file: h5py.File, folder: Path) -> None:
    camera = next(iter(file["cameras"].values()))
    del camera["frame"]
    camera.create_dataset("frame", (200_000_000,), "i8", chunks=(65536,))


def pairs(file: h5py.File, folder: Path) -> None:
    file.attrs["odd"] = np.zeros(2, [("a", "i4"), ("b", "f8")])


def never_written(file: h5py.File, folder: Path) -> None:
    file.create_dataset("never", (1 << 27,), "f8")


HARMFUL: list[tuple[Callable[[h5py.File, Path], None], str]] = [
    (external_link, "a link to another file"),
    (external_group, "a link to another file"),
    (external_storage, "data in another file"),
    (virtual, "a virtual dataset"),
    (odd_filter, "filter 6"),
    (huge, "a claim of 1.6 GB"),
    (never_written, "a claim of 1.1 GB"),
    (pairs, "a type made of others"),
]


@pytest.mark.parametrize(("change", "found"), HARMFUL, ids=lambda v: getattr(v, "__name__", ""))
def test_what_leads_elsewhere_or_cannot_be_is_refused(
    change: Callable[[h5py.File, Path], None], found: str, tracks: Tracks, tmp_path: Path
) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    with h5py.File(path, "r+") as file:
        change(file, tmp_path)
    start = time.monotonic()
    for read in (files.load_tracks, files.kind_of, lambda p: list(files.tracks_in_pieces(p))):
        with pytest.raises(InputError) as told:
            read(path)
        line = str(told.value)
        assert line.startswith(f"{path}: /") and found in line and "\n" not in line
    assert time.monotonic() - start < 10


def test_text_of_the_file_itself_is_looked_at(tracks: Tracks, tmp_path: Path) -> None:
    """Zeros in the heap of a file's texts keep the library going for ever."""
    path = tmp_path / "t.h5"
    cameras = tuple(replace(c, serial=None, model=None) for c in tracks.cameras)
    files.save_tracks(replace(tracks, cameras=cameras, title="second text"), path)
    data = bytearray(path.read_bytes())
    heap = data.index(b"GCOL") + 16  # HDF5 specification III.E: heads of 16 bytes, then the text
    first = heap + 16 + -(-int.from_bytes(data[heap + 8 : heap + 16], "little") // 8) * 8
    data[first + 2 : first + 32] = bytes(30)
    path.write_bytes(data)
    with pytest.raises(InputError, match="damaged"):
        files.load_tracks(path)


def test_what_recorders_write_is_read(tracks: Tracks, tmp_path: Path) -> None:
    """Compressed as h5py's users do, with links within the file, a group that holds itself, and
    attributes that are kept apart from their object, of which there may be many.
    """
    path, packed = tmp_path / "t.h5", tmp_path / "packed.h5"
    files.save_tracks(tracks, path)
    with h5py.File(path) as plain, h5py.File(packed, "w", libver="latest") as file:
        file.attrs.update(plain.attrs)
        file.attrs.update({f"note {k}": k for k in range(100)})
        for name, camera in plain["cameras"].items():
            group = file.create_group(f"cameras/{name}", track_order=True)
            group.attrs.update(camera.attrs)
            for key, kept in (("frame", "gzip"), ("xy", "lzf"), ("marker", "gzip")):
                group.create_dataset(
                    key,
                    data=camera[key][()],
                    compression=kept,
                    shuffle=True,
                    fletcher32=True,
                    maxshape=(None, *camera[key].shape[1:]),
                )
        file["self"] = file["/"]
        file["cameras"].file["soft"] = h5py.SoftLink("/cameras")
        file["dangling"] = h5py.SoftLink("/nowhere")
    again = files.load_tracks(packed)
    assert sorted(again.names) == sorted(tracks.names)
    for camera in tracks.cameras:
        same = again.camera(camera.name)
        assert np.array_equal(same.xy_px, camera.xy_px)
        assert np.array_equal(same.frame, camera.frame)


def test_a_file_beyond_the_limit_is_refused_and_the_limit_can_be_raised(
    tracks: Tracks, tmp_path: Path
) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    token = guard.most_points.set(100)
    try:
        with pytest.raises(InputError, match="--max-points"):
            files.load_tracks(path)
        assert list(files.tracks_in_pieces(path))  # takes no more memory for a longer file
        guard.most_points.set(1_000_000)
        assert files.load_tracks(path).names == tracks.names
    finally:
        guard.most_points.reset(token)


@pytest.fixture
def other_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[str], None]]:
    """Put something else in the place of the walk, in the other process."""

    def start(instead: str) -> None:
        script = tmp_path / "instead.py"
        script.write_text(
            f"import runpy\nm = runpy.run_path({walk.__file__!r})\n"
            f"def walk(*_):\n    {instead}\n"
            "m['answer'].__globals__.update(walk=walk, CPU_S=0.5)\nm['main']()"
        )
        monkeypatch.setattr(guard, "_WALK", script)
        monkeypatch.setattr(guard, "_lookers", {})

    yield start
    guard._end()


@pytest.mark.parametrize(
    ("instead", "found"),
    [
        ("import os; os.kill(os.getpid(), 11)", "crashes the HDF5 library"),
        ("import os; os._exit(0)", "crashes the HDF5 library"),
        ("while True: pass", "takes no end"),
        ("import time; time.sleep(60)", "takes no end"),
        ("bytes(1 << 31)", "takes all memory"),
    ],
)
def test_what_the_library_cannot_survive_ends_in_one_line(
    instead: str,
    found: str,
    other_process: Callable[[str], None],
    tracks: Tracks,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    is_asleep = "sleep" in instead
    monkeypatch.setattr(guard, "WAIT_S", 1.0 if is_asleep else 20.0)
    other_process(instead)
    for _ in range(1 if is_asleep else 2):  # the second asks a process that is started anew
        with pytest.raises(InputError, match=found):
            files.load_tracks(path)


def test_without_another_process_the_walk_is_done_here(
    tracks: Tracks, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where Python is a part of another program, which must not be started once more."""
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    monkeypatch.setattr(guard, "_lookers", {})
    monkeypatch.setattr(sys, "executable", "/somewhere/viewer")
    assert files.load_tracks(path).names == tracks.names
    with h5py.File(path, "r+") as file:
        virtual(file, tmp_path)
    with pytest.raises(InputError, match="virtual"):
        files.load_tracks(path)
    assert guard._lookers == {}


def test_the_other_process_ends_with_this_one(tracks: Tracks, tmp_path: Path) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    code = (
        "import os, signal, sys\nfrom calib import guard\n"
        f"guard.check({str(path)!r}, 'x')\n"
        "print(guard._lookers[os.getpid()].process.pid, flush=True)\n"
        "os.kill(os.getpid(), signal.SIGKILL) if sys.argv[1] == 'kill' else None"
    )
    for how in ("end", "kill"):
        done = subprocess.run(
            [sys.executable, "-c", code, how], capture_output=True, text=True, check=False
        )
        pid, until = int(done.stdout), time.monotonic() + 10
        while is_running(pid):
            assert time.monotonic() < until
            time.sleep(0.02)


def is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state: Any = Path(f"/proc/{pid}/stat")
    return not state.exists() or state.read_text().rpartition(")")[2].split()[0] != "Z"


def test_interrupting_it_leaves_nothing_running(
    tracks: Tracks, other_process: Callable[[str], None], tmp_path: Path
) -> None:
    path = tmp_path / "t.h5"
    files.save_tracks(tracks, path)
    other_process("import time; time.sleep(60)")
    guard.start()
    (looker,) = guard._lookers.values()
    before = signal.signal(signal.SIGALRM, signal.default_int_handler)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.3)
        with pytest.raises(KeyboardInterrupt):
            files.load_tracks(path)
    finally:
        signal.signal(signal.SIGALRM, before)
    assert not is_running(looker.process.pid)
