"""What files hold, place by place: the items that their readers go by, for HDF5 and for tables."""

from __future__ import annotations

from dataclasses import dataclass

from calib.core.fields import CAMERA, CERTIFIED, WAND, Item


@dataclass(frozen=True, slots=True)
class Section:
    """A place in a file ("/cameras/<name>", "[[certified]]"), and what lies there: "attributes",
    "datasets", "columns" or "keys". One that is not ``is_needed`` may be absent as a whole.
    """

    place: str
    holds: str
    items: tuple[Item, ...]
    is_needed: bool = True


TRACKS_FILE = (
    Item("format", "text", '"calib.tracks"', True),
    Item("version", "whole number", "1", True),
    Item("frame_rate", "number", "Hz", True),
    Item("captured_at", "date", "when the wave was captured, ISO 8601"),
    Item("title", "text", "what the capture is called"),
    Item("identified", "whole number", "1: calib identify named the markers; 0: somebody else"),
)
POINTS = (
    Item("frame", "integers, n", "frame number of each point, never decreasing", True),
    Item("xy", "numbers, n × 2", "centroid, px; the top-left pixel's centre is (0, 0)", True),
    Item("marker", "integers, n", "the wand's marker from 0 on; -1: not identified", True),
    Item("radius", "numbers, n", "blob radius, px"),
)
OUTSIDE = Item("n_outside", "whole number", "points outside the sensor, left out before")
MASKS = (Item("<name>", "numbers, k × 3", "x, y, radius of circles about reflections, px"),)
TRACKS = (
    Section("/", "attributes", TRACKS_FILE),
    Section("/cameras/<name>", "attributes", (*CAMERA, OUTSIDE)),
    Section("/cameras/<name>", "datasets", POINTS),
    Section("/masks", "datasets", MASKS, False),
)

RIG_FILE = (
    Item("format", "text", '"calib.rig"', True),
    Item("version", "whole number", "2; 1 is read as well", True),
    Item("unit", "text", '"mm"'),
    Item("lasting_share", "number", "share of points in errors that last, left out", True),
    Item("captured_at", "date", "when its wave was captured, ISO 8601"),
    Item("parent_sha256", "text", "SHA-256 of the rig file that this one repairs"),
)
RIG_CAMERA = (
    Item("width", "whole number", "sensor, px", True),
    Item("height", "whole number", "sensor, px", True),
    Item("K", "numbers", "[[fx, 0, cx], [0, fy, cy], [0, 0, 1]], px", True, ((3, 3),)),
    Item("dist", "numbers", "k1, k2, p1, p2, k3 and perhaps k4, k5, k6", True, ((5,), (8,))),
    Item("R", "numbers", "rotation of x_cam = R x_world + t", True, ((3, 3),)),
    Item("t", "numbers", "its translation, mm", True, ((3,),)),
    Item("time_offset_frames", "number", "how much later than the rig it exposes, frames"),
    Item("time_offset_sigma_frames", "number", "its standard uncertainty; beside it"),
    Item("serial", "text", "the camera's serial number, as its capture stated it"),
    Item(
        "placed", "whole number", "0: a fault puts it elsewhere than its sigmas say; 1: none does"
    ),
)
RIG_CAMERA_DATA = (Item("faults", "text, n", "what its solve found wrong with it"),)
RESIDUALS = (
    Item("points", "whole number", "points used", True),
    Item("n_left_out", "whole number", "gross outliers", True),
    Item("rms_px", "number", "sqrt(mean(dx² + dy²))", True),
    Item("median_px", "number", "half of the points lie within it", True),
    Item("p95_px", "number", "19 of 20 points lie within it", True),
    Item("sigma_px", "number", "noise of one coordinate", True),
    Item("coverage", "number", "share of the sensor with points, 0 to 1", True),
    Item("bias_px", "2 numbers", "mean residual, x and y", True),
)
RIG_WAND = (
    Item("name", "text", "what the wand is called", True),
    Item("sigma", "number", "standard uncertainty of each coordinate, mm", True),
)
RIG_WAND_DATA = (
    Item("markers", "text, n", "names", True),
    Item("points", "numbers, n × 3", "coordinates, mm", True),
    Item(
        "certified_between", "integers, m × 2", "markers between which lengths are certified", True
    ),
    Item("certified_length", "numbers, m", "mm", True),
    Item("certified_sigma", "numbers, m", "standard uncertainties, mm", True),
)
COVARIANCE = (
    Item(
        "parameters",
        "text, k × 3",
        '"camera", its name, rotation_x (rad), position_x (mm), '
        'focal and so on; or "wand", the marker\'s name, x, y or z (mm)',
        True,
    ),
    Item("matrix", "numbers, k × k", "joint covariance of all of them", True),
    Item("held", "text, h × 2", "lens terms that the solve held: camera, term"),
    Item("pull", "numbers, k × h", "what a unit of error of each of these does to the parameters"),
    Item("held_sigma", "numbers, h", "standard uncertainty of each of these"),
)
LEFT_OUT = (
    Item("names", "text, n", "cameras of the capture that the rig does not hold", True),
    Item("reasons", "text, n", "why", True),
)
RIG_DATA = (
    Item("findings", "text, n", "what the solve had to say about the rig", True),
    Item("doubts", "text, n, JSON", "what speaks against the rig as a whole"),
    Item("wave", "numbers, n × 3", "places of the wand in the wave, mm"),
    Item("alignment", "text, JSON", "how origin and axes were set"),
    Item("verification", "text, JSON", "how lengths were tested"),
    Item("provenance", "text, JSON", "tool, version, command, options, files read, time", True),
)
RIG = (
    Section("/", "attributes", RIG_FILE),
    Section("/", "datasets", RIG_DATA),
    Section("/cameras/<name>", "attributes", RIG_CAMERA),
    Section("/cameras/<name>", "datasets", RIG_CAMERA_DATA, False),
    Section("/cameras/<name>/residuals", "attributes", RESIDUALS, False),
    Section("/wand", "attributes", RIG_WAND),
    Section("/wand", "datasets", RIG_WAND_DATA),
    Section("/wand_used", "attributes", RIG_WAND),
    Section("/wand_used", "datasets", RIG_WAND_DATA),
    Section("/covariance", "datasets", COVARIANCE, False),
    Section("/left_out", "datasets", LEFT_OUT),
)

