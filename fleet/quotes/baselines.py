"""Other ways to foretell a pickup from the same sheets, as yardsticks for the house model's quotes.

Each gets what the house model got: the sheets that taught it, and of each enquiry only what was told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.util import find_spec
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.alignment.targets import column, is_spherical
from fleet.quotes.outcomes import READINGS, outcomes
from fleet.statistics.quantile_forecasts import GRID, crps, quantiles_of

Floats = NDArray[np.float64]
FAMILY, POOLED, BOOSTED = "own past of the family", "all sheets together", "gradient boosting"
RIVALS: Final = (FAMILY, POOLED, BOOSTED)
SCORED: Final = (*READINGS, "bench_minutes")
"""Quantities that rivals foretell; built-in angle and tilt follow from the others."""
FEW_READINGS: Final = 3
"""With fewer readings of its own a family is foretold by its kind, and that by all sheets."""
FACTORS: Final = (
    "body_family",
    "generator",
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
)
MEASURES: Final = ("vtf_mn", "compliance_um_per_mn", "cantilever_length_mm", "tilt_room_deg")
FOLDS: Final = 5
MOST_LEVELS: Final = 250
"""A gradient-boosting library's limit on the levels of a factor; rarer ones count as not told."""


def have_boosting() -> bool:
    """Whether the libraries of the rival that isn't our own are installed (extra `reference`)."""
    return all(find_spec(name) is not None for name in ("sklearn", "mapie"))


def reference_quantiles(
    taught: pd.DataFrame, asked: pd.DataFrame, *, boosting: bool = True
) -> dict[str, dict[str, Floats]]:
    """Forecasts of every rival, by rival and quantity, (m, levels) each.

    Parameters
    ----------
    taught : sheets known then, canonical columns, one row a unit
    asked : what m enquiries told, enquiry columns; empty where not told
    boosting : whether to fit gradient boosting too, where it is installed
    """
    frames: dict[str, Callable[[pd.DataFrame, pd.DataFrame, Floats], Floats]] = {
        FAMILY: own_past,
        POOLED: together,
    }
    if boosting and have_boosting() and len(taught) >= 4 * FOLDS:
        frames[BOOSTED] = boosting_quantiles
    known = readings(taught)
    out: dict[str, dict[str, Floats]] = {}
    for name, forecast in frames.items():
        own: dict[str, Floats] = {}
        for q in SCORED:
            have = ~np.isnan(known[q])
            enough = have.sum() >= (4 * FOLDS if name == BOOSTED else 2)
            empty = np.full((len(asked), len(GRID)), np.nan)
            own[q] = forecast(taught[have], asked, known[q][have]) if enough else empty
        out[name] = own
    return out


def reference_scores(
    taught: pd.DataFrame,
    asked: pd.DataFrame,
    read: Mapping[str, Floats],
    policies: pd.Series,
    happened: Mapping[str, Floats],
    *,
    boosting: bool = True,
) -> dict[str, dict[str, Floats]]:
    """Scores of every rival on m enquiries: CRPS of readings and minutes, squared errors of chances.

    Parameters
    ----------
    taught, asked, boosting : as for `reference_quantiles`
    read : per quantity what the bench then read (m,)
    policies : (m,) each enquiry's policy as JSON
    happened : `both_met` and `wedge_made` (m,), 1, 0 or NaN

    Returns
    -------
    dict
        By rival and by `SCORED_BY_RIVALS`, (m,) each; NaN where a rival foretells nothing.
    """
    out = {
        name: {q: crps(own[q], read[q]) for q in SCORED}
        for name, own in reference_quantiles(taught, asked, boosting=boosting).items()
    }
    for name in ("both_met", "wedge_made"):
        for rival in out:
            out[rival][name] = np.full(len(asked), np.nan)
        for text in policies.unique():
            mine = (policies == text).to_numpy()
            past = outcomes(pd.Series([text] * len(taught)), taught)[name]
            told = ~np.isnan(past)
            if not told.any():
                continue
            chance = past_rate(taught[told], asked[mine], past[told])[:, 0]
            out[FAMILY][name][mine] = (chance - happened[name][mine]) ** 2
            out[POOLED][name][mine] = (rate(past[told]) - happened[name][mine]) ** 2
    return out


def readings(sheets: pd.DataFrame) -> dict[str, Floats]:
    """What sheets read, per quantity of `SCORED`, (n,) each."""
    rake = np.where(is_spherical(sheets), np.nan, column(sheets, "sra_dynamic_deg"))
    vta = column(sheets, "vta_dynamic_deg")
    return {
        "sag_deg": column(sheets, "sra_static_deg") - rake,
        "sra_dynamic_deg": rake,
        "vta_dynamic_deg": vta,
        "bench_minutes": column(sheets, "bench_minutes"),
    }


def together(taught: pd.DataFrame, asked: pd.DataFrame, read: Floats) -> Floats:
    """Quantiles of all readings, the same for every enquiry."""
    del taught
    return np.repeat(quantiles_of(read[None, :]), len(asked), axis=0)


