"""What is to be said of cameras that nothing is measured with, as their own places are unsure."""

from __future__ import annotations

from calib.check.placed import known_part, unsure
from calib.core.names import listed
from calib.core.rig import Rig


def unsure_notes(rig: Rig) -> tuple[str, ...]:
    """Return it, nothing where there are none."""
    out = unsure(rig)
    if not out:
        return ()
    named = listed(f"{name} ({why})" for name, why in out.items())
    if known_part(rig) is rig:
        return (f"too few cameras have a place that is sure: {named}; wave again and solve",)
    return (f"measured without {named}: unsure where {'it' if len(out) == 1 else 'they'} stood",)
