"""A house taken apart into numbers and texts, and put together again."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from worlds import bench

from fleet.errors import FleetError
from fleet.estimation.prior_only import prior_house
from fleet.faults.suspects import suspects
from fleet.house_model.archive import from_parts, to_parts
from fleet.house_model.chain import YEARS
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.house_model.summary import summarise_model
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote

ENQUIRIES = pd.DataFrame(
    [
        {
            "enquiry_id": "Q1",
            "body_family": "F001",
            "compliance_um_per_mn": 14.0,
            "compliance_frequency_hz": 10.0,
        },
        {"enquiry_id": "Q2", "assembly_source": "S02"},
        {"enquiry_id": "Q3", "body_family": "F003", "sra_static_deg": 92.0},
    ]
)


def there_and_back(house: House) -> House:
    arrays, texts = to_parts(house)
    return from_parts(arrays, json.loads(json.dumps(texts)))


def test_a_house_put_together_again_quotes_the_same() -> None:
    """Every column of a quote and every draw, bit for bit."""
    house = bench().house
    first, again = (quote(ENQUIRIES, h, {"default": Policy()}) for h in (house, there_and_back(house)))
    pd.testing.assert_frame_equal(first.table, again.table, check_exact=True)
    for name, values in first.arrays.items():
        assert np.array_equal(values, again.arrays[name], equal_nan=True), name


def test_a_house_put_together_again_judges_the_same() -> None:
    """Every column of the suspects, bit for bit."""
    house, sheets = bench().house, bench().current.iloc[:80]
    first, again = (suspects(h, sheets) for h in (house, there_and_back(house)))
    pd.testing.assert_frame_equal(first.table, again.table, check_exact=True)
    assert first.sentence == again.sentence


def test_parts_are_plain() -> None:
    """Arrays of floats and texts, nothing else; the texts are JSON."""
    arrays, texts = to_parts(bench().house)
    assert all(isinstance(a, np.ndarray) and a.dtype == np.float64 for a in arrays.values())
    for text in texts.values():
        json.loads(text)


def test_the_cold_house_can_be_kept_too() -> None:
    """No cell, no family: still the same answer."""
    first, again = (
        quote(ENQUIRIES, h, {"default": Policy()}).table
        for h in (prior_house(), there_and_back(prior_house()))
    )
    pd.testing.assert_frame_equal(first, again)


def test_a_house_kept_before_drift_was_known_still_answers() -> None:
    """Layout 6 had no term for what a source changes by a year: its sheets are of now, whenever measured."""
    arrays, texts = to_parts(bench().house)
    head, families = json.loads(texts["head"]), json.loads(texts["families"])
    for name, entry in head["links"].items():
        stays = [i for i, (_, covariate) in enumerate(entry["terms"]) if covariate != YEARS]
        entry["terms"] = [entry["terms"][i] for i in stays]
        arrays[f"link.{name}.sds"] = arrays[f"link.{name}.sds"][:, stays]
    newest = families["columns"].index("newest")
    families["columns"].pop(newest)
    for row in families["data"]:
        row.pop(newest)
    texts |= {"head": json.dumps(head | {"format": 6}), "families": json.dumps(families)}
    old = from_parts(arrays, texts)
    assert np.isfinite(quote(ENQUIRIES, old, {"default": Policy()}).table["sag_deg_q50"]).all()
    sheets = bench().current.iloc[:40]
    told, undated = (residuals(old, s).value for s in (sheets, sheets.drop(columns="measured_on")))
    assert np.array_equal(told, undated, equal_nan=True)
    assert not np.array_equal(told, residuals(bench().house, sheets).value, equal_nan=True)
    assert "drift" not in set(summarise_model(old).effects["factor"])


@pytest.mark.long
def test_a_house_kept_before_lone_angles_were_known_still_answers() -> None:
    """Layout 4 had seven judged links and no sums of sheets that read one angle alone."""
    arrays, texts = to_parts(replace(bench().house, alone=()))
    head = json.loads(texts["head"])
    del head["alone"], head["links"]["rake"]
    old = {k: v for k, v in arrays.items() if not k.startswith("link.rake.")}
    old["correlation"] = old["correlation"][:7, :7]
    house = from_parts(old, {**texts, "head": json.dumps({**head, "format": 4})})
    table = quote(ENQUIRIES, house, {"default": Policy()}).table
    assert np.isfinite(table["sra_dynamic_deg_q50"]).all()
    sheets = bench().current.iloc[:80]
    judged, now = (suspects(h, sheets).table.set_index("sheet_no") for h in (house, bench().house))
    both = sheets.set_index("sheet_no")["vta_dynamic_deg"].notna()
    near = judged["p_healthy"] - now["p_healthy"].reindex(judged.index)
    assert near[both.reindex(judged.index)].abs().median() < 0.01


def test_parts_of_another_format_are_refused() -> None:
    """One plain line that says what to do."""
    arrays, texts = to_parts(bench().house)
    head = json.loads(texts["head"])
    with pytest.raises(FleetError, match="run `fleet refit`"):
        from_parts(arrays, {**texts, "head": json.dumps({**head, "format": 0})})
