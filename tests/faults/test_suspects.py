"""The list of suspects: contract, units, order, sentences, and the faults of hand-made units."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from effort import measured
from sound_units import changed, faulty_sheets, sound_sheet
from worlds import Fleet, bench, lines

from fleet.faults.signatures import FAULTS
from fleet.faults.suspects import Suspects, find_disagreements, suspects

CONTRACT = (
    "sheet_no", "unit", "measured_on", "score", "p_value", "q_value", "flagged",
    "list_false_share", "leading_fault", "p_healthy",
    "p_rake_set_wrong", "p_stylus_twisted", "p_stylus_canted", "p_generator_rolled", "p_assembly_rolled",
    "p_cantilever_angle", "p_suspension_soft", "p_suspension_stiff", "p_weak_channel", "p_misread", "p_other",
    "why",
)  # fmt: skip


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


@pytest.fixture(scope="module")
def listed(fleet: Fleet) -> Suspects:
    return suspects(fleet.house, fleet.current)


def one_more(fleet: Fleet, **sheets: pd.DataFrame) -> pd.DataFrame:
    """The bench's sheets and a few others, each a unit of its own."""
    extra = pd.concat(sheets.values(), ignore_index=True)
    extra = extra.assign(sheet_no=list(sheets), unit=[f"unit {name}" for name in sheets], newest=True)
    return pd.concat([fleet.current, extra.reindex(columns=fleet.current.columns)], ignore_index=True)


def common_line(fleet: Fleet) -> dict[str, object]:
    """Facts of the commonest family with a rake."""
    known = [c for c in lines(fleet.world) if c["stylus_profile"] != "spherical"]
    return max(known, key=lambda c: c["share"])


def test_columns_stand_in_the_contracts_order(listed: Suspects, fleet: Fleet) -> None:
    """One row a sheet, nothing lost, the contract's columns."""
    assert tuple(listed.table.columns) == CONTRACT
    assert sorted(listed.table["sheet_no"]) == sorted(fleet.current["sheet_no"])
    assert listed.fdr == 0.05
    assert (listed.table["why"].str.len() > 20).all(), "every sheet is put into words"


def test_flagged_units_come_first_then_the_highest_score(listed: Suspects) -> None:
    """The order of the list is that of need."""
    flagged = listed.table["flagged"].to_numpy()
    assert flagged[: flagged.sum()].all()
    for part in (listed.table[flagged], listed.table[~flagged]):
        assert (np.diff(part["score"]) <= 0.0).all()


def test_probabilities_add_up_and_name_the_leading_fault(listed: Suspects) -> None:
    """Sound and eleven faults sum to one; the leading fault is the likeliest."""
    t = listed.table
    faults = t[[f"p_{f}" for f in FAULTS]].to_numpy()
    assert t["p_healthy"].to_numpy() + faults.sum(axis=1) == pytest.approx(np.ones(len(t)))
    assert t["leading_fault"].tolist() == [FAULTS[k] for k in faults.argmax(axis=1)]


def test_one_verdict_a_unit_with_benjamini_and_hochberg(listed: Suspects) -> None:
    """p, q and flag are the unit's on all its sheets; q follows from the p-values by the step-up rule."""
    t = listed.table
    shared = ["unit", "p_value", "q_value", "flagged"]
    assert len(t[shared].drop_duplicates()) == t["unit"].nunique()
    assert t["unit"].duplicated().any()
    p = t.drop_duplicates("unit")["p_value"].sort_values().to_numpy()
    m = len(p)
    q = np.minimum.accumulate((p * m / np.arange(1, m + 1))[::-1])[::-1].clip(max=1.0)
    assert t.drop_duplicates("unit")["q_value"].sort_values().to_numpy() == pytest.approx(q)
    assert (t["flagged"] == (t["q_value"] <= 0.05)).all()


