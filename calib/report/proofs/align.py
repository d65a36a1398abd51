"""How a rig's world was made, as people read it, and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.prove.world import LIKE
from calib.report.tables import Blocks, Column, Table, following, xyz
from calib.report.words import document, sentence

if TYPE_CHECKING:  # a file's facts are told without what aligns one
    from calib.prove.align import Alignment

AXES = {
    "right angle": "x along the long leg, y along the short one, z up",
    "three points": "x to the second marker, y on the side of the third, z up",
    "floor plane": "z off the floor, x as it was, laid on the floor",
    "wand laid down": "x along the wand, z off the floor",
    "survey": "those of the survey",
}
WORDS = {
    "long_mm": ("long leg", ".2f", " mm"),
    "short_mm": ("short leg", ".2f", " mm"),
    "angle_deg": ("angle", ".3f", "°"),
    "angle_sigma_deg": ("±", ".3f", "°"),
    "off_plane_mm": ("most off their plane", ".2f", " mm"),
    "off_plane_sigma_mm": ("±", ".2f", " mm"),
    "residual_rms_mm": ("left over, RMS", ".2f", " mm"),
    "residual_max_mm": ("largest", ".2f", " mm"),
    "survey_scale": ("size of survey to rig", ".6f", ""),
    "survey_scale_sigma": ("±", ".6f", ""),
    "position_rms_mm": ("cameras apart, RMS", ".2f", " mm"),
    "rotation_rms_deg": ("turned, RMS", ".4f", "°"),
}
NOTED = {"cameras_common", "cameras_agreeing", "growth", "growth_sigma"}  # the notes tell these


def as_blocks(how: Alignment, then: str = "") -> Blocks:
    """Return what the world is, how sure that is, what was checked, the next command and the
    markers in it.
    """
    turn = float(np.linalg.norm(how.sigma_deg))
    shift = float(np.linalg.norm(how.sigma_origin_mm))
    if how.how == LIKE:
        world = "The world is the earlier rig's."
    else:
        axes = AXES[how.how] + ("" if how.up == "z" else "; then turned so that y is up")
        world = f"Aligned by {how.how}: origin {how.origin}; {axes}."
    sure = (
        f"Its axes are sure to ± {turn:.4f}° and its origin to ± {shift:.2f} mm, all three axes "
        "together."
    )
    out: Blocks = [world, sure]
    if known := checked(how.numbers):
        out.append(f"Checked: {known}.")
    out += map(sentence, how.notes)
    out += [following(then)] if then else []
    if how.names:
        sigma = np.linalg.norm(how.sigma_mm, axis=1)
        what = "camera" if how.how == LIKE else "marker"
        columns = [
            Column(what, list(how.names), is_left=True),
            *xyz(how.markers_mm, ".2f"),
            Column("|± mm", sigma.tolist(), ".2f"),
        ]
        out += ["", Table(columns if np.isfinite(sigma).any() else columns[:-1])]
    return out


def checked(numbers: Mapping[str, float]) -> str:
    """Return what was checked of a world, with units.

    >>> checked({"angle_deg": 90.0412, "angle_sigma_deg": 0.0123, "long_mm": 500.0})
    'angle 90.041° ± 0.012°, long leg 500.00 mm'
    """
    told = []
    for key in [k for k in numbers if k not in NOTED]:
        label, form, unit = WORDS.get(key, (key, "g", ""))  # of another version as it stands
        told.append(f"{label} {numbers[key]:{form}}{unit}")
    return ", ".join(told).replace(", ±", " ±")


def as_json(how: Alignment) -> dict[str, Any]:
    """Return the record as ``calib align --json`` prints it."""
    return document(
        how.as_dict() | {"sigma_deg": how.sigma_deg, "sigma_origin_mm": how.sigma_origin_mm}
    )
