"""Serial numbers of a capture against those that a rig file keeps, where both state them."""

from __future__ import annotations

from dataclasses import dataclass

from calib.core.rig import Rig
from calib.core.tracks import Tracks


@dataclass(frozen=True, slots=True)
class NewSerial:
    """A camera that bears the serial number ``now`` and bore ``before`` when the rig was solved;
    ``had`` is the camera of the rig that bore ``now`` then, None: none did.
    """

    name: str
    before: str
    now: str
    had: str | None = None


def new_serials(rig: Rig, tracks: Tracks) -> dict[str, NewSerial]:
    """Return by name the cameras whose serial numbers are not those of the rig."""
    bore = {c.serial: c.name for c in rig.cameras if c.serial}
    out = {}
    for camera in rig.cameras:
        if camera.name not in tracks.names or not camera.serial:
            continue
        now = tracks.camera(camera.name).serial
        if now and now != camera.serial:
            out[camera.name] = NewSerial(camera.name, camera.serial, now, bore.get(now))
    return out