@pytest.mark.long
def test_a_stricter_rate_flags_fewer(fleet: Fleet, listed: Suspects) -> None:
    """The user chooses the rate of false alarms; the sentence repeats it."""
    strict = suspects(fleet.house, fleet.current, fdr=0.001)
    loose = suspects(fleet.house, fleet.current, fdr=0.3)
    count = [s.table["flagged"].sum() for s in (strict, listed, loose)]
    assert count[0] <= count[1] < count[2]
    assert "0.1 %" in strict.sentence
    assert "30 %" in loose.sentence
    units = listed.table.drop_duplicates("unit")
    assert f"{len(units)} units judged, {units['flagged'].sum()} flagged" in listed.sentence


def test_what_the_world_spoilt_is_found(fleet: Fleet, listed: Suspects) -> None:
    """Most of the invented faults of this small bench are flagged, and hardly anything else."""
    fault = pd.Series(fleet.fault.to_numpy(), index=fleet.current["sheet_no"])
    t = listed.table.assign(bad=lambda d: (fault[d["sheet_no"]] != "healthy").to_numpy())
    unit = t.groupby("unit")[["flagged", "bad"]].max()
    assert unit["flagged"][unit["bad"]].mean() > 0.7
    assert unit["bad"][unit["flagged"]].mean() > 0.85


@pytest.fixture(scope="module")
def with_faulty(fleet: Fleet) -> pd.DataFrame:
    """The list with a unit of each fault, by sheet."""
    made = faulty_sheets(sound_sheet(fleet.house, common_line(fleet)))
    return suspects(fleet.house, one_more(fleet, **made)).table.set_index("sheet_no")


@pytest.mark.parametrize("fault", [f for f in FAULTS if f != "other"])
def test_each_fault_made_by_hand_is_flagged_and_named(with_faulty: pd.DataFrame, fault: str) -> None:
    """A unit sound in all but one thing is found among the fleet, and the thing is named."""
    row = with_faulty.loc[fault]
    assert row["flagged"]
    assert row["leading_fault"] == fault
    assert row["p_healthy"] < (0.5 if fault == "cantilever_angle" else 0.05)


def test_a_sound_unit_made_by_hand_is_plainly_sound(fleet: Fleet) -> None:
    """Every residual at zero: no flag, p near one, the sentence says normal."""
    row = suspects(fleet.house, one_more(fleet, made=sound_sheet(fleet.house, common_line(fleet)))).table
    row = row.set_index("sheet_no").loc["made"]
    assert not row["flagged"]
    assert row["p_value"] > 0.9
    assert row["p_healthy"] > 0.97
    assert row["why"].startswith("Normal for its kind")


def test_two_units_of_a_new_family_flag_little_by_themselves(fleet: Fleet) -> None:
    """A family of two is judged with all the doubt about families: 4° of tracking is nothing there."""
    facts = common_line(fleet)
    readings = []
    for family in (facts["body_family"], "NEW"):
        sheet = sound_sheet(fleet.house, {**facts, "body_family": family})
        readings.append(changed(sheet, sra_static_deg=4.0, sra_dynamic_deg=4.0, vta_dynamic_deg=4.0))
    known, new = readings
    both = one_more(fleet, known=known, new1=new, new2=new)
    table = suspects(fleet.house, both).table.set_index("sheet_no")
    assert table.loc["new1", "p_value"] > 1.3 * table.loc["known", "p_value"]
    assert not table.loc["new1", "flagged"]
    assert table.loc["new1", "p_healthy"] > 0.5


def test_check_pickups_are_not_judged(fleet: Fleet) -> None:
    """Reference sheets never enter the list."""
    sheets = fleet.current.iloc[:50].copy()
    sheets.loc[:9, "purpose"] = "reference"
    assert len(suspects(fleet.house, sheets).table) == 40


def test_no_sheet_is_no_suspect(fleet: Fleet) -> None:
    """An empty store gives an empty list with the same columns."""
    found = suspects(fleet.house, fleet.current.iloc[:0])
    assert tuple(found.table.columns) == CONTRACT
    assert found.sentence == "No sheet to judge."


