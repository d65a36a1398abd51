"""Loops over points as machine code: written plainly, compiled by Numba when first called and kept
on disk after.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, cached_property, update_wrapper
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
        try:
            return njit(self.py_func, cache=True, **self._options)
        except RuntimeError:  # neither the package's folder nor the user's cache can be written
            return njit(self.py_func, **self._options)


def _kept(function: F, options: dict[str, Any]) -> F:
    return cast(F, _AtFirstUse(function, options))


def as_written(function: F) -> F:
    """Return the Python function that was compiled, which takes arrays where the compiled one takes
    numbers.
    """
    return cast(F, getattr(function, "py_func", function))
