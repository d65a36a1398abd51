"""What a public function says to an argument that is no record where it takes one."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from typing import Any


def asking_for_records(
    name: str, function: Callable[..., Any], records: Mapping[str, Callable[[], type]]
) -> Callable[..., Any]:
    """Return the function so that TypeError tells of an argument that is not the record which its
    annotation names, such as a file's name for what the file holds.

    ``records`` are the classes by name, each loaded where it is asked for.
    """
    signature = inspect.signature(function)
    kinds = {p.name: str(p.annotation).split(" | ") for p in signature.parameters.values()}
    takes = {key: of for key, of in kinds.items() if set(of) <= {*records, "None"}}

    @functools.wraps(function)
    def asking(*arguments: Any, **named: Any) -> Any:
        try:
            given = signature.bind_partial(*arguments, **named).arguments
        except TypeError:  # told by the function itself
            given = {}
        for key in takes.keys() & given.keys():
            value, wanted = given[key], [k for k in takes[key] if k != "None"]
            is_none = value is None and wanted != takes[key]
            if not is_none and not isinstance(value, tuple(records[k]() for k in wanted)):
                found = f"{type(value).__name__} {value!r}" if _is_path(value) else type(value)
                raise TypeError(
                    f"{name}: {key}: expected {wanted[0]}, as calib.load_{wanted[0].lower()} "
                    f"reads one from a file, found {found}"
                )
        return function(*arguments, **named)

    asking.__module__, asking.__qualname__ = "calib", name  # where it is found, as when pickled
    return asking


def _is_path(value: object) -> bool:
    return isinstance(value, str) or hasattr(value, "__fspath__")
