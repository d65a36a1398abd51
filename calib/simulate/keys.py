"""Keys of a scenario: how one is declared, and what kind of value it takes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field, fields
from numbers import Integral, Real
from typing import Any

from calib.errors import InputError


def key(
    default: Any,
    meaning: str,
    low: float | None = None,
    high: float = math.inf,
    *,
    of: tuple[str, ...] = (),
) -> Any:
    """Return a scenario's key: its default (``dict``: a table by camera), with the reason for it or
    what it means, and what it may be: numbers from ``low`` to ``high``, or one ``of`` some words.
    """
    said = {"meaning": meaning, "low": low, "high": high, "of": of}
    if default is dict:
        return field(default_factory=dict, metadata=said)
    return field(default=default, metadata=said)


def check_kinds(record: Any, place: str) -> None:
    """Raise InputError at the first field that holds something of another kind than its annotation
    says.
    """
    for f in fields(record):
        value = getattr(record, f.name)
        if not _is_kind(value, str(f.type)):
            kind = str(f.type).removesuffix(" | None")
            kind = kind.replace("Mapping", "table").replace("tuple", "list")
            raise InputError(
                f"{place} {f.name}", expected=f"a value of kind {kind}", found=repr(value)
            )


def _is_kind(value: Any, kind: str) -> bool:
    if kind.endswith(" | None"):
        return value is None or _is_kind(value, kind.removesuffix(" | None"))
    if kind.startswith("Mapping"):
        of = kind.rpartition(", ")[2].rstrip("]")
        return isinstance(value, Mapping) and all(
            isinstance(k, str) and _is_kind(v, of) for k, v in value.items()
        )
    if kind.startswith("tuple"):
        inner = kind.removeprefix("tuple[").rstrip("]").split(", ")
        return (
            isinstance(value, tuple)
            and (inner[-1] == "..." or len(value) == len(inner))
            and all(_is_kind(v, inner[0]) for v in value)
        )
    if kind in {"int", "float"}:
        is_number = isinstance(value, Integral if kind == "int" else Real)
        return is_number and not isinstance(value, bool) and math.isfinite(value)
    return isinstance(value, str) if kind == "str" else type(value).__name__ == kind
