"""Two groups set against each other in one quantity, and one quantity over time.

The raw difference is the median of all differences between a reading of one group and one of the other, with
the interval that inverts the rank-sum test: no assumption about the shape of the readings. Beside it stands
what the house model expects, averaged over each group's own make-up, with what the two groups share taken out
of the uncertainty; it tells how much of a raw difference is left when families, sources and materials differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from scipy import special

from fleet.alignment.targets import select_counted
from fleet.attainment.attainment import period_labels
from fleet.attainment.distributions import (
    FEWEST_FOR_QUARTILES,
    QUANTITIES,
    Quantity,
    group_labels,
    median_interval,
)
from fleet.attainment.group_means import expected_of, group_design, independent_links
from fleet.errors import FleetError
from fleet.house_model.chain import responses
from fleet.numerals import with_sign
from fleet.words import plain_word

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.house_model.house import House

MOST_OF_A_GROUP: Final = 2000
"""Readings of a group that enter the pairwise differences; of larger groups evenly spread ones stand in."""


@dataclass(frozen=True)
class Contrast:
    """The second group less the first.

    Attributes
    ----------
    pair : the two groups
    n : units read in each
    shift, shift_low, shift_high : raw difference and its 95 % interval, NaN where there are too few
    model, model_low, model_high : difference that the house model expects, NaN without a model
    quantity : what was read
    sentence : the answer in words
    """

    pair: tuple[str, str]
    n: tuple[int, int]
    shift: float
    shift_low: float
    shift_high: float
    model: float
    model_low: float
    model_high: float
    quantity: Quantity
    sentence: str


def contrast(
    sheets: pd.DataFrame,
    quantity: str,
    by: str,
    house: House | None = None,
    make_up: pd.DataFrame | None = None,
    *,
    pair: tuple[str, str],
) -> Contrast:
    """Set the second group against the first.

    Parameters
    ----------
    sheets, quantity, by, house, make_up
        As of `fleet.attainment.distributions.distribution`.
    pair
        Two groups, as `group_labels` names them.

    Raises
    ------
    FleetError
        If a group has no reading.
    """
    what = QUANTITIES[quantity]
    units, label, value = _read(sheets, what, by)
    first, second = (value[label == name] for name in pair)
    for name, own in zip(pair, (first, second), strict=True):
        if not len(own):
            raise FleetError(
                f"no unit of {plain_word(name)} was read for {what.words}; choose another group."
            )
    shift, low, high = shift_interval(first, second)
    if make_up is not None:
        units, label, _ = _read(make_up, what, by)
    model = _model(house, units, what, label, pair)
    found = Contrast(pair, (len(first), len(second)), shift, low, high, *model, what, "")
    return Contrast(**{**found.__dict__, "sentence": _sentence(found)})


def shift_interval(
    first: NDArray[np.float64], second: NDArray[np.float64], level: float = 0.95
) -> tuple[float, float, float]:
    """Median of all differences second - first, and the interval that inverts the rank-sum test.

    Returns
    -------
    shift, low, high
        low and high are NaN where the groups are too small for the level.

    References
    ----------
    Hodges and Lehmann (1963), Ann. Math. Stat. 34, 598-611; the order statistics with the normal
    approximation of the rank sum's variance.
    """
    a, b = (_spread_out(np.sort(x), MOST_OF_A_GROUP) for x in (first, second))
    differences = np.sort((b[:, None] - a[None, :]).ravel())
    shift = float(np.median(differences))
    m, n = len(a), len(b)
    full = len(first), len(second)
    sd = np.sqrt(m * n * (m + n + 1) / 12.0)
    if (m, n) != full:  # the rank sum's spread is that of all readings, not of those that stand in
        sd *= np.sqrt((1.0 / full[0] + 1.0 / full[1]) / (1.0 / m + 1.0 / n))
    place = int(np.floor(m * n / 2.0 - float(special.ndtri(0.5 + level / 2)) * sd))
    if place < 1:
        return shift, float("nan"), float("nan")
    return shift, float(differences[place - 1]), float(differences[m * n - place])


def by_period(sheets: pd.DataFrame, quantity: str, per: str) -> pd.DataFrame:
    """Summarise one quantity by the period of its measurement.

    Returns
    -------
    DataFrame
        One row a period, in order: `period`, `n`, `median`, `low`, `high` (95 % interval of the median),
        `q25`, `q75` (NaN where there are too few readings).
    """
    what = QUANTITIES[quantity]
    units = select_counted(sheets).reset_index(drop=True)
    value = what.read(units)
    told = ~np.isnan(value)
    label = period_labels(units["measured_on"][told], per)
    codes, names = pd.factorize(label, sort=True)
    order = np.argsort(codes, kind="stable")
    parts = np.split(value[told][order], np.cumsum(np.bincount(codes, minlength=len(names)))[:-1])
    rows = []
    for name, own in zip(names, parts, strict=True):
        low, high = median_interval(own)
        q25, q75 = np.quantile(own, [0.25, 0.75]) if len(own) >= FEWEST_FOR_QUARTILES else (np.nan, np.nan)
        figures = {"median": float(np.median(own)), "low": low, "high": high, "q25": q25, "q75": q75}
        rows.append({"period": str(name), "n": len(own), **figures})
    return pd.DataFrame(rows, columns=["period", "n", "median", "low", "high", "q25", "q75"])


def _read(
    sheets: pd.DataFrame, what: Quantity, by: str
) -> tuple[pd.DataFrame, NDArray[np.object_], NDArray[np.float64]]:
    units = select_counted(sheets).reset_index(drop=True)
    value = what.read(units)
    told = ~np.isnan(value)
    units = units[told].reset_index(drop=True)
    return units, group_labels(units, by).to_numpy(dtype=object), value[told]


def _spread_out(ordered: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    if len(ordered) <= most:
        return ordered
    return np.asarray(ordered[np.linspace(0, len(ordered) - 1, most).round().astype(int)])


def _model(
    house: House | None,
    units: pd.DataFrame,
    what: Quantity,
    label: NDArray[np.object_],
    pair: tuple[str, str],
) -> tuple[float, float, float]:
    """Expected difference and its 95 % interval; bench time is modelled as a ratio, so it has none."""
    nothing = (float("nan"),) * 3
    ours = np.isin(label, pair)
    links = dict(what.links)
    if house is None or not links or "minutes" in links or not ours.any():
        return nothing
    seen = responses(units[ours].reset_index(drop=True), house.facts.fill())
    codes = (label[ours] == pair[1]).astype(np.intp)
    mean, variance = 0.0, 0.0
    for link, weight in independent_links(house, what.links)[0]:
        if link not in house.links:
            return nothing
        fit = house.links[link]
        average, unseen = group_design(fit, seen, codes, 2)
        off, sd = expected_of(fit, average[1:] - average[:1], unseen[1:] - unseen[:1])
        mean, variance = mean + weight * float(off[0]), variance + (weight * float(sd[0])) ** 2
    half = float(special.ndtri(0.975)) * np.sqrt(variance)
    return mean, mean - half, mean + half


def _sentence(found: Contrast) -> str:
    own = found.quantity.named
    a, b = (f"{plain_word(name)} (n {n})" for name, n in zip(found.pair, found.n, strict=True))
    sense = "higher" if found.shift >= 0 else "lower"
    size = f"{own.figure(abs(found.shift))} {sense}"
    start = f"{own.long[:1].upper()}{own.long[1:]}: {b} reads {size} than {a}"
    if np.isnan(found.shift_low):
        text = f"{start}, from too few units to say how sure that is."
    else:
        ends = f"{with_sign(found.shift_low, digits=own.digits)} to {own.signed(found.shift_high)}"
        sure = found.shift_low > 0 or found.shift_high < 0
        verdict = "so they differ" if sure else "so chance alone may make it"
        text = f"{start} (95 % interval {ends}, {verdict})."
    if not np.isnan(found.model):
        low, high = (with_sign(end, digits=own.digits) for end in (found.model_low, found.model_high))
        text += f" The house model expects {own.signed(found.model)} ({low} to {high}) "
        text += "of units made up like these."
    return text
