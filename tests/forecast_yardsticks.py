"""How far forecasts are from the truth, where the truth is known: many draws of an invented world.

Scores are expected ones, over the true predictive distribution, so that no luck of a few outcomes is in them.
``excess`` is the mean CRPS over the truth's own, less one: what is lost by not knowing the world.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from worlds import FACTS, LONG, lines

from fleet.alignment.tilt import reach
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.policy.policy import Policy
from synthetic_data.world import World

QUANTITIES = {"sag": "sag_deg", "sra_dynamic": "sra_dynamic_deg", "vta_dynamic": "vta_dynamic_deg"}
TRUE_DRAWS = 4000 if LONG else 2000
LOW, HIGH = 0.05, 0.95
POLICY = Policy()


@dataclass(frozen=True)
class Truth:
    """True predictive distributions for some enquiries.

    Attributes
    ----------
    facts, weights : what each tells, and its weight in means
    draws : per enquiry and quantity the bench's readings
    p_both : chance that a tilt serves both targets
    """

    facts: list[dict[str, Any]]
    weights: np.ndarray
    draws: list[dict[str, np.ndarray]]
    p_both: np.ndarray


@dataclass(frozen=True)
class Forecast:
    """Per quantity a list of samples, one an enquiry; chance of both targets, where it is foretold."""

    samples: dict[str, list[np.ndarray]]
    p_both: np.ndarray | None = None


def half_mean_difference(x: np.ndarray) -> float:
    """½ E|X − X'| of a sample, the CRPS of a forecast against its own outcomes."""
    x = np.sort(x)
    n = len(x)
    return float(((2 * np.arange(1, n + 1) - n - 1) * x).sum() / n**2)


def mean_distance(x: np.ndarray, y: np.ndarray) -> float:
    """E|X − Y| of two samples."""
    x = np.sort(x)
    total = np.concatenate([[0.0], np.cumsum(x)])
    n, k = len(x), np.searchsorted(x, y)
    return float(np.mean((y * k - total[k] + (total[-1] - total[k]) - y * (n - k)) / n))


def expected_crps(forecast: np.ndarray, outcomes: np.ndarray) -> float:
    """Mean CRPS of a sample over outcomes (Gneiting & Raftery 2007, equation 21)."""
    return mean_distance(forecast, outcomes) - half_mean_difference(forecast)


def truth_of(
    world: World, facts: Sequence[dict[str, Any]], weights: Sequence[float], *, n: int = TRUE_DRAWS
) -> Truth:
    """Draw the truth for each enquiry."""
    draws, chances = [], []
    for told in facts:
        t = world.draws(told, n, stream=5)
        draws.append({q: t[c].dropna().to_numpy(dtype=float) for q, c in QUANTITIES.items()})
        names = ("true_sra_dynamic_deg", "true_vta_dynamic_deg", "true_tilt_room_deg")
        chances.append(reach(*(t[c].to_numpy(dtype=float) for c in names), POLICY).both.mean())
    return Truth(list(facts), np.asarray(weights, dtype=float), draws, np.array(chances))


def family_facts(
    world: World, families: Sequence[str], *, told: Sequence[str] = FACTS
) -> list[dict[str, Any]]:
    """What an enquiry about each of these families (and sources) tells, in the world's order."""
    frame = world.catalogue.frame
    rows = frame[frame["body_family"].isin(list(families))].to_dict("records")
    return [{str(k): r[k] for k in told} for r in rows]


def shares_of(world: World, families: Sequence[str]) -> list[float]:
    """The world's own shares of the lines of these families."""
    return [line["share"] for line in lines(world) if line["body_family"] in set(families)]


def ours(model: House | Forecaster, facts: Sequence[dict[str, Any]], *, n_draws: int = 1024) -> Forecast:
    """What the house model foretells."""
    forecaster = model if isinstance(model, Forecaster) else Forecaster(model, n_draws=n_draws)
    d = forecaster.draw(pd.DataFrame(facts))
    samples = {q: [x[~np.isnan(x)] for x in getattr(d, q)] for q in QUANTITIES}
    return Forecast(samples, reach(d.sra_true, d.vta_true, d.tilt_room, POLICY).both.mean(axis=1))


