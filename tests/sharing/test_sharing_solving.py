"""Must show: no reading comes out of everything that was ever published, whatever is solved for."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from counting import Counted, by_counts, by_repeats
from scipy import stats
from solving import (
    ONE_SET,
    Found,
    Told,
    averaged_spread,
    by_averaging,
    by_subtraction,
    mean_beyond_the_cut,
    products_of_residuals,
    table_of,
    told_of,
)
from worlds import LONG, ideal, tokened

from fleet.attainment.publishing import counting_rule, group_counts
from fleet.house_model.chain import JUDGED
from fleet.policy.policy import Policy
from fleet.sharing import blur, content, groups
from fleet.sharing.files import tallies_of
from fleet.sharing.groups import bring_up_to_date, publish_attainment
from fleet.sharing.units import NAMES, Repeats, Units
from fleet.store import Store, forget_sheet, forget_unit
from fleet.store.backup import ledger_file
from fleet.store.sharing import CUT, UNITS, Published

pytestmark = pytest.mark.long

SMALLEST = 5
BENCHES, EXPORTS, FIRST, MONTHLY = (5, 20, 150, 12) if LONG else (1, 6, 150, 12)
ATTACKS = {
    "lone covariate", "subtraction", "products",
    "all but one known", "its square", "all but two known", "all but three known", "averaged over groups",
}  # fmt: skip
CUT_IN_DEGREES = [CUT + n for n in JUDGED if n in NAMES and n != "balance"]


@dataclass
class Ledger:
    """Groups that were formed and told of: kind, units in truth, the same as the sums have them.

    ``until_lost`` of them were formed before the ledger of publications was lost with the store.
    """

    groups: list[tuple[str, Units, Units]] = field(default_factory=list)
    counts: list[Counted] = field(default_factory=list)
    repeats: list[tuple[Repeats, np.ndarray, Mapping[str, list[float]]]] = field(default_factory=list)
    until_lost: int = 0


@pytest.fixture(scope="module")
def ledgers(tmp_path_factory: pytest.TempPathFactory) -> list[Ledger]:
    """Some benches, each over all its exports."""
    out, drawn = [], secrets.token_hex  # names of folders stay apart
    for seed in range(BENCHES):
        folder = tmp_path_factory.mktemp(f"bench{seed}")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(
                secrets, "token_hex", lambda n, seed=seed: drawn(n) if n < 16 else f"{seed:0{2 * n}x}"
            )
            out.append(exported(folder, 40 + seed, patch))
    return out


def some_sheets(seed: int) -> pd.DataFrame:
    """Sheets of which 12 % tell hours and most a temperature."""
    world = ideal(seed, n_families=8, missing_hours=0.88, missing_temperature=0.15)
    sheets, _ = world.sheets(FIRST + MONTHLY * EXPORTS)
    return tokened(sheets).reset_index(drop=True)


def exported(folder: Path, seed: int, patch: pytest.MonkeyPatch) -> Ledger:
    """Publications while sheets come in, are corrected and forgotten, and the store is put back twice.

    The second time the ledger of publications is lost with it.
    """
    ledger = spying(patch)
    sheets, path = some_sheets(seed), folder / "fleet.duckdb"
    store = Store(path).create()
    store.append(sheets.iloc[:FIRST], file_name="first")
    ready = published(store)
    for month in range(1, EXPORTS):
        if month == EXPORTS // 3:
            correct(store, ready)
            shutil.copy(path, folder / "backup")
        if month == EXPORTS // 2:
            forget_largest(store, ready)
        if month in {2 * EXPORTS // 3, 5 * EXPORTS // 6}:
            shutil.copy(folder / "backup", path)
        if month == 5 * EXPORTS // 6:
            ledger_file(store).unlink()
            ledger.until_lost = len(ledger.groups)
        begin = FIRST + MONTHLY * (month - 1)
        store.append(sheets.iloc[begin : begin + MONTHLY], file_name=f"month {month}")
        ready = published(store)
    assert_told(ready, tallies_of(ready).sums["zenith"].moments)
    return ledger


def published(store: Store) -> Published:
    """One month's publications: tallies and attainment."""
    ready = bring_up_to_date(store, smallest=SMALLEST)
    return publish_attainment(
        store, ready, policy=counting_rule(Policy()), count=lambda s: group_counts(s, Policy(), SMALLEST)
    )


