"""Many images to one capture: read and searched side by side, a few at a time, whatever their
number.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.core.fields import Fields, camera_from_fields
from calib.core.geometry import Array
from calib.core.names import counted, listed
from calib.core.progress import Progress
from calib.core.threads import n_cores
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.intake.centroids.level import Level
from calib.intake.centroids.names import ImageList, Source, check_frames
from calib.intake.centroids.sources import Video, mono, quiet, read_image
from calib.intake.centroids.spots import SpotOptions, Spots, detect
from calib.printed import Reported


@dataclass(frozen=True, slots=True, eq=False)
class CameraSummary:
    """What one camera's images held; the medians are over its spots, nan where it has none.

    ``missing`` lists the frames without an image as (first, last); ``refused`` counts blobs that
    became no points by reason; ``extras`` holds roundness, peak, share of saturated pixels and
    whether it was fitted, for every point.
    """

    name: str
    n_images: int
    n_points: int
    n_without_spots: int
    n_capped: int
    missing: tuple[tuple[int, int], ...]
    refused: dict[str, int]
    threshold: float
    background: float
    noise: float
    radius_px: float
    roundness: float
    peak_share: float
    saturated_share: float
    extras: dict[str, NDArray[Any]]

    @property
    def n_missing(self) -> int:
        return sum(last - first + 1 for first, last in self.missing)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Extraction(Reported):
    """The capture that images gave.

    Parameters
    ----------
    tracks : Tracks
        Nameless points.
    cameras : tuple of CameraSummary
        What each camera's images held.
    bad : tuple of InputError
        Files that could not be used.
    """

    REPORT: ClassVar[str] = "captures.images"

    tracks: Tracks
    cameras: tuple[CameraSummary, ...]
    bad: tuple[InputError, ...]


class _Points(NamedTuple):
    """What is kept of the spots of an image, or of many: (n,), xy_px (n, 2)."""

    xy_px: Array
    radius_px: NDArray[np.float32]
    roundness: NDArray[np.float32]
    peak: NDArray[np.float32]
    saturated: NDArray[np.float32]
    is_fitted: NDArray[np.bool_]

    @classmethod
    def of(cls, found: Spots) -> _Points:
        """Return them of one image's spots; but for the place, single precision does."""
        radius, roundness, peak, saturated = (
            v.astype(np.float32)
            for v in (found.radius_px, found.roundness, found.peak, found.saturated)
        )
        return cls(found.xy_px, radius, roundness, peak, saturated, found.is_fitted)


@dataclass(slots=True)
class _Camera:
    """One camera's results while they come in, by image."""

    name: str
    size: tuple[int, int] | None = None  # width, height
    first: str = ""
    frames: list[int] = field(default_factory=list)
    points: list[_Points] = field(default_factory=list)
    levels: list[Level] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)
    n_capped: int = 0

    def add(self, frame: int, found: Spots) -> None:
        self.frames.append(frame)
        self.points.append(_Points.of(found))
        self.levels.append(found.level)
        self.refused.update(found.refused)
        self.n_capped += "beyond the cap" in found.refused

    @property
    def n_points(self) -> list[int]:
        """How many points each image has."""
        return [len(p.xy_px) for p in self.points]

    def joined(self) -> _Points:
        """Return the points of all images."""
        nothing = np.empty(0, np.float32)
        none = _Points(np.empty((0, 2)), nothing, nothing, nothing, nothing, np.empty(0, bool))
        return _Points(*map(np.concatenate, zip(none, *self.points, strict=True)))

    def level(self, key: str) -> float:
        """Return the median of one of the images' levels."""
        return _median(np.array([getattr(level, key) for level in self.levels]))


