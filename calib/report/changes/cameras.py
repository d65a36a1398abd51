"""The cameras of a recheck, one a line."""

from __future__ import annotations

import numpy as np

from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.verdicts import Standing
from calib.report.tables import Column, Table

ORDER = list(Standing)


def worst_first(found: Recheck) -> list[CameraChange]:
    """Return the cameras, those to look at first."""
    return sorted(
        found.cameras, key=lambda c: (ORDER.index(c.verdict), -np.nan_to_num(c.shift_px), c.name)
    )


def cameras_table(found: Recheck) -> Table:
    """Return a line a camera, what needs a hand first."""
    rows = worst_first(found)

    def column(heading: str, name: str, form: str, factor: float = 1.0, rank: int = 0) -> Column:
        known = (getattr(c, name) if np.isfinite(c.shift_px) else np.nan for c in rows)
        return Column(heading, [factor * v for v in known], form, rank=rank)

    columns = [
        Column("camera", [c.name for c in rows], is_left=True),
        Column("verdict", [c.verdict for c in rows], is_left=True),
        column("rotation|deg", "rotation_deg", ".3f"),
        column("|± deg", "sigma_rotation_deg", ".3f"),
        column("shift|mm", "translation_mm", ".2f"),
        column("|± mm", "sigma_translation_mm", ".2f"),
        column("focal|length %", "focal_change", "+.2f", 100.0, 1),
        column("image|px", "shift_px", ".2f"),
        column("room|mm", "shift_mm", ".2f"),
        Column(
            "matters",
            [("yes" if c.matters else "no") if c.needs_a_hand else "" for c in rows],
            is_left=True,
        ),
    ]
    return Table(columns, [k for k, c in enumerate(rows) if c.needs_a_hand])
