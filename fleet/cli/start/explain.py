"""Explain a topic: `fleet explain`; pages are the files of `fleet/docs` and two made from the code."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from typing import Annotated, Final

import typer

from fleet.cli.common import say
from fleet.columns import COLUMNS, ENQUIRY_COLUMNS, Column
from fleet.errors import FleetError, meant
from fleet.extras import fill_in_commands


def _begun(incomplete: str) -> list[str]:
    """Topics that begin like what was typed."""
    return [name for name in sorted(_pages()) if name.startswith(incomplete)]


def explain(
    topic: Annotated[
        str | None,
        typer.Argument(metavar="[TOPIC]", help="Without it, the topics are listed.", autocompletion=_begun),
    ] = None,
) -> None:
    """Explain a topic: words and signs, files, columns, policies and more."""
    if topic is None:
        from fleet.cli.tables import table

        known = titles()
        say("fleet explain TOPIC, with one of these:")
        say(table({"topic": list(known), "what it is about": list(known.values())}))
        return
    say(page(topic))


def titles() -> dict[str, str]:
    """What each topic is about, by topic: the first line of its page."""
    pages = {name: text() for name, text in _pages().items()}
    return {name: text.splitlines()[0].lstrip("# ") for name, text in sorted(pages.items())}


def page(topic: str) -> str:
    """The page of a topic.

    Raises
    ------
    FleetError
        If there is no such topic; the line lists those there are.
    """
    pages = _pages()
    if topic not in pages:
        raise FleetError(
            f"there is no topic of that name; topics are {', '.join(sorted(pages))}{meant(topic, pages)}"
        )
    return fill_in_commands(pages[topic]().rstrip())


def _pages() -> dict[str, Callable[[], str]]:
    folder = resources.files("fleet") / "docs"
    files = {
        entry.name.removesuffix(".md"): (lambda e=entry: e.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if entry.name.endswith(".md")
    }
    return {**files, **_GENERATED}


def _columns_page() -> str:
    parts = [
        "# Every column of a bench sheet and of an enquiry, with unit and range",
        "",
        "## Bench sheet",
        "",
    ]
    parts += [_entry(column) for column in COLUMNS.values()]
    parts += ["", "## Enquiry", ""]
    parts += [
        _entry(column) if name not in COLUMNS else f"- {name}: as on a bench sheet"
        for name, column in ENQUIRY_COLUMNS.items()
    ]
    return "\n".join(parts)


def _entry(column: Column) -> str:
    needed = " (required)" if column.required else ""
    default = f"; empty means {column.default}" if column.default else ""
    note = f"; {column.note}" if column.note else ""
    return f"- {column.name}{needed}: {column.accepts}{default}{note}"


def _policy_page() -> str:
    from fleet.policy.files import DEFAULT_TOML

    return (
        "# Target policies: what counts as met, how a body may be tilted, what is charged\n\n"
        "A policy file is TOML; name it with --policy FILE, and a policy in it with --policy-name NAME.\n"
        "quote, attainment and suspects keep such a policy in the store, under the fingerprint that results\n"
        "name and without its own name: fleet policies lists them, fleet policies FINGERPRINT --out FILE\n"
        "writes an old one back, so that an old result can be made again.\n"
        "These are all its keys with their defaults (common practice, no published source):\n\n"
        + DEFAULT_TOML
    )


_GENERATED: Final[dict[str, Callable[[], str]]] = {"columns": _columns_page, "policy": _policy_page}
