"""How a record shows itself to people: printed, in a notebook, and as plain data."""

from __future__ import annotations

import importlib
from typing import Any, ClassVar


class Printed:
    """A record whose words are in a module of ``calib.report``, named by ``REPORT``, which has
    ``as_blocks``: the rooms' one way up.
    """

    __slots__ = ()
    REPORT: ClassVar[str]

    def __str__(self) -> str:
        return "\n".join(self._lines())

    def _words(self) -> Any:
        return importlib.import_module(f"calib.report.{self.REPORT}")

    def _lines(self) -> list[str]:
        tables = importlib.import_module("calib.report.tables")
        lines: list[str] = tables.lines_of(self._words().as_blocks(self))
        return lines


class Reported(Printed):
    """One whose module has ``as_json`` as well."""

    __slots__ = ()

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self._lines()[0]}>"

    def to_dict(self) -> dict[str, Any]:
        """Return the document that the record's command prints with ``--json``: plain lists, text
        and numbers, None for a number that does not exist.
        """
        found: dict[str, Any] = self._words().as_json(self)
        return found

    def _repr_html_(self) -> str:
        notebook = importlib.import_module("calib.report.notebook")
        return str(notebook.as_html(self._lines(), self.to_dict()))