def own_past(taught: pd.DataFrame, asked: pd.DataFrame, read: Floats) -> Floats:
    """Quantiles of the family's own readings, else of those of its kind, else of all.

    Parameters
    ----------
    taught, asked : as for `reference_quantiles`
    read : (n,) one quantity of the taught sheets
    """
    return _past(taught, asked, lambda mine: quantiles_of(read[None, mine])[0])


def past_rate(taught: pd.DataFrame, asked: pd.DataFrame, happened: Floats) -> Floats:
    """How often something happened in the same past (m, 1), half a case added either way.

    Parameters
    ----------
    happened : (n,) 1 or 0 for each taught sheet
    """
    return _past(taught, asked, lambda mine: np.array([rate(happened[mine])]))


def rate(happened: Floats) -> float:
    """Share of cases, half a case added either way (Jeffreys' prior mean)."""
    return float((happened.sum() + 0.5) / (len(happened) + 1.0))


def _past(taught: pd.DataFrame, asked: pd.DataFrame, figure: Callable[[NDArray[np.bool_]], Floats]) -> Floats:
    """A figure of the sheets that an enquiry would be compared with, worked out once a combination."""
    words = {c: _words(taught, c) for c in ("body_family", "stylus_profile", "cantilever_material")}
    told = {c: _words(asked, c) for c in words}
    cache: dict[tuple[str, ...], Floats] = {}
    rows = []
    for i in range(len(asked)):
        key = tuple(str(told[c][i]) for c in words)
        if key not in cache:
            family, profile, cantilever = key
            mine = words["body_family"] == family
            if not family or mine.sum() < FEW_READINGS:
                mine = np.ones(len(taught), dtype=bool)
                for name, value in (("stylus_profile", profile), ("cantilever_material", cantilever)):
                    mine &= (words[name] == value) | (value == "")
            cache[key] = figure(mine if mine.sum() >= FEW_READINGS else np.ones(len(taught), dtype=bool))
        rows.append(cache[key])
    return np.array(rows)


def _words(frame: pd.DataFrame, name: str) -> NDArray[np.object_]:
    if name not in frame:
        return np.full(len(frame), "", dtype=object)
    return np.asarray(frame[name].astype(object).where(frame[name].notna(), "").to_numpy())


def boosting_quantiles(taught: pd.DataFrame, asked: pd.DataFrame, read: Floats) -> Floats:
    """Gradient-boosted trees with cross-conformal intervals at every kept level.

    The taught sheets' facts are hidden as the enquiries' are (each takes the pattern of an enquiry, in turn):
    so the trees learn to do without, and calibration and enquiries are alike, which is what conformal
    intervals need.

    Parameters
    ----------
    taught, asked, read : as for `own_past`

    References
    ----------
    CV+ intervals: Barber, Candes, Ramdas & Tibshirani (2021), Ann. Stat. 49, 486-507.
    """
    from mapie.regression import CrossConformalRegressor
    from sklearn.ensemble import HistGradientBoostingRegressor
    from threadpoolctl import threadpool_limits

    known, new = _coded(taught, asked)
    hidden = np.isnan(new)
    known = np.where(hidden[np.arange(len(known)) % len(new)], np.nan, known) if len(new) else known
    use = [i for i in range(known.shape[1]) if _varies(known[:, i])]
    shares = 1.0 - 2.0 * GRID[GRID < 0.5]
    too_few = len(read) <= max(1.0 / (1.0 - shares.max()), 1.0 / shares.min())  # for the outermost interval
    if too_few or not use or not len(new):
        return together(taught, asked, read)
    trees = HistGradientBoostingRegressor(
        max_iter=80,
        learning_rate=0.07,
        min_samples_leaf=8,
        max_leaf_nodes=15,
        categorical_features=[place for place, i in enumerate(use) if i < len(FACTORS)],
        random_state=0,
    )
    with threadpool_limits(limits=1):
        fit = CrossConformalRegressor(trees, confidence_level=list(shares), cv=FOLDS, random_state=0)
        fit.fit_conformalize(known[:, use], read)
        middle, spans = fit.predict_interval(new[:, use])
    return np.sort(np.hstack([spans[:, 0, :], middle[:, None], spans[:, 1, ::-1]]), axis=1)


def _varies(values: Floats) -> bool:
    """Whether enough is told, and not always the same, for every fold to see two values."""
    told = values[~np.isnan(values)]
    if not len(told):
        return False
    _, count = np.unique(told, return_counts=True)
    return bool(len(told) - count.max() >= 2 * FOLDS)


def _coded(taught: pd.DataFrame, asked: pd.DataFrame) -> tuple[Floats, Floats]:
    """Factors as numbers and figures as they are, NaN where not told or a level that no sheet has."""
    known, new = [], []
    for name in FACTORS:
        words, other = _words(taught, name), _words(asked, name)
        levels = pd.Series(words[words != ""]).value_counts().index[:MOST_LEVELS]
        place = {level: float(i) for i, level in enumerate(levels)}
        known.append(np.array([place.get(w, np.nan) for w in words]))
        new.append(np.array([place.get(w, np.nan) for w in other]))
    for name in MEASURES:
        known.append(column(taught, name))
        new.append(column(asked, name))
    return np.column_stack(known), np.column_stack(new)