def extract(
    sources: Sequence[Source],
    stated: ImageList | None = None,
    options: SpotOptions | None = None,
    *,
    rate_hz: float | None = None,
    keep_going: bool = False,
    progress: Progress | None = None,
    n_threads: int | None = None,
) -> Extraction:
    """Return the centroids of image and video files as a capture with nameless points.

    At most two images a thread are in memory at once. ``rate_hz`` goes before the list's rate, that
    before names' and videos'. InputError at the first file that cannot be used, or with
    ``keep_going`` where none can; where the rate is not known; where no image at all shows a spot.
    """
    listed, o = stated or ImageList(), options or SpotOptions()
    check_frames(sources)
    by_name = {
        name: _Camera(name) for name in [*listed.cameras, *sorted({s.camera for s in sources})]
    }
    for name, table in listed.cameras.items():
        if "width" in table and "height" in table:
            by_name[name].size = int(table["width"]), int(table["height"])
            by_name[name].first = "the image list"
    bad: list[InputError] = []
    rates: dict[str, float] = {}
    if rate_hz is None and listed.frame_rate_hz is None and not any(s.is_video for s in sources):
        _common_rate({s.path.name: s.rate_hz for s in sources if s.rate_hz})  # before hours of work
    total = _Total(sources, progress)

    def settle(done: Future[tuple[Spots, tuple[int, int]]], source: Source, frame: int) -> None:
        try:
            found, size = done.result()
            _check_size(by_name[source.camera], size, source)
            by_name[source.camera].add(frame, found)
        except InputError as error:
            if not keep_going:
                raise
            bad.append(error)
        total.advance()

    n = n_threads or n_cores()
    pool = ThreadPoolExecutor(n)
    waiting: deque[tuple[Future[Any], Source, int]] = deque()
    with quiet():
        try:
            for source, frame, image in _items(sources, rates, bad, keep_going, total):
                waiting.append((pool.submit(_search, source, frame, image, o), source, frame))
                if len(waiting) >= 2 * n:
                    settle(*waiting.popleft())
            while waiting:
                settle(*waiting.popleft())
        finally:
            pool.shutdown(cancel_futures=True)
    if bad and not any(c.frames for c in by_name.values()):
        raise bad[0]
    rates |= {s.path.name: s.rate_hz for s in sources if s.rate_hz}
    rate = rate_hz or listed.frame_rate_hz or _common_rate(rates)
    summaries = tuple(_summary(c) for c in by_name.values())
    if not any(c.n_points for c in summaries):
        raise _nothing(summaries)
    return Extraction(
        Tracks(tuple(_tracks(c, listed) for c in by_name.values()), rate), summaries, tuple(bad)
    )


class _Total:
    """Counts images for the progress; a video's number of frames is known once it is open."""

    def __init__(self, sources: Sequence[Source], progress: Progress | None) -> None:
        self.done, self.total = 0, sum(not s.is_video for s in sources)
        self._show = progress or (lambda *_: None)

    def expect(self, n: int) -> None:
        self.total += n

    def advance(self) -> None:
        self.done += 1
        self._show("centroids", self.done, max(self.total, self.done))


def _items(
    sources: Sequence[Source],
    rates: dict[str, float],
    bad: list[InputError],
    keep_going: bool,
    total: _Total,
) -> Iterator[tuple[Source, int, Any]]:
    """Yield source, frame and, of a video, the frame's image; image files are read by the
    threads.
    """
    for source in sources:
        if not source.is_video:
            assert source.frame is not None
            yield source, source.frame, None
            continue
        try:
            video = Video(source.path)
            if video.rate_hz:
                rates[source.path.name] = video.rate_hz
            total.expect(video.n_frames)
            yield from ((source, k, image) for k, image in enumerate(video.frames()))
        except InputError as error:
            if not keep_going:
                raise
            bad.append(error)


def _search(
    source: Source, frame: int, image: Any, options: SpotOptions
) -> tuple[Spots, tuple[int, int]]:
    place = f"{source.path} frame {frame}" if source.is_video else str(source.path)
    pixels = read_image(source.path) if image is None else mono(image, place)
    try:
        return detect(pixels, options), (pixels.shape[1], pixels.shape[0])
    except InputError as error:
        raise InputError(
            place, expected=error.expected, found=error.found, remedy=error.remedy
        ) from None


