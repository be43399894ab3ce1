"""Enquiries typed or in a file, and their quotes kept for the track record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.column_options import READ_BY_OPTION, split_kind, typed_row
from fleet.cli.common import ASKED
from fleet.columns import ENQUIRY_COLUMNS, READ_BY, READERS
from fleet.errors import FleetError, meant
from fleet.numerals import count, unknown

if TYPE_CHECKING:
    import pandas as pd

    from fleet.house_model.house import House
    from fleet.intake import Fault
    from fleet.quotes.quote import Quotes
    from fleet.quotes.recalibration import Recalibration
    from fleet.rows import Columns
    from fleet.store import Store

EnquiriesArgument = Annotated[
    Path | None,
    typer.Argument(metavar="[FILE]", help="Enquiries: CSV, XLSX or Parquet; - is CSV on standard input."),
]
AsModelledOption = Annotated[
    bool, typer.Option("--as-modelled", help="Leave out the track record's correction of the intervals.")
]
NoKeepOption = Annotated[
    bool, typer.Option("--no-keep", help="Don't keep these quotes for the track record.")
]


def enquiries_from(
    file: Path | None, kind: str | None, facts: dict[str, str | None]
) -> tuple[Columns, list[Fault]]:
    """Enquiries of a file, or the one that was typed; and what was wrong with the rows put aside.

    Raises
    ------
    FleetError
        If nothing is told, both are, or nothing of the file can be answered.
    """
    told = {name: text for name, text in facts.items() if text is not None}
    if file is not None:
        if told or kind:
            raise FleetError(
                "a file of enquiries says the facts itself; leave the other facts out, or the file."
            )
        from fleet.intake import read_enquiries

        enquiries, faults = read_enquiries(file)
        if enquiries.empty and not faults:
            raise FleetError(f"{file} holds no enquiry, only a header.")
        if enquiries.empty:
            common.show_faults(faults)
            raise FleetError(f"{file} holds no enquiry that can be answered; its faults stand above.")
        return enquiries, faults
    reader = told.pop(READ_BY_OPTION, None)
    if reader is not None:
        told |= _read_by(reader, told)
    if kind is not None:
        told |= split_kind(kind, told)
    if not told:
        raise FleetError(
            "name a file of enquiries, or say what is known: fleet quote --kind line_contact/boron"
        )
    told = {**dict.fromkeys(ENQUIRY_COLUMNS), **told, "enquiry_id": ASKED}  # type: ignore[dict-item]
    return typed_row(told, ENQUIRY_COLUMNS)[0], []


def with_visits(
    rows: Columns, given: Path | None, *, readings: bool, typed: bool
) -> tuple[Columns, pd.DataFrame | None]:
    """Enquiries or a sheet with what the store knows of their units; says on standard error what that is.

    Parameters
    ----------
    rows : with `serial_token`
    given : the store that was named; without a store yet the rows stay as they are
    readings : whether earlier readings count too, as for a quote
    typed : whether a serial was typed, so that the reader waits for a word on it

    Returns
    -------
    (the rows, every sheet of these units; None where none can be known).
    """
    store = common.the_store(given)
    told = dict.fromkeys(rows["serial_token"]) if "serial_token" in rows else {}
    tokens = [str(token) for token in told if not unknown(token)]
    if not store.path.exists() or not (tokens or typed):
        return rows, None
    import pandas as pd

    from fleet.faults.visits import fill_in
    from fleet.store import CURRENT_COLUMNS, pick_sheets

    if not known_key(store):
        if typed:
            common.warn(f"Note: {NO_KEY}; its kind alone answers.")
        return rows, None
    visits = pick_sheets(store, CURRENT_COLUMNS, where={"serial_token": tokens, "purpose": ["unit"]})
    filled, words = fill_in(pd.DataFrame(rows), visits, readings=readings)
    if typed:
        said = next(iter(words.values()), "no sheet of this serial is in the store: its kind alone answers")
        common.warn(f"Note: {said}.")
    elif words:
        common.warn(f"Note: {count(len(words), 'unit')} of these known from earlier visits.")
    return filled, visits


def note_new_codes(typed: Columns, house: House) -> None:
    """Say on standard error which typed code the fleet doesn't know, where it may be a slip of another."""
    for factor, column in (("family", "body_family"), ("source", "assembly_source")):
        if column not in typed:
            continue
        known = set(house.facts.kinds[factor].tolist()) if house.units else set()
        for code in typed[column]:
            if not unknown(code) and code not in known and (near := meant(code, sorted(known))):
                common.warn(f"Note: {factor} {code} was never measured here{near}")


NO_KEY: Final = (
    "a serial is known by the store's own token key, and here is another or none "
    "(FLEET_SECRET, FLEET_KEY_FILE)"
)


def known_key(store: Store) -> bool:
    """Whether the key in use is the one that a store's tokens were made with."""
    from fleet.intake import load_key

    key = load_key(make=False)
    return key is not None and store.key_check() == key.check


def _read_by(reader: str, told: dict[str, str]) -> dict[str, str]:
    """Who read each angle that is told."""
    if reader not in READERS:
        raise FleetError(f"--read-by takes one of {', '.join(READERS)}.")
    found = {READ_BY[name]: reader for name in told if name in READ_BY}
    if not found:
        raise FleetError(
            "--read-by says who read an angle of this unit; tell the angle too, such as --sra-static-deg 91."
        )
    return found


def correction(store: Store) -> Recalibration | None:
    """The correction of intervals that is switched on in a store; None if there is none."""
    if not store.path.exists():
        return None
    from fleet.quotes.recalibration import Recalibration
    from fleet.store.quotes import recalibration_text

    text = recalibration_text(store)
    return None if text is None else Recalibration.from_text(text)


def keep(store: Store, quotes: Quotes, enquiries: Columns, house: House) -> None:
    """Keep quotes for the track record; where that can't be done, say so and go on.

    Parameters
    ----------
    store : where; nothing is kept where there is no store yet
    quotes, enquiries, house : what was told, what was asked, by which model
    """
    if not store.path.exists():
        return
    from fleet.quotes.kept_quotes import archive_rows
    from fleet.rows import column_of
    from fleet.store.models import model_in_use
    from fleet.store.quotes import keep_quotes

    asked = {name: enquiries[name] for name in enquiries}
    asked["enquiry_id"] = column_of([None if x == ASKED else x for x in enquiries["enquiry_id"]])
    try:
        number = model_in_use(store) if house.units > 0.0 else None
        keep_quotes(store, archive_rows(quotes, asked, house, model_id=number))
    except FleetError as error:
        common.warn(f"Note: not kept for the track record: {error}")