def independent(model: House, facts: Sequence[dict[str, Any]]) -> Forecast:
    """The same marginals with rake and tracking angle drawn apart: what two separate models would give."""
    d = Forecaster(model).draw(pd.DataFrame(facts))
    mixed = d.vta_true[:, np.random.default_rng(1).permutation(d.vta_true.shape[1])]
    samples = {q: [x[~np.isnan(x)] for x in getattr(d, q)] for q in QUANTITIES}
    return Forecast(samples, reach(d.sra_true, mixed, d.tilt_room, POLICY).both.mean(axis=1))


def past(sheets: pd.DataFrame, facts: Sequence[dict[str, Any]], by: Sequence[str]) -> Forecast:
    """The past readings of the same group: a family's own, or those of its kind; all where there are none."""
    d = with_sag(sheets)
    samples: dict[str, list[np.ndarray]] = {q: [] for q in QUANTITIES}
    chances = []
    for told in facts:
        rows = np.ones(len(d), dtype=bool)
        for column in by:
            rows &= (d[column] == told[column]).to_numpy()
        group = d[rows] if rows.any() else d
        for q, c in QUANTITIES.items():
            own = group[c].dropna().to_numpy(dtype=float)
            samples[q].append(own if len(own) else d[c].dropna().to_numpy(dtype=float))
        read = group[["sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg"]].dropna().to_numpy(dtype=float).T
        chances.append(reach(*read, POLICY).both.mean() if read.size else np.nan)
    return Forecast(samples, np.array(chances))


def with_sag(sheets: pd.DataFrame) -> pd.DataFrame:
    """The sheets with their sag reading."""
    return sheets.assign(sag_deg=sheets["sra_static_deg"] - sheets["sra_dynamic_deg"])


def score(forecast: Forecast, truth: Truth) -> pd.DataFrame:
    """One row an enquiry: weight, per quantity CRPS, the truth's own and coverage, chances."""
    out: dict[str, Any] = {"weight": truth.weights / truth.weights.sum(), "p_true": truth.p_both}
    out["p"] = np.nan if forecast.p_both is None else forecast.p_both
    for q in QUANTITIES:
        y = [d[q] for d in truth.draws]
        x = forecast.samples[q]
        out[f"{q} true"] = [half_mean_difference(b) for b in y]
        out[f"{q} crps"] = [expected_crps(a, b) for a, b in zip(x, y, strict=True)]
        ends = [np.quantile(a, [LOW, HIGH]) for a in x]
        out[f"{q} cover"] = [np.mean((b >= e[0]) & (b <= e[1])) for b, e in zip(y, ends, strict=True)]
    return pd.DataFrame(out)


def excess(rows: pd.DataFrame, quantity: str) -> float:
    """Mean CRPS over the truth's own, less one."""
    w = rows["weight"]
    return float((w * rows[f"{quantity} crps"]).sum() / (w * rows[f"{quantity} true"]).sum() - 1.0)


def cover(rows: pd.DataFrame, quantity: str) -> float:
    """Share of true outcomes inside the 90 % intervals."""
    return float(np.average(rows[f"{quantity} cover"], weights=rows["weight"]))


def ratio(rows: pd.DataFrame, other: pd.DataFrame, quantity: str) -> float:
    """Mean CRPS over another forecast's."""
    w = rows["weight"]
    return float((w * rows[f"{quantity} crps"]).sum() / (w * other[f"{quantity} crps"]).sum())


def chance_error(rows: pd.DataFrame) -> float:
    """Mean absolute error of the chance that both targets can be met."""
    return float(np.average((rows["p"] - rows["p_true"]).abs(), weights=rows["weight"]))


def brier_skill(rows: pd.DataFrame) -> float:
    """Expected Brier score of the chance against that of the world's own base rate, as a skill."""
    base = np.average(rows["p_true"], weights=rows["weight"])
    own = rows["p_true"] * (1.0 - rows["p_true"])
    loss = [np.average(own + (p - rows["p_true"]) ** 2, weights=rows["weight"]) for p in (rows["p"], base)]
    return float(1.0 - loss[0] / loss[1])


def pooled(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows of several worlds, each world of equal weight."""
    return pd.concat(parts, ignore_index=True)


def per_world(
    seeds: Sequence[int], one: Callable[[int], dict[str, pd.DataFrame]]
) -> tuple[dict[str, pd.DataFrame], list[dict[str, pd.DataFrame]]]:
    """Pooled rows by name over worlds, and each world's own."""
    worlds = [one(seed) for seed in seeds]
    return {name: pooled([w[name] for w in worlds]) for name in worlds[0]}, worlds