def test_days_may_be_missing(fleet: Fleet, listed: Suspects) -> None:
    """Half of the days or all of them not told: still judged, and nearly the same units are flagged."""
    flagged = set(listed.table.loc[listed.table["flagged"], "unit"])
    some = fleet.current.assign(
        measured_on=fleet.current["measured_on"].where(np.arange(len(fleet.current)) % 2 == 0)
    )
    for sheets in (some, some.assign(measured_on=pd.NaT)):
        table = suspects(fleet.house, sheets).table
        found = set(table.loc[table["flagged"], "unit"])
        assert len(found & flagged) >= 0.8 * len(found | flagged)


def test_sheets_of_a_unit_that_disagree_ask_for_another_reading(fleet: Fleet) -> None:
    """Two sheets of one unit, a degree and a half apart in rake: named, and to be measured again."""
    sheet = sound_sheet(fleet.house, common_line(fleet))
    other = changed(sheet, sra_static_deg=1.5, sra_dynamic_deg=1.5)
    both = one_more(fleet, first=sheet, second=other)
    both.loc[both["sheet_no"].isin(["first", "second"]), "unit"] = "unit twice"
    table = suspects(fleet.house, both).table.set_index("sheet_no")
    for name in ("first", "second"):
        assert "disagree in static rake and dynamic rake" in table.loc[name, "why"]
        assert "easure it again" in table.loc[name, "why"]
    near = changed(sheet, sra_static_deg=0.2)
    pair = pd.concat([sheet, near], ignore_index=True).assign(unit="u")
    assert find_disagreements(fleet.house, pair) == {}


def test_the_same_sheets_in_another_order_are_the_same_list(fleet: Fleet, listed: Suspects) -> None:
    """Rows shuffled: scores, chances by simulation and all, so the order and the flags too."""
    mixed = suspects(fleet.house, fleet.current.sample(frac=1.0, random_state=1))
    a, b = (s.table.set_index("sheet_no").sort_index() for s in (listed, mixed))
    assert a["score"].to_numpy() == pytest.approx(b["score"].to_numpy(), rel=1e-9, nan_ok=True)
    assert a["p_value"].to_numpy() == pytest.approx(b["p_value"].to_numpy(), rel=1e-12)
    assert (a["flagged"] == b["flagged"]).all()
    assert (a["leading_fault"] == b["leading_fault"]).all()


@pytest.fixture(scope="module")
def gappy(fleet: Fleet) -> pd.DataFrame:
    """The bench's sheets with readings missing here and there and a family that the model doesn't know."""
    out = fleet.current.reset_index(drop=True).copy()
    out.loc[::7, "vta_dynamic_deg"] = np.nan
    out.loc[::11, "sra_static_deg"] = np.nan
    out.loc[3::50, ["body_family", "compliance_um_per_mn"]] = "F-new", np.nan
    return out


@pytest.fixture(scope="module")
def whole(fleet: Fleet, gappy: pd.DataFrame) -> Suspects:
    """The list of these sheets, all held at once."""
    return suspects(fleet.house, gappy, block=len(gappy))


@pytest.mark.parametrize("block", [61, pytest.param(1000, marks=pytest.mark.long)])
def test_how_many_sheets_are_held_at_once_changes_nothing(
    fleet: Fleet, gappy: pd.DataFrame, whole: Suspects, block: int
) -> None:
    """Judged in blocks, the list is the same: flags, causes and sentences alike, figures to rounding."""
    parts = suspects(fleet.house, gappy, block=block)
    key = ["sheet_no", "unit"]
    assert parts.sentence == whole.sentence
    assert whole.table["flagged"].any()
    pd.testing.assert_frame_equal(
        parts.table.sort_values(key, ignore_index=True),
        whole.table.sort_values(key, ignore_index=True),
        rtol=1e-9,
        atol=1e-12,
    )


