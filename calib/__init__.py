"""Calibrate a rig of many tracking cameras from a wand wave.

>>> import calib
>>> tracks, wand = calib.load_tracks("tracks.h5"), calib.load_wand("wand.toml")  # doctest: +SKIP
>>> rig = calib.calibrate(tracks, wand)  # doctest: +SKIP
>>> print(calib.residual_table(rig, tracks))  # doctest: +SKIP
>>> calib.save_rig(rig, "rig.h5")  # doctest: +SKIP
"""

from __future__ import annotations

import importlib
import re
import sys
import types
from pathlib import Path
from typing import Any

from calib.calling import asking_for_records

__version__ = "0.1.0"

# What is public stands once, where type checkers look for it, and is loaded at first use.
_STUB = Path(__file__).with_suffix(".pyi").read_text("utf-8")
_LINES = re.findall(r"^from (\S+) import (\w+) as", _STUB, re.MULTILINE)
_PLACES = dict(sorted((name, module) for module, name in _LINES))
__all__ = list(_PLACES)
_RECORDS = {n for n in _PLACES if f"load_{n.lower()}" in _PLACES}  # those that files hold


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        # With the name and where it was looked for, the interpreter says which was likely meant.
        raise AttributeError(
            f"module 'calib' has no attribute {name!r}", name=name, obj=sys.modules[__name__]
        )
    if _PLACES[name] == __name__:  # a package, which may hold a function of that name
        return importlib.import_module(f"{__name__}.{name}")
    value = getattr(importlib.import_module(_PLACES[name]), name)
    if isinstance(value, types.FunctionType):
        value = asking_for_records(name, value, _RECORDS)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
