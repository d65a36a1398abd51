"""The reference program: compiled Ceres on the same problem, released flags, its faster Schur
solver.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np

from calib.core.geometry import vector_from_rotation
from calib.core.parameters import term_values
from calib.core.threads import n_threads
from scripts.benchmarks.table import WORK
from scripts.benchmarks.wand_task import TERMS, Task, Timing

MARK = 1e-6  # relative distance from the minimum at which the clock stops
SOURCE = Path(__file__).with_name("wand_ceres.cpp")
KINDS = ("dense", "sparse")  # the Schur complement's solver: the faster of the two counts


def write_problem(task: Task, path: Path) -> None:
    """Write what ``wand_ceres.cpp`` reads; its head describes the format."""
    problem, s = task.problem(), task.start
    marker, pair = np.nonzero(problem.weight > 0)
    order = np.lexsort((problem.cam[pair], problem.frame[pair]))
    marker, pair = marker[order], pair[order]
    cameras = np.hstack(
        [vector_from_rotation(s.cam_R), s.cam_t, *(term_values(s.lens, n)[:, None] for n in TERMS)]
    )
    frames = np.hstack([vector_from_rotation(s.wand_R), s.wand_t])
    seen = np.column_stack([*problem.uv_px[:, marker, pair], 1.0 / problem.weight[marker, pair]])
    with path.open("w") as out:
        print("wand-bundle 1", file=out)
        print(problem.n_cameras, problem.n_frames, len(s.shape_mm), len(pair), file=out)
        for block in (s.shape_mm, cameras, np.hstack([task.prior.mean, task.prior.sigma]), frames):
            np.savetxt(out, block, fmt="%.17g")
        index = np.column_stack([problem.cam[pair], problem.frame[pair], marker])
        np.savetxt(out, np.hstack([index, seen]), fmt=["%d"] * 3 + ["%.17g"] * 3)


def compile_ceres() -> Path | str:
    """Return the compiled program, or in a line why there is none."""
    program = WORK / "wand_ceres"
    compiler = shutil.which("g++")
    if compiler is None:
        return "Ceres takes no part: no g++ here (on Debian: apt-get install g++)."
    if not Path("/usr/include/ceres/ceres.h").is_file():
        return (
            "Ceres takes no part: libceres-dev is not installed (on Debian: apt-get "
            "install libceres-dev)."
        )
    if program.is_file() and program.stat().st_mtime > SOURCE.stat().st_mtime:
        return program
    flags = ["-std=c++17", "-O3", "-DNDEBUG", "-march=native", "-fopenmp", "-I/usr/include/eigen3"]
    command = [compiler, *flags, str(SOURCE), "-o", str(program), "-lceres", "-lglog", "-lpthread"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        return f"Ceres takes no part: g++ failed with {done.stderr.strip().splitlines()[-1]}"
    return program


def run_ceres(program: Path, path: Path, kind: str) -> Timing:
    command = [str(program), str(path), kind, str(n_threads())]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    out = json.loads(done.stdout)
    steps, cost = out["iterations"], out["final_cost"]
    mark = next(i for i, step in enumerate(steps) if step["cost"] <= cost * (1 + MARK))
    name = f"Ceres {out['program'].split()[1]}, {kind} Schur"
    return Timing(name, steps[mark]["seconds"], out["seconds"]["total"], mark, len(steps) - 1, cost)