@pytest.mark.parametrize("odd", [0.25, 0.05, 0.0])
def test_the_list_alone_is_that_of_all_sheets(
    fleet: Fleet, gappy: pd.DataFrame, whole: Suspects, odd: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With most sheets only roughly scored, the flagged units have the same figures and sentences."""
    monkeypatch.setattr("fleet.house_model.loo_residuals.ODD", odd)  # few, some or all are scored exactly
    alone = suspects(fleet.house, gappy, most=1000, block=len(gappy) // 2)
    assert alone.sentence == whole.sentence
    flagged = whole.table[whole.table["flagged"]].reset_index(drop=True)
    assert 10 < len(flagged) < 0.2 * len(gappy)
    pd.testing.assert_frame_equal(alone.table, flagged, rtol=1e-9, atol=1e-12)


@pytest.mark.long
def test_memory_is_the_blocks_not_the_sheets(fleet: Fleet) -> None:
    """Twenty thousand sheets in blocks of a thousand need half of what they need at once, null and all."""
    many = -(-20_000 // len(fleet.current))
    copies = [
        fleet.current.assign(
            sheet_no=fleet.current["sheet_no"] + f"/{i}", unit=fleet.current["unit"] + f"/{i}"
        )
        for i in range(many)
    ]
    sheets = pd.concat(copies, ignore_index=True)

    def more_mb(block: int) -> float:
        with measured() as effort:
            suspects(fleet.house, sheets, most=5, block=block)
        if not effort.peak_kb:
            pytest.skip("this system doesn't tell a process's peak memory")
        return effort.more_kb / 1024.0

    more_mb(1000)  # the first list loads what all share
    parts, whole = more_mb(1000), more_mb(len(sheets))
    print(f"\n{len(sheets)} sheets: {parts:.0f} MB in blocks, {whole:.0f} MB at once")  # noqa: T201
    assert parts < 0.6 * whole


@pytest.mark.long
def test_the_flagged_alone_read_as_they_do_among_all(fleet: Fleet, gappy: pd.DataFrame) -> None:
    """Whoever asks for the flagged units only gets the same rows and the same answer."""
    every, few = suspects(fleet.house, gappy), suspects(fleet.house, gappy, most=10_000, block=61)
    assert few.sentence == every.sentence
    flagged = every.table[every.table["flagged"]]
    assert 0 < len(few.table) == len(flagged) < len(every.table)
    pd.testing.assert_frame_equal(few.table, flagged.reset_index(drop=True), rtol=1e-9, atol=1e-12)
    two = suspects(fleet.house, gappy, most=2).table
    foremost = two["unit"].isin(two["unit"].unique()[:2])
    pd.testing.assert_frame_equal(two.drop(columns="why"), few.table.drop(columns="why"), rtol=1e-9)
    assert two.loc[foremost, "why"].tolist() == few.table.loc[foremost, "why"].tolist()
    assert foremost.sum() < len(two)
    assert (two.loc[~foremost, "why"] == "").all()


def test_words_as_categories_make_the_same_list(fleet: Fleet, gappy: pd.DataFrame, whole: Suspects) -> None:
    """A column of words is judged alike as text and as categories, whatever their order."""
    coded = gappy.assign(purpose="unit", marks=np.nan)
    for name in (
        "body_family",
        "assembly_source",
        "stylus_profile",
        "generator",
        "bench",
        "purpose",
        "marks",
    ):
        coded[name] = pd.Categorical(coded[name], categories=coded[name].dropna().unique()[::-1])
    pd.testing.assert_frame_equal(suspects(fleet.house, coded, block=len(coded)).table, whole.table)


@pytest.mark.long
def test_the_sheet_that_makes_a_unit_suspect_is_named(fleet: Fleet) -> None:
    """One sheet sound, the other twisted or misread: the sound one says so and names the other.

    Neither sends the unit to its maker: that is said only where every sheet of it reads faulty.
    """
    sheet = sound_sheet(fleet.house, common_line(fleet))
    for fault in ("stylus_twisted", "misread"):
        wrong = faulty_sheets(sheet)[fault]
        both = one_more(fleet, first=sheet, second=wrong, third=faulty_sheets(sheet)["stylus_twisted"])
        both.loc[both["sheet_no"].isin(["first", "second"]), "unit"] = "unit twice"
        why = suspects(fleet.house, both).table.set_index("sheet_no")["why"]
        assert why["first"].startswith("This sheet reads sound (")
        assert "sheet second makes its unit suspect: measure it again" in why["first"]
        assert "sheet first of the same unit reads sound, so measure it again" in why["second"]
        assert "maker" not in why["first"] + why["second"]
        assert "return it to its maker" in why["third"]
