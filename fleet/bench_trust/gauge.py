"""Gauge study: how far readings of one thing differ, by the hand that repeats and by hands taking turns.

Units × operators × trials, balanced or not.  Variance components by analysis of variance
(`fleet.statistics.gauge_anova`) and by restricted maximum likelihood (`fleet.statistics.gauge_reml`), each
with intervals; which operator reads off the others; how often an important unit should be read.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fleet.bench_trust.gauge_study import Gauge, Method
from fleet.bench_trust.gauge_words import cautions, sentence
from fleet.errors import FleetError
from fleet.statistics.gauge_anova import PARTS, Anova, anova
from fleet.statistics.gauge_reml import Reml, reml

Floats = NDArray[np.float64]
METHODS: Final[tuple[Method, ...]] = ("anova", "reml")
NDC_FACTOR: Final = 1.41
"""Distinct categories = 1.41 × unit sd / gauge sd, cut to a whole number (AIAG's MSA manual)."""
STUDY_SIGMAS: Final = 6.0
LEVEL: Final = 0.95
REPEATS: Final = (1, 2, 3, 4, 6, 10)
MOST_REPEATS: Final = 25
TOLERANCES_DEG: Final = {"sra_dynamic_deg": 2.0}
"""Width of the accepted rake band, 90.5 to 92.5° (common practice, no source)."""
_SMALLEST: Final = 2


def gauge(
    frame: pd.DataFrame,
    reading: str,
    *,
    tolerance: float | None = None,
    within: float | None = None,
    pool: bool | None = None,
) -> Gauge:
    """Judge a gauge study of one reading.

    Parameters
    ----------
    frame : `unit`, `operator`, the reading; one row a reading, in any order and number
    reading : which column
    tolerance : width of what is accepted; None takes what `TOLERANCES_DEG` knows
    within : half-width that an important unit's mean should have with 95 %; None: a tenth of the tolerance
    pool : take the interaction for repeatability in the analysis of variance; None decides by its p

    Raises
    ------
    FleetError
        If there are fewer than two units or operators, or no cell was read twice and nothing can be told.
    """
    data = frame[frame[reading].notna() & frame["unit"].notna() & frame["operator"].notna()]
    data = data.astype({"unit": str, "operator": str}).reset_index(drop=True)
    units, operators = data["unit"].nunique(), data["operator"].nunique()
    if min(units, operators) < _SMALLEST:
        raise FleetError(
            f"a gauge study of {reading} takes at least 2 units and 2 operators, got {units} and "
            f"{operators}; for one operator alone, repeats in daily work tell the noise (fleet noise)."
        )
    tolerance = TOLERANCES_DEG.get(reading) if tolerance is None else tolerance
    if within is None and tolerance is not None:
        within = tolerance / 10.0
    cells = data.groupby(["unit", "operator"]).size()
    both = anova(data, reading, pool=pool), reml(data, reading)
    parts, ndc, share = _components(both[0], both[1], tolerance)
    best = np.sqrt(both[1].variances)
    plain = Gauge(
        reading, units, operators, len(data), (int(cells.min()), int(cells.max())), parts, ndc, share,
        both[0].table, both[0].pooled, both[0].interaction_p, habits(data, reading, pooled=both[0].pooled),
        _repeats(best), _needed(best, within), tolerance, within,
    )  # fmt: skip
    return Gauge(**{**plain.__dict__, "sentence": sentence(plain), "cautions": cautions(plain, len(cells))})


def _components(
    by_squares: Anova, by_likelihood: Reml, tolerance: float | None
) -> tuple[pd.DataFrame, dict[str, tuple[float, float, float]], dict[str, tuple[float, float, float]]]:
    tables, ndc, share = [], {}, {}
    for method, variances in (("anova", by_squares.variances), ("reml", by_likelihood.variances)):
        sums = _sums(variances[None, :])
        spans = _drawn(by_squares) if method == "anova" else dict(by_likelihood.intervals.items())
        value = {name: float(np.sqrt(v[0])) for name, v in sums.items()}
        total = value["total"] or float("nan")
        rows = []
        for name, sd in value.items():
            low, high = spans[name]
            rows.append(
                (method, name, sd**2, sd, low, high, sd**2 / total**2, sd / total,
                 float("nan") if tolerance is None else STUDY_SIGMAS * sd / tolerance)
            )  # fmt: skip
        tables += rows
        low, high = spans["share"]
        share[method] = (value["gauge"] / total, low, high)
        ndc[method] = (_ndc(share[method][0]), _ndc(high), _ndc(low))
    names = [
        "method",
        "part",
        "variance",
        "sd",
        "sd_low",
        "sd_high",
        "of_variance",
        "of_spread",
        "of_tolerance",
    ]
    return pd.DataFrame(tables, columns=names), ndc, share


def _sums(variances: Floats) -> dict[str, Floats]:
    unit, operator, mutual, repeat = variances.T
    return {
        "repeatability": repeat,
        "operator": operator,
        "interaction": mutual,
        "reproducibility": operator + mutual,
        "gauge": operator + mutual + repeat,
        "unit": unit,
        "total": operator + mutual + repeat + unit,
    }


def _drawn(found: Anova) -> dict[str, tuple[float, float]]:
    tail = (1.0 - LEVEL) / 2.0
    sums = {name: np.sqrt(v) for name, v in _sums(found.draws).items()}
    sums["share"] = sums["gauge"] / np.maximum(sums["total"], 1e-300)
    out = {}
    for name, values in sums.items():
        low, high = np.quantile(values, (tail, 1.0 - tail))
        out[name] = (float(low), float(high))
    return out


def _ndc(share: float) -> float:
    """Distinct categories at a share of the gauge in the total spread."""
    if share <= 0.0:
        return float("inf")
    return float(NDC_FACTOR * np.sqrt(max(1.0 / share**2 - 1.0, 0.0)))


def habits(frame: pd.DataFrame, reading: str, *, pooled: bool) -> pd.DataFrame:
    """Each operator's offset from the operators' mean, units allowed for; simultaneous intervals (Šidák).

    Parameters
    ----------
    frame : `unit`, `operator`, the reading
    reading : which column
    pooled : whether residual and interaction are one; else offsets are measured against the interaction
    """
    names = sorted(frame["operator"].unique())
    owner = frame["operator"].to_numpy(dtype=str)
    z = (owner[:, None] == np.array(names)[None, :]).astype(float)
    both = pd.DataFrame(np.column_stack([z, frame[reading].to_numpy(dtype=float)]), index=frame.index)
    both = both - both.groupby(frame["unit"]).transform("mean")
    z, y = both.to_numpy()[:, :-1], both.to_numpy()[:, -1]
    if not pooled:  # one mean a cell: then operators are compared over the units, interaction and all
        cells = frame.assign(y=frame[reading]).groupby(["unit", "operator"], as_index=False)["y"].mean()
        z = (cells["operator"].to_numpy(dtype=str)[:, None] == np.array(names)[None, :]).astype(float)
        both = pd.DataFrame(np.column_stack([z, cells["y"]]))
        both = both - both.groupby(cells["unit"]).transform("mean")
        z, y = both.to_numpy()[:, :-1], both.to_numpy()[:, -1]
        n, units = len(cells), cells["unit"].nunique()
    else:
        n, units = len(frame), frame["unit"].nunique()
    inverse = np.linalg.pinv(z.T @ z)
    effect = inverse @ (z.T @ y)
    rest = y - z @ effect
    dof = n - units - len(names) + 1
    centre = np.eye(len(names)) - 1.0 / len(names)
    offset = centre @ effect
    counts = frame["operator"].value_counts().reindex(names).to_numpy()
    columns = {"operator": names, "readings": counts, "offset": offset}
    if dof < 1:
        nothing = np.full(len(names), np.nan)
        return pd.DataFrame({**columns, "offset_low": nothing, "offset_high": nothing, "off": False})
    error = np.sqrt(np.maximum(np.diag(centre @ inverse @ centre.T), 0.0) * float(rest @ rest) / dof)
    wide = stats.t.ppf(0.5 + 0.5 * LEVEL ** (1.0 / len(names)), dof) * error
    return pd.DataFrame(
        {**columns, "offset_low": offset - wide, "offset_high": offset + wide, "off": np.abs(offset) > wide}
    )


def _repeats(sds: Floats) -> pd.DataFrame:
    rows = [(n, _half_width(sds, n, turns=False), _half_width(sds, n, turns=True)) for n in REPEATS]
    return pd.DataFrame(rows, columns=["readings", "one_operator", "operators_in_turn"])


def _half_width(sds: Floats, n: int, *, turns: bool) -> float:
    """Half of the 95 % interval of a mean of n readings by one operator, or each by another."""
    _, operator, mutual, repeat = sds**2
    shared = operator + mutual
    variance = (shared + repeat) / n if turns else shared + repeat / n
    return float(stats.norm.ppf(0.5 + LEVEL / 2.0) * np.sqrt(variance))


def _needed(sds: Floats, within: float | None) -> dict[str, int | None]:
    if within is None:
        return {}
    out: dict[str, int | None] = {}
    for name, turns in (("one_operator", False), ("operators_in_turn", True)):
        enough = [n for n in range(1, MOST_REPEATS + 1) if _half_width(sds, n, turns=turns) <= within]
        out[name] = enough[0] if enough else None
    return out


__all__ = ["METHODS", "PARTS", "Gauge", "Method", "gauge", "habits"]
