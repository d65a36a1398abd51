"""Numbers and names as YAML takes them; written as text, so that no export depends on a writer of
its own.
"""

from __future__ import annotations


def number(value: float) -> str:
    """Return the shortest text that reads back to the bit, with the point that YAML 1.1 and OpenCV
    tell real numbers by.

    >>> number(1e-05)
    '1.0e-05'
    """
    text = repr(float(value))
    mantissa, exponent = text.partition("e")[::2]
    return text if "." in mantissa or not exponent else f"{mantissa}.0e{exponent}"


def quoted(text: str) -> str:
    """Return a text in double quotes, what does not print escaped.

    >>> print(quoted('a "b"'), quoted("tab\\t"))
    "a \\"b\\"" "tab\\x09"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else _escape(ord(c)) for c in escaped) + '"'


def _escape(code: int) -> str:
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
