"""What a rig as a whole did, and cameras that moved as one, in words."""

from __future__ import annotations

import numpy as np

from calib.check.recheck.drift import RigidMove
from calib.check.recheck.outcome import SHIFT, TURN, Recheck
from calib.check.verdicts import Majority, Standing
from calib.core.names import listed
from calib.report.rigs.residuals import touched

# Of growth: aluminium takes 24 µm a metre and kelvin (textbooks), so this is 80 kelvin.
MOST_GROWTH = 2e-3


def drift(found: Recheck) -> str:
    """Return what the rig as a whole did, empty where it did nothing."""
    d = found.drift
    if d is None:
        return ""
    parts = 1e3 * d.growth, 1e3 * d.sigma
    if np.isnan(d.median_px) and abs(d.growth) > MOST_GROWTH:
        return (
            f"the whole rig seems to have {'grown' if d.growth > 0 else 'shrunk'} by "
            f"{abs(parts[0]):.2f} ± {parts[1]:.2f} mm a metre against the wand, more than "
            "temperature does. See that it is the wand that the rig was solved with, with its "
            "markers where they were, and wave that one; if it is another, solve the rig anew: "
            "calib solve WAVE --wand WAND -o NEW_RIG"
        )
    if np.isnan(d.median_px):
        return (
            f"the whole rig {'grew' if d.growth > 0 else 'shrank'} by {abs(parts[0]):.3f} ± "
            f"{parts[1]:.3f} mm a metre against the wand: temperature of what carries it, "
            f"or of the wand; {_anew(found)}"
        )
    return (
        f"every camera moved a little (median {d.median_px:.2f} px), none stands out. The rig "
        f"changed in size by {parts[0]:+z.3f} ± {parts[1]:.3f} mm a metre, and its cameras moved "
        f"against one another by some {d.rms_mm:.2f} mm besides: temperature, a floor "
        f"that settled or a structure that bends; {_anew(found)}"
    )


def _anew(found: Recheck) -> str:
    """Return by what command the rig is solved anew, from this capture where it is a wave."""
    if found.is_any:
        return "solve the rig anew: calib solve WAVE --wand WAND -o NEW_RIG"
    return "solve the rig anew from this wave: calib solve TRACKS --wand WAND -o NEW_RIG"


def rigid_move(m: RigidMove) -> str:
    """Return how cameras moved as one."""
    turn, shift = (float(np.linalg.norm(v)) for v in (m.turn, m.shift_mm))
    s_turn, s_shift = (np.sqrt(np.trace(m.covariance[k, k]) / 3) for k in (TURN, SHIFT))
    return (
        f"{listed(m.names)} moved as one: turned by {np.degrees(turn):.3f}° (± "
        f"{np.degrees(s_turn):.3f}°) and shifted by {shift:.2f} mm (± {s_shift:.2f} mm) at their "
        "middle. Look at what they hang from"
    )


def majority(found: Recheck) -> str:
    """Return what stands in for a majority, empty where there is one."""
    if found.majority == Majority.CLEAR or found.of_wave:
        return ""
    inside = listed(found.agreeing)
    groups = "; ".join(listed(g) for g in found.groups)
    if found.majority == Majority.LARGEST:
        n = len(found.agreeing) + sum(map(len, found.groups))
        return (
            f"no majority: only {inside} agree, {len(found.agreeing)} of {n}; the verdicts take "
            f"these as unmoved, as the others do not agree among themselves ({groups}). Solve the "
            "rig anew, or wave longer"
        )
    if found.majority == Majority.ONE_OF_TWO:
        other = [c.name for c in found.cameras if c.verdict == Standing.UNMOVED]
        return (
            "two cameras only show that they moved against one another; "
            f"{listed(found.moved)} turning in place explains it, {listed(other)} would have had "
            f"to turn and shift to match. See on site which was touched, and {_anew(found)}"
        )
    sets = [found.agreeing, *found.groups]
    told = [f"{listed(names)} agree" for names in sets if len(names) > 1]
    told += [f"{names[0]} agrees with nobody" for names in sets if len(names) == 1 and told]
    return (
        f"no majority: {'; '.join(told) or 'no two cameras agree'}; that shows only that they "
        "moved against one another, not which of them. Look on site which were touched, or "
        f"{_anew(found)}"
    )


def touch_asked(found: Recheck) -> str:
    """Return a question where cameras of which nothing else is said lay off until the wave ended;
    empty where none did.
    """
    told = {c.name for c in found.cameras if c.needs_a_hand}
    return touched({n: frame for n, frame in found.off_until_end.items() if n not in told})
