"""A real browser without a window: pages as a person opens them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
DRIVER = shutil.which("chromedriver")
HOW = "no chromium with chromedriver: apt-get install chromium chromium-driver brings them"
IS_THERE = bool(CHROMIUM and DRIVER)
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--hide-scrollbars",
    "--disable-dev-shm-usage",
)


@contextmanager
def browser(width: int = 1280, height: int = 900, *, is_phone: bool = False) -> Iterator[Any]:
    """Yield a driver; WebGL is drawn by software."""
    from selenium import webdriver  # noqa: PLC0415 - of the developers' tools

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--window-size={width},{height}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    if is_phone:
        metrics = {"width": width, "height": height, "pixelRatio": 2.0}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    service = webdriver.ChromeService(str(DRIVER))
    driver = webdriver.Chrome(options, service)
    try:
        yield driver
    finally:
        driver.quit()


def wait_for(driver: Any, script: str, seconds: float = 60.0) -> Any:
    """Return what a script returns once that is true."""
    from selenium.webdriver.support.ui import WebDriverWait  # noqa: PLC0415

    return WebDriverWait(driver, seconds).until(lambda d: d.execute_script(script), script)


def show(driver: Any, key: str) -> Any:
    """Bring a chart into view, wait until it is drawn, and return its element."""
    driver.execute_script(f"document.getElementById('{key}').scrollIntoView({{block: 'center'}})")
    wait_for(driver, f"return !!document.getElementById('{key}')._fullLayout")
    return driver.find_element("id", key)
