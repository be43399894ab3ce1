"""Files that commands write besides tables, and `--force`, which lets them take another file's place."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.errors import FleetError

_FILES: Final[list[Any]] = []
"""Options made by `own_file`."""


def _forced(force: bool) -> None:
    from fleet.output import replace_anything

    replace_anything.set(force)


def _as_json(json: bool) -> bool:
    from fleet.output import standard_kind

    if json:
        standard_kind.set(".json")
    return json


def with_force(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command that writes files the option `--force`, one that writes a table `--json` too."""
    told = signature(command, eval_str=True).parameters
    hints = [hint for p in told.values() for hint in getattr(p.annotation, "__metadata__", ())]
    if not any(getattr(hint, "callback", None) is common.writable or hint in _FILES for hint in hints):
        return command
    tabled = "out" in told and told["out"].annotation == common.OutOption

    @wraps(command)
    def run(**given: Any) -> None:
        given.pop("force")
        if given.pop("json", False):
            if given["out"] not in {None, "-"}:
                raise FleetError("--json goes to standard output; end the name after --out in .json instead.")
            given["out"] = "-"
        command(**given)

    extra = [
        Parameter("force", Parameter.KEYWORD_ONLY, default=False, annotation=Annotated[bool, _FORCE]),
        *(
            [Parameter("json", Parameter.KEYWORD_ONLY, default=False, annotation=Annotated[bool, _JSON])]
            * tabled
        ),
    ]
    run.__signature__ = Signature([*told.values(), *extra])  # type: ignore[attr-defined]
    return run


_FORCE: Final = typer.Option(
    "--force",
    is_eager=True,
    callback=_forced,
    help="Let a table take the name of a file that isn't fleet's own; the old one is kept beside.",
)
_JSON: Final = typer.Option(
    "--json", callback=_as_json, help="The table as JSON on standard output, and nothing else there."
)


def own_file(option: str, what: str, *kinds: str) -> Any:
    """An option (or, with option "", an argument) that names a file other than a table."""

    def check(path: Path | None) -> Path | None:
        from fleet.output import check_place

        if path is not None:
            check_place(path, kinds, option or "FILE")
        return path

    if option:
        made = typer.Option(option, metavar="FILE", help=what, show_default=False, callback=check)
    else:
        made = typer.Argument(metavar="[FILE]", help=what, callback=check)
    _FILES.append(made)
    return made


def make_way(path: Path) -> None:
    """Put aside what a new file would replace if it isn't fleet's own, and say so."""
    from fleet.output import make_way as clear

    kept = clear(path)
    if kept is not None:
        common.say(f"What stood there is kept as {kept}.")
