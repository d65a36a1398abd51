"""Spots in images: accuracy against the Cramér-Rao bound, OpenCV's references, touching markers,
bad input, streams.
"""

from __future__ import annotations

import gc
import json
import weakref
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special, stats
from typer.testing import CliRunner

from calib.cli.main import app
from calib.core.geometry import Array
from calib.errors import InputError
from calib.files import load_tracks
from calib.intake.centroids import stream
from calib.intake.centroids.level import find_level
from calib.intake.centroids.names import ImageList, check_frames, find_sources, source_of
from calib.intake.centroids.profile import fill_profile, i0e, i1e
from calib.intake.centroids.sources import mono, quiet, read_image
from calib.intake.centroids.spots import SpotOptions, detect
from calib.intake.centroids.stream import extract
from calib.simulate.render import RenderOptions, draw_spots, expose

DATASETS = Path(__file__).parents[1] / "datasets"
CAMERA = RenderOptions(read_noise=1.0, electrons=40.0, background=12.0)


def picture(
    xy: Any,
    radius: Any,
    height: Any = 180.0,
    blur: float = 0.6,
    size: tuple[int, int] = (64, 64),
    seed: int = 0,
) -> NDArray[np.uint8]:
    light = CAMERA.background + draw_spots(*size, xy, radius, height, blur)
    return expose(light, CAMERA, np.random.default_rng(seed))


def errors(found: Array, true: Any) -> Array:
    """The offset of each true place to the nearest found one."""
    gap = found[None] - np.asarray(true)[:, None]
    return gap[np.arange(len(gap)), np.hypot(*gap.transpose(2, 0, 1)).argmin(axis=1)]


# ---- accuracy


def bound_px(phase: Array, radius: float, height: float, blur: float) -> Array:
    """The Cramér-Rao bound on the standard deviation of x and y, background, height and sizes
    unknown as well.

    Source: S. M. Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory", 1993,
    equation 3.31, with the derivatives of the rendered image by central differences. A pixel's
    variance is shot noise, read noise and rounding's 1/12; a pixel at full scale tells nothing (K.
    A. Winick, "Cramér-Rao lower bounds on the performance of charge-coupled-device optical position
    estimators", J. Opt. Soc. Am. A 3(11), 1986, treats the sensor so).
    """
    half = int(radius + 6 * blur + 4)
    at = np.array([half + phase[0], half + phase[1], height, CAMERA.background, blur, radius])
    steps = np.array([0.02, 0.02, 1.0, 1.0, 0.02, 0.02])
    free = [0, 1, 2, 3, *([4] if blur else []), *([5] if radius else [])]

    def mean(p: Array) -> Array:
        return p[3] + draw_spots(2 * half + 1, 2 * half + 1, [p[:2]], p[5], p[2], p[4])

    J = np.stack(
        [(mean(at + d) - mean(at - d)).ravel() / (2 * d.sum()) for d in np.diag(steps)[free]],
        axis=1,
    )
    light = mean(at).ravel()
    variance = light / CAMERA.electrons + CAMERA.read_noise**2 + 1 / 12
    is_used = light < 255
    information = (J[is_used].T / variance[is_used]) @ J[is_used]
    by_variance = J[is_used].T / CAMERA.electrons / variance[is_used]
    return np.sqrt(np.diag(np.linalg.inv(information + 0.5 * by_variance @ by_variance.T)))[:2]


# radius (0: Gaussian), blur, height; the last two saturate, one with a flat top far above full
# scale
SPOTS = [
    (0.0, 0.5, 150.0),
    (0.0, 0.8, 60.0),
    (0.0, 1.3, 200.0),
    (0.0, 2.0, 100.0),
    (1.5, 0.5, 180.0),
    (2.0, 0.0, 180.0),
    (3.0, 0.0, 120.0),
    (2.5, 0.7, 60.0),
    (4.0, 1.0, 150.0),
    (6.0, 0.5, 220.0),
    (10.0, 0.8, 180.0),
    (0.0, 1.2, 500.0),
    (4.0, 0.8, 600.0),
]


