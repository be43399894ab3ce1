"""Published readings are sums of whole groups, whatever they are added up by."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.attainment.published_readings import READINGS, published_readings
from fleet.errors import FleetError
from fleet.house_model.chain import LINK


def group(values: list[float], reading: str = "built_in", **labels: str) -> tuple[dict[str, str], int, dict]:  # type: ignore[type-arg]
    """A group whose readings are known, as the store keeps it: moments of (1, covariates, response)."""
    link = LINK[reading]
    response = np.array(values) - link.centre
    design = np.stack([np.ones(len(values)), *(np.zeros((len(link.columns), len(values)))), response])
    moments = (design @ design.T)[np.triu_indices(len(design))]
    named = {f"by {name}": value for name, value in labels.items()}
    return named, len(values), {"links": {reading: moments.tolist()}}


@pytest.mark.parametrize("reading", list(READINGS))
def test_mean_spread_and_interval_are_the_readings_own(reading: str) -> None:
    """Two groups added up have mean, sd and Student's interval of all their readings together (derived)."""
    first, second = [68.0, 69.0, 70.5, 67.0, 68.2], [71.0, 70.0, 69.9, 72.0, 70.4]
    row = published_readings([group(first, reading), group(second, reading)], reading).iloc[0]
    every = np.array(first + second)
    half = 2.2621571627 * every.std(ddof=1) / np.sqrt(10.0)  # t(0.975, 9), any table of Student's t
    assert row["n"] == 10
    assert row["mean"] == pytest.approx(every.mean())
    assert row["sd"] == pytest.approx(every.std(ddof=1))
    assert row["low"] == pytest.approx(every.mean() - half)
    assert row["high"] == pytest.approx(every.mean() + half)


def test_groups_that_differ_in_a_column_are_few() -> None:
    """What its units don't have in common a group is not told by; the rest stands last, largest first."""
    groups = [
        group([68.0] * 5, assembly_source="S02"),
        group([70.0] * 6, assembly_source="S01"),
        group([71.0] * 50, stylus_profile="elliptical"),
    ]
    table = published_readings(groups, "built_in", "assembly_source")
    assert list(table["group"]) == ["S01", "S02", "(few)"]
    assert list(table["n"]) == [6, 5, 50]


def test_columns_that_point_at_units_are_refused() -> None:
    """No table is made by a column that may point at single units, and none of what no group tells."""
    with pytest.raises(FleetError, match="may point at single units"):
        published_readings([group([68.0] * 5)], "built_in", "unit")
    with pytest.raises(FleetError, match="no published group tells"):
        published_readings([group([68.0] * 5)], "sag")
