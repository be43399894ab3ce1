"""What a gauge study of one reading came to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import pandas as pd

Method = Literal["anova", "reml"]


@dataclass(frozen=True)
class Gauge:
    """One reading's gauge study.

    Attributes
    ----------
    reading : which column
    units, operators, readings : how many
    trials : fewest and most readings of a unit by an operator
    components : a row a method and part (`repeatability`, `operator`, `interaction`, `reproducibility`,
        `gauge`, `unit`, `total`): `variance`, `sd`, `sd_low`, `sd_high`, `of_variance` and `of_spread`
        (shares of the total), `of_tolerance` (6 sd over the tolerance; NaN without one)
    ndc : by method (value before it is cut, low, high)
    share : by method, gauge sd over total sd (value, low, high)
    anova_table, pooled, interaction_p : see `fleet.statistics.gauge_anova.Anova`
    habits : a row an operator: `readings`, `offset` from the operators' mean, `offset_low`, `offset_high`
        (95 %, all operators at once), `off`
    repeats : a row a number of readings: 95 % limits of their mean by one operator, and by operators in turn
    needed : readings that an important unit needs, by one operator and by operators in turn; None where no
        number up to 25 is enough; empty without `within`
    tolerance, within : as asked
    sentence, cautions : in words
    """

    reading: str
    units: int
    operators: int
    readings: int
    trials: tuple[int, int]
    components: pd.DataFrame
    ndc: Mapping[str, tuple[float, float, float]]
    share: Mapping[str, tuple[float, float, float]]
    anova_table: pd.DataFrame
    pooled: bool
    interaction_p: float
    habits: pd.DataFrame
    repeats: pd.DataFrame
    needed: Mapping[str, int | None]
    tolerance: float | None
    within: float | None
    sentence: str = ""
    cautions: tuple[str, ...] = ()

    def part(self, name: str, method: Method = "reml") -> pd.Series:
        """One component by one method."""
        rows = self.components.set_index(["method", "part"])
        return pd.Series(rows.loc[(method, name)])
