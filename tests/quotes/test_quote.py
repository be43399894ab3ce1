"""Quotes: the contract's columns, what they mean, and that they don't depend on their company."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from worlds import Fleet, bench, fleet_of, ideal

from fleet.alignment.tilt import choose_tilt, reach
from fleet.errors import FleetError
from fleet.estimation.prior_only import prior_house
from fleet.house_model.chain import FACTORS
from fleet.house_model.predict import Forecaster
from fleet.numerals import percent
from fleet.policy.policy import Policy
from fleet.policy.remedies import price
from fleet.quotes.outcomes import FORECAST
from fleet.quotes.quote import LEVELS, Quotes, _likely_family, quote
from fleet.quotes.recalibration import Correction, Recalibration

DEFAULT = Policy()
POLICIES = {
    "default": DEFAULT,
    "tracker": DEFAULT.but(name="tracker", preference=("tracking", "rake"), tracking_limit_deg=20.0),
    "paid": DEFAULT.but(name="paid", hourly_rate=60.0, base_fee=20.0, wedge_fee=35.0, rounding=5.0),
}
QUANTILED = (
    "sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "built_in_deg", "tilt_deg", "bench_minutes",
)  # fmt: skip
CONTRACT = (
    "enquiry_id",
    *(
        f"{q}_q{level}"
        for q in QUANTILED
        for level in ("05", "10", "25", "50", "75", "90", "95")
    ),
    "p_rake_met", "p_tracking_met", "p_both_met", "p_conflict_built_in", "p_conflict_reach", "p_faulty",
    "p_made_wedge", "price_low", "price_quoted", "price_high",
)  # fmt: skip
ASKED = pd.DataFrame(
    [
        {"enquiry_id": "known", "body_family": "F001"},
        {"enquiry_id": "nothing"},
        {"enquiry_id": "new code", "body_family": "ZZ", "stylus_profile": "elliptical"},
        {"enquiry_id": "round", "stylus_profile": "spherical", "vtf_mn": 18.0},
        {"enquiry_id": "paid", "body_family": "F002", "policy": "paid"},
        {"enquiry_id": "tracker", "body_family": "F001", "policy": "tracker"},
        {"enquiry_id": "visit", "body_family": "F002", "sra_static_deg": 92.5, "vta_dynamic_deg": 23.0},
    ]
)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


@pytest.fixture(scope="module")
def quotes(fleet: Fleet) -> Quotes:
    return quote(ASKED, fleet.house, POLICIES)


@pytest.fixture(scope="module")
def table(quotes: Quotes) -> pd.DataFrame:
    return quotes.table.set_index("enquiry_id")


def test_columns_stand_in_the_contracts_order(quotes: Quotes) -> None:
    """The contract's columns first and in order, then the policy's label, the wedge to name and the basis."""
    assert tuple(quotes.table.columns) == (*CONTRACT, "policy", "wedge_deg", "basis")
    assert quotes.table["enquiry_id"].tolist() == ASKED["enquiry_id"].tolist()


def test_quantiles_are_ordered_and_those_of_the_draws(quotes: Quotes) -> None:
    """Each row's quantiles grow, and equal those of the joint draws that are given out."""
    draws = quotes.draws().assign(built_in_deg=lambda d: d["sra_dynamic_deg"] - d["vta_dynamic_deg"])
    for q in FORECAST:
        columns = [f"{q}_q{round(100 * level):02d}" for level in LEVELS]
        given = quotes.table[columns].to_numpy(dtype=float)
        step = np.diff(given, axis=1)
        assert (step[~np.isnan(step)] >= 0.0).all(), q
        for i, name in enumerate(quotes.table["enquiry_id"]):
            own = draws.loc[draws["enquiry_id"] == name, q].dropna()
            want = np.quantile(own, LEVELS) if len(own) else np.full(len(LEVELS), np.nan)
            assert given[i] == pytest.approx(want, nan_ok=True), (q, name)


