"""Options for the columns of the contract: one option a column, its help, unit and range from the catalogue.

What is typed goes through the same checks as a file, so a wrong unit gets the same hint.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from functools import wraps
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.columns import (
    CANTILEVER_MATERIALS,
    ENQUIRY_COLUMNS,
    READ_BY,
    READERS,
    STYLUS_PROFILES,
    Column,
)
from fleet.errors import FleetError, meant
from fleet.words import shorts

if TYPE_CHECKING:
    from numpy.typing import NDArray

READ_BY_OPTION: Final = "read_by"
"""One option says who read all typed angles; a file can say it for each."""
ENQUIRY_FACTS: Final = {
    **{n: c for n, c in ENQUIRY_COLUMNS.items() if n not in {"enquiry_id", "policy", *READ_BY.values()}},
    READ_BY_OPTION: Column(
        READ_BY_OPTION,
        "word",
        words=READERS,
        note="who read the angles told here, of this very unit: a bench (if left out), the owner from "
        "a photo or by eye, its maker",
    ),
}
"""What may be known of a pickup before bench time."""
FORCE, GRAMS = "vtf_mn", "vtf_g"
_PANEL: Final = "Readings and facts (all may be left out)"
SHORT_NAMES: Final = {
    **shorts(("body_family", "assembly_source", "stylus_profile", "cantilever_material")),
    **dict.fromkeys(READ_BY.values(), "read-by"),
}
"""Short forms of options that are typed often."""


KindOption = Annotated[
    str | None, typer.Option("--kind", metavar="STYLUS/CANTILEVER", help="Such as line_contact/boron.")
]


def option_of(name: str) -> str:
    """The option of a column, as the user types it."""
    return f"--{SHORT_NAMES.get(name, name.replace('_', '-'))}"


def with_columns(columns: Mapping[str, Column]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command one text option for each column; the command takes them as `**facts`.

    A tracking force may be told in grams as well: `--vtf-g` is turned into `vtf_mn`.
    """

    def dress(command: Callable[..., None]) -> Callable[..., None]:
        if FORCE in columns:
            command = _grams_taken(command)
        own = [
            p
            for p in inspect.signature(command, eval_str=True).parameters.values()
            if p.kind is not p.VAR_KEYWORD
        ]
        given = [
            inspect.Parameter(
                name,
                inspect.Parameter.KEYWORD_ONLY,
                default=None,
                annotation=Annotated[str | None, _option(name, column)],
            )
            for name, column in columns.items()
        ]
        if FORCE in columns:
            place = [p.name for p in given].index(FORCE) + 1
            given.insert(place, _grams_parameter())
        signature = inspect.Signature([*own, *given])
        command.__signature__ = signature  # type: ignore[attr-defined]
        command.__annotations__ = {p.name: p.annotation for p in signature.parameters.values()}
        return command

    return dress


def _grams_parameter() -> inspect.Parameter:
    option = typer.Option(
        f"--{GRAMS.replace('_', '-')}",
        metavar="g",
        help="The tracking force in grams instead; 1 g = 9.80665 mN.",
        show_default=False,
        rich_help_panel=_PANEL,
    )
    kind = inspect.Parameter.KEYWORD_ONLY
    return inspect.Parameter(GRAMS, kind, default=None, annotation=Annotated[str | None, option])


def _grams_taken(command: Callable[..., None]) -> Callable[..., None]:
    """The command, taking `vtf_g` where it takes `vtf_mn`."""

    @wraps(command)
    def run(*args: Any, vtf_g: str | None = None, **given: Any) -> None:
        if vtf_g is not None:
            if given.get(FORCE) is not None:
                raise FleetError("--vtf-mn and --vtf-g tell the same force; leave one of them out.")
            given[FORCE] = _in_millinewtons(vtf_g)
        command(*args, **given)

    run.__signature__ = inspect.signature(command, eval_str=True)  # type: ignore[attr-defined]
    return run


def _in_millinewtons(grams: str) -> str:
    from fleet.intake.guides.units import G_MN

    try:
        return f"{float(grams.strip()) * G_MN:.6g}"
    except ValueError:
        raise FleetError(f"--vtf-g: {grams!r} is no number; write grams such as 1.8.") from None


def with_shared(
    shared: Callable[..., Any], name: str
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options of `shared` too; it takes what `shared` makes of them as `name`."""

    def dress(command: Callable[..., None]) -> Callable[..., None]:
        own = inspect.signature(command, eval_str=True).parameters
        theirs = inspect.signature(shared, eval_str=True).parameters

        @wraps(command)
        def run(**given: Any) -> None:
            made = shared(**{option: given.pop(option) for option in theirs})
            command(**given, **{name: made})

        kept = [p for p in own.values() if p.name != name]
        end = len(kept) - sum(p.kind is p.VAR_KEYWORD for p in kept)
        both = [p.replace(kind=p.KEYWORD_ONLY) for p in theirs.values()]
        run.__signature__ = inspect.Signature([*kept[:end], *both, *kept[end:]])  # type: ignore[attr-defined]
        return run

    return dress


def _option(name: str, column: Column) -> Any:
    long = f"--{name.replace('_', '-')}"
    names = [option_of(name)] if option_of(name) == long else [option_of(name), long]
    note = column.note.replace("[", "(").replace("]", ")")
    return typer.Option(
        *names,
        metavar=column.unit or column.kind.upper(),
        help=f"{note[:1].upper()}{note[1:]}: {column.accepts}.",
        show_default=False,
        rich_help_panel=_PANEL,
    )


def typed_row(
    facts: Mapping[str, str | None], columns: Mapping[str, Column]
) -> tuple[dict[str, NDArray[Any]], tuple[str, ...]]:
    """Check what was typed as a file's only row would be.

    Parameters
    ----------
    facts : text by column, None where the option was left out.
    columns : the catalogue to check against.

    Returns
    -------
    (every column with its one row, names of the columns told).

    Raises
    ------
    FleetError
        If a value can't be what it is said to be; the line names the option and every reason.
    """
    from fleet.intake import check_typed

    return check_typed(facts, columns, call=option_of)


def split_kind(kind: str, told: dict[str, str]) -> dict[str, str]:
    """Stylus profile and cantilever material out of `stylus/cantilever`.

    Raises
    ------
    FleetError
        If it isn't two known words, or contradicts what else was told.
    """
    parts = tuple(part.strip() for part in kind.split("/"))
    if len(parts) != 2 or parts[0] not in STYLUS_PROFILES or parts[1] not in CANTILEVER_MATERIALS:
        words = (STYLUS_PROFILES, CANTILEVER_MATERIALS)
        near = [
            get_close_matches(part.lower(), known, n=1) for part, known in zip(parts, words, strict=False)
        ]
        pairs = ["/".join(word for (word,) in near)] if len(parts) == 2 and all(near) else []
        raise FleetError(
            f"--kind takes STYLUS/CANTILEVER: one of {', '.join(STYLUS_PROFILES)}, a stroke, "
            f"and one of {', '.join(CANTILEVER_MATERIALS)}{meant(kind, pairs)}"
        )
    both = dict(zip(("stylus_profile", "cantilever_material"), parts, strict=True))
    if any(told.get(name, word) != word for name, word in both.items()):
        raise FleetError("--kind and --stylus or --cantilever contradict each other; leave one of them out.")
    return both
