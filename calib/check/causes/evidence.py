"""The words: what was seen, with its numbers, and what to do about it."""

from __future__ import annotations

import numpy as np

from calib.check.causes.examine import Examination
from calib.core.geometry import Array

NAMES = {
    "moved": "stands elsewhere",
    "lens": "lens model does not fit",
    "knock": "knocked during the capture",
    "timing": "out of time",
    "rows": "rows exposed one after another",
    "vibration": "vibration",
}
CARRY = "carry the wand through the bare part of its view and solve again"


def of_explanation(e: Examination) -> str:
    """Return the evidence for the explanation that the residuals follow."""
    assert e.explanation is not None
    words = {
        "moved": _moved,
        "lens": _lens,
        "knock": _knock,
        "timing": _timing,
        "rows": _rows,
        "vibration": _vibration,
    }
    seen, remedy = words[e.explanation.cause](e)
    return (
        f"{seen}; this takes {e.explanation.share:.0%} of its squared residuals, "
        f"{e.sigma_px:.3f} px are left: {remedy}"
    )


def _moved(e: Examination) -> tuple[str, str]:
    f = e.figures
    return (
        f"its points lie off as if it had turned by {f['turn_deg']:.3f}° and shifted by "
        f"{f['shift_mm']:.1f} mm",
        "run recheck to see what moved; look at its mount and clamp",
    )


def _knock(e: Examination) -> tuple[str, str]:
    f = e.figures
    return (
        f"from frame {f['frame']:.0f} on its points lie {f['size_px']:.2f} px off their "
        f"earlier places (turned by"
        f" {f['turn_deg']:.3f}°, shifted by {f['shift_mm']:.1f} mm)",
        "tighten its mount and clamp, wave again and solve",
    )


def _timing(e: Examination) -> tuple[str, str]:
    f = e.figures
    way = "later" if f["frames"] > 0 else "earlier"
    return (
        f"its points lie along the wand's motion, {abs(f['frames']):.3f} frames "
        f"({abs(f['ms']):.2f} ms) {way} than the"
        " others",
        "check its sync cable, its trigger delay and its frame counter, or solve with --timing",
    )


def _rows(e: Examination) -> tuple[str, str]:
    f = e.figures
    return (
        f"its points lie along the wand's motion by more from row to row: the bottom row is exposed"
        f" {abs(f['rows_ms']):.2f} ms {'after' if f['rows_ms'] > 0 else 'before'} the top row",
        "set its shutter to global and shorten the exposure; if it has a rolling "
        "shutter, use another camera",
    )


def _vibration(e: Examination) -> tuple[str, str]:
    f = e.figures
    high = f["rate_hz"] - f["hz"]
    return (
        f"all its points swing together by {f['size_px']:.2f} px at {f['hz']:.2f} Hz (or "
        f"at {high:.2f} Hz and other"
        f" mirrors of it, which {f['rate_hz']:g} frames a second do not tell apart)",
        "stiffen its mount, tighten the clamp, and look for fans, footsteps or doors on "
        "the same truss",
    )


def _lens(e: Examination) -> tuple[str, str]:
    f = e.figures
    return (
        f"its residuals form a pattern over the sensor: outward by {f['inner_px']:+.2f}, "
        f"{f['middle_px']:+.2f} and"
        f" {f['outer_px']:+.2f} px in the inner, middle and outer third, worst cell "
        f"{f['cell_px']:.2f} px at"
        f" ({f['cell_x']:.0f}, {f['cell_y']:.0f})",
        "see that its zoom and focus rings are locked and its window is clean; solve "
        "with more lens terms (--terms), or"
        " anew if a ring was turned",
    )


def of_stray(e: Examination, others: Array) -> str:
    """Return the evidence for stray points."""
    known = others[np.isfinite(others)]
    usual = f", {np.median(known):.1%} with the others" if len(known) else ""
    swapped = _swapped(e)
    hint = (
        f"; {swapped:.0%} of them lie near another marker of the wand: swapped markers"
        if swapped > 0.3
        else ""
    )
    return (
        f"{e.share_stray:.1%} of its points lie beyond 4.8 sigmas{usual}{hint}: mask "
        f"lamps and reflections in its view,"
        " raise its threshold, check which marker is which"
    )


def of_noise(
    sigma_px: float, reason: str, e: Examination | None, radius: list[float], c: int
) -> str:
    """Return the evidence for plain noise."""
    text = f"sigma {sigma_px:.3f} px, {reason}"
    if e is not None and (found := _levels(e)) is not None:
        ratio, low, high = found
        text += f"; x to y {ratio:.2f}, ninths of the sensor {low:.3f} to {high:.3f} px"
        if 0.7 < ratio < 1.4 and high < 1.6 * low:
            text += ": the same in all directions and all over"
    others = [r for k, r in enumerate(radius) if k != c and np.isfinite(r)]
    small = np.isfinite(radius[c]) and len(others) and radius[c] < 0.6 * np.median(others)
    large = np.isfinite(radius[c]) and len(others) and radius[c] > 1.6 * np.median(others)
    if small or large:
        text += (
            f"; its blobs have a radius of {radius[c]:.1f} px, the others' "
            f"{np.median(others):.1f} px"
        )
    remedy = "its markers are too small in the image: zoom in or move it nearer" if small else (
        "turn its focus ring until blobs are smallest and lock it, then check aperture, "
        "strobe and exposure"
    )  # fmt: skip
    return f"{text}: {remedy}"


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


def _levels(e: Examination) -> tuple[float, float, float] | None:
    """Return noise along x over that along y, and the least and largest in ninths of the sensor
    (px); None if unknown.

    Robust, as stray points just within the gate would rule a ninth.
    """
    r = e.record
    place, px = r.uv_px[r.is_used], e.left[r.is_used] * r.sigma_px
    ninth = np.clip((3.0 * (place + 0.5) / [r.width, r.height]).astype(int), 0, 2) @ [1, 3]
    squared = (px**2).sum(axis=1)
    each = [
        np.sqrt(np.median(squared[ninth == k]) / (2 * np.log(2.0)))
        for k in range(9)
        if (ninth == k).sum() > 20
    ]
    if not each:
        return None
    x, y = np.median(np.abs(px), axis=0)
    return float(x / max(y, 1e-12)), float(min(each)), float(max(each))


def of_coverage(e: Examination, coverage: float) -> str:
    """Return the evidence for points that do not reach the sensor's parts."""
    xy = e.record.uv_px[e.record.is_used]
    low, high = np.percentile(xy, [5, 95], axis=0)
    return (
        f"nine in ten of its points lie between columns {low[0]:.0f} and {high[0]:.0f} "
        f"and rows {low[1]:.0f} and"
        f" {high[1]:.0f} ({coverage:.0%} of the sensor covered): elsewhere they leave "
        f"its pose and lens uncertain by"
        f" {e.corner_px:.2f} px, {e.corner_px / e.sigma_px:.1f} times its noise: {CARRY}"
    )
