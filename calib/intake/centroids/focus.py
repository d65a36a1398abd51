"""Whether one camera's spots are fit to measure, and what to turn where they are not.

The limits are common practice, no source: a usable marker has a bright centre with a gradient to
its edge, is several pixels wide and round, stands clear of the background, and does not merge with
its neighbour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from calib.core.geometry import Array
from calib.errors import InputError, require_kinds
from calib.intake.centroids.split import MIN_GAP
from calib.intake.centroids.spots import Spots
from calib.printed import Reported

# share of a spot's pixels at full scale; a clipped middle says nothing of where the centre is
MAX_CLIPPED = 0.2
MIN_PEAK, MIN_CONTRAST = 0.3, 20.0  # of full scale; height by background noise
MAX_BACKGROUND = 0.25  # of full scale
MIN_ROUNDNESS = 0.85
MIN_DIAMETER_PX, MAX_DIAMETER_PX = 2.5, 40.0
IN_FOCUS_PX = 0.6  # blur (SD) of a lens in focus, with diffraction
# Blur from which a spot is soft: in px, and by its disc's radius, whichever is more.
SOFT_PX, SOFT_SHARE = 1.2, 0.6
# share by which a width may differ from the predicted one: a zoom ring's number is off by as much
MISSED = 0.25
MERGED = 0.05  # share of blobs that are touching markers


@dataclass(frozen=True, kw_only=True)
class Optics:
    """What is known of marker and lens; all four lengths together predict the spot's width.

    Parameters
    ----------
    marker_mm : float, optional
        Diameter of the marker.
    distance_mm : float, optional
        From camera to marker.
    focal_mm : float, optional
        Focal length.
    pitch_mm : float, optional
        Size of a pixel.
    """

    marker_mm: float | None = None
    distance_mm: float | None = None
    focal_mm: float | None = None
    pitch_mm: float | None = None

    def __post_init__(self) -> None:
        require_kinds(self)
        for key in ("marker_mm", "distance_mm", "focal_mm", "pitch_mm"):
            value = getattr(self, key)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise InputError(key, expected="a length above 0 mm", found=str(value))

    @property
    def px_per_mm(self) -> float | None:
        """Pixels to a millimetre at the marker's distance, None where it is not known."""
        if self.distance_mm is None or self.focal_mm is None or self.pitch_mm is None:
            return None
        return self.focal_mm / self.pitch_mm / self.distance_mm

    @property
    def diameter_px(self) -> float | None:
        """The marker's predicted diameter, None where it is not known."""
        if self.px_per_mm is None or self.marker_mm is None:
            return None
        return self.marker_mm * self.px_per_mm


@dataclass(frozen=True, slots=True)
class Check:
    """One thing judged: what was found, what is wanted, and where it is not so what to turn and
    why.
    """

    name: str
    found: str
    wanted: str
    is_ok: bool
    turn: tuple[str, ...] = ()
    advice: str = ""


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Focus(Reported):
    """The verdict on one camera's images; ``is_fit`` where every check is kept.

    Parameters
    ----------
    camera : str
        The camera.
    n_images, n_spots : int
        How many were looked at.
    checks : tuple of Check
        What was judged, one by one.
    numbers : dict of str to float or None
        Medians over its spots; None: no spot.
    refused : dict of str to int
        Blobs that are no spots, by reason.
    """

    REPORT: ClassVar[str] = "captures.focus"

    camera: str
    n_images: int
    n_spots: int
    checks: tuple[Check, ...]
    numbers: dict[str, float | None] = field(default_factory=dict)
    refused: dict[str, int] = field(default_factory=dict)

    @property
    def is_fit(self) -> bool:
        return all(c.is_ok for c in self.checks)


