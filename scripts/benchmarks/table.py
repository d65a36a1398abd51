"""What every part hands back: rows of one table, and a head that says where and with what they were
measured.
"""

from __future__ import annotations

import os
import platform
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from calib.core.threads import n_cores
from calib.report.tables import Column, Table

LIBRARIES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "opencv-python",
    "networkx",
    "h5py",
    "gtsam",
)
CERES_VERSION = Path("/usr/include/ceres/version.h")
WORK = Path("out/bench")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: what was measured, the figure it is held to, what was found, and
    whether that is met.

    ``is_met`` is None where there is no limit or nothing could be measured; ``seeds`` says what the
    run was drawn from.
    """

    what: str
    must: str
    found: str
    is_met: bool | None
    seeds: str = ""


def head() -> str:
    """Return the machine and the versions of the libraries that take part."""
    model = platform.processor() or platform.machine()
    memory = ""
    if Path("/proc/cpuinfo").is_file():
        names = re.findall(r"model name\s*:\s*(.*)", Path("/proc/cpuinfo").read_text())
        model = names[0] if names else model
        total = re.search(r"MemTotal:\s*(\d+)", Path("/proc/meminfo").read_text())
        memory = f", {int(total[1]) / 2**20:.0f} GiB" if total else ""
    load = f", load {os.getloadavg()[0]:.1f} at the start" if hasattr(os, "getloadavg") else ""
    versions = [f"Python {platform.python_version()}"]
    for name in LIBRARIES:
        try:
            versions.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            continue
    if CERES_VERSION.is_file():
        parts = re.findall(
            r"CERES_VERSION_(?:MAJOR|MINOR|REVISION) (\d+)", CERES_VERSION.read_text()
        )
        versions.append(f"Ceres {'.'.join(parts)}")
    system = f"{platform.system()} {platform.release()}"
    machine = f"{model}, {n_cores()} cores{memory}, {system}{load}"
    return f"machine   {machine}\nversions  {', '.join(versions)}"


def table(rows: Sequence[Row]) -> str:
    """Return the rows as text in columns; the last says yes, NO, or a dash where nothing can be
    said.

    >>> print(table([Row("speed", "4 times", "5.1 times", True, "1")]))
    what   limit    found      met  seeds
    speed  4 times  5.1 times  yes  1
    """
    verdict = {True: "yes", False: "NO", None: "-"}
    columns = {
        "what": [r.what for r in rows],
        "limit": [r.must for r in rows],
        "found": [r.found for r in rows],
        "met": [verdict[r.is_met] for r in rows],
        "seeds": [r.seeds for r in rows],
    }
    return "\n".join(Table([Column(k, v, is_left=True) for k, v in columns.items()]).laid(None))


def note(text: str) -> None:
    """Say on standard error how far a part has come."""
    print(text, file=sys.stderr, flush=True)


def peak_memory_bytes() -> int:
    """Return the most memory that this process ever held.

    Linux' own high-water mark where there is one: the figure of ``getrusage`` is inherited from the
    parent there.
    """
    status = Path("/proc/self/status")
    if status.is_file() and (mark := re.search(r"VmHWM:\s*(\d+)", status.read_text())):
        return int(mark[1]) * 1024
    import resource  # noqa: PLC0415  (Unix only)

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak if sys.platform == "darwin" else peak * 1024)


def forget_peak_memory() -> None:
    """Let ``peak_memory_bytes`` count from what this process holds now; without effect where the
    system cannot.
    """
    mark = Path("/proc/self/clear_refs")
    if mark.is_file():
        mark.write_text("5")  # resets the high-water mark: proc(5)
