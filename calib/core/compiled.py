"""Loops over points as machine code: written plainly, compiled by Numba when first called and kept
on disk after.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache, cached_property, update_wrapper
from pathlib import Path
from types import CodeType
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

# No interpreter's lock inside, so that threads run side by side; a division by zero gives infinity,
# as in NumPy; a product and a sum may become one instruction.
_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": {"contract"}}


def compiled(function: F) -> F:
    """Return the function compiled; without a place to keep machine code it is compiled anew in
    each process.
    """
    return _kept(function, _OPTIONS)


def inlined(function: F) -> F:
    """Return the function compiled and written out wherever another compiled one calls it.

    For what a loop does to each point with small arrays: handing these over, field by field, takes
    longer than the work.
    """
    return _kept(function, _OPTIONS | {"inline": "always"})


_listeners: list[Callable[[], None]] = []


def when_compiling(listener: Callable[[], None]) -> None:
    """Have a function called each time that a loop is about to be compiled, which takes seconds;
    reading machine code that is kept does not count.
    """
    _listeners.append(listener)


@cache
def _listen() -> None:
    from numba.core import event  # noqa: PLC0415 - as in _machine

    class Compilation(event.Listener):
        def on_start(self, event: Any) -> None:
            for listener in _listeners:
                listener()

        def on_end(self, event: Any) -> None:
            pass

    register: Any = event.register  # Numba has no types
    register("numba:compile", Compilation())


class _AtFirstUse:
    """A function that is compiled, or its machine code read, when it is first called: most commands
    call none of a module's loops, and many none at all.
    """

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        self.py_func, self._options = function, options
        update_wrapper(self, function)

    def __call__(self, *args: Any) -> Any:
        return self._machine(*args)

    def __getattr__(self, name: str) -> Any:
        # What Numba asks of a function that another compiled one calls.
        if name in {"_numba_type_", "targetoptions"}:
            return getattr(self._machine, name)
        raise AttributeError(name, name=name, obj=self)

    @cached_property
    def _machine(self) -> Any:
        from numba import njit  # noqa: PLC0415 - takes as long to load as all else of most commands

        _listen()
        machine: Any = njit(self.py_func, **self._options)
        # Without a place to write, in the package's folder or the user's cache, nothing is kept.
        with suppress(RuntimeError):
            machine._cache = _keeping()(self.py_func, _stamp(self))
        return machine


@cache
def _keeping() -> Any:
    """Return the kind of cache that Numba's dispatchers get: Numba's own asks no more than whether
    the function's file changed, and ends in whatever a damaged file raises.
    """
    from numba.core import caching  # noqa: PLC0415 - as in _machine

    class Kept(cast(Any, caching).FunctionCache):  # type: ignore[misc]  # Numba has no types
        def __init__(self, function: Callable[..., Any], stamp: str) -> None:
            super().__init__(function)
            self._cache_file._source_stamp = stamp

        def load_overload(self, *args: Any) -> Any:
            try:
                return super().load_overload(*args)
            except Exception:  # what unpickling raises, of damaged bytes or of names that are gone
                return None

        def save_overload(self, *args: Any) -> None:
            try:
                try:
                    super().save_overload(*args)
                except Exception:  # what reading a damaged index raises: it is made anew
                    self.flush()
                    super().save_overload(*args)
            except OSError:  # the disk is full: compiled anew in each process
                self.disable()

    return Kept


def _stamp(function: _AtFirstUse) -> str:
    """Return a digest of all that a function's machine code was made from: the files of the
    compiled functions that it calls, which are inside it, and the constants that it names.
    """
    reached, constants = [function], list[str]()
    files: dict[str, None] = {}
    for caller in reached:
        files[caller.py_func.__code__.co_filename] = None
        for name in sorted(set(_names(caller.py_func.__code__))):
            value = caller.py_func.__globals__.get(name)
            if isinstance(value, _AtFirstUse):
                reached += [] if value in reached else [value]
            elif isinstance(value, type):
                files[inspect.getfile(value)] = None
            elif isinstance(value, int | float | str | tuple):
                constants.append(f"{name}={value!r}")
    digest = hashlib.sha256("\n".join(constants).encode())
    for path in files:
        digest.update(_content(path))
    return digest.hexdigest()


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _names(constant)


@cache
def _content(path: str) -> bytes:
    return hashlib.sha256(Path(path).read_bytes()).digest()


def _kept(function: F, options: dict[str, Any]) -> F:
    return cast(F, _AtFirstUse(function, options))


def as_written(function: F) -> F:
    """Return the Python function that was compiled, which takes arrays where the compiled one takes
    numbers.
    """
    return cast(F, getattr(function, "py_func", function))
