"""How the program lists its commands: by what a person is about to do, in one screen."""

from __future__ import annotations

import inspect
from typing import Any

import typer

GROUPS = (
    (
        "Before the wave",
        {
            "simulate": "draw a rig, waves and images to try everything on",
            "plan": "where cameras go before they are mounted",
            "focus": "are a camera's spots fit to measure, and what to turn",
        },
    ),
    ("While it goes on", {"watch": "what is missing, where to walk next, when it is enough"}),
    (
        "What the cameras saw",
        {
            "import": "points from a CSV file",
            "centroids": "points from images or videos",
            "identify": "which point is which marker of the wand",
            "select": "some cameras or frames alone; swapped cables put right",
            "join": "several waves of one rig as one capture",
            "inspect": "is this capture good enough to solve",
        },
    ),
    (
        "The rig",
        {
            "solve": "the main job: every camera's pose and lens",
            "residuals": "the table of a rig again, or of another capture",
            "align": "origin and axes, by the floor or an earlier rig",
        },
    ),
    (
        "Has anything moved",
        {
            "recheck": "a short new wave: which cameras moved; --repair them",
            "history": "file by file: which cameras drift, which jumped",
        },
    ),
    (
        "How good it is",
        {
            "verify": "lengths of a certified bar: pass or not",
            "precision": "how well a marker is placed, and what would help",
        },
    ),
    (
        "Handing on",
        {
            "reconstruct": "every named point in space",
            "export": "the rig in an open format",
            "report": "one page to look at: the rig in 3D, every camera's residuals",
            "record": "the hand-over page, to print and sign",
            "describe": "what a file holds",
            "formats": "every file format, with an example",
        },
    ),
)
ABOUT = {name: about for _, commands in GROUPS for name, about in commands.items()}


def write_commands(formatter: Any, names: list[str]) -> None:
    """Write the commands of the program under their headings."""
    for heading, commands in GROUPS:
        rows = [(name, about) for name, about in commands.items() if name in names]
        with formatter.section(heading):
            formatter.write_dl(rows, col_max=14, col_spacing=2)


def add(app: typer.Typer, name: str, command: Any) -> None:
    """Add a command. Its docstring is its help: after what it does, with its arguments and options
    between, come calls as they would be typed, and what else there is to know.
    """
    about, _, rest = inspect.cleandoc(command.__doc__).partition("\n\nExamples:\n")
    epilog = f"\b\nExamples:\n{rest}"
    app.command(name, help=about, short_help=ABOUT[name], epilog=epilog)(command)


def option(call: str, about: str, **more: Any) -> Any:
    """Return an option from how it is typed: its names, then what stands for its value."""
    names = [word for word in call.split() if word.startswith("-")]
    value = call.removeprefix(" ".join(names)).strip() or None
    return typer.Option(*names, metavar=value, help=about, **more)


def argument(value: str, about: str, **more: Any) -> Any:
    """Return an argument from what stands for its value."""
    return typer.Argument(metavar=value, help=about, **more)
