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
    from calib.check.history.compare import history
    from calib.check.history.records import Entry, History
    from calib.check.inspect import inspect
    from calib.check.inspection import Inspection
    from calib.check.recheck.free.run import recheck_any
    from calib.check.recheck.judge import RecheckOptions
    from calib.check.recheck.outcome import Recheck
    from calib.check.recheck.run import recheck
    from calib.check.residuals import ResidualTable, residual_table, residuals
    from calib.core.camera import Lens
    from calib.core.geometry import Pose
    from calib.core.points import Points
    from calib.core.rig import CameraStats, Covariance, Doubt, Rig, RigCamera
    from calib.core.tracks import CameraTracks, Tracks
    from calib.core.wand import CertifiedLength, Wand
    from calib.export.rig import export_rig
    from calib.files import (
        load_cameras,
        load_image_list,
        load_plan,
        load_points,
        load_rig,
        load_table,
        load_tracks,
        load_wand,
        save_plan,
        save_points,
        save_rig,
        save_tracks,
        save_wand,
    )
    from calib.intake.centroids.focus import Focus, Optics
    from calib.intake.centroids.images import centroids, focus
    from calib.intake.centroids.names import ImageList
    from calib.intake.centroids.spots import SpotOptions
    from calib.intake.centroids.stream import Extraction
    from calib.intake.edit import Joined, join, select
    from calib.intake.table import CameraList
    from calib.naming.identify import Identification, identify
    from calib.naming.renaming import named_tracks
    from calib.pipeline import Solution, calibrate, solve_rig
    from calib.plan.assess import Assessment, assess
    from calib.plan.records import Plan
    from calib.prove.align import Alignment, AlignOptions, align
    from calib.prove.decide import Limit
    from calib.prove.like import align_like
    from calib.prove.precision import Precision, precision
    from calib.prove.reconstruct import reconstruct
    from calib.prove.verify import Verification, verify
    from calib.prove.volume import Box
    from calib.report.page.make import Source, html_report
    from calib.report.papers.describe import describe
    from calib.report.papers.description import Description
    from calib.report.papers.document import Document
    from calib.report.papers.formats import FileFormat, formats
    from calib.report.papers.record import Read, hand_over
    from calib.simulate import Scenario, Simulation
    from calib.solve.calibrate import SolveOptions
    from calib.solve.repair import repair
    from calib.solve.start.single import KnownDistance
    from calib.watch.run import Watch

__version__ = "0.1.0"

__all__ = [
    "AlignOptions",
    "Alignment",
    "Assessment",
    "Box",
    "CalibError",
    "CameraList",
    "CameraStats",
    "CameraTracks",
    "CertifiedLength",
    "Covariance",
    "Description",
    "Document",
    "Doubt",
    "Entry",
    "Extraction",
    "FileFormat",
    "Focus",
    "History",
    "Identification",
    "ImageList",
    "InputError",
    "Inspection",
    "Joined",
    "KnownDistance",
    "Lens",
    "Limit",
    "Optics",
    "OutputError",
    "Plan",
    "Points",
    "Pose",
    "Precision",
    "Read",
    "Recheck",
    "RecheckOptions",
    "ResidualTable",
    "Rig",
    "RigCamera",
    "Scenario",
    "Simulation",
    "Solution",
    "SolveOptions",
    "Source",
    "SpotOptions",
    "Tracks",
    "UnsolvableError",
    "Verification",
    "Wand",
    "Watch",
    "align",
    "align_like",
    "assess",
    "calibrate",
    "centroids",
    "describe",
    "export_rig",
    "focus",
    "formats",
    "hand_over",
    "history",
    "html_report",
    "identify",
    "inspect",
    "join",
    "load_cameras",
    "load_image_list",
    "load_plan",
    "load_points",
    "load_rig",
    "load_table",
    "load_tracks",
    "load_wand",
    "named_tracks",
    "precision",
    "recheck",
    "recheck_any",
    "reconstruct",
    "repair",
    "residual_table",
    "residuals",
    "save_plan",
    "save_points",
    "save_rig",
    "save_tracks",
    "save_wand",
    "select",
    "simulate",
    "solve_rig",
    "verify",
]

# Loaded at first use, so that ``import calib`` and ``calib --help`` do not wait for SciPy and
# OpenCV.
_MODULES = {
    "calib.check.history.compare": ("history",),
    "calib.check.history.records": ("Entry", "History"),
    "calib.check.inspect": ("inspect",),
    "calib.check.inspection": ("Inspection",),
    "calib.check.recheck.free.run": ("recheck_any",),
    "calib.check.recheck.judge": ("RecheckOptions",),
    "calib.check.recheck.outcome": ("Recheck",),
    "calib.check.recheck.run": ("recheck",),
    "calib.check.residuals": ("ResidualTable", "residual_table", "residuals"),
    "calib.core.camera": ("Lens",),
    "calib.core.geometry": ("Pose",),
    "calib.core.points": ("Points",),
    "calib.core.rig": ("CameraStats", "Covariance", "Doubt", "Rig", "RigCamera"),
    "calib.core.tracks": ("CameraTracks", "Tracks"),
    "calib.core.wand": ("CertifiedLength", "Wand"),
    "calib.export.rig": ("export_rig",),
    "calib.files": (
        "load_cameras",
        "load_image_list",
        "load_plan",
        "load_points",
        "load_rig",
        "load_table",
        "load_tracks",
        "load_wand",
        "save_plan",
        "save_points",
        "save_rig",
        "save_tracks",
        "save_wand",
    ),
    "calib.intake.centroids.focus": ("Focus", "Optics"),
    "calib.intake.centroids.images": ("centroids", "focus"),
    "calib.intake.centroids.names": ("ImageList",),
    "calib.intake.centroids.spots": ("SpotOptions",),
    "calib.intake.centroids.stream": ("Extraction",),
    "calib.intake.edit": ("Joined", "join", "select"),
    "calib.intake.table": ("CameraList",),
    "calib.naming.identify": ("Identification", "identify"),
    "calib.naming.renaming": ("named_tracks",),
    "calib.pipeline": ("Solution", "calibrate", "solve_rig"),
    "calib.plan.assess": ("Assessment", "assess"),
    "calib.plan.records": ("Plan",),
    "calib.prove.align": ("AlignOptions", "Alignment", "align"),
    "calib.prove.decide": ("Limit",),
    "calib.prove.like": ("align_like",),
    "calib.prove.precision": ("Precision", "precision"),
    "calib.prove.reconstruct": ("reconstruct",),
    "calib.prove.verify": ("Verification", "verify"),
    "calib.prove.volume": ("Box",),
    "calib.report.papers.describe": ("describe",),
    "calib.report.papers.description": ("Description",),
    "calib.report.papers.document": ("Document",),
    "calib.report.papers.formats": ("FileFormat", "formats"),
    "calib.report.page.make": ("Source", "html_report"),
    "calib.report.papers.record": ("Read", "hand_over"),
    "calib.simulate": ("Scenario", "Simulation"),
    "calib.solve.calibrate": ("SolveOptions",),
    "calib.solve.repair": ("repair",),
    "calib.solve.start.single": ("KnownDistance",),
    "calib.watch.run": ("Watch",),
}
_PLACES = {name: module for module, names in _MODULES.items() for name in names}


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
