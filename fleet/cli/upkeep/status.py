"""Say what the store holds and what to do next: `fleet status`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from fleet.cli import common
from fleet.cli.common import say
from fleet.columns import HELD_BACK
from fleet.numerals import count

if TYPE_CHECKING:
    from fleet.store import Store

MOST_NAMED: Final = 5


def status(store: common.StoreOption = None) -> None:
    """Say what the store holds, how old the house model is and what to do next."""
    where = common.the_store(store)
    with where.held():
        _say_all(where)


def _say_all(where: Store) -> None:
    from fleet.store import holdings

    held = holdings(where)
    say(f"Store {where.path}, revision {where.revision()}.")
    if held.sheets:
        say(
            f"{count(held.unit_sheets, 'sheet')} of {count(held.units, 'unit')}: "
            f"{count(held.families, 'family')}, {count(held.sources, 'assembly source')}; "
            f"{count(held.sheets - held.unit_sheets, 'sheet')} of check pickups, {held.first} to {held.last}."
        )
    else:
        say("It holds no sheet yet.")
    if back := _held_line(held.marked):
        say(back)
    say(_key_line(where))
    if lent := _lent_line(where):
        say(lent)
    say(_model_line(where, empty=not held.sheets))


def _held_line(marked: Sequence[tuple[str, str]]) -> str:
    """Which sheets don't teach before somebody has looked; empty if none."""
    numbers = [number for number, marks in marked if {*marks.split(";")} & {*HELD_BACK}]
    if not numbers:
        return ""
    named = ", ".join(numbers[:MOST_NAMED]) + (", …" if len(numbers) > MOST_NAMED else "")
    return (
        f"Readings that can't be true together, which teach nothing yet, are on {len(numbers)} "
        f"sheet{'s' if len(numbers) > 1 else ''} ({named}): correct them (fleet intake --supersede), or look "
        "and say so (fleet verdict SHEET healthy)."
    )


def _key_line(store: Store) -> str:
    from fleet.files.tokens import load_key, weak_secret

    noted = store.key_check()
    if noted is None:
        return "No serial number has been turned into a token yet."
    key = load_key(make=False)
    if key is None:
        return (
            "The token key is not here, so no sheet with a serial number can go in: "
            "set FLEET_SECRET or FLEET_KEY_FILE."
        )
    if key.check != noted:
        return (
            "The token key in use is not the one this store was made with: "
            "set FLEET_SECRET or FLEET_KEY_FILE."
        )
    return " ".join(filter(None, ("The token key in use is the store's.", weak_secret())))


def _lent_line(store: Store) -> str:
    from fleet.store.sharing import kept_tallies

    told = [
        f"{k.code} ({k.units} units, {k.made_on:%Y-%m}{'' if k.file else ', withdrawn: export anew'})"
        for k in kept_tallies(store)
    ]
    return f"Other benches' tallies: {', '.join(told)}." if told else ""


def _model_line(store: Store, *, empty: bool) -> str:
    if empty:
        return "Next: fleet intake FILE"
    from fleet.store.models import revision_in_use

    revision = revision_in_use(store)
    if revision is None:
        return "no house model yet: run `fleet refit`"
    if store.changes_since(revision):
        return "The house model is older than the sheets. Next: fleet refit"
    return (
        "The house model is up to date. "
        "Next: fleet quote FILE, fleet suspects, fleet attainment, fleet dashboard"
    )
