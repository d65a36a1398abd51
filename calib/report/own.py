"""Files of this package that what people read is made with: style, script, examples."""

from __future__ import annotations

from importlib.resources import files


def own_text(name: str) -> str:
    """Return the text of a file by its path inside this room."""
    return files("calib.report").joinpath(*name.split("/")).read_text("utf-8")
