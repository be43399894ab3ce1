"""The command line: parse, call, print. `main` is the entry point.

Every command lives in a module of its own name, in a folder for its panel of the help page; `COMMANDS` gives
their order. Modules import nothing heavy at their top, so that `fleet --help` answers at once.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn

import typer
from typer.core import TyperGroup

from fleet.cli import common, files_out
from fleet.cli.settings import as_defaults, settings, settings_file
from fleet.errors import FleetError
from fleet.output import replace_anything, standard_kind

DONE: Final = 0
COULD_NOT: Final = 2
_INTERRUPTED: Final = 130

COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "week": (
        "Every week",
        "intake refit quote judge unit suspects verdict attainment report dashboard",
    ),
    "before": ("Before bench time", "desk wedges"),
    "bench": ("At the bench", "align tilt roll zenith reach"),
    "year": ("Over the year", "record backtest model"),
    "trust": ("The bench itself", "watch noise gauge budget"),
    "growth": ("When the fleet grows", "export merge tallies"),
    "upkeep": (
        "Looking after the store",
        "status history check backup restore undo forget rekey policies",
    ),
    "start": ("Start and help", "demo explain guide"),
}
"""Panels of the help page by folder, each with its commands, all in the order of the page.

A command is the function (or the group of commands) of its own name in the module of its own name.
"""


class InOrder(TyperGroup):
    """Commands and groups of commands in the order of `COMMANDS`."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Every command, in the order of the help page."""
        return [name for _, names in COMMANDS.values() for name in names.split()]


def build_app(words: Sequence[str] = ()) -> typer.Typer:
    """Make the application with its commands: those that the words name, or all where they name none."""
    app = typer.Typer(
        name="fleet",
        cls=InOrder,
        help="Bench sheets of phono pickups in; honest quotes, suspects and target attainment out.",
        epilog="Start with: fleet demo. Then: fleet explain.",
        add_completion=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback(invoke_without_command=True)(_root)
    known = [(f, panel, name) for f, (panel, names) in COMMANDS.items() for name in names.split()]
    wanted = {name for _, _, name in known} & set(words)
    for folder, panel, name in known:
        if not wanted or name in wanted:
            command = getattr(import_module(f"fleet.cli.{folder}.{name}"), name)
            if isinstance(command, typer.Typer):
                app.add_typer(command, name=name, rich_help_panel=panel)
            else:
                app.command(name, rich_help_panel=panel)(files_out.with_force(command))
    return app


def _root(
    context: typer.Context,
    store: Annotated[
        Path | None, typer.Option("--store", metavar="PATH", help=common.STORE_HELP, show_default=False)
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", "-q", help="Say nothing but warnings, faults and tables for a program.")
    ] = False,
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    common.root_store.set(store)
    common.quiet.set(quiet)
    if version:
        from fleet import __version__

        typer.echo(f"fleet {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status: 0 done, 1 rows put aside, 2 could not."""
    # Matrices are small here: to start threads for them costs a seventh of a quick command, and saves none.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(20_000, 20, 20)  # what loading modules makes lasts: no need to look it through often
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; every failure is one line on standard error.

    Parameters
    ----------
    arguments : the words after `fleet`, those of the process if None.

    Returns
    -------
    Exit status.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(
            stream, "reconfigure"
        ):  # a terminal without degree signs gets question marks, not an error
            stream.reconfigure(errors="replace")
    words = sys.argv[1:] if arguments is None else list(arguments)
    common.typed_words.set(tuple(words))
    replace_anything.set(False)
    standard_kind.set(".csv")
    common.quiet.set(False)
    try:
        app, told = build_app(words), settings(settings_file(words))
        every = [name for _, names in COMMANDS.values() for name in names.split()]
        usual = as_defaults(told, app, every)
        command = _light(typer.main.get_command(app))
        status = command(args=words, prog_name="fleet", standalone_mode=False, default_map=usual)
    except FleetError as error:
        if common.debug_wanted():
            raise
        return _fail(str(error))
    except (KeyboardInterrupt, typer.Abort):
        status = _INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except Exception as error:  # the last door: nobody at the bench reads a traceback
        if hasattr(error, "format_message"):
            return _fail(_usage_line(error))
        if common.debug_wanted():
            raise
        return _fail(
            f"something went wrong inside fleet ({type(error).__name__}); nothing more was done. "
            "Set FLEET_DEBUG=1 and run it again to see where."
        )
    if status == _INTERRUPTED:
        typer.echo("fleet: stopped.", err=True)
    return status if isinstance(status, int) else DONE


class _AsTyped:
    """Takes what was typed for a parameter as it is: text and paths need none of typer's checks of types.

    Those checks load pydantic, so they are made only where a value has to be turned into a number or a word.
    """

    def coerce(self, value: Any, *, param: Any, ctx: Any) -> Any:
        """The value as the command takes it."""
        kind = param.type_descriptor.annotation
        if value is None or (isinstance(kind, type) and isinstance(value, kind)):
            return value
        if kind is Path and isinstance(value, str):
            return Path(value)
        param._runtime_param = None  # typer makes its own then
        return param.get_runtime_param().coerce(value, param=param, ctx=ctx)


def _light(command: Any) -> Any:
    """A command and those below it, parameters taken by `_AsTyped` (an older typer has no such checks)."""
    usual = command.get_params

    def params(context: Any) -> Any:
        found = usual(context)
        for param in found:
            if getattr(param, "_runtime_param", 0) is None and param.nargs == 1 and not param.multiple:
                param._runtime_param = _AsTyped()
        return found

    command.get_params = params
    for below in getattr(command, "commands", {}).values():
        _light(below)
    return command


def _fail(line: str) -> int:
    common.warn(f"fleet: {' '.join(line.split())}")
    return COULD_NOT


_PLAINER: Final = (
    ("Value error, ", ""),
    ("Input should be", "it must be"),
    ("a valid integer", "a whole number"),
    ("a valid number", "a number"),
    ("greater than or equal to", "at least"),
    ("less than or equal to", "at most"),
    ("does not match the formats '%Y-%m-%d'", "is no day: write YYYY-MM-DD"),
)


def _usage_line(error: Exception) -> str:
    """What is wrong with the words typed, and where help is, in one line."""
    context = getattr(error, "ctx", None)
    where = getattr(context, "command_path", None) or "fleet"
    message = error.format_message().rstrip(".").partition(", unable to parse")[0]  # type: ignore[attr-defined]
    for theirs, ours in _PLAINER:
        message = message.replace(theirs, ours)
    return f"{message}. See: {where} --help"
