"""Output files, whole or not at all: a temporary file beside the target, flushed to the disk, then
renamed.
"""

from __future__ import annotations

import os
import secrets
import shutil
import signal
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.errors import OutputError

fcntl: Any
try:
    import fcntl
except ImportError:  # Windows, where an open file cannot be renamed, nor a lock held on it
    fcntl = None

PathLike = str | os.PathLike[str]
_PREFIX, _SUFFIX = ".calib-", ".part"
_READ = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)  # does not wait for whoever feeds a pipe


def check_output(
    path: PathLike, overwrite: bool = False, inputs: Iterable[PathLike | None] = ()
) -> None:
    """Raise OutputError where ``path`` could not be written, so that a long run is refused before
    it starts.

    An existing file is refused unless ``overwrite``; one of the ``inputs`` (None: one not given) is
    refused always.
    """
    try:
        # What would be written: "absent/../file" is a file to the one who writes "file".
        target = Path(os.path.realpath(path))
        exists, is_file = target.exists(), target.is_file()
        given = [i for i in inputs if i is not None and Path(i).exists()]
        is_input = exists and any(os.path.samefile(target, i) for i in given)
        folder = target.parent
        is_folder, is_writable = folder.is_dir(), os.access(folder, os.W_OK | os.X_OK)
    except (OSError, ValueError) as error:
        raise _unwritable(Path(path), error) from None
    another = "Choose another name."
    forced = "Choose another name, or overwrite it (--force; overwrite=True in Python)."
    kind = "a folder" if target.is_dir() else "a device or pipe"
    place, allowed = "a folder to write in", "Choose another folder or change its permissions."
    for is_wrong, expected, found, remedy in (
        (str(path) == "-", "the name of a file", "a dash alone", another),
        (exists and not is_file, "an ordinary file to write", kind, another),
        (is_input, "an output apart from the inputs", "an input", another),
        (exists and not overwrite, "no file there yet", "one", forced),
        (not is_folder, place, f"no folder {folder}", "Make it."),
        (not is_writable, place, f"no permission in {folder}", allowed),
    ):
        if is_wrong:
            raise OutputError(str(path), expected=expected, found=found, remedy=remedy)


def check_outputs(
    paths: Iterable[PathLike | None],
    overwrite: bool = False,
    inputs: Iterable[PathLike | None] = (),
) -> None:
    """``check_output`` of all outputs of a command (None: one that nobody wants), which must be
    different files.
    """
    wanted, inputs = [path for path in paths if path is not None], list(inputs)
    seen: dict[str, PathLike] = {}
    for path in wanted:
        check_output(path, overwrite, inputs)
        other = seen.setdefault(os.path.realpath(path), path)
        if other is not path:
            raise OutputError(
                str(path),
                expected="a file of its own for each output",
                found=f"that of {other}",
                remedy="Choose another name.",
            )


def write_bytes(path: PathLike, data: bytes, overwrite: bool = False) -> None:
    """Write a file; after any failure or interruption the folder is as it was before."""
    # Not tempfile: its files are private to the user, and a rig file is to be read by others.
    with written(path, overwrite) as part, part.open("wb") as stream:
        stream.write(data)


@dataclass(frozen=True, slots=True)
class _Part:
    """What will be ``target``, still under a name of its own; ``lock`` is the open file that keeps
    others from taking it for left behind.
    """

    path: Path
    target: Path
    lock: int | None


_pending: ContextVar[list[_Part] | None] = ContextVar("_pending", default=None)
_unfinished: set[Path] = set()
finished: list[Path] = []  # by this process, in order, so that its end can be told truly


def drop_unfinished() -> None:
    """Remove what this process has begun to write, as it ends here and now."""
    for part in list(_unfinished):
        _remove(part)


@contextmanager
def together() -> Iterator[None]:
    """Let files that are written inside appear at its end, all of them; after any failure or
    interruption none.

    A power cut or kill between two of the renames that make the end can still leave the first
    file without the second; each is whole.
    """
    parts: list[_Part] = []
    token = _pending.set(parts)
    try:
        yield
        for part in parts:
            if part.path.is_file():
                with part.path.open("r+b") as stream:
                    os.fsync(stream.fileno())
        with _uninterrupted():
            _rename_all(parts)
            finished.extend(part.target for part in parts)
    finally:
        _pending.reset(token)
        for part in parts:
            _remove(part.path)
            if part.lock is not None:
                os.close(part.lock)
    for folder in {part.target.parent for part in parts}:
        _sync_folder(folder)


@contextmanager
def written(path: PathLike, overwrite: bool = False) -> Iterator[Path]:
    """Yield the name of an empty file to write that becomes ``path`` at the end (of ``together``
    where that is around it); after any failure or interruption the folder is as it was before.
    """
    check_output(path, overwrite)
    with _begun(path) as part:
        yield part


@contextmanager
def _begun(path: PathLike, is_folder: bool = False) -> Iterator[Path]:
    try:
        with together() if _pending.get() is None else nullcontext():
            part, parts = _new_part(Path(os.path.realpath(path)), is_folder), _pending.get()
            assert parts is not None
            parts.append(part)
            yield part.path
    except OSError as error:
        raise _unwritable(Path(path), error) from None


