"""Say what the store holds and what to do next: `fleet status`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fleet.cli import common
from fleet.cli.common import say
from fleet.columns import HELD_BACK
from fleet.errors import NoModelError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.store import Store

MOST_NAMED: Final = 5


def status(store: common.StoreOption = None) -> None:
    """Say what the store holds, how old the house model is and what to do next."""
    where = common.the_store(store).open()
    sheets = where.current(
        ["purpose", "measured_on", "unit", "body_family", "assembly_source", "sheet_no", "marks"]
    )
    units = sheets[sheets["purpose"] == "unit"]
    say(f"Store {where.path}, revision {where.revision()}.")
    if len(sheets):
        first, last = sheets["measured_on"].min(), sheets["measured_on"].max()
        say(
            f"{len(units)} sheets of {units['unit'].nunique()} units: "
            f"{units['body_family'].nunique()} families, "
            f"{units['assembly_source'].nunique()} assembly sources; "
            f"{len(sheets) - len(units)} sheets of check pickups, {first:%Y-%m-%d} to {last:%Y-%m-%d}."
        )
    else:
        say("It holds no sheet yet.")
    if held := _held_line(sheets):
        say(held)
    say(_key_line(where))
    if lent := _lent_line(where):
        say(lent)
    say(_model_line(where, empty=sheets.empty))


def _held_line(sheets: pd.DataFrame) -> str:
    """Which sheets don't teach before somebody has looked; empty if none."""
    marked = sheets[sheets["marks"].notna()]
    numbers = [
        n for n, m in zip(marked["sheet_no"], marked["marks"], strict=True) if {*m.split(";")} & {*HELD_BACK}
    ]
    if not numbers:
        return ""
    named = ", ".join(numbers[:MOST_NAMED]) + (", …" if len(numbers) > MOST_NAMED else "")
    return (
        f"Readings that can't be true together, which teach nothing yet, are on {len(numbers)} "
        f"sheet{'s' if len(numbers) > 1 else ''} ({named}): correct them (fleet intake --supersede), or look "
        "and say so (fleet verdict SHEET healthy)."
    )


def _key_line(store: Store) -> str:
    from fleet.intake import load_key
    from fleet.intake.tokens import weak_secret

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
    from fleet.fitting.kept_model import load_house

    try:
        house = load_house(store)
    except NoModelError as error:
        return str(error)
    if store.changes_since(house.revision):
        return "The house model is older than the sheets. Next: fleet refit"
    return (
        "The house model is up to date. "
        "Next: fleet quote FILE, fleet suspects, fleet attainment, fleet dashboard"
    )