def test_chances_are_chances_and_add_up(table: pd.DataFrame) -> None:
    """Both met, ruled out by the built-in angle, out of reach: these three are all there is."""
    chances = [c for c in table if c.startswith("p_") and c != "p_rake_met"]
    assert table[chances].apply(lambda c: c.between(0.0, 1.0)).all().all()
    total = table["p_both_met"] + table["p_conflict_built_in"] + table["p_conflict_reach"]
    assert total.to_numpy() == pytest.approx(np.ones(len(table)))
    assert (table["p_both_met"] <= table["p_tracking_met"] + 1e-12).all()
    rake = table["p_rake_met"].dropna()
    assert (table.loc[rake.index, "p_both_met"] <= rake + 1e-12).all()


def test_draws_that_agree_make_nothing_certain(fleet: Fleet) -> None:
    """Chances of 0 and 1 are left to what can't be otherwise: without a rake no built-in angle forbids."""
    told = {"sra_dynamic_deg": [91.0, None], "vta_dynamic_deg": [18.0, 18.0], "tilt_room_deg": [9.0, 9.0]}
    asked = pd.DataFrame({"enquiry_id": ["A", "B"], "stylus_profile": ["line_contact", "spherical"], **told})
    table = quote(asked, fleet.house, {"default": DEFAULT}).table.set_index("enquiry_id")
    assert (percent(table.loc["A", "p_both_met"]), percent(table.loc["B", "p_both_met"])) == (
        ">99 %",
        ">99 %",
    )
    assert table.loc["A", "p_conflict_built_in"] > 0.0
    assert table.loc["B", "p_conflict_built_in"] == 0.0
    parts = table[["p_both_met", "p_conflict_built_in", "p_conflict_reach"]]
    assert parts.sum(axis=1).to_numpy() == pytest.approx([1.0, 1.0])


def test_chances_speak_of_the_true_angles(fleet: Fleet, table: pd.DataFrame) -> None:
    """They are the shares of draws whose true angles some allowed tilt brings home."""
    draws = Forecaster(fleet.house).draw(ASKED)
    reached = reach(draws.sra_true, draws.vta_true, draws.tilt_room, DEFAULT)
    assert table["p_both_met"].to_numpy()[0] == pytest.approx(reached.both[0].mean())
    assert table["p_tracking_met"].to_numpy()[2] == pytest.approx(reached.tracking[2].mean())
    read = reach(draws.sra_dynamic, draws.vta_dynamic, draws.tilt_room, DEFAULT)
    assert not np.array_equal(read.both[0], reached.both[0])


def test_the_tilt_is_the_policys_on_the_reading(fleet: Fleet, quotes: Quotes) -> None:
    """Each draw's tilt is what the policy would choose for that draw's readings and room."""
    draws = Forecaster(fleet.house).draw(ASKED)
    for i, policy in ((0, DEFAULT), (5, POLICIES["tracker"])):
        want = choose_tilt(draws.sra_dynamic[i], draws.vta_dynamic[i], draws.tilt_room[i], policy).tilt_deg
        assert np.array_equal(quotes.arrays["tilt_deg"][i], want)


def test_the_wedge_named_holds_more_tilts_than_the_median_does(quotes: Quotes) -> None:
    """Within a quarter of a degree of it lie at least as many of the tilts drawn as about the median."""
    for wedge, tilt in zip(quotes.table["wedge_deg"], quotes.arrays["tilt_deg"], strict=True):
        near = [(np.abs(tilt - middle) <= 0.25 + 1e-9).sum() for middle in (wedge, np.median(tilt))]
        assert near[0] >= near[1]


def test_a_policy_goes_by_its_name(table: pd.DataFrame, fleet: Fleet) -> None:
    """An enquiry's own policy is used; one named for all fills the gaps; an unknown one is refused."""
    assert table.loc["tracker", "policy"].startswith("tracker")
    assert table.loc["known", "policy"].startswith("default")
    assert table.loc["tracker", "p_tracking_met"] < table.loc["known", "p_tracking_met"]
    same = [f"vta_dynamic_deg_q{x}" for x in ("05", "50", "95")]
    assert (table.loc["tracker", same] == table.loc["known", same]).all()
    named = quote(ASKED, fleet.house, POLICIES, policy_name="tracker").table.set_index("enquiry_id")
    assert named.loc["known", "policy"].startswith("tracker")
    assert named.loc["paid", "policy"].startswith("paid")
    with pytest.raises(FleetError, match="no policy"):
        quote(ASKED.assign(policy="nobody's"), fleet.house, POLICIES)


