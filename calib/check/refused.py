"""A solve that ends in an error, looked into: what its residuals follow is told first, as a camera
at fault leaves itself or its neighbours open.
"""

from __future__ import annotations

from calib.check.causes import Cause, find_causes
from calib.check.verdicts import Fault
from calib.check.whole.find import is_symptom, look_at_whole
from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import UnsolvableError
from calib.solve.hold import RigFit

# What a wave may lack: the error itself says so, and better.
OF_THE_WAVE = {Fault.TOO_FEW, Fault.ONE_SIDED}
MOST_TOLD = 4


def explained(error: UnsolvableError, rig: Rig, tracks: Tracks, fit: RigFit) -> UnsolvableError:
    """Return the error with what the fit shows to be at fault before what was found; as it is where
    the fit shows nothing.

    ``rig`` and ``fit`` are what the solve had come to, of ``tracks``.
    """
    stats = [camera.stats for camera in rig.cameras]
    causes = find_causes(fit, tracks, [s for s in stats if s is not None], [None] * len(stats))
    whole = look_at_whole(rig, tracks, fit)
    at_fault = {
        name: found[0]
        for name, found in zip(tracks.names, causes, strict=True)
        if found and found[0].cause not in OF_THE_WAVE
    }
    for name, (frame, px) in whole.knocked.items():
        at_fault.setdefault(name, Cause(Fault.KNOCK, {"frame": float(frame), "size_px": px}))
    of_rig = [d for d in whole.doubts if not is_symptom(d)]
    if of_rig or (whole.doubts and not at_fault):
        doubts = of_rig or whole.doubts
        told, cameras = [str(d) for d in doubts], [c for d in doubts for c in d.cameras]
    else:
        told, cameras = [f"{n}: {c}" for n, c in [*at_fault.items()][:MOST_TOLD]], [*at_fault]
    if not told:
        return error
    return UnsolvableError(
        listed(cameras) or error.where,
        expected="one rig that explains what they saw",
        found=f"otherwise: {' '.join(told).rstrip('.')}",
        remedy=f"It leaves open what the solve needs: {error.found}.",
        cameras=cameras or error.cameras,
    )
