"""Which fact that isn't told yet would narrow a quote most: the value of each question, before it is asked.

For every fact that is not told, the answers it may have are taken from what is already told: the codes and
words of the fleet with their chances, or evenly spread quantiles of the figure's own prediction. Each answer
is told in turn and the pickup is quoted again by joint draws; the mean width of the intervals afterwards,
weighted by the answers' chances, is what the fact leaves. All quotes share the same random numbers, so that
two widths differ by the fact and hardly by chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fleet.alignment.tilt import choose_tilt
from fleet.columns import READ_BY
from fleet.house_model.chain import FACTOR_COLUMNS, FACTORS
from fleet.house_model.factor_scenarios import NEVER_SEEN
from fleet.house_model.family_facts import SPECIFICATIONS
from fleet.house_model.predict import Forecaster
from fleet.words import known_fact, quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.house_model.house import House
    from fleet.house_model.predict import Draws
    from fleet.policy.policy import Policy

    Floats = NDArray[np.float64]

ASKABLE: Final = (
    "body_family", "stylus_profile", "cantilever_material", "assembly_source", "generator", "vtf_mn",
    "compliance_um_per_mn", "cantilever_length_mm", "tilt_room_deg", "sra_static_deg", "vta_dynamic_deg",
    "sra_static_by_photo", "vta_dynamic_by_photo",
)  # fmt: skip
"""Facts that a question can settle. Temperature and hours are left out: a quote takes the usual ones, and is
as wide with as without them."""
WIDTHS: Final = ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "tilt_deg")
DECISIVE: Final = ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_deg")
"""What a fact is ranked by: the mean share that it takes off these three."""
MOST_ANSWERS: Final = 24
QUANTILES: Final = 9
READ_BEFORE: Final = ("sra_static_deg", "vta_dynamic_deg")
"""Facts that only a unit already measured somewhere has."""
PHOTOS: Final = {"sra_static_by_photo": "sra_static_deg", "vta_dynamic_by_photo": "vta_dynamic_deg"}
"""Facts that the owner's photo could tell, and which angle each is."""
WORTH_ASKING: Final = 0.03
"""A fact that takes less off is not worth a question (our choice; the draws' own noise is below it)."""
COLUMNS: Final = (
    "fact",
    "words",
    *(f"{name}_{when}" for name in WIDTHS for when in ("now", "then", "share")),
    "both_moves",
    "worth",
)


@dataclass(frozen=True)
class Information:
    """What each fact that isn't told would take off a quote's intervals.

    Attributes
    ----------
    table : one row a fact, the most telling first, `COLUMNS`: widths of the nine-in-ten intervals now and
        expected once it is told [degrees], the share that it takes off (0.2 = a fifth narrower), `both_moves`
        (by how much the chance that one tilt serves both would move on average, 0 to 1), and `worth`, the
        mean share over rake, tracking angle and tilt
    sentence : which fact to ask for first
    """

    table: pd.DataFrame
    sentence: str


