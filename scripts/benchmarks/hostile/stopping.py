"""Commands that write, killed or sent a signal at any moment: their outputs must be all new or all
as they were, each whole, what is said of it true, and what is left behind gone with the next run.
"""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.outputs import write_text
from scripts.benchmarks.table import Row, note

# What each writes; {o} is the place where that is.
WRITING = (
    (
        "simulate {o}/sim --cameras 3 --frames 100 --bar --images 2 --force",
        (
            "sim/tracks.h5",
            "sim/wand.toml",
            "sim/truth.h5",
            "sim/scenario.toml",
            "sim/bar.h5",
            "sim/bar.toml",
            "sim/images.toml",
            "sim/images",
        ),
    ),
    ("import table.csv cameras.toml -o {o}/t.h5 --force", ("t.h5",)),
    ("centroids cam_000001.png -o {o}/c.h5 --spots {o}/c.csv --rate 25 --force", ("c.h5", "c.csv")),
    (
        "identify nameless.h5 --wand line.toml -o {o}/i.h5 --draw {o}/i.html --force",
        ("i.h5", "i.html"),
    ),
    ("solve tracks.h5 --wand wand.toml -o {o}/r.h5 --force", ("r.h5",)),
    ("select tracks.h5 --frames 0-200 -o {o}/s.h5 --force", ("s.h5",)),
    ("join tracks.h5 wave2.h5 -o {o}/j.h5 --force", ("j.h5",)),
    ("align rig.h5 floor.h5 -o {o}/a.h5 --force", ("a.h5",)),
    ("verify rig.h5 bar.h5 --bar bar.toml -o {o}/v.h5 --csv {o}/v.csv --force", ("v.h5", "v.csv")),
    ("precision rig.h5 --step 1000 --csv {o}/p.csv --force", ("p.csv",)),
    ("reconstruct rig.h5 tracks.h5 -o {o}/x.h5 --force", ("x.h5",)),
    ("reconstruct rig.h5 tracks.h5 -o {o}/x.csv --force", ("x.csv",)),
    ("history rig.h5 truth.h5 --csv {o}/h.csv --plot {o}/h.html --force", ("h.csv", "h.html")),
    ("recheck rig.h5 wave2.h5 --repair -o {o}/m.h5 --force", ("m.h5",)),
    ("export rig.h5 --to json -o {o}/e.json --force", ("e.json",)),
    ("export rig.h5 --to ros -o {o}/ros --force", ("ros",)),
    ("record rig.h5 -o {o}/d.html --force", ("d.html",)),
    ("report rig.h5 tracks.h5 -o {o}/w.html --force", ("w.html",)),
)
SIGNALS = (signal.SIGINT, signal.SIGTERM)


@dataclass(frozen=True, slots=True)
class Ended:
    """How one run ended: how far it had come, and what was wrong."""

    is_written: bool
    is_finished: bool
    is_early: bool  # before the first line of the program
    wrong: str | None


def row(what: str, n: int, is_kill: bool, seed: int, folder: Path) -> Row:
    """Stop ``n`` runs, commands in turn, at times drawn from the seed."""
    place = folder / "stopped"
    usual = {command: usual_s(command, outputs, folder, place) for command, outputs in WRITING}
    rng = np.random.default_rng([seed, int(is_kill)])
    ended = []
    for k in range(n):
        command, outputs = WRITING[k % len(WRITING)]
        # Half of them near the end, where files are written.
        first = 0.0 if rng.random() < 0.5 else 0.8
        at_s = usual[command] * rng.uniform(first, 1.05)
        sent = signal.SIGKILL if is_kill else SIGNALS[int(rng.integers(2))]
        is_old = bool(rng.random() < 0.7)
        one = stopped(command, outputs, sent, at_s, is_old, folder, place)
        if one.wrong:
            note(f"{what} {k} (seed {seed}): {command.partition(' ')[0]}: {one.wrong}")
        ended.append(one)
    n_bad = sum(e.wrong is not None for e in ended)
    told = (
        f"{n_bad} of {n} ({sum(e.is_finished for e in ended)} had ended before, "
        f"{sum(e.is_written and not e.is_finished for e in ended)} had written, "
        f"{sum(e.is_early for e in ended)} came before the program's first line)"
    )
    return Row(what, "0 end badly", told, n_bad == 0, str(seed))


