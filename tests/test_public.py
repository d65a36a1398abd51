"""What ``calib`` exports: every job of a command as one function, whatever was imported
before it.
"""

from __future__ import annotations

import inspect
import pickle
import re
import subprocess
import sys
import types
from pathlib import Path

import numpy as np
import pytest

import calib
from calib.cli.main import app
from calib.simulate.explain import sections

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
    "recheck": ("recheck", "recheck_any", "repair"),
    "reconstruct": ("reconstruct",),
    "record": ("hand_over",),
    "report": ("html_report",),
    "residuals": ("residuals",),
    "select": ("select",),
    "simulate": ("simulate",),
    "solve": ("solve_rig", "calibrate"),
    "verify": ("verify",),
    "watch": ("Watch",),
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


TAKES = {
    name: (function, [p.name for p in parameters if str(p.annotation) in {"Tracks", "Rig", "Wand"}])
    for name in calib.__all__
    if inspect.isfunction(function := getattr(calib, name))
    for parameters in [inspect.signature(function).parameters.values()]
}


def test_a_file_in_a_records_place_is_told_with_what_reads_it() -> None:
    asked = [(name, key) for name, (_, keys) in TAKES.items() for key in keys]
    assert {"calibrate", "align", "verify", "save_rig", "identify"} <= {name for name, _ in asked}
    for name, key in asked:
        for wrong in ("wave.h5", Path("wave.h5"), 3, None):
            kind = inspect.signature(getattr(calib, name)).parameters[key].annotation
            load = f"calib.load_{kind.lower()}"
            with pytest.raises(TypeError, match=f"^{name}: {key}: expected {kind}, as {load} "):
                getattr(calib, name)(**{key: wrong})


FUNCTION_NAMES = [n for n in calib.__all__ if inspect.isfunction(getattr(calib, n))]


@pytest.mark.parametrize("name", FUNCTION_NAMES)
def test_an_argument_of_another_kind_is_told_in_a_line(name: str) -> None:
    """Of every parameter but arrays, what is told of progress, and what anything may be."""
    for key, parameter in inspect.signature(getattr(calib, name)).parameters.items():
        if str(parameter.annotation) in {"Progress", "Progress | None", "Array | None", "object"}:
            continue
        for wrong in (object(), 2 + 1j, [object()], float):
            with pytest.raises(TypeError, match=f"^{name}: {key}: expected ") as caught:
                getattr(calib, name)(**{key: wrong})
            assert "\n" not in str(caught.value) and len(str(caught.value)) < 250


def test_a_name_is_no_list_of_names() -> None:
    one = calib.CameraTracks("cam01", 100, 100, np.arange(1), np.ones((1, 2)), np.zeros(1, int))
    with pytest.raises(TypeError, match="only: expected a list, each text, found 'cam01'"):
        calib.select(calib.Tracks((one,), 50.0), only="cam01")


def test_what_a_function_takes_besides_is_its_own_affair() -> None:
    one = calib.CameraTracks("cam01", 100, 100, np.arange(1), np.ones((1, 2)), np.zeros(1, int))
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'wand'"):
        calib.identify(tracks=calib.Tracks(cameras=(one,), frame_rate_hz=50.0))
    with pytest.raises(TypeError, match="unexpected keyword argument 'nothing'"):
        calib.precision("rig.h5", nothing=1)
    assert pickle.loads(pickle.dumps(calib.verify)) is calib.verify  # as a pool of processes does


# ---- docstrings: sections as numpydoc has them (its guide, "Sections")

DOCUMENTED = [n for n in calib.__all__ if n not in PACKAGES | {"Scenario"}]
RULE = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.MULTILINE)


def doc_sections(name: str) -> dict[str, str]:
    """A docstring's sections by heading, its text before the first under "", each heading once."""
    text = inspect.getdoc(getattr(calib, name)) or ""
    parts = RULE.split(text)
    headings = parts[1::2]
    assert len(set(headings)) == len(headings), name
    return dict(zip(["", *headings], parts[::2], strict=True))


def entries(section: str) -> list[tuple[str, str]]:
    """Names and kinds of a section's entries, every one of them explained."""
    found = []
    for entry in re.split(r"\n(?=\S)", section.strip()):
        head, *told = entry.split("\n")
        assert head == "None" or any(line.strip() for line in told), head
        names, _, kind = head.partition(" : ")
        found += [(one.strip(), kind) for one in (names.split(", ") if kind else [names])]
    return found


@pytest.mark.parametrize("name", DOCUMENTED)
def test_parameters_are_documented_as_they_are(name: str) -> None:
    exported = getattr(calib, name)
    told = doc_sections(name)
    assert told[""].strip().split("\n")[0], "a first line says what it is"
    parameters = list(inspect.signature(exported).parameters)
    documented = entries(told["Parameters"]) if parameters else []
    assert [one for one, _ in documented] == parameters
    assert all(kind for _, kind in documented), "every parameter has its kind"
    assert parameters or "Parameters" not in told


@pytest.mark.parametrize("name", [n for n in DOCUMENTED if inspect.isfunction(getattr(calib, n))])
def test_functions_say_what_they_return_and_raise(name: str) -> None:
    function, told = getattr(calib, name), doc_sections(name)
    assert set(told) <= {"", "Parameters", "Returns", "Raises"}
    returned = [kind for kind, _ in entries(told["Returns"])]
    annotated = str(function.__annotations__["return"])
    if not annotated.startswith("tuple[") or "..." in annotated:
        assert len(returned) == 1
    else:
        assert returned == re.findall(r"\w+", annotated)[1:]
    for kind, _ in entries(told["Raises"]) if "Raises" in told else []:
        error = getattr(calib, kind, None) or {"TypeError": TypeError}[kind]
        assert issubclass(error, Exception) and error.__name__ == kind


def test_a_scenarios_parameters_are_explained_by_formats() -> None:
    """They are keys of a file: told once, by the items that ``calib formats scenario`` prints."""
    items = {item.key for section in sections() for item in section.items}
    assert set(inspect.signature(calib.Scenario).parameters) <= items


def test_the_docstrings_parser_sees_what_is_missing() -> None:
    assert entries("a, b : int\n    Two.\nc : float\n    One.") == [
        ("a", "int"),
        ("b", "int"),
        ("c", "float"),
    ]
    with pytest.raises(AssertionError):
        entries("a : int\nb : int\n    Reported.")
