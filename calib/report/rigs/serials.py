"""Serial numbers that are not those of the rig, in words."""

from __future__ import annotations

from calib.check.serials import NewSerial


def in_words(new: NewSerial, *, is_exchanged: bool, is_as_before: bool) -> str:
    """Return what another serial number says beside geometry: whether that finds the points to be
    another camera's, or all as it was.
    """
    if new.had is not None and is_exchanged:
        return f"it bears the serial number {new.now} that {new.had} had"
    if new.had is not None:
        return (
            f"it bears the serial number {new.now} that {new.had} had, yet its points are those of "
            "its own place: numbers stayed behind when names were put right, or the two cameras "
            "changed places; then solve the rig anew"
        )
    text = f"its serial number is {new.now}, when the rig was solved it was {new.before}: "
    if is_as_before:
        return text + "another camera, or the number was entered anew; its points fit as before"
    return text + "another camera hangs there, with another lens: solve the rig anew"