def _start(command: str, folder: Path, place: Path) -> subprocess.Popen[str]:
    words = command.replace("{o}", str(place)).split()
    # A shell's background has SIGINT ignored, and so would the program.
    start = (
        "import signal, runpy; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "runpy.run_module('calib', run_name='__main__', alter_sys=True)"
    )
    return subprocess.Popen(
        [sys.executable, "-c", start, *words],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def usual_s(command: str, outputs: tuple[str, ...], folder: Path, place: Path) -> float:
    """Return how long a command takes; its outputs are kept to stand for older ones."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    start = time.perf_counter()
    if command.startswith("simulate"):
        (place / "sim").mkdir()
    done = _start(command, folder, place)
    _, said = done.communicate()
    if done.returncode not in (0, 1) or not all((place / o).exists() for o in outputs):
        raise RuntimeError(f"{command}: {said}")
    took = time.perf_counter() - start
    kept = _kept(command, folder)
    shutil.rmtree(kept, ignore_errors=True)
    shutil.copytree(place, kept)
    return took


def _kept(command: str, folder: Path) -> Path:
    return folder / "kept" / str([c for c, _ in WRITING].index(command))


def stopped(
    command: str,
    outputs: tuple[str, ...],
    sent: signal.Signals,
    at_s: float,
    is_old: bool,
    folder: Path,
    place: Path,
) -> Ended:
    shutil.rmtree(place, ignore_errors=True)
    if is_old:
        shutil.copytree(_kept(command, folder), place)
    else:
        place.mkdir()
        if command.startswith("simulate"):
            (place / "sim").mkdir()
    before = {o: _content(place / o) for o in outputs}
    files = {o: _files(place / o) for o in outputs}
    running = _start(command, folder, place)
    time.sleep(at_s)
    running.send_signal(sent)
    _, said = running.communicate(timeout=60)
    after = {o: _content(place / o) for o in outputs}
    is_new = [_files(place / o) != files[o] for o in outputs]
    wrong = _faults(place, outputs, before, after, is_new)
    is_finished = running.returncode in (0, 1) and "Stopped" not in said and "Traceback" not in said
    is_early = running.returncode == -sent or ("Stopped" not in said and not is_finished)
    if sent != signal.SIGKILL and not is_finished and not is_early:
        wrong = wrong or _untrue(sent, running.returncode, said, any(is_new))
    if is_finished and not all(is_new):
        wrong = wrong or "it had ended, and not written"
    return Ended(any(is_new), is_finished, is_early and sent != signal.SIGKILL, wrong)


def _content(path: Path) -> dict[str, bytes] | None:
    if not path.exists():
        return None
    found = sorted(path.rglob("*")) if path.is_dir() else [path]
    return {str(p.relative_to(path)): p.read_bytes() for p in found if p.is_file()}


def _files(path: Path) -> set[int]:
    """Which files of the system stand there: a new one has another number."""
    return {p.stat().st_ino for p in (path, *path.rglob("*")) if p.exists()}


def _faults(
    place: Path,
    outputs: tuple[str, ...],
    before: dict[str, dict[str, bytes] | None],
    after: dict[str, dict[str, bytes] | None],
    is_new: list[bool],
) -> str | None:
    if any(is_new) and not all(is_new):
        return f"only {[o for o, new in zip(outputs, is_new, strict=True) if new]} are new"
    for o, new in zip(outputs, is_new, strict=True):
        if not new and before[o] != after[o]:
            return f"{o} has changed"
        for name, data in (after[o] or {}).items() if new else ():
            full = f"{o}/{name}"
            is_whole = data.endswith(b"\n") if full.endswith((".csv", ".toml")) else bool(data)
            if not is_whole:
                return f"{full} is not whole"
    for folder in {(place / o).parent for o in outputs}:
        write_text(folder / "next.txt", "", overwrite=True)
        left = [p.name for p in folder.iterdir() if p.name.startswith(".calib")]
        if left:
            return f"{left} left behind after the next run"
    return None


def _untrue(sent: signal.Signals, code: int, said: str, is_new: bool) -> str | None:
    last = said.strip().split("\n")[-1]
    if code != 128 + sent or "Traceback" in said or "Exception ignored" in said:
        return f"exit {code}: {said[-300:]}"
    if ("already written" in last) != is_new or not last.startswith("Stopped"):
        return f"said {last!r}"
    return None