def spying(patch: pytest.MonkeyPatch) -> Ledger:
    """Note the units behind every group that is formed from now on."""
    ledger, told, some_of = Ledger(), groups._content, groups.some_of
    true_of: dict[int, Units] = {}
    alive = []

    def blurred(units: Units, key: str) -> Units:
        seen = blur.blur_readings(units, key)
        alive.append(seen)
        true_of[id(seen)] = units
        return seen

    def some(units: Units, group: np.ndarray) -> Units:
        part = some_of(units, group)
        if id(units) in true_of:
            alive.append(part)
            true_of[id(part)] = some_of(true_of[id(units)], group)
        return part

    def _content(kind: str, units: Units, smallest: int) -> Mapping[str, Any]:
        ledger.groups.append((kind, true_of[id(units)], units))
        return told(kind, units, smallest)

    def counted(counts: Mapping[str, list[int]], key: str, records: Iterable[str]) -> Any:
        who = list(records)
        told = blur.blur_counts(counts, key, who)
        ledger.counts.append(Counted(who, counts, told))
        return told

    def repeated(found: Repeats, members: np.ndarray, smallest: int, blurred: Any) -> Any:
        told = sums_of_repeats(found, members, smallest, blurred)
        ledger.repeats.append((found, members, told))
        return told

    sums_of_repeats = content.sums_of_repeats
    patch.setattr(content, "sums_of_repeats", repeated)
    patch.setattr(groups, "blur_counts", counted)
    patch.setattr(groups, "blur_readings", blurred)
    patch.setattr(groups, "some_of", some)
    patch.setattr(groups, "_content", _content)
    return ledger


def assert_told(ready: Published, moments: np.ndarray) -> None:
    """What the file tells is the groups' sums, added up: the attacker's figures are at least as fine."""
    parts = [g.content["links"].get("zenith", [0.0] * 3) for g in ready.of(UNITS) if g.labels["profile"]]
    assert moments[:, 0, 1].sum() == pytest.approx(sum(p[1] for p in parts), rel=1e-9)


def correct(store: Store, ready: Published) -> None:
    """Correct the sheets of enough units of the largest group to withdraw it."""
    units = sorted(max(ready.of(UNITS), key=lambda g: g.units).members)[: SMALLEST + 1]
    rows = store.teaching()
    rows = rows[rows["unit"].isin(units)].drop(columns=["unit", "newest", "version", "intake_id", "marks"])
    store.append(rows.assign(zenith_deg=rows["zenith_deg"] + 0.35), file_name="corrections", supersede=True)


def forget_largest(store: Store, ready: Published) -> None:
    """Erase some units of the largest group."""
    for unit in sorted(max(ready.of(UNITS), key=lambda g: g.units).members)[:3]:
        if unit.startswith("sheet:"):
            _, bench, sheet_no = unit.split(":")
            forget_sheet(store, sheet_no, bench=bench)
        else:
            forget_unit(store, unit.rsplit("-", 1)[0])


def attacked(ledgers: list[Ledger], *, blurred: bool, lost: bool = True) -> list[Found]:
    """All attacks on all groups' sums; without the blur these are of the true readings.

    ``lost`` says whether what was told after the ledger was lost is attacked too.
    """
    found: list[Found] = []
    added = blur.added_products() if blurred else dict.fromkeys(blur.added_products(), 0.0)
    for ledger in ledgers:
        formed = ledger.groups[: None if lost else ledger.until_lost]
        pairs = [(k, true, seen if blurred else true) for k, true, seen in formed]
        sets: list[Told] = [
            t for k, true, seen in pairs if k == UNITS for t in told_of(true, seen, SMALLEST, added)
        ]
        found += [f for told in sets for attack in ONE_SET for f in attack(told)]
        found += [*by_subtraction(sets), *by_averaging(sets)]
        for kind, true, seen in pairs:
            if kind == UNITS:
                found += products_of_residuals(true, seen)
            elif kind in CUT_IN_DEGREES:
                link = kind.removeprefix(CUT)
                found += mean_beyond_the_cut(true, seen, link, float(added[f"{link} {link}"] ** 0.5))
    return found


def attacked_by_counts(ledgers: list[Ledger]) -> list[Found]:
    """Attacks on counts of targets met beside the blurred sums, and on repeated readings."""
    found: list[Found] = []
    added = blur.added_products()
    for ledger in ledgers:
        for counted in ledger.counts:
            of = [g for g in ledger.groups if g[0] == UNITS and set(counted.records) <= set(g[1].record)]
            true, seen = of[-1][1:]
            sets = list(told_of(true, seen, SMALLEST, added))
            found += by_counts(true, sets, counted, added)
        for found_again, members, told in ledger.repeats:
            found += by_repeats(found_again, members, told)
    return found


def shown(title: str, found: list[Found]) -> pd.DataFrame:
    """The table of an attack, printed if wanted (``pytest -s``)."""
    table = table_of(found)
    print(f"\n{title}\n{table.to_string()}")  # noqa: T201
    return table


def every_covariate(covariate: str, _: np.ndarray, __: int) -> float | None:
    """What used to be told: all covariates but the conflict."""
    return 0.0 if covariate == "conflict" else None


@pytest.fixture
def as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """All covariates told, as in format 1."""
    monkeypatch.setattr(content, "told_as", every_covariate)


@pytest.mark.long
@pytest.mark.usefixtures("as_before")
def test_every_attack_succeeds_on_what_was_told_before(ledgers: list[Ledger]) -> None:
    """On sums of all covariates and of readings as they are each attack recovers units: it can be trusted."""
    table = shown("as told before", attacked(ledgers, blurred=False))
    assert set(table.index) >= ATTACKS
    assert (table["recovered"] > 0).all()