@pytest.mark.parametrize(("radius", "blur", "height"), SPOTS)
def test_centres_are_unbiased_and_scatter_as_the_bound_allows(
    radius: float, blur: float, height: float
) -> None:
    """Bias under 0.02 px at every phase; scatter within 1.3 of the bound. The bias is then a
    fifth of a good centroid's noise (0.1 px: common practice, no source), lost beside it.
    """
    rng = np.random.default_rng([int(10 * radius), int(10 * blur), int(height)])
    n, pitch = 7, int(2 * radius + 8 * blur + 22)
    grid = np.stack(np.meshgrid(*2 * [np.arange(n) * pitch + pitch // 2]), axis=-1).reshape(-1, 2)
    squares, bounds = [], []
    for phase in [np.zeros(2), np.array([0.5, 0.25]), rng.uniform(-0.5, 0.5, 2)]:
        light = CAMERA.background + draw_spots(
            n * pitch, n * pitch, grid + phase, radius, height, blur
        )
        found = detect(expose(light, CAMERA, rng))
        assert found.n == n * n
        assert found.is_fitted.all()
        off = errors(found.xy_px, grid + phase)
        assert np.abs(off.mean(axis=0)).max() < 0.02
        squares.append(off.var(axis=0, ddof=1))
        bounds.append(bound_px(phase, radius, height, blur) ** 2)
    # 6 variances of 49 spots each: the ratio's own standard deviation is 4 %.
    assert np.sqrt(np.mean(squares) / np.mean(bounds)) < 1.3


@pytest.mark.parametrize(("radius", "blur"), [(1.5, 0.7), (3.0, 0.6), (8.0, 1.5)])
def test_radius_blur_and_height_are_those_drawn(radius: float, blur: float) -> None:
    found = detect(picture([(30.2, 33.7)], radius, 150.0, blur))
    assert found.disc_px[0] == pytest.approx(radius, abs=0.1)
    assert found.blur_px[0] == pytest.approx(blur, abs=0.1)
    assert found.roundness[0] > 0.9
    if radius > 4 * blur:
        assert found.radius_px[0] == pytest.approx(radius, rel=0.06), (
            "half height lies near the disc's edge"
        )
        assert found.height[0] == pytest.approx(150, abs=3)


def test_weighted_centres_are_the_centre_of_light() -> None:
    """Against the sums by hand over one component, from ``cv2.connectedComponents``."""
    image = picture([(30.3, 31.6)], 4.0)
    found = detect(image, SpotOptions(method="weighted"))
    level = find_level(image)
    _, labels = cv2.connectedComponents((image > level.threshold).astype(np.uint8))
    y, x = np.nonzero(labels == labels[32, 30])
    weight = image[y, x] - level.background
    np.testing.assert_allclose(
        found.xy_px[0], [weight @ x / weight.sum(), weight @ y / weight.sum()], atol=1e-9
    )
    assert not found.is_fitted.any()


def test_bessel_functions_and_profile_are_those_of_scipy() -> None:
    """SciPy's i0e and i1e; the blurred disc is a non-central chi-square of two degrees of freedom
    (Marcum's Q).
    """
    for x in np.geomspace(1e-6, 1e4, 200):
        assert i0e(x) == pytest.approx(special.i0e(x), rel=1e-6)
        assert i1e(x) == pytest.approx(special.i1e(x), rel=3e-6)
    for b in (0.5, 1.0, 3.0, 20.0):
        table = np.empty((3, 33))
        low, step = fill_profile(b, table)
        a = np.maximum(low + step * np.arange(33), 1e-9)
        expected = stats.ncx2.cdf(b * b, 2, a * a) / -np.expm1(-b * b / 2)
        np.testing.assert_allclose(table[0], expected, atol=1e-5)
        np.testing.assert_allclose(table[1][1:-1], np.gradient(expected, step)[1:-1], atol=0.03)


# ---- references


def scattered(seed: int, n: int = 25, size: int = 400) -> tuple[Array, Array]:
    """Places at least 25 px apart and radii from 2.5 to 6 px."""
    rng = np.random.default_rng(seed)
    places: list[Array] = []
    while len(places) < n:
        p = rng.uniform(15, size - 15, 2)
        if all(np.hypot(*(p - q)) > 25 for q in places):
            places.append(p)
    return np.array(places), rng.uniform(2.5, 6.0, n)


@pytest.mark.parametrize("seed", [1, 2])
def test_against_simple_blob_detector_and_connected_components(seed: int) -> None:
    """Same spots as ``cv2.SimpleBlobDetector`` and ``cv2.connectedComponentsWithStats``, and nearer
    to the truth.
    """
    true, radius = scattered(seed)
    image = picture(true, radius, size=(400, 400), seed=seed)
    found = detect(image)
    _, _, stats_, centres = cv2.connectedComponentsWithStats(
        (image > found.level.threshold).astype(np.uint8)
    )
    components = centres[1:][stats_[1:, cv2.CC_STAT_AREA] >= 4]
    options = (
        cv2.SimpleBlobDetector.Params()
        if hasattr(cv2, "SimpleBlobDetector")
        else cv2.SimpleBlobDetector_Params()
    )
    options.filterByColor, options.blobColor = True, 255
    options.minArea, options.maxArea, options.minDistBetweenBlobs = 8.0, 400.0, 5.0
    options.minThreshold, options.maxThreshold, options.thresholdStep = 30.0, 150.0, 10.0
    blobs = np.array([k.pt for k in cv2.SimpleBlobDetector_create(options).detect(image)])
    assert found.n == len(components) == len(blobs) == len(true)
    ours, theirs, plain = (np.hypot(*errors(p, true).T) for p in (found.xy_px, blobs, components))
    assert max(theirs.max(), plain.max()) < 0.5, "the references find these spots"
    assert ours.max() < 0.05
    assert ours.mean() < min(theirs.mean(), plain.mean())
    np.testing.assert_allclose(np.sort(found.radius_px), np.sort(radius), atol=0.2)


def test_real_photograph_against_simple_blob_detector() -> None:
    """Stars and round galaxies of a real photograph (source: datasets/README.md) lie where
    ``cv2.SimpleBlobDetector`` has them.

    Limit half a pixel: the detector's centres are means over thresholded contours, and these spots
    are not all even.
    """
    image = read_image(DATASETS / "photographs/deep-field.png")
    options = (
        cv2.SimpleBlobDetector.Params()
        if hasattr(cv2, "SimpleBlobDetector")
        else cv2.SimpleBlobDetector_Params()
    )
    options.filterByColor, options.blobColor = True, 255
    options.minArea, options.maxArea = 12.0, 2000.0
    options.filterByCircularity, options.minCircularity = True, 0.8
    options.filterByInertia, options.minInertiaRatio = True, 0.6
    options.filterByConvexity, options.minConvexity = True, 0.9
    options.minThreshold, options.maxThreshold, options.thresholdStep = 60.0, 200.0, 10.0
    blobs = cv2.SimpleBlobDetector_create(options).detect(image)
    assert len(blobs) >= 4
    found = detect(image)
    for blob in blobs:
        gap = np.hypot(*(found.xy_px - blob.pt).T)
        assert gap.min() < 0.5
        assert found.radius_px[gap.argmin()] == pytest.approx(blob.size / 2, rel=0.25)
    assert found.refused["touching or not round"] > 10, "galaxies seen from the side"


# ---- touching markers


@pytest.mark.parametrize(
    ("radii", "blur"), [((4, 4), 0.6), ((3, 3), 1.0), ((6, 4), 0.6), ((2, 2), 0.6), ((5, 5), 1.5)]
)
@pytest.mark.parametrize("turn", [0.3, 1.2, 2.5])
def test_touching_markers_are_separated(radii: tuple[int, int], blur: float, turn: float) -> None:
    """Drawn edge to edge: both centres to 0.06 px, some ten times the bound, as their light
    overlaps.
    """
    reach = sum(radii) / 2 * np.array([np.cos(turn), np.sin(turn)])
    true = np.add([32.1, 31.8], [-reach, reach])
    found = detect(picture(true, radii, [180, 150], blur, seed=int(10 * turn)))
    assert found.n_blobs == 1
    assert found.n == 2
    assert np.hypot(*errors(found.xy_px, true).T).max() < 0.06
    assert not found.refused


@pytest.mark.parametrize(
    "offsets",
    [
        [(0, -4.5), (-4, 2.5), (4, 2.5)],
        [(-8, 0), (0, 0.5), (8, 0)],
        [(-4, -4), (4, -4), (4, 4.5), (-4, 4)],
    ],
)
def test_three_and_four_touching_markers_are_separated(offsets: list[tuple[float, float]]) -> None:
    true = np.add(offsets, [32.2, 31.7])
    found = detect(picture(true, 4.0))
    assert (found.n_blobs, found.n) == (1, len(true))
    assert np.hypot(*errors(found.xy_px, true).T).max() < 0.06


def shapes() -> dict[str, Array]:
    y, x = np.mgrid[:64, :64].astype(float)
    r = np.hypot(x - 32, y - 32)
    light = {
        "markers half over each other": draw_spots(64, 64, [(29.5, 32), (34.5, 32)], 4.0, 180, 0.6),
        "a chain of five": draw_spots(64, 64, [(16 + 8 * k, 32) for k in range(5)], 4.0, 180, 0.6),
        "a streak": draw_spots(64, 64, [(27 + k / 4, 32.3) for k in range(41)], 4.0, 180, 0.6),
        "a short streak": draw_spots(
            64, 64, [(29.5 + k / 4, 32.3) for k in range(21)], 4.0, 180, 0.6
        ),
        "a bar": 180.0 * ((abs(x - 32) < 15) & (abs(y - 32) < 5)),
        "a square": 180.0 * ((abs(x - 32) < 7) & (abs(y - 32) < 7)),
        "a ring": 180.0 * ((r < 12) & (r > 7)),
        "half a disc": 180.0 * ((r < 8) & (x > 32)),
    }
    return {k: v + CAMERA.background for k, v in light.items()}


@pytest.mark.parametrize("shape", shapes())
def test_what_is_no_round_marker_is_refused_and_counted(shape: str) -> None:
    found = detect(expose(shapes()[shape], CAMERA, np.random.default_rng(5)))
    assert found.n == 0
    assert found.refused == {"touching or not round": 1}


# ---- threshold, caps, edges, depth


def test_dark_image_has_no_spots() -> None:
    assert detect(np.zeros((50, 60), np.uint8)).n == 0
    noise = expose(np.full((600, 800), 12.0), CAMERA, np.random.default_rng(1))
    assert detect(noise).n_blobs == 0


@pytest.mark.parametrize("value", [255, 230])
def test_white_image_is_refused(value: int) -> None:
    with pytest.raises(InputError, match=r"a dark image with few bright spots.*of 255"):
        detect(np.full((50, 60), value, np.uint8))


def test_lit_room_is_refused_and_a_lit_patch_survived() -> None:
    """Half the image bright: refused. A tenth of it, dimmer than the markers: Otsu's threshold
    passes over it.
    """
    light = CAMERA.background + draw_spots(200, 200, [(40.3, 50.2), (140.6, 60.1)], 4.0, 180, 0.6)
    patch, half = light.copy(), light.copy()
    patch[150:170] += 40.0
    half[100:] += 120.0
    found = detect(expose(patch, CAMERA, np.random.default_rng(2)))
    assert np.hypot(*errors(found.xy_px, [(40.3, 50.2), (140.6, 60.1)]).T).max() < 0.05
    assert found.n == 2
    with pytest.raises(InputError, match="50% of it bright"):
        detect(expose(half, CAMERA, np.random.default_rng(2)))


def test_given_threshold_is_used() -> None:
    image = picture([(20, 20), (45, 40)], 3.0, [180, 60])
    assert [detect(image, SpotOptions(threshold=t)).n for t in (None, 30, 120, 250)] == [2, 2, 1, 0]
    with pytest.raises(InputError, match=r"100% of it bright.*raise --threshold"):
        detect(image, SpotOptions(threshold=0))


def test_thousands_of_blobs_are_capped() -> None:
    rng = np.random.default_rng(4)
    image = np.full((1000, 1000), 10, np.uint8)
    for x, y in rng.integers(10, 990, (6000, 2)):
        image[y : y + 2, x : x + 3] = 200
    image[500:508, 500:508] = 255
    found = detect(image, SpotOptions(max_blobs=300))
    assert found.refused["beyond the cap"] == found.n_blobs - 300
    assert found.n_blobs > 3000


def test_specks_lamps_and_the_edge_are_refused() -> None:
    light = CAMERA.background + draw_spots(
        500, 400, [(250.3, 100.4), (0.2, 50), (120, 200)], [4, 4, 95], 180, 0.6
    )
    light[300, 400] = 250
    found = detect(expose(light, CAMERA, np.random.default_rng(1)))
    np.testing.assert_allclose(found.xy_px, [(250.3, 100.4)], atol=0.03)
    assert found.refused == {"too small": 1, "too large": 1, "at the image's edge": 1}


@pytest.mark.parametrize(("bits", "shift"), [(10, 0), (12, 0), (12, 4), (16, 0)])
def test_16_bit_images_of_any_depth(bits: int, shift: int) -> None:
    """Scaled light gives the same centres, and full scale is told from the brightest pixels."""
    top = 2**bits - 1
    light = (
        (CAMERA.background + draw_spots(90, 60, [(20.3, 30.2), (60.6, 31.1)], 4.0, [150, 500], 0.7))
        * top
        / 255
    )
    rng = np.random.default_rng(3)
    seen = (
        np.clip(np.rint(light + rng.normal(0, top / 255, light.shape)), 0, top).astype(np.uint16)
        << shift
    )
    found = detect(seen)
    order = np.argsort(found.xy_px[:, 0])
    np.testing.assert_allclose(found.xy_px[order], [(20.3, 30.2), (60.6, 31.1)], atol=0.03)
    assert found.level.full_scale == top << shift
    np.testing.assert_array_equal(found.saturated[order] > 0.3, [False, True])


@pytest.mark.parametrize(
    "bad", [np.zeros((4, 4, 3), np.uint8), np.zeros((4, 4)), np.zeros((0, 4), np.uint8)]
)
def test_other_arrays_are_refused(bad: NDArray[Any]) -> None:
    with pytest.raises(InputError, match="mono, 8 or 16 bit"):
        detect(bad)


@pytest.mark.parametrize(
    "option", [{"method": "best"}, {"threshold": -1}, {"max_blobs": 0}, {"min_roundness": 2}]
)
def test_options_are_checked(option: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=next(iter(option))):
        SpotOptions(**option)


# ---- names


@pytest.mark.parametrize(
    ("path", "camera", "frame", "rate"),
    [
        ("cam01_000123.png", "cam01", 123, None),
        ("rig/cam01/000123.png", "cam01", 123, None),
        ("rig/cam01/frame_000123.tif", "cam01", 123, None),
        ("rig/left-cam-7.bmp", "left-cam", 7, None),
        ("rig_50fps/cam 2_0.png", "cam 2", 0, 50.0),
        ("rig/cam03_29.97Hz/12.png", "cam03", 12, 29.97),
        ("rig/cam04_25fps_0009.png", "cam04", 9, 25.0),
        ("rig/still.png", "still", None, None),
    ],
)
def test_names(path: str, camera: str, frame: int | None, rate: float | None) -> None:
    found = source_of(Path(path))
    assert (found.camera, found.frame, found.rate_hz, found.is_video) == (
        camera,
        frame,
        rate,
        False,
    )


def test_video_and_pattern_names() -> None:
    assert source_of(Path("rig/cam01.avi")).camera == "cam01"
    found = source_of(Path("take3/B/shot12x.tif"), "{camera}/shot{frame}x.*")
    assert (found.camera, found.frame) == ("B", 12)
    with pytest.raises(InputError, match=r"ends like \{camera\}"):
        source_of(Path("take3/other.tif"), "{camera}/shot{frame}.tif")


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"frame_rate": 0}, "above 0 Hz"),
        ({"rate": 5}, "only the keys"),
        ({"file_names": "{kamera}_{frame}.png"}, "pattern with {camera} and {frame}"),
        ({"file_names": "*a" * 200 + "{camera}_{frame}.png"}, "found 200"),
        ({"cameras": {"a": {"focal": 8.0}}}, "cameras.a.*only the keys"),
        ({"cameras": {"a": {"K": [[1, 0, 0], [0, 1, 0], [0, 0, 1]]}}}, "dist beside K"),
        ({"cameras": {"a": 3}}, "a table"),
    ],
)
def test_image_lists_are_checked(table: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        ImageList.from_table(table)


def test_frames_are_checked(tmp_path: Path) -> None:
    for name in ("cam01_1.png", "cam01_01.png"):
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(InputError, match="cam01 frame 1: expected one file"):
        check_frames(find_sources([tmp_path]))
    with pytest.raises(InputError, match="ends in _ and the frame number"):
        check_frames([source_of(Path("still.png"))])
    with pytest.raises(InputError, match="images or one video"):
        check_frames([source_of(Path("cam01.avi")), source_of(Path("cam01_1.png"))])
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="images or videos in the folder"):
        find_sources([tmp_path / "empty"])
    with pytest.raises(InputError, match="nothing of that name"):
        find_sources([tmp_path / "absent"])
    with pytest.raises(InputError, match="of that name"):  # one path, as text too
        find_sources(str(tmp_path / "absent"))