def _rename_all(parts: Sequence[_Part]) -> None:
    """Give all parts their names; where one fails, those before it are taken back."""
    kept: list[Path | None] = []
    try:
        for part in parts:
            kept.append(None)
            if part.path.is_dir() and part.target.exists():
                kept[-1] = _before(part.target)
                os.replace(part.target, _before(part.target))
            elif len(parts) > 1:
                kept[-1] = _second_name(part.target)
            os.replace(part.path, part.target)
    except BaseException:
        for part, old in zip(parts, kept, strict=False):
            if not part.path.exists():
                os.replace(part.target, part.path)
            if old is not None and old.exists():
                os.replace(old, part.target)
                _remove(old)  # stays where both are names of one file still
        raise
    for old in kept:
        if old is not None:
            _remove(old)


def _second_name(target: Path) -> Path | None:
    """Return another name under which a file stays when its own is given away; None without a
    file, or where the file system has no links.
    """
    name = _part_name(target)
    try:
        os.link(target, name)
    except OSError:
        return None
    _unfinished.add(name)
    return name


def _part_name(target: Path) -> Path:
    return target.with_name(f"{_PREFIX}{secrets.token_hex(8)}{_SUFFIX}")


def _new_part(target: Path, is_folder: bool = False) -> _Part:
    """Return an empty locked file (or folder) beside the target; what writers that are gone left
    there is removed.
    """
    _sweep(target.parent)
    while True:
        path = _part_name(target)
        if is_folder:
            path.mkdir()
        else:
            path.touch(exist_ok=False)
        _unfinished.add(path)
        if fcntl is None:
            return _Part(path, target, None)
        with suppress(FileNotFoundError):  # swept before it was locked
            lock = os.open(path, _READ)
            _lock(lock, wait=True)
            if path.exists():
                return _Part(path, target, lock)
            os.close(lock)


def _lock(descriptor: int, wait: bool = False) -> bool:
    """Lock a file until this process closes it or ends in any way; False where another has it, or
    where there are no such locks.
    """
    if fcntl is None:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True


def _sweep(folder: Path) -> None:
    """Remove the parts in a folder that nobody is writing any more."""
    if fcntl is None:
        return
    with suppress(OSError):
        names = [name for name in os.listdir(folder) if name.startswith(_PREFIX)]
        for part in (folder / name for name in names if name.endswith(_SUFFIX)):
            with suppress(OSError):
                descriptor = os.open(part, _READ)
                try:
                    if _lock(descriptor):  # its writer's other files bear its name and more
                        for name in names:
                            if name.startswith(part.name):
                                _remove(folder / name)
                finally:
                    os.close(descriptor)


def _remove(path: Path) -> None:
    """Remove a file or folder of ours, if it is there."""
    _unfinished.discard(path)
    with suppress(OSError):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Let Ctrl-C and the system's request to end wait until the block is done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    for n in before:
        signal.signal(n, lambda number, _: came.append(number))
    try:
        yield
    finally:
        for n, handler in before.items():
            signal.signal(n, signal.SIG_DFL if handler is None else handler)
        for number in came:
            signal.raise_signal(number)


def write_text(path: PathLike, text: str, overwrite: bool = False) -> None:
    """Write a text file in UTF-8."""
    write_bytes(path, text.encode("utf-8"), overwrite)


def check_output_folder(path: PathLike, names: Iterable[str], overwrite: bool = False) -> None:
    """Raise OutputError where a folder of files could not be written to ``path``.

    An existing folder is refused unless ``overwrite``, and always where it holds anything but
    ``names``: it is replaced as a whole, and nobody else's files with it.
    """
    target = Path(os.path.realpath(path))
    try:
        _restore(target)
    except (OSError, ValueError) as error:
        raise _unwritable(target, error) from None
    if not target.is_dir():
        check_output(path)  # a file of that name is refused, forced or not
        return
    if not overwrite:
        raise OutputError(
            str(path),
            expected="no folder there yet",
            found="one",
            remedy="Choose another name, or overwrite it (--force; overwrite=True in Python).",
        )
    try:
        others = sorted({p.name for p in target.iterdir()} - set(names))
    except OSError as error:
        raise _unwritable(target, error) from None
    if others:
        raise OutputError(
            str(path),
            expected="a folder that calib wrote before, and nothing else",
            found=", ".join(others[:3]) + (", ..." if len(others) > 3 else ""),
            remedy="Choose another name or remove them.",
        )
    check_output(_part_name(target))


def write_folder(path: PathLike, files: Mapping[str, str | bytes], overwrite: bool = False) -> None:
    """Write files, text or bytes by name, into a folder of their own: all of them or none.

    A name with a path in it is a defect of the caller and raises ValueError.
    """
    if any(name in {"", ".", ".."} or name != os.path.basename(name) for name in files):
        raise ValueError(f"file names without a path: {sorted(files)}")
    check_output_folder(path, files, overwrite)
    with _begun(path, is_folder=True) as part:
        for name, data in files.items():
            with (part / name).open("wb") as stream:
                stream.write(data.encode("utf-8") if isinstance(data, str) else data)
                stream.flush()
                os.fsync(stream.fileno())


def _before(target: Path) -> Path:
    """Return the name that a folder has while another takes its place."""
    return target.with_name(f"{target.name}.calib-before")


def _restore(target: Path) -> None:
    """Bring a folder back whose replacement was cut off between its two renames."""
    before = _before(target)
    if before.is_dir():
        if target.exists():
            _remove(before)
        else:
            os.replace(before, target)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last through a power cut, where the file system can."""
    with suppress(OSError):  # the file is written; some network file systems cannot sync a folder
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _unwritable(path: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(
        str(path),
        expected="a file that can be written",
        found=reason[:1].lower() + reason[1:],
        remedy="Nothing was written: choose another place, or see what is wrong with this one.",
    )