def test_a_price_follows_from_rate_time_and_wedge(quotes: Quotes, table: pd.DataFrame) -> None:
    """Empty without an hourly rate; else an order statistic of the draws' own charges, rounded as told."""
    assert table.drop("paid")[["price_low", "price_quoted", "price_high"]].isna().all().all()
    policy, i = POLICIES["paid"], ASKED["enquiry_id"].tolist().index("paid")
    tilt = quotes.arrays["tilt_deg"][i]
    wedge = (np.abs(tilt) > 1.0 + 1e-9).astype(float)
    cost = np.sort(price(quotes.arrays["bench_minutes"][i], wedge, policy))
    row = table.loc["paid"]
    for column, level in (("price_low", 0.1), ("price_quoted", 0.5), ("price_high", 0.9)):
        assert row[column] in cost
        assert np.mean(cost <= row[column]) >= level
        assert np.mean(cost < row[column]) <= level
        assert row[column] % 5.0 == 0.0
    assert row["price_low"] < row["price_quoted"] < row["price_high"]
    assert row["p_made_wedge"] == pytest.approx(wedge.mean())


def test_a_spherical_stylus_has_no_rake_and_both_is_tracking(table: pd.DataFrame) -> None:
    """Rake figures stay empty, tracking alone decides."""
    row = table.loc["round"]
    empty = [c for c in table if c.startswith(("sra_dynamic", "built_in"))] + ["p_rake_met"]
    assert row[empty].isna().all()
    assert row["p_both_met"] == row["p_tracking_met"]
    assert not np.isnan(row["sag_deg_q50"])


def test_quotes_do_not_depend_on_their_company(quotes: Quotes, fleet: Fleet) -> None:
    """Alone, among others, in another order or beyond a chunk's edge: the same row, bit for bit."""
    for i in range(len(ASKED)):
        alone = quote(ASKED.iloc[[i]], fleet.house, POLICIES).table
        pd.testing.assert_frame_equal(alone, quotes.table.iloc[[i]].reset_index(drop=True), check_exact=True)
    many = pd.concat([ASKED] * 40, ignore_index=True)
    tail = quote(many, fleet.house, POLICIES, n_draws=1024).table.tail(len(ASKED)).reset_index(drop=True)
    pd.testing.assert_frame_equal(tail, quotes.table, check_exact=True)


def test_a_warm_forecaster_answers_the_same(quotes: Quotes, fleet: Fleet) -> None:
    """Keeping the forecaster changes nothing but the time it takes."""
    forecaster = Forecaster(fleet.house)
    for _ in range(2):
        pd.testing.assert_frame_equal(
            quote(ASKED, forecaster, POLICIES).table, quotes.table, check_exact=True
        )


def test_draws_come_as_a_long_frame(quotes: Quotes) -> None:
    """A thousand and more joint draws an enquiry, in the contract's columns."""
    draws = quotes.draws()
    assert list(draws.columns) == [
        "enquiry_id", "draw", "sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "tilt_deg", "bench_minutes",
    ]  # fmt: skip
    counts = draws["enquiry_id"].value_counts()
    assert (counts == 1024).all()
    assert draws.groupby("enquiry_id")["draw"].agg(["min", "max"]).drop_duplicates().to_numpy().tolist() == [
        [0, 1023]
    ]
    few = quote(ASKED.iloc[:1], bench().house, POLICIES, n_draws=1000).draws()
    assert len(few) == 1000


def test_the_basis_says_what_the_quote_stands_on(table: pd.DataFrame, fleet: Fleet) -> None:
    """Facts told, units of the family and kind, readings of each quantity, and what was never met."""
    units = fleet.house.facts.combos.groupby("family")["n"].sum()
    assert table.loc["known", "basis"].startswith(f"told: family; {units['F001']:.0f} units of family F001 (")
    assert "nothing told" in table.loc["nothing", "basis"]
    assert f"{units.sum():.0f} units match" in table.loc["nothing", "basis"]
    assert "family ZZ never measured here" in table.loc["new code", "basis"]
    assert "an earlier reading of the static rake" in table.loc["visit", "basis"]
    own = {link: fleet.house.readings(link, "F001") for link in ("rake", "tracking", "sag")}
    read = f"(rake {own['rake']:.0f}, tracking angle {own['tracking']:.0f}, sag {own['sag']:.0f})"
    assert table.loc["known", "basis"].endswith(read)
    for name in ("nothing", "new code"):
        assert f"the fleet read rake {fleet.house.readings('rake'):.0f}, " in table.loc[name, "basis"]
    assert "the fleet read" not in table.loc["known", "basis"]


