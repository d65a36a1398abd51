"""A rig as people read it, and as JSON."""

from __future__ import annotations

from typing import Any

from calib.core.rig import Rig
from calib.report.papers import description
from calib.report.papers.describe import of_rig
from calib.report.tables import Blocks
from calib.report.words import document


def as_blocks(rig: Rig) -> Blocks:
    """Return what a rig holds, where it comes from, and its cameras."""
    return description.as_blocks(of_rig(rig))


def as_json(rig: Rig) -> dict[str, Any]:
    """Return the same as plain data."""
    return document(dict(of_rig(rig).document))
