"""Spoiled files through the commands that read them, in a process that is watched: each must end
with exit 0 to 2, and a failure in one line.

Run as a program it tells of each case as it begins and ends, a line of JSON each, so that the
watcher knows which one a crash or hang belongs to.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from calib.errors import MOST_SHOWN
from scripts.benchmarks.hostile.mutate import mutated
from scripts.benchmarks.hostile.samples import IMAGES, call
from scripts.benchmarks.table import peak_memory_bytes

TEXT = {".toml", ".csv", ".pgm"}
# By sample, the commands that read it: {f} is the spoiled file, {o} a place to write to.
TRACKS = (
    "describe {f}",
    "describe {f} --json",
    "inspect {f} --wand wand.toml",
    "inspect {f} --wand wand.toml --json",
    "select {f} --frames 5-30 -o {o}.h5",
    "join {f} tracks.h5 -o {o}.h5",
    "reconstruct rig.h5 {f} -o {o}.csv",
    "residuals rig.h5 {f}",
    "align rig.h5 {f} -o {o}.h5",
    "verify rig.h5 {f} --bar bar.toml",
)
EXPORTS = ("json", "opencv", "ros", "colmap", "gltf", "csv")
RIG = (
    "describe {f}",
    "describe {f} --json",
    "record {f} -o {o}.html",
    "record {f}",
    "precision {f} --step 2000",
    "history rig.h5 {f} --csv {o}.csv --plot {o}.html",
    "align {f} --like rig.h5 -o {o}.h5",
    "residuals {f} short.h5",
    *(f"export {{f}} --to {to} -o {{o}}.{to}" for to in EXPORTS),
)
WAND = (
    "describe {f}",
    "inspect short.h5 --wand {f}",
    "verify rig.h5 bar.h5 --bar {f}",
    "align rig.h5 floor.h5 --survey {f} -o {o}.h5",
)
IMAGE = ("centroids {f} -o {o}.h5 --spots {o}.csv --rate 25", "focus {f}")
MOST_S = 10.0  # longer is a hang
DESCRIBE = "describe {f}"
SAMPLES: dict[str, tuple[str, ...]] = {
    "short.h5": TRACKS,
    "rig.h5": RIG,
    "old.h5": RIG,
    "wand.toml": WAND,
    "example.toml": WAND,
    "points.h5": (DESCRIBE,),
    "points.csv": (DESCRIBE,),
    "scenario.toml": (DESCRIBE,),
    "plan.toml": (DESCRIBE, "plan {f}"),
    "table.csv": (DESCRIBE, "import {f} cameras.toml -o {o}.h5"),
    "cameras.toml": (DESCRIBE, "import table.csv {f} -o {o}.h5"),
    "images.toml": (DESCRIBE, "centroids cam_000001.png --list {f} -o {o}.h5"),
    **{f"cam_000001{ending}": IMAGE for ending in IMAGES},
    "cam.avi": IMAGE,
}


def fault(code: int, out: str, err: str) -> str | None:
    """Return what is wrong with the way a command ended, None where nothing is."""
    if "defect of the program" in err:
        return err.strip()[:300]
    if code not in (0, 1, 2):
        return f"exit {code}"
    if "Traceback" in out + err:
        return "a traceback"
    if code == 2 and (out or err.count("\n") != 1 or len(err) > MOST_SHOWN + 1):
        return f"exit 2 with {len(out)} characters printed and {err.count(chr(10))} lines"
    unseen = {c for c in out + err if not c.isprintable() and c != "\n" and not c.isspace()}
    return f"control characters {unseen} shown" if unseen else None


def case(sample: str, seed: int, number: int, folder: Path) -> tuple[str | None, int]:
    """Run one case; return what was wrong and the exit code."""
    kind = sorted(SAMPLES).index(sample)
    rng = np.random.default_rng([seed, kind, number])
    is_text = Path(sample).suffix in TEXT
    data = mutated((folder / sample).read_bytes(), rng, is_text)
    spoiled = folder / "spoiled"
    spoiled.mkdir(exist_ok=True)
    (spoiled / sample).write_bytes(data)
    wanted = SAMPLES[sample][int(rng.integers(len(SAMPLES[sample])))]
    if "{o}" in wanted:
        wanted += " --force"
    words = wanted.replace("{f}", f"spoiled/{sample}").replace("{o}", "spoiled/out").split()
    try:
        code, printed, said = call(words)
    except BaseException:
        return traceback.format_exc()[-300:], -1
    return fault(code, printed, said), code


def run(
    samples: list[str], seed: int, numbers: range, folder: Path, tell: Callable[[object], None]
) -> None:
    """Run cases and tell of each."""
    for number in numbers:
        for sample in samples:
            tell(["begin", sample, number])
            if number == numbers.start:  # what is compiled at its first use is no hang
                case(sample, seed, number, folder)
            seconds = float("inf")
            for _ in range(2):  # what other programs held up is not as slow again
                start = time.perf_counter()
                wrong, code = case(sample, seed, number, folder)
                seconds = min(seconds, time.perf_counter() - start)
                if seconds <= MOST_S:
                    break
            tell(["end", sample, number, wrong, code, seconds])
    tell(["memory", peak_memory_bytes()])


def parts(text: str) -> Iterator[str]:
    """Yield the names of a list, or all samples."""
    yield from sorted(SAMPLES) if text == "all" else text.split(",")


def main() -> None:
    """Run the cases that the options say."""
    parser = argparse.ArgumentParser()
    for name in ("folder", "samples"):
        parser.add_argument(name)
    for name in ("seed", "first", "last"):
        parser.add_argument(name, type=int)
    given = parser.parse_args()
    os.chdir(given.folder)
    warnings.simplefilter("ignore")  # as the program does
    real = sys.stdout

    def tell(what: object) -> None:
        print(json.dumps(what), file=real, flush=True)

    known = [s for s in parts(given.samples) if (Path(given.folder) / s).is_file()]
    run(known, given.seed, range(given.first, given.last), Path(given.folder), tell)


if __name__ == "__main__":
    main()
