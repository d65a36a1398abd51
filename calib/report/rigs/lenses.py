"""What tests of lens terms found, in words."""

from __future__ import annotations

from calib.core.names import counted, listed
from calib.solve.certainty.lens_report import RADIAL, LensModelReport, TermFinding, together


def as_blocks(found: LensModelReport) -> list[str]:
    """Return what to do, if anything, and what each camera's residuals say of its lens terms."""
    lines = []
    if found.advised_groups != found.groups:
        lines.append(f"Solve again with --terms {','.join(found.advised_groups)}.")
    if any(f.camera in found.held for f in found.advised):
        lines.append("A lens that was held does not fit this capture: solve with --lens free.")
    adds = [f for f in found.advised if f.kind == "add"]
    lines += [
        f"{f.camera}: {f.group}{' free' if f.camera in found.held else ''} would lower its "
        f"residuals{_rivals(f)}: {_size(f)}"
        for f in adds
    ] or ["lenses: no camera needs more terms"]
    lines += [
        f"{f.camera}: {f.group} is there{_rivals(f)}, but small: {_size(f)}: leave it"
        for f in found.findings
        if f.kind == "add" and f.is_significant and f.is_small
    ]
    n = sum(f.kind == "add" for f in found.findings)
    return [
        *lines,
        *_needless(found),
        f"{counted(n, 'term')} tested, each against the chance that one of them seems there by "
        "accident; sizes are sqrt(dx² + dy²), RMS.",
    ]


def _rivals(f: TermFinding) -> str:
    return f" (or else {' or '.join(f.rivals)})" if f.rivals else ""


def _size(f: TermFinding) -> str:
    return f"it moves its points by {f.effect_px:.3f} px, their noise is {f.noise_px:.3f} px"


def _needless(found: LensModelReport) -> list[str]:
    """Return a line for each set of groups that some cameras do not need; a camera's largest radial
    set counts.
    """
    lines: list[str] = []
    seen: set[str] = set()
    for group in found.groups:
        drop = [
            f
            for f in found.advised
            if f.kind == "drop" and f.group == group and f.camera not in seen
        ]
        what = [g for g in found.groups if g in together(group)]
        if drop:
            size = max(f.effect_px for f in drop)
            seen |= {f.camera for f in drop if group in RADIAL}
            lines.append(
                f"{listed(sorted(f.camera for f in drop))}: {' and '.join(what)} not needed: "
                f"not told from the starting value, holding it moves points by {size:.3f} px at "
                "most"
            )
    return lines
