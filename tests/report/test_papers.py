"""Each paper says what its judgement says, with what it stands on, what to mind and its day."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from fleet.attainment.attainment import attainment
from fleet.attainment.peers import peer_group
from fleet.charts.rates import attainment_answer
from fleet.errors import FleetError
from fleet.faults.one_unit import judge
from fleet.faults.suspects import suspects
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.numerals import percent
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from fleet.report.paper import Paper
from fleet.report.quotes import MOST_PAPERS, OPEN, OUT, SURE, quote_papers
from fleet.report.units import unit_paper
from fleet.report.years import year_paper
from fleet.statistics.proportions import rate_difference
from fleet.store import Store
from fleet.words import BENCH_DECIDES, NO_REPAIR

DAY = date(2025, 7, 1)


def enquiries(n: int = 1, **facts: object) -> pd.DataFrame:
    told = {"stylus_profile": "line_contact", "cantilever_material": "boron"} | facts
    return pd.DataFrame([{"enquiry_id": f"Q{i}", **told} for i in range(n)])


def papers_of(asked: pd.DataFrame, house: House, policy: Policy | None = None) -> list[Paper]:
    model, policies = Forecaster(house), {"default": policy or Policy()}
    return quote_papers(asked, quote(asked, model, policies), model, policies, on=DAY)


def words(paper: Paper) -> str:
    """Everything a paper says, tables included."""
    parts = [paper.question, paper.answer, *paper.cautions, *paper.basis.values()]
    for section in paper.sections:
        parts += [*section.lines, *section.notes]
    parts += [" ".join(str(cell) for cell in table.frame.to_numpy().ravel()) for table in paper.tables]
    return "\n".join(parts)


def test_a_quote_says_the_quotes_own_figures(house: House) -> None:
    """Answer, tiles, table of quantiles, basis and policy are the quote's; cautions and day are there."""
    asked = enquiries(vtf_mn=18.0, serial_token="u-secret")
    row = quote(asked, Forecaster(house), {"default": Policy()}).table.iloc[0]
    (paper,) = papers_of(asked, house)
    assert paper.answer.startswith(f"Expect rake {row['sra_dynamic_deg_q50']:.1f}°")
    assert paper.headlines[0].value == percent(row["p_both_met"])
    assert paper.tables[0].frame["median"].iloc[0] == f"{row['sag_deg_q50']:.2f}°"
    assert paper.basis["the quote stands on"] == row["basis"]
    assert f"{house.units:.0f} units" in paper.basis["house model"]
    assert Policy().label in paper.basis["target policy"]
    assert paper.on == DAY
    assert {BENCH_DECIDES, NO_REPAIR} <= set(paper.cautions)
    assert "tracking force 18.0 mN" in words(paper)
    assert "u-secret" not in words(paper)


def test_every_chance_is_promised_open_or_ruled_out(house: House) -> None:
    """Each outcome stands once, and where it stands follows from its chance alone."""
    (paper,) = papers_of(enquiries(), house)
    table = next(t.frame for t in paper.tables if "outcome" in t.frame)
    row = quote(enquiries(), Forecaster(house), {"default": Policy()}).table.iloc[0]
    chance = {"one tilt serves both targets": row["p_both_met"], "the unit turns out faulty": row["p_faulty"]}
    assert table["outcome"].is_unique
    for outcome, p in chance.items():
        said = table.set_index("outcome").loc[outcome, "what it means"]
        assert said == (SURE if p >= 0.95 else OPEN if p > 0.05 else OUT)


def test_a_spherical_stylus_is_promised_no_rake(house: House) -> None:
    """For a spherical stylus there is no picture of the rake and the note says why."""
    (paper,) = papers_of(enquiries(stylus_profile="spherical"), house)
    assert not [
        p for s in paper.sections for p in s.pictures if "rake, record turning [°]" in str(p.description)
    ]
    assert "A spherical stylus has no rake." in words(paper)


def test_a_file_of_enquiries_has_a_list_in_front(house: House) -> None:
    """Several enquiries make a list and one paper each, in order; more than fit are refused in one line."""
    papers = papers_of(enquiries(3), house)
    assert [p.subject.split(" ")[0] for p in papers] == ["3", "Q0", "Q1", "Q2"]
    assert list(papers[0].tables[0].frame["enquiry"]) == [p.subject for p in papers[1:]]
    with pytest.raises(FleetError, match="name one with --enquiry"):
        papers_of(enquiries(MOST_PAPERS + 1), house)


def unit_of(bench: Store, house: House, sheet_no: str, policy: Policy) -> Paper:
    sheets = bench.current()
    own = sheets[sheets["sheet_no"] == sheet_no]
    verdict = judge(house, own, policy, taught=bool(own["newest"].iloc[0]))
    every = sheets[sheets["unit"] == own["unit"].iloc[0]]
    return unit_paper(own, verdict, peer_group(sheets, sheet_no), house, policy, on=DAY, earlier=every)