def information(
    enquiry: pd.DataFrame, house: House, policy: Policy, *, n_draws: int = 2048, seed: int = 0
) -> Information:
    """Say which fact that isn't told would narrow the quote most.

    Parameters
    ----------
    enquiry
        One row, the enquiry columns; missing or empty = not told.
    house
        The house model.
    policy
        Chooses the tilt.
    n_draws, seed
        Of the joint draws.
    """
    forecaster = Forecaster(house, n_draws=n_draws, seed=seed)
    row = enquiry.reset_index(drop=True).iloc[[0]]
    draws = forecaster.draw(row, [policy])
    spherical = bool(np.isnan(draws.sra_true).all())
    open_facts = [
        name
        for name in ASKABLE
        if _empty(row, _column(name))
        and not (spherical and _column(name) == "sra_static_deg")
        and _can_answer(house, name)
    ]
    asked: list[pd.DataFrame] = [row]
    weights: dict[str, Floats] = {}
    for name in open_facts:
        values, weight = _answers(house, draws, name, policy)
        if len(values) < 2:
            continue
        told = pd.concat([row] * len(values), ignore_index=True)
        told[_column(name)] = pd.Series(values, dtype="float64" if name not in FACTOR_NAMES else "str")
        if name in PHOTOS:
            told[READ_BY[_column(name)]] = "photo"
        asked.append(told)
        weights[name] = weight
    every = pd.concat(asked, ignore_index=True)
    width, both = _widths(forecaster.draw(every, [policy] * len(every)), policy)
    now, start, rows = {name: float(w[0]) for name, w in width.items()}, 1, []
    for name, weight in weights.items():
        part = slice(start, start + len(weight))
        start += len(weight)
        rows.append(_row(name, now, {q: w[part] for q, w in width.items()}, weight, both[part] - both[0]))
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table = table.sort_values(["worth", "fact"], ascending=[False, True]).reset_index(drop=True)
    return Information(table, _sentence(table, now))


FACTOR_NAMES: Final = {column: factor for factor, column in FACTOR_COLUMNS.items()}


def _column(name: str) -> str:
    return PHOTOS.get(name, name)


def _can_answer(house: House, name: str) -> bool:
    return name in FACTOR_NAMES or name not in SPECIFICATIONS or name in house.facts.specs


def _answers(house: House, draws: Draws, name: str, policy: Policy) -> tuple[list[Any], Floats]:
    """Answers that a fact may have, given what is told, and their chances."""
    if name in FACTOR_NAMES:
        chosen = draws.candidates[0]
        level = chosen.levels[:, FACTORS.index(FACTOR_NAMES[name])].astype(str)
        names, code = np.unique(level, return_inverse=True)
        chance = np.bincount(code, weights=chosen.weights)
        known = ~np.isin(names, ["", NEVER_SEEN]) & (chance > 0.0)
        return _few(names[known].tolist(), np.asarray(chance[known], dtype=float))
    if name in SPECIFICATIONS:
        values = _specification(house, draws, name)
    else:
        values = {
            "tilt_room_deg": draws.tilt_room,
            "sra_static_deg": draws.sra_static,
            "vta_dynamic_deg": draws.vta_dynamic,
        }[_column(name)][0]
        if name in PHOTOS:
            z = np.random.default_rng(6).standard_normal(len(values))
            values = values + (policy.told_sd_deg(_column(name), "photo") or 0.0) * z
    told = values[np.isfinite(values)]
    if not len(told):
        return [], np.empty(0)
    levels = (np.arange(QUANTILES) + 0.5) / QUANTILES
    points = np.unique(np.round(np.quantile(told, levels), 3))
    return points.tolist(), np.full(len(points), 1.0 / len(points))


def _few(names: list[str], chance: Floats) -> tuple[list[Any], Floats]:
    """All answers, or of many the likeliest and evenly drawn others, so that chances stay right."""
    if len(names) <= MOST_ANSWERS:
        return names, chance / max(float(chance.sum()), 1e-300)
    ends = np.cumsum(chance) / chance.sum()
    place = np.searchsorted(ends, (np.arange(MOST_ANSWERS) + 0.5) / MOST_ANSWERS)
    kept, times = np.unique(np.minimum(place, len(names) - 1), return_counts=True)
    return [names[i] for i in kept], times / times.sum()


def _specification(house: House, draws: Draws, name: str) -> Floats:
    """Values that a figure of the specification may have, one a draw: the family's own, or predicted."""
    rows = draws.rows
    own = house.facts.figure(name, rows["family"])
    mean, sd = house.facts.specs[name].predict(rows)
    sd = np.where(np.isnan(own), sd, 0.0)
    mean = np.where(np.isnan(own), mean, np.log(own))
    z = np.random.default_rng(5).standard_normal(draws.row.shape[1])
    return np.asarray(np.exp(mean[draws.row[0]] + sd[draws.row[0]] * z))


