"""What a camera's residuals follow, in words: what was seen, what to do, and the statistics."""

from __future__ import annotations

from dataclasses import dataclass

from calib.check.causes import Cause
from calib.check.verdicts import Fault
from calib.core.names import counted
from calib.report.words import sentence

FAR_OFF = "far off is beyond 4.8 sigmas"
CARRY = "carry the wand through the bare part of its view and solve again"


@dataclass(frozen=True, slots=True)
class Words:
    """What was seen, what to do about it, and the numbers for who wants to check it."""

    seen: str
    remedy: str
    numbers: str = ""


def evidence(cause: Cause) -> str:
    """Return everything about a cause in one line."""
    words = in_words(cause)
    return f"{'; '.join(filter(None, [words.seen, words.numbers]))}: {words.remedy}"


def as_blocks(cause: Cause) -> list[str]:
    """Return the line that a cause prints."""
    return [advice(cause)]


def advice(cause: Cause) -> str:
    """Return what was seen and what to do, as sentences."""
    words = in_words(cause)
    return f"{cause.cause}: {words.seen}. {sentence(words.remedy)}"


def in_words(cause: Cause) -> Words:
    """Return the words for a cause."""
    f = cause.figures
    if cause.cause in _WORDS:
        words = _WORDS[cause.cause](f)
    elif cause.is_bare:
        seen = f"points cover {f['coverage']:.0%} of the sensor, {f['needed']:.0%} are needed"
        words = Words(seen, CARRY)
    else:
        late, ms = f.get("frames", 0.0), f.get("ms", 0.0)
        more = {"other": cause.other, "by": abs(late), "by_ms": abs(ms), "way": _way(late)}
        more |= {"mirror_hz": f.get("rate_hz", 0.0) - f.get("hz", 0.0), "off_px": cause.size_px}
        words = Words(*(text.format_map({**f, **more}) for text in SAID[cause.cause]))
    if "left_px" not in f:
        return words
    numbers = (
        f"this takes {f['share']:.0%} of its squared residuals, {f['left_px']:.3f} px are left"
    )
    return Words(words.seen, words.remedy, numbers)


def _way(late: float) -> str:
    return "later" if late > 0 else "earlier"


# What was seen, with figures in their places, and what to do about it.
SAID = {
    Fault.EXCHANGED: (
        "the points under its name are those of {other}",
        "put cables or names right; how to rename them is told by calib recheck RIG TRACKS",
    ),
    Fault.TOO_FEW: (
        "{points:.0f} points, {needed:.0f} are needed",
        "wave in front of it, or see what hides its view",
    ),
    Fault.ONE_SIDED: (
        "nine in ten of its points lie between columns {left:.0f} and {right:.0f} and rows "
        "{top:.0f} and {bottom:.0f} ({coverage:.0%} of the sensor covered)",
        CARRY,
        "elsewhere they leave its pose and lens uncertain by {corner_px:.2f} px, {times:.1f} times "
        "its noise",
    ),
    Fault.MOVED: (
        "its points lie {off_px:.2f} px off, as if it had turned by {turn_deg:.3f}° and shifted by "
        "{shift_mm:.1f} mm",
        "look at its mount and clamp, and see what moved: calib recheck RIG TRACKS",
    ),
    Fault.CREEPS: (
        "over the wave its points come to lie {size_px:.2f} px off their earlier places (turned by "
        "{turn_deg:.3f}°, shifted by {shift_mm:.1f} mm)",
        "tighten its mount and clamp, let it warm up before the wave, wave again and solve",
    ),
    Fault.TIMING: (
        "its points lie along the wand's motion, {by:.3f} frames ({by_ms:.2f} ms) {way} than the "
        "others",
        "check its sync cable, its trigger delay and its frame counter, or find its time by the "
        "solve: calib solve TRACKS --wand WAND --timing -o NEW_RIG",
    ),
    Fault.JITTER: (
        "its points lie along the wand's motion, earlier in some frames and later in others, by "
        "some {frames:.3f} frames ({ms:.2f} ms)",
        "check its trigger mode and sync cable: it may run on its own clock",
    ),
    Fault.DRIFT: (
        "over the wave its exposures came {by:.2f} frames ({by_ms:.1f} ms) {way} than the others'",
        "it runs on its own clock: set it to the common trigger, check its sync cable, wave again",
    ),
    Fault.VIBRATION: (
        "all its points swing together by {size_px:.2f} px at {hz:.2f} Hz (or at {mirror_hz:.2f} "
        "Hz and other mirrors of it, which {rate_hz:g} frames a second do not tell apart)",
        "stiffen its mount, tighten the clamp, and look for fans, footsteps or doors on the same "
        "truss",
    ),
    Fault.SWAYS: (
        "all its points swing together by {size_px:.2f} px, for some {lasts_s:.1f} s at a time",
        "tighten its mount and clamp, look for what moves its truss or stand and for warm air "
        "before its lens, wave again and solve",
    ),
    Fault.LENS: (
        "its residuals form a pattern over the sensor: outward by {inner_px:+z.2f}, "
        "{middle_px:+z.2f} and {outer_px:+z.2f} px in the inner, middle and outer third, worst "
        "{cell_px:.2f} px about ({cell_x:.0f}, {cell_y:.0f})",
        "see that its zoom and focus rings are locked and its window is clean; solve with more "
        "lens terms (--terms), or anew if a ring was turned",
    ),
    Fault.REPEATED: (
        "{share:.1%} of its points lie far off, {repeated:.0%} of these where their marker was a "
        "frame before",
        "look at its link, its load and its recorder, which filled gaps with the frame before, and "
        "wave again",
        FAR_OFF,
    ),
}


