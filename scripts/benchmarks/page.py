"""How large the report's page is, and how long a browser takes to open it."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

import calib
from calib.report.page.make import html_report
from scripts.benchmarks.browser import HOW, IS_THERE, browser, wait_for
from scripts.benchmarks.table import WORK, Row, note


@dataclass(frozen=True, slots=True)
class Limit:
    """What a page of so many cameras and frames may weigh and take."""

    cameras: int
    frames: int
    size_mb: float
    seconds: float


LIMITS = (Limit(24, 5000, 8.0, 2.0), Limit(200, 3000, 25.0, 5.0))
SOLVED_FROM = 1000  # frames; the page shows all of the capture, whatever the rig was solved from
LOADS = 5


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--small", action="store_true", help="the smaller rig alone")


def run(options: argparse.Namespace) -> list[Row]:
    if not IS_THERE:
        raise RuntimeError(f"page: {HOW}")
    rows = []
    for limit in LIMITS[: 1 if options.small else None]:
        path, made_s = _page(limit, options.seed)
        size_mb = path.stat().st_size / 1e6
        wall, busy = _opening(path)
        what = f"page: {limit.cameras} cameras × {limit.frames:,} frames"
        seed = str(options.seed)
        note(f"{what}: made in {made_s:.1f} s")
        rows += [
            Row(
                f"{what}, size",
                f"< {limit.size_mb:g} MB",
                f"{size_mb:.1f} MB",
                size_mb < limit.size_mb,
                seed,
            ),
            Row(
                f"{what}, opens in",
                f"< {limit.seconds:g} s",
                f"{wall:.2f} s ({busy:.2f} s of the page's thread)",
                wall < limit.seconds,
                seed,
            ),
        ]
    return rows


def _page(limit: Limit, seed: int) -> tuple[Path, float]:
    scenario = calib.Scenario(n_cameras=limit.cameras, n_frames=limit.frames, seed=seed)
    made = calib.simulate.simulate(scenario)
    options = calib.SolveOptions(frames=SOLVED_FROM)
    rig = calib.calibrate(made.tracks, made.wand, options)
    begun = perf_counter()
    path = (WORK / f"page-{limit.cameras}.html").resolve()
    path.write_text(html_report(rig, made.tracks).html, encoding="utf-8")
    return path, perf_counter() - begun


def _opening(path: Path) -> tuple[float, float]:
    """Return the median seconds from the call to the first chart drawn, and of them those in which
    the page's own thread ran, in browsers that have not seen the page.
    """
    found = []
    for _ in range(LOADS):
        with browser() as driver:
            driver.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
            begun = perf_counter()
            driver.get(path.as_uri())
            wait_for(driver, "return !!document.querySelector('#rig.drawn')")
            found.append((perf_counter() - begun, _busy(driver)))
    return median(w for w, _ in found), median(b for _, b in found)


def _busy(driver: Any) -> float:
    metrics = driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return float(next(m["value"] for m in metrics if m["name"] == "TaskDuration"))
