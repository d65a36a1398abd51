"""Each camera of a recheck: measured first, then a verdict from its figures alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.recheck.agree import Agreement
from calib.check.recheck.compare import Comparison
from calib.check.recheck.explain import (
    Reading,
    chance_of,
    explain,
    image_points,
    pose_alone,
    shift_px,
    shift_sigma_px,
)
from calib.check.recheck.outcome import SHIFT, CameraChange
from calib.check.verdicts import Change, Standing
from calib.core.geometry import Array
from calib.core.parameters import LENS_TERMS, N_CHANGE, CameraParameter
from calib.core.rig import Rig, RigCamera
from calib.errors import InputError, require_kinds
from calib.solve.clock.common_time import is_known_late
from calib.solve.fit import Fit

# a noise this many times the others' (each against its own of the solve): a blob out of focus, too
# dim or too small; common practice, no source
NOISY = 2.0
OWN_DOUBT = 5.0  # standard uncertainties: beyond, a camera is not where it was, whatever the order
# an offset below this moves points by less than the noise: 1 m/s at 25 Hz, 5 m away, is 10 px a
# frame
SAME_FRAMES = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class RecheckOptions:
    """When a camera is named, and when its change matters.

    Parameters
    ----------
    alpha : float
        Chance that any camera of an unchanged rig is named.
    matters_px : float
        A change matters beyond this in the image.
    matters_mm : float
        Or beyond this in the volume.
    """

    # chance of naming any camera of a rig in which none moved: with the rig's growth tested beside
    # the cameras, one recheck in a hundred raises an alarm for nothing
    alpha: float = 0.005
    # as large as the noise of a well-lit round marker: residuals of that camera then double
    matters_px: float = 0.2
    matters_mm: float = (
        0.5  # half a millimetre: what a room-sized rig is trusted to (common practice, no source)
    )

    def __post_init__(self) -> None:
        require_kinds(self)
        for name in ("matters_px", "matters_mm"):
            if not (np.isfinite(getattr(self, name)) and getattr(self, name) > 0):
                raise InputError(
                    name, expected="a number above 0", found=f"{getattr(self, name):g}"
                )
        if not 0 < self.alpha < 1:
            raise InputError("alpha", expected="a chance between 0 and 1", found=f"{self.alpha:g}")

    def exceeded_by(self, c: CameraChange) -> bool:
        return c.shift_px > self.matters_px or c.shift_mm > self.matters_mm


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """Each camera's offset (C,) in frames beyond what the rig knows, later positive, and its sigma
    (nan: not tried).
    """

    offset_frames: Array
    sigma_frames: Array


def _distances(rig: Rig, fit: Fit, found: Comparison) -> Array:
    """Return how far (C,) from each camera the middle of what it sees is, in mm."""
    R, t = found.rig_from_fit
    places = fit.result.state.wand_t @ R.T + t
    seen = (fit.problem.weight > 0).any(axis=0)
    return np.array(
        [
            np.linalg.norm(
                np.median(places[fit.problem.frame[seen & (fit.problem.cam == c)]], axis=0)
                - rig.camera(name).position_mm
            )
            for c, name in enumerate(found.names)
        ]
    )


def within_own_doubt(rig: Rig, fit: Fit, found: Comparison, agreed: Agreement) -> NDArray[np.bool_]:
    """Return which of the cameras (C,) that do not agree changed their image by less than
    ``OWN_DOUBT`` of what the wave leaves open of it.
    """
    out = np.flatnonzero(~agreed.is_agreeing)
    at = found.information.at(found.at(out))
    changes, C = at.estimate(), at.covariance()
    is_within, distances = np.zeros(len(found.names), bool), _distances(rig, fit, found)
    for k, c in enumerate(out):
        own = slice(k * N_CHANGE, (k + 1) * N_CHANGE)
        camera = rig.camera(found.names[c])
        points = image_points(camera, distances[c])
        sigma = shift_sigma_px(camera, C[own, own], points)
        is_within[c] = shift_px(camera, changes[own], points) < OWN_DOUBT * sigma
    return is_within


def measured(
    rig: Rig, fit: Fit, found: Comparison, agreed: Agreement, noise: Array, clock: Clock
) -> tuple[list[CameraChange], list[Reading]]:
    """Return every camera's figures, tested against the agreeing cameras and yet without a verdict,
    and its explanation.
    """
    n = len(found.names)
    out = np.flatnonzero(~agreed.is_agreeing)
    distances = _distances(rig, fit, found)
    cameras, readings = [], []
    for c, name in enumerate(found.names):
        camera, others, distance = rig.camera(name), out[out != c], float(distances[c])
        if len(others) == n - 1:  # alone among the changed: a reading, not a finding
            others = others[:0]
        points = image_points(camera, distance)
        e = explain(found, c, others)
        is_out = bool(c in out)
        change, covariance = (e.change, e.covariance) if is_out else pose_alone(found, c, others)
        px = shift_px(camera, change, points)
        readings.append(e)
        cameras.append(
            CameraChange(
                name=name,
                verdict=Standing.UNMOVED,
                change=change,
                covariance=covariance,
                shift_px=px,
                shift_mm=px * distance / camera.lens.fx,
                sigma_shift_px=shift_sigma_px(camera, covariance, points),
                p_value=chance_of(e.gain, n),
                kind=e.kind if is_out else None,
                is_separable=e.is_separable,
                correlation=e.correlation,
                focal_px=camera.lens.fx,
                is_known_late=is_known_late(camera),
                faults=camera.faults,
                bent=_bent(rig, camera),
                offset_frames=float(clock.offset_frames[c]),
                sigma_frames=float(clock.sigma_frames[c]),
                sigma_px=float(fit.sigma_px[c]),
                noise_ratio=float(noise[c]),
                shift_camera_mm=camera.cam_from_world.R @ change[SHIFT],
            )
        )
    return cameras, readings


def _bent(rig: Rig, camera: RigCamera) -> tuple[str, ...] | None:
    """Return the lens terms that a solve freed of a camera that it did not place, else None."""
    if camera.is_placed:
        return None
    known = () if rig.covariance is None else rig.covariance.parameters
    return tuple(t for t in LENS_TERMS if CameraParameter(camera.name, t) in known)


def judged(c: CameraChange, n_cameras: int, options: RecheckOptions) -> CameraChange:
    """Return one of ``n_cameras`` with its verdict, and whether what it says matters."""
    offset = abs(c.offset_frames)
    is_late = bool(
        offset > SAME_FRAMES
        and 2 * n_cameras * special.ndtr(-offset / c.sigma_frames) < options.alpha
    )
    may_have_moved = c.p_value < options.alpha and options.exceeded_by(c)
    is_at_fault = c.bent is not None and (is_late or c.noise_ratio > NOISY)  # still, or again
    if c.kind is not None and not is_at_fault:
        verdict = Standing.LENS if c.kind == Change.LENS else Standing.MOVED
    elif is_late:
        verdict = Standing.TIMING
    elif c.noise_ratio > NOISY:
        verdict = Standing.NOISY
    elif may_have_moved or c.sigma_shift_px > options.matters_px:
        verdict = Standing.UNDECIDED
    else:
        verdict = Standing.UNMOVED
    matters = is_late or verdict == Standing.NOISY
    return replace(
        c,
        verdict=verdict,
        is_late=is_late,
        may_have_moved=may_have_moved,
        matters=matters or (c.kind is not None and options.exceeded_by(c)),
    )


def with_knocks(
    cameras: Sequence[CameraChange], knocked: Mapping[str, tuple[int, float]]
) -> list[CameraChange]:
    """Return the cameras, those knocked during the wave, by name with the frame and how many px,
    with that as their verdict.
    """

    def moving(c: CameraChange, frame: int, px: float) -> CameraChange:
        return replace(c, verdict=Standing.MOVING, since_frame=frame, step_px=px, matters=True)

    return [moving(c, *knocked[c.name]) if c.name in knocked else c for c in cameras]
