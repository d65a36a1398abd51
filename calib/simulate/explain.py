"""A scenario's keys explained: what each holds, its default, its range and the reason for it, as
``Scenario`` states them.
"""

from __future__ import annotations

import json
import math
from dataclasses import MISSING, fields
from typing import Any

from calib.core.fields import Item
from calib.core.layout import Section
from calib.simulate.scenario import Knock, Scenario

KINDS = {"float": "number", "int": "whole number", "str": "text", "bool": "true or false"}


def sections() -> tuple[Section, ...]:
    """Return the places of a scenario file with their keys."""
    return (
        Section("top level", "keys", _items(Scenario)),
        Section("[[knock]]", "keys", _items(Knock), False),
    )


def _items(record: type) -> tuple[Item, ...]:
    out = []
    for f in fields(record):
        is_needed = f.default is MISSING and f.default_factory is MISSING
        words = ["needed" if is_needed else _shown(f.default), f.metadata.get("meaning", "")]
        kind, low = _kind(str(f.type)), f.metadata.get("low")
        if f.metadata.get("of"):
            kind = " | ".join(f.metadata["of"])
        elif low is not None and not kind.startswith("list"):
            high = f.metadata["high"]
            kind += f", {low:g} to {high:g}" if high < math.inf else f", {low:g} or more"
        out.append(Item(f.name, kind, "; ".join(filter(None, words)), is_needed))
    return tuple(out)


def _kind(annotation: str) -> str:
    """Return a type in words.

    >>> _kind("tuple[float, float] | None"), _kind("Mapping[str, int]")
    ('list of numbers', 'table by camera: whole number')
    """
    plain = annotation.removesuffix(" | None")
    if plain.startswith("tuple"):
        inner = plain.removeprefix("tuple[").partition(",")[0]
        return "tables" if inner == "Knock" else f"list of {KINDS[inner]}s".replace("texts", "text")
    if plain.startswith("Mapping"):
        return f"table by camera: {KINDS[plain.rpartition(', ')[2].rstrip(']')]}"
    return KINDS[plain]


def _shown(value: Any) -> str:
    if value in (None, MISSING, (), ""):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(list(value)) if isinstance(value, tuple) else str(value)
