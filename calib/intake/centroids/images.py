"""What is asked of images, folders of them and videos: centroids, and how sharp they are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from calib.core.progress import Progress
from calib.core.progress import quiet as silent
from calib.errors import InputError
from calib.intake.centroids.focus import Focus, Optics, judge, too_bright
from calib.intake.centroids.names import ImageList, Source, find_sources
from calib.intake.centroids.sources import Video, mono, quiet, read_image
from calib.intake.centroids.spots import SpotOptions, Spots, detect
from calib.intake.centroids.stream import Extraction, extract


def centroids(
    paths: Iterable[str | Path] | str | Path,
    stated: ImageList | None = None,
    options: SpotOptions | None = None,
    *,
    rate_hz: float | None = None,
    keep_going: bool = False,
    progress: Progress | None = None,
) -> Extraction:
    """Return the centroids of images, folders of them and videos as a capture with nameless points.

    At most two images a thread are in memory at once.

    Parameters
    ----------
    paths : path, or iterable of path
        Image files, folders searched throughout, video files; names such as cam01_000123.png
        state camera and frame.
    stated : ImageList, optional
        What names do not say: rate, pattern of names, sensors and lenses.
    options : SpotOptions, optional
        What counts as a spot.
    rate_hz : float, optional
        Frame rate in Hz; goes before the list's, that before names' and videos'.
    keep_going : bool
        Files that cannot be used are left out and listed, instead of an error at the first.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    Extraction
        The capture, what each camera's images held, and the files that were left out.

    Raises
    ------
    InputError
        A file cannot be used (with ``keep_going``: none can), the rate is not known, or no image
        at all shows a spot.
    """
    sources = find_sources(paths, stated)
    return extract(
        sources, stated, options, rate_hz=rate_hz, keep_going=keep_going, progress=progress
    )


def focus(
    images: Iterable[str | Path] | str | Path,
    optics: Optics | None = None,
    options: SpotOptions | None = None,
    progress: Progress = silent,
) -> tuple[Focus, ...]:
    """Return the verdict on images, folders of them or videos, camera by camera.

    Parameters
    ----------
    images : path, or iterable of path
        Of one camera or several; names say which.
    optics : Optics, optional
        Marker and lens, to predict how wide a spot should be.
    options : SpotOptions, optional
        What counts as a spot.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    tuple of Focus
        One for each camera, by name.

    Raises
    ------
    InputError
        There are no images, or one cannot be read.
    """
    sources = find_sources(images)
    verdicts, n_done = [], 0
    for name in sorted({s.camera for s in sources}):
        own = [s for s in sources if s.camera == name]

        def show(n: int, before: int = n_done, most: int = len(own)) -> None:
            progress("images", before + min(n, most), len(sources))

        verdicts.append(_judged(name, own, optics, options, show))
        n_done += len(own)
    return tuple(verdicts)


def _judged(
    camera: str,
    sources: Sequence[Source],
    optics: Optics | None,
    options: SpotOptions | None,
    show: Callable[[int], None],
) -> Focus:
    found: list[Spots] = []
    with quiet():
        for image in _pictures(sources):
            try:
                found.append(detect(image, options))
            except InputError as error:  # bright all over
                return too_bright(camera, len(found) + 1, error)
            show(len(found))
    return judge(camera, found, optics)


def _pictures(sources: Sequence[Source]) -> Iterator[Any]:
    """Yield every image, those of videos last."""
    yield from (read_image(s.path) for s in sources if not s.is_video)
    for source in sources:
        if source.is_video:
            yield from (mono(image, str(source.path)) for image in Video(source.path).frames())


def first_spots(
    images: Iterable[str | Path] | str | Path, options: SpotOptions | None = None
) -> tuple[str, Spots, tuple[int, int]]:
    """Return the camera that the first image is called after, its spots, and its width and height
    in px.
    """
    sources = find_sources(images)
    with quiet():
        image = next(_pictures(sources))
    height, width = image.shape[:2]
    return sources[0].camera, detect(image, options), (width, height)