def _widths(draws: Draws, policy: Policy) -> tuple[dict[str, Floats], Floats]:
    """Widths of the nine-in-ten intervals of each enquiry, and its chance that one tilt serves both."""
    from fleet.alignment.tilt import reach

    tilt = choose_tilt(draws.sra_dynamic, draws.vta_dynamic, draws.tilt_room, policy).tilt_deg
    arrays = {
        "sag_deg": draws.sag,
        "sra_dynamic_deg": draws.sra_dynamic,
        "vta_dynamic_deg": draws.vta_dynamic,
        "tilt_deg": tilt,
    }
    width = {}
    for name, values in arrays.items():
        out = np.full(len(values), np.nan)
        for i, own in enumerate(values):
            told = own[np.isfinite(own)]
            if len(told) > 1:
                out[i] = float(np.subtract(*np.quantile(told, [0.95, 0.05])))
        width[name] = out
    both = reach(draws.sra_true, draws.vta_true, draws.tilt_room, policy)[2].mean(axis=1)
    return width, np.asarray(both, dtype=float)


def _row(
    name: str, now: dict[str, float], width: dict[str, Floats], weight: Floats, moved: Floats
) -> dict[str, object]:
    row: dict[str, object] = {
        "fact": name,
        "words": known_fact(_column(name), "photo" if name in PHOTOS else None),
    }
    shares = {}
    for angle, values in width.items():
        told = np.isfinite(values)  # an answer may be a stylus that has no rake
        then = float(values[told] @ weight[told] / weight[told].sum()) if told.any() else float("nan")
        shares[angle] = 1.0 - then / now[angle] if now[angle] > 0.0 else float("nan")
        row |= {f"{angle}_now": now[angle], f"{angle}_then": then}
        row[f"{angle}_share"] = shares[angle]
    row["both_moves"] = float(np.abs(moved) @ weight)
    decisive = [shares[q] for q in DECISIVE if np.isfinite(shares[q])]
    row["worth"] = float(np.mean(decisive)) if decisive else 0.0
    return row


def _sentence(table: pd.DataFrame, now: dict[str, float]) -> str:
    if table.empty:
        return "Everything that a question could settle is told."
    telling = table[table["worth"] >= WORTH_ASKING]
    facts = telling[~telling["fact"].isin([*READ_BEFORE, *PHOTOS])]
    earlier = telling[telling["fact"].isin(READ_BEFORE)]
    if facts.empty:
        text = "No fact about its make-up would narrow this quote by more than a few per cent."
    else:
        first = facts.iloc[0]
        text = f"Ask first for {with_article(first['words'])}: it narrows {_narrows(first, now)}."
        if len(facts) > 1:
            text += f" Next: {', '.join(with_article(words) for words in facts['words'].iloc[1:3])}."
    photos = telling[telling["fact"].isin(PHOTOS)]
    if len(photos):
        text += f" {_capital(photos.iloc[0]['words'])} would narrow {_narrows(photos.iloc[0], now)}."
    if len(earlier):
        text += f" If the unit was ever read before, {with_article(earlier.iloc[0]['words'])} says most."
    return text


def _narrows(row: pd.Series, now: dict[str, float]) -> str:
    parts = [
        f"{quantity(name).short} from {now[name]:.1f} to about {row[f'{name}_then']:.1f}°"
        for name in DECISIVE
        if np.isfinite(now[name])
    ]
    return f"{', '.join(parts)} (width of nine in ten)"


def with_article(words: str) -> str:
    """Return a fact's name as it stands in a sentence."""
    return words if words.startswith(("an ", "the ")) else f"the {words}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _empty(row: pd.DataFrame, name: str) -> bool:
    if name not in row:
        return True
    value = row[name].iloc[0]
    return bool(pd.isna(value)) or str(value) == ""
