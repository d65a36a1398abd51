"""The rules of who may import what, over every import statement of the package."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "calib"
MODULES = sorted(PACKAGE.rglob("*.py"))

# Of the package itself, by folder or module: what it may import beside itself.
MAY_IMPORT = {
    "errors": set(),
    "told": set(),  # finds a record's words in ``report`` by name: prints, notebooks, plain data
    "outputs": {"errors"},
    "guard": {"errors"},
    "core": {"errors", "told"},
    "intake": {"errors", "core"},
    "solve": {"errors", "core"},
    "naming": {"errors", "told", "core", "intake", "solve"},
    "pipeline": {"errors", "core", "naming", "solve", "check"},
    "check": {"errors", "told", "core", "naming", "solve"},
    "prove": {"errors", "told", "core", "naming", "solve", "check"},
    "watch": {"errors", "core", "naming", "solve", "check", "prove", "pipeline"},
    "export": {"errors", "core", "check", "prove"},
    "report": {
        "errors",
        "core",
        "intake",
        "naming",
        "solve",
        "check",
        "prove",
        "plan",
        "simulate",
        "watch",
    },
    "simulate": {"errors", "core"},
    "plan": {"errors", "core", "solve", "prove", "simulate"},
    "files": {"errors", "core", "intake", "plan", "outputs", "guard"},
}
# Libraries that few modules may import; a slash at the end stands for all modules of a package.
ONLY_IN = {
    "cv2": {"core/camera", "solve/start/epipolar", "solve/start/initial", "intake/centroids/"},
    "networkx": {"solve/start/graph"},
    "h5py": {"files", "guard/walk"},
    "numba": {"core/compiled"},
    "tomllib": {"files"},
    "typer": {"cli"},
    "rich": {"cli"},
    "plotly": {"report/figures/", "report/page/"},
}
# What a record prints is for ``report`` to say: its ``__str__``, and nothing else, may call there.
PRINTS = "__str__"


def imports(path: Path) -> Iterator[str]:
    """Yield the dotted names that a module imports, at its top or inside functions but for what
    ``__str__`` takes from ``report``.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    printing = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name == PRINTS
        for inner in ast.walk(node)
        if isinstance(inner, ast.ImportFrom) and (inner.module or "").startswith("calib.report.")
    }
    for node in ast.walk(tree):
        if id(node) in printing:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def part(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_only_what_its_part_may(path: Path) -> None:
    own = part(path)
    place = path.relative_to(PACKAGE).with_suffix("").as_posix()
    for name in imports(path):
        top, *rest = name.split(".")
        if top == "calib" and own in MAY_IMPORT:
            assert rest and rest[0] in MAY_IMPORT[own] | {own}, f"{place} imports {name}"
        if top in ONLY_IN:
            allowed = ONLY_IN[top]
            is_inside = any(p.endswith("/") and place.startswith(p) for p in allowed)
            assert {place, own} & allowed or is_inside, f"{place} imports {name}"


# Calls that open or parse a file, by their last name, and who else than ``files`` may make them.
OPENS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "load", "loads"}
MAY_OPEN = {
    "outputs": "writes what others made",
    "guard/__init__": "talks to its other process in JSON",
    "guard/walk": "asks the system how much memory it has, and answers in JSON",
    "cli/main": "points standard output at nothing when its reader has left",
    "cli/process": "opens standard streams that are closed",
    "intake/centroids/sources": "reads images",
    "report/page/html": "reads the page's own style and script",
}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_files_opens_files(path: Path) -> None:
    place = path.relative_to(PACKAGE).with_suffix("").as_posix()
    if part(path) == "files" or place in MAY_OPEN:
        return
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                is_ours = isinstance(node.func.value, ast.Name) and node.func.value.id == "files"
                is_opening = node.func.attr in OPENS and not is_ours
            else:  # bare, the other names are those of ``files`` and ``outputs``
                is_opening = isinstance(node.func, ast.Name) and node.func.id == "open"
            assert not is_opening, f"{place}:{node.lineno} opens a file"


def test_every_part_has_a_rule() -> None:
    assert {part(p) for p in MODULES} - {"__init__", "__main__", "cli"} <= set(MAY_IMPORT)


def test_the_rules_would_see_a_breach() -> None:
    found = set(imports(PACKAGE / "files" / "rig.py"))
    assert "h5py" in found and "calib.core.rig.Rig" in found


def test_only_what_prints_a_record_may_import_report(tmp_path: Path) -> None:
    module = tmp_path / "m.py"
    line = "from calib.report.words import plain\n"
    for code, expected in (
        (line, ["calib.report.words.plain"]),
        (f"class A:\n    def __str__(self):\n        {line}", []),
        (f"class A:\n    def as_json(self):\n        {line}", ["calib.report.words.plain"]),
        ("class A:\n    def __str__(self):\n        import cv2\n", ["cv2"]),
    ):
        module.write_text(code)
        assert list(imports(module)) == expected


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_stay_short(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


def test_folders_have_rooms() -> None:
    for folder in {path.parent for path in MODULES}:
        held = [p for p in folder.glob("*.py") if p.name != "__init__.py"]
        place = folder.relative_to(PACKAGE).as_posix()
        assert len(held) <= 14, f"{place}: {len(held)} modules"


@pytest.mark.parametrize("module", ["calib", "calib.cli.main"])
def test_heavy_libraries_wait_until_they_are_needed(module: str) -> None:
    heavy = ("cv2", "scipy", "h5py", "networkx", "numba", "numpy", "plotly")
    code = f"import sys, {module}; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
