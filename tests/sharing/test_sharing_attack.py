"""Must show: differencing everything that was ever published recovers no group under the smallest size."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from differencing import Ledger, fewest_shown
from worlds import ideal, stored, tokened

from fleet.alignment.targets import states
from fleet.attainment.publishing import counting_rule, group_counts, published_attainment
from fleet.house_model.chain import FACTORS
from fleet.policy.policy import Policy
from fleet.sharing import blur
from fleet.sharing.files import tallies_of
from fleet.sharing.groups import bring_up_to_date, publish_attainment
from fleet.sharing.units import records
from fleet.store import Store, forget_sheet, forget_unit, undo_intake
from fleet.store.sharing import UNITS, KeptGroup, Published

SMALLEST = 5
MEASURE = "tracking_level"
TABLES: tuple[list[str], ...] = (
    [],
    ["kind"],
    ["stylus_profile"],
    ["assembly_source"],
    ["body_family"],
    ["generator", "assembly_source"],
)


class Attacker:
    """Collects all that is published; who stands behind a figure is checked against the sheets themselves."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.sheets = pd.DataFrame()
        self.ledgers: dict[str, Ledger] = defaultdict(Ledger)
        self.members: dict[int, list[str]] = {}
        self.counted: dict[int, list[str]] = {}
        self.met: dict[int, tuple[list[str], list[str]]] = {}

    def publish(self) -> Published:
        """One day's publications: tallies and every table; returns the groups behind them."""
        ready = bring_up_to_date(self.store, smallest=SMALLEST)
        rule = counting_rule(Policy())
        ready = publish_attainment(
            self.store, ready, policy=rule, count=lambda s: group_counts(s, Policy(), SMALLEST)
        )
        self._look(ready)
        self._read_tallies(ready)
        parts = [(g.labels, g.units, g.counts or {}) for g in ready.of(UNITS)]
        for by in TABLES:
            for per in (None, "year"):
                self._read_table(ready, [*by, *(["period"] if per else [])],
                                 published_attainment(parts, by, Policy(), per))  # fmt: skip
        return ready

    def _look(self, ready: Published) -> None:
        now = self.store.teaching()
        now["record"] = records(now)
        there = set(now["record"])
        if len(self.sheets):
            now = now[~now["record"].isin(set(self.sheets.index))]
        self.sheets = pd.concat([self.sheets, now.set_index("record")])
        for group in ready.of(UNITS):
            number = int(group.group_id or 0)
            self.members.setdefault(number, list(group.members.values()))
            self.counted.setdefault(number, [r for r in group.members.values() if r in there])

    def _read_tallies(self, ready: Published) -> None:
        """Zenith, which enters as it was read: per cell its sum, and whose readings are in it."""
        told = tallies_of(ready)
        sums, cells = told.sums["zenith"].moments, told.cells
        for i, cell in enumerate(cells.to_dict("records")):
            weights: dict[str, float] = {}
            for group in ready.of(UNITS):
                same = all(group.labels[f] == cell[f] for f in FACTORS if f != "bench")
                if same and group.content["scale_class"] == cell["scale_class"]:
                    weights |= self._behind(group)
            total = sum(w * self.sheets.loc[r, "zenith_deg"] for r, w in weights.items())
            assert sums[i, 0, 1] == pytest.approx(total, rel=1e-8, abs=1e-8)
            self.ledgers["zenith"].add(weights)

    def _behind(self, group: KeptGroup) -> dict[str, float]:
        """Whose readings a group's sum holds: all but those beyond the cut, which are the largest."""
        if "zenith" not in group.content["links"]:
            return {}
        n, total = group.content["links"]["zenith"][:2]
        members = self.members[int(group.group_id or 0)]
        read = self.sheets.loc[members, "zenith_deg"].astype(float).dropna()
        read = read.loc[read.abs().sort_values(kind="stable").index]
        while len(read) >= SMALLEST:
            if np.isclose(read.mean() * n, total, rtol=1e-9, atol=1e-9):
                return dict.fromkeys(read.index, n / len(read))
            read = read.iloc[:-1]
        raise AssertionError("the sum is none of the group's units'")

    def _read_table(self, ready: Published, names: list[str], table: pd.DataFrame) -> None:
        """Units, and how many of them were read for one measure, row by row."""
        for row in table.to_dict("records"):
            groups = [g for g in ready.of(UNITS) if all(level(g, n) == row[n] for n in names)]
            units = {r: 1.0 for g in groups for r in self.members[int(g.group_id or 0)]}
            assert len(units) == row["units"] >= SMALLEST
            self.ledgers["units"].add(units)
            read: dict[str, float] = {}
            met = 0
            for group in groups:
                of_group, at_target = self._judged(int(group.group_id or 0))
                if len(of_group) >= SMALLEST:
                    read |= dict.fromkeys(of_group, 1.0)
                    met += len(at_target)
            assert (len(read), met) == (row[f"{MEASURE}_n"], row[f"{MEASURE}_met"])
            self.ledgers[MEASURE].add(read)

    def _judged(self, number: int) -> tuple[list[str], list[str]]:
        """Who of a group was read for the measure and who met it: a record's readings never change."""
        if number not in self.met:
            who = np.array(self.counted[number])
            state = states(self.sheets.loc[who], Policy())[MEASURE]
            self.met[number] = list(who[state >= 0]), list(who[state == 1])
        return self.met[number]

    def fewest(self) -> dict[str, int]:
        """Fewest units that any combination of all figures so far shows, by quantity."""
        return {n: fewest_shown(book.weights(), below=SMALLEST) for n, book in self.ledgers.items()}


