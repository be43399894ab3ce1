"""What is known of families besides their readings."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.chain import FACTORS
from fleet.house_model.family_facts import SPEC_FACTORS, TYPICAL, learn_facts


def combos(*rows: dict[str, object]) -> pd.DataFrame:
    """Combinations of factors with counts; what isn't given is the same everywhere."""
    same = {"profile": "elliptical", "cantilever": "boron", "source": "S1", "generator": "moving_coil",
            "frequency": "10", "bench": "main"}  # fmt: skip
    return pd.DataFrame([{**same, **row} for row in rows])[[*FACTORS, "n"]]


def families(**columns: list[object]) -> pd.DataFrame:
    m = len(columns["family"])
    empty: dict[str, list[object]] = {
        name: [np.nan] * m
        for name in (
            "compliance_um_per_mn",
            "cantilever_length_mm",
            "vtf_mn",
            "vta_static_deg",
            "tilt_room_deg",
        )
    }
    return pd.DataFrame({**empty, "n": [1] * m, **columns})


def many_families(m: int, *, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame]:
    """m families whose compliance depends on the generator alone: 12 or 20, with a scatter of 10 %."""
    rng = np.random.default_rng(seed)
    coil = np.arange(m) % 2 == 0
    compliance = np.where(coil, 12.0, 20.0) * np.exp(0.1 * rng.standard_normal(m))
    names = [f"F{i:02d}" for i in range(m)]
    generator = np.where(coil, "moving_coil", "moving_magnet")
    rows = [
        {"family": f, "generator": g, "source": f"S{i % 4}", "n": 5}
        for i, (f, g) in enumerate(zip(names, generator, strict=True))
    ]
    return combos(*rows), families(family=names, compliance_um_per_mn=list(compliance))


def make_up(**changed: str) -> pd.DataFrame:
    base = {"profile": "elliptical", "cantilever": "boron", "generator": "moving_coil", "source": "S1"}
    return pd.DataFrame([{**base, **changed}])[list(SPEC_FACTORS)]


def test_few_families_leave_the_typical_figures() -> None:
    """Below six families with a figure the prediction is common practice's, and says so by its width."""
    facts = learn_facts(*many_families(5))
    mean, sd = facts.specs["compliance_um_per_mn"].predict(make_up())
    assert (mean[0], sd[0]) == TYPICAL["compliance_um_per_mn"]


def test_a_missing_figure_is_predicted_from_the_make_up() -> None:
    """Thirty families: a moving coil is foretold near 12, a moving magnet near 20, about 10 % either way."""
    spec = learn_facts(*many_families(30)).specs["compliance_um_per_mn"]
    for generator, want in (("moving_coil", 12.0), ("moving_magnet", 20.0)):
        mean, sd = spec.predict(make_up(generator=generator))
        assert np.exp(mean[0]) == pytest.approx(want, rel=0.08)
        assert 0.07 < sd[0] < 0.2


def test_a_generator_never_met_is_less_certain() -> None:
    """The spread between generators comes on top for one that no family has."""
    spec = learn_facts(*many_families(30)).specs["compliance_um_per_mn"]
    known, new = (spec.predict(make_up(generator=g))[1][0] for g in ("moving_coil", "moving_iron"))
    assert new > known + 0.1


def test_fill_prefers_the_familys_own_figure_and_says_which_it_is() -> None:
    """Own medians stand as they are and count as sure; the others are predictions and don't."""
    table, fam = many_families(30)
    fam.loc[3, "compliance_um_per_mn"] = np.nan
    fam.loc[4, "vta_static_deg"] = 25.5
    fill = learn_facts(table, fam).fill()
    assert fill.loc["F02", "c_fill"] == fam.loc[2, "compliance_um_per_mn"]
    assert bool(fill.loc["F02", "c_sure"])
    assert not fill.loc["F03", "c_sure"]
    assert fill.loc["F03", "c_fill"] == pytest.approx(20.0, rel=0.1)
    assert not fill["l_sure"].any()
    assert fill["l_fill"].to_numpy() == pytest.approx(np.exp(TYPICAL["cantilever_length_mm"][0]))
    assert fill.loc["F04", "t_fill"] == 25.5


def test_a_familys_make_up_is_its_commonest() -> None:
    """A family made by two sources counts under the one that made most of its units."""
    table = combos(
        {"family": "F1", "source": "S1", "n": 2}, {"family": "F1", "source": "S2", "n": 7}
    )  # fmt: skip
    facts = learn_facts(table, families(family=["F1"]))
    assert facts.families.loc["F1", "source"] == "S2"
