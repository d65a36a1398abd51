"""What tests of pages ask of a real browser."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from scripts.benchmarks.browser import HOW, IS_THERE

needs_browser = pytest.mark.skipif(not IS_THERE, reason=HOW)


def opened(driver: Any, page: Path) -> Any:
    """Open a page and wait until what is in sight is drawn."""
    driver.get(page.as_uri())
    return driver


def picture(element: Any) -> Any:
    """Return an element's pixels (h, w, 3)."""
    return cv2.imdecode(np.frombuffer(element.screenshot_as_png, np.uint8), cv2.IMREAD_COLOR)


def errors(driver: Any) -> list[str]:
    """Return what the console told as errors since the last call."""
    return [e["message"] for e in driver.get_log("browser") if e["level"] == "SEVERE"]


def requests(driver: Any) -> list[str]:
    """Return the addresses that were asked for."""
    events = (json.loads(e["message"])["message"] for e in driver.get_log("performance"))
    return [
        e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"
    ]