def test_covariates_withheld_leave_nothing_to_whoever_knows_no_reading(ledgers: list[Ledger]) -> None:
    """Without the blur: no unit stands alone at a covariate, no combination of all sums singles one out."""
    table = shown("covariates withheld", attacked(ledgers, blurred=False, lost=False))
    assert not {"lone covariate", "subtraction"} & set(table.index)
    assert table.loc["all but one known", "recovered"] > 0


def test_no_reading_is_recovered(ledgers: list[Ledger]) -> None:
    """No attack is ever sure and right to half a degree; who knows all others errs by what the blur says."""
    found = attacked(ledgers, blurred=True)
    table = shown("covariates withheld, readings blurred", found)
    assert (table["recovered"] == 0).all()
    assert table.loc["all but one known", "answers"] > 500
    known = pd.DataFrame([f for f in found if f.attack == "all but one known"])
    known["off"] = (known["estimate"] - known["truth"]) / known["error"]
    off = known.groupby("link")["off"].apply(lambda v: float(np.sqrt((v**2).mean())))
    print(off.to_string())  # noqa: T201
    sets = known.groupby("link")["off"].agg(lambda v: v.round(9).nunique())
    few, many = (np.sqrt(stats.chi2.ppf(p, sets) / sets) for p in (1e-4, 1.0 - 1e-4))
    assert ((few < off) & (off < many)).all(), "the error is not what the blur says, set by set"
    assert (known.loc[known["link"] != "sag", "error"] > np.sqrt(SMALLEST) * 0.499).all()


def test_counts_recover_nothing_beside_the_sums(ledgers: list[Ledger]) -> None:
    """Who knows all others' states, all sums and what is usual is never sure of an angle to half a degree."""
    table = shown("counts and repeats", attacked_by_counts(ledgers))
    assert set(table.index) == {"counts and sums", "counts, sums and the usual", "repeats"}
    assert (table["recovered"] == 0).all()
    assert (table["answers"] > 20).all()


def test_exact_counts_and_squares_would_recover_some(
    ledgers: list[Ledger], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same attacks on counts and on squares of repeats as they are recover units: they can be trusted."""
    monkeypatch.setattr(blur, "REPEAT_SHAPE", 1e12)
    monkeypatch.setattr(blur, "COUNT_EPSILON", 40.0)
    exact = []
    for ledger in ledgers:
        counts = [
            Counted(c.records, c.exact, {m: [*v, 0.0] for m, v in c.exact.items()}) for c in ledger.counts
        ]
        repeats = [
            (again, members, content.sums_of_repeats(again, members, SMALLEST, lambda squares, _: squares))
            for again, members, _ in ledger.repeats
        ]
        exact.append(Ledger(ledger.groups, counts, repeats))
    table = shown("exact counts and squares", attacked_by_counts(exact))
    assert (table["recovered"] > 0).all()


def test_no_average_takes_a_reading_s_own_error_off() -> None:
    """Forty groups of five around one unit: its own error stays; with errors drawn anew each it would not."""
    around = [{"unit", *(f"{g}.{i}" for i in range(4))} for g in range(40)]
    kept = 1.0 / np.linalg.pinv(averaged_spread(around)).sum()
    anew = 1.0 / np.linalg.pinv(np.diag([5.0] * 40)).sum()
    assert kept == pytest.approx(1.0 + 4.0 / 40)
    assert anew == pytest.approx(5.0 / 40)


def test_the_same_units_are_blurred_alike(ledgers: list[Ledger]) -> None:
    """Under one key a reading has the same error in any order and group; under another key another one."""
    _, true, _ = next(g for g in ledgers[0].groups if g[0] == UNITS)
    everyone = np.arange(len(true.unit))
    first, other = (blur.blur_readings(true, key) for key in "ab")
    again = blur.blur_readings(groups.some_of(true, everyone[::-1]), "a")
    pd.testing.assert_frame_equal(first.observed, again.observed[::-1].reset_index(drop=True))
    few = blur.blur_readings(groups.some_of(true, everyone[:3]), "a")
    whole = dict(zip(first.record, first.observed["y_zenith"], strict=True))
    assert list(few.observed["y_zenith"]) == [whole[r] for r in few.record]
    assert (first.observed["y_zenith"] != other.observed["y_zenith"]).all()


@pytest.mark.long
def test_the_blur_adds_what_the_file_says(ledgers: list[Ledger]) -> None:
    """Mean products of the errors in responses, over many draws of one group, are those told along."""
    _, true, _ = max((g for g in ledgers[0].groups if g[0] == UNITS), key=lambda g: len(g[1].unit))
    draws = [blur.blur_readings(true, str(i)) for i in range(200)]
    exact = true.observed
    error = {n: np.array([d.observed[f"y_{n}"] - exact[f"y_{n}"] for d in draws]) for n in NAMES}
    for pair, told in blur.added_products().items():
        a, b = pair.split()
        whole = exact[["y_tracking", "y_built_in", "y_sag"]].notna().all(axis=1).to_numpy()
        product = (error[a] * error[b])[:, whole]
        product = product[~np.isnan(product)]
        assert product.mean() == pytest.approx(told, rel=0.12), pair
