"""What a camera's residuals follow, in words: what was seen, what to do, and the statistics."""

from __future__ import annotations

from dataclasses import dataclass

from calib.check.causes import Cause
from calib.check.verdicts import Fault
from calib.core.names import counted
from calib.report.words import sentence

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


def as_lines(cause: Cause) -> list[str]:
    """Return the line that a cause prints."""
    return [advice(cause)]


def advice(cause: Cause) -> str:
    """Return what was seen and what to do, as sentences."""
    words = in_words(cause)
    return f"{cause.cause}: {words.seen}. {sentence(words.remedy)}"


def in_words(cause: Cause) -> Words:
    """Return the words for a cause."""
    if cause.cause == Fault.EXCHANGED:
        return Words(
            f"the points under its name are those of {cause.other}",
            "put cables or names right; how to rename them is told by calib recheck RIG TRACKS",
        )
    words = _WORDS[cause.cause](cause.figures)
    if "left_px" not in cause.figures:
        return words
    f = cause.figures
    numbers = (
        f"this takes {f['share']:.0%} of its squared residuals, {f['left_px']:.3f} px are left"
    )
    return Words(words.seen, words.remedy, numbers)


def _too_few(f: dict[str, float]) -> Words:
    return Words(
        f"{f['points']:.0f} points, {f['needed']:.0f} are needed",
        "wave in front of it, or see what hides its view",
    )


def _one_sided(f: dict[str, float]) -> Words:
    if "needed" in f:
        return Words(
            f"points cover {f['coverage']:.0%} of the sensor, {f['needed']:.0%} are needed", CARRY
        )
    return Words(
        f"nine in ten of its points lie between columns {f['left']:.0f} and {f['right']:.0f} and "
        f"rows {f['top']:.0f} and {f['bottom']:.0f} ({f['coverage']:.0%} of the sensor covered)",
        CARRY,
        f"elsewhere they leave its pose and lens uncertain by {f['corner_px']:.2f} px, "
        f"{f['corner_px'] / f['sigma_px']:.1f} times its noise",
    )


def _moved(f: dict[str, float]) -> Words:
    return Words(
        f"its points lie off as if it had turned by {f['turn_deg']:.3f}° and shifted by "
        f"{f['shift_mm']:.1f} mm",
        "look at its mount and clamp, and see what moved: calib recheck RIG TRACKS",
    )


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


def _creeps(f: dict[str, float]) -> Words:
    return Words(
        f"over the wave its points come to lie {f['size_px']:.2f} px off their earlier places "
        f"(turned by {f['turn_deg']:.3f}°, shifted by {f['shift_mm']:.1f} mm)",
        "tighten its mount and clamp, let it warm up before the wave, wave again and solve",
    )


def _way(late: float) -> str:
    return "later" if late > 0 else "earlier"


def _timing(f: dict[str, float]) -> Words:
    return Words(
        f"its points lie along the wand's motion, {abs(f['frames']):.3f} frames "
        f"({abs(f['ms']):.2f} ms) {_way(f['frames'])} than the others",
        "check its sync cable, its trigger delay and its frame counter, or find its time by the "
        "solve: calib solve TRACKS --wand WAND --timing -o NEW_RIG",
    )


def _jitter(f: dict[str, float]) -> Words:
    return Words(
        "its points lie along the wand's motion, earlier in some frames and later in others, by "
        f"some {f['frames']:.3f} frames ({f['ms']:.2f} ms)",
        "check its trigger mode and sync cable: it may run on its own clock",
    )


def _drift(f: dict[str, float]) -> Words:
    return Words(
        f"over the wave its exposures came {abs(f['frames']):.2f} frames ({abs(f['ms']):.1f} ms) "
        f"{_way(f['frames'])} than the others'",
        "it runs on its own clock: set it to the common trigger, check its sync cable, wave again",
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


def _vibration(f: dict[str, float]) -> Words:
    high = f["rate_hz"] - f["hz"]
    return Words(
        f"all its points swing together by {f['size_px']:.2f} px at {f['hz']:.2f} Hz (or at "
        f"{high:.2f} Hz and other mirrors of it, which {f['rate_hz']:g} frames a second do not "
        "tell apart)",
        "stiffen its mount, tighten the clamp, and look for fans, footsteps or doors on the same "
        "truss",
    )


def _sways(f: dict[str, float]) -> Words:
    return Words(
        f"all its points swing together by {f['size_px']:.2f} px, for some {f['lasts_s']:.1f} s at "
        "a time",
        "tighten its mount and clamp, look for what moves its truss or stand and for warm air "
        "before its lens, wave again and solve",
    )


def _lens(f: dict[str, float]) -> Words:
    return Words(
        f"its residuals form a pattern over the sensor: outward by {f['inner_px']:+z.2f}, "
        f"{f['middle_px']:+z.2f} and {f['outer_px']:+z.2f} px in the inner, middle and outer "
        f"third, worst {f['cell_px']:.2f} px about ({f['cell_x']:.0f}, {f['cell_y']:.0f})",
        "see that its zoom and focus rings are locked and its window is clean; solve with more "
        "lens terms (--terms), or anew if a ring was turned",
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
        "far off is beyond 4.8 sigmas",
    )


def _repeated(f: dict[str, float]) -> Words:
    return Words(
        f"{f['share']:.1%} of its points lie far off, {f['repeated']:.0%} of these where their "
        "marker was a frame before",
        "look at its link, its load and its recorder, which filled gaps with the frame before, and "
        "wave again",
        "far off is beyond 4.8 sigmas",
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
    Fault.TOO_FEW: _too_few,
    Fault.ONE_SIDED: _one_sided,
    Fault.MOVED: _moved,
    Fault.LENS: _lens,
    Fault.KNOCK: _knock,
    Fault.CREEPS: _creeps,
    Fault.TIMING: _timing,
    Fault.JITTER: _jitter,
    Fault.DRIFT: _drift,
    Fault.LOST: _lost,
    Fault.ROWS: _rows,
    Fault.VIBRATION: _vibration,
    Fault.SWAYS: _sways,
    Fault.STRAY: _stray,
    Fault.REPEATED: _repeated,
    Fault.NOISE: _noise,
    Fault.ALSO_NOISY: _noise,
}
