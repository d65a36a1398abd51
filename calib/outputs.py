"""Output files, whole or not at all: a temporary file beside the target, flushed to the disk, then
renamed.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from calib.errors import OutputError

PathLike = str | os.PathLike[str]


def check_output(path: PathLike, overwrite: bool = False, inputs: Iterable[PathLike] = ()) -> None:
    """Raise OutputError where ``path`` could not be written, so that a long run is refused before
    it starts.

    An existing file is refused unless ``overwrite``; one of the ``inputs`` is refused always.
    """
    target = Path(path)
    try:
        exists, is_file = target.exists(), target.is_file()
        is_input = exists and any(os.path.samefile(target, i) for i in inputs if Path(i).exists())
        folder = Path(os.path.realpath(target)).parent
        is_folder, is_writable = folder.is_dir(), os.access(folder, os.W_OK | os.X_OK)
    except (OSError, ValueError) as error:
        raise _unwritable(target, error) from None
    if exists and not is_file:
        found = "a folder" if target.is_dir() else "a device or pipe"
        raise OutputError(
            str(path),
            expected="an ordinary file to write",
            found=found,
            remedy="Choose another name.",
        )
    if is_input:
        raise OutputError(
            str(path),
            expected="an output apart from the inputs",
            found="an input",
            remedy="Choose another name.",
        )
    if exists and not overwrite:
        raise OutputError(
            str(path),
            expected="no file there yet",
            found="one",
            remedy="Choose another name, or overwrite it (--force; overwrite=True in Python).",
        )
    if not is_folder:
        raise OutputError(
            str(path),
            expected="a folder to write in",
            found=f"no folder {folder}",
            remedy="Make it.",
        )
    if not is_writable:
        raise OutputError(
            str(path),
            expected="a folder to write in",
            found=f"no permission in {folder}",
            remedy="Choose another folder or change its permissions.",
        )


def write_bytes(path: PathLike, data: bytes, overwrite: bool = False) -> None:
    """Write a file; after any failure or interruption the folder is as it was before."""
    # Not tempfile: its files are private to the user, and a rig file is to be read by others.
    with written(path, overwrite) as part, part.open("xb") as stream:
        stream.write(data)


@contextmanager
def written(path: PathLike, overwrite: bool = False) -> Iterator[Path]:
    """Yield the name of a file to write that becomes ``path`` at the end; after any failure or
    interruption the folder is as it was before.
    """
    check_output(path, overwrite)
    target = Path(os.path.realpath(path))
    part = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        yield part
        with part.open("rb") as stream:
            os.fsync(stream.fileno())
        os.replace(part, target)
    except BaseException as error:
        with suppress(OSError):
            part.unlink()
        if isinstance(error, OSError):
            raise _unwritable(Path(path), error) from None
        raise
    _sync_folder(target.parent)


def write_text(path: PathLike, text: str, overwrite: bool = False) -> None:
    """Write a text file in UTF-8."""
    write_bytes(path, text.encode("utf-8"), overwrite)


def check_output_folder(path: PathLike, names: Iterable[str], overwrite: bool = False) -> None:
    """Raise OutputError where a folder of files could not be written to ``path``.

    An existing folder is refused unless ``overwrite``, and always where it holds anything but
    ``names``: it is replaced as a whole, and nobody else's files with it.
    """
    target = Path(path)
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
    check_output(target.with_name(f".{secrets.token_hex(8)}.part"))


def write_folder(path: PathLike, files: Mapping[str, str | bytes], overwrite: bool = False) -> None:
    """Write files, text or bytes by name, into a folder of their own: all of them or none.

    A name with a path in it is a defect of the caller and raises ValueError.
    """
    if any(name in {"", ".", ".."} or name != os.path.basename(name) for name in files):
        raise ValueError(f"file names without a path: {sorted(files)}")
    check_output_folder(path, files, overwrite)
    target = Path(os.path.realpath(path))
    part, old = (target.with_name(f".{secrets.token_hex(8)}.part") for _ in range(2))
    try:
        part.mkdir()
        for name, data in files.items():
            write_bytes(part / name, data.encode("utf-8") if isinstance(data, str) else data)
        if target.exists():
            os.replace(target, old)
        try:
            os.replace(part, target)
        except BaseException:
            if old.exists():
                os.replace(old, target)
            raise
    except BaseException as error:
        shutil.rmtree(part, ignore_errors=True)
        if isinstance(error, OSError):
            raise _unwritable(Path(path), error) from None
        if isinstance(error, OutputError):  # names the file in the folder that is gone again
            raise OutputError(
                str(path), expected=error.expected, found=error.found, remedy=error.remedy
            ) from None
        raise
    shutil.rmtree(old, ignore_errors=True)
    _sync_folder(target.parent)


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
        remedy="Nothing was written.",
    )
