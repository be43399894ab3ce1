"""Intervals of a gauge study against known truth, by both methods.

In short form fewer studies; FLEET_LONG=1 takes all of them.
"""

from __future__ import annotations

import numpy as np
import pytest
from worlds import LONG

from fleet.bench_trust.gauge import gauge
from synthetic_data.spec import WorldSpec
from synthetic_data.watch import gauge_study

pytestmark = [pytest.mark.validity, pytest.mark.long]
RAKE = "sra_dynamic_deg"


@pytest.mark.parametrize(
    ("operators", "missing", "studies"),
    [(3, 0.0, 300 if LONG else 6), pytest.param(4, 0.15, 300 if LONG else 3, marks=pytest.mark.long)],
)
def test_intervals_hold_the_truth(operators: int, missing: float, studies: int) -> None:
    """95 % intervals of every part hold the truth in 90 % of studies or more, less chance (2.5 sd)."""
    held: dict[tuple[str, str], int] = {}
    for seed in range(studies):
        study, truth = gauge_study(
            WorldSpec(seed=2), operators=operators, operator_sd_deg=0.15, interaction_sd_deg=0.1,
            unit_sd_deg=1.2, missing_share=missing, stream=seed,
        )  # fmt: skip
        true = {
            "repeatability": truth.repeatability_deg,
            "operator": 0.15,
            "interaction": 0.1,
            "reproducibility": np.hypot(0.15, 0.1),
            "gauge": np.sqrt(truth.repeatability_deg**2 + 0.15**2 + 0.1**2),
            "unit": 1.2,
        }
        for row in gauge(study, RAKE, pool=False).components.to_dict("records"):
            if row["part"] in true:
                key = (row["method"], row["part"])
                held[key] = held.get(key, 0) + int(row["sd_low"] <= true[row["part"]] <= row["sd_high"])
    low = 0.9 - 2.5 * np.sqrt(0.09 / studies)
    assert {key: count / studies for key, count in held.items() if count / studies < low} == {}
