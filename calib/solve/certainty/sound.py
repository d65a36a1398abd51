"""The last look at a solved rig: what cannot be true ends here and not in a rig file."""

from __future__ import annotations

import numpy as np

from calib.core.names import command, listed
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import UnsolvableError
from calib.solve.fit import Fit

# A metre's wand written in metres has markers a millimetre apart, and then cameras a few
# millimetres apart.
SMALL_WAND_MM, SMALL_RIG_MM, LARGE_RIG_MM = 5.0, 100.0, 1e6
# A zoom ring reads up to a third off at worst; twice that is another lens or a fit that ran away.
FOCAL_RATIO = 1.7
# No ring is that far off: the camera's points belong to no one lens and pose.
RUNAWAY = 10.0
RING_REMEDY = "Check focal_mm and pixel_pitch_mm, and wave through more depth before this camera."
BINNED_REMEDY = (
    "Its points fill the upper left quarter of its sensor alone: if it sends binned images, state "
    "their width and height, and pixel_pitch_mm twice as large."
)
CAMERA_REMEDY = "Check its cable, frame count, marker names and mount, and solve without it"
UNSETTLED = 0.5  # half squares of unit noise: something moves by a standard deviation yet
# times the median camera's noise: cameras that a fit without a minimum is likely to be about
RESTLESS = 3.0
NOISE_SHARE = (
    0.002  # of the sensor's width: four pixels of 2000, tens of times what a poor marker scatters
)


def require_lenses(fit: Fit, tracks: Tracks) -> None:
    """Raise UnsolvableError, naming the camera, for a focal length that is none or far from the one
    stated.
    """
    for camera, focal in zip(tracks.cameras, fit.result.state.lens[:, 0].tolist(), strict=True):
        nominal = camera.nominal_focal_px
        low, high = (nominal / FOCAL_RATIO, nominal * FOCAL_RATIO) if nominal else (0.0, np.inf)
        if not low < focal < high:
            half = np.array([camera.width, camera.height]) / 2.0
            is_binned = camera.n_points > 0 and bool((camera.xy_px < half).all())
            found, remedy = f"{focal:.0f} px", BINNED_REMEDY if is_binned else RING_REMEDY
            if nominal and not 1 / RUNAWAY < focal / nominal < RUNAWAY:
                without = command("select", "TRACKS", "--without", camera.name, "-o", "PART")
                found, remedy = "none that its points fit", f"{CAMERA_REMEDY}: {without}"
            raise UnsolvableError(
                camera.name,
                expected=f"a focal length near the {nominal:.0f} px stated"
                if nominal
                else "a focal length above 0",
                found=found,
                remedy=remedy,
                cameras=[camera.name],
            )


def require_sound(rig: Rig) -> None:
    """Raise UnsolvableError, naming cameras, for a rig of absurd size or residuals."""
    _require_size(rig)
    _require_fit(rig)


def _positions_mm(rig: Rig) -> np.ndarray:
    return np.stack([c.position_mm for c in rig.cameras])


def _require_size(rig: Rig) -> None:
    if rig.wand.dimension == 0:
        return  # the size is what the stated distance makes it
    position = _positions_mm(rig)
    extent = 2.0 * float(np.linalg.norm(position - position.mean(axis=0), axis=1).max())
    is_small = extent < SMALL_RIG_MM and rig.wand.span_mm < SMALL_WAND_MM
    if is_small or extent > LARGE_RIG_MM:
        unit = "metres" if is_small else "micrometres"
        raise UnsolvableError(
            "wand file",
            expected="coordinates in mm, which put the cameras at a sensible distance "
            "from each other",
            found=f"a wand of {rig.wand.span_mm:g} mm, which puts the cameras "
            f"{extent:.3g} mm apart",
            remedy=f"If its coordinates are in {unit}, write them in mm.",
        )


def _require_fit(rig: Rig) -> None:
    sigma = [c.stats.sigma_px for c in rig.cameras if c.stats]
    middle, width = float(np.nanmedian(sigma)), float(np.median([c.width for c in rig.cameras]))
    if middle > NOISE_SHARE * width:
        raise UnsolvableError(
            "residuals",
            expected=f"noise of at most {NOISE_SHARE * width:.1f} px in most cameras",
            found=f"{middle:.1f} px",
            remedy="The tracks do not fit this wand: check the wand file, the markers' "
            "order and the cameras' sync.",
            cameras=rig.names,
        )


def is_far_off(fit: Fit, tracks: Tracks) -> bool:
    """Return whether a camera's points lie farther off than those of any marker, however poor."""
    width = np.array([c.width for c in tracks.cameras])
    return bool((fit.sigma_px > NOISE_SHARE * width).any())


def require_settled(fit: Fit, names: tuple[str, ...]) -> None:
    """Raise UnsolvableError, naming the noisiest cameras, where the last descent ended well before
    a minimum.
    """
    if fit.result.is_converged or fit.result.left < UNSETTLED:
        return
    noisy = fit.sigma_px > RESTLESS * np.median(fit.sigma_px)
    worst = tuple(n for n, bad in zip(names, noisy, strict=True) if bad) or names
    raise UnsolvableError(
        listed(worst),
        expected="a fit that settles",
        found=f"one that still falls after {fit.result.n_iterations} steps",
        remedy="Look with `calib inspect` at what these cameras share, check their "
        "tracks (time, marker numbers) and"
        " wave longer where they and their neighbours see.",
        cameras=worst,
    )
