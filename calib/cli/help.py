"""How the program lists its commands: by what a person is about to do, in one screen."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from typing import Any

import typer

# Headings, and under each the commands: name, function, what it is for.
Groups = Mapping[str, Mapping[str, tuple[Any, str]]]


def write_commands(formatter: Any, groups: Groups, names: list[str]) -> None:
    """Write the commands of the program under their headings."""
    for heading, commands in groups.items():
        rows = [(name, about) for name, (_, about) in commands.items() if name in names]
        with formatter.section(heading):
            formatter.write_dl(rows, col_max=14, col_spacing=2)


def add(app: typer.Typer, name: str, command: Any, short: str) -> None:
    """Add a command. Its docstring is its help: after what it does, with its arguments and options
    between, come calls as they would be typed, and what else there is to know.
    """
    about, _, rest = inspect.cleandoc(command.__doc__ or "").partition("\n\nExamples:\n")
    epilog = f"\b\nExamples:\n{rest}"
    app.command(name, help=about, short_help=short, epilog=epilog)(command)


def option(call: str, about: str, **more: Any) -> Any:
    """Return an option from how it is typed: its names, then what stands for its value."""
    names = [word for word in call.split() if word.startswith("-")]
    value = call.removeprefix(" ".join(names)).strip() or None
    return typer.Option(*names, metavar=value, help=about, **more)


def argument(value: str, about: str, **more: Any) -> Any:
    """Return an argument from what stands for its value."""
    return typer.Argument(metavar=value, help=about, **more)
