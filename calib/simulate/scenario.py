"""What to simulate: every option with its default and the reason for it.

Figures without a source are common practice of the trade, from memory.
"""

from __future__ import annotations

import math
import re
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from numbers import Integral, Real
from typing import Any

import numpy as np

from calib.errors import InputError, did_you_mean

LENS_TERMS = ("aspect", "k1", "k2", "k3", "tangential", "rational")
BY_CAMERA = (
    *("noisy", "slip", "late", "row_delay", "vibration_px", "vibration_hz"),
    *("window_px", "stray_share", "side_seen"),
)
BY_CAMERA_LIMITS = (
    *(
        ("late", -2.0, 2.0),
        ("row_delay", -1.0, 1.0),
        ("vibration_px", 0.0, 100.0),
        ("vibration_hz", 0.01, 1e4),
    ),
    *(("window_px", 0.0, 100.0), ("stray_share", 0.0, 1.0), ("side_seen", 0.05, 1.0)),
)
# Errors that are independent and of one size a camera; and lenses without small terms besides.
INDEPENDENT: Mapping[str, Any] = {
    "noise_growth": 0.0,
    "pixel_pull_px": 0.0,
    "tremble": 0.0,
    "lasting_share": 0.0,
}
PLAIN: Mapping[str, Any] = {"lens_terms": ("k1", "k2"), **INDEPENDENT}
# A sensor of the usual size with a quarter of its rows and columns, quick to draw and to search,
# and markers large enough for it.
SMALL_IMAGES: Mapping[str, Any] = {
    "width": 500,
    "height": 300,
    "pixel_pitch_mm": 0.018,
    "marker_diameter_mm": 30.0,
}
CHOICES = {
    "layout": ("room", "corridor", "row", "dome"),
    "path": ("volume", "plane", "still"),
    "wand": ("line3", "plane5", "solid6"),
    "known_lens": ("nominal", "measured", "nothing"),
}


