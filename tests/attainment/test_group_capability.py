"""Capability by group: each line is that of its own units, and small groups say why they have none."""

import numpy as np
import pandas as pd
import pytest

from fleet.attainment.group_capability import capabilities
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.statistics.capability import capability


def invented(n=80):
    rng = np.random.default_rng(5)
    return pd.DataFrame(
        {
            "assembly_source": ["S01"] * (n - 5) + ["S02"] * 5,
            "stylus_profile": ["elliptical"] * (n - 20) + ["spherical"] * 20,
            "sra_dynamic_deg": rng.normal(90.0, 0.4, n),
            "vta_dynamic_deg": rng.normal(20.0, 1.0, n),
            "tilt_applied_deg": 1.0,
        }
    )


def test_lines_are_those_of_their_own_units():
    """Two lines a group: built rake (no spherical stylus) and built tracking, each as counted by itself."""
    sheets = invented()
    table = capabilities(sheets, ["assembly_source"], Policy())
    assert table["angle"].tolist() == ["rake_built", "tracking_built"] * 2
    rake = table.iloc[0]
    own = capability(sheets["sra_dynamic_deg"].iloc[:60] + 1.0, 90.5, 92.5)
    assert rake["n"] == 60
    assert (rake["cpk"], rake["outside_counted"]) == pytest.approx((own.cpk, own.outside_counted))
    tracking = table.iloc[1]
    assert tracking["n"] == 75
    assert tracking["mean"] == pytest.approx(sheets["vta_dynamic_deg"].iloc[:75].mean() + 1.0)
    assert np.isnan(tracking["cp"])


def test_small_groups_say_why():
    """Five units have no index but a reason, and their number stands."""
    small = capabilities(invented(), ["assembly_source"], Policy()).iloc[3]
    assert small["n"] == 5
    assert np.isnan(small["cpk"])
    assert "needs 10 values, got 5" in small["caution"]


def test_no_units_and_no_column():
    """An empty fleet is an empty table with its columns; an unknown column is one line."""
    assert capabilities(invented().head(0), [], Policy()).empty
    with pytest.raises(FleetError, match="no such column"):
        capabilities(invented(), ["colour"], Policy())
