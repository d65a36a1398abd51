"""What the records refuse, in what words, and that nothing changes them or their inputs."""

import copy
import json
import pickle
from dataclasses import FrozenInstanceError, fields, replace

import numpy as np
import pytest

from calib.check.history.records import Entry
from calib.check.recheck.judge import RecheckOptions
from calib.core.camera import Lens
from calib.core.geometry import Pose
from calib.core.parameters import POSITION, ROTATION, of_cameras
from calib.core.rig import Covariance, Rig, RigCamera
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import CertifiedLength, Wand
from calib.errors import MOST_SHOWN, CalibError, InputError, UnsolvableError
from calib.intake.centroids.focus import Optics
from calib.intake.centroids.names import ImageList
from calib.intake.centroids.spots import SpotOptions
from calib.intake.table import CameraList
from calib.plan.records import Obstacle, Plan, PlanCamera, Rail
from calib.prove.align import AlignOptions
from calib.prove.decide import Limit
from calib.prove.volume import Box
from calib.solve.calibrate import SolveOptions

LINE = np.array([[0.0, 0, 0], [170.0, 0, 0], [460.0, 0, 0]])
LENS = Lens(1500, 1510, 1000, 540, [0.1, -0.02, 0, 0, 0])
WAND = Wand("line3", ("p", "q", "r"), LINE, 0.02)


def wand(points=LINE, names=("p", "q", "r"), sigma=0.02, certified=()):
    return Wand(
        "line3", names, np.array(points), sigma, tuple(CertifiedLength(*c) for c in certified)
    )


def tracks(name="cam01", **changes):
    """Return a camera that saw three points, two of them named."""
    xy = np.array([[10.0, 20.0], [30.0, 40.0], [1999.0, 1199.0]])
    given = {
        "width": 2000,
        "height": 1200,
        "frame": np.array([0, 0, 3]),
        "xy_px": xy,
        "marker": np.array([0, 2, -1]),
    }
    return CameraTracks(name, **(given | changes))


def at(row, value, of):
    out = np.array(of)
    out[row] = value
    return out


def rig(names=("cam01", "cam02"), used=WAND):
    cameras = tuple(RigCamera(n, 2000, 1200, LENS, Pose(np.eye(3), np.zeros(3))) for n in names)
    return Rig(cameras, WAND, used)


