"""What a public function says to an argument of another kind than it takes."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Collection
from typing import Any

from calib.errors import in_words, is_one_of, kinds_in, shortly


def asking_for_records(
    name: str, function: Callable[..., Any], records: Collection[str]
) -> Callable[..., Any]:
    """Return the function so that TypeError tells of an argument that is not of the kind which its
    annotation names, such as a file's name for what the file holds.

    ``records`` are the kinds that files hold.
    """
    signature = inspect.signature(function)
    kinds = {p.name: kinds_in(str(p.annotation)) for p in signature.parameters.values()}

    @functools.wraps(function)
    def asking(*arguments: Any, **named: Any) -> Any:
        try:
            given = signature.bind_partial(*arguments, **named).arguments
        except TypeError:  # told by the function itself
            given = {}
        for key, value in given.items():
            if kinds[key] and not is_one_of(value, kinds[key]):
                of = kinds[key][0]
                wanted = in_words(kinds[key])
                if of in records:
                    wanted = f"{of}, as calib.load_{of.lower()} reads one from a file"
                raise TypeError(f"{name}: {key}: expected {wanted}, found {shortly(value)}")
        return function(*arguments, **named)

    asking.__module__, asking.__qualname__ = "calib", name  # where it is found, as when pickled
    return asking
