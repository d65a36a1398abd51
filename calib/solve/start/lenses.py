"""What is known of lenses before solving: where to start, which of them to find, weak priors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import FOCAL_WIDTHS
from calib.core.geometry import Array
from calib.core.parameters import term_values
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.solve.bundle.descent import Prior
from calib.solve.certainty.lens_terms import USUAL

# Standard deviations of weak priors about the starting lens. They keep a camera that few points
# reach from running off and leave one that is well covered alone: its own sigmas are some fifty
# times smaller.
PRIOR_SIGMA = {
    "focal": np.inf,
    "aspect": 0.01,  # pixels of sensors are square to far better
    "cx": 0.03,  # of the sensor's width: lenses sit within a millimetre of the middle
    "cy": 0.03,
    "k1": 0.3,  # twice the strongest barrel of a common zoom
    "k2": 0.3,
    "k3": 0.3,
    "p1": 0.01,  # a lens tilted by half a degree
    "p2": 0.01,
    "k4": 0.3,
    "k5": 0.3,
    "k6": 0.3,
}


def start_lens(camera: CameraTracks) -> Array:
    """Return the lens (12,) to start from: measured, else nominal focal length with the axis in the
    middle.

    Without either, a focal length of the sensor's width: an angle of view of 53°, in the middle of
    common zooms. Raises InputError where the nominal one is none of a lens.
    """
    if camera.lens is not None:
        return camera.lens.vector
    focal = camera.nominal_focal_px or float(camera.width)
    short, long = FOCAL_WIDTHS
    if not short < focal / camera.width < long:
        raise InputError(
            f"cameras/{camera.name}: focal_mm, pixel_pitch_mm",
            expected="both in mm, as 8 and 0.0045",
            found=f"{camera.focal_mm:g} and {camera.pixel_pitch_mm:g}, a focal length of "
            f"{focal:.3g} px on {camera.width} px",
            remedy="Put them right (micrometres are thousandths of a mm), or leave them out.",
        )
    return np.array([focal, focal, (camera.width - 1) / 2.0, (camera.height - 1) / 2.0, *[0.0] * 8])


def is_lens_free(tracks: Tracks, lens: str) -> NDArray[np.bool_]:
    """Return whose lens (C,) is to be solved for: ``auto`` holds measured lenses, ``free`` and
    ``hold`` go for all.
    """
    if lens not in {"auto", "free", "hold"}:
        raise InputError("lens", expected="auto, free or hold", found=repr(lens))
    if lens == "hold":
        for camera in tracks.cameras:
            if camera.nominal_focal_px is None:
                raise InputError(
                    f"cameras/{camera.name}",
                    expected="K, or focal_mm and pixel_pitch_mm, with lenses held",
                    found="neither",
                    remedy="State the lens or use --lens free.",
                )
    return np.array([lens == "free" or (lens == "auto" and c.lens is None) for c in tracks.cameras])


def lens_prior(
    lens: Array, names: tuple[str, ...], widths: Array, *, is_usual: bool = False
) -> Prior:
    """Return the weak prior about starting lenses (C, 12); with ``is_usual`` small terms are about
    as usual.
    """
    mean = (
        np.stack([term_values(lens, name) for name in names], axis=1)
        if names
        else np.zeros((len(lens), 0))
    )
    known = PRIOR_SIGMA | (USUAL if is_usual else {})
    sigma = np.broadcast_to([known[name] for name in names], mean.shape).copy()
    is_px = np.array([name in {"cx", "cy"} for name in names], dtype=bool)
    sigma[:, is_px] *= widths[:, None]
    return Prior(mean, sigma)
