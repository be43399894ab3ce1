"""One world at a time, quoted by us and by plain rivals: for the validity tests and the quotes benchmark."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from forecast_oracle import near_oracle
from forecast_yardsticks import family_facts, independent, ours, past, score, shares_of, truth_of
from worlds import FACTS, house_of, ideal, reference

from synthetic_data.world import World

KIND = ("stylus_profile", "cantilever_material")
HELD = 6
AWAY = {
    "half the sheets": (150, {}),
    "double the spread between sources": (300, {"source_sd_scale": 2.0}),
    "smaller faults": (300, {"fault_scale": 0.6}),
}


def seen_families(sheets: pd.DataFrame) -> list[str]:
    return sorted(sheets["body_family"].unique())


def known(
    seed: int, n: int, *, make: Callable[..., World] = ideal, **spec: object
) -> dict[str, pd.DataFrame]:
    """Families the fleet knows, everything told; beside it the floor, a family's own past, angles apart."""
    world = make(seed, **spec)
    sheets, units = world.sheets(n)
    house = reference(seed).house if (n, make, spec) == (300, ideal, {}) else house_of(sheets)
    families = seen_families(sheets)
    facts = family_facts(world, families)
    truth = truth_of(world, facts, shares_of(world, families))
    return {
        "ours": score(ours(house, facts), truth),
        "floor": score(near_oracle(world, sheets, units["fault"], truth), truth),
        "own past": score(past(sheets, facts, ["body_family"]), truth),
        "apart": score(independent(house, facts), truth),
    }


def not_told(seed: int) -> dict[str, pd.DataFrame]:
    """Families that the fleet knows, but the enquiry doesn't name."""
    world = ideal(seed)
    sheets, _ = world.sheets(300)
    families = seen_families(sheets)
    facts = family_facts(world, families, told=FACTS[1:])
    truth = truth_of(world, facts, shares_of(world, families))
    kind = score(past(sheets, facts, KIND), truth)
    return {"ours": score(ours(reference(seed).house, facts), truth), "kind": kind}


def held_out(seed: int) -> dict[str, pd.DataFrame]:
    """Families that no sheet of the fleet shows."""
    world = ideal(seed)
    sheets, _ = world.sheets(450)
    held = list(np.random.default_rng(seed).permutation(world.families)[:HELD])
    rest = World.withhold(sheets, held)[0].iloc[:300]
    facts = family_facts(world, held)
    truth = truth_of(world, facts, [1.0] * len(facts))
    return {"ours": score(ours(house_of(rest), facts), truth), "kind": score(past(rest, facts, KIND), truth)}
