"""Captures followed while they are written: a tracks file that grows or is replaced by a longer
one, or a folder in which files of one capture after another arrive.

What is newest may still be in the writing, camera by camera: a frame is handed on once the next
look finds later ones, or none.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from calib.core.fields import camera_from_fields
from calib.core.names import listed
from calib.core.tracks import CameraTracks, Tracks, joined
from calib.errors import CalibError, InputError
from calib.files.hdf5 import attributes, cameras_of, opened
from calib.files.text import PathLike, load_table
from calib.files.tracks import FORMAT, VERSION, check_marker_range, load_tracks

TABLES, FILES = {".csv"}, {".h5", ".hdf5"}


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """What a look found: new frames, None where there are none; ``trouble``, a sentence about the
    file; and whether all begins anew, as another capture is there.
    """

    tracks: Tracks | None = None
    trouble: str = ""
    is_anew: bool = False


def follow(path: PathLike) -> FileFollower | FolderFollower:
    """Return who follows a tracks file, or a folder of tracks files or tables (CSV).

    Raises InputError where there is neither.
    """
    where = Path(path)
    if where.is_dir():
        return FolderFollower(where)
    if where.suffix.lower() in TABLES:
        raise InputError(
            str(path),
            expected="a tracks file (HDF5), or a folder in which files arrive",
            found="a table (CSV)",
            remedy="Name its folder, with a camera list (TOML) in it.",
        )
    if not where.parent.is_dir():
        raise InputError(
            str(path),
            expected="a file, or one that is still to come, in a folder",
            found=f"no folder {where.parent}",
            remedy="Check the path.",
        )
    return FileFollower(where)


@dataclass(slots=True)
class FileFollower:
    """Follows one tracks file; ``poll`` looks again."""

    path: Path
    identity: tuple[int, int] | None = None  # device and inode
    stamp: tuple[int, int] | None = None  # size, time of the last change
    rows: dict[str, int] = field(default_factory=dict)  # read of each camera so far
    last: dict[str, tuple[int, float, float]] = field(default_factory=dict)  # its last row
    held: Tracks | None = None  # read, and not handed on yet
    newest: int | None = None  # frame of the look before

    def poll(self) -> Arrival:
        """Return what is new since the look before."""
        try:
            stat = self.path.stat()
        except OSError as error:
            found = "is gone" if self.rows else "is not there yet"
            reason = "" if isinstance(error, FileNotFoundError) else f" ({error.strerror})"
            return replace(self._handed_on(), trouble=f"{self.path.name} {found}{reason}.")
        identity, stamp = (stat.st_dev, stat.st_ino), (stat.st_size, stat.st_mtime_ns)
        is_other = self.identity is not None and identity != self.identity
        is_shorter = self.stamp is not None and stamp[0] < self.stamp[0]
        if (identity, stamp) == (self.identity, self.stamp):
            return self._handed_on()
        self.identity = identity
        try:
            why = self._read(is_other or is_shorter)
        except CalibError as error:  # perhaps still in the writing: the next look will tell
            return replace(self._handed_on(), trouble=str(error))
        self.stamp = stamp
        if why:
            self._forget()
            return Arrival(trouble=f"{self.path.name} {why}: watching anew.", is_anew=True)
        return self._handed_on()

    def _forget(self) -> None:
        self.rows, self.last, self.held, self.newest, self.stamp = {}, {}, None, None, None

    def _read(self, is_doubtful: bool) -> str:
        """Read further rows; return why all begins anew, empty where it does not. Where it
        ``is_doubtful`` that the file is the one of before, the last row must be as it was.
        """
        # To look through all of it each time would take ever longer.
        is_known = bool(self.rows) and not is_doubtful
        with opened(self.path, FORMAT, VERSION, is_whole=False, is_known=is_known) as (file, _):
            groups = dict(cameras_of(file))
            if self.rows and list(groups) != list(self.rows):
                return "now holds other cameras"
            fresh = []
            for name, group in groups.items():
                has_radius = "radius" in group
                keys = "frame", "xy", "marker", *(("radius",) if has_radius else ())
                n = min(len(group[key]) for key in keys)
                first = self.rows.get(name, 0)
                if n < first:
                    return f"now holds {n} points of {name}, and held {first}"
                if is_doubtful and first and self._row(group, first - 1) != self.last[name]:
                    return "was cut off, or replaced by another capture"
                marker = np.asarray(group["marker"][first:n])
                check_marker_range(name, marker, first)
                fresh.append(
                    CameraTracks(
                        name,
                        frame=group["frame"][first:n],
                        xy_px=group["xy"][first:n],
                        marker=marker,
                        radius_px=group["radius"][first:n] if has_radius else None,
                        **camera_from_fields(attributes(group, name)),
                    )
                )
            found = Tracks(tuple(fresh), attributes(file).number("frame_rate"))
            held = found if self.held is None else joined((self.held, found))
            for c in fresh:
                if c.n_points:
                    self.rows[c.name] = self.rows.get(c.name, 0) + c.n_points
                    x, y = c.xy_px[-1]
                    self.last[c.name] = int(c.frame[-1]), float(x), float(y)
                self.rows.setdefault(c.name, 0)
            self.held = held
        return ""

    @staticmethod
    def _row(group: object, row: int) -> tuple[int, float, float]:
        x, y = group["xy"][row]  # type: ignore[index]
        return int(group["frame"][row]), float(x), float(y)  # type: ignore[index]

    def _handed_on(self) -> Arrival:
        """Return the frames up to the newest of the look before."""
        held, settled = self.held, self.newest
        numbers = [int(c.frame[-1]) for c in held.cameras if c.n_points] if held else []
        self.newest = max(numbers, default=settled)
        if held is None or not numbers or settled is None:
            return Arrival()
        ready, self.held = held.between(-np.inf, settled + 1), held.between(settled + 1, np.inf)
        return Arrival(ready if any(c.n_points for c in ready.cameras) else None)


@dataclass(slots=True)
class FolderFollower:
    """Follows a folder; files are taken in the order of their names, each once, when its size no
    longer changes.
    """

    path: Path
    sizes: dict[Path, int] = field(default_factory=dict)  # at the look before
    taken: set[Path] = field(default_factory=set)
    refused: dict[Path, int] = field(default_factory=dict)  # and the size that they had then
    like: Tracks | None = None  # the first file's, for its cameras
    last_frame: int | None = None

    def poll(self) -> Arrival:
        """Return what the files hold that are there as a whole by now."""
        try:
            found = sorted(
                p
                for p in self.path.iterdir()
                if p.suffix.lower() in FILES | TABLES and not p.name.startswith(".")
            )
        except OSError as error:
            return Arrival(trouble=f"{self.path} cannot be read ({error.strerror}).")
        before, self.sizes = self.sizes, {p: p.stat().st_size for p in found if p.exists()}
        parts, troubles = [], []
        for file, size in self.sizes.items():
            if file in self.taken or self.refused.get(file) == size:
                continue
            if before.get(file) != size:
                break  # later ones wait for it, so that frames stay in order
            try:
                part = self._arrived(file)
                parts += [part] if part is not None else []
                self.taken.add(file)
            except CalibError as error:
                self.refused[file] = size
                troubles.append(f"left out: {error}")
        return Arrival(joined(parts) if parts else None, " ".join(troubles))

    def _arrived(self, file: Path) -> Tracks | None:
        """Return what a file holds, of the cameras of the first; None where that is no point."""
        is_table = file.suffix.lower() in TABLES
        tracks = load_table(file, self._camera_list()) if is_table else load_tracks(file)
        if self.like is None:
            self.like = tracks
        if strange := [name for name in tracks.names if name not in self.like.names]:
            raise InputError(
                str(file),
                expected=f"cameras {listed(self.like.names)}",
                found=listed(strange),
                remedy="Watch one rig at a time.",
            )
        nothing = np.arange(0)
        cameras = tuple(
            tracks.camera(c.name) if c.name in tracks.names else c.rows(nothing)
            for c in self.like.cameras
        )
        if tracks.span is None:
            return None
        first, last = tracks.span
        if self.last_frame is not None and first <= self.last_frame:
            raise InputError(
                str(file),
                expected=f"frames after {self.last_frame}, the last of those before",
                found=f"{first} to {last}",
                remedy="Let file names follow the frames.",
            )
        self.last_frame = last
        return replace(tracks, cameras=cameras)

    def _camera_list(self) -> Path:
        lists = sorted(self.path.glob("*.toml"))
        if len(lists) != 1:
            raise InputError(
                str(self.path),
                expected="one camera list (TOML) beside the tables (CSV)",
                found=", ".join(p.name for p in lists) or "none",
            )
        return lists[0]
