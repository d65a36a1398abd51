"""The same input, options and machine give the same rig, whatever number of cores takes part."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

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


def content(path: Path) -> dict[str, Any]:
    """All that a rig file holds, but for the time at which it was made."""
    found: dict[str, Any] = {}
    with h5py.File(path) as file:

        def collect(name: str, node: h5py.Group | h5py.Dataset) -> None:
            values = {f"{name}@{k}": v for k, v in node.attrs.items()}
            if isinstance(node, h5py.Dataset):
                values[name] = node[()]
            for key, value in values.items():
                numbers = np.asarray(value)
                found[key] = numbers if numbers.dtype.kind in "fiu" else str(value)

        file.visititems(collect)
        told = json.loads(file["provenance"][()])
    del told["time"], found["provenance"]
    return found | {"provenance": told}


def bits(found: dict[str, Any]) -> dict[str, Any]:
    return {k: v.tobytes() if isinstance(v, np.ndarray) else v for k, v in found.items()}


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores are chosen on Linux alone")
def test_one_core_and_two_give_the_same_rig(tmp_path: Path) -> None:
    """A run is repeated to the bit. Across numbers of cores equal to rounding, as how a product is
    cut into sums is the business of linear algebra: SciPy 1.15's cuts by cores, newer ones do not.
    """
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        pytest.skip("one core")
    done = program("simulate", tmp_path, "--cameras", 6, "--frames", 300, "--seed", 11)
    assert done.returncode == 0, done.stderr
    one = content(solved(tmp_path, "one.h5", {cores[0]}, "1"))
    two = content(solved(tmp_path, "two.h5", set(cores[:2]), "2"))
    again = content(solved(tmp_path, "again.h5", set(cores[:2]), "2"))
    assert bits(two) == bits(again)
    assert one.keys() == two.keys()
    for name, a in one.items():
        b = two[name]
        if isinstance(a, np.ndarray) and a.dtype.kind == "f" and a.size:
            # Means of residuals are rounding alone: against a centroid's noise, a tenth of a px.
            size = max(np.nanmax(np.abs(b)), 0.1)
            np.testing.assert_allclose(a, b, rtol=0, atol=1e-9 * size, err_msg=name)
        else:
            assert np.array_equal(a, b), name


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
    a, b, c = (bits(content(tmp_path / f"{name}.h5")) for name in "abc")
    assert a == b and a != c
