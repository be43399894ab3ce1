"""A unit against its kind: who the others are, and how far out its readings lie."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.attainment.peers import FEWEST_OF_KIND, peer_group
from fleet.errors import FleetError


def fleet_of(n: int, kind: str = "boron") -> pd.DataFrame:
    step = np.linspace(-1.0, 1.0, n)
    return pd.DataFrame(
        {
            "sheet_no": [f"{kind}{i}" for i in range(n)],
            "unit": [f"{kind}-u{i}" for i in range(n)],
            "newest": True,
            "purpose": "unit",
            "stylus_profile": "line_contact",
            "cantilever_material": kind,
            "sra_static_deg": 92.0 + step,
            "sra_dynamic_deg": 91.0 + step,
            "vta_dynamic_deg": 22.0,
            "zenith_deg": step,
        }
    )


def test_a_unit_never_stands_in_its_own_cloud() -> None:
    """The others are other units of the same kind, newest sheets only: none of the unit's own, old or new."""
    frame = fleet_of(12)
    frame.loc[1, "unit"] = frame.loc[0, "unit"]
    frame.loc[0, "newest"] = False
    found = peer_group(frame, "boron1")
    assert len(found.others) == 10
    assert found.kind == "10 other units of the kind line contact/boron"


def test_figures_are_those_of_the_readings() -> None:
    """Own reading, median of the others and the share of them farther out, counted by hand."""
    frame = fleet_of(11)
    found = peer_group(frame, "boron8")
    row = found.table.set_index("link").loc["zenith_deg"]
    assert row["unit_reading"] == pytest.approx(0.6)
    assert row["n"] == 10
    assert row["median"] == pytest.approx(-0.1)
    assert row["further_out"] == pytest.approx(0.3)
    assert np.isnan(row["low"])
    assert found.own["vta_static_deg"] == pytest.approx(23.0)


def test_a_thin_kind_is_compared_with_the_fleet_and_says_so() -> None:
    """Below the fewest of a kind, all kinds stand in, and the words say how many of its own there were."""
    frame = pd.concat([fleet_of(FEWEST_OF_KIND, "ruby"), fleet_of(20)], ignore_index=True)
    found = peer_group(frame, "ruby0")
    assert len(found.others) == FEWEST_OF_KIND - 1 + 20
    assert "of all kinds (only 7 others are line contact/ruby)" in found.kind


def test_nothing_read_and_unknown_sheets_are_told_plainly() -> None:
    """A sheet without readings gets a sentence, an unknown number an error that says what to do."""
    frame = fleet_of(12)
    frame.loc[3, ["sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg"]] = np.nan
    assert peer_group(frame, "boron3").sentence.startswith("Nothing was read")
    with pytest.raises(FleetError, match="no sheet 'X1' in the store"):
        peer_group(frame, "X1")