def _knock(f: dict[str, float]) -> Words:
    way = (
        f" (turned by {f['turn_deg']:.3f}°, shifted by {f['shift_mm']:.1f} mm)"
        if "turn_deg" in f
        else ""
    )
    return Words(
        f"from frame {f['frame']:.0f} on its points lie {f['size_px']:.2f} px off their earlier "
        f"places{way}",
        "tighten its mount and clamp, lock its zoom and focus rings, wave again and solve",
    )


def _lost(f: dict[str, float]) -> Words:
    return Words(
        f"from about frame {f['since']:.0f} on its points fit the wand as it stood "
        f"{counted(round(abs(f['frames'])), 'frame')} {_way(f['frames'])}",
        "its recorder lost frames there, or counted some twice: look at its link and disk, wave "
        "again",
    )


def _rows(f: dict[str, float]) -> Words:
    return Words(
        "its points lie along the wand's motion by more from row to row: the bottom row is exposed "
        f"{abs(f['rows_ms']):.2f} ms {'after' if f['rows_ms'] > 0 else 'before'} the top row",
        "set its shutter to global and shorten the exposure; if it has a rolling shutter, use "
        "another camera",
    )


def _stray(f: dict[str, float]) -> Words:
    usual = "" if f["usual"] != f["usual"] else f", {f['usual']:.1%} with the others"
    hint = (
        f"; {f['swapped']:.0%} of them lie near another marker of the wand: swapped markers"
        if f["swapped"] > 0.3
        else ""
    )
    return Words(
        f"{f['share']:.1%} of its points lie far off{usual}{hint}",
        "mask lamps and reflections in its view, raise its threshold, check which marker is which",
        FAR_OFF,
    )


def _noise(f: dict[str, float]) -> Words:
    seen, numbers = f"its noise is {f['sigma_px']:.3f} px, ", []
    if "grown" in f:
        seen += f"{f['grown']:.1f} times that of when the rig was solved"
    elif "times" in f:
        seen += f"{f['times']:.1f} times the {f['others_px']:.3f} px of the others"
        numbers.append(f"p {f['p_value']:.0e}")
    else:
        seen += f"{f['limit_px']:g} px is the limit"
    if "x_to_y" in f:
        ninths = f"{f['least_px']:.3f} to {f['most_px']:.3f} px"
        numbers.append(f"x to y {f['x_to_y']:.2f}, ninths of the sensor {ninths}")
        if 0.7 < f["x_to_y"] < 1.4 and f["most_px"] < 1.6 * f["least_px"]:
            seen += ", the same in all directions and all over"
    radius, others = f.get("radius_px", 1.0), f.get("others_radius_px", 1.0)
    if not 0.6 * others <= radius <= 1.6 * others:
        seen += f"; its blobs have a radius of {radius:.1f} px, the others' {others:.1f} px"
    remedy = (
        "its markers are too small in the image: zoom in or move it nearer"
        if radius < 0.6 * others
        else "turn its focus ring until blobs are smallest and lock it, then check aperture, "
        "strobe and exposure"
    )
    return Words(seen, remedy, "; ".join(numbers))


_WORDS = {
    Fault.KNOCK: _knock,
    Fault.LOST: _lost,
    Fault.ROWS: _rows,
    Fault.STRAY: _stray,
    Fault.NOISE: _noise,
    Fault.ALSO_NOISY: _noise,
}
