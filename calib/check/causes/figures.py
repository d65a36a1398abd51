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


def of_stray(e: Examination, others: Array) -> Figures:
    """Return the share of stray points, its median over the other cameras (nan: not known), and how
    many lie near another marker.
    """
    known = others[np.isfinite(others)]
    usual = float(np.median(known)) if len(known) else float("nan")
    return {"share": e.share_stray, "usual": usual, "swapped": _swapped(e)}


def of_noise(e: Examination | None, radius_px: Array, c: int) -> Figures:
    """Return what camera c's noise looks like: along x against along y, over the sensor, and its
    blobs beside the others'; what is not known is left out.
    """
    out = _levels(e) if e is not None else {}
    others = np.delete(radius_px, c)
    others = others[np.isfinite(others)]
    if np.isfinite(radius_px[c]) and len(others):
        out |= {"radius_px": float(radius_px[c]), "others_radius_px": float(np.median(others))}
    return out


def of_coverage(e: Examination) -> Figures:
    """Return between which columns and rows nine in ten points lie, and how uncertain that leaves
    the sensor's points.
    """
    xy = e.record.uv_px[e.record.is_used]
    (left, top), (right, bottom) = np.percentile(xy, [5, 95], axis=0).tolist()
    box = {"left": left, "right": right, "top": top, "bottom": bottom}
    return box | {"corner_px": e.corner_px, "sigma_px": e.sigma_px}


def _swapped(e: Examination) -> float:
    """Return the share of the stray points that lie nearer to another marker's place than to their
    own.
    """
    r = e.record
    p, m = np.nonzero(e.is_stray)
    if not len(p) or r.is_used.shape[1] == 1:
        return 0.0
    predicted = r.uv_px - r.residual_px.reshape(r.uv_px.shape)
    away = np.linalg.norm(r.uv_px[p, m][:, None] - predicted[p], axis=-1)
    own = away[np.arange(len(p)), m]
    away[np.arange(len(p)), m] = np.inf
    return float((away.min(axis=1) < 0.2 * own).mean())


def _levels(e: Examination) -> Figures:
    """Return noise along x over that along y, and the least and largest in ninths of the sensor.

    Robust, as stray points just within the gate would rule a ninth.
    """
    r = e.record
    place, px = r.uv_px[r.is_used], e.left[r.is_used] * r.sigma_px
    ninth = np.clip((3.0 * (place + 0.5) / [r.width, r.height]).astype(int), 0, 2) @ [1, 3]
    squared = (px**2).sum(axis=1)
    each = [
        float(np.sqrt(np.median(squared[ninth == k]) / (2 * np.log(2.0))))
        for k in range(9)
        if (ninth == k).sum() > 20
    ]
    if not each:
        return {}
    x, y = np.median(np.abs(px), axis=0)
    return {"x_to_y": float(x / max(y, 1e-12)), "least_px": min(each), "most_px": max(each)}