# ---- files


def damaged_files(folder: Path) -> dict[Path, str]:
    """Files that are no whole mono image, by what the error says of them."""
    image = picture([(20, 20), (45, 40)], 3.0)
    whole = {}
    for suffix in (".png", ".jpg", ".bmp", ".tif", ".pgm"):
        cv2.imwrite(str(folder / f"whole{suffix}"), image)
        whole[suffix] = (folder / f"whole{suffix}").read_bytes()
        np.testing.assert_allclose(
            read_image(folder / f"whole{suffix}").astype(int), image, atol=12
        )
    out = {}

    def add(name: str, data: bytes, message: str) -> None:
        (folder / name).write_bytes(data)
        out[folder / name] = message

    for suffix, data in whole.items():
        for share in (0.3, 0.7, 0.98):
            message = "cut off" if suffix != ".tif" else "no image, or damaged"
            add(f"cut{share}{suffix}", data[: int(share * len(data))], message)
    broken = bytearray(whole[".png"])
    broken[len(broken) // 2] ^= 0xFF
    add("broken.png", bytes(broken), "a damaged file")
    add("digits.pgm", b"P5 " + b"9" * 6000 + b" 1 255\n\0", "a damaged file")
    add("text.png", b"not an image", "no image, or damaged")
    add("empty.png", b"", "an empty file")
    colour = np.dstack([image, image // 2, image])
    cv2.imwrite(str(folder / "colour.png"), colour)
    out[folder / "colour.png"] = "colour"
    cv2.imwrite(str(folder / "float.tif"), image.astype(np.float32))
    out[folder / "float.tif"] = "float32"
    return out


def test_files_that_are_no_whole_mono_image_are_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    for path, message in damaged_files(tmp_path).items():
        with quiet(), pytest.raises(InputError, match=message) as caught:
            read_image(path)
        assert str(path) in str(caught.value)
    assert capfd.readouterr() == ("", ""), "OpenCV's readers stay silent"


def test_grey_stored_as_colour_and_16_bit_are_read(tmp_path: Path) -> None:
    image = picture([(20, 20)], 3.0)
    cv2.imwrite(str(tmp_path / "grey.png"), np.dstack([image] * 3))
    cv2.imwrite(str(tmp_path / "alpha.png"), np.dstack([image] * 3 + [np.full_like(image, 255)]))
    cv2.imwrite(str(tmp_path / "deep.png"), image.astype(np.uint16) * 257)
    np.testing.assert_array_equal(read_image(tmp_path / "grey.png"), image)
    np.testing.assert_array_equal(read_image(tmp_path / "alpha.png"), image)
    np.testing.assert_array_equal(read_image(tmp_path / "deep.png"), image.astype(np.uint16) * 257)


def test_an_image_larger_than_any_cameras_is_refused_in_a_host_too(tmp_path: Path) -> None:
    """The program has OpenCV refuse it; in a notebook OpenCV was loaded before: its limit is eight
    times ours, and what is worked out of such an image takes gigabytes.
    """
    path = tmp_path / "wide.jpg"
    assert cv2.imwrite(str(path), np.zeros((20, 20), np.uint8))
    data = path.read_bytes()
    at = data.index(b"\xff\xc0") + 5  # start of frame (ITU-T T.81, B.2.2): height, then width
    path.write_bytes(
        data[:at] + (31884).to_bytes(2, "big") + (8272).to_bytes(2, "big") + data[at + 4 :]
    )
    with pytest.raises(InputError, match=r"wide.jpg: expected an image, found"):
        read_image(path)
    with pytest.raises(InputError, match="one of 65536 × 4096 px"):
        mono(np.lib.stride_tricks.as_strided(np.zeros(1, np.uint8), (4096, 65536), (0, 0)), "here")


# ---- streams


def write_images(
    folder: Path, frames: Any, cameras: tuple[str, ...] = ("cam01", "cam02")
) -> dict[tuple[str, int], Any]:
    """Write small images and return the true places by camera and frame."""
    true = {}
    for c, camera in enumerate(cameras):
        for k in frames:
            xy = [(15.3 + k % 30, 20.1 + c), (40.2, 10.7 + k % 40)]
            true[camera, k] = xy
            cv2.imwrite(str(folder / f"{camera}_{k:05d}.png"), picture(xy, 3.0, seed=k))
    return true


def test_stream_gives_every_spot_its_camera_and_frame(tmp_path: Path) -> None:
    true = write_images(tmp_path, range(5, 25))
    shown: list[tuple[str, int, int]] = []
    found = extract(
        find_sources([tmp_path]), rate_hz=50, progress=lambda *a: shown.append(a), n_threads=2
    )
    assert found.tracks.frame_rate_hz == 50
    assert shown[-1] == ("centroids", 40, 40)
    for c in found.tracks.cameras:
        assert (c.width, c.height, c.n_points) == (64, 64, 40)
        assert (c.marker == -1).all()
        for k in range(5, 25):
            assert np.hypot(*errors(c.xy_px[c.frame == k], true[c.name, k]).T).max() < 0.05
        assert c.radius_px is not None
        np.testing.assert_allclose(c.radius_px, 3, atol=0.2)
    alone = extract(find_sources([tmp_path]), rate_hz=50, n_threads=1)
    for one, two in zip(alone.tracks.cameras, found.tracks.cameras, strict=True):
        np.testing.assert_array_equal(one.xy_px, two.xy_px)
    # Printed and as plain data it is what the command prints, not the arrays in it.
    first = str(alone).splitlines()[0]
    assert first.startswith(f"{sum(c.n_points for c in alone.tracks.cameras)} points in ")
    assert repr(alone) == f"<Extraction: {first}>"
    assert [c["name"] for c in alone.to_dict()["cameras"]] == list(alone.tracks.names)


def test_memory_does_not_grow_with_the_number_of_images(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_images(tmp_path, range(60), ("cam01",))
    alive, most = set(), [0]

    def counted(path: Path) -> NDArray[Any]:
        image = read_image(path)
        alive.add(id(image))
        weakref.finalize(image, alive.discard, id(image))
        most[0] = max(most[0], len(alive))
        return image

    monkeypatch.setattr(stream, "read_image", counted)
    extract(find_sources([tmp_path]), rate_hz=50, n_threads=2)
    gc.collect()
    assert 1 <= most[0] <= 4


def test_gaps_and_bad_files_are_told_and_the_rest_kept(tmp_path: Path) -> None:
    write_images(tmp_path, [0, 1, 2, 5, 6, 9])
    (tmp_path / "cam01_00002.png").write_bytes(b"broken")
    cv2.imwrite(str(tmp_path / "cam02_00006.png"), picture([(20, 20)], 3.0, size=(80, 64)))
    cv2.imwrite(str(tmp_path / "cam02_00009.png"), np.full((64, 64), 255, np.uint8))
    sources = find_sources([tmp_path])
    with pytest.raises(InputError, match=r"cam01_00002\.png: expected an image"):
        extract(sources, rate_hz=50)
    found = extract(sources, rate_hz=50, keep_going=True)
    assert [e.where.rpartition("/")[2] for e in found.bad] == [
        "cam01_00002.png",
        "cam02_00006.png",
        "cam02_00009.png",
    ]
    assert "64 × 64 px, as cam02_00000.png of cam02, found 80 × 64" in str(found.bad[1])
    assert found.cameras[0].missing == ((2, 4), (7, 8))
    assert found.cameras[0].n_missing == 5
    assert [c.n_points for c in found.tracks.cameras] == [10, 8]


def test_nothing_found_and_rates_unknown_are_errors(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "cam01_1.png"), np.zeros((64, 64), np.uint8))
    with pytest.raises(
        InputError, match="cam01: expected bright round spots, found none in 1 image: they are dark"
    ):
        extract(find_sources([tmp_path]), rate_hz=50)
    with pytest.raises(InputError, match="frame rate: expected a rate in Hz, found none"):
        extract(find_sources([tmp_path]))
    write_images(tmp_path, [1], ("a_50fps", "b_25fps"))
    with pytest.raises(InputError, match=r"25 Hz of b_25fps_00001\.png and 50 Hz"):
        extract(find_sources([tmp_path]))


def write_video(path: Path, n: int, codec: str = "FFV1") -> None:
    with quiet():  # it is FFmpeg that asks how loud it is to be, when first used
        writer = cv2.VideoWriter(
            str(path), cv2.VideoWriter_fourcc(*codec), 40.0, (64, 64), isColor=True
        )
    assert writer.isOpened()
    for k in range(n):
        writer.write(np.dstack([picture([(15.3 + k, 20.1), (40.2, 10.7 + k)], 3.0, seed=k)] * 3))
    writer.release()


@pytest.mark.parametrize(("suffix", "codec"), [(".avi", "MJPG"), (".avi", "FFV1")])
def test_videos(tmp_path: Path, suffix: str, codec: str) -> None:
    write_video(tmp_path / f"cam01{suffix}", 20, codec)
    found = extract(find_sources([tmp_path]))
    assert found.tracks.frame_rate_hz == pytest.approx(40)
    (c,) = found.tracks.cameras
    assert c.n_points == 40
    for k in range(20):
        # Lossy compression moves centres by some hundredths of a pixel.
        assert (
            np.hypot(*errors(c.xy_px[c.frame == k], [(15.3 + k, 20.1), (40.2, 10.7 + k)]).T).max()
            < 0.1
        )


def test_video_that_is_cut_off(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    write_video(tmp_path / "cam01.avi", 40, "MJPG")
    data = (tmp_path / "cam01.avi").read_bytes()
    (tmp_path / "cam01.avi").write_bytes(data[: len(data) // 2])
    with pytest.raises(InputError, match=r"cam01\.avi"):
        extract(find_sources([tmp_path]), rate_hz=40)
    found = extract(find_sources([tmp_path]), rate_hz=40, keep_going=True)
    assert len(found.bad) == 1
    assert 10 <= found.cameras[0].n_images < 40
    (tmp_path / "cam01.avi").write_bytes(b"no video")
    with pytest.raises(InputError, match="a file that cannot be played"):
        extract(find_sources([tmp_path]), rate_hz=40)
    assert capfd.readouterr() == ("", ""), "OpenCV's readers stay silent"


# ---- the command


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_command_writes_tracks_with_what_the_list_states(tmp_path: Path) -> None:
    folder = tmp_path / "images"
    folder.mkdir()
    write_images(folder, [0, 1, 3])
    (tmp_path / "list.toml").write_text(
        "frame_rate = 25.0\n[cameras.cam01]\nfocal_mm = 8.0\npixel_pitch_mm = 0.0045\n"
        "[cameras.cam02]\nK = [[900, 0, 32], [0, 900, 32], [0, 0, 1]]\ndist = [0, 0, 0, 0, 0]\n"
    )
    out, rows = tmp_path / "t.h5", tmp_path / "spots.csv"
    done = run("centroids", folder, "-o", out, "--list", tmp_path / "list.toml", "--spots", rows)
    assert done.exit_code == 0, done.stderr
    assert "cam01: 1 frame has no image: 2." in done.stderr
    assert "cam02" in done.stdout
    tracks = load_tracks(out)
    assert (tracks.frame_rate_hz, tracks.cameras[0].focal_mm) == (25.0, 8.0)
    assert tracks.cameras[1].lens is not None
    table = rows.read_text().splitlines()
    assert table[0] == "camera,frame,x,y,radius,roundness,peak,saturated,fitted"
    assert len(table) == 1 + 12
    assert [float(v) for v in table[1].split(",")[2:4]] == tracks.cameras[0].xy_px[0].tolist()
    again = run("centroids", folder, "-o", out, "--rate", 25)
    assert again.exit_code == 2
    assert "--force" in again.stderr
    as_json = run("centroids", folder, "-o", out, "--rate", 25, "--force", "--json")
    found = json.loads(as_json.stdout)
    assert [
        (c["name"], c["images"], c["points"], c["missing_frames"]) for c in found["cameras"]
    ] == [("cam01", 3, 6, [[2, 2]]), ("cam02", 3, 6, [[2, 2]])]


def test_command_stops_at_a_bad_file_or_names_it(tmp_path: Path) -> None:
    folder = tmp_path / "images"
    folder.mkdir()
    write_images(folder, [0, 1, 2])
    (folder / "cam02_00001.png").write_bytes(b"broken")
    out = tmp_path / "t.h5"
    stopped = run("centroids", folder, "-o", out, "--rate", 25)
    assert stopped.exit_code == 2
    assert len(stopped.stderr.splitlines()) == 1
    assert "cam02_00001.png" in stopped.stderr
    assert not out.exists()
    went_on = run("centroids", folder, "-o", out, "--rate", 25, "--keep-going", "--json")
    assert went_on.exit_code == 0
    assert "not used:" in went_on.stderr
    assert "cam02_00001.png" in json.loads(went_on.stdout)["not_used"][0]
    assert [c.n_points for c in load_tracks(out).cameras] == [6, 4]


def test_command_tells_of_a_cap(tmp_path: Path) -> None:
    image = np.full((300, 300), 10, np.uint8)
    image[5::10, 5::10] = image[6::10, 5::10] = image[5::10, 6::10] = image[6::10, 6::10] = 220
    cv2.imwrite(str(tmp_path / "cam01_1.png"), image)
    done = run("centroids", tmp_path, "-o", tmp_path / "t.h5", "--rate", 25, "--max-blobs", 100)
    assert done.exit_code == 0, done.stderr
    assert "more than 100 blobs in 1 image, of which the largest were kept" in done.stderr
    assert "ladder" in done.stderr  # to shorten an exposure or cover a lamp
    assert load_tracks(tmp_path / "t.h5").cameras[0].n_points <= 100
