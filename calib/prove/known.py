"""What places are measured with: the cameras of a rig whose own places it knows."""

from __future__ import annotations

from dataclasses import replace

from calib.core.names import listed
from calib.core.rig import Rig


def known_part(rig: Rig) -> Rig:
    """Return the rig without the cameras whose place a fault of its solve spoils, as if its solve
    had left them out; the whole of it where fewer than two would stay.
    """
    unsure = _unsure(rig)
    if not unsure or len(rig.cameras) - len(unsure) < 2:
        return rig
    cameras = tuple(c for c in rig.cameras if c.is_placed)
    return replace(rig, cameras=cameras, left_out={**rig.left_out, **unsure})


def unsure_notes(rig: Rig) -> tuple[str, ...]:
    """Return what is to be said of such cameras, nothing where there are none."""
    unsure = _unsure(rig)
    if not unsure:
        return ()
    named = listed(f"{name} ({why})" for name, why in unsure.items())
    if known_part(rig) is rig:
        return (f"too few cameras have a place that is sure: {named}; wave again and solve",)
    return (f"measured without {named}: unsure where {'it' if len(unsure) == 1 else 'they'} stood",)


def _unsure(rig: Rig) -> dict[str, str]:
    return {c.name: listed(c.faults) or "in doubt" for c in rig.cameras if not c.is_placed}
