"""Calibrate a rig of many tracking cameras from a wand wave.

>>> import calib
>>> tracks, wand = calib.load_tracks("tracks.h5"), calib.load_wand("wand.toml")  # doctest: +SKIP
>>> rig = calib.calibrate(tracks, wand)  # doctest: +SKIP
>>> print(calib.residual_table(rig, tracks))  # doctest: +SKIP
>>> calib.save_rig(rig, "rig.h5")  # doctest: +SKIP
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from calib.errors import CalibError, InputError, OutputError, UnsolvableError

if TYPE_CHECKING:
    from calib import simulate
    from calib.check.inspect import inspect
    from calib.check.recheck.judge import RecheckOptions
    from calib.check.recheck.run import recheck
    from calib.check.residuals import residual_table
    from calib.files import load_rig, load_tracks, load_wand, save_rig, save_tracks, save_wand
    from calib.naming.identify import identify
    from calib.naming.renaming import named_tracks
    from calib.pipeline import calibrate
    from calib.simulate import Scenario
    from calib.solve.calibrate import SolveOptions
    from calib.solve.repair import repair

__version__ = "0.1.0"

__all__ = [
    "CalibError",
    "InputError",
    "OutputError",
    "RecheckOptions",
    "Scenario",
    "SolveOptions",
    "UnsolvableError",
    "calibrate",
    "identify",
    "inspect",
    "load_rig",
    "load_tracks",
    "load_wand",
    "named_tracks",
    "recheck",
    "repair",
    "residual_table",
    "save_rig",
    "save_tracks",
    "save_wand",
    "simulate",
]

# Loaded at first use, so that ``import calib`` and ``calib --help`` do not wait for SciPy and
# OpenCV.
_PLACES = {
    **dict.fromkeys(
        ("load_rig", "load_tracks", "load_wand", "save_rig", "save_tracks", "save_wand"),
        "calib.files",
    ),
    "Scenario": "calib.simulate",
    "SolveOptions": "calib.solve.calibrate",
    "calibrate": "calib.pipeline",
    "identify": "calib.naming.identify",
    "inspect": "calib.check.inspect",
    "RecheckOptions": "calib.check.recheck.judge",
    "recheck": "calib.check.recheck.run",
    "repair": "calib.solve.repair",
    "named_tracks": "calib.naming.renaming",
    "residual_table": "calib.check.residuals",
}


def __getattr__(name: str) -> Any:
    if name == "simulate":  # the package, which holds the function of that name
        return importlib.import_module("calib.simulate")
    if name not in _PLACES:
        raise AttributeError(f"module 'calib' has no attribute {name!r}")
    value = getattr(importlib.import_module(_PLACES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
