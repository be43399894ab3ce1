"""Quotes against the truth of invented worlds, and how long they take.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/quotes.py [worlds]

prints the tables of fleet/docs/model.md (six worlds unless told otherwise): excess of the mean CRPS over the
truth's own, share held by 90 % intervals, error of the chance that both targets can be met, Brier skill.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from chain_worlds import AWAY, held_out, known, not_told
from forecast_yardsticks import QUANTITIES, brier_skill, chance_error, cover, excess, per_world, ratio
from worlds import house_of, ideal

from fleet.house_model.predict import Forecaster
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from synthetic_data.world import World, WorldSpec

Rows = dict[str, pd.DataFrame]


def habits(seed: int, **spec: object) -> World:
    """A world whose operators have habits, as in the demo."""
    return World(WorldSpec(seed=seed, **spec))


def line(name: str, rows: pd.DataFrame, other: pd.DataFrame | None = None) -> dict[str, str]:
    """One row of a table."""
    out = {"fleet": name}
    out["excess CRPS"] = " / ".join(f"{100 * excess(rows, q):.1f}" for q in QUANTITIES) + " %"
    out["held"] = " / ".join(f"{cover(rows, q):.2f}" for q in QUANTITIES)
    known_chance = rows.dropna(subset=["p"])
    out["error of the chance"] = f"{chance_error(known_chance):.3f}"
    out["Brier skill"] = f"{brier_skill(known_chance):.2f}"
    out["CRPS over the kind's past"] = ""
    if other is not None:
        out["CRPS over the kind's past"] = " / ".join(f"{ratio(rows, other, q):.2f}" for q in QUANTITIES)
    return out


def against_the_truth(seeds: Sequence[int]) -> pd.DataFrame:
    """The table of fleets and rivals."""
    table = []

    def add(name: str, one: Callable[[int], Rows], rivals: Sequence[str] = (), kind: str = "") -> None:
        rows, _ = per_world(seeds, one)
        table.append(line(name, rows["ours"], rows[kind] if kind else None))
        table.extend(line(f"{name}: {rival}", rows[rival]) for rival in rivals)

    add("300 sheets, 36 families", lambda s: known(s, 300), ("floor", "own past", "apart"))
    add("900 sheets, 24 families", lambda s: known(s, 900, n_families=24), ("floor", "own past"))
    add("families not told", not_told, kind="kind")
    add("families never met", held_out, kind="kind")
    for name, (n, spec) in AWAY.items():
        add(name, lambda s, n=n, spec=spec: known(s, n, **spec))
    add("operators with habits", lambda s: known(s, 300, make=habits))
    return pd.DataFrame(table)


def timed() -> str:
    """Seconds for ten thousand enquiries of a thousand draws, and for one warm."""
    world = ideal(1, n_families=24)
    forecaster = Forecaster(house_of(world.sheets(900)[0]), n_draws=1000)
    enquiries, _, _ = world.enquiries(10_000)
    policies = {"default": Policy()}
    start = time.perf_counter()
    quote(enquiries, forecaster, policies)
    many_s = time.perf_counter() - start
    one = []
    for i in range(20):
        start = time.perf_counter()
        quote(enquiries.iloc[[i]], forecaster, policies)
        one.append(time.perf_counter() - start)
    return f"10 000 enquiries x 1 000 draws {many_s:.1f} s; one warm {1000 * np.median(one):.0f} ms"


if __name__ == "__main__":
    worlds = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    print(against_the_truth(range(1, worlds + 1)).to_string(index=False))  # noqa: T201
    print(timed())  # noqa: T201
