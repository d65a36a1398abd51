"""What a rig file keeps of its alignment and its length test, as facts that people read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from calib.core.names import listed
from calib.prove.decide import COVERAGE, Decision, Limit
from calib.prove.volume import THIRDS
from calib.report.proofs.align import AXES, checked

Fact = tuple[str, str]
Says = Callable[[Any], str]


def when(text: Any) -> str:
    """Return a time as ISO 8601 has it in fewer signs; other text as it is.

    >>> when("2031-05-06T10:11:12+00:00"), when("2031-05-06T10:11"), when("last week")
    ('2031-05-06 10:11 UTC', '2031-05-06 10:11', 'last week')
    """
    try:
        time = datetime.fromisoformat(str(text))
    except ValueError:
        return str(text)
    if "T" not in str(text):
        return str(text)
    zone = time.utcoffset()
    if zone is None:
        return f"{time:%Y-%m-%d %H:%M}"
    return f"{time:%Y-%m-%d %H:%M} " + ("UTC" if zone == timedelta(0) else f"{time:%z}")


def in_words(value: Any) -> str:
    """Return a value as JSON can hold it on one line.

    >>> in_words({"lens": "auto", "frames": None, "by": ["cam01", "cam02"], "rms_mm": 0.25})
    'lens auto, frames none, by cam01 and cam02, rms_mm 0.25'
    """
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_inner(v)}" for key, v in value.items()) or "none"
    if isinstance(value, (list, tuple)):
        return listed([_inner(v) for v in value], most=20) if value else "none"
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _inner(value: Any) -> str:
    return f"({in_words(value)})" if isinstance(value, Mapping) else in_words(value)


def options_in_words(stored: Any) -> str:
    """Return the options of a solve, those apart that are off or not given."""
    if not isinstance(stored, Mapping) or not stored:
        return "not stated"
    given = {k: v for k, v in stored.items() if v is not None and v is not False}
    return in_words(given) if given else "none"


def told(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return of a stored outcome what a line can hold: no matrices, no lists of tables.

    >>> told({"rms_mm": 0.2, "R": [[1.0]], "markers": [{"name": "p"}], "by": {"x": [{}]}})
    {'rms_mm': 0.2}
    """

    def is_short(value: Any) -> bool:
        if isinstance(value, Mapping):
            return all(map(is_short, value.values()))
        is_list = isinstance(value, (list, tuple))
        return not (is_list and any(isinstance(v, (Mapping, list, tuple)) for v in value))

    return {key: value for key, value in table.items() if is_short(value)}


def alignment_facts(table: Mapping[str, Any]) -> tuple[Fact, ...]:
    """Return how a rig's world was made, with units; keys of other versions as they stand."""
    return _facts({**table, "sure": _sure(table.get("covariance"))}, _ALIGNMENT)


def verification_facts(table: Mapping[str, Any]) -> tuple[Fact, ...]:
    """Return what a length test found, with units; keys of other versions as they stand."""
    return _facts(table, _VERIFICATION)


def in_brief(facts: Sequence[Fact]) -> str:
    """Return the first facts on one line.

    >>> in_brief([("outcome", "pass"), ("limit", "2 mm"), ("bar", "b"), ("n", "9")])
    'outcome: pass; limit: 2 mm; bar: b'
    """
    return "; ".join(f"{label}: {text}" for label, text in facts[:3])


# Told in other words: what wrote the record and what it read (see the record's files), where the
# world before lay, and the name of the group of all lengths.
_LEFT_OUT = {"tool", "version", "command", "read", "t_mm", "name"}


def _facts(table: Mapping[str, Any], words: Mapping[str, tuple[str, Says]]) -> tuple[Fact, ...]:
    """Return a fact for every key that says something, the known ones first in order."""
    short = told(table)
    out = []
    for key in [*(k for k in words if k in short), *(k for k in short if k not in words)]:
        value = short[key]
        if key in _LEFT_OUT or value is None or value in ([], {}, ""):
            continue
        label, says = words.get(key, (key, in_words))
        try:
            out.append((label, says(value)))
        except (AttributeError, KeyError, TypeError, ValueError):  # of another version
            out.append((label, in_words(value)))
    return tuple(out)


def _sure(covariance: Any) -> str | None:
    """Return how sure a world's axes and origin are, of its covariance (6, 6) in rad and mm."""
    try:
        turn, shift = np.trace(np.reshape(covariance, (2, 3, 2, 3)), axis1=1, axis2=3).diagonal()
    except (TypeError, ValueError):
        return None
    return (
        f"axes to {np.degrees(np.sqrt(turn)):.4f}°, origin to {np.sqrt(shift):.2f} mm "
        "(standard uncertainties over all three axes)"
    )


def _mm(value: float) -> str:
    return f"{value:.3f} mm"


def _limit(of: Mapping[str, float | None]) -> str:
    given = {key: value for key, value in of.items() if value is not None}
    return str(Limit(**given)) if set(given) <= {"a_mm", "k", "b_mm"} else in_words(of)


def _bar(of: Mapping[str, Any]) -> str:
    return f"{of['name']}, lengths ± {of['sigma_mm']:g} mm"


def _volume(of: Mapping[str, Sequence[float]]) -> str:
    spans = zip("xyz", of["low"], of["high"], strict=True)
    return ", ".join(f"{axis} {low:.0f} to {high:.0f} mm" for axis, low, high in spans)


def _percentiles(of: Mapping[str, float]) -> str:
    return ", ".join(f"{key} %: {value:.3f} mm" for key, value in of.items())


def _missed(cells: Sequence[str]) -> str:
    n = len(THIRDS) ** 3
    return f"{len(cells)} of {n} parts: {listed([f'({c})' for c in cells], n)}"


_ALIGNMENT: dict[str, tuple[str, Says]] = {
    "how": ("by", lambda how: f"{how}: {AXES[how]}" if how in AXES else how),
    "origin": ("origin", str),
    "up": ("axis that points up", str),
    "time": ("when", when),
    "height_mm": ("marker centres above the floor", lambda v: f"{v:g} mm"),
    "sure": ("sure to", str),
    "numbers": ("checked", checked),
    "scale": ("rig's size changed", lambda v: "no" if v == 1.0 else f"by {v - 1.0:+z.4%}"),
    "notes": ("to note", "; ".join),
}
_VERIFICATION: dict[str, tuple[str, Says]] = {
    "decision": ("outcome", lambda v: f"{v}, which is no pass" if v == Decision.UNDECIDED else v),
    "limit": ("limit of an error at a length L", _limit),
    "max_mm": ("largest error", _mm),
    "room_mm": ("least distance to the limit, U counted", _mm),
    "time": ("when", when),
    "bar": ("bar", _bar),
    "mode": ("the bar was", str),
    "n": ("lengths", str),
    "lines": ("lines in the volume", str),
    "mean_mm": ("mean error", lambda v: f"{v:+z.3f} mm"),
    "mean_sigma_mm": ("mean error ±", _mm),
    "sd_mm": ("standard deviation", _mm),
    "rms_mm": ("RMS", _mm),
    "percentiles_mm": ("errors within", _percentiles),
    "scale_error": ("scale error", lambda v: f"{v:+z.4%}"),
    "scale_error_sigma": (f"scale error, U (k = {COVERAGE:g})", lambda v: f"{COVERAGE * v:.4%}"),
    "volume_mm": ("volume", _volume),
    "missed": ("not visited, so not proved", _missed),
    "doubts": ("no independent proof", "; ".join),
    "notes": ("to note", "; ".join),
    "foreign": ("lengths left out, of other points", str),
}
