"""Lenses that were held as stated, and that the capture shows to be others."""

from __future__ import annotations

from collections.abc import Sequence

from calib.check.apart import UNSURE, causes_apart, stats_of
from calib.check.causes import Cause
from calib.check.causes.models import MIN_SHARE
from calib.check.verdicts import Fault, RigFault
from calib.check.whole.find import Whole
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.solve.certainty.held import OffLens, contradicted, off_by
from calib.solve.fit import Freed
from calib.solve.hold import RigFit

# What a lens that is off makes of residuals itself.
OF_A_LENS = {Fault.LENS, Fault.MOVED}


def stated_lenses(
    rig: Rig, tracks: Tracks, fit: RigFit, freed: Freed | None, whole: Whole
) -> list[Doubt]:
    """Return the doubts of stated lenses that the capture shows to be others; ``freed`` is what it
    says of those that were held.

    Of two cameras it is that of the two, as one's error looks like the other's. Where freeing takes
    much of the residuals of several, and nobody moved, one doubt is of all of them.
    """
    if rig.covariance is None or freed is None:
        return []
    held, moved = rig.covariance.held, any(d.finding == RigFault.CHANGED for d in whole.doubts)
    off = contradicted(tracks.cameras, held, freed)
    if len(tracks.names) == 2:
        is_told = any(d.finding == RigFault.PAIR for d in whole.doubts)
        return [] if is_told else [_of_one(lens, tracks.names) for lens in off[:1]]
    exchanged = [lens for lens in off if lens.other is not None and lens.camera < lens.other]
    told = [_of_one(lens, (lens.camera, str(lens.other))) for lens in exchanged]
    apart = {name for doubt in told for name in doubt.cameras}
    every = [lens for lens in off_by(tracks.cameras, held, freed) if lens.camera not in apart]
    several = [lens for lens in every if lens.share > MIN_SHARE]
    if len(several) > 1 and not (moved or whole.knocked):
        by = [lens.focal_share for lens in several]
        figures = {"least_share": min(by), "most_share": max(by)}
        return [*told, Doubt(RigFault.STATED, tuple(x.camera for x in several), figures)]
    # Within what a statement allows, a lens that most of a camera's squares follow is told where
    # nothing else is: they would be taken for what its error lets expect.
    within = [lens for lens in several if lens not in off and not (moved or whole.knocked)]
    single = [lens for lens in (*off, *within) if lens.camera not in apart | whole.knocked.keys()]
    if single:
        causes = causes_apart(rig, tracks, fit, stats_of(tracks, fit))
        of = dict(zip(tracks.names, causes, strict=True))
        single = [lens for lens in single if not _is_otherwise(of[lens.camera], lens, lens in off)]
    return [*told, *(_of_one(lens, (lens.camera,)) for lens in single)]


def _is_otherwise(causes: Sequence[Cause], lens: OffLens, is_contradicted: bool) -> bool:
    """Return whether something else takes more of a camera's squares than another lens does; of one
    that its statement allows, whether anything is told.
    """
    unsure = [c for c in causes if c.cause in UNSURE]
    if not is_contradicted:
        return bool(unsure)
    other = (c for c in unsure if c.cause not in OF_A_LENS)
    return any(c.figures.get("share", 1.0) > lens.share for c in other)


def _of_one(lens: OffLens, cameras: tuple[str, ...]) -> Doubt:
    x, y = lens.centre_px
    figures = {"focal_share": lens.focal_share, "x_px": x, "y_px": y}
    return Doubt(RigFault.STATED, cameras, figures | {"is_exchanged": lens.other is not None})
