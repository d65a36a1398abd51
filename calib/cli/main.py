"""The program ``calib``: its commands, and how they end.

Exit 0: done, nothing to act on; 1: done, and there is something to act on; 2: the call or an input
is wrong, told in one line on standard error; 130 and 143: stopped by Ctrl-C or by the system
(``process``).
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from calib import __version__, guard
from calib.cli import process
from calib.cli.commands import GROUPS
from calib.cli.first_use import FirstUse
from calib.cli.help import add, option, write_commands
from calib.core.compiled import when_compiling
from calib.core.names import visible
from calib.errors import MOST_SHOWN, CalibError, InputError

# The class of all errors in a call; typer does not export it by name.
UsageError: Any = typer.BadParameter.__base__


# What libraries say where the system gives no more memory, be it for their own code or a thread.
_OUT_OF_MEMORY = (
    "failed to map segment",
    "annot allocate memory",
    "can't start new thread",
    "libllvmlite",
    "Insufficient memory",
    "error return without exception set",  # the interpreter's own, where it could make no exception
)


class Commands(TyperGroup):
    """The commands, so wrapped that every failure ends in one line and an exit code, never in a
    traceback.
    """

    def main(self, args: Sequence[str] | None = None, *_: Any, **__: Any) -> Any:
        given = list(sys.argv[1:] if args is None else args)
        code, is_spent = 0, False
        if any(map(_is_hdf5, given)):
            guard.start()  # side by side with what loads here
        try:
            try:
                self._main_shell_completion({}, "calib")  # ends here where a shell asks for it
                with self.make_context("calib", given or ["--help"]) as context:
                    self.invoke(context)
            except typer.Exit as end:
                code = end.exit_code
            finally:
                sys.stdout.flush()  # here, where a full disk can still be told
        except CalibError as error:
            code = _fail(str(self._of_input(error, given)))
        except UsageError as error:
            code = _fail(self._of_call(error))
        except KeyboardInterrupt:  # in a process that has not been prepared
            code = _fail(process.stopped(signal.SIGINT), 130)
        except MemoryError:
            code, is_spent = _fail(process.NO_MEMORY), True
        except BrokenPipeError:  # the reader of a pipe has seen enough
            code = 141
        except (ImportError, OSError, RuntimeError, SystemError) as error:
            line = _of_system(error)
            code, is_spent = _fail(line), line == process.NO_MEMORY
        except Exception as error:
            if os.environ.get("CALIB_TRACEBACK"):
                raise
            code = _fail(_defect(error))
        _forget_stdout()
        if is_spent:
            process.end(code)
        sys.exit(code)

    def _of_input(self, error: CalibError, given: Sequence[str]) -> CalibError:
        """Return an error that says what to do: what readers of files leave open is of the call."""
        command = next((word for word in given if word in self.commands), "")
        if isinstance(error, InputError) and not error.remedy:
            error.remedy = f"See {f'calib {command}'.rstrip()} --help."
        return error

    def _of_call(self, error: Any) -> str:
        path = error.ctx.command_path if error.ctx is not None else "calib"
        wrong = getattr(error, "option_name", None)
        if any(wrong in option.opts for option in self.params):
            message = f"{wrong} goes before the command: calib {wrong}{path[5:]} ..."
        else:
            # A word of typer's checks, not of ours.
            message = error.format_message().replace("Value error, ", "")
            message += "" if message.endswith((".", "?")) else "."
        return f"{path}: {message} See {path} --help."

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands by what a person is about to do."""
        write_commands(formatter, GROUPS, self.list_commands(ctx))


def _is_hdf5(argument: str) -> bool:
    if not os.path.isfile(argument):  # a pipe would keep it waiting
        return False
    try:
        with open(argument, "rb") as stream:
            return stream.read(8) == b"\x89HDF\r\n\x1a\n"
    except (OSError, ValueError):
        return False


def _fail(line: str, code: int = 2) -> int:
    line = visible(" ".join(line.split()))
    if len(line) > MOST_SHOWN:  # escaped, or of no error of ours; what to do stands at the end
        line = f"{line[: MOST_SHOWN * 3 // 4]} ... {line[5 - MOST_SHOWN // 4 :]}"
    print(line, file=sys.stderr)
    return code


def _forget_stdout() -> None:
    """Drop what could not be written, or the interpreter tries again at its end and complains."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _of_system(error: ImportError | OSError | RuntimeError | SystemError) -> str:
    """Return the line of an error that the system made, or a library that met one."""
    if any(words in str(error) for words in _OUT_OF_MEMORY):
        return process.NO_MEMORY
    if not isinstance(error, OSError):
        if os.environ.get("CALIB_TRACEBACK"):
            raise error
        return _defect(error)
    where = error.filename or "output"
    found = error.strerror or error
    return f"{where}: expected to read or write it, found {found}. Look at room and permissions."


def _defect(error: Exception) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)} line {last.lineno}"
    return (
        f"calib: a defect of the program, not of your files: {type(error).__name__} "
        f"({error}) in {place}."
        " Report it with the command and the files; CALIB_TRACEBACK=1 shows more."
    )


app = typer.Typer(cls=Commands, pretty_exceptions_enable=False, rich_markup_mode=None)
for commands in GROUPS.values():
    for name, (command, about) in commands.items():
        add(app, name, command, about)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"calib {__version__}")
        raise typer.Exit


@app.callback()
def _about(
    context: typer.Context,
    version: Annotated[
        bool, option("--version", "Print the version.", callback=_print_version, is_eager=True)
    ] = False,
    most_points: Annotated[
        int | None,
        option(
            "--max-points N",
            "Refuse tracks of more points, some 80 bytes of memory each.",
            min=1,
            show_default="20 million",
        ),
    ] = None,
    quiet: Annotated[
        bool, option("--quiet -q", "Results, errors and cautions alone; before COMMAND.")
    ] = False,
) -> None:
    """Calibrate a rig of many tracking cameras from a wand wave.

    Exit codes: 0 done; 1 done, and something needs action; 2 the call or an input is wrong, and
    nothing was written.
    """
    del version
    when_compiling(FirstUse())
    if quiet:
        from calib.cli import console

        context.with_resource(console.quiet())
    if most_points is not None:
        guard.most_points.set(most_points)