XY, NAN = tracks().xy_px, float("nan")
# What is made, then what its error says: where, expected, found.
REFUSED = {
    "lens of four": (lambda: Lens(1, 1, 0, 0, np.zeros(4)), "dist", "5 or 8 coefficients", "(4,)"),
    "lens with nan": (lambda: Lens(1, 1, NAN, 0, np.zeros(5)), "lens", "finite", "nan"),
    "lens with infinite dist": (
        lambda: Lens(1, 1, 0, 0, at(2, np.inf, np.zeros(5))),
        "lens",
        "finite",
        "inf",
    ),
    "lens without focal": (
        lambda: Lens(0, 1, 0, 0, np.zeros(5)),
        "lens",
        "focal lengths above 0",
        "[0.0, 1.0",
    ),
    "lens with negative focal": (
        lambda: Lens(1, -7, 0, 0, np.zeros(5)),
        "lens",
        "focal lengths above 0",
        "-7.0",
    ),
    "K with skew": (
        lambda: Lens.from_matrix(at((0, 1), 0.5, np.eye(3)), np.zeros(5)),
        "K",
        "[fx, 0, cx]",
        "0.5",
    ),
    "K scaled": (lambda: Lens.from_matrix(2 * np.eye(3), np.zeros(5)), "K", "[0, 0, 1]", "2.0"),
    "K of another shape": (
        lambda: Lens.from_matrix(np.eye(4), np.zeros(5)),
        "K",
        "[fx, 0, cx]",
        "0.0",
    ),
    "wand of none": (lambda: wand(np.empty((0, 3)), ()), "[markers]", "a marker or more", "0"),
    "wand with a name twice": (
        lambda: wand(names=("p", "q", "p")),
        "[markers]",
        "each name once",
        "p, q, p",
    ),
    "wand in the plane": (lambda: wand(LINE[:, :2]), "[markers]", "x, y, z", "170.0"),
    "wand with nan": (lambda: wand(at((1, 1), NAN, LINE)), "[markers]", "within", "nan"),
    "wand beyond numbers": (lambda: wand(at((1, 1), 1e308, LINE)), "[markers]", "within", "1e+308"),
    "wand with fewer names": (lambda: wand(names=("p", "q")), "[markers]", "2 names", "460.0"),
    "wand with negative sigma": (lambda: wand(sigma=-0.1), "sigma", "0 or more", "-0.1"),
    "wand with nan sigma": (lambda: wand(sigma=NAN), "sigma", "uncertainty in mm", "nan"),
    "coincident markers": (lambda: wand(at(1, 0.0, LINE)), "[markers] p and q", "apart", "0 mm"),
    "markers within their sigma": (
        lambda: wand(sigma=70.0),
        "[markers] p and q",
        "more than their unc",
        "170 mm",
    ),
    "wand in metres, sigma in mm": (
        lambda: wand(LINE / 1e4, sigma=0.02),
        "[markers] p and q",
        "apart",
        "0.017 mm",
    ),
    "certified zero": (
        lambda: wand(certified=[(0, 2, 0.0, 0.01)]),
        "p to r",
        "a length above 0 mm",
        "0",
    ),
    "certified negative": (
        lambda: wand(certified=[(0, 2, -5.0, 0.01)]),
        "p to r",
        "a length above 0 mm",
        "-5",
    ),
    "certified nan": (
        lambda: wand(certified=[(0, 2, NAN, 0.01)]),
        "p to r",
        "a length above 0 mm",
        "nan",
    ),
    "certified without sigma": (
        lambda: wand(certified=[(0, 1, 170.0, 0.0)]),
        "p to q",
        "a sigma above 0",
        "0",
    ),
    "certified far from the drawing": (
        lambda: wand(certified=[(0, 2, 530.0, 0.1)]),
        "p to r",
        "460.000 mm",
        "530.000",
    ),
    "certified to itself": (
        lambda: wand(certified=[(1, 1, 170.0, 0.1)]),
        "q to q",
        "within 5 %",
        "170.000",
    ),
    "certified beyond the wand": (
        lambda: wand(certified=[(0, 3, 460.0, 0.1)]),
        "[[certified]]",
        "0 to 2",
        "0 and 3",
    ),
    "certified from the end": (
        lambda: wand(certified=[(0, -1, 460.0, 0.1)]),
        "[[certified]]",
        "0 to 2",
        "0 and -1",
    ),
    "no name": (lambda: tracks(""), "camera name", "a name", "''"),
    "name with a slash": (lambda: tracks("a/b"), "camera name", "without '/'", "'a/b'"),
    "name with a blank": (lambda: tracks("a "), "camera name", "outer blanks", "'a '"),
    "name of the folder": (lambda: tracks(".."), "camera name", "a name", "'..'"),
    "no width": (lambda: tracks(width=0), "cam01: width, height", "1 to 100000 px", "0 × 1200"),
    "width of half a pixel": (
        lambda: tracks(width=100.5),
        "width, height",
        "whole",
        "100.5 × 1200",
    ),
    "width nan": (lambda: tracks(width=NAN), "width, height", "whole numbers", "nan × 1200"),
    "width negative": (lambda: tracks(width=-3), "width, height", "from 1", "-3 × 1200"),
    "height True": (lambda: tracks(height=True), "width, height", "whole numbers", "2000 × True"),
    "height text": (lambda: tracks(height="9"), "width, height", "whole numbers", "2000 × '9'"),
    "no height at all": (lambda: tracks(height=None), "width, height", "whole", "2000 × None"),
    "frames too few": (
        lambda: tracks(frame=np.array([0, 1])),
        "cam01: frame, xy",
        "(n,), (n, 2)",
        "(2,), (3, 2)",
    ),
    "frames in a table": (lambda: tracks(frame=np.zeros((3, 1))), "cam01: frame", "(n,)", "(3, 1)"),
    "points in space": (
        lambda: tracks(xy_px=np.zeros((3, 3))),
        "cam01: frame, xy",
        "(n, 2)",
        "(3, 3)",
    ),
    "markers too many": (
        lambda: tracks(marker=np.zeros(4)),
        "cam01: frame, xy, marker",
        "(n,)",
        "(4,)",
    ),
    "half a frame": (
        lambda: tracks(frame=np.array([0, 0.5, 1])),
        "cam01: frame row 1",
        "a whole number",
        "0.5",
    ),
    "frame nan": (
        lambda: tracks(frame=np.array([0, NAN, 1])),
        "cam01: frame row 1",
        "a whole number",
        "nan",
    ),
    "marker too large": (
        lambda: tracks(marker=np.array([0, 70000, 1])),
        "cam01: marker row 1",
        "to 32767",
        "70000",
    ),
    "marker below -1": (
        lambda: tracks(marker=np.array([0, 1, -2])),
        "cam01: marker row 2",
        "-1 or more",
        "-2",
    ),
    "pitch zero": (
        lambda: tracks(pixel_pitch_mm=0.0),
        "cam01: pixel_pitch_mm",
        "above 0 mm",
        "0.0",
    ),
    "focal negative": (lambda: tracks(focal_mm=-8.0), "cam01: focal_mm", "above 0 mm", "-8.0"),
    "focal nan": (lambda: tracks(focal_mm=NAN), "cam01: focal_mm", "above 0 mm", "nan"),
    "radii too few": (lambda: tracks(radius_px=np.ones(2)), "cam01: radius", "(3,)", "(2,)"),
    "radius negative": (
        lambda: tracks(radius_px=np.array([1, 2, -3.5])),
        "cam01: radius row 2",
        "0 px",
        "-3.5",
    ),
    "radius infinite": (
        lambda: tracks(radius_px=np.array([1, np.inf, 3])),
        "cam01: radius row 1",
        "0 px",
        "inf",
    ),
    "point nan": (
        lambda: tracks(xy_px=at((1, 0), NAN, XY)),
        "cam01: xy row 1",
        "finite px on the 2000",
        "(nan, 40)",
    ),
    "point infinite": (
        lambda: tracks(xy_px=at((0, 1), -np.inf, XY)),
        "cam01: xy row 0",
        "finite",
        "(10, -inf)",
    ),
    "point right of the sensor": (
        lambda: tracks(xy_px=at((2, 0), 2000.1, XY)),
        "cam01: xy row 2",
        "sensor",
        "(2000.1",
    ),
    "point above the sensor": (
        lambda: tracks(xy_px=at((0, 1), -1.1, XY)),
        "cam01: xy row 0",
        "sensor",
        "(10, -1.1)",
    ),
    "frames unsorted": (
        lambda: tracks(frame=np.array([0, 3, 2])),
        "cam01: frame row 2",
        "never decrease",
        "2 after 3",
    ),
    "marker twice": (
        lambda: tracks(marker=np.array([1, 1, -1])),
        "cam01: frame 0",
        "at most one",
        "marker 1 more",
    ),
    "marker twice before frame 0": (
        lambda: tracks(frame=np.array([-7, -7, 3]), marker=np.array([1, 1, -1])),
        "cam01: frame -7",
        "one",
        "marker 1",
    ),
    "no cameras": (lambda: Tracks((), 25.0), "cameras", "one camera or more", "none"),
    "camera twice": (
        lambda: Tracks((tracks(), tracks()), 25.0),
        "cameras",
        "names used once",
        "cam01 twice",
    ),
    "rate zero": (lambda: Tracks((tracks(),), 0.0), "frame_rate", "above 0 Hz", "0"),
    "rate nan": (lambda: Tracks((tracks(),), NAN), "frame_rate", "above 0 Hz", "nan"),
    "rate beyond any camera": (
        lambda: Tracks((tracks(),), 1e300),
        "frame_rate",
        "at most 100000 Hz",
        "1e+300",
    ),
    "tracks of a stranger": (
        lambda: Tracks((tracks(),), 25.0).camera("x"),
        "camera",
        "one of cam01",
        "'x'",
    ),
    "subset with a stranger": (
        lambda: Tracks((tracks(),), 25.0).subset(["cam01", "x"]),
        "camera",
        "cam01",
        "'x'",
    ),
    "marker beyond the wand": (
        lambda: Tracks((tracks(),), 25.0).check_markers(2),
        "cam01: marker row 1",
        "2 m",
        "2",
    ),
    "covariance not square": (
        lambda: Covariance(("a", "b"), np.ones((2, 3))),
        "covariance",
        "2 rows",
        "(2, 3)",
    ),
    "sensitivity of other size": (
        lambda: Covariance(("a", "b"), np.eye(2), ("c/focal",), np.ones((2, 2))),
        "covariance: sensitivity (pull in a rig file)",
        "2 × 1",
        "2 × 2",
    ),
    "parameter twice": (
        lambda: Covariance(("a", "a"), np.eye(2)),
        "covariance",
        "each parameter once",
        "a; a",
    ),
    "covariance nan": (
        lambda: Covariance(("a", "b"), at((1, 1), NAN, np.eye(2))),
        "covariance of b",
        "finite",
        "nan",
    ),
    "variance negative": (
        lambda: Covariance(("a", "b"), np.diag([-1.0, 1])),
        "covariance of a",
        "0 or more",
        "-1",
    ),
    "covariance uneven": (
        lambda: Covariance(("a", "b"), at((1, 0), 0.5, np.eye(2))),
        "covariance of a and b",
        "one number both ways",
        "0 and 0.5",
    ),
    "correlation beyond 1": (
        lambda: Covariance(("a", "b"), np.array([[1.0, 1e308], [1e308, 4.0]])),
        "covariance of a and b",
        "within ± 2",
        "1e+308",
    ),
    "rig of none": (lambda: rig(()), "cameras", "one camera or more", "none"),
    "rig with a camera twice": (
        lambda: rig(("a", "b", "a")),
        "cameras",
        "each name once",
        "a, b and a",
    ),
    "rig of another wand": (
        lambda: rig(used=wand(LINE[:2], ("p", "q"))),
        "wand_used",
        "p, q, r",
        "p, q",
    ),
    "rows of two lengths": (
        lambda: tracks(xy_px=[[1.0, 2.0], [3.0], [4.0, 5.0]]),
        ": xy",
        "rows of one length",
        "inhomogeneous",
    ),
    "no markers": (lambda: tracks(marker=None), ": marker", "numbers", "None"),
    "rig without a camera": (
        lambda: rig().camera("cam3"),
        "camera",
        "one of cam01 and cam02",
        "'cam3'",
    ),
    "rig camera without sensor": (
        lambda: replace(rig().cameras[0], width=0),
        "cam01: width, height",
        "1 to 100000 px",
        "0 × 1200",
    ),
    "rig camera without name": (lambda: rig(("",)), "camera name", "a name", "none"),
    "rig camera of half a pixel": (
        lambda: replace(rig().cameras[0], height=99.5),
        "cam01: width, height",
        "whole numbers",
        "2000 × 99.5",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_bad_record_is_refused_with_place_expectation_and_finding(case):
    make, where, expected, found = REFUSED[case]
    with pytest.raises(InputError) as caught:
        make()
    error = caught.value
    assert where in error.where and expected in error.expected and found in error.found, str(error)
    line = str(error)
    assert "\n" not in line and line.startswith(
        f"{error.where}: expected {error.expected}, found {error.found}."
    )
    assert line.endswith(error.remedy)


def test_an_error_keeps_its_kind_and_data_inside_a_file():
    error = UnsolvableError(
        "[b]", expected="x", found="y", remedy="Do z.", cameras=["cam01"]
    ).inside("a.toml")
    assert (
        type(error) is UnsolvableError
        and isinstance(error, CalibError)
        and error.cameras == ("cam01",)
    )
    assert str(error) == "a.toml: [b]: expected x, found y. Do z."


# ---- what is good, and stays as it is


def test_the_edge_of_the_sensor_and_the_grace_beyond_are_good():
    camera = tracks(xy_px=np.array([[-0.5, -0.5], [1999.5, 1199.5], [-1.0, 1200.0]]))
    assert camera.n_points == 3
    assert tracks(frame=[5, 5, 5], marker=[-1, -1, -1]).marker.tolist() == [
        -1,
        -1,
        -1,
    ]  # strays may share a frame
    assert (
        tracks(frame=np.array([0.0, 2.0, 4.0])).frame.dtype == np.int64
    )  # whole numbers, whatever their type


@pytest.mark.parametrize("kind", [np.int16, np.int64, np.uint16, float])
def test_a_sensor_counted_by_another_program_is_whole_numbers(kind):
    for camera in (tracks(width=kind(2000)), replace(rig().cameras[0], width=kind(2000))):
        assert (type(camera.width), camera.width) == (int, 2000)


@pytest.mark.parametrize(
    "date",
    [None, "2031", "2031-05", "2031-05-06", "20310506T070809Z", "2031-W19-2", "2031-05-06 07:08"],
)
def test_dates_of_any_length_are_taken_as_they_are(date):
    assert Tracks((tracks(),), 25.0, date).captured_at == date


def test_a_camera_may_have_no_points():
    blind = tracks(
        frame=np.empty(0), xy_px=np.empty((0, 2)), marker=np.empty(0), radius_px=np.empty(0)
    )
    assert blind.n_points == 0
    Tracks((blind,), 25.0).check_markers(2)


def test_the_lens_goes_before_the_zoom_ring():
    assert tracks().nominal_focal_px is None and tracks(focal_mm=8.0).nominal_focal_px is None
    assert tracks(focal_mm=6.75, pixel_pitch_mm=0.0045).nominal_focal_px == pytest.approx(1500)
    assert tracks(focal_mm=8.0, pixel_pitch_mm=0.0045, lens=LENS).nominal_focal_px == 1500


def test_subset_keeps_order_and_labels():
    both = Tracks((tracks(), tracks("cam02")), 25.0, "2026-01-01", "invented")
    part = both.subset(["cam02"])
    assert part.names == ("cam02",) and (part.frame_rate_hz, part.captured_at, part.title) == (
        25.0,
        "2026-01-01",
        "invented",
    )
    assert both.subset(["cam02", "cam01"]).names == ("cam02", "cam01")


def test_lens_vector_and_matrix_come_back():
    for lens in (LENS, Lens(900, 905, 1, 2, np.arange(1.0, 9.0))):
        for back in (Lens.from_vector(lens.vector), Lens.from_matrix(lens.K, lens.dist)):
            assert (back.vector == lens.vector).all() and len(back.dist) == len(lens.dist)
    assert LENS.K.tolist() == [[1500, 0, 1000], [0, 1510, 540], [0, 0, 1]]


def test_wand_lengths_span_and_dimension():
    # By hand; a bow of 0.9 mm in 500 (0.18 %) is still a line, one of 1.6 mm is not.
    assert (
        WAND.lengths_mm.tolist() == [[0, 170, 460], [170, 0, 290], [460, 290, 0]]
        and WAND.span_mm == 460
    )
    bow = np.array([[0.0, 0, 0], [0, 1, 0], [0, 0, 0]])
    assert [wand(LINE + h * bow).dimension for h in (0.0, 0.9, 1.6)] == [1, 1, 2]
    assert wand(LINE + 1.6 * bow, sigma=1.0).dimension == 1  # within three sigmas
    tripod = np.vstack([LINE, [[100.0, 80, 0], [100.0, 0, 60]]])
    assert (
        wand(tripod[:4], tuple("pqrs")).dimension == 2
        and wand(tripod, tuple("pqrst")).dimension == 3
    )
    assert wand(LINE[:2], ("p", "q")).dimension == 1


def test_covariance_gives_standard_deviations_by_name():
    parameters = of_cameras(["a"], ["focal"], of_pose=POSITION)
    covariance = Covariance(parameters, np.diag([4.0, 9, 16, 1]))
    assert covariance.sigma("a", POSITION).tolist() == [2, 3, 4]
    assert covariance.sigma("a", ["focal"]).tolist() == [1]
    assert (
        np.isnan(covariance.sigma("a", ROTATION)).all()
        and np.isnan(covariance.sigma("b", POSITION)).all()
    )


def test_records_copy_lock_and_leave_their_inputs():
    given = {
        "frame": np.arange(3),
        "xy_px": np.ones((3, 2)),
        "marker": np.array([0, 1, -1]),
        "radius_px": np.ones(3),
    }
    dist, matrix, points = np.zeros(5), np.eye(2), LINE.copy()
    records = [
        tracks(**given),
        Lens(1, 1, 0, 0, dist),
        Covariance(("a", "b"), matrix),
        wand(points),
    ]
    for array in (*given.values(), dist, matrix, points):
        assert array.flags.writeable
        np.add(array, 7, out=array)
    fresh = [
        tracks(**{k: v - 7 for k, v in given.items()}),
        Lens(1, 1, 0, 0, np.zeros(5)),
        Covariance(("a", "b"), np.eye(2)),
        wand(LINE),
    ]
    for record, other in zip(records, fresh, strict=True):
        for name in ("frame", "xy_px", "marker", "radius_px", "dist", "matrix", "points_mm"):
            if hasattr(record, name):
                array = getattr(record, name)
                assert (array == getattr(other, name)).all() and not array.flags.writeable
                with pytest.raises(ValueError):
                    array[0] = 0
                with pytest.raises(FrozenInstanceError):
                    setattr(record, name, array)


KINDS = {
    "frames text": (SolveOptions, {"frames": "all"}, "frames", "a whole number or None", "'all'"),
    "frames half": (SolveOptions, {"frames": 2.5}, "frames", "a whole number or None", "2.5"),
    "frames True": (SolveOptions, {"frames": True}, "frames", "a whole number or None", "True"),
    "lens number": (SolveOptions, {"lens": 3}, "lens", "text", "3"),
    "terms number": (SolveOptions, {"terms": 5}, "terms", "text or a list, each text", "5"),
    "terms of numbers": (SolveOptions, {"terms": (1,)}, "terms", "a list, each text", "(1,)"),
    "timing text": (SolveOptions, {"timing": "yes"}, "timing", "True or False", "'yes'"),
    "partial number": (SolveOptions, {"partial": 1}, "partial", "True or False", "1"),
    "distance number": (SolveOptions, {"distance": 3.5}, "distance", "a KnownDistance", "3.5"),
    "points number": (AlignOptions, {"points": 5}, "points", "a list, each a whole number", "5"),
    "survey file": (AlignOptions, {"survey": "s.toml"}, "survey", "a Wand or None", "'s.toml'"),
    "height text": (AlignOptions, {"height_mm": "8"}, "height_mm", "a number", "'8'"),
    "alpha text": (RecheckOptions, {"alpha": "1%"}, "alpha", "a number", "'1%'"),
    "limit text": (Limit, {"a_mm": "0.2"}, "a_mm", "a number", "'0.2'"),
    "spots of text": (SpotOptions, {"max_blobs": "10"}, "max_blobs", "a whole number", "'10'"),
    "focal text": (Optics, {"focal_mm": "7"}, "focal_mm", "a number or None", "'7'"),
}


@pytest.mark.parametrize("case", KINDS)
def test_an_option_of_another_kind_is_refused_in_a_line(case):
    options, given, where, expected, found = KINDS[case]
    with pytest.raises(InputError) as caught:
        options(**given)
    error = caught.value
    assert error.where == where and expected in error.expected and error.found == found
    assert "\n" not in str(error)


def planned():
    """A plan with all that one may hold."""
    box = Box([-1500, -1500, 0], [1500, 1500, 2000])
    cameras = (
        PlanCamera("a", 2000, 1200, 0.0045, 6.0, [-3000, -3000, 2500], [0, 0, 1000], rail="r"),
        PlanCamera("b", 2000, 1200, 0.0045, 6.0, [3000, -3000, 2500], [0, 0, 1000]),
    )
    rail, pillar = Rail("r", [-3000, -3000, 2500], [0, -3000, 2500]), Obstacle("pillar", box)
    return Plan("hall", box, cameras, WAND, rails=(rail,)), pillar


def of_all_kinds():
    """A record of each kind that a person may write in Python."""
    camera, built, (plan, pillar) = tracks(), rig(), planned()
    certified = CertifiedLength(0, 1, 170.0, 0.01)
    capture = Tracks((camera,), 50.0)
    inside = (plan.cameras[0], plan.marker, plan.need, plan.wave, plan.rails[0], pillar)
    lists = CameraList({}, 50.0), ImageList(), Entry("may.h5", built)
    records = (camera, capture, WAND, certified, LENS, built.cameras[0], built, plan, *inside)
    return {type(record).__name__: record for record in (*records, *lists, AlignOptions())}


@pytest.mark.parametrize("kind", of_all_kinds())
def test_a_field_of_another_kind_is_refused_in_a_line(kind):
    """Whatever stands in a field that cannot hold it, and numbers that no array holds."""
    record = of_all_kinds()[kind]
    for field in (f for f in fields(record) if f.init):
        for wrong in (object(), {1}, 10**400, [[1, 2], [3]], b"x", np.full((3, 3), NAN)):
            with pytest.raises(InputError) as caught:
                replace(record, **{field.name: wrong})
            assert "\n" not in str(caught.value) and len(str(caught.value)) <= MOST_SHOWN


@pytest.mark.parametrize(
    ("kind", "field", "wrong"),
    [
        ("PlanCamera", "position_mm", [1.0, 2.0]),
        ("PlanCamera", "position_mm", None),
        ("PlanCamera", "aim_mm", [0.0, NAN, 0.0]),
        ("PlanCamera", "roll_deg", NAN),
        ("PlanCamera", "height", NAN),
        ("PlanCamera", "dist", [0.1, 0.2]),
        ("Rail", "end_mm", [0.0, 0.0, np.inf]),
        ("Need", "cameras", NAN),
        ("Need", "cameras", 2.5),
        ("Wave", "seconds", "60"),
        ("AlignOptions", "flat_mm", -1.0),
        ("AlignOptions", "noise_px", NAN),
        ("AlignOptions", "square_deg", NAN),
    ],
)
def test_a_number_that_says_nothing_is_refused(kind, field, wrong):
    with pytest.raises(InputError, match=field):
        replace(of_all_kinds()[kind], **{field: wrong})


def test_options_take_the_numbers_of_numpy():
    options = SolveOptions(frames=np.int64(5), timing=np.True_, terms=["focal"])
    assert (options.frames, options.timing) == (5, True)
    assert RecheckOptions(alpha=np.float32(0.25), matters_px=1).alpha == 0.25


def test_errors_arrive_from_other_processes() -> None:
    error = UnsolvableError("cam03", expected="a", found="b", remedy="Do c.", cameras=["cam03"])
    again = pickle.loads(pickle.dumps(error))
    assert (type(again), str(again), again.cameras) == (UnsolvableError, str(error), ("cam03",))


def test_records_say_what_they_are_in_a_line():
    assert repr(rig()) == "<Rig: 2 cameras, cam01 to cam02; wand line3>"
    assert repr(tracks()) == "<CameraTracks cam01: 2000 × 1200 px, 3 points>"
    assert repr(Tracks((tracks(),), 100.0)) == "<Tracks: 1 cameras, 3 points, 100 Hz>"


def test_tables_of_a_frozen_record_are_read_only() -> None:
    facts = {"options": {"terms": ["k1"]}}
    made = replace(rig(), provenance=facts, alignment=facts, left_out={"cam09": "unseen"})
    facts["options"]["terms"].append("k2")
    for table in (made.provenance, made.alignment, made.left_out, made.provenance["options"]):
        for change in (
            lambda t: t.update(a=1),
            lambda t: t.__setitem__("a", 1),
            lambda t: t.pop("options", None),
            lambda t: t.clear(),
        ):
            with pytest.raises(TypeError, match="read-only"):
                change(table)
    assert made.provenance == {"options": {"terms": ["k1"]}}
    for again in (copy.deepcopy(made), pickle.loads(pickle.dumps(made)), replace(made)):
        assert again.provenance == made.provenance and again.left_out == made.left_out
    assert json.loads(json.dumps(made.provenance)) == made.provenance
