"""Back-tests of invented worlds: the house model beside its rivals, figure by figure.

    python tests/benchmarks/track_record.py [first day [seed ...]]

prints for each kind of world mean scores over its seeds (CRPS in degrees and minutes, Brier scores),
each rival's ratio to the house model with the paired difference over two standard errors, and the coverage of
90 % intervals by how the quote stood to the model's families.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from worlds import stored

from fleet.fitting.backtest import folds
from fleet.policy.policy import Policy
from fleet.quotes.hindcasts import make_hindcasts, usual_facts
from fleet.quotes.outcomes import ForecastPairs, join, pair_forecasts
from fleet.quotes.track_record import record
from synthetic_data.world import World, WorldSpec

SEEDS = (1, 2, 3)
SHEETS = 900
START = date(2023, 1, 1)
KINDS: dict[str, dict[str, Any]] = {
    "reference": {},
    "sources twice as far apart": {"source_sd_scale": 2.0},
    "many small families": {"n_families": 90},
}


def backtest(seed: int, start: date, **spec: Any) -> ForecastPairs:
    """One world's bench from a day on, quarter by quarter."""
    world = World(WorldSpec(seed=seed, **{"n_families": 24, **spec}))
    sheets, _ = world.sheets(SHEETS)
    parts = []
    with tempfile.TemporaryDirectory() as folder:
        store = stored(Path(folder), sheets)
        for fold in folds(store, start=start):
            told = usual_facts(len(fold.asked), seed=fold.origin.toordinal())
            kept = make_hindcasts(fold.house, fold.taught, fold.asked, told, Policy(), origin=fold.origin)
            families = fold.asked["body_family"] + f"/{seed}"
            parts.append(pair_forecasts(kept, fold.asked.assign(body_family=families)))
    return join(parts)


def main(start: date, seeds: tuple[int, ...]) -> None:
    """Print both tables for every kind of world."""
    pd.set_option("display.width", 160)
    for name, spec in KINDS.items():
        found = record(join([backtest(seed, start, **spec) for seed in seeds]))
        scores = found.scores.assign(noise=2.0 * found.scores["standard_error"])
        columns = ["quantity", "forecaster", "n", "score", "ratio", "difference", "noise", "better"]
        print(f"\n{name}: {found.sentence}", flush=True)  # noqa: T201
        print(scores[columns].round(4).to_string(index=False))  # noqa: T201
        print(found.groups.round(3).to_string(index=False))  # noqa: T201
        held = found.coverage.pivot_table(index="quantity", columns="promised", values="held", sort=False)
        print(held.round(3).to_string())  # noqa: T201


if __name__ == "__main__":
    first = date.fromisoformat(sys.argv[1]) if len(sys.argv) > 1 else START
    main(first, tuple(int(x) for x in sys.argv[2:]) or SEEDS)
