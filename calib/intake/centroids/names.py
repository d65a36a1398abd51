"""Which camera, which frame and which rate an image file stands for: from its name, or from a small
TOML file.

Without a pattern, the digits at the end of a name are the frame and what stands before them the
camera (``cam01_000123.png``); where nothing does, or a word for any picture (``frame_000123.png``),
the folder is the camera (``cam01/000123.png``). A part such as ``_50fps`` or ``_50Hz`` in the name
or its folder's is the rate. A video is its camera's (``cam01.avi``); its frames count from 0.

The TOML file (image list) states what names do not::

    frame_rate = 50.0
    # the end of the path; * stands for anything within one name
    file_names = "{camera}/shot-{frame}.tif"

    # optional: as in a tracks file; width and height only to check
    [cameras.cam01]
    pixel_pitch_mm = 0.0045
    focal_mm = 8.0
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib.core.fields import CAMERA, Fields, Item, camera_from_fields
from calib.core.frames import check_rate
from calib.core.names import check_name
from calib.errors import InputError, require_kinds

IMAGE_LIST = (
    Item("frame_rate", "number", "Hz, where the names do not say it"),
    Item(
        "file_names", "text", "how paths end: {camera} and {frame} stand for those, * for anything"
    ),
    Item("cameras", "table", "a table [cameras.<name>] of what is known of a camera, as below"),
)
IMAGE_SUFFIXES = frozenset(
    [".png", ".bmp", ".tif", ".tiff", ".pgm", ".pnm", ".jpg", ".jpeg", ".jp2", ".webp"]
)
VIDEO_SUFFIXES = frozenset(
    [".avi", ".mp4", ".mkv", ".mov", ".m4v", ".mpg", ".mpeg", ".webm", ".wmv"]
)
_GENERIC = {"", "frame", "image", "img", "f", "shot", "picture", "pic"}
_RATE = re.compile(
    r"[_\-. ]?(?<![0-9A-Za-z.])(\d+(?:\.\d+)?) ?(?:fps|hz)(?![0-9a-z])", re.IGNORECASE
)
_MOST_STARS = 4  # each multiplies the ways to fit a name by its length
_NUMBERED = re.compile(r"(?:(?P<camera>.*?)[_\-. ]+)?(?P<frame>\d{1,15})")


@dataclass(frozen=True, slots=True, eq=False)
class ImageList:
    """What the image list states beside the names of image files.

    Parameters
    ----------
    frame_rate_hz : float, optional
        Frames a second.
    file_names : str, optional
        Pattern of file names, with {camera} and {frame}.
    cameras : mapping of str to mapping
        By camera, sensor and lens with the keys of the file.
    """

    frame_rate_hz: float | None = None
    file_names: str | None = None
    cameras: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        require_kinds(self, "image list: ")

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> ImageList:
        """Return the list of a TOML table; InputError where it holds anything else."""
        top = Fields(table)
        top.refuse_unknown(IMAGE_LIST)
        stated = top.read_all(IMAGE_LIST)
        rate, pattern = stated["frame_rate"], stated["file_names"]
        if rate is not None:
            check_rate("frame_rate", rate)
        if pattern is not None:
            _expression(pattern)
        cameras = dict(stated["cameras"] or {})
        for name, values in cameras.items():
            own = Fields(Fields(cameras, "[cameras]").tables(name), f"[cameras.{name}]")
            own.refuse_unknown(CAMERA)
            camera_from_fields(Fields({"width": 1, "height": 1} | dict(values), own.where))
        return cls(rate, pattern, cameras)


@dataclass(frozen=True, slots=True)
class Source:
    """A file: its camera, the frame it is (None: a video, or not said) and the rate its name
    states.
    """

    path: Path
    camera: str
    frame: int | None
    rate_hz: float | None
    is_video: bool


def find_sources(
    paths: Iterable[str | Path] | str | Path, stated: ImageList | None = None
) -> list[Source]:
    """Return the image and video files of paths, or of one path, folders searched throughout, by
    camera and frame.

    InputError where there are none, or two files stand for one frame of a camera.
    """
    listed = stated or ImageList()
    files: list[Path] = []
    for path in map(Path, [paths] if isinstance(paths, str | Path) else paths):
        if path.is_dir():
            inside = sorted(
                p for p in path.rglob("*") if p.suffix.lower() in IMAGE_SUFFIXES | VIDEO_SUFFIXES
            )
            if not inside:
                raise InputError(
                    str(path),
                    expected="images or videos in the folder",
                    found="none",
                    remedy=f"Known endings: {' '.join(sorted(IMAGE_SUFFIXES | VIDEO_SUFFIXES))}.",
                )
            files += (p for p in inside if p.is_file() and not p.name.startswith("."))
        elif path.is_file():
            files.append(path)
        else:
            raise InputError(
                str(path), expected="an image, a video or a folder", found="nothing of that name"
            )
    sources = [source_of(path, listed.file_names) for path in dict.fromkeys(files)]
    for s in sources:
        check_name(s.camera, f"{s.path}: camera")
    sources.sort(key=lambda s: (s.camera, -1 if s.frame is None else s.frame, s.path))
    return sources


def check_frames(sources: Iterable[Source]) -> None:
    """Raise InputError where a file's frame is not known, or two files stand for one frame of a
    camera.
    """
    seen: dict[tuple[str, int | None], Path] = {}
    videos = set()
    for s in sources:
        if s.frame is None and not s.is_video:
            raise InputError(
                str(s.path),
                expected="a name that ends in _ and the frame number, such as cam01_000123.png",
                found=s.path.name,
                remedy="Rename the files or state file_names in an image list (--list).",
            )
        videos |= {s.camera} if s.is_video else set()
        other = seen.setdefault((s.camera, s.frame), s.path)
        if other != s.path:
            what = f"frame {s.frame}" if s.frame is not None else "its video"
            raise InputError(
                f"{s.camera} {what}", expected="one file", found=f"{other} and {s.path}"
            )
    mixed = sorted(videos & {camera for camera, frame in seen if frame is not None})
    if mixed:
        raise InputError(
            mixed[0], expected="images or one video", found="both", remedy="Give one of them."
        )


def source_of(path: Path, pattern: str | None = None) -> Source:
    """Return what a file stands for by its name.

    >>> s = source_of(Path("rig_50fps/cam01_000123.png")); (s.camera, s.frame, s.rate_hz)
    ('cam01', 123, 50.0)
    >>> s = source_of(Path("cam02/frame-7.tif")); (s.camera, s.frame, s.rate_hz)
    ('cam02', 7, None)
    """
    is_video = path.suffix.lower() in VIDEO_SUFFIXES
    folder = path.resolve().parent.name if len(path.parts) < 2 else path.parent.name
    found = _RATE.search(path.stem) or _RATE.search(folder)
    rate = float(found[1]) if found and float(found[1]) > 0 else None
    if pattern is not None:
        match = re.search(_expression(pattern), path.as_posix())
        if not match:
            raise InputError(
                str(path), expected=f"a path that ends like {pattern}", found=path.name
            )
        parts = match.groupdict()
        frame = None if is_video or "frame" not in parts else int(parts["frame"])
        return Source(path, parts.get("camera") or folder, frame, rate, is_video)
    stem, plain_folder = _RATE.sub("", path.stem).strip("_-. "), _RATE.sub("", folder).strip("_-. ")
    if is_video:
        return Source(path, stem or plain_folder, None, rate, True)
    match = _NUMBERED.fullmatch(stem)
    if not match:
        return Source(path, stem or plain_folder, None, rate, False)
    camera = match["camera"] or ""
    return Source(
        path,
        plain_folder if camera.lower() in _GENERIC else camera,
        int(match["frame"]),
        rate,
        False,
    )


def _expression(pattern: str) -> str:
    """Return the regular expression of a pattern of file names."""
    marks = re.findall(r"\{[^}]*\}", pattern)
    if set(marks) - {"{camera}", "{frame}"} or len(set(marks)) < len(marks) or not marks:
        raise InputError(
            "file_names",
            expected="a pattern with {camera} and {frame}, each at most once",
            found=repr(pattern),
        )
    parts = re.split(r"\*+", pattern)
    if len(parts) - 1 > _MOST_STARS:
        raise InputError(
            "file_names", expected=f"at most {_MOST_STARS} *", found=f"{len(parts) - 1}"
        )
    text = "[^/]*".join(map(re.escape, parts))
    text = text.replace(r"\{camera\}", "(?P<camera>[^/]+?)").replace(
        r"\{frame\}", r"(?P<frame>\d{1,15})"
    )
    return rf"(?:^|/){text}$"
