"""The README as a newcomer takes it: its lines in order, in an empty folder."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import typer

from calib.cli.commands import GROUPS
from calib.cli.main import app
from tests.program import Call

README = Path(__file__).parents[1] / "README.md"
TEXT = README.read_text(encoding="utf-8")
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", TEXT, flags=re.DOTALL | re.MULTILINE)


@pytest.mark.usefixtures("in_no_time")
def test_its_lines_work_in_order_as_printed(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (block,) = blocks("sh")
    ran = set()
    for line in block.splitlines():
        program, *arguments = shlex.split(line, comments=True)
        assert program == "calib", line
        output = Path(arguments.pop()) if arguments[-2:-1] == [">"] else None
        if output is not None:
            arguments.pop()
        code, out, err = call(*arguments)
        assert code == (1 if "exit 1" in line.partition("#")[2] else 0), f"{line}\n{out}{err}"
        assert "Traceback" not in err
        if output is not None:
            output.write_text(out, encoding="utf-8")
        ran.add(arguments[0])
        for name in re.findall(r"[\w.]+\.(?:h5|csv|html|json|svg|toml)\b", line.partition("#")[0]):
            assert list(Path().rglob(name)), f"{line} leaves {name}"
    # What the lines before do not make, a newcomer does not have.
    assert ran >= {c.name for c in app.registered_commands} - {"import"}


def test_what_is_printed_in_python_runs_on_what_the_lines_made(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    simulated = ("simulate", "t", "--cameras", 6, "--frames", 300, "--floor", "--bar")
    assert call(*simulated)[0] == 0
    for path in Path("t").iterdir():
        path.rename(path.name)
    (block,) = blocks("python")
    found: dict[str, object] = {}
    exec(compile(block, str(README), "exec"), found)
    assert Path("rig.h5").exists() and len(found["points"].frame) > 100  # type: ignore[attr-defined]


def test_it_is_short_and_every_command_has_its_place() -> None:
    lines = TEXT.splitlines()
    assert len(lines) <= 150 and max(map(len, lines)) <= 100
    named = [name for commands in GROUPS.values() for name in commands]
    assert len(named) == len(set(named))
    assert {c.name for c in app.registered_commands} <= set(named)


@pytest.mark.parametrize("name", [str(c.name) for c in app.registered_commands])
def test_help_has_an_example_that_the_command_understands(name: str, call: Call) -> None:
    code, out, err = call(name, "--help")
    assert (code, err) == (0, "") and max(map(len, out.splitlines())) <= 100
    _, found, rest = out.partition("Examples:\n")
    calls = [line.strip() for line in rest.partition("\n\n")[0].splitlines()]
    assert found and any(
        line.startswith(f"calib {name} ") or line == f"calib {name}" for line in calls
    )
    for line in calls:
        program, command, *arguments = shlex.split(line, comments=True)
        assert program == "calib"
        if ">" in arguments:
            arguments = arguments[: arguments.index(">")]
        COMMANDS[command].make_context(command, arguments)
