"""Make page.png, a small picture of the report of the invented capture rehearsal-hall.

python -m datasets.make_page_picture [FILE]   (default: page.png in this folder; needs chromium)
"""

from __future__ import annotations

import argparse
import base64
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

import calib
from calib.report.page.make import Source, html_report
from scripts.benchmarks.browser import HOW, IS_THERE, browser, show, wait_for

HERE = Path(__file__).parent
WIDTH, HEIGHT, SHOWN = 1100, 1570, 660  # of the page and of the picture, px


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", nargs="?", type=Path, default=HERE / "page.png")
    out = parser.parse_args().file
    if not IS_THERE:
        print(HOW, file=sys.stderr)
        return 2
    hall = HERE / "rehearsal-hall"
    tracks = calib.load_tracks(hall / "tracks.h5")
    rig = calib.calibrate(tracks, calib.load_wand(hall / "wand.toml"))
    page = html_report(rig, tracks, Source(title="rehearsal-hall.h5 (invented)")).html
    with tempfile.TemporaryDirectory() as folder, browser(WIDTH, HEIGHT) as driver:
        path = Path(folder) / "page.html"
        path.write_text(page, encoding="utf-8")
        driver.get(path.as_uri())
        show(driver, "rig")
        wait_for(driver, "return !!document.querySelector('#rig .still')")  # drawn and at rest
        driver.execute_script("scrollTo(0, 0)")
        clip = {"x": 0, "y": 0, "width": WIDTH, "height": HEIGHT, "scale": 1}
        shot = driver.execute_cdp_cmd(
            "Page.captureScreenshot", {"clip": clip, "captureBeyondViewport": True}
        )["data"]
    image = cv2.imdecode(np.frombuffer(base64.b64decode(shot), np.uint8), cv2.IMREAD_COLOR)
    small = cv2.resize(image, (SHOWN, SHOWN * HEIGHT // WIDTH), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(out), small, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    print(f"{out}: {out.stat().st_size / 1e3:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
