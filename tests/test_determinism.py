"""The same input, options and machine give the same rig, whatever number of cores takes part."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.program import program

ROOT = Path(__file__).parents[1]


def solved(folder: Path, name: str, cores: set[int], threads: str) -> Path:
    out = folder / name
    pools = ("OMP", "OPENBLAS", "NUMBA", "MKL")
    env = os.environ | {f"{pool}_NUM_THREADS": threads for pool in pools}
    command = ("solve", "tracks.h5", "--wand", "wand.toml", "-o", out)
    done = program(
        *command,
        cwd=folder,
        env=env | {"PYTHONPATH": str(ROOT)},
        preexec_fn=lambda: os.sched_setaffinity(0, cores),
    )
    assert done.returncode in (0, 1), done.stderr
    return out


def content(path: Path) -> dict[str, object]:
    """All that a rig file holds, but for the time at which it was made."""
    found: dict[str, object] = {}
    with h5py.File(path) as file:

        def collect(name: str, node: h5py.Group | h5py.Dataset) -> None:
            found.update({f"{name}@{k}": np.asarray(v).tolist() for k, v in node.attrs.items()})
            if isinstance(node, h5py.Dataset):
                value = node[()]
                found[name] = value.tobytes() if value_is_numbers(node) else str(value)

        file.visititems(collect)
        told = json.loads(file["provenance"][()])
    del told["time"], found["provenance"]
    return found | {"provenance": told}


def value_is_numbers(node: h5py.Dataset) -> bool:
    return bool(node.dtype.kind in "fiu")


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores are chosen on Linux alone")
def test_one_core_and_two_give_the_same_rig_to_the_bit(tmp_path: Path) -> None:
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        pytest.skip("one core")
    done = program("simulate", tmp_path, "--cameras", 8, "--frames", 500, "--seed", 11)
    assert done.returncode == 0, done.stderr
    one = content(solved(tmp_path, "one.h5", {cores[0]}, "1"))
    two = content(solved(tmp_path, "two.h5", set(cores[:2]), "2"))
    again = content(solved(tmp_path, "again.h5", set(cores[:2]), "2"))
    assert two == again
    assert one == two


def test_the_comparison_sees_a_bit(tmp_path: Path) -> None:
    code = (
        "import calib, numpy as np\nfrom dataclasses import replace\n"
        "made = calib.simulate.simulate(calib.Scenario(n_cameras=3, n_frames=40))\n"
        "calib.save_rig(replace(made.truth, provenance={'time': 'x'}), 'a.h5')\n"
        "wave = np.zeros((1, 3))\nwave[0, 0] = np.nextafter(0, 1)\n"
        "calib.save_rig(replace(made.truth, provenance={'time': 'y'}), 'b.h5')\n"
        "calib.save_rig(replace(made.truth, provenance={'time': 'x'}, wave_mm=wave), 'c.h5')\n"
    )
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, "-c", code], cwd=tmp_path, env=env, check=True)
    a, b, c = (content(tmp_path / f"{name}.h5") for name in "abc")
    assert a == b and a != c
