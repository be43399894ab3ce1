"""How well suspects are found where the faults are known: hits and false alarms, beside a near-oracle.

The near-oracle judges with the same likelihood ratios under each family's true healthy distribution, which he
has from thousands of sound units.  What is counted are units: a unit is bad if any of its sheets carries a
fault or a slip of the pen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests
from worlds import Fleet, fleet_of, ideal

from fleet.faults.likelihood_ratio import Scores, score_sheets
from fleet.faults.signatures import FAULTS
from fleet.faults.suspects import suspects
from fleet.house_model.chain import JUDGED, responses
from fleet.house_model.loo_residuals import Residuals, residuals
from synthetic_data.spec import Spread

WORLDS: dict[str, tuple[int, dict[str, Any]]] = {
    "normal": (1500, {"n_families": 24}),
    "small": (300, {}),
    "unequal families": (1500, {"n_families": 24, "spread": Spread(family_spread_log=0.4)}),
    "t4": (1500, {"n_families": 24, "spread": Spread(unit_tail_df=4.0)}),
    "t8": (1500, {"n_families": 24, "spread": Spread(unit_tail_df=8.0)}),
    "t15": (1500, {"n_families": 24, "spread": Spread(unit_tail_df=15.0)}),
    "a noisy year": (1500, {"n_families": 24, "noisy_span": (0.5, 0.5 + 1.0 / 4.4)}),
    "worst without facts": (1500, {"n_families": 24, "hidden_where_worst": 1.0}),
}
"""Sheets and what is special of each world that the list of suspects must keep its word in."""
HEALTHY_DRAWS = 6000
FDR = 0.05


@dataclass(frozen=True)
class Tally:
    """Counts of units over one or more fleets.

    Attributes
    ----------
    units, bad : judged, and with a fault or slip
    flagged, hits : flagged, and of those bad
    named : hits whose leading fault is the true one
    """

    units: int
    bad: int
    flagged: int
    hits: int
    named: int

    @property
    def recall(self) -> float:
        """Share of bad units flagged."""
        return self.hits / max(self.bad, 1)

    @property
    def false_share(self) -> float:
        """Share of flags that are false alarms."""
        return (self.flagged - self.hits) / max(self.flagged, 1)

    @property
    def cause(self) -> float:
        """Share of hits whose cause is named right."""
        return self.named / max(self.hits, 1)

    def __add__(self, other: Tally) -> Tally:
        return Tally(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def __str__(self) -> str:
        figures = f"recall {self.recall:.3f}, false {self.false_share:.3f}, cause {self.cause:.3f}"
        return f"{figures} ({self.flagged} flags, {self.bad} bad of {self.units} units)"


def bench_of(name: str, seed: int, *, sound: bool = False) -> Fleet:
    """One bench of a world by name; a sound one has neither faults nor slips."""
    n, spec = WORLDS[name]
    none = {"fault_share": 0.0, "slip_share": 0.0} if sound else {}
    return fleet_of(ideal(seed, **spec, **none), n)


def count(fleet: Fleet, flagged: np.ndarray, score: np.ndarray, leading: np.ndarray) -> Tally:
    """Tally flags per sheet over units; a unit's leading fault is that of its highest score."""
    rows = pd.DataFrame(
        {
            "unit": fleet.current["unit"].to_numpy(),
            "bad": (fleet.fault != "healthy").to_numpy(),
            "flag": flagged,
            "score": np.nan_to_num(score, nan=-np.inf),
            "right": leading == fleet.fault.to_numpy(),
        }
    )
    top = rows.sort_values("score", kind="stable").groupby("unit").tail(1).set_index("unit")["right"]
    unit = rows.groupby("unit")[["bad", "flag"]].max()
    hit = unit["bad"] & unit["flag"]
    return Tally(
        len(unit), int(unit["bad"].sum()), int(unit["flag"].sum()), int(hit.sum()), int(top[hit].sum())
    )


def ours(fleet: Fleet, *, fdr: float = FDR) -> Tally:
    """What the list of suspects finds."""
    table = suspects(fleet.house, fleet.current, fdr=fdr).table.set_index("sheet_no")
    table = table.loc[fleet.current["sheet_no"]]
    return count(fleet, *(table[c].to_numpy() for c in ("flagged", "score", "leading_fault")))


def from_scores(fleet: Fleet, scores: Scores, *, fdr: float = FDR) -> Tally:
    """Flags of other scores by the same rule: least p of a unit times its sheets, Benjamini–Hochberg."""
    p = pd.Series(scores.p_value).groupby(fleet.current["unit"].to_numpy())
    of_unit = (p.min() * p.size()).clip(upper=1.0)
    kept = pd.Series(multipletests(of_unit, alpha=fdr, method="fdr_bh")[0], index=of_unit.index)
    flagged = kept[fleet.current["unit"]].to_numpy()
    return count(fleet, flagged, scores.score, np.array(FAULTS)[scores.faults.argmax(axis=1)])


def own_residuals(fleet: Fleet, *, leave_out: bool = True) -> Residuals:
    """The fleet's residuals, each unit left out of its own reference or not."""
    taught = fleet.current["newest"].to_numpy() if leave_out else None
    return residuals(fleet.house, fleet.current, taught=taught)


def true_residuals(fleet: Fleet) -> Residuals:
    """Residuals under each family's true healthy distribution."""
    known = own_residuals(fleet)
    fill = fleet.house.facts.fill()
    names = [f"y_{n}" for n in JUDGED]
    read = known.observed[names].to_numpy(dtype=float)
    value, expected, covariance = known.value.copy(), known.expected.copy(), known.covariance.copy()
    for family in fleet.current["body_family"].unique():
        sound = fleet.world.healthy(family, HEALTHY_DRAWS).assign(body_family=family, bench="main")
        law = responses(sound, fill)[names].to_numpy(dtype=float)
        there = ~np.isnan(law).all(axis=0)
        law = law[~np.isnan(law[:, there]).any(axis=1)]
        rows = (fleet.current["body_family"] == family).to_numpy()
        cov = np.eye(len(JUDGED))
        cov[np.ix_(there, there)] = np.cov(law[:, there].T)
        expected[rows], covariance[rows] = law.mean(axis=0), cov
        value[rows] = read[rows] - law.mean(axis=0)
    return Residuals(value, expected, covariance, *np.zeros((2, *value.shape)), known.observed, known.seen)


def near_oracle(fleet: Fleet, *, fdr: float = FDR) -> Tally:
    """What one finds who knows every family's true healthy distribution."""
    return from_scores(fleet, score_sheets(fleet.house, true_residuals(fleet), tail=0.0), fdr=fdr)


def pooled(fleets: Iterable[Fleet], *ways: Callable[[Fleet], Tally]) -> list[Tally]:
    """Tallies of several ways, summed over fleets."""
    total = [Tally(0, 0, 0, 0, 0)] * len(ways)
    for fleet in fleets:
        total = [t + way(fleet) for t, way in zip(total, ways, strict=True)]
    return total
