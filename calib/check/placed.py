"""Which cameras of a rig stand where it says: not those whose place a fault of its solve spoils."""

from __future__ import annotations

from dataclasses import replace

from calib.core.names import listed
from calib.core.rig import Rig


def unsure(rig: Rig) -> dict[str, str]:
    """Return the cameras whose place a fault spoils, and what it is."""
    return {c.name: listed(c.faults) or "in doubt" for c in rig.cameras if not c.is_placed}


def known_part(rig: Rig) -> Rig:
    """Return the rig without these, as if its solve had left them out; the whole of it where fewer
    than two would stay.
    """
    out = unsure(rig)
    if not out or len(rig.cameras) - len(out) < 2:
        return rig
    cameras = tuple(c for c in rig.cameras if c.is_placed)
    return replace(rig, cameras=cameras, left_out={**rig.left_out, **out})