def level(group: KeptGroup, name: str) -> str:
    """What a table calls a group."""
    parts = {"kind": ("stylus_profile", "cantilever_material"), "period": ("year",)}.get(name, (name,))
    told = [group.labels.get(f"by {p}") for p in parts]
    return "(few)" if None in told else "/".join(str(t) for t in told)


def some_sheets() -> pd.DataFrame:
    sheets, _ = ideal(8, n_families=5, spherical_share=0.1).sheets(330)
    return tokened(sheets).reset_index(drop=True)


@pytest.mark.long
def test_nothing_ever_published_can_be_subtracted_to_few_units(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten publications while single sheets come in, are corrected, undone, forgotten: never fewer than five.

    New units one at a time, in threes and in crowds; corrections of one unit and of several of a group; an
    intake undone and taken in again; units erased. What was published stays with the attacker, so he takes
    all exports and tables together at the end. Nothing is blurred: the groups hold by themselves.
    """
    monkeypatch.setattr(blur, "BLUR", ())
    monkeypatch.setattr(blur, "COUNT_EPSILON", 1e3)
    sheets = some_sheets()
    store = Store(tmp_path / "fleet.duckdb").create()
    steps: list[Callable[[Published | None], object]] = [
        lambda _: store.append(sheets.iloc[:200], file_name="a"),
        lambda _: store.append(sheets.iloc[200:201], file_name="b"),
        lambda _: store.append(sheets.iloc[201:204], file_name="c"),
        lambda _: store.append(sheets.iloc[204:300], file_name="d"),
        lambda p: correct(store, p, 1),
        lambda p: correct(store, p, SMALLEST + 2),
        lambda _: undo_intake(store, 4),
        lambda _: store.append(sheets.iloc[204:299], file_name="d"),
        lambda p: forget_some(store, p, 1),
        lambda p: forget_some(store, p, SMALLEST),
        lambda _: store.append(sheets.iloc[299:], file_name="e"),
    ]
    attacker = Attacker(store)
    ready: Published | None = None
    for step in steps:
        step(ready)
        ready = attacker.publish()
    assert attacker.fewest() == dict.fromkeys(("zenith", "units", MEASURE), SMALLEST)
    withdrawn = set(attacker.members) - {int(g.group_id or 0) for g in ready.of(UNITS)}
    assert withdrawn, "no group was ever withdrawn: the test is too tame"
    assert sum(g.units for g in ready.of(UNITS)) > 200


def largest(ready: Published) -> KeptGroup:
    return max(ready.of(UNITS), key=lambda g: (g.units, -int(g.group_id or 0)))


def correct(store: Store, ready: Published | None, count: int) -> None:
    """Correct the newest sheets of a few units of the largest group."""
    assert ready is not None
    units = sorted(largest(ready).members)[:count]
    rows = store.teaching()
    rows = rows[rows["unit"].isin(units)].drop(columns=["unit", "newest", "version", "intake_id", "marks"])
    store.append(rows.assign(zenith_deg=rows["zenith_deg"] + 0.35), file_name="corrections", supersede=True)


def forget_some(store: Store, ready: Published | None, count: int) -> None:
    """Erase a few units of the largest group."""
    assert ready is not None
    for unit in sorted(largest(ready).members)[:count]:
        if unit.startswith("sheet:"):
            _, bench, sheet_no = unit.split(":")
            forget_sheet(store, sheet_no, bench=bench)
        else:
            forget_unit(store, unit.rsplit("-", 1)[0])


def test_the_attack_would_find_a_unit(tmp_path: Path) -> None:
    """The same attack on plain sums of everybody, taken again after one more unit, finds that unit."""
    store = stored(tmp_path, some_sheets().rename(columns={"serial_token": "serial"}).iloc[:60])
    names = list(records(store.teaching()))
    book = Ledger()
    book.add(dict.fromkeys(names[:-1], 1.0))
    book.add(dict.fromkeys(names, 1.0))
    assert fewest_shown(book.weights(), below=SMALLEST) == 1
    book = Ledger()
    book.add(dict.fromkeys(names[:30], 1.0))
    book.add(dict.fromkeys([*names[:20], *names[30:40]], 1.0))
    book.add(dict.fromkeys(names[20:28], 1.0))
    book.add(dict.fromkeys(names[30:40], 1.0))
    assert fewest_shown(book.weights(), below=SMALLEST) == 2


def test_one_new_unit_changes_nothing_published(tmp_path: Path) -> None:
    """Tallies and tables after one more unit are the same to the last digit."""
    sheets = some_sheets()
    store = Store(tmp_path / "fleet.duckdb").create()
    store.append(sheets.iloc[:250], file_name="a")
    before = bring_up_to_date(store, smallest=SMALLEST)
    store.append(sheets.iloc[[260]], file_name="b")
    after = bring_up_to_date(store, smallest=SMALLEST)
    assert after.waiting == before.waiting + 1
    assert after.groups == before.groups


@pytest.mark.long
def test_a_change_of_few_units_changes_nothing_published(tmp_path: Path) -> None:
    """Corrections of up to four units of a group leave what it told as it was; the fifth withdraws it."""
    store = Store(tmp_path / "fleet.duckdb").create()
    store.append(some_sheets(), file_name="a")
    before = bring_up_to_date(store, smallest=SMALLEST)
    correct(store, before, SMALLEST - 1)
    after = bring_up_to_date(store, smallest=SMALLEST)
    assert [g.content for g in after.groups] == [g.content for g in before.groups]
    correct(store, before, SMALLEST)
    numbers = {g.group_id for g in bring_up_to_date(store, smallest=SMALLEST).groups}
    assert largest(before).group_id not in numbers
