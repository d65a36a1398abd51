"""Image and video files as mono images: what is damaged, cut off, in colour or of another depth is
refused.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.intake.centroids import MOST_PIXELS

Image = NDArray[Any]
_SAME_GREY = 3  # levels by which a grey picture's channels may differ: lossy compression
MOST_DIGITS = 9  # of a size in a header
_SILENT = 0  # of OpenCV's levels
_COPY = "Copy or record it again."


@contextmanager
def quiet() -> Iterator[None]:
    """Keep OpenCV's readers from writing on standard error what an error says here in a line of
    ours.
    """
    # Its reader of videos asks for it when first used.
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    logging = getattr(cv2.utils, "logging", cv2)  # before OpenCV 4.13 they stood in cv2 itself
    level = logging.getLogLevel()
    logging.setLogLevel(_SILENT)
    try:
        yield
    finally:
        logging.setLogLevel(level)


def png(image: Image) -> bytes:
    """Return a mono image as the bytes of a PNG file."""
    is_made, data = cv2.imencode(".png", image)
    assert is_made
    return bytes(data)


def read_image(path: Path) -> Image:
    """Return a mono image (h, w), uint8 or uint16; InputError where the file holds none, whole and
    undamaged.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            str(path), expected="an image", found=error.strerror or str(error)
        ) from None
    problem = "an empty file" if not data else _damage(data)
    image = None
    if problem is None:
        try:
            image = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
        except cv2.error:
            image = None
        problem = None if image is not None else "a file that is no image, or damaged"
    if problem or image is None:
        raise InputError(str(path), expected="an image", found=problem or "none", remedy=_COPY)
    return mono(image, str(path))


def mono(image: Any, place: str) -> Image:
    """Return an image as mono; InputError where its channels differ, its depth is not 8 or 16 bit,
    or it is larger than any camera's.
    """
    height, width = image.shape[:2]
    if width * height > MOST_PIXELS:  # the program has OpenCV refuse it, which a host may not
        raise InputError(
            place, expected="an image", found=f"one of {width} × {height} px", remedy=_COPY
        )
    if image.dtype not in (np.uint8, np.uint16):
        raise InputError(
            place, expected="8 or 16 bit", found=str(image.dtype), remedy="Store it in 16 bit."
        )
    if image.ndim == 3:
        colours = image[..., :3] if image.shape[2] >= 3 else image[..., :1]
        tolerance = _SAME_GREY * (1 if image.dtype == np.uint8 else 257)
        for k in range(1, colours.shape[2]):
            difference = cv2.absdiff(cv2.extractChannel(colours, 0), cv2.extractChannel(colours, k))
            if int(difference.max()) > tolerance:
                raise InputError(
                    place,
                    expected="a mono image",
                    found="colour",
                    remedy="Record mono, or convert the images first.",
                )
        image = cv2.extractChannel(colours, min(1, colours.shape[2] - 1))
    return np.ascontiguousarray(image)


class Video:
    """A video file, read frame by frame."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._capture = cv2.VideoCapture(str(path))
        if not self._capture.isOpened():
            raise InputError(
                str(path), expected="a video", found="a file that cannot be played", remedy=_COPY
            )
        rate, count = (self._capture.get(p) for p in (cv2.CAP_PROP_FPS, cv2.CAP_PROP_FRAME_COUNT))
        self.rate_hz = float(rate) if np.isfinite(rate) and 0 < rate < 1e5 else None
        self.n_frames = int(count) if np.isfinite(count) and 0 < count < 1e9 else 0

    def frames(self) -> Iterator[Image]:
        """Yield the frames as stored; InputError after the last good one where the file says that
        it holds more.
        """
        n = 0
        try:
            # OpenCV raises over some damage and gives nothing over other.
            with suppress(cv2.error):
                while (read := self._capture.read())[0]:
                    n += 1
                    yield read[1]
        finally:
            self._capture.release()
        # Containers may count one frame that no decoder gives out.
        if n < max(self.n_frames - 1, 1):
            raise InputError(
                str(self.path),
                expected=f"{self.n_frames or 'some'} frames",
                found=f"{n} that can be read",
                remedy=f"{_COPY} --keep-going takes what there is.",
            )


def _damage(data: bytes) -> str | None:
    """Return what is wrong with a file's bytes, of the formats whose decoders fill the missing part
    with black.
    """
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return _png_damage(data)
    if data.startswith(b"\xff\xd8\xff"):
        return None if b"\xff\xd9" in data[-256:] else "a file that is cut off"
    if data.startswith(b"BM") and len(data) >= 6:
        is_whole = len(data) >= struct.unpack_from("<I", data, 2)[0]
        return None if is_whole else "a file that is cut off"
    return _pgm_damage(data) if data.startswith(b"P5") else None


def _png_damage(data: bytes) -> str | None:
    """Walk the chunks of a PNG file (ISO/IEC 15948, clause 5): length, type, data, CRC, up
    to IEND.
    """
    width, height = struct.unpack_from(">II", data, 16) if len(data) >= 24 else (0, 0)
    if width * height > MOST_PIXELS:
        return f"a claim of {width} × {height} px"
    at = 8
    while at + 12 <= len(data):
        length = struct.unpack_from(">I", data, at)[0]
        end = at + 12 + length
        if end > len(data):
            break
        if zlib.crc32(data[at + 4 : end - 4]) != struct.unpack_from(">I", data, end - 4)[0]:
            return "a damaged file"
        if data[at + 4 : at + 8] == b"IEND":
            return None
        at = end
    return "a file that is cut off"


def _pgm_damage(data: bytes) -> str | None:
    """Compare the length of a binary PGM file with its header (Netpbm: width, height, largest
    value).
    """
    fields: list[int] = []
    at = 2
    while len(fields) < 3 and at < len(data):
        if data[at : at + 1] == b"#":
            at = data.find(b"\n", at) + 1 or len(data)
        elif data[at : at + 1].isdigit():
            end = at
            while data[end : end + 1].isdigit():
                end += 1
            if end - at > MOST_DIGITS:
                return "a damaged file"
            fields.append(int(data[at:end]))
            at = end
        else:
            at += 1
    if len(fields) < 3:
        return "a file that is cut off"
    n_bytes = fields[0] * fields[1] * (1 if fields[2] < 256 else 2)
    return None if len(data) - at - 1 >= n_bytes else "a file that is cut off"
