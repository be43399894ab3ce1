"""Quotes kept in the store: once each, matched with the sheet that answers them, erased with the unit."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.statistics.quantile_forecasts import LEVELS
from fleet.store import Store, change_key, forget_sheet, forget_unit, undo_intake
from fleet.store.models import list_models, model_in_use, newest_model, save_model, use_model
from fleet.store.quotes import (
    FORETOLD,
    Kept,
    keep_backtest,
    keep_quotes,
    matched_quotes,
    recalibration_text,
    save_recalibration,
    sheets_by_intake,
    told_facts,
    units_since,
)

Sheets = Callable[..., pd.DataFrame]
TOKEN, OTHER = "a" * 32, "b" * 32


def quotes(*rows: dict[str, object]) -> pd.DataFrame:
    """Quotes to keep, one a dictionary."""
    plain: dict[str, object] = {
        "enquiry_id": None,
        "serial_token": None,
        "model_id": 1,
        "model_revision": 1,
        "taught_intake": 1,
        "facts": "{}",
        "policy": "{}",
        "policy_label": "default (0)",
        "standing": "known",
        "stretch": "{}",
        "p_both_met": 0.5,
        "rake": 90.0,
    }
    full = [{**plain, **row} for row in rows]
    frame = pd.DataFrame(full)
    for name in FORETOLD:
        frame[name] = pd.Series([[float(r["rake"]) + x for x in LEVELS] for r in full], dtype=object)  # type: ignore[arg-type]
    return frame.drop(columns="rake")


def pairs(store: Store, *, backtest: bool = False) -> list[tuple[str, float]]:
    """Sheet numbers that answered a quote, with the rake it foretold (its lowest kept quantile)."""
    found = matched_quotes(store, backtest=backtest)
    lowest = [round(float(x[0]) - LEVELS[0], 3) for x in found.forecasts["sra_dynamic_deg"]]
    return list(zip(found.sheets["sheet_no"], lowest, strict=True))


def test_a_quote_made_again_is_kept_once(store: Store) -> None:
    """The same enquiry, facts, model and policy count once; other facts or another model count again."""
    first = {"enquiry_id": "E1"}
    assert keep_quotes(store, quotes(first, {"enquiry_id": "E2"})) == Kept(new=2, again=0)
    assert keep_quotes(store, quotes(first)) == Kept(new=0, again=1)
    others = quotes({**first, "facts": json.dumps({"vtf_mn": 20.0})}, {**first, "model_revision": 2})
    assert keep_quotes(store, others) == Kept(new=2, again=0)
    assert matched_quotes(store).issued == 4


def test_a_quote_is_small(store: Store) -> None:
    """A thousand quotes take less than two kilobytes each."""
    many = quotes(*({"enquiry_id": f"E{i}", "rake": 88.0 + i / 251.0} for i in range(1000)))
    with store.reader() as con:
        before = con.execute("select used_blocks * block_size from pragma_database_size()").fetchall()[0][0]
    keep_quotes(store, many)
    with store.reader() as con:
        after = con.execute("select used_blocks * block_size from pragma_database_size()").fetchall()[0][0]
    assert after - before < 2_000_000


def test_keeping_is_no_change_of_the_sheets(store: Store) -> None:
    """No house model gets old by quoting."""
    before = store.revision()
    keep_quotes(store, quotes({"enquiry_id": "E1"}))
    assert store.revision() == before


def test_a_sheet_answers_by_enquiry_number_or_serial(store: Store, sheets: Sheets) -> None:
    """Either will do; where both are told and contradict each other, it is another pickup."""
    keep_quotes(
        store,
        quotes(
            {"enquiry_id": "E1", "rake": 1.0},
            {"serial_token": TOKEN, "rake": 2.0},
            {"enquiry_id": "E3", "serial_token": OTHER, "rake": 3.0},
            {"enquiry_id": "E4", "rake": 4.0},
            {"rake": 5.0},
        ),
    )
    come = sheets(
        {"enquiry_id": "E1"}, {"serial_token": TOKEN}, {"enquiry_id": "E3", "serial_token": "c" * 32}, {}
    )
    store.append(come, file_name="a.csv")
    assert pairs(store) == [("A0", 1.0), ("A1", 2.0)]
    found = matched_quotes(store)
    assert (found.issued, found.waiting) == (5, 2)


def test_a_sheet_that_was_there_answers_nothing(store: Store, sheets: Sheets) -> None:
    """What the model may have seen is no test of it, not even corrected or taken in again later."""
    store.append(sheets({"enquiry_id": "E1"}), file_name="a.csv")
    keep_quotes(store, quotes({"enquiry_id": "E1"}))
    store.append(sheets({"enquiry_id": "E1", "vtf_mn": 20.0}), file_name="b.csv", supersede=True)
    assert pairs(store) == []
    undo_intake(store, 1)
    undo_intake(store, 2)
    store.append(sheets({"enquiry_id": "E1"}), file_name="a.csv")
    assert pairs(store) == []


def test_each_sheet_answers_the_last_quote_before_it(store: Store, sheets: Sheets) -> None:
    """An enquiry quoted three times is one proof; a quote made after the sheet is none."""
    for rake in (1.0, 2.0):
        keep_quotes(store, quotes({"enquiry_id": "E1", "rake": rake, "facts": json.dumps({"vtf_mn": rake})}))
    store.append(sheets({"enquiry_id": "E1"}), file_name="a.csv")
    keep_quotes(store, quotes({"enquiry_id": "E1", "rake": 3.0, "model_revision": 9}))
    assert pairs(store) == [("A0", 2.0)]


def test_a_check_pickup_answers_no_quote(store: Store, sheets: Sheets) -> None:
    """Sheets of the bench's own check pickup are no customer's unit."""
    keep_quotes(store, quotes({"serial_token": TOKEN}))
    store.append(sheets({"serial_token": TOKEN, "purpose": "reference"}), file_name="a.csv")
    assert pairs(store) == []


def test_a_backtest_replaces_the_last_one(store: Store, sheets: Sheets) -> None:
    """Its forecasts stand beside the sheets they foretell, apart from quotes told."""
    store.append(sheets({}, {}), file_name="a.csv")
    origin = pd.Timestamp("2024-01-01").date()
    for numbers in (["A0", "A1"], ["A1"]):
        rows = [{"bench": "main", "sheet_no": n, "origin": origin, "rake": 7.0} for n in numbers]
        keep_backtest(store, quotes(*rows))
    assert pairs(store, backtest=True) == [("A1", 7.0)]
    assert pairs(store) == []


def test_forgetting_a_unit_forgets_its_quotes(store: Store, sheets: Sheets) -> None:
    """By serial or by the enquiry that its sheets answer, back-tests included; others stay."""
    kept = quotes(
        {"serial_token": TOKEN}, {"enquiry_id": "E1", "rake": 2.0}, {"enquiry_id": "E2", "rake": 3.0}
    )
    keep_quotes(store, kept)
    store.append(sheets({"serial_token": TOKEN, "enquiry_id": "E1"}, {"enquiry_id": "E2"}), file_name="a.csv")
    foretold = {"bench": "main", "sheet_no": "A0", "origin": pd.Timestamp("2024-01-01").date()}
    keep_backtest(store, quotes(foretold))
    gone = forget_unit(store, TOKEN)
    assert gone.quotes == 3
    assert "and 3 kept quotes; the file" in gone.sentence
    assert pairs(store) == [("A1", 3.0)]
    assert forget_sheet(store, "A1").quotes == 1
    assert matched_quotes(store).issued == 0


def test_forgetting_a_unit_that_was_only_quoted(store: Store, sheets: Sheets) -> None:
    """A quote alone is erased too, and the sentence says so."""
    store.append(sheets({}), file_name="a.csv")
    keep_quotes(store, quotes({"serial_token": TOKEN}))
    assert forget_unit(store, TOKEN).sentence.startswith("Erased: 1 kept quote;")
    assert matched_quotes(store).issued == 0


def test_a_new_key_keeps_quotes_and_sheets_together(store: Store, sheets: Sheets) -> None:
    """Tokens of quotes change with those of the sheets, answered or not."""
    keep_quotes(store, quotes({"serial_token": TOKEN}, {"serial_token": OTHER}))
    store.append(sheets({"serial_token": TOKEN}), file_name="a.csv", key_check="old")
    assert change_key(store, lambda t: t[::-1] + "x", old_check="old", new_check="new") == 2
    assert len(pairs(store)) == 1
    store.append(sheets({}, {"serial_token": OTHER + "x"}).iloc[1:], file_name="b.csv")
    assert len(pairs(store)) == 2


def test_what_taught_can_be_told_by_intake(store: Store, sheets: Sheets) -> None:
    """Every sheet of a unit with the intake that first brought it."""
    store.append(sheets({"vtf_mn": 19.0}), file_name="a.csv")
    store.append(sheets({"vtf_mn": 20.0}, {}), file_name="b.csv", supersede=True)
    found = sheets_by_intake(store, ("sheet_no", "vtf_mn"))
    assert found["came_by"].tolist() == [1, 2]
    assert found["vtf_mn"].tolist()[0] == 20.0


def test_a_unit_read_again_has_not_come_since(store: Store, sheets: Sheets) -> None:
    """Of two sheets of the second intake one is of a unit that the first had brought."""
    told = sheets({"serial_token": TOKEN}, {"serial_token": TOKEN}, {"serial_token": OTHER})
    store.append(told.iloc[:1], file_name="a.csv")
    store.append(told.iloc[1:], file_name="b.csv")
    assert [units_since(store, intake) for intake in (0, 1, 2)] == [2, 1, 0]


def test_an_enquirys_last_facts_are_told(store: Store) -> None:
    """One row an enquiry with a number, by what it told last."""
    for text in ("{}", '{"vtf_mn": 20.0}'):
        keep_quotes(store, quotes({"enquiry_id": "E1", "facts": text}, {"facts": text}))
    assert told_facts(store)["facts"].tolist() == ['{"vtf_mn": 20.0}']


def test_the_newest_recalibration_counts(store: Store) -> None:
    """Switched on, changed, switched off."""
    assert recalibration_text(store) is None
    for text in ("first", "second", None):
        save_recalibration(store, text)
        assert recalibration_text(store) == text


def _hold(path: str, ready: object, done: object) -> None:
    with Store(Path(path)).writer():
        ready.set()  # type: ignore[attr-defined]
        done.wait(20)  # type: ignore[attr-defined]


@pytest.mark.long
def test_a_busy_store_is_given_up_soon(store: Store) -> None:
    """While another program writes, keeping fails with one line, not after the long wait of an intake."""
    context = multiprocessing.get_context("spawn")
    ready, done = context.Event(), context.Event()
    other = context.Process(target=_hold, args=(str(store.path), ready, done))
    other.start()
    try:
        assert ready.wait(20)
        with pytest.raises(FleetError, match="in use by another program"):
            keep_quotes(store, quotes({"enquiry_id": "E1"}), wait_s=0.2)
    finally:
        done.set()
        other.join(20)


def test_the_model_in_use_can_be_chosen(store: Store) -> None:
    """The newest answers, unless another was chosen or it was kept aside; a fit that is used ends that."""

    def save(*, use: bool = True) -> int:
        return save_model(store, revision=1, units=1, arrays={}, texts={}, use=use)

    assert model_in_use(store) is None
    assert (save(), save()) == (1, 2)
    assert model_in_use(store) == 2
    save(use=False)
    kept = newest_model(store)
    assert kept is not None
    assert (kept.model_id, model_in_use(store)) == (2, 2)
    use_model(store, 1, reason="asked for")
    assert list_models(store)["answers"].tolist() == ["", "", "in use"]
    with pytest.raises(FleetError, match="no house model 9"):
        use_model(store, 9, reason="asked for")
    assert save() == 4
    assert model_in_use(store) == 4
