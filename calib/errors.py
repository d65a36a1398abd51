"""What can go wrong, as data: where, what was expected, what was found and what to do about it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import cache, partial
from numbers import Integral, Real
from typing import Any

MOST_SHOWN = 500  # characters of an error as it is shown; its parts keep all they hold


def _short(parts: list[str], n: int) -> list[str]:
    """Return where, expected, found and remedy in ``n`` characters at most: the longest is cut; a
    remedy of several sentences loses the last of them.
    """
    while (excess := sum(map(len, parts)) - n) > 0:
        k = max(range(len(parts)), key=lambda i: len(parts[i]))
        if k == len(parts) - 1 and (end := parts[k].rfind(". ")) > 0:
            parts[k] = parts[k][: end + 1]
            continue
        keep = max(len(parts[k]) - excess - 5, n // len(parts))
        parts[k] = f"{parts[k][: keep * 3 // 4]} ... {parts[k][-(keep // 4) :]}"
    return parts


class CalibError(Exception):
    """An error that a person can act on.

    Prints as one line, ``where: expected ..., found .... Do this.``

    >>> print(CalibError("cam03", expected="a focal > 0", found="-4.0", remedy="Correct focal_mm."))
    cam03: expected a focal > 0, found -4.0. Correct focal_mm.

    Parameters
    ----------
    where : str
        File, camera, option or step.
    expected : str
        What should be there.
    found : str
        What is.
    remedy : str
        What to do, as a sentence.
    cameras : sequence of str
        The cameras concerned.
    """

    def __init__(
        self,
        where: str,
        *,
        expected: str,
        found: str,
        remedy: str = "",
        cameras: Sequence[str] = (),
    ) -> None:
        self.where = where
        self.expected = expected
        self.found = found
        self.remedy = remedy
        self.cameras = tuple(cameras)
        super().__init__(where)

    def __str__(self) -> str:
        parts = [self.where, self.expected, self.found, self.remedy]
        one_line = [" ".join(part.splitlines()) for part in parts]  # an array has several
        where, expected, found, remedy = _short(one_line, MOST_SHOWN - 30)
        return f"{where}: expected {expected}, found {found}. {remedy}".rstrip()

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[str]]:
        """Pickle by keyword, so that an error raised in another process arrives."""
        fields: dict[str, Any] = {"expected": self.expected, "found": self.found}
        fields |= {"remedy": self.remedy, "cameras": self.cameras}
        return partial(type(self), **fields), (self.where,)

    def inside(self, container: str, remedy: str = "") -> CalibError:
        """Return the same error with the place it lies in (a file, a group) put before ``where``,
        and ``remedy`` where it has none.
        """
        return type(self)(
            f"{container}: {self.where}",
            expected=self.expected,
            found=self.found,
            remedy=self.remedy or remedy,
            cameras=self.cameras,
        )


def did_you_mean(found: str, names: Iterable[str]) -> str:
    """Return the name that was likely meant, as a question; empty where none is near.

    >>> did_you_mean("cam3", ["cam01", "cam02", "cam03"]), did_you_mean("x", ["cam01"])
    ('Did you mean cam03?', '')
    >>> did_you_mean("nothing.h5", ["join.h5"])  # a common ending makes no likeness
    ''
    """
    import difflib  # noqa: PLC0415 - errors are loaded by every start of the program

    by_lower = {name.lower(): name for name in reversed(list(names))}
    for close in difflib.get_close_matches(found.lower(), by_lower):
        stems = [name.rpartition(".")[0] or name for name in (found.lower(), close)]
        if difflib.get_close_matches(stems[0], stems[1:]):
            return f"Did you mean {by_lower[close]}?"
    return ""


class InputError(CalibError):
    """A record, a file or a call does not hold what it must.

    Parameters
    ----------
    where : str
        File, camera, option or step.
    expected : str
        What should be there.
    found : str
        What is.
    remedy : str
        What to do, as a sentence.
    cameras : sequence of str
        The cameras concerned.
    """


def require_one_of(where: str, value: str, known: Iterable[str]) -> None:
    """Raise InputError for a value that is none of the known ones."""
    names = list(known)
    if value not in names:
        raise InputError(
            where,
            expected=f"one of {', '.join(names)}",
            found=repr(value),
            remedy=did_you_mean(value, names),
        )


_KINDS = {
    "int": (Integral, "a whole number"),
    "float": (Real, "a number"),
    "bool": (bool, "True or False"),
    "str": (str, "text"),
    "None": (type(None), "None"),
    "Mapping": (Mapping, "a table"),
    "Path": (os.PathLike, "a path"),
    "PathLike": (str | os.PathLike, "a path"),
}
_LISTS = {
    "tuple": list | tuple,
    "Sequence": Sequence,
    "Iterable": Iterable,
    "Collection": Collection,
}
MOST_WHOLE = 2**63  # beyond, no array holds it
_OPEN = ("Array", "Ints", "NDArray[", "Progress", "object")


def require_kinds(record: Any, where: str = "") -> None:
    """Raise InputError at a field of a record that holds another kind of value than its annotation
    says; arrays are for who takes them over. ``where`` goes before the field's name.
    """
    of: Any = type(record)
    for name, kinds, usual in _kinds_of(of):
        value = getattr(record, name)
        if not is_one_of(value, kinds):
            raise InputError(
                f"{where}{name}",
                expected=in_words(kinds),
                found=shortly(value),
                remedy=f"Leave it out for the usual, {usual}." if usual else "",
            )


@cache
def _kinds_of(of: Any) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    """Return name, kinds and the usual of each field whose kind its annotation tells."""
    from dataclasses import MISSING, fields  # noqa: PLC0415 - as above

    every = ((f.name, kinds_in(str(f.type)), f.default) for f in fields(of))
    return tuple(
        (name, kinds, "" if usual is MISSING else repr(usual))
        for name, kinds, usual in every
        if kinds
    )


def kinds_in(annotation: str) -> tuple[str, ...]:
    """Return the kinds of value that an annotation allows; none where it leaves them open.

    >>> kinds_in("Sequence[str | Path] | float | None"), kinds_in("Array | None")
    (('Sequence[str | Path]', 'float', 'None'), ())
    """
    kinds = tuple(re.split(r" \| (?![^\[]*\])", annotation))
    return () if any(kind.startswith(_OPEN) for kind in kinds) else kinds


def is_one_of(value: Any, kinds: Iterable[str]) -> bool:
    """Return whether a value is of one of these kinds."""
    return any(_is(value, kind) for kind in kinds)


def in_words(kinds: Iterable[str]) -> str:
    """Return kinds as a person reads them."""
    return " or ".join(dict.fromkeys(map(_in_words, kinds)))


def shortly(value: Any) -> str:
    """Return a value on one line that is not too long."""
    found = " ".join(repr(value).split())
    return found if len(found) <= 80 else f"{found[:77]}..."


def _is(value: Any, kind: str) -> bool:
    outer, _, inner = kind.partition("[")
    if outer in _LISTS:
        each = kinds_in(inner.removesuffix("]").removesuffix(", ...").partition(", ")[0])
        is_list = isinstance(value, _LISTS[outer]) and not isinstance(value, str | bytes)
        # What is read once is not read here.
        return is_list and not (
            each and isinstance(value, list | tuple) and not all(is_one_of(v, each) for v in value)
        )
    names = {of.__name__ for of in type(value).__mro__}
    if names & {"bool", "bool_"}:  # NumPy's too; Python counts with them, a person does not
        return outer == "bool"
    if isinstance(value, int) and abs(value) > MOST_WHOLE:
        return False
    return isinstance(value, _KINDS[outer][0]) if outer in _KINDS else outer in names


def _in_words(kind: str) -> str:
    outer, _, inner = kind.partition("[")
    if outer in _LISTS:
        each = kinds_in(inner.removesuffix("]").removesuffix(", ...").partition(", ")[0])
        return f"a list, each {in_words(each)}" if each else "a list"
    article = "an" if outer[0] in "AEIO" else "a"
    return _KINDS[outer][1] if outer in _KINDS else f"{article} {outer}"


class OutputError(CalibError):
    """An output cannot be written to the place given.

    Parameters
    ----------
    where : str
        File, camera, option or step.
    expected : str
        What should be there.
    found : str
        What is.
    remedy : str
        What to do, as a sentence.
    cameras : sequence of str
        The cameras concerned.
    """


class UnsolvableError(CalibError):
    """The capture does not determine what is to be found; ``cameras`` names the ones concerned.

    Parameters
    ----------
    where : str
        File, camera, option or step.
    expected : str
        What should be there.
    found : str
        What is.
    remedy : str
        What to do, as a sentence.
    cameras : sequence of str
        The cameras concerned.
    """
