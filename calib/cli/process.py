"""The process that the program runs in: its signals, and streams that any text can be written to.

It loads next to nothing, so that it is in place before anything that takes time to load.
"""

from __future__ import annotations

import atexit
import codecs
import os
import signal
import sys
import threading
import unicodedata
import warnings
from typing import Any

from calib.intake.centroids import MOST_PIXELS

# Exit codes are 128 + the signal's number, as shells count them.
STOPPED = {2: "by Ctrl-C", 15: "by the system (SIGTERM)", 1: "as the terminal was closed (SIGHUP)"}
_PLAIN = {
    "×": "x",
    "°": " deg",
    "±": "+/-",
    "²": "^2",
    "³": "^3",
    "µ": "u",
    "μ": "u",
    "σ": "sigma",
    "·": "*",
    "–": "-",
    "—": "-",
    "−": "-",
    "…": "...",
    "→": "->",
    "←": "<-",
    "≤": "<=",
    "≥": ">=",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
    "§": "section ",
    "ø": "o",
    "Ø": "O",
    "æ": "ae",
    "Æ": "AE",
    "ß": "ss",
}


NO_MEMORY = "memory: expected enough of it for this capture, found too little. Take fewer frames."
LEAST_MB = 1000  # of address space, of which the libraries take two thirds before any data


def reserve() -> None:
    """End in one line where the process is held to less memory than the libraries take; where it is
    held to more, let linear algebra take its buffers now: it asks for them at its first product,
    and where there is no room any more it asks for ever.
    """
    try:
        import resource  # not on every system
    except ImportError:
        return
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    if limit == resource.RLIM_INFINITY:
        return
    if limit < LEAST_MB << 20:
        print(
            f"memory: expected a limit of {LEAST_MB} MB or more, found {limit >> 20} MB. Raise it"
            " (ulimit -v).",
            file=sys.stderr,
        )
        sys.exit(2)
    import numpy as np  # only where memory is held
    from scipy.linalg import blas  # brings its own linear algebra

    square = np.ones((512, 512), order="F")
    square @ square
    blas.dgemm(1.0, square, square)


def prepare() -> None:
    """Make this process ready to run the program."""
    if not sys.warnoptions:
        # For developers; a user takes a line on standard error for an error.
        warnings.simplefilter("ignore")
    _open_streams()
    # Read by OpenCV as it loads; its own limit lets a file of a kilobyte take gigabytes.
    os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(MOST_PIXELS))
    # Workers of linear algebra would wait for one another over matrices as small as ours.
    for library in ("OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    threading.excepthook = _lost
    for number in STOPPED:
        with_default = (signal.SIG_DFL, signal.default_int_handler)
        # What is ignored, as in the background or under nohup, stays so.
        if number in signal.valid_signals() and signal.getsignal(number) in with_default:
            signal.signal(number, _stop)
    atexit.register(_let_end)


def _let_end() -> None:
    """Ignore what would stop the process: all is done, and the interpreter, as it ends, would put
    the system's own handling back.
    """
    for number in STOPPED:
        if signal.getsignal(number) is _stop:
            signal.signal(number, signal.SIG_IGN)


def end(code: int) -> None:
    """End a process that has no memory left, where it runs the program alone: what the interpreter
    does at its end takes some, and may crash without.
    """
    if threading.excepthook is _lost:
        _drop_unfinished()
        sys.stderr.flush()
        os._exit(code)


def _outputs() -> Any:
    """The module that writes, if it is loaded already, perhaps in part."""
    return sys.modules.get("calib.outputs")


def _drop_unfinished() -> None:
    """Remove what this process has begun to write, if it writes at all."""
    getattr(_outputs(), "drop_unfinished", lambda: None)()


def stopped(number: int) -> str:
    """Return the line that tells of an end by a signal, and what was written before it."""
    files = list(map(str, getattr(_outputs(), "finished", ())))
    told = f"already written: {', '.join(files)}" if files else "no output file was written"
    return f"Stopped {STOPPED[number]}; {told}."


def _stop(number: int, _: object) -> None:
    """End at once: an exception could be lost in code that is not ours, as while it loads."""
    _drop_unfinished()
    cursor = "\x1b[?25h\r\x1b[K" if os.isatty(2) else ""  # that a progress bar has hidden
    os.write(2, (cursor + stopped(number) + "\n").encode("ascii", "backslashreplace"))
    os._exit(128 + number)


def _lost(failed: Any) -> None:
    """End where a thread did: who waits for what it was to bring would wait for ever."""
    _drop_unfinished()
    is_memory = issubclass(failed.exc_type, MemoryError)
    line = NO_MEMORY if is_memory else f"calib: a thread ended by {failed.exc_type.__name__}."
    os.write(2, (line + "\n").encode("ascii", "backslashreplace"))
    os._exit(2)


def _open_streams() -> None:
    """Let standard streams exist and take any text."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:  # closed: an output file would get this number, and all that is printed
            # Takes the lowest number that is free, this one. Printing to it fails, and is told.
            os.open(os.devnull, os.O_WRONLY if number == 2 else os.O_RDONLY)
    codecs.register_error("calib.readable", _readable)
    for number, name in ((1, "stdout"), (2, "stderr")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, "w", closefd=False))  # noqa: SIM115
        getattr(sys, name).reconfigure(errors="calib.readable")


def _readable(error: UnicodeError) -> tuple[str, int]:
    """Return what stands for characters that an encoding lacks: a codec's error handler."""
    assert isinstance(error, UnicodeEncodeError)
    lost = error.object[error.start : error.end]
    return "".join(map(_plain, lost)), error.end


def _plain(character: str) -> str:
    if character in _PLAIN:
        return _PLAIN[character]
    letters = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return letters or character.encode("ascii", "backslashreplace").decode()
