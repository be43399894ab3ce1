"""Quotes beside what else the same sheets could be given to.

    python tests/benchmarks/challengers.py

prints the table of fleet/docs/model.md: mean CRPS, share held by 90 % intervals, seconds to fit and answer
enquiries half told, on invented worlds. None of the challengers is imported by the product.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from worlds import house_of

from fleet.house_model.predict import Forecaster
from synthetic_data.world import World, WorldSpec

SEEDS = (1, 2, 3, 4)
SHEETS, ASKED, DRAWS = 600, 200, 1000
FACTORS = ["body_family", "stylus_profile", "cantilever_material", "assembly_source", "generator"]
FIGURES = ["vtf_mn", "compliance_um_per_mn", "cantilever_length_mm"]
RESPONSES = ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg")
LEVELS = (np.arange(DRAWS) + 0.5) / DRAWS


def crps(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of each row of draws (Gneiting & Raftery 2007, eq. 21)."""
    x = np.sort(x, axis=1)
    n = x.shape[1]
    spread = ((2 * np.arange(1, n + 1) - n - 1) * x).sum(axis=1) / n**2
    return np.abs(x - y[:, None]).mean(axis=1) - spread


def coded(sheets: pd.DataFrame, asked: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """One-hot factors and figures (mean where missing) of both frames."""
    both = pd.concat([sheets, asked], ignore_index=True)
    hot = pd.get_dummies(both[FACTORS].astype("string"), dtype=float)
    figures = both[FIGURES].astype(float)
    x = np.hstack([hot.to_numpy(), ((figures - figures.mean()) / figures.std()).fillna(0.0).to_numpy()])
    return x[: len(sheets)], x[len(sheets) :]


def empirical(sheets: pd.DataFrame, asked: pd.DataFrame, y: np.ndarray) -> np.ndarray:
    """Readings of the same family, else of the same stylus and cantilever."""
    out = np.empty((len(asked), DRAWS))
    for i, row in enumerate(asked.to_dict("records")):
        mine = (sheets["body_family"] == row["body_family"]).to_numpy()
        if not mine.any():
            mine = np.ones(len(sheets), dtype=bool)
            for column in ("stylus_profile", "cantilever_material"):
                if isinstance(row[column], str):
                    mine &= (sheets[column] == row[column]).to_numpy()
        out[i] = np.quantile(y[mine] if mine.any() else y, LEVELS)
    return out


def mixed(sheets: pd.DataFrame, asked: pd.DataFrame, y: np.ndarray) -> np.ndarray:
    """statsmodels MixedLM: fixed stylus, cantilever and source, random family, normal plug-in."""
    import statsmodels.formula.api as smf

    frame = sheets[FACTORS].astype(str).assign(y=y)
    formula = "y ~ C(stylus_profile) + C(cantilever_material) + C(assembly_source)"
    fit = smf.mixedlm(formula, frame, groups=frame["body_family"]).fit()
    likely = {c: frame[c].mode()[0] for c in FACTORS}
    own = frame.groupby("body_family").agg(lambda v: v.mode()[0])
    told = asked[FACTORS].astype(object)
    for c in FACTORS[1:]:
        family = told["body_family"].map(own[c]) if c in own else None
        told[c] = told[c].where(told[c].notna(), family).fillna(likely[c])
        told[c] = told[c].where(told[c].isin(frame[c].unique()), likely[c])
    effects = {k: float(v.iloc[0]) for k, v in fit.random_effects.items()}
    shift = told["body_family"].map(effects)
    middle = fit.predict(told).to_numpy() + shift.fillna(0.0).to_numpy()
    var = fit.scale + np.where(shift.isna(), float(np.asarray(fit.cov_re)[0, 0]), 0.0)
    from scipy import stats

    return middle[:, None] + np.sqrt(var)[:, None] * stats.norm.ppf(LEVELS)


def boosted(sheets: pd.DataFrame, asked: pd.DataFrame, y: np.ndarray) -> np.ndarray:
    """Gradient boosting with split-conformal residuals (every third sheet held back)."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    x, new = coded(sheets, asked)
    held = np.arange(len(y)) % 3 == 0
    fit = HistGradientBoostingRegressor(max_iter=150, learning_rate=0.05, random_state=0)
    fit.fit(x[~held], y[~held])
    residuals = y[held] - fit.predict(x[held])
    return fit.predict(new)[:, None] + np.quantile(residuals, LEVELS)


def gaussian_process(sheets: pd.DataFrame, asked: pd.DataFrame, y: np.ndarray) -> np.ndarray:
    """Gaussian process on one-hot factors and figures."""
    from scipy import stats
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    x, new = coded(sheets, asked)
    kernel = ConstantKernel(2.0) * RBF(2.0) + WhiteKernel(1.0)
    fit = GaussianProcessRegressor(kernel, normalize_y=True, random_state=0).fit(x, y)
    middle, sd = fit.predict(new, return_std=True)
    return middle[:, None] + sd[:, None] * stats.norm.ppf(LEVELS)


CHALLENGERS: dict[str, Callable[[pd.DataFrame, pd.DataFrame, np.ndarray], np.ndarray]] = {
    "empirical by family or kind": empirical,
    "statsmodels MixedLM": mixed,
    "gradient boosting + conformal": boosted,
    "Gaussian process": gaussian_process,
}


def with_sag(sheets: pd.DataFrame) -> pd.DataFrame:
    """Sheets with the sag read on them."""
    return sheets.assign(sag_deg=sheets["sra_static_deg"] - sheets["sra_dynamic_deg"])


def run(seed: int) -> list[dict[str, object]]:
    """All forecasters on one world."""
    world = World(WorldSpec(seed=seed, n_families=24))
    sheets, enquiries, outcomes = (with_sag(f) for f in _frames(world))
    rows: list[dict[str, object]] = []
    start = time.perf_counter()
    draws = Forecaster(house_of(sheets.drop(columns="sag_deg")), n_draws=DRAWS).draw(
        enquiries.drop(columns="sag_deg")
    )
    seconds = time.perf_counter() - start
    ours = {"sag_deg": draws.sag, "sra_dynamic_deg": draws.sra_dynamic, "vta_dynamic_deg": draws.vta_dynamic}
    for response in RESPONSES:
        rows.append(_row("fleet", response, ours[response], outcomes, seconds / 3.0))
        known = sheets[response].notna().to_numpy()
        y = sheets.loc[known, response].to_numpy(dtype=float)
        for name, forecast in CHALLENGERS.items():
            start = time.perf_counter()
            found = forecast(sheets[known], enquiries, y)
            rows.append(_row(name, response, found, outcomes, time.perf_counter() - start))
    return rows


def _frames(world: World) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    sheets, _ = world.sheets(SHEETS)
    enquiries, outcomes, _ = world.enquiries(ASKED)
    return sheets, enquiries.assign(sra_dynamic_deg=np.nan), outcomes


def _row(
    name: str, response: str, x: np.ndarray, outcomes: pd.DataFrame, seconds: float
) -> dict[str, object]:
    y = outcomes[response].to_numpy(dtype=float)
    have = ~np.isnan(y)
    low, high = np.quantile(x[have], [0.05, 0.95], axis=1)
    held = ((y[have] >= low) & (y[have] <= high)).mean()
    score = crps(x[have], y[have]).mean()
    return {"forecaster": name, "response": response, "CRPS": score, "held": held, "seconds": seconds}


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    table = pd.DataFrame([row for seed in SEEDS for row in run(seed)])
    mean = table.groupby(["response", "forecaster"], sort=False)[["CRPS", "held", "seconds"]].mean()
    print(mean.round(3).to_string())  # noqa: T201
