"""2D centroid tracks: what each camera of a rig saw in each frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, check_focal, check_sensor, is_outside, outside_error
from calib.core.frames import MOST_FRAME, N_KEYS, Ints, check_rate, point_keys
from calib.core.geometry import Array, frozen
from calib.core.names import camera_named, check_date, check_name
from calib.errors import InputError, require_kinds


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class CameraTracks:
    """One camera's sensor, what is known of its lens, and its n centroids.

    A measured ``lens`` goes before the nominal ``focal_mm`` and ``pixel_pitch_mm``.

    Parameters
    ----------
    name : str
        The camera.
    width, height : int
        Sensor in px.
    frame : (n,) array
        Frame numbers, never decreasing.
    xy_px : (n, 2) array
        Places on the sensor.
    marker : (n,) array
        Index into the wand's markers, -1 where not identified.
    radius_px : (n,) array, optional
        Radius of each blob.
    pixel_pitch_mm, focal_mm : float, optional
        Size of a pixel, and what the zoom ring says.
    lens : Lens, optional
        Measured intrinsics.
    serial, model : str, optional
        For the record.
    masks_px : (k, 3) array, optional
        Circles, x, y and radius, about places where reflections stay put; None where nobody
        looked for them.
    lens_sigma : (9,) or (12,) array, optional
        Standard uncertainties of the measured lens: fx, fy, cx, cy (px), then as ``lens.dist``.
    n_outside : int
        Points outside the sensor that were left out when it was read.
    """

    name: str
    width: int
    height: int
    frame: Ints
    xy_px: Array
    marker: NDArray[np.int16]
    radius_px: NDArray[np.float32] | None = None
    pixel_pitch_mm: float | None = None
    focal_mm: float | None = None
    lens: Lens | None = None
    serial: str | None = None
    model: str | None = None
    masks_px: Array | None = None
    lens_sigma: Array | None = None
    n_outside: int = 0

    def __post_init__(self) -> None:
        size = check_sensor(f"{self.name}: width, height", self.width, self.height)
        for attribute, side in zip(("width", "height"), size, strict=True):
            object.__setattr__(self, attribute, side)
        require_kinds(self, f"{self.name}: ")
        frame = _whole(self.name, "frame", self.frame, np.int64)
        xy = frozen(self.xy_px, where=f"{self.name}: xy")
        marker = _whole(self.name, "marker", self.marker, np.int16)
        n = frame.shape[0] if frame.ndim == 1 else -1
        if self.name in {"", ".", ".."} or "/" in self.name or self.name.strip() != self.name:
            raise InputError(
                "camera name", expected="a name without '/' or outer blanks", found=repr(self.name)
            )
        check_name(self.name, "camera name")
        if n < 0 or xy.shape != (n, 2) or marker.shape != (n,):
            raise InputError(
                f"{self.name}: frame, xy, marker",
                expected="shapes (n,), (n, 2), (n,)",
                found=f"{frame.shape}, {xy.shape}, {marker.shape}",
            )
        for attribute in ("pixel_pitch_mm", "focal_mm"):
            value = getattr(self, attribute)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise InputError(
                    f"{self.name}: {attribute}", expected="a number above 0 mm", found=str(value)
                )
        check_focal(f"{self.name}: K", self.lens, self.width)
        if self.radius_px is not None:
            radius = frozen(self.radius_px, np.float32)
            if radius.shape != (n,):
                raise InputError(
                    f"{self.name}: radius", expected=f"shape ({n},)", found=str(radius.shape)
                )
            is_bad = ~(np.isfinite(radius) & (radius >= 0))
            if is_bad.any():
                row = int(is_bad.argmax())
                raise InputError(
                    f"{self.name}: radius row {row}",
                    expected="0 px or more",
                    found=f"{radius[row]:g}",
                )
            object.__setattr__(self, "radius_px", radius)
        if self.lens_sigma is not None:
            sigma = frozen(self.lens_sigma)
            n_terms = 0 if self.lens is None else 4 + len(self.lens.dist)
            if (
                self.lens is None
                or sigma.shape != (n_terms,)
                or not (np.isfinite(sigma) & (sigma >= 0)).all()
            ):
                raise InputError(
                    f"{self.name}: lens_sigma",
                    expected="K, dist, and 0 or more for fx, fy, cx, cy and each of dist",
                    found="no K" if self.lens is None else str(sigma),
                )
            object.__setattr__(self, "lens_sigma", sigma)
        if self.masks_px is not None:
            object.__setattr__(self, "masks_px", _checked_masks(self.name, self.masks_px))
        _check_points(self.name, self.width, self.height, frame, xy, marker)
        for attribute, values in (("frame", frame), ("xy_px", xy), ("marker", marker)):
            object.__setattr__(self, attribute, values)

    def __repr__(self) -> str:
        size = f"{self.width} × {self.height} px"
        return f"<CameraTracks {self.name}: {size}, {self.n_points} points>"

    @property
    def n_points(self) -> int:
        return int(self.frame.shape[0])

    def rows(self, chosen: NDArray[Any]) -> CameraTracks:
        """Return the camera with the chosen points (a mask (n,) or indices) alone."""
        radius = None if self.radius_px is None else self.radius_px[chosen]
        return replace(
            self,
            frame=self.frame[chosen],
            xy_px=self.xy_px[chosen],
            marker=self.marker[chosen],
            radius_px=radius,
        )

    def between(self, first: float, end: float) -> CameraTracks:
        """Return the camera with the points of frames from ``first`` to before ``end`` alone."""
        a, b = np.searchsorted(self.frame, [first, end])
        return self if b - a == self.n_points else self.rows(np.arange(a, b))

    def without_names(self) -> CameraTracks:
        """Return the camera with no point named."""
        return replace(self, marker=np.full_like(self.marker, -1))

    @property
    def is_masked(self) -> NDArray[np.bool_]:
        """Which points (n,) lie in a mask."""
        out = np.zeros(self.n_points, dtype=bool)
        for x, y, radius in self.masks_px if self.masks_px is not None else ():
            out |= (self.xy_px[:, 0] - x) ** 2 + (self.xy_px[:, 1] - y) ** 2 <= radius**2
        return out

    @property
    def nominal_focal_px(self) -> float | None:
        """Focal length in px from the measured lens or the nominal zoom, None where neither is
        stated.
        """
        if self.lens is not None:
            return self.lens.fx
        if self.focal_mm is None or self.pixel_pitch_mm is None:
            return None
        return self.focal_mm / self.pixel_pitch_mm


def _whole(name: str, column: str, values: Any, dtype: Any) -> NDArray[Any]:
    """Return a read-only copy as integers; InputError where that would change a number."""
    place = f"{name}: {column}"
    given = values if isinstance(values, np.ndarray) else frozen(values, None, place)
    with np.errstate(invalid="ignore"):  # nan: told below
        whole = frozen(given, dtype, place)
    is_bad = np.ravel(whole != given)
    if is_bad.any():
        row, limits = int(is_bad.argmax()), np.iinfo(dtype)
        raise InputError(
            f"{place} row {row}",
            expected=f"a whole number from {limits.min} to {limits.max}",
            found=str(given.flat[row]),
        )
    return whole


def _checked_masks(name: str, masks_px: Array) -> Array:
    masks = frozen(masks_px)
    if (
        masks.ndim != 2
        or masks.shape[1] != 3
        or not np.isfinite(masks).all()
        or (masks[:, 2] <= 0).any()
    ):
        raise InputError(
            f"{name}: masks",
            expected="finite x, y and a radius above 0 px in each row",
            found=str(masks.tolist()),
        )
    return masks


def check_order(name: str, frame: Ints, first_row: int = 0) -> None:
    """Raise InputError at the first of a camera's frames that is below the one before it."""
    is_back = frame[1:] < frame[:-1]
    if is_back.any():
        row = int(is_back.argmax())
        raise InputError(
            f"{name}: frame row {first_row + row + 1}",
            expected="frames that never decrease",
            found=f"{frame[row + 1]} after {frame[row]}",
            remedy="Sort the rows by frame; where its counter began anew, number on from there.",
        )