POINTS_FILE = (
    Item("format", "text", '"calib.points"', True),
    Item("version", "whole number", "1", True),
    Item("unit", "text", '"mm"'),
    Item("frame_rate", "number", "Hz"),
    Item("n_open", "whole number", "more that were seen, but no two cameras agree on"),
    Item("provenance", "text", "JSON: tool, version, command, time, files read"),
)
POINTS_DATA = (
    Item("frame", "integers, n", "frame number, as in the tracks", True),
    Item("marker", "integers, n", "the wand's marker from 0 on", True),
    Item("xyz", "numbers, n × 3", "its place in the rig's world, mm", True),
    Item("covariance", "numbers, n × 6", "xx, xy, xz, yy, yz, zz of its covariance, mm²", True),
    Item("rms_px", "numbers, n", "RMS of its residuals, px", True),
    Item("rms_mm", "numbers, n", "RMS distance of its rays, mm"),
    Item("cameras", "integers, n", "how many cameras place it", True),
)
POINT_TABLE = (
    Item("frame", "whole number", "frame number, as in the tracks", True),
    Item("marker", "whole number", "the wand's marker from 0 on", True),
    *(Item(f"{axis}_mm", "number", "its place in the rig's world", True) for axis in "xyz"),
    *(
        Item(f"cov_{pair}_mm2", "number", "of the place's covariance", True)
        for pair in ("xx", "xy", "xz", "yy", "yz", "zz")
    ),
    Item("rms_px", "number", "RMS of its residuals", True),
    Item("cameras", "whole number", "how many cameras place it", True),
)
SPACE = (Section("/", "attributes", POINTS_FILE), Section("/", "datasets", POINTS_DATA))

WAND_FILE = (Section("top level", "keys", WAND), Section("[[certified]]", "keys", CERTIFIED, False))