def test_a_unit_sheet_says_the_judgements_sentence(bench: Store, house: House) -> None:
    """Readings as read with signs in words, the verdict's sentence, alignment, and no token or operator."""
    sheets = bench.current()
    told = sheets[sheets["zenith_deg"].notna() & (sheets["stylus_profile"] == "line_contact")]
    row = told.iloc[0]
    paper = unit_of(bench, house, str(row["sheet_no"]), Policy())
    own = sheets[sheets["sheet_no"] == row["sheet_no"]]
    verdict = judge(house, own, Policy(), taught=bool(row["newest"]))
    said = words(paper)
    assert paper.answer == verdict.sentence
    for line in verdict.alignment.lines:
        assert line in said
    readings = paper.tables[0].frame.set_index("reading")["read"]
    assert readings["rake, record turning"] == f"{row['sra_dynamic_deg']:.2f}°"
    turned = "anticlockwise" if row["zenith_deg"] < 0 else "clockwise"
    assert readings["zenith error"] == f"{abs(row['zenith_deg']):.2f}° {turned}"
    assert str(row["unit"]) not in said
    assert NO_REPAIR in paper.cautions


def test_before_and_after_are_judged_by_the_policy(bench: Store, house: House) -> None:
    """A corrected unit's angles stand before and after, each met or not by the policy's own limits."""
    sheets = bench.current()
    row = sheets[sheets["sra_after_deg"].notna() & sheets["vta_after_deg"].notna()].iloc[0]
    paper = unit_of(bench, house, str(row["sheet_no"]), Policy())
    table = next(t.frame for t in paper.tables if "target after" in t.frame).set_index(
        "angle, record turning"
    )
    assert table.loc["rake", "after"] == f"{row['sra_after_deg']:.2f}°"
    assert table.loc["tracking angle", "before"] == f"{row['vta_dynamic_deg']:.2f}°"
    low, high = Policy().rake_accepted_deg
    met = low - 1e-9 <= row["sra_after_deg"] <= high + 1e-9
    assert table.loc["rake", "target after"] == ("met" if met else "not met")
    assert table.loc["tracking angle", "target before"] == (
        "met" if row["vta_dynamic_deg"] <= Policy().tracking_limit_deg + 1e-9 else "not met"
    )


def test_a_taught_unit_is_judged_without_itself(bench: Store, house: House) -> None:
    """Judging a sheet that taught the model without itself changes its score."""
    sheets = bench.current()
    row = sheets[sheets["newest"]].iloc[[5]]
    with_it = judge(house, row, Policy(), taught=False).row["score"]
    without = judge(house, row, Policy(), taught=True).row["score"]
    listed = suspects(house, sheets).table.set_index("sheet_no")
    assert without != with_it
    assert np.isfinite(listed.loc[row["sheet_no"].iloc[0], "score"])


@pytest.mark.long
def test_a_year_stands_beside_the_one_before(bench: Store, house: House) -> None:
    """The review's rates are the attainment's of the year's units; the change has Newcombe's interval."""
    sheets = bench.current()
    sheets = sheets[sheets["newest"]]
    year = pd.to_datetime(sheets["measured_on"]).dt.year
    own, before = sheets[year == 2024], sheets[year == 2023]
    found = suspects(house, own)
    paper = year_paper(sheets[year.isin([2023, 2024])], 2024, found, house, Policy(), on=DAY)
    now, then = (attainment(frame, [], Policy()) for frame in (own, before))
    assert paper.answer == attainment_answer(now, "both_reachable")
    assert paper.headlines[0].value == str(len(own))
    table = next(t.frame for t in paper.tables if "change" in t.frame).set_index("target")
    a, b = now.iloc[0], then.iloc[0]
    change, low, high = rate_difference(
        a["rake_level_met"], a["rake_level_n"], b["rake_level_met"], b["rake_level_n"]
    )
    said = table.loc["the rake target met on a level headshell", "change"]
    assert said == f"{round(100 * float(change)):+d} ({100 * float(low):+.0f} to {100 * float(high):+.0f})"
    assert found.sentence in words(paper)


def test_a_year_without_units_is_refused(bench: Store, house: House) -> None:
    """A year in which nothing counts is one clear line."""
    sheets = bench.current()
    with pytest.raises(FleetError, match="no unit of 1999 counts"):
        year_paper(sheets, 1999, suspects(house, sheets.head(20)), house, Policy(), on=DAY)


def test_difference_of_two_rates() -> None:
    """Newcombe (1998), Stat. Med. 17, 873-890, table II, method 10 (values from memory)."""
    met, n = np.array([56, 9, 10, 5]), np.array([70, 10, 10, 56])
    before, n_before = np.array([48, 3, 0, 0]), np.array([80, 10, 10, 29])
    _, low, high = rate_difference(met, n, before, n_before)
    assert np.round(low, 4).tolist() == [0.0524, 0.1705, 0.6075, -0.0381]
    assert np.round(high, 4).tolist() == [0.3339, 0.8090, 1.0, 0.1926]


def test_difference_without_units_is_unknown() -> None:
    """Where either year has no unit there is no difference and no interval."""
    assert all(np.isnan(float(v)) for v in rate_difference(0, 0, 3, 5))
