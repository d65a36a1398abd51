"""What ``calib`` exports: every job of a command as one function, whatever was imported
before it.
"""

from __future__ import annotations

import subprocess
import sys
import types

import pytest

import calib
from calib.cli.main import app

# The function that does a command's job, for who works in Python.
FUNCTIONS = {
    "align": ("align", "align_like"),
    "centroids": ("centroids",),
    "describe": ("describe",),
    "export": ("export_rig",),
    "focus": ("focus",),
    "formats": ("formats",),
    "history": ("history",),
    "identify": ("identify",),
    "import": ("load_table",),
    "inspect": ("inspect",),
    "join": ("join",),
    "plan": ("assess",),
    "precision": ("precision",),
    "recheck": ("recheck", "repair"),
    "reconstruct": ("reconstruct",),
    "record": ("hand_over",),
    "report": ("html_report",),
    "residuals": ("residuals",),
    "select": ("select",),
    "simulate": ("simulate",),
    "solve": ("solve_rig", "calibrate"),
    "verify": ("verify",),
}
PACKAGES = {"simulate"}  # exported as such; it holds the function of its name


def test_every_command_has_its_function() -> None:
    commands = {command.name for command in app.registered_commands}
    assert commands == set(FUNCTIONS)
    for names in FUNCTIONS.values():
        assert set(names) <= set(calib.__all__)
    assert callable(calib.simulate.simulate)


def test_every_name_is_there_and_none_is_a_package() -> None:
    assert calib.__all__ == sorted(set(calib.__all__))
    for name in calib.__all__:
        assert isinstance(getattr(calib, name), types.ModuleType) == (name in PACKAGES), name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = calib.nothing


def test_no_import_hides_a_function() -> None:
    """A package of the name of a function would stand in its place as soon as it is imported."""
    code = """
import importlib, pkgutil, types, calib
for module in pkgutil.walk_packages(calib.__path__, "calib."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
print(sorted(n for n in calib.__all__ if isinstance(getattr(calib, n), types.ModuleType)))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == str(sorted(PACKAGES))
