"""The figures behind each cause; what they mean in words is for ``calib.report`` to say."""

from __future__ import annotations

import numpy as np

from calib.check.causes.examine import Examination
from calib.core.geometry import Array

Figures = dict[str, float]  # by name, with the unit at the name's end


def of_explanation(e: Examination) -> Figures:
    """Return the explanation's own figures, the share of the squares that it takes and the noise
    that it leaves.
    """
    assert e.explanation is not None
    return {**e.figures, "share": e.explanation.share, "left_px": e.sigma_px}


def of_sway(e: Examination) -> Figures:
    """Return by how much (both coordinates) and for how long all points are off together."""
    return {"size_px": e.sway.size_px * float(np.sqrt(2.0)), "lasts_s": e.sway.lasts_s}


def of_stray(e: Examination, others: Array) -> Figures:
    """Return the share of stray points, its median over the other cameras (nan: not known), how
    many lie near another marker, and how many where their own was a frame before.
    """
    known = others[np.isfinite(others)]
    usual = float(np.median(known)) if len(known) else float("nan")
    of_stray = {"swapped": e.swapped, "repeated": e.repeated}
    return {"share": e.share_stray, "usual": usual} | of_stray


def of_noise(e: Examination | None, radius_px: Array, c: int) -> Figures:
    """Return what camera c's noise looks like: along x against along y, over the sensor, and its
    blobs beside the others'; what is not known is left out.
    """
    out = dict(e.levels) if e is not None else {}
    others = np.delete(radius_px, c)
    others = others[np.isfinite(others)]
    if np.isfinite(radius_px[c]) and len(others):
        out |= {"radius_px": float(radius_px[c]), "others_radius_px": float(np.median(others))}
    return out


def of_coverage(e: Examination) -> Figures:
    """Return between which columns and rows nine in ten points lie, and how uncertain that leaves
    the sensor's points.
    """
    box = dict(zip(("left", "top", "right", "bottom"), e.box_px.tolist(), strict=True))
    return box | {"corner_px": e.corner_px, "times": e.corner_px / e.sigma_px}
