"""What is kept of a store between clicks: dropped by what it stands on, and by nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_helpers import bench_sheets

from dashboards.data import quotes, suspects, units
from dashboards.data.normal import every_standing
from dashboards.data.store_state import house, revision
from fleet.fitting.refit import refit
from fleet.policy.policy import Policy
from fleet.store import Store, forget_sheet, record_verdict, unit_of, withdraw_verdict

NUMBER = "DEMO-W00000001"


def kept(path: str) -> list[object]:
    """Objects that are handed out without being copied: the same ones as long as nothing dropped them."""
    now = revision(path)
    return [
        house(path, now),
        suspects.judged_sheets(path, now),
        every_standing(path, now),
        quotes.forecaster(path, now),
        units.of_kind(path, now, "line_contact/boron"),
    ]


@pytest.mark.long
def test_a_verdict_or_a_kept_quote_drops_neither_model_nor_sheets(own: Path) -> None:
    """Only what looks at verdicts is worked out anew, and it shows the verdict."""
    path, store = str(own), Store(own)
    before, listed = kept(path), suspects.ranked_suspects(path, revision(path), 0.05)
    record_verdict(store, unit_of(store, NUMBER), "confirmed", fault="stylus_twisted")
    assert all(a is b for a, b in zip(kept(path), before, strict=True))
    after = suspects.ranked_suspects(path, revision(path), 0.05)
    assert after is not listed
    assert after.table.set_index("sheet_no").loc[NUMBER, "verdict"] == "stylus_twisted"
    withdraw_verdict(store, unit_of(store, NUMBER))
    quotes.keep(path, revision(path), (("stylus_profile", "line_contact"),), Policy(), "E-1")
    assert all(a is b for a, b in zip(kept(path), before, strict=True))
    assert suspects.ranked_suspects(path, revision(path), 0.05).table["verdict"].isna().all()


@pytest.mark.long
def test_a_fit_an_intake_and_a_loss_drop_what_stands_on_them(own: Path) -> None:
    """After each, nothing that was kept of the sheets or the model is handed out again."""
    path, store = str(own), Store(own)
    at_first = kept(path)
    refit(store)
    refitted = kept(path)
    store.append(bench_sheets(280).tail(20), file_name="late.csv")
    taken_in = kept(path)
    refit(store)
    known = kept(path)
    bench = suspects.judged_sheets(path, revision(path)).set_index("sheet_no").loc[NUMBER, "bench"]
    assert forget_sheet(store, NUMBER, bench=str(bench)).versions
    refit(store)
    forgotten = kept(path)
    steps = [at_first, refitted, taken_in, known, forgotten]
    for i, earlier in enumerate(steps):
        for later in steps[i + 1 :]:
            assert not any(a is b for a, b in zip(earlier, later, strict=True))
    assert NUMBER not in forgotten[1]["sheet_no"].tolist()  # type: ignore[index]


def test_another_store_under_the_same_name_is_read_anew(own: Path) -> None:
    """Revisions start again in a store put in another's place; its own file tells them apart."""
    path = str(own)
    first = len(suspects.judged_sheets(path, revision(path)))
    own.rename(own.with_name("aside.duckdb"))
    Store(own).create().append(bench_sheets(100), file_name="demo.csv")
    again = len(suspects.judged_sheets(path, revision(path)))
    assert (first, again) == (260, 100)