def _check_size(camera: _Camera, size: tuple[int, int], source: Source) -> None:
    if camera.size is None:
        camera.size, camera.first = size, source.path.name
    if camera.size != size:
        raise InputError(
            str(source.path),
            expected=f"{camera.size[0]} × {camera.size[1]} px, as {camera.first} of {camera.name}",
            found=f"{size[0]} × {size[1]}",
            remedy="Give images of one size for a camera.",
        )


def _tracks(camera: _Camera, listed: ImageList) -> CameraTracks:
    if camera.size is None:
        raise InputError(
            camera.name,
            expected="images of every camera listed",
            found="none that can be used",
            remedy="Add its images, state its width and height, or take it out of the list.",
        )
    points = camera.joined()
    frame = np.repeat(np.array(camera.frames, dtype=np.int64), camera.n_points)
    stated = dict(listed.cameras.get(camera.name, {})) | {
        "width": camera.size[0],
        "height": camera.size[1],
    }
    fields = camera_from_fields(Fields(stated, camera.name))
    marker = np.full(len(frame), -1, dtype=np.int16)
    return CameraTracks(
        camera.name,
        frame=frame,
        xy_px=points.xy_px,
        marker=marker,
        radius_px=points.radius_px,
        **fields,
    )


def _summary(camera: _Camera) -> CameraSummary:
    points, counts = camera.joined(), camera.n_points
    extras = {k: getattr(points, k) for k in ("roundness", "peak", "saturated", "is_fitted")}
    return CameraSummary(
        name=camera.name,
        n_images=len(camera.frames),
        n_points=sum(counts),
        n_without_spots=counts.count(0),
        n_capped=camera.n_capped,
        missing=gaps(camera.frames),
        refused=dict(camera.refused),
        threshold=camera.level("threshold"),
        background=camera.level("background"),
        noise=camera.level("noise"),
        radius_px=_median(points.radius_px),
        roundness=_median(points.roundness),
        peak_share=_median(points.peak) / camera.level("full_scale"),
        saturated_share=float((points.saturated > 0).mean()) if sum(counts) else np.nan,
        extras=extras,
    )


def _median(values: NDArray[Any]) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def gaps(frames: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Return the ranges (first, last) of frames missing among increasing ones.

    >>> gaps([3, 4, 7, 9])
    ((5, 6), (8, 8))
    """
    return tuple((a + 1, b - 1) for a, b in pairwise(frames) if b > a + 1)


def _common_rate(rates: dict[str, float]) -> float:
    """Return the one rate that names or videos state; InputError where they state none or
    several.
    """
    if not rates:
        raise InputError(
            "frame rate",
            expected="a rate in Hz",
            found="none in the file names",
            remedy="Add --rate, or frame_rate to the image list.",
        )
    low, high = min(rates, key=lambda k: rates[k]), max(rates, key=lambda k: rates[k])
    if rates[high] > rates[low] * 1.0001:
        raise InputError(
            "frame rate",
            expected="one rate for all cameras",
            found=f"{rates[low]:g} Hz of {low} and {rates[high]:g} Hz of {high}",
            remedy="Add --rate with the true one.",
        )
    return rates[low]


def _nothing(cameras: Sequence[CameraSummary]) -> InputError:
    n = sum(c.n_images for c in cameras)
    refused = {reason for c in cameras for reason in c.refused}
    found = f"none in {counted(n, 'image')}" + (
        f" ({', '.join(sorted(refused))})" if refused else ": they are dark"
    )
    return InputError(
        listed([c.name for c in cameras]),
        expected="bright round spots",
        found=found,
        remedy="Check strobes, aperture and exposure with calib focus, or lower --threshold.",
    )
