"""Variance components of a gauge study by analysis of variance, balanced or not.

Mean squares are set equal to their expectations, each factor adjusted for the other (Henderson's method III,
Biometrics 9 (1953) 226); with equal trials everywhere these are the textbook's formulas.  Intervals are
generalized ones (C. Hamada and S. Weerahandi, J. Quality Technology 32 (2000) 241): each mean square over a
drawn χ²/df gives a drawn set of components.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fleet.errors import FleetError

Floats = NDArray[np.float64]
POOL_ABOVE: Final = 0.25
"""An interaction whose p is above this is taken for repeatability (the usual rule of gauge studies)."""
DRAWS: Final = 20_000
PARTS: Final = ("unit", "operator", "interaction", "repeatability")


@dataclass(frozen=True)
class Anova:
    """Analysis of variance of one reading.

    Attributes
    ----------
    table : rows `unit`, `operator`, `interaction` (unless pooled), `repeatability`, `total`: `df`, `ss`,
        `ms`, `f`, `p`
    pooled : whether the interaction was taken for repeatability
    interaction_p : its p before pooling; NaN where no cell was read twice
    variances : (4,) components in the order of `PARTS`, those below 0 set to 0
    raw : (4,) as the equations gave them
    draws : (DRAWS, 4) generalized draws of the components, none below 0
    """

    table: pd.DataFrame
    pooled: bool
    interaction_p: float
    variances: Floats
    raw: Floats
    draws: Floats


def anova(frame: pd.DataFrame, reading: str, *, pool: bool | None = None, seed: int = 0) -> Anova:
    """Analyse a study.

    Parameters
    ----------
    frame : `unit`, `operator`, the reading; one row a reading
    reading : which column
    pool : take the interaction for repeatability; None decides by its p

    Raises
    ------
    FleetError
        If units and operators can't be told apart, or nothing is left to tell repeatability from.
    """
    y = frame[reading].to_numpy(dtype=float)
    y = y - y.mean()
    units, operators, cells = _columns(frame)
    both = _basis(np.hstack([units, operators]))
    of_unit, of_operator, of_cell = _basis(units), _basis(operators), _basis(cells)
    n = len(y)
    df = {
        "unit": both.shape[1] - of_operator.shape[1],
        "operator": both.shape[1] - of_unit.shape[1],
        "interaction": of_cell.shape[1] - both.shape[1],
        "repeatability": n - of_cell.shape[1],
    }
    if df["unit"] < units.shape[1] - 1:
        raise FleetError(
            "the operators didn't read the same units, so units and operators can't be told apart: "
            "let every operator read every unit, or most of them."
        )
    if df["interaction"] + df["repeatability"] < 1:
        raise FleetError("nothing is left to tell repeatability from: read units more than once.")
    ss = {
        "unit": _square(both, y) - _square(of_operator, y),
        "operator": _square(both, y) - _square(of_unit, y),
        "interaction": _square(of_cell, y) - _square(both, y),
        "repeatability": float(y @ y) - _square(of_cell, y),
    }
    ss = {name: max(value, 0.0) for name, value in ss.items()}
    p = _interaction_p(ss, df)
    chosen = (np.isnan(p) or p > POOL_ABOVE) if pool is None else pool
    if chosen:
        ss["repeatability"] += ss.pop("interaction")
        df["repeatability"] += df.pop("interaction")
    elif df["interaction"] < 1 or df["repeatability"] < 1:
        raise FleetError("the interaction can't be told from repeatability: read some units twice.")
    expected = _expected(units, operators, cells, both, of_unit, of_operator, of_cell, df)
    table = _table(ss, df, float(y @ y), n)
    raw, draws = _components(ss, df, expected, seed)
    return Anova(table, bool(chosen), p, np.maximum(raw, 0.0), raw, draws)


def _columns(frame: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Indicator columns of units, operators, and units by operators."""
    cell = frame["unit"].astype(str) + "\n" + frame["operator"].astype(str)
    names = (frame["unit"].astype(str), frame["operator"].astype(str), cell)
    units, operators, cells = (pd.get_dummies(name).to_numpy(dtype=float) for name in names)
    return units, operators, cells


def _basis(columns: Floats) -> Floats:
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(u[:, s > 1e-8 * s[0]])


def _square(basis: Floats, y: Floats) -> float:
    return float(((basis.T @ y) ** 2).sum())


def _interaction_p(ss: dict[str, float], df: dict[str, int]) -> float:
    if df["interaction"] < 1 or df["repeatability"] < 1:
        return float("nan")
    if ss["repeatability"] <= 0.0:
        return 0.0 if ss["interaction"] > 0.0 else 1.0
    f = ss["interaction"] / df["interaction"] / (ss["repeatability"] / df["repeatability"])
    return float(stats.f.sf(f, df["interaction"], df["repeatability"]))


def _expected(
    units: Floats,
    operators: Floats,
    cells: Floats,
    both: Floats,
    of_unit: Floats,
    of_operator: Floats,
    of_cell: Floats,
    df: dict[str, int],
) -> dict[str, Floats]:
    """Coefficients of the four variances in each expected mean square."""

    def part(big: Floats, small: Floats, columns: Floats) -> float:
        return float(((big.T @ columns) ** 2).sum() - ((small.T @ columns) ** 2).sum())

    def cell(big: Floats, small: Floats) -> float:
        return part(big, small, cells) if "interaction" in df else 0.0

    rows = {
        "unit": (part(both, of_operator, units), 0.0, cell(both, of_operator)),
        "operator": (0.0, part(both, of_unit, operators), cell(both, of_unit)),
        "interaction": (0.0, 0.0, cell(of_cell, both)),
        "repeatability": (0.0, 0.0, 0.0),
    }
    return {name: np.array([*(c / max(df[name], 1) for c in rows[name]), 1.0]) for name in df}


def _table(ss: dict[str, float], df: dict[str, int], total: float, n: int) -> pd.DataFrame:
    below = "interaction" if "interaction" in ss else "repeatability"
    ms = {name: ss[name] / df[name] if df[name] else float("nan") for name in ss}
    rows = []
    for name in ss:
        f = p = float("nan")
        against = below if name in ("unit", "operator") else "repeatability"
        if name != "repeatability" and df[name] and ms[against] > 0.0:
            f = ms[name] / ms[against]
            p = float(stats.f.sf(f, df[name], df[against]))
        rows.append((name, df[name], ss[name], ms[name], f, p))
    rows.append(("total", n - 1, total, float("nan"), float("nan"), float("nan")))
    order = [*PARTS, "total"]
    frame = pd.DataFrame(rows, columns=["source", "df", "ss", "ms", "f", "p"])
    return frame.sort_values("source", key=lambda s: s.map(order.index), ignore_index=True)


def _components(
    ss: dict[str, float], df: dict[str, int], expected: dict[str, Floats], seed: int
) -> tuple[Floats, Floats]:
    """Components that solve the equations, and generalized draws of them."""
    rng = np.random.default_rng([seed, 3])
    draws = np.zeros((DRAWS, 4))
    raw = np.zeros(4)
    for i in (3, 2, 1, 0):
        name = PARTS[i]
        if name not in ss:
            continue
        if df[name] == 0:
            raw[i] = 0.0
            continue
        row = expected[name]
        ms = ss[name] / df[name]
        raw[i] = (ms - raw @ row + raw[i] * row[i]) / row[i]
        drawn = ss[name] / rng.chisquare(df[name], DRAWS)
        # the equations before truncation, so that the draws keep their meaning
        draws[:, i] = (drawn - draws @ row + draws[:, i] * row[i]) / row[i]
    return raw, np.maximum(draws, 0.0)
