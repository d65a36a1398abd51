"""Records as plain data and as a notebook shows them, read back by Python's own readers."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from html.parser import HTMLParser
from typing import Any

import pytest

import calib
from calib.plan.assess import assess
from calib.plan.records import Wave
from calib.watch.run import Watch
from tests.rigs_in_time import SCENARIO, stored, turned, wave
from tests.test_plan import hall


class Reader(HTMLParser):
    """Collects the tables of a page: rows of cells' texts, and all elements that it opens."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.titles: list[str] = []
        self.opened: list[str] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.opened.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in {"td", "th"}:
            self.tables[-1][-1].append("")

    def handle_data(self, data: str) -> None:
        if self.opened[-1] == "caption":
            self.titles.append(data)
        if self.opened[-1] in {"td", "th"}:
            self.tables[-1][-1][-1] += data


@lru_cache
def records() -> dict[str, Any]:
    tracks = calib.simulate.simulate(SCENARIO).tracks
    old = turned(stored(), "cam03", 0.4)
    plan = assess(replace(hall(4), wave=Wave(seconds=10.0)), 1500.0)
    return {
        "plan": plan,
        "watch": Watch(stored().wand, 1.0).added(tracks).view,
        "residual table": calib.residual_table(stored(), tracks),
        "recheck": calib.recheck(old, wave(1).tracks),
        "precision": calib.precision(stored(), stored().wave_mm[:30]),
        "inspection": calib.inspect(tracks),
        "history": calib.history([entry("a", old), entry("b", stored())]),
        "rig": stored(),
    }


def items_of(document: dict[str, Any], title: str) -> list[dict[str, Any]]:
    """What a table's title says that it holds; columns as rows."""
    found: Any = document
    for key in title.split(" "):
        found = found[key]
    if isinstance(found, dict):
        found = [
            {k: v[row] for k, v in found.items()} for row in range(len(next(iter(found.values()))))
        ]
    return found


def entry(name: str, rig: calib.Rig) -> Any:
    from calib.check.history.records import Entry  # noqa: PLC0415

    return Entry(name, rig)


TABLES = {
    "residual table": ["cameras"],
    "recheck": ["cameras"],
    "precision": ["worst", "places"],
    "inspection": ["cameras"],
    "history": ["files", "cameras"],
    "rig": ["cameras"],
    "plan": ["cameras", "wave stops", "places", "judged"],
    "watch": ["cameras"],
}


@pytest.mark.parametrize("kind", TABLES)
def test_a_record_is_plain_data_and_a_table_of_it(kind: str) -> None:
    record = records()[kind]
    document = record.to_dict()
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    reader = Reader()
    reader.feed(record._repr_html_())
    assert reader.titles == TABLES[kind]
    for title, table in zip(reader.titles, reader.tables, strict=True):
        items = items_of(document, title)
        assert len(table) == 1 + len(items) and len({len(row) for row in table}) == 1
        assert set(table[0]) <= set(items[0])
        if "name" in items[0]:
            at = table[0].index("name")
            assert [row[at] for row in table[1:]] == [item["name"] for item in items]
    first = str(record).splitlines()[0]
    assert first.split()[0] in record._repr_html_()
    assert len(repr(record)) < 200 and type(record).__name__ in repr(record)


def test_names_are_text() -> None:
    cameras = tuple(
        replace(c, name=f"<b>{c.name}</b>" if k == 0 else c.name)
        for k, c in enumerate(stored().cameras)
    )
    reader = Reader()
    reader.feed(replace(stored(), cameras=cameras, covariance=None)._repr_html_())
    assert "b" not in reader.opened
    assert any("<b>cam01</b>" in row for table in reader.tables for row in table)
