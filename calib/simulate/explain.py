"""A scenario's keys explained: what each holds, its default, its range and the reason for it, as
the source of ``Scenario`` states them.
"""

from __future__ import annotations

import ast
import inspect
import io
import json
import tokenize
from dataclasses import fields
from typing import Any

from calib.core.fields import Item
from calib.core.layout import Section
from calib.simulate.scenario import BY_CAMERA_LIMITS, CHOICES, Knock, Scenario, limits

KINDS = {"float": "number", "int": "whole number", "str": "text", "bool": "true or false"}
RANGES = {key: (low, high) for key, low, high in BY_CAMERA_LIMITS} | {
    # The principal point's depends on the sensor.
    key: (low, high)
    for key, _, low, high in limits(Scenario())
    if key != "principal_offset_px"
}


def sections() -> tuple[Section, ...]:
    """Return the places of a scenario file with their keys."""
    return (
        Section("top level", "keys", _items(Scenario)),
        Section("[[knock]]", "keys", _items(Knock), False),
    )


def _items(record: type) -> tuple[Item, ...]:
    said = _comments(record)
    defaults = record() if record is Scenario else Knock(camera="")
    out = []
    for f in fields(record):
        default = _shown(getattr(defaults, f.name)) if f.name != "camera" else "needed"
        words = [default, said.get(f.name, "")]
        kind = _kind(str(f.type))
        if record is Scenario and f.name in CHOICES:
            kind = " | ".join(CHOICES[f.name])
        elif record is Scenario and f.name in RANGES and not kind.startswith("list"):
            low, high = RANGES[f.name]
            kind += f", {low:g} to {high:g}" if high < float("inf") else f", {low:g} or more"
        out.append(Item(f.name, kind, "; ".join(filter(None, words)), f.name == "camera"))
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
    if value in (None, (), {}, ""):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(list(value)) if isinstance(value, tuple) else str(value)


def _comments(record: type) -> dict[str, str]:
    """Return the comments on the lines of each field; none where the source is not at hand."""
    try:
        source = inspect.getsource(record)
    except OSError:
        return {}
    comments = {
        token.start[0]: token.string.lstrip("# ").partition("  # fmt")[0]
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type == tokenize.COMMENT
    }
    return {
        node.target.id: " ".join(
            comments[k] for k in range(node.lineno, (node.end_lineno or 0) + 1) if k in comments
        )
        for node in ast.parse(source).body[0].body  # type: ignore[attr-defined]
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
    }