def judge(camera: str, images: Iterable[Spots], optics: Optics | None = None) -> Focus:
    """Return the verdict on what ``detect`` found in one camera's images."""
    known = optics or Optics()
    found = list(images)
    n_spots = sum(s.n for s in found)
    refused = dict(sum((Counter(s.refused) for s in found), Counter()))
    shares = [s.level.background / s.level.full_scale for s in found]
    background = float(np.median(shares)) if found else 0.0
    if not n_spots:
        return Focus(
            camera,
            len(found),
            0,
            (_no_spots(refused, background),),
            {"background_share": background},
            refused,
        )

    def median(key: str) -> float:
        values = np.concatenate([np.asarray(getattr(s, key), dtype=float) for s in found])
        known = values[np.isfinite(values)]
        return float(np.median(known)) if len(known) else float("nan")

    def ratio(key: str, level_key: str) -> float:
        parts = [np.asarray(getattr(s, key)) / getattr(s.level, level_key) for s in found]
        return float(np.median(np.concatenate(parts)))

    peak, contrast = ratio("peak", "full_scale"), ratio("height", "noise")
    clipped, roundness = median("saturated"), median("roundness")
    radius, blur, disc = median("radius_px"), median("blur_px"), median("disc_px")
    merge_px = 2 * MIN_GAP * radius
    nearest = min((_nearest(s.xy_px) for s in found), default=np.inf)
    touching = refused.get("touching or not round", 0)
    checks = [
        *_brightness(peak, contrast, clipped),
        Check(
            "background",
            f"{background:.0%} of full scale",
            f"at most {MAX_BACKGROUND:.0%}",
            background <= MAX_BACKGROUND,
            ("exposure",),
            "light beside the strobes: shorten the exposure, darken the room or cover what shines",
        ),
        Check(
            "roundness",
            f"{roundness:.2f}",
            f"{MIN_ROUNDNESS:.2f} or more",
            roundness >= MIN_ROUNDNESS,
            ("exposure",),
            "shorten the exposure if the marker moves; else free its view, or look for a "
            "tilted or dirty lens",
        ),
        *_width(known, radius, blur, disc),
        _merging(touching, touching + n_spots, merge_px, known),
    ]
    numbers = {
        "peak_share": peak,
        "contrast": contrast,
        "clipped_share": clipped,
        "background_share": background,
        "roundness": roundness,
        "diameter_px": 2 * radius,
        "blur_px": blur,
        "disc_px": disc,
        "predicted_diameter_px": known.diameter_px,
        "merge_px": merge_px,
        "merge_mm": None if known.px_per_mm is None else merge_px / known.px_per_mm,
        "nearest_px": nearest,
    }
    kept = {k: None if v is None or not np.isfinite(v) else float(v) for k, v in numbers.items()}
    return Focus(camera, len(found), n_spots, tuple(checks), kept, refused)


def too_bright(camera: str, n_images: int, refusal: InputError) -> Focus:
    """Return the verdict on images that are bright all over."""
    advice = "shorten the exposure, close the aperture or darken the room"
    return Focus(
        camera,
        n_images,
        0,
        (Check("brightness", refusal.found, refusal.expected, False, _LESS, advice),),
    )


_LESS, _MORE = ("exposure", "aperture"), ("aperture", "exposure")


def _no_spots(refused: dict[str, int], background: float) -> Check:
    if refused:
        found = f"none, but {', '.join(f'{n} {reason}' for reason, n in sorted(refused.items()))}"
        what = "too large" in refused or "touching or not round" in refused
        turn = ("focus", "aperture", "exposure") if what else ("focus", "zoom")
        advice = (
            "focus until markers come apart, then close the aperture; shorten the "
            "exposure if they move;"
            " take lamps and windows out of view"
            if what
            else "focus, zoom in or come nearer; a marker at the edge or of a pixel or "
            "two cannot be measured"
        )
    else:
        found, turn = f"none; the image is dark ({background:.0%} of full scale)", _MORE
        advice = (
            "switch the strobes on, take the cap off, open the aperture or lengthen the exposure"
        )
    return Check("spots", found, "one or more", False, turn, advice)


def _brightness(peak: float, contrast: float, clipped: float) -> list[Check]:
    """Judge whether there is a bright centre that falls off, not a dim spot nor a flat clipped
    disc.
    """
    dim = "too dim: open the aperture or lengthen the exposure"
    flat = (
        "a flat clipped disc: shorten the exposure or close the aperture until only "
        "the middle is bright"
    )
    is_clear = contrast >= MIN_CONTRAST
    return [
        Check(
            "peak",
            f"{peak:.0%} of full scale",
            f"{MIN_PEAK:.0%} or more",
            peak >= MIN_PEAK,
            _MORE,
            dim,
        ),
        Check(
            "contrast",
            f"{contrast:.0f} times the noise",
            f"{MIN_CONTRAST:.0f} or more",
            is_clear,
            _MORE,
            dim,
        ),
        Check(
            "clipping",
            f"{clipped:.0%} of a spot",
            f"{MAX_CLIPPED:.0%} or less",
            clipped <= MAX_CLIPPED,
            _LESS,
            flat,
        ),
    ]