def test_kinds_are_counted_when_both_parts_are_told(fleet: Fleet) -> None:
    """Stylus and cantilever together name a kind."""
    combos = fleet.house.facts.combos
    kind = combos.groupby(["profile", "cantilever"])["n"].sum().idxmax()
    asked = pd.DataFrame([{"enquiry_id": "Q", "stylus_profile": kind[0], "cantilever_material": kind[1]}])
    n = combos.groupby(["profile", "cantilever"])["n"].sum().max()
    assert (
        f"{n:.0f} units of kind {kind[0]}/{kind[1]}" in quote(asked, fleet.house, POLICIES).table["basis"][0]
    )


def test_sentences_tell_the_figures(quotes: Quotes, table: pd.DataFrame) -> None:
    """One sentence an enquiry, with the table's own numbers."""
    assert len(quotes.sentences) == len(ASKED)
    row = table.loc["known"]
    for figure in (
        f"rake {row['sra_dynamic_deg_q50']:.1f}°",
        f"{row['vta_dynamic_deg_q05']:.1f} to {row['vta_dynamic_deg_q95']:.1f}°",
        percent(row["p_both_met"]),
        f"{row['bench_minutes_q50']:.0f} min",
    ):
        assert figure in quotes.sentences[0]
    assert "no rake" in quotes.sentences[3]


def test_the_share_of_faulty_units_is_the_sources(fleet: Fleet) -> None:
    """A told source gives its own pooled share, otherwise the shares in the draws' own mixture."""
    house = replace(fleet.house, faulty={"S01": (200.0, 40.0), "S02": (200.0, 2.0)})
    asked = pd.DataFrame([{"enquiry_id": s, "assembly_source": s} for s in ("S01", "S02")])
    found = quote(asked, house, POLICIES).table["p_faulty"].to_numpy()
    assert found == pytest.approx([house.share_faulty("S01"), house.share_faulty("S02")])
    assert found[0] > 3.0 * found[1]


def test_missing_numbers_are_refused_and_no_enquiry_is_no_row(fleet: Fleet) -> None:
    """Without the enquiry's number there is no answer; without an enquiry an empty table."""
    with pytest.raises(FleetError, match="enquiry_id"):
        quote(pd.DataFrame([{"body_family": "F001"}]), fleet.house, POLICIES)
    empty = quote(ASKED.iloc[:0], fleet.house, POLICIES)
    assert tuple(empty.table.columns) == (*CONTRACT, "policy", "wedge_deg", "basis")
    assert empty.draws().empty


def test_the_cold_house_answers_and_says_so() -> None:
    """Before the first sheet every quote is wide and names what it stands on."""
    found = quote(ASKED, prior_house(), POLICIES).table.set_index("enquiry_id")
    assert found["basis"].str.contains("no sheet in the store yet").all()
    width = found["vta_dynamic_deg_q95"] - found["vta_dynamic_deg_q05"]
    assert (width.drop("visit") > 6.0).all()
    assert width["visit"] < 2.0


