"""Names that people give to cameras, markers and files: which are allowed, how any is shown."""

from __future__ import annotations

import unicodedata

from calib.errors import InputError

# Control characters, invisible ones that change how a line is laid out, halves of a character, and
# ends of lines (Unicode Standard, general categories).
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def is_unseen(character: str) -> bool:
    """Return whether a character has no place in a name, as it cannot be seen."""
    return not character.isprintable() and unicodedata.category(character) in _UNSEEN


def check_name(name: str, where: str) -> str:
    """Return a name; InputError where it holds what cannot be seen: it would pass for another, or
    garble a terminal or a file.
    """
    if any(map(is_unseen, name)):
        raise InputError(
            where,
            expected="a name without control or invisible characters",
            found=visible(name),
            remedy="Rename it.",
        )
    return name


def visible(text: str) -> str:
    r"""Return a text with what cannot be seen escaped, as in ``repr``.

    >>> print(visible("cam\n1 \x1b[2J"))
    cam\n1 \x1b[2J
    """
    if text.isprintable():
        return text
    return "".join(repr(c)[1:-1] if is_unseen(c) else c for c in text)