def _check_points(
    name: str, width: int, height: int, frame: Ints, xy: Array, marker: NDArray[np.int16]
) -> None:
    """Raise InputError at the first point that breaks a rule, with its row."""
    is_nan = ~np.isfinite(xy).all(axis=1)
    if is_nan.any():
        row = int(is_nan.argmax())
        raise InputError(
            f"{name}: xy row {row}",
            expected=f"finite px on the {width} × {height} sensor",
            found=f"({xy[row, 0]:g}, {xy[row, 1]:g})",
            remedy="Remove the point.",
        )
    is_off = is_outside(xy, width, height)
    if is_off.any():
        place = f"{name}: xy row {int(is_off.argmax())}"
        raise outside_error(place, (width, height), xy, is_off)
    check_order(name, frame)
    is_far = (frame >= MOST_FRAME) | (frame <= -MOST_FRAME)
    if is_far.any():
        row = int(is_far.argmax())
        raise InputError(
            f"{name}: frame row {row}",
            expected=f"a count of frames below {MOST_FRAME:.1g}",
            found=str(frame[row]),
            remedy="Number the frames from 0 on; a time stamp is no frame number.",
        )
    if (marker < -1).any():
        row = int((marker < -1).argmax())
        raise InputError(f"{name}: marker row {row}", expected="-1 or more", found=str(marker[row]))
    named = marker >= 0
    ordered = np.sort(point_keys(frame[named], marker[named]))
    is_double = np.flatnonzero(ordered[1:] == ordered[:-1])
    if is_double.size:
        where, which = divmod(int(ordered[is_double[0]]), N_KEYS)
        raise InputError(
            f"{name}: frame {where}",
            expected="at most one point per (frame, marker)",
            found=f"marker {which} more than once",
            remedy="Keep one of them or set the marker to -1.",
        )


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Tracks:
    """A capture: the cameras' centroids on one frame count.

    Parameters
    ----------
    cameras : tuple of CameraTracks
        Its cameras.
    frame_rate_hz : float
        Frames a second.
    captured_at : str, optional
        ISO 8601.
    title : str, optional
        What it is called.
    is_identified : bool
        The markers are those that ``identify`` found, which may be named anew once cameras stand;
        those that somebody else stated are kept.
    """

    cameras: tuple[CameraTracks, ...]
    frame_rate_hz: float
    captured_at: str | None = None
    title: str | None = None
    is_identified: bool = False

    def __post_init__(self) -> None:
        if isinstance(self.cameras, Iterable):
            object.__setattr__(self, "cameras", tuple(self.cameras))
        require_kinds(self)
        names = [c.name for c in self.cameras]
        if not names:
            raise InputError("cameras", expected="one camera or more", found="none")
        double = sorted({n for n in names if names.count(n) > 1})
        if double:
            raise InputError(
                "cameras", expected="names used once", found=f"{', '.join(double)} twice"
            )
        check_rate("frame_rate", self.frame_rate_hz)
        check_date(self.captured_at, "captured_at")

    def __repr__(self) -> str:
        points = sum(c.n_points for c in self.cameras)
        return f"<Tracks: {len(self.cameras)} cameras, {points} points, {self.frame_rate_hz:g} Hz>"

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.cameras)

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last frame with a point; None where there is none."""
        ends = [c.frame[[0, -1]] for c in self.cameras if c.n_points]
        return (int(np.min(ends)), int(np.max(ends))) if ends else None

    @property
    def n_frames(self) -> int:
        """How many frames show a point."""
        return len(self._numbers())

    def _numbers(self) -> Ints:
        return np.unique(np.concatenate([c.frame for c in self.cameras]))

    def camera(self, name: str) -> CameraTracks:
        """Return the camera of that name, or raise InputError with the names there are."""
        return camera_named(self.cameras, name)

    def subset(self, names: Iterable[str]) -> Tracks:
        """Return the capture of the named cameras alone, in the order given."""
        return replace(self, cameras=tuple(self.camera(n) for n in names))

    def at_frames(self, frames: Ints) -> Tracks:
        """Return the capture with the points of the given frame numbers alone."""
        cameras = tuple(c.rows(np.isin(c.frame, frames)) for c in self.cameras)
        return replace(self, cameras=cameras)

    def between(self, first: float, end: float) -> Tracks:
        """Return the capture with the points of frames from ``first`` to before ``end`` alone."""
        return replace(self, cameras=tuple(c.between(first, end) for c in self.cameras))

    def in_parts(self, n_frames: int) -> Iterator[Tracks]:
        """Yield the capture in parts of so many frames on end, those without any point left out."""
        start, _ = self.span or (0, -1)
        for k in np.unique(np.concatenate([(c.frame - start) // n_frames for c in self.cameras])):
            yield self.between(start + k * n_frames, start + (k + 1) * n_frames)

    def thinned(self, n_frames: int) -> Tracks:
        """Return the capture with ``n_frames`` of its frames, evenly spread over those that show
        points; all of them where it has no more. Raises InputError for a number below 1.
        """
        if n_frames < 1:
            raise InputError("frames", expected="1 or more", found=str(n_frames))
        numbers = self._numbers()
        if len(numbers) <= n_frames:
            return self
        return self.at_frames(numbers[(np.arange(n_frames) * len(numbers)) // n_frames])

    def check_markers(self, n_markers: int) -> None:
        """Raise InputError where a point names a marker that a wand of ``n_markers`` does not
        have.
        """
        for c in self.cameras:
            if c.n_points and c.marker.max() >= n_markers:
                row = int((c.marker >= n_markers).argmax())
                raise InputError(
                    f"{c.name}: marker row {row}",
                    expected=f"an index below the wand's {n_markers} markers",
                    found=str(c.marker[row]),
                    remedy="Use the wand file that this capture was made with; "
                    "markers are counted from 0.",
                )


def joined(parts: Sequence[Tracks]) -> Tracks:
    """Return parts of one capture, of the same cameras, that follow one another as one."""
    if len(parts) == 1:
        return parts[0]
    cameras = []
    for same in zip(*(p.cameras for p in parts), strict=True):
        radius = [c.radius_px for c in same if c.radius_px is not None]
        cameras.append(
            replace(
                same[0],
                frame=np.concatenate([c.frame for c in same]),
                xy_px=np.concatenate([c.xy_px for c in same]),
                marker=np.concatenate([c.marker for c in same]),
                radius_px=np.concatenate(radius) if len(radius) == len(same) else None,
            )
        )
    return replace(parts[0], cameras=tuple(cameras))
