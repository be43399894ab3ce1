"""The command line: parse, call, print. `main` is the entry point.

Every command lives in a module named in `_MODULES`, whose `add_to(app)` hangs its commands onto the
application. Modules import nothing heavy at their top, so that `fleet --help` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Annotated, Final, NoReturn

import typer

from fleet.cli import common
from fleet.errors import FleetError

DONE: Final = 0
ROWS_PUT_ASIDE: Final = 1
COULD_NOT: Final = 2
_INTERRUPTED: Final = 130

_MODULES: Final = (
    "fleet.cli.demo",
    "fleet.cli.sheets",
    "fleet.cli.guides",
    "fleet.cli.refit",
    "fleet.cli.tallies",
    "fleet.cli.model",
    "fleet.cli.quoting",
    "fleet.cli.bench",
    "fleet.cli.verdicts",
    "fleet.cli.workbench",
    "fleet.cli.drawer",
    "fleet.cli.review",
    "fleet.cli.bench_trust",
    "fleet.cli.gauging",
    "fleet.cli.record",
    "fleet.cli.papers",
    "fleet.cli.screens",
    "fleet.cli.sharing",
    "fleet.cli.upkeep",
)
"""Modules with commands, in the order of the help page; a new one is one more line here."""


def build_app() -> typer.Typer:
    """Make the application with all its commands."""
    app = typer.Typer(
        name="fleet",
        help="Bench sheets of phono pickups in; honest quotes, suspects and target attainment out.",
        epilog="Start with: fleet demo. Then: fleet explain.",
        add_completion=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback(invoke_without_command=True)(_root)
    for name in _MODULES:
        import_module(name).add_to(app)
    return app


def _root(
    context: typer.Context,
    store: Annotated[
        Path | None, typer.Option("--store", metavar="PATH", help=common.STORE_HELP, show_default=False)
    ] = None,
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    common.root_store.set(store)
    if version:
        from fleet import __version__

        typer.echo(f"fleet {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status: 0 done, 1 rows put aside, 2 could not."""
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
    words = None if arguments is None else list(arguments)
    try:
        status = build_app()(args=words, prog_name="fleet", standalone_mode=False)
    except FleetError as error:
        if common.debugging():
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
        if common.debugging():
            raise
        return _fail(
            f"something went wrong inside fleet ({type(error).__name__}); nothing more was done. "
            "Set FLEET_DEBUG=1 and run it again to see where."
        )
    if status == _INTERRUPTED:
        typer.echo("fleet: stopped.", err=True)
    return status if isinstance(status, int) else DONE


def _fail(line: str) -> int:
    typer.echo(f"fleet: {' '.join(line.split())}", err=True)
    return COULD_NOT


def _usage_line(error: Exception) -> str:
    """What is wrong with the words typed, and where help is, in one line."""
    context = getattr(error, "ctx", None)
    where = getattr(context, "command_path", None) or "fleet"
    message = error.format_message().rstrip(".").replace("Value error, ", "")  # type: ignore[attr-defined]
    return f"{message}. See: {where} --help"
