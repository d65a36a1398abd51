"""The report's page in a real browser: drawn, sorted and printed, with nothing from elsewhere and
with names that try to be markup.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.check.history.compare import history
from calib.check.history.records import Entry
from calib.check.verdicts import RigFault
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.files import save_rig, save_tracks, sha256
from calib.pipeline import calibrate
from calib.prove.precision import one_line
from calib.report import figures
from calib.report.page.make import Page, Source, html_report
from calib.simulate import Scenario, day_capture, simulate
from scripts.benchmarks.browser import browser, show, wait_for
from tests.browser import errors, needs_browser, opened, picture, requests
from tests.program import Call
from tests.rigs_in_time import SCENARIO, stored, turned, wave

ATTACK = (
    "</script><script>window.hacked = 1</script><img src=x onerror='window.hacked = 1'>"
    "\n\u2028\u202e"
)
NAMES = (
    "<script>window.hacked = 1<script>",
    "\"quoted\" & 'so' &lt;",
    "`back${1}ticks`",
    "long " + "x" * 295,
    "\u05de\u05e6\u05dc\u05de\u05d4 7",  # right to left
    "<img src=x onerror=alert(1)>",
)


def material() -> tuple[Rig, Tracks]:
    """A small rig with hostile names, as it is, and its wave."""
    sim = simulate(Scenario(n_cameras=len(NAMES), n_frames=300, seed=5, lasting_share=0.0))
    cameras = [replace(c, name=n) for c, n in zip(sim.truth.cameras, NAMES, strict=True)]
    tracks = [replace(c, name=n) for c, n in zip(sim.tracks.cameras, NAMES, strict=True)]
    rig = replace(
        sim.truth, cameras=tuple(cameras), findings=(ATTACK,), provenance={"options": ATTACK}
    )
    return rig, replace(sim.tracks, cameras=tuple(tracks))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Page]]:
    """A page with everything in it, as a file."""
    rig, tracks = material()
    files = [Entry("old.h5", rig), Entry("new.h5", turned(rig, NAMES[2], 0.5))]
    moves = figures.of_history(history(files))
    made = html_report(rig, tracks, Source(title=ATTACK, files=[(ATTACK, ATTACK)]), moves=moves)
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(made.html, encoding="utf-8")
    yield path, made


@pytest.fixture(scope="module")
def driver(page: tuple[Path, Page]) -> Iterator[Any]:
    with browser() as started:
        yield opened(started, page[0])


def test_nothing_in_a_name_ends_or_begins_an_element(page: tuple[Path, Page]) -> None:
    """By the HTML standard, 13.2.5.4: the text of a script ends at ``</script``, and only there."""
    html = page[1].html
    scripts = re.findall(r"<script[^>]*>", html)
    assert len(scripts) == len(re.findall(r"</script", html))
    found = [
        p for p in ("window.hacked = 1</script>", "<img src=x", "\u2028", "\u202e") if p in html
    ]
    assert found == []
    assert html.count("plotly.js v") == 1


@needs_browser
def test_page_opens_without_errors_requests_or_foreign_code(driver: Any) -> None:
    for key in (
        "moved",
        "rig",
        "picture-0",
        "sensor-0",
        "size-0",
        "time-0",
        "map",
        "pairs",
        "side",
    ):
        show(driver, key)
    assert errors(driver) == []
    assert not driver.execute_script("return window.hacked")
    assert {url.split(":")[0] for url in requests(driver)} <= {"file", "data", "blob"}
    assert not driver.execute_script(
        "return document.querySelectorAll('main img:not(.still)').length"
    )
    shown = driver.execute_script(
        "return [...document.querySelectorAll('#cameras tbody th')].map(e => e.textContent)"
    )
    assert sorted(shown) == sorted(NAMES)
    labels = driver.execute_script("return document.getElementById('map').textContent")
    assert "<script>windo" in labels and "<img src=x" in labels


@needs_browser
def test_3d_view_draws_and_turns(driver: Any) -> None:
    from selenium.webdriver import ActionChains, Keys  # noqa: PLC0415

    plot = show(driver, "rig")
    wait_for(driver, "return !!document.querySelector('#rig .still')")  # drawn and at rest

    def changed(act: Any) -> float:
        """Return the share of pixels that differ after an action."""
        before = picture(plot).astype(int)
        act()
        wait_for(driver, "return new Promise(r => setTimeout(() => r(true), 700))")
        return float((np.abs(picture(plot) - before).max(axis=2) > 24).mean())

    drag = ActionChains(driver).click_and_hold(plot).move_by_offset(120, 40).release()
    assert len(np.unique(picture(plot).reshape(-1, 3), axis=0)) > 100
    assert changed(lambda: None) < 1e-4
    assert changed(drag.perform) > 0.01
    assert changed(lambda: plot.send_keys(Keys.ARROW_LEFT)) > 0.01
    farther = driver.find_element("css selector", "[data-of=rig][data-look=farther]")
    assert changed(farther.click) > 0.01
    assert errors(driver) == []


@needs_browser
def test_table_sorts_by_keyboard(driver: Any) -> None:
    from selenium.webdriver import Keys  # noqa: PLC0415

    heading = "#cameras th:nth-child(6)"  # points used
    values = (
        "return [...document.querySelectorAll('#cameras tbody td:nth-child(6)')]"
        ".map(e => Number(e.textContent))"
    )
    button = driver.find_element("css selector", f"{heading} button")
    for order in ("descending", "ascending"):
        button.send_keys(Keys.ENTER)
        assert driver.find_element("css selector", heading).get_attribute("aria-sort") == order
        found = driver.execute_script(values)
        assert found == sorted(found, reverse=order == "descending") and len(set(found)) > 1


@needs_browser
def test_camera_opens_from_the_table(driver: Any) -> None:
    link = driver.find_element("css selector", "#cameras tbody tr:last-child a")
    key = link.get_attribute("href").split("#")[1]
    driver.execute_script("arguments[0].click()", link)
    wait_for(driver, f"return document.getElementById('{key}').open")
    show(driver, key.replace("camera", "time"))


@needs_browser
def test_page_prints_on_a4(driver: Any) -> None:
    """A4 is 210 by 297 mm (ISO 216): 595 by 842 points of 1/72 inch."""
    asked = {"preferCSSPageSize": True, "printBackground": True}
    pdf = base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", asked)["data"])
    boxes = {tuple(map(float, b.split())) for b in re.findall(rb"/MediaBox \[([^\]]+)\]", pdf)}
    assert len(boxes) == 1
    assert boxes.pop() == pytest.approx((0, 0, 595, 842), abs=1.0)
    assert errors(driver) == []
    # Back on the screen, a chart fills its place again: 690 px was a sheet's.
    width = "const p = document.getElementById('map'); return [p._fullLayout.width, p.clientWidth]"
    wait_for(
        driver, width.replace("[p._fullLayout.width, p.clientWidth]", "p._fullLayout.width != 690")
    )
    drawn, place = driver.execute_script(width)
    assert drawn == pytest.approx(place, abs=1.0)


@needs_browser
def test_page_fits_a_phone(page: tuple[Path, Page]) -> None:
    with browser(390, 844, is_phone=True) as driver:
        opened(driver, page[0])
        for key in ("rig", "map"):
            show(driver, key)
        wide = driver.execute_script(
            "return [document.documentElement.scrollWidth, window.innerWidth]"
        )
        assert wide[0] <= wide[1] == 390
        assert errors(driver) == []


def test_page_states_the_solves_own_figure() -> None:
    """How a marker is placed reads alike on the page, after a solve and in the record."""
    sim = simulate(Scenario(n_cameras=5, n_frames=300, seed=5))
    rig = calibrate(sim.tracks, sim.wand)
    middle, worst = re.findall(r"± ([\d.]+) mm", one_line(rig))
    assert f"{middle} mm, at worst {worst} mm" in html_report(rig, sim.tracks).html


def test_command_writes_a_page_and_says_what_it_found(call: Call, tmp_path: Path) -> None:
    rig, tracks, old, out = (tmp_path / n for n in ("rig.h5", "t.h5", "old.h5", "page.html"))
    save_rig(stored(), rig)
    save_tracks(simulate(SCENARIO).tracks, tracks)
    code, printed, err = call("report", rig, tracks, "-o", out)
    assert (code, printed) == (0, "") and "open it in a browser" in err
    assert missing(out, "All 6 cameras good", sha256(rig), sha256(tracks)) == []
    assert missing(out, f"calib align {rig} FLOOR -o NEW_RIG</p>") == []
    save_rig(turned(stored(), "cam03", 0.5), old)
    code, _, _ = call("report", rig, tracks, "--before", old, "-o", out, "--force")
    assert code == 1
    assert missing(out, "Since old.h5: 5 of 6 cameras steady; cam03 changed") == []
    save_tracks(wave(1).tracks, tmp_path / "new.h5")
    moved = call("report", old, tracks, "--recheck", tmp_path / "new.h5", "-o", out, "--force")
    assert moved[0] == 1
    assert missing(out, "5 of 6 cameras stand as before; cam03 moved", "--repair") == []
    save_tracks(day_capture(simulate(SCENARIO), 30, 250).tracks, tmp_path / "day.h5")
    day = ("--recheck", tmp_path / "day.h5", "--any", "-o", out, "--force")
    assert call("report", old, tracks, *day)[0] == 1
    repair = f"calib recheck {old} {tmp_path / 'day.h5'} --any --repair -o NEW_RIG</p>"
    assert (
        missing(out, "cam03 moved", repair, "No wand was seen", "may be about to come down") == []
    )


def test_page_says_what_the_console_says_and_names_the_files(call: Call, tmp_path: Path) -> None:
    """Commands of the page can be copied, stated lenses that are off have their remedy first."""
    rig, tracks, out = (tmp_path / n for n in ("rig.h5", "my tracks.h5", "page.html"))
    figures = {"least_share": 0.01, "most_share": 0.02}
    doubts = (Doubt(RigFault.STATED, ("cam01", "cam02"), figures),)
    save_rig(replace(turned(stored(), "cam03", 0.5), doubts=doubts), rig)
    save_tracks(simulate(SCENARIO).tracks, tracks)
    _, printed, _ = call("residuals", rig, tracks)
    assert call("report", rig, tracks, "-o", out)[0] == 1
    page = unescape(out.read_text(encoding="utf-8"))
    free = f"calib solve '{tracks}' --wand WAND --lens free -o NEW_RIG"
    moved = f"calib recheck {rig} '{tracks}'"
    assert [text in told for told in (printed, page) for text in (free, moved)] == [True] * 4
    assert all("RMS is sqrt(mean(dx² + dy²))" in told for told in (printed, page))
    todo = page[page.index('class="todo"') : page.index("</ol>")]
    assert todo.index(free) < todo.index("cam01 and cam02") < todo.index(moved)
    assert "\ncam03: " in printed and not re.search("calib [^<]*RIG TRACKS", page)


def missing(page: Path, *texts: str) -> list[str]:
    """Return which of the texts a page does not hold."""
    html = page.read_text(encoding="utf-8")
    return [text for text in texts if text not in html]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("-o", "page.pdf"), "ends in .html"),
        (("-o", "p.html", "--recheck", "t.h5", "--before", "rig.h5"), "one of them"),
        (("-o", "p.html", "--any"), "--recheck with it"),
    ],
)
def test_command_refuses(refused: Any, tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    sim = simulate(Scenario(n_cameras=3, n_frames=100, seed=3, connected=False))
    save_rig(sim.truth, tmp_path / "rig.h5")
    save_tracks(sim.tracks, tmp_path / "t.h5")
    there = [tmp_path / w if "." in w else w for w in words]
    assert told in refused("report", tmp_path / "rig.h5", tmp_path / "t.h5", *there)
