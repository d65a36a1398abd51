"""The rules of who may import what, over every import statement of the package."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import networkx
import pytest

from calib.printed import Printed, Reported

PACKAGE = Path(__file__).parents[1] / "calib"
MODULES = sorted(PACKAGE.rglob("*.py"))

# Of the package itself, by folder or module: what it may import beside itself.
MAY_IMPORT = {
    "errors": set(),
    "printed": set(),  # finds a record's words in ``report`` by name: prints, notebooks, plain data
    "calling": {"errors"},  # what a public function says to an argument of another kind
    "outputs": {"errors"},
    "guard": {"errors"},
    "core": {"errors", "printed"},
    "intake": {"errors", "printed", "core"},
    "solve": {"errors", "printed", "core"},
    "naming": {"errors", "printed", "core", "intake", "solve"},
    "pipeline": {"errors", "core", "naming", "solve", "check"},
    "check": {"errors", "printed", "core", "naming", "solve"},
    "prove": {"errors", "printed", "core", "naming", "solve", "check"},
    "watch": {"errors", "printed", "core", "naming", "solve", "check", "prove", "pipeline"},
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
    "plan": {"errors", "printed", "core", "solve", "prove", "simulate"},
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


def imports(path: Path) -> Iterator[str]:
    """Yield the dotted names that a module imports, at its top or inside functions."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(
        ".__init__"
    )


def subclasses(of: type) -> set[type]:
    return {s for c in of.__subclasses__() for s in {c, *subclasses(c)}}


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
    "core/compiled": "reads the source of what it keeps as machine code",
    "guard/__init__": "talks to its other process in JSON",
    "guard/walk": "asks the system how much memory it has, and answers in JSON",
    "cli/main": "points standard output at nothing when its reader has left",
    "cli/process": "opens standard streams that are closed",
    "intake/centroids/sources": "reads images",
    "report/own": "reads the package's own style sheets, script and examples",
    "__init__": "reads its own stub, which lists what is public",
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


def test_every_record_that_is_told_has_its_words() -> None:
    for path in MODULES:  # loaded, so that their classes are known
        if path.stem != "__main__":
            importlib.import_module(dotted(path))
    found = [c for c in subclasses(Printed) if c is not Reported]
    assert len(found) > 10
    for record in found:
        words = importlib.import_module(f"calib.report.{record.REPORT}")
        wanted = ("as_blocks", "as_json") if issubclass(record, Reported) else ("as_blocks",)
        assert all(callable(getattr(words, name, None)) for name in wanted), record


def test_no_modules_import_each_other() -> None:
    """Cycles by networkx, of imports inside functions too."""
    known = {dotted(path): path for path in MODULES}
    graph = networkx.DiGraph()
    for name, path in known.items():
        for target in imports(path):
            found = target if target in known else target.rpartition(".")[0]
            if found in known and found != name and known[found].name != "__init__.py":
                graph.add_edge(name, found)
    assert graph.number_of_edges() > len(known)
    assert [c for c in networkx.strongly_connected_components(graph) if len(c) > 1] == []


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


@pytest.mark.parametrize("module", ["calib.files", "calib.report.papers.describe"])
def test_what_tells_of_a_file_loads_nothing_that_solves(module: str) -> None:
    code = f"import sys, {module}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert module in loaded
    assert not loaded & {"cv2", "networkx", "numba", "scipy.linalg", "scipy.spatial", "calib.solve"}
