"""The value of a question: told facts are worth nothing more, telling ones narrow as the quote then says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.fitting.refit import refit
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.policy.policy import Policy
from fleet.quotes.value_of_information import ASKABLE, WIDTHS, information
from fleet.store import Store
from synthetic_data.demo import demo_fleet


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    sheets = demo_fleet().sheets
    sheets["serial_token"] = sheets.pop("serial")
    store = Store(tmp_path_factory.mktemp("information") / "s.duckdb").create()
    store.append(sheets, file_name="demo.csv")
    return refit(store).house


def asked(**facts: object) -> pd.DataFrame:
    return pd.DataFrame({"enquiry_id": ["Q"]} | {name: [value] for name, value in facts.items()})


def width(values: np.ndarray) -> float:
    return float(np.subtract(*np.quantile(values[np.isfinite(values)], [0.95, 0.05])))


def test_every_open_fact_is_weighed_and_no_told_one(house: House) -> None:
    """What is told is not asked for again; every other fact has a row."""
    table = information(asked(stylus_profile="elliptical", vtf_mn=18.0), house, Policy()).table
    assert set(table["fact"]) <= set(ASKABLE) - {"stylus_profile", "vtf_mn"}
    assert {"body_family", "cantilever_material", "assembly_source", "tilt_room_deg"} <= set(table["fact"])


def test_the_width_now_is_the_quotes_own(house: House) -> None:
    """`now` is the width of the same draws that a quote makes."""
    row = information(asked(stylus_profile="elliptical"), house, Policy()).table.iloc[0]
    draws = Forecaster(house, n_draws=2048).draw(asked(stylus_profile="elliptical"))
    assert row["sra_dynamic_deg_now"] == pytest.approx(width(draws.sra_dynamic[0]))
    assert row["sag_deg_now"] == pytest.approx(width(draws.sag[0]))


def test_the_width_then_is_the_mean_over_the_answers(house: House) -> None:
    """For cantilevers, quoted one by one and weighted by their chances, the mean width is what is said."""
    table = information(asked(stylus_profile="line_contact"), house, Policy()).table.set_index("fact")
    forecaster = Forecaster(house, n_draws=2048)
    chosen = forecaster.draw(asked(stylus_profile="line_contact")).candidates[0]
    from fleet.house_model.chain import FACTORS

    level = chosen.levels[:, FACTORS.index("cantilever")].astype(str)
    total, mass = 0.0, 0.0
    for name in np.unique(level):
        weight = chosen.weights[level == name].sum()
        if name in house.facts.combos["cantilever"].astype(str).unique() and name:
            told = forecaster.draw(asked(stylus_profile="line_contact", cantilever_material=name))
            total, mass = total + weight * width(told.vta_dynamic[0]), mass + weight
    assert table.loc["cantilever_material", "vta_dynamic_deg_then"] == pytest.approx(total / mass)


def test_a_reading_of_the_unit_itself_tells_most(house: House) -> None:
    """An earlier rake reading pins the rake; the tilt room tells of the family, nothing where it is told."""
    for facts in ({}, {"body_family": str(house.facts.combos["family"].iloc[0])}):
        table = information(asked(**facts), house, Policy()).table.set_index("fact")
        assert table.loc["sra_static_deg", "sra_dynamic_deg_share"] > 0.5
        room = abs(table.loc["tilt_room_deg", "vta_dynamic_deg_share"])
        assert room < (0.06 if facts else table.loc["body_family", "vta_dynamic_deg_share"])


def test_a_photo_buys_less_than_a_bench_and_as_much_as_the_policy_trusts_it(house: House) -> None:
    """An owner's photo narrows the rake, more the better photos are, never as far as a bench's reading."""
    family = str(house.facts.combos["family"].iloc[0])
    shares = []
    for sd_deg in (2.0, 1.0, 0.4):
        found = information(asked(body_family=family), house, Policy(photo_rake_sd_deg=sd_deg))
        shares.append(found.table.set_index("fact")["sra_dynamic_deg_share"])
    photo = [share["sra_static_by_photo"] for share in shares]
    assert 0.0 < photo[0] < photo[1] < photo[2] < shares[0]["sra_static_deg"]
    assert "The owner's photo of the static rake would narrow dynamic rake from" in found.sentence
    read = information(asked(body_family=family, sra_static_deg=92.0), house, Policy()).table
    assert "sra_static_by_photo" not in set(read["fact"])


def test_the_family_settles_its_own_specification(house: House) -> None:
    """With the family told, its make-up facts have one answer each and are no questions any more."""
    family = str(house.facts.combos["family"].iloc[0])
    found = information(asked(body_family=family), house, Policy())
    assert "generator" not in set(found.table["fact"])
    assert "If the unit was ever read before" in found.sentence


def test_a_spherical_stylus_is_not_asked_for_rake(house: House) -> None:
    """No rake, so no earlier rake reading and no share of it."""
    table = information(asked(stylus_profile="spherical"), house, Policy()).table
    assert not {"sra_static_deg", "sra_static_by_photo"} & set(table["fact"])
    assert table["sra_dynamic_deg_share"].isna().all()
    assert set(WIDTHS) == {"sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "tilt_deg"}


def test_the_same_question_twice_has_the_same_answer(house: House) -> None:
    """No random number is drawn anew."""
    one, two = (information(asked(cantilever_material="boron"), house, Policy()) for _ in range(2))
    pd.testing.assert_frame_equal(one.table, two.table)
    assert one.sentence == two.sentence
