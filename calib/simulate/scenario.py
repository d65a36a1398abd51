"""What to simulate: every option with its default and the reason for it.

Figures without a source are common practice of the trade, from memory.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from itertools import chain
from typing import Any

import numpy as np

from calib.errors import InputError, did_you_mean, require_one_of
from calib.simulate.keys import check_kinds, key

LENS_TERMS = ("aspect", "k1", "k2", "k3", "tangential", "rational")
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


@dataclass(frozen=True, kw_only=True)
class Knock:
    """A camera that is knocked: from ``frame`` on it stands turned, shifted and, by option, zoomed.

    The axis of the turn and the direction of the shift are random. ``focal_change`` is a share:
    0.01 makes the focal length 1 % longer, as when the knock also turns the zoom ring.
    """

    camera: str
    frame: int = key(0, "from this one on")
    rotation_deg: float = key(0.5, "how far it turns; one that takes a person to notice (assumed)")
    translation_mm: float = key(5.0, "how far it shifts (assumed)")
    focal_change: float = key(
        0.0, "share by which the focal length grows: most knocks leave the ring"
    )

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
        check_kinds(self, "scenario knock")
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
    layout: str = key(
        "room",
        "cameras all around looking in: the most common rig",
        of=("room", "corridor", "row", "dome"),
    )
    n_cameras: int = key(10, "a mid-sized room", 2, 300)
    size_mm: tuple[float, float, float] | None = key(
        None, "waved volume x, y, z; without it, what suits layout and n_cameras", 500, 1e6
    )
    width: int = key(
        2000, "sensor in px, some two megapixels: a made-up format, wide as a room is", 16, 20000
    )
    height: int = key(1200, "likewise", 16, 20000)
    pixel_pitch_mm: float = key(0.0045, "a sensor of 9.0 x 5.4 mm", 1e-4, 0.1)
    focal_range_mm: tuple[float, float] = key(
        (5.0, 10.0), "84 to 48 degrees across; each lens is set so that the volume fills it", 0.1
    )
    principal_offset_px: float = key(
        15.0, "mounts and zooms put the axis up to this far off the centre, each way"
    )
    # True lenses: barrel, and a little of what the published calibrations of
    # `calib.solve.certainty.lens_terms` show (assumed: evenly within the limits below, each camera
    # by itself).
    lens_terms: tuple[str, ...] = key(
        ("k1", "k2", "k3", "tangential", "aspect"), "what lenses have"
    )
    aspect_error: float = key(1e-3, "pixels are square to within this", 0, 0.05)
    decentring: float = key(1e-3, "p1 and p2 are within this", 0, 0.02)
    k3_limit: float = key(
        0.02, "k3 is within this, and small enough that the lens never folds", 0, 10
    )
    only_real: tuple[str, ...] = key(
        (), "cameras whose lenses alone have k3, tangential and aspect; none named: all"
    )
    known_lens: str = key(
        "nominal",
        "what the tracks state: the zoom ring's focal length, the true lens, or nothing",
        of=("nominal", "measured", "nothing"),
    )
    focal_error: float = key(
        0.10, "a zoom ring reads up to this share off, differently for each camera", 0, 0.5
    )
    roll_deg: float = key(5.0, "cameras hang about upright, within this either way", 0, 180)
    range_mm: float = key(9000.0, "how far the strobe lights a marker at a short exposure", 500)
    # The wand and its wave.
    wand: str = key(
        "line3",
        "three markers on a line: the most common wand, and the hardest",
        of=("line3", "plane5", "solid6"),
    )
    wand_sigma_mm: float = key(0.02, "coordinates as a measuring machine gives them", 0, 5)
    marker_error_mm: float = key(
        0.0,
        "how far (SD) markers really lie off their file; 0 leaves the solver's error alone",
        0,
        5,
    )
    is_certified: bool = key(False, "most wands carry no certificate")
    marker_diameter_mm: float = key(16.0, "a common size for rooms", 0.1, 100)
    path: str = key(
        "volume", "a wave that fills the volume, as one should", of=("volume", "plane", "still")
    )
    n_frames: int | None = key(
        None, "without it, 1500, or more where walking a long rig up and down takes longer", 1, 1e7
    )
    frame_rate_hz: float = key(
        25.0, "1500 frames then last a minute, the length of a real wave", 0.1, 1e5
    )
    speed_mm_s: float = key(
        1000.0, "RMS speed of the wand's centre; hands do 0.5 to 1.5 m/s", 1, 1e4
    )
    turn_rad_s: float = key(2.0, "RMS rate at which the hand turns the wand", 0, 50)
    wave: int = key(0, "another number waves again before the same cameras", 0)
    # What the cameras make of it.
    sigma_px: float = key(
        0.12, "SD of one coordinate of a centroid of a well-lit round marker", 0, 50
    )
    noise_spread: float = key(
        1.0, "cameras' sigma differ by up to this factor either way; 1: all alike", 1, 100
    )
    noisy: Mapping[str, float] = key(dict, "camera name: factor on its sigma", 0)
    # How errors differ from independent ones of one size: see `calib.simulate.noise` (all assumed).
    noise_growth: float = key(
        0.5, "share of the variance that grows with the square of the distance", 0, 1
    )
    pixel_pull_px: float = key(
        0.02, "pixels pull centroids towards their centres by up to this", 0, 0.15
    )
    tremble: float = key(
        0.002,
        "SD along the motion, as a share of the way from frame to frame: 80 µs at 25 Hz",
        0,
        1,
    )
    lasting_share: float = key(
        0.03, "share of a camera's stretches of time in which all its points are off together", 0, 1
    )
    lasting_px: float = key(0.5, "SD of that, in each coordinate", 0, 100)
    lasting_s: tuple[float, float] = key((0.1, 2.0), "how long such a stretch lasts", 1e-3)
    wander_px: float = key(
        0.0, "SD in each coordinate of what all points of a camera are off, at all times", 0, 100
    )
    wander_s: float = key(1.0, "after which that has forgotten two thirds of itself", 1e-3)
    dropout: float = key(
        0.2, "share of points lost at random: glare, grazing views, bandwidth", 0, 0.99
    )
    occlusion: bool = key(True, "markers behind or touching one another hide or merge")
    person: bool = key(True, "the person who waves stands in the way of some cameras")
    outliers: float = key(
        0.003, "share of named points that lie grossly off (mixed-up markers, glints)", 0, 1
    )
    outlier_px: tuple[float, float] = key(
        (5.0, 300.0), "how far off, evenly over the logarithm", 1e-3
    )
    strays: float = key(
        0.1, "mean number of reflections a camera and frame, half of them static", 0, 1000
    )
    is_named: bool = key(True, "false: every marker is -1, as before identification")
    slip: Mapping[str, int] = key(dict, "camera name: frames by which its frame count is late")
    late: Mapping[str, float] = key(
        dict, "camera name: part of a frame by which it exposes late", -2, 2
    )
    row_delay: Mapping[str, float] = key(
        dict, "name: frames from first to last row (rolling shutter)", -1, 1
    )
    vibration_px: Mapping[str, float] = key(
        dict, "name: how far its image swings to either side", 0, 100
    )
    vibration_hz: Mapping[str, float] = key(
        dict, "name: how often; 4 Hz where not given, a truss's", 0.01, 1e4
    )
    sway_px: Mapping[str, float] = key(
        dict, "name: how far its image sways, for wander_s at a time, SD", 0, 100
    )
    window_px: Mapping[str, float] = key(
        dict, "name: RMS of smooth shifts as by a bent window", 0, 100
    )
    stray_share: Mapping[str, float] = key(
        dict, "name: share of its named points that lie off", 0, 1
    )
    side_seen: Mapping[str, float] = key(
        dict, "name: share of its sensor that sees, from one side", 0.05, 1
    )
    knock: tuple[Knock, ...] = key((), "cameras that are knocked during the wave")
    connected: bool = key(True, "a rig in pieces is a scenario of its own")
    seed: int = key(0, "of everything that is drawn", 0)
    title: str = key("", "of the capture; empty: the layout's name")

    def __post_init__(self) -> None:
        check_kinds(self, "scenario")
        _check_values(self)

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
        return {
            k: list(v) if isinstance(v, tuple) else dict(v) if isinstance(v, Mapping) else v
            for k, v in asdict(self).items()
            if v is not None
        }

    @property
    def names(self) -> tuple[str, ...]:
        """Camera names: cam01, cam02 and so on."""
        digits = max(2, len(str(self.n_cameras)))
        return tuple(f"cam{i + 1:0{digits}d}" for i in range(self.n_cameras))

    def require_cameras(self, where: str, names: Iterable[str]) -> None:
        """Raise InputError for names that none of its cameras has."""
        if strangers := sorted(set(names) - set(self.names)):
            raise InputError(
                where,
                expected=f"cameras {self.names[0]} to {self.names[-1]}",
                found=", ".join(strangers),
                remedy=did_you_mean(strangers[0], self.names),
            )

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


def _check_values(s: Scenario) -> None:
    for f in fields(s):
        if f.metadata["of"]:
            require_one_of(f"scenario {f.name}", getattr(s, f.name), f.metadata["of"])
    if set(s.lens_terms) - set(LENS_TERMS):
        raise InputError(
            "scenario lens_terms",
            expected=f"some of {', '.join(LENS_TERMS)}",
            found=", ".join(s.lens_terms),
        )
    for name, value, low, high in _limited(s):
        if not low <= value <= high:
            raise InputError(f"scenario {name}", expected=f"{low:g} to {high:g}", found=str(value))
    tables = (v for f in fields(s) if isinstance(v := getattr(s, f.name), Mapping))
    named = {*chain(*tables), *s.only_real, *(k.camera for k in s.knock)}
    s.require_cameras("scenario", named)


def _limited(s: Scenario) -> Iterator[tuple[str, float, float, float]]:
    """Yield each number of a scenario that has limits: its key, it, and what it may be."""
    for f in fields(s):
        low, high = f.metadata["low"], f.metadata["high"]
        values: Iterable[float] = ()
        match getattr(s, f.name):
            case Mapping() as table:
                values = table.values()
            case (first, last):
                values, high = (first,), last
            case tuple() as values:
                pass
            case float() | int() as value:
                values = (value,)
        yield from ((f.name, value, low, high) for value in values if low is not None)
    yield "principal_offset_px", s.principal_offset_px, 0, min(s.width, s.height) / 4