def _width(known: Optics, radius: float, blur: float, disc: float) -> list[Check]:
    """Judge sharpness and size, against the predicted width where there is one."""
    predicted = known.diameter_px
    if not np.isfinite(blur):
        advice = "no spot has the shape of a round marker: focus, and look for reflections"
        return [
            Check(
                "sharpness",
                "not a disc or a Gaussian",
                "the shape of a round marker",
                False,
                ("focus",),
                advice,
            )
        ]
    is_large_enough = 2 * radius >= MIN_DIAMETER_PX
    is_small_enough = 2 * radius <= MAX_DIAMETER_PX
    size = Check(
        "size",
        f"{2 * radius:.1f} px across",
        f"{MIN_DIAMETER_PX:g} to {MAX_DIAMETER_PX:g} px",
        is_large_enough and is_small_enough,
        ("zoom",),
        "zoom in, come nearer or take larger markers"
        if is_small_enough
        else "zoom out, step back or use smaller markers",
    )
    if predicted is None:
        limit = max(SOFT_PX, SOFT_SHARE * disc)
        advice = (
            "focus for the narrowest spot; --marker-mm, --distance-mm, --focal-mm "
            "and --pitch-mm tell size from blur"
        )
        found = f"blur {blur:.2f} px (SD)"
        return [
            Check("sharpness", found, f"at most {limit:.1f} px", blur <= limit, ("focus",), advice),
            size,
        ]
    # Width as the second moment along one axis: a disc's quarter of R² plus the blur's, whichever
    # made it.
    width, expected = np.sqrt(blur**2 + disc**2 / 4), np.sqrt(predicted**2 / 16 + IN_FOCUS_PX**2)
    implied = float(np.sqrt(max(width**2 - predicted**2 / 16, 0.0)))
    limit = max(SOFT_PX, SOFT_SHARE * predicted / 2)
    is_sharp_edged = blur <= max(SOFT_PX, SOFT_SHARE * disc)
    is_wide, is_narrow = width > (1 + MISSED) * expected, width < (1 - MISSED) * expected
    is_soft = implied > limit and not (is_sharp_edged and disc > predicted / 2)
    sharpness = Check(
        "sharpness",
        f"blur {blur:.2f} px (SD); by the predicted size {implied:.2f} px",
        f"at most {limit:.1f} px",
        not is_soft and is_sharp_edged,
        ("focus",),
        "out of focus: turn the focus ring for the narrowest spot",
    )
    agreement = Check(
        "width",
        f"{2 * radius:.1f} px across; predicted {predicted:.1f} px",
        f"within {MISSED:.0%}",
        not is_narrow and not is_wide,
        ("focus",) if is_soft else ("zoom", "exposure"),
        "the blur widens it: focus first"
        if is_soft
        else "wider than marker and distance predict: check zoom and lengths; if it "
        "blooms, shorten the exposure"
        if is_wide
        else "narrower than marker and distance predict: check zoom and lengths; if its "
        "rim is dark, open up",
    )
    return [sharpness, size, agreement]


def _merging(touching: int, n_blobs: int, merge_px: float, known: Optics) -> Check:
    at = (
        ""
        if known.px_per_mm is None
        else f" ({merge_px / known.px_per_mm:.0f} mm at {known.distance_mm:.0f} mm)"
    )
    return Check(
        "neighbours",
        f"{touching} of {n_blobs} touch; merge below {merge_px:.1f} px{at}",
        f"at most {MERGED:.0%} touching",
        touching <= MERGED * n_blobs,
        ("focus", "aperture"),
        "neighbours merge: focus for the narrowest spots, then close the aperture; a shorter "
        "exposure helps against blooming",
    )


def _nearest(xy_px: Array) -> float:
    """Return the smallest distance between two spots of an image."""
    if len(xy_px) < 2:
        return float("inf")
    gap = np.hypot(*(xy_px[:, None] - xy_px).transpose(2, 0, 1))
    gap[np.diag_indices(len(gap))] = np.inf
    return float(gap.min())
