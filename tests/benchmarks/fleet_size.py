"""How intervals narrow as sheets come in, and whether old sheets should be forgotten.

    python tests/benchmarks/fleet_size.py

prints the two tables of fleet/docs/fleet-size.md.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from worlds import stored

from fleet.estimation.prior_only import prior_house
from fleet.fitting.fit import fit_store
from fleet.house_model.house import House
from fleet.house_model.predict import Draws, Forecaster
from synthetic_data.world import World, WorldSpec

SIZES = (0, 10, 30, 100, 300, 1000, 3000)
SEEDS = (1, 2, 3, 4, 5, 6)
QUANTITIES = {"sag": "sag", "sra_dynamic": "rake", "vta_dynamic": "tracking"}


def read(outcomes: pd.DataFrame, name: str) -> np.ndarray:
    """What the bench read, by the draws' names."""
    if name == "sag":
        return (outcomes["sra_static_deg"] - outcomes["sra_dynamic_deg"]).to_numpy(dtype=float)
    return outcomes[f"{name}_deg"].to_numpy(dtype=float)


def crps(draws: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of each row of draws (Gneiting & Raftery 2007, eq. 21)."""
    x = np.sort(draws, axis=1)
    n = x.shape[1]
    spread = ((2 * np.arange(1, n + 1) - n - 1) * x).sum(axis=1) / n**2
    return np.abs(x - y[:, None]).mean(axis=1) - spread


def score(draws: Draws, outcomes: pd.DataFrame) -> dict[str, float]:
    """Width and coverage of 90 % intervals and mean CRPS, per quantity."""
    out = {}
    for name, words in QUANTITIES.items():
        y = read(outcomes, name)
        have = ~np.isnan(y)
        x, y = getattr(draws, name)[have], y[have]
        low, high = np.quantile(x, [0.05, 0.95], axis=1)
        out[f"{words} width"] = float((high - low).mean())
        out[f"{words} held"] = float(((y >= low) & (y <= high)).mean())
        out[f"{words} CRPS"] = float(crps(x, y).mean())
    return out


def house_of(sheets: pd.DataFrame, since: date | None = None) -> House:
    """A model of these sheets, or the cold one of none."""
    if sheets.empty:
        return prior_house()
    with tempfile.TemporaryDirectory() as folder:
        return fit_store(stored(Path(folder), sheets), since=since)


def by_size() -> pd.DataFrame:
    """Quotes for the same 200 pickups, asked when the fleet had so many sheets."""
    rows = []
    for seed in SEEDS:
        world = World(WorldSpec(seed=seed, n_families=24))
        enquiries, outcomes, _ = world.enquiries(200)
        pool, _ = world.sheets(max(SIZES))
        mixed = pool.sample(frac=1.0, random_state=seed)
        for n in SIZES:
            found = score(Forecaster(house_of(mixed.iloc[:n])).draw(enquiries), outcomes)
            rows.append({"sheets": n, **found})
    return pd.DataFrame(rows).groupby("sheets").mean()


def by_memory() -> pd.DataFrame:
    """All sheets against the last two years' only, with a steady bench and with one whose reading creeps."""
    rows = []
    for drift in (0.0, 0.01, 0.03):
        for seed in SEEDS:
            spec = WorldSpec(seed=seed, n_families=24)
            world = World(replace(spec, drift_deg_per_week=drift, drift_from=0.5))
            sheets, _ = world.sheets(900)
            enquiries, outcomes, _ = world.enquiries(200)
            last = pd.to_datetime(sheets["measured_on"]).max().date()
            for words, since in (("all", None), ("two years", last - timedelta(days=730))):
                found = score(Forecaster(house_of(sheets, since)).draw(enquiries), outcomes)
                rows.append({"creep [deg/week]": drift, "taught by": words, **found})
    return pd.DataFrame(rows).groupby(["creep [deg/week]", "taught by"]).mean()


if __name__ == "__main__":
    pd.set_option("display.width", 160)
    print(by_size().round(3).to_string())  # noqa: T201
    print(by_memory().round(3).to_string())  # noqa: T201
