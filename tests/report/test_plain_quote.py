"""A quote in an owner's words: promised only what is as good as sure, and no term of the bench."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from fleet.quotes.value_of_information import ASKABLE, Information
from fleet.report.plain_quote import NEEDS, plain_words

CHANCES = {"p_rake_met": 0.8, "p_both_met": 0.67, "p_made_wedge": 0.02, "p_faulty": 0.05}
TIME = {"bench_minutes_q50": 65.2, "bench_minutes_q95": 96.8}
NO_PRICE = dict.fromkeys(("price_low", "price_quoted", "price_high"), float("nan"))
ROW = {**CHANCES, **TIME, **NO_PRICE}


def lines(**told: float) -> dict[str, str]:
    """The section's lines by their beginnings."""
    said = plain_words(pd.Series({**ROW, **told}), "EUR", asked()).lines
    return {line.split(":")[0]: line for line in said}


def asked() -> Information:
    """Three facts worth asking and one that isn't."""
    facts = ["sra_static_by_photo", "body_family", "vtf_mn", "generator"]
    return Information(pd.DataFrame({"fact": facts, "worth": [0.6, 0.3, 0.1, 0.01]}), "")


def test_open_chances_are_counted_and_not_promised() -> None:
    """Two in three is said as 13 of 20 among what may happen; only the wedge is promised away."""
    said = lines()
    assert said["What can be promised"] == "What can be promised: no wedge has to be made for it."
    assert "in about 13 of 20 such pickups one tilt of the body brings both angles" in said["What may happen"]
    assert "about 1 of 20 such pickups turns out faulty" in said["What may happen"]
    assert said["How long it takes"].endswith(
        "about 65 minutes at the bench; one in twenty takes more than 97."
    )
    assert said["What we need to know from you"].count(";") == 3
    assert NEEDS["generator"] not in said["What we need to know from you"]


@pytest.mark.parametrize(
    ("chance", "promised"), [(0.96, "brings both"), (0.03, "no tilt"), (0.9, ""), (0.1, "")]
)
def test_a_promise_needs_near_certainty(chance: float, promised: str) -> None:
    """Ninety of a hundred is no promise, ninety-six is one, and so is what hardly ever comes."""
    said = lines(p_both_met=chance, p_made_wedge=0.5)["What can be promised"]
    assert promised in said
    assert ("no result before" in said) == (promised == "")


def test_a_spherical_stylus_has_no_rake_to_speak_of() -> None:
    """Its one angle is the tracking angle, in each of the three cases."""
    for chance in (0.99, 0.6, 0.01):
        text = " ".join(lines(p_rake_met=float("nan"), p_both_met=chance).values())
        assert "the tracking angle to where it belongs" in text
        assert "rake goes first" not in text
        assert "both angles" not in text


def test_a_price_is_named_where_there_is_one() -> None:
    """With a rate the owner reads price and range; without one nothing of money, and nothing of a policy."""
    said = lines(price_low=80.0, price_quoted=95.0, price_high=130.0)["What it costs"]
    assert said == "What it costs: about 95 EUR, by how long it takes from 80 to 130 EUR."
    assert "What it costs" not in lines()
    assert "policy" not in " ".join(lines().values())


def test_no_term_of_the_bench() -> None:
    """No unit of a reading, no sigma, no standard word that an owner would have to look up."""
    text = " ".join(lines().values())
    assert re.search(r"°|sigma|µs|rms|built-in|tilt room|q05|SRA|VTA|%", text) is None


def test_every_fact_that_may_be_asked_has_its_question() -> None:
    """Whatever the quote would ask for can be said to an owner; readings of the unit are asked for always."""
    assert set(NEEDS) | {"sra_static_deg", "vta_dynamic_deg"} == set(ASKABLE)
