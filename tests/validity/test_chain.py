"""Promises of the whole chain against invented worlds whose true predictive distribution is known.

Reduced by default; `FLEET_LONG=1` pools the eighteen worlds that the project's own figures speak of.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from worlds import FACTS, LONG, fleet_of, ideal

from fleet.judgements.policy import Policy
from fleet.judgements.tilt import reach
from fleet.models.predict import Forecaster
from synthetic_data.world import World

pytestmark = pytest.mark.validity
QUANTITIES = {"sag": "sag_deg", "sra_dynamic": "sra_dynamic_deg", "vta_dynamic": "vta_dynamic_deg"}
TRUE_DRAWS = 4000


def half_spread(x: np.ndarray) -> float:
    """Half the mean absolute difference of two draws: the expected CRPS of a forecast that is right."""
    x = np.sort(x)
    n = len(x)
    return float(((2 * np.arange(1, n + 1) - n - 1) * x).sum() / n**2)


def expected_crps(x: np.ndarray, y: np.ndarray) -> float:
    """Expected CRPS of draws x under the true distribution y."""
    x = np.sort(x)
    total = np.concatenate([[0.0], np.cumsum(x)])
    below = np.searchsorted(x, y)
    n = len(x)
    distance = y * below - total[below] + (total[-1] - total[below]) - y * (n - below)
    return float(distance.mean() / n - half_spread(x))


def judge_world(world: World, sheets: int, *, told: bool = True) -> pd.DataFrame:
    """Every family of a fleet quoted with all its facts (the family itself only if told)."""
    fleet = fleet_of(world, sheets)
    count = fleet.current["body_family"].value_counts()
    table = world.catalogue.frame
    known = table[table["body_family"].isin(count.index)]
    facts = [f for f in FACTS if told or f != "body_family"]
    enquiries = known[facts].reset_index(drop=True)
    draws = Forecaster(fleet.house).draw(enquiries)
    rows = []
    for i, record in enumerate(enquiries.to_dict("records")):
        truth = world.draws({str(k): v for k, v in record.items()}, TRUE_DRAWS, stream=5)
        row = {"weight": float(count[known["body_family"].iloc[i]])}
        for name, column in QUANTITIES.items():
            y = truth[column].dropna().to_numpy(dtype=float)
            x = getattr(draws, name)[i]
            low, high = np.quantile(x, [0.05, 0.95])
            row |= {
                f"{name} ours": expected_crps(x, y),
                f"{name} true": half_spread(y),
                f"{name} held": float(((y >= low) & (y <= high)).mean()),
            }
        ours = reach(draws.sra_true[i], draws.vta_true[i], draws.tilt_room[i], Policy())
        columns = ("true_sra_dynamic_deg", "true_vta_dynamic_deg", "true_tilt_room_deg")
        right = reach(*(truth[c].to_numpy(dtype=float) for c in columns), Policy())
        rows.append(row | {"p": float(ours.both.mean()), "p true": float(right.both.mean())})
    return pd.DataFrame(rows)


def pooled(frames: list[pd.DataFrame]) -> dict[str, float]:
    """Excess CRPS over the truth, share held and error of the chance, weighted by the families' units."""
    rows = pd.concat(frames)
    weight = rows["weight"] / rows["weight"].sum()
    out = {"chance": float((weight * (rows["p"] - rows["p true"]).abs()).sum())}
    for name in QUANTITIES:
        out[f"{name} excess"] = float((weight @ rows[f"{name} ours"]) / (weight @ rows[f"{name} true"]) - 1.0)
        out[f"{name} held"] = float(weight @ rows[f"{name} held"])
    base = float(weight @ rows["p true"])
    brier = rows["p true"] * (1.0 - rows["p"]) ** 2 + (1.0 - rows["p true"]) * rows["p"] ** 2
    return out | {"skill": 1.0 - float(weight @ brier) / (base * (1.0 - base))}


def within(found: dict[str, float], bars: tuple[float, float, float], low: float, high: float) -> None:
    """Excess CRPS under the bars, 90 % intervals held within the given shares."""
    for name, bar in zip(QUANTITIES, bars, strict=True):
        assert 0.0 < found[f"{name} excess"] <= bar, (name, found)
        assert low <= found[f"{name} held"] <= high, (name, found)


def test_known_families_of_a_small_fleet() -> None:
    """300 sheets over 36 families: close to the truth, intervals hold what they say, chances have skill."""
    seeds = [s for s in range(1, 19) if s != 17] if LONG else [1, 2, 6]
    found = pooled([judge_world(ideal(seed), 300) for seed in seeds])
    within(found, (0.045, 0.07, 0.07), 0.87, 0.93)
    assert found["skill"] > 0.0
    assert found["chance"] <= 0.055, found


def test_known_families_of_a_larger_fleet() -> None:
    """900 sheets over 24 families: within about two per cent of the truth."""
    seeds = range(1, 7) if LONG else [2, 3]
    found = pooled([judge_world(ideal(seed, n_families=24), 900) for seed in seeds])
    within(found, (0.018, 0.023, 0.022), 0.87, 0.93)


def test_families_not_told() -> None:
    """A family that the fleet has but the enquiry doesn't tell is drawn from those that match."""
    seeds = range(1, 7) if LONG else [1, 2]
    found = pooled([judge_world(ideal(seed), 300, told=False) for seed in seeds])
    within(found, (0.06, 0.09, 0.09), 0.86, 0.96)


@pytest.mark.parametrize(
    ("sheets", "spec"),
    [(150, {}), (300, {"source_sd_scale": 2.0}), (300, {"fault_scale": 0.5})],
    ids=["half the sheets", "double the spread between sources", "smaller faults"],
)
def test_away_from_the_reference_world(sheets: int, spec: dict[str, float]) -> None:
    """Half the sheets, double the spread between sources, smaller faults: 90 % intervals hold 85 to 95 %."""
    seeds = range(1, 7) if LONG else [1, 3]
    found = pooled([judge_world(ideal(seed, **spec), sheets) for seed in seeds])
    for name in QUANTITIES:
        assert 0.85 <= found[f"{name} held"] <= 0.95, found


def test_intervals_half_as_wide_would_fail() -> None:
    """The coverage bars bite: draws pulled halfway to their middle hold far too little."""
    world = ideal(2)
    fleet = fleet_of(world, 300)
    family = fleet.current["body_family"].value_counts().index[0]
    draws = Forecaster(fleet.house).draw(pd.DataFrame([{"body_family": family}]))
    truth = world.draws({"body_family": family}, TRUE_DRAWS)["sra_dynamic_deg"].dropna().to_numpy(dtype=float)
    x = draws.sra_dynamic[0]
    low, high = np.quantile(0.5 * (x + np.median(x)), [0.05, 0.95])
    assert ((truth >= low) & (truth <= high)).mean() < 0.85