@dataclass(frozen=True, kw_only=True)
class Knock:
    """A camera that is knocked: from ``frame`` on it stands turned, shifted and, by option, zoomed.

    The axis of the turn and the direction of the shift are random. ``focal_change`` is a share:
    0.01 makes the focal length 1 % longer, as when the knock also turns the zoom ring.
    """

    camera: str
    frame: int = 0  # from this one on
    rotation_deg: float = 0.5  # how far it turns; one that takes a person to notice (assumed)
    translation_mm: float = 5.0  # how far it shifts (assumed)
    focal_change: float = 0.0  # share by which the focal length grows: most knocks leave the ring

    @classmethod
    def parse(cls, text: str) -> Knock:
        """Return the knock that a text states: the camera, how far it turns, how far it shifts.

        >>> Knock.parse("cam03:0.3deg").rotation_deg, Knock.parse("cam03:2mm").translation_mm
        (0.3, 2.0)
        """
        number = r"(\d+\.?\d*|\.\d+)"
        found = re.fullmatch(
            rf"(?P<camera>.+):(?:{number}deg)?,?(?:{number}mm)?", text.replace(" ", "")
        )
        if found is None or found.group(2) is None is found.group(3):
            raise InputError(
                "knock",
                expected="CAM:TURN,SHIFT, as cam03:0.3deg or cam03:0.3deg,5mm",
                found=repr(text),
            )
        turn, shift = (float(found.group(k) or 0.0) for k in (2, 3))
        return cls(camera=found["camera"], rotation_deg=turn, translation_mm=shift)

    def __post_init__(self) -> None:
        _check_kinds(self, "scenario knock")
        if not (self.frame >= 0 and abs(self.focal_change) < 0.5):
            raise InputError(
                "scenario knock",
                expected="frame 0 or later, focal_change within -0.5 to 0.5",
                found=str(asdict(self)),
            )


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A rig, a wand wave and the troubles of a capture, all drawn from ``seed``.

    Each effect has its own random stream, so switching one on leaves the others as they were. The
    same scenario gives the same capture. Rigs are connected (every camera is joined to all others
    over pairs that share at least 30 frames) unless ``connected`` is off or the path is not
    ``volume``.
    """

    # The rig.
    layout: str = "room"  # cameras all around looking in: the most common rig
    n_cameras: int = 10  # a mid-sized room
    size_mm: tuple[float, float, float] | None = (
        None  # waved volume x, y, z; without it, what suits layout and n_cameras
    )
    width: int = 2000  # sensor in px, some two megapixels: a made-up format, wide as a room is
    height: int = 1200  # likewise
    pixel_pitch_mm: float = 0.0045  # a sensor of 9.0 x 5.4 mm
    focal_range_mm: tuple[float, float] = (
        5.0,
        10.0,
    )  # 84 to 48 degrees across; each lens is set so that the volume fills it
    principal_offset_px: float = (
        15.0  # mounts and zooms put the axis up to this far off the centre, each way
    )
    # True lenses: barrel, and a little of what the published calibrations of
    # `calib.solve.certainty.lens_terms` show (assumed: evenly within the limits below, each camera
    # by itself).
    lens_terms: tuple[str, ...] = ("k1", "k2", "k3", "tangential", "aspect")  # what lenses have
    aspect_error: float = 1e-3  # pixels are square to within this
    decentring: float = 1e-3  # p1 and p2 are within this
    k3_limit: float = 0.02  # k3 is within this, and small enough that the lens never folds
    only_real: tuple[
        str, ...
    ] = ()  # cameras whose lenses alone have k3, tangential and aspect; none named: all
    known_lens: str = (
        "nominal"  # what the tracks state: the zoom ring's focal length, the true lens, or nothing
    )
    focal_error: float = 0.10  # a zoom ring reads up to this share off, differently for each camera
    roll_deg: float = 5.0  # cameras hang about upright, within this either way
    range_mm: float = 9000.0  # how far the strobe lights a marker at a short exposure
    # The wand and its wave.
    wand: str = "line3"  # three markers on a line: the most common wand, and the hardest
    wand_sigma_mm: float = 0.02  # coordinates as a measuring machine gives them
    marker_error_mm: float = (
        0.0  # how far (SD) markers really lie off their file; 0 leaves the solver's error alone
    )
    is_certified: bool = False  # most wands carry no certificate
    marker_diameter_mm: float = 16.0  # a common size for rooms
    path: str = "volume"  # a wave that fills the volume, as one should
    n_frames: int | None = (
        None  # without it, 1500, or more where walking a long rig up and down takes longer
    )
    frame_rate_hz: float = 25.0  # 1500 frames then last a minute, the length of a real wave
    speed_mm_s: float = 1000.0  # RMS speed of the wand's centre; hands do 0.5 to 1.5 m/s
    turn_rad_s: float = 2.0  # RMS rate at which the hand turns the wand
    wave: int = 0  # another number waves again before the same cameras
    # What the cameras make of it.
    sigma_px: float = 0.12  # SD of one coordinate of a centroid of a well-lit round marker
    noise_spread: float = 1.0  # cameras' sigma differ by up to this factor either way; 1: all alike
    noisy: Mapping[str, float] = field(default_factory=dict)  # camera name: factor on its sigma
    # How errors differ from independent ones of one size: see `calib.simulate.noise` (all assumed).
    noise_growth: float = 0.5  # share of the variance that grows with the square of the distance
    pixel_pull_px: float = 0.02  # pixels pull centroids towards their centres by up to this
    tremble: float = (
        0.002  # SD along the motion, as a share of the way from frame to frame: 80 µs at 25 Hz
    )
    lasting_share: float = (
        0.03  # share of a camera's stretches of time in which all its points are off together
    )
    lasting_px: float = 0.5  # SD of that, in each coordinate
    lasting_s: tuple[float, float] = (0.1, 2.0)  # how long such a stretch lasts
    dropout: float = 0.2  # share of points lost at random: glare, grazing views, bandwidth
    occlusion: bool = True  # markers behind or touching one another hide or merge
    person: bool = True  # the person who waves stands in the way of some cameras
    outliers: float = 0.003  # share of named points that lie grossly off (mixed-up markers, glints)
    outlier_px: tuple[float, float] = (5.0, 300.0)  # how far off, evenly over the logarithm
    strays: float = 0.1  # mean number of reflections a camera and frame, half of them static
    is_named: bool = True  # false: every marker is -1, as before identification
    slip: Mapping[str, int] = field(
        default_factory=dict
    )  # camera name: frames by which its frame count is late
    late: Mapping[str, float] = field(
        default_factory=dict
    )  # camera name: part of a frame by which it exposes late
    row_delay: Mapping[str, float] = field(
        default_factory=dict
    )  # name: frames from first to last row (rolling shutter)
    vibration_px: Mapping[str, float] = field(
        default_factory=dict
    )  # name: how far its image swings to either side
    vibration_hz: Mapping[str, float] = field(
        default_factory=dict
    )  # name: how often; 4 Hz where not given, a truss's
    window_px: Mapping[str, float] = field(
        default_factory=dict
    )  # name: RMS of smooth shifts as by a bent window
    stray_share: Mapping[str, float] = field(
        default_factory=dict
    )  # name: share of its named points that lie off
    side_seen: Mapping[str, float] = field(
        default_factory=dict
    )  # name: share of its sensor that sees, from one side
    knock: tuple[Knock, ...] = ()  # cameras that are knocked during the wave
    connected: bool = True  # a rig in pieces is a scenario of its own
    seed: int = 0  # of everything that is drawn
    title: str = ""  # of the capture; empty: the layout's name

    def __post_init__(self) -> None:
        _check_kinds(self, "scenario")
        _check_ranges(self)

    @classmethod
    def plain(cls, **values: Any) -> Scenario:
        """Return a scenario of plain lenses and independent errors: what a solver's own model
        contains.
        """
        return cls(**{**PLAIN, **values})

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Scenario:
        """Return the scenario of a table as TOML gives it; InputError names unknown keys."""
        known = {f.name for f in fields(cls)}
        unknown = sorted(set(values) - known)
        if unknown:
            raise InputError(
                "scenario",
                expected=f"keys among {', '.join(sorted(known))}",
                found=", ".join(unknown),
                remedy=did_you_mean(unknown[0], known),
            )
        out: dict[str, Any] = {
            key: tuple(v) if isinstance(v, list) and key != "knock" else v
            for key, v in values.items()
        }
        if "knock" in out:
            tables = out["knock"] if isinstance(out["knock"], (list, tuple)) else [out["knock"]]
            out["knock"] = tuple(k if isinstance(k, Knock) else _knock(k) for k in tables)
        return cls(**out)

    def as_dict(self) -> dict[str, Any]:
        """Return the table that ``from_dict`` takes back, plain enough for TOML; values of None are
        left out.
        """
        table = {
            k: list(v) if isinstance(v, tuple) else v
            for k, v in asdict(self).items()
            if v is not None
        }
        table |= {key: dict(getattr(self, key)) for key in BY_CAMERA}
        return table

    @property
    def names(self) -> tuple[str, ...]:
        """Camera names: cam01, cam02 and so on."""
        digits = max(2, len(str(self.n_cameras)))
        return tuple(f"cam{i + 1:0{digits}d}" for i in range(self.n_cameras))

    def rng(self, effect: str, index: int = 0, *, of_wave: bool = True) -> np.random.Generator:
        """Return the random stream of one effect, of one camera; what belongs to the rig is the
        same in every wave.
        """
        wave = self.wave if of_wave else 0
        return np.random.default_rng([self.seed, zlib.crc32(effect.encode()), index, wave])


def _knock(table: Any) -> Knock:
    known = [f.name for f in fields(Knock)]
    if not isinstance(table, Mapping):
        raise InputError(
            "scenario knock", expected=f"a table of {', '.join(known)}", found=repr(table)
        )
    if "camera" not in table or set(table) - set(known):
        raise InputError(
            "scenario knock", expected=f"camera, and of {', '.join(known)}", found=", ".join(table)
        )
    return Knock(**table)


def _check_kinds(record: Any, place: str) -> None:
    """Raise InputError at the first field that holds something of another kind than its annotation
    says.
    """
    for f in fields(record):
        value = getattr(record, f.name)
        if not _is_kind(value, str(f.type)):
            kind = (
                str(f.type)
                .replace("Mapping", "table")
                .replace("tuple", "list")
                .replace(" | None", "")
            )
            raise InputError(
                f"{place} {f.name}", expected=f"a value of kind {kind}", found=repr(value)
            )


def _is_kind(value: Any, kind: str) -> bool:
    if kind.endswith(" | None"):
        return value is None or _is_kind(value, kind.removesuffix(" | None"))
    if kind.startswith("Mapping"):
        of = kind.rpartition(", ")[2].rstrip("]")
        return isinstance(value, Mapping) and all(
            isinstance(k, str) and _is_kind(v, of) for k, v in value.items()
        )
    if kind.startswith("tuple"):
        inner = kind.removeprefix("tuple[").rstrip("]").split(", ")
        is_long_enough = (
            inner[-1] == "..." or len(value) == len(inner) if isinstance(value, tuple) else False
        )
        return is_long_enough and all(_is_kind(v, inner[0]) for v in value)
    if kind in {"int", "float"}:
        is_number = isinstance(value, Integral if kind == "int" else Real) and not isinstance(
            value, bool
        )
        return is_number and math.isfinite(value)
    return isinstance(value, {"str": str, "bool": bool, "Knock": Knock}[kind])


def _check_ranges(s: Scenario) -> None:
    """Raise InputError at the first option that is out of its range."""
    for key, allowed in CHOICES.items():
        if getattr(s, key) not in allowed:
            raise InputError(
                f"scenario {key}",
                expected=f"one of {', '.join(allowed)}",
                found=repr(getattr(s, key)),
            )
    if set(s.lens_terms) - set(LENS_TERMS):
        raise InputError(
            "scenario lens_terms",
            expected=f"of {', '.join(LENS_TERMS)}",
            found=", ".join(s.lens_terms),
        )
    for key, value, low, high in limits(s):
        if not low <= value <= high:
            raise InputError(f"scenario {key}", expected=f"{low:g} to {high:g}", found=str(value))
    named = {name for key in BY_CAMERA for name in getattr(s, key)} | set(s.only_real)
    strangers = sorted({*named, *(k.camera for k in s.knock)} - set(s.names))
    if strangers:
        raise InputError(
            "scenario",
            expected=f"cameras {s.names[0]} to {s.names[-1]}",
            found=", ".join(strangers),
        )


def limits(s: Scenario) -> tuple[tuple[str, Any, float, float], ...]:
    """Return the options that are numbers: name, value, and the range they must lie in."""
    inf = float("inf")
    return (
        ("n_cameras", s.n_cameras, 2, 300),
        ("size_mm", min(s.size_mm) if s.size_mm else 1000.0, 500.0, 1e6),
        ("width", s.width, 16, 20000),
        ("height", s.height, 16, 20000),
        ("pixel_pitch_mm", s.pixel_pitch_mm, 1e-4, 0.1),
        ("focal_range_mm", s.focal_range_mm[0], 0.1, s.focal_range_mm[1]),
        ("principal_offset_px", s.principal_offset_px, 0, min(s.width, s.height) / 4),
        ("focal_error", s.focal_error, 0, 0.5),
        ("roll_deg", s.roll_deg, 0, 180),
        ("range_mm", s.range_mm, 500, inf),
        ("wand_sigma_mm", s.wand_sigma_mm, 0, 5),
        ("marker_error_mm", s.marker_error_mm, 0, 5),
        ("marker_diameter_mm", s.marker_diameter_mm, 0.1, 100),
        ("n_frames", 1 if s.n_frames is None else s.n_frames, 1, 1e7),
        ("frame_rate_hz", s.frame_rate_hz, 0.1, 1e5),
        ("speed_mm_s", s.speed_mm_s, 1, 1e4),
        ("turn_rad_s", s.turn_rad_s, 0, 50),
        ("wave", s.wave, 0, inf),
        ("sigma_px", s.sigma_px, 0, 50),
        ("noise_spread", s.noise_spread, 1, 100),
        ("noisy", min(s.noisy.values(), default=1.0), 0, inf),
        *(
            (key, value, low, high)
            for key, low, high in BY_CAMERA_LIMITS
            for value in getattr(s, key).values()
        ),
        ("aspect_error", s.aspect_error, 0, 0.05),
        ("decentring", s.decentring, 0, 0.02),
        ("k3_limit", s.k3_limit, 0, 10),
        ("noise_growth", s.noise_growth, 0, 1),
        ("pixel_pull_px", s.pixel_pull_px, 0, 0.15),
        ("tremble", s.tremble, 0, 1),
        ("lasting_share", s.lasting_share, 0, 1),
        ("lasting_px", s.lasting_px, 0, 100),
        ("lasting_s", s.lasting_s[0], 1e-3, s.lasting_s[1]),
        ("dropout", s.dropout, 0, 0.99),
        ("outliers", s.outliers, 0, 1),
        ("outlier_px", s.outlier_px[0], 1e-3, s.outlier_px[1]),
        ("strays", s.strays, 0, 1000),
        ("seed", s.seed, 0, inf),
    )
