"""Loops over points as machine code: written plainly, compiled by Numba when first called and kept
on disk after.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

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


def _kept(function: F, options: dict[str, Any]) -> F:
    kept: Any
    try:
        kept = njit(function, cache=True, **options)
    except RuntimeError:  # neither the package's folder nor the user's cache can be written
        kept = njit(function, **options)
    return cast(F, kept)


def as_written(function: F) -> F:
    """Return the Python function that was compiled, which takes arrays where the compiled one takes
    numbers.
    """
    return cast(F, getattr(function, "py_func", function))
