"""What sharing tallies brings, and what merging small cells costs, on invented worlds.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/sharing.py [worlds]

prints the tables of fleet/docs/sharing.md (four worlds unless told otherwise): excess of the mean CRPS over
the truth's own for sag, rake and tracking angle of every family that the benches meet, weighted by its share.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from forecast_yardsticks import (
    QUANTITIES,
    cover,
    excess,
    family_facts,
    ours,
    pooled,
    score,
    shares_of,
    truth_of,
)
from worlds import ideal, stored, tokened

from fleet.fitting.fit import fit_store
from fleet.fitting.other_benches import take_in
from fleet.house_model.house import House
from fleet.sharing.exchange import export_tallies
from synthetic_data.world import World

OWN = 60


def marked(world: World, n: int, mark: str, stream: int) -> pd.DataFrame:
    """Sheets of one bench, numbers and serials its own."""
    sheets, _ = world.sheets(n, stream=stream)
    return sheets.assign(sheet_no=mark + sheets["sheet_no"], serial=mark + sheets["serial"])


def houses(world: World, other: int, *, smallest: int = 5, exports: int = 1) -> dict[str, House]:
    """Models of a small bench: alone, with another's tallies (its last export), and with its sheets."""
    own, theirs = marked(world, OWN, "A", 1), marked(world, other, "B", 2)
    edges = np.linspace(0, other, exports + 1).astype(int)
    found = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small = stored(folder, own, name="small.duckdb")
        found["own sheets alone"] = fit_store(small)
        large = stored(folder, theirs.iloc[: edges[1]], name="large.duckdb")
        done = export_tallies(large, folder / "large.npz", bench="north", smallest=smallest)
        for first, end in pairwise(edges[1:]):
            large.append(tokened(theirs.iloc[first:end]), file_name=f"{first}.csv")
            done = export_tallies(large, folder / "large.npz", bench="north")
        sys.stderr.write(f"  {done.sentence}\n")
        take_in(small, folder / "large.npz")
        found["with tallies, codes apart"] = fit_store(small)
        take_in(small, folder / "large.npz", same_codes="all")
        found["with tallies, same codes"] = fit_store(small)
        both = stored(folder, pd.concat([own, theirs]), name="both.duckdb")
        found["with the sheets themselves"] = fit_store(both)
    return found


def table(seeds: Sequence[int], other: int, *, smallest: int = 5, exports: int = 1) -> pd.DataFrame:
    """Excess CRPS and coverage over some worlds."""
    rows: dict[str, list[pd.DataFrame]] = {}
    for seed in seeds:
        world = ideal(seed)
        facts = family_facts(world, world.families)
        truth = truth_of(world, facts, shares_of(world, world.families))
        for name, house in houses(world, other, smallest=smallest, exports=exports).items():
            rows.setdefault(name, []).append(score(ours(house, facts), truth))
    out = []
    for name, parts in rows.items():
        whole = pooled(parts)
        told = " / ".join(f"{100 * excess(whole, q):.1f}" for q in QUANTITIES) + " %"
        held = " / ".join(f"{cover(whole, q):.2f}" for q in QUANTITIES)
        out.append({"60 sheets": name, "excess CRPS, sag / rake / tracking": told, "held by 90 %": held})
    return pd.DataFrame(out)


def main() -> None:
    """Print the tables."""
    seeds = range(3, 3 + (int(sys.argv[1]) if len(sys.argv) > 1 else 4))
    for words, other, smallest, exports in (
        ("another bench's 1000 sheets, groups of 5", 1000, 5, 1),
        ("another bench's 300 sheets, groups of 5", 300, 5, 1),
        ("the same, exported six times as they came in", 300, 5, 6),
    ):
        found = table(seeds, other, smallest=smallest, exports=exports)
        sys.stdout.write(f"\n{words} ({len(seeds)} worlds)\n{found.to_string(index=False)}\n")


if __name__ == "__main__":
    main()