@pytest.mark.long
def test_bench_time_agrees_with_a_gamma_regression() -> None:
    """Effect of a degree of tilt, of a conflict, and the mean time, beside statsmodels' Gamma GLM (log link).

    Cross-check against an independent fit (families as fixed effects): slopes within 0.02 and 0.03, the
    expected time of an average family within 3 %.
    """
    import statsmodels.api as sm

    fleet = fleet_of(ideal(51, n_families=16, fault_share=0.0, slip_share=0.0), 1500)
    d = fleet.current[fleet.current["newest"]].dropna(
        subset=["bench_minutes", "tilt_applied_deg", "vta_dynamic_deg"]
    )
    tilted = d["tilt_applied_deg"].abs()
    conflict = (d["sra_dynamic_deg"] - d["vta_dynamic_deg"] < 68.5).astype(float)
    family = pd.get_dummies(d["body_family"], dtype=float)
    glm = sm.GLM(
        d["bench_minutes"],
        pd.concat([tilted, conflict.rename("conflict"), family], axis=1),
        family=sm.families.Gamma(link=sm.families.links.Log()),
    ).fit()
    fit = fleet.house.links["minutes"]
    mean, _, _ = fit.centre
    design = fit.gram.design
    slope = {n: mean[design.q + j] for j, n in enumerate(design.fixed)}
    assert slope["tilted"] == pytest.approx(glm.params["tilt_applied_deg"], abs=0.02)
    assert slope["conflict"] == pytest.approx(glm.params["conflict"], abs=0.03)
    assert slope["tilted"] == pytest.approx(0.085, abs=0.01), "the invented bench's own figure"
    drawn = quote(pd.DataFrame([{"enquiry_id": f, "body_family": f} for f in family]), fleet.house, POLICIES)
    ours = drawn.arrays["bench_minutes"].mean(axis=1)
    theirs = glm.predict().reshape(-1)
    by_family = pd.Series(theirs).groupby(d["body_family"].to_numpy()).mean()
    common = d["body_family"].value_counts().loc[lambda n: n >= 60].index
    ratio = pd.Series(ours, index=list(family))[common] / by_family[common]
    assert ratio.mean() == pytest.approx(1.0, abs=0.03)


def test_a_conflict_takes_bench_time_by_the_guarded_limits(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two sds of .15 and .35° inside 90.5 and 22° leave 69.5°: a built-in angle below it costs time."""
    forecaster = Forecaster(fleet.house, n_draws=256)
    seen = []
    real = forecaster.minutes
    monkeypatch.setattr(
        forecaster, "minutes", lambda draws, tilt, clash: seen.append(clash) or real(draws, tilt, clash)
    )
    guarded = DEFAULT.but(guard_sigmas=2.0, rake_reading_sd_deg=0.15, tracking_reading_sd_deg=0.35)
    quote(ASKED.iloc[:2], forecaster, {"default": guarded})
    built_in = forecaster.draw(ASKED.iloc[:2], [guarded] * 2).built_in
    assert 0.0 < seen[0].mean() < 1.0
    assert np.array_equal(seen[0], built_in < 69.5)


def test_in_short_a_quote_is_its_sentence_and_three_ranges(quotes: Quotes) -> None:
    """One quote says its sentence, several how many they are; sag, rake and tracking with nine in ten."""
    said, table = quotes.in_short()
    assert said == f"{len(ASKED)} quotes"
    ranges = [
        f"{q}_{level}"
        for q in ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg")
        for level in ("q05", "q50", "q95")
    ]
    assert list(table) == ["enquiry_id", *ranges, "p_both_met", "bench_minutes_q50"]
    one = replace(
        quotes, columns={n: c[:1] for n, c in quotes.columns.items()}, sentences=quotes.sentences[:1]
    )
    assert one.in_short()[0] == quotes.sentences[0]


def test_a_correction_is_noted_once(quotes: Quotes) -> None:
    """What the record changed stands beside the quotes as a sentence, once for all that it concerns."""
    use = Recalibration(
        (Correction("known family", "sag_deg", 40, 40.0, 0.8, 1.3, "corrected"),), "the record"
    )
    noted = replace(quotes, standing=("known family", "new family", "known family"), recalibration=use).notes
    assert noted == ("Intervals stretched by the record: sag × 1.30",)
    assert quotes.notes == ()


def test_a_family_is_named_from_even_chances_on() -> None:
    """At a half it is the likeliest; below, or where it has no name, none is."""
    levels = np.full((2, len(FACTORS)), "x", dtype=object)
    levels[:, FACTORS.index("family")] = ["F1", "F2"]
    assert _likely_family(levels, np.array([0.5, 0.5])) == " (most likely family F1, 50 %)"
    assert _likely_family(levels, np.array([0.45, 0.55])) == " (most likely family F2, 55 %)"
    assert _likely_family(levels, np.array([0.49, 0.49])) == ""
    levels[0, FACTORS.index("family")] = ""
    assert _likely_family(levels, np.array([0.9, 0.1])) == ""
