"""Groups, not only units: a source or family that as a whole drifts, or spreads, apart from single faults.

The residuals of a group's units (each against the model without itself) are standardised, clipped, so that no
single faulty unit makes an alarm, and followed in order of date about the group's own middle: by an EWMA,
which sees a passing batch, and by their cumulated sum, which sees a lasting change.  What counts is the
largest excursion of either over the whole run, in the scatter of the group's units about the likeliest step,
or in that drawn towards the scatter of all units where this is more: a few units' own is hardly known.  If
nothing changes over time a group's units are like any others in any order, so the excursion's distribution is
that of units drawn from the whole fleet, scattering more or less as groups do.  The same of the logs of their
sizes finds a change of spread.  A third check compares the mean log size of a group with that of all units,
and finds a group that spreads more throughout than its model grants it; how much groups differ in spread
anyway is taken from all of them.

The smallest p-values are held against the share of false alarms allowed to the whole report by Holm's method
with weights, over all groups, links and checks: S. Holm, Scandinavian Journal of Statistics 6 (1979) 65.
Bench, sources and families get a third of that share each, however many they are, and drifts most of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fleet.house_model.chain import JUDGED, NOT_TOLD
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import Residuals, residuals
from fleet.statistics.control_charts import ewma
from fleet.words import quantity

Floats = NDArray[np.float64]
KINDS: Final = ("bench", "source", "family")
CHECKS: Final = {"drift": 0.75, "change_of_spread": 0.125, "spread": 0.125}
"""Each check's part of the false alarms allowed."""
CLIP_SIGMAS: Final = 3.0
WEIGHT: Final = 0.1
"""Of the newest unit: shifts of about one sigma of a unit are found soonest (Lucas and Saccucci 1990)."""
LEAST_UNITS: Final = 12
LEAST_SIDE: Final = 4
"""Units before and after a step, and before an average counts."""
POOLED_UNITS: Final = 35.0
"""Units' worth of the whole fleet's scatter in a group's own."""
UNEQUAL: Final = 0.25
"""Sd of the log of groups' scatter in the series drawn: some scatter more than the model grants them."""
DRAWS: Final = ((80, 0.2), (400, 0.02))
"""Series looked at first, and the share of them at which that will do: only what is rarer gets more, and the
last share is far from any alarm."""
MANY_DRAWS: Final = 40_000
MOST_POINTS: Final = 500
"""A chart of more units than that is one of means of as many consecutive units each as needed."""
SIZE_FLOOR: Final = 0.2
MEDIAN_SIZE: Final = 0.6745
"""Median size of a standard normal deviate."""
COLUMNS: Final = (
    "kind", "group", "link", "check", "units", "p_value", "p_adjusted", "alarm", "since", "change", "unit",
    "goes_with", "why",
)  # fmt: skip


@dataclass(frozen=True)
class Groups:
    """What was found of groups.

    Attributes
    ----------
    table : one row a check, `COLUMNS`; alarms first, then by p-value. ``change`` is after less before for a
        drift (``unit`` ° or dB), a ratio of spreads for the others; ``goes_with`` names the alarm of another
        group that mostly the same units make
    sentence : how many alarms, at which false-alarm rate, over how many checks
    rate : share of reports on steady fleets that hold any alarm
    """

    table: pd.DataFrame
    sentence: str
    rate: float


@dataclass(frozen=True, eq=False)
class _Run:
    """The units of one group in order of date, read in one link."""

    kind: str
    group: str
    link: int
    rows: NDArray[np.int64]
    z: Floats
    size: Floats


class _Pool:
    """All units read in one link: what a group's are held against."""

    def __init__(self, z: Floats) -> None:
        z = z[~np.isnan(z)]
        self.z, self.size, self.raw_size = _centred(z), _size(_about_middle(z)), _size(z)


def groups(house: House, sheets: pd.DataFrame, *, rate: float = 0.05, seed: int = 11) -> Groups:
    """Look for sources and families that as a whole drift or spread.

    Parameters
    ----------
    house : House
    sheets : current sheets (canonical columns, ``unit``, ``newest``); each unit counts once, by its newest;
        reference sheets are left out
    rate : share of steady fleets whose report may hold an alarm
    seed : of the series drawn
    """
    keep = sheets["newest"].to_numpy(dtype=bool)
    if "purpose" in sheets:
        keep = keep & (sheets["purpose"].fillna("unit") == "unit").to_numpy()
    frame = sheets[keep].sort_values(["measured_on", "sheet_no"], kind="stable").reset_index(drop=True)
    if len(frame) < LEAST_UNITS:
        return Groups(pd.DataFrame(columns=list(COLUMNS)), _sentence(0, 0, rate, 0), rate)
    now = frame.assign(measured_on=frame["measured_on"].max())  # the model follows sources as they drift
    resid = residuals(house, now, taught=np.ones(len(frame), dtype=bool))
    days = pd.to_datetime(frame["measured_on"]).reset_index(drop=True)
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    runs = list(_runs(resid))
    pooled = {j: _Pool(_standardised(resid, j)) for j in {run.link for run in runs}}
    many = max(MANY_DRAWS, int(2 * len(CHECKS) * len(runs) / rate))
    for run in runs:
        rows += _changes(run, pooled[run.link], resid, days, rng, many)
    rows += _spreads(runs, pooled)
    table = pd.DataFrame(rows)
    if table.empty:
        return Groups(pd.DataFrame(columns=list(COLUMNS)), _sentence(0, 0, rate, 0), rate)
    table["p_adjusted"] = _holm(table["p_value"].to_numpy(dtype=float), _weights(table))
    table["alarm"] = table["p_adjusted"] <= rate
    table["goes_with"] = _company(table, {(r.kind, r.group, r.link): r.rows for r in runs})
    table["why"] = [_why(row, rate) for row in table.to_dict("records")]
    number = table.groupby(["kind", "group"]).ngroups
    strength = np.where(table["alarm"], 0.0, table["p_value"])
    order = np.lexsort((-table["height"], strength, ~table["alarm"]))
    table = table.iloc[order].reset_index(drop=True)
    table["link"] = [JUDGED[j] for j in table["link"]]
    return Groups(table[list(COLUMNS)], _sentence(number, len(table), rate, int(table["alarm"].sum())), rate)


def _standardised(resid: Residuals, link: int) -> Floats:
    z = resid.value[:, link] / np.sqrt(resid.covariance[:, link, link])
    return np.asarray(z)


def _size(z: Floats) -> Floats:
    """Log size, clipped at both ends: neither a faulty unit nor one exactly in the middle counts for much."""
    return np.asarray(np.log(SIZE_FLOOR + np.minimum(np.abs(z), CLIP_SIGMAS)))


def _about_middle(z: Floats) -> Floats:
    return np.asarray(z - np.median(z))


def _centred(z: Floats) -> Floats:
    """Deviations from the middle, clipped, with mean 0."""
    clipped = np.clip(_about_middle(z), -CLIP_SIGMAS, CLIP_SIGMAS)
    return np.asarray(clipped - clipped.mean())


def _runs(resid: Residuals) -> Iterator[_Run]:
    for kind in KINDS:
        labels = resid.observed[kind].astype(str).to_numpy(dtype=object)
        for group in sorted(set(labels) - {NOT_TOLD}):
            member = labels == group
            for link in range(len(JUDGED)):
                z = _standardised(resid, link)
                rows = np.flatnonzero(member & ~np.isnan(z))
                if len(rows) >= LEAST_UNITS:
                    yield _Run(kind, str(group), link, rows, _centred(z[rows]), _size(_about_middle(z[rows])))


def _base(run: _Run) -> dict[str, Any]:
    own = quantity(JUDGED[run.link])
    who = {"kind": run.kind, "group": run.group, "link": run.link, "units": len(run.rows)}
    return {**who, "label": own.long, "unit": own.unit}


def _spreads(runs: list[_Run], pooled: dict[int, _Pool]) -> Iterator[dict[str, Any]]:
    """A row for each group that is no more than half of all units."""
    for kind in KINDS:
        some = [r for r in runs if r.kind == kind and 2 * len(r.rows) <= len(pooled[r.link].z)]
        if not some:
            continue
        chances = _spread_p([(r.size, pooled[r.link].raw_size) for r in some])
        for run, chance in zip(some, chances, strict=True):
            times = float(np.median(np.abs(run.z))) / MEDIAN_SIZE
            yield {
                **_base(run), "check": "spread", "p_value": float(chance), "since": None,
                "change": times, "unit": "times", "height": float(stats.norm.isf(chance)),
            }  # fmt: skip


def _changes(
    run: _Run, pool: _Pool, resid: Residuals, days: pd.Series, rng: np.random.Generator, many: int
) -> Iterator[dict[str, Any]]:
    """A row for the run's drift and one for its change of spread."""
    base = _base(run)
    value = resid.value[run.rows, run.link]
    when = days.iloc[run.rows].reset_index(drop=True)
    off = np.exp(run.size) - SIZE_FLOOR
    for check, values, others in (
        ("drift", run.z, pool.z),
        ("change_of_spread", run.size - run.size.mean(), pool.size),
    ):
        points, each = thin_series(values)
        like = others if each == 1 else thin_series(rng.permutation(others), each)[0]
        split = change_point(points) * each
        if check == "drift":
            told: dict[str, Any] = {"change": float(np.median(value[split:]) - np.median(value[:split]))}
        else:
            told = {"change": _ratio(off[split:], off[:split]), "unit": "times"}
        height, chance = excursion_p(points, like, rng, worth=POOLED_UNITS / each, many=many)
        since = when[split].date()
        yield {**base, "check": check, "p_value": chance, "since": since, **told, "height": height}


def _ratio(after: Floats, before: Floats) -> float:
    return float(after.mean() / max(float(before.mean()), 1e-9))


def thin_series(values: Floats, each: int | None = None) -> tuple[Floats, int]:
    """Means of ``each`` consecutive values, by default at most `MOST_POINTS`, and how many each is of."""
    each = each or -(-len(values) // MOST_POINTS)
    if each == 1:
        return values, 1
    whole = len(values) // each * each
    points = values[:whole].reshape(-1, each).mean(axis=1)
    return points - points.mean(), each


def change_point(values: Floats) -> int:
    """Index of the first value after the likeliest single change of level (values in order, mean 0)."""
    return int(_steps(values).argmax()) + LEAST_SIDE


def _steps(values: Floats) -> Floats:
    """Difference of level before and after each place, over sd/√n of values with sd 1 (mean 0)."""
    n = values.shape[-1]
    k = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1)
    sums = np.cumsum(values, axis=-1)[..., k - 1]
    return np.asarray(np.abs(sums) / np.sqrt(k * (n - k) / n))


def excursion(values: Floats, variance: float | Floats = 1.0, worth: float = math.inf) -> Floats:
    """Largest excursion of values (…, n), mean 0, of their EWMA or of a step, in standard deviations.

    Their variance is that about the likeliest step, or the same drawn towards ``variance`` as by ``worth``
    more values where this is more.
    """
    n = values.shape[-1]
    grown = 1.0 - (1.0 - WEIGHT) ** (2.0 * np.arange(1, n + 1))
    height = np.abs(ewma(values, WEIGHT)) / np.sqrt(grown * WEIGHT / (2.0 - WEIGHT))
    passing = height[..., LEAST_SIDE:].max(axis=-1)
    step = _steps(values).max(axis=-1)
    if worth < math.inf:
        within = (values**2).sum(axis=-1) - step**2
        variance = np.maximum(within / (n - 2.0), (worth * variance + within) / (worth + n - 2.0))
    return np.asarray(np.maximum(passing, step) / np.sqrt(variance))


def excursion_p(
    values: Floats,
    others: Floats,
    rng: np.random.Generator,
    *,
    worth: float = POOLED_UNITS,
    many: int = MANY_DRAWS,
) -> tuple[float, float]:
    """How far out values (mean 0) go, and the share of as many drawn from all others' that go as far."""
    variance = float(others.var())
    seen = float(excursion(values, variance, worth))
    chance = 1.0
    for number, enough in (*DRAWS, (many, 0.0)):
        far, chunk = 0, max(1, min(number, 2_000_000 // len(values)))
        for start in range(0, number, chunk):
            k = min(chunk, number - start)
            drawn = others[rng.integers(0, len(others), (k, len(values)))]
            drawn -= drawn.mean(axis=1, keepdims=True)
            drawn *= np.exp(UNEQUAL * rng.standard_normal((k, 1)))
            far += int((excursion(drawn, variance, worth) >= seen - 1e-12).sum())
        chance = (far + 1.0) / (number + 1.0)
        if chance > enough:
            break
    return seen, chance


def _spread_p(sizes: list[tuple[Floats, Floats]]) -> Floats:
    """Chances of so large a mean log size, per run of one kind of group (normal approximation).

    Parameters
    ----------
    sizes : per run the log sizes of its units and of all units read in the link

    Notes
    -----
    Groups differ in spread without being odd: the variance of that is set so that the middle squared
    departure is where a normal one would be.
    """
    off = np.array([float(own.mean() - every.mean()) for own, every in sizes])
    n = np.array([len(own) for own, _ in sizes])
    total = np.array([len(every) for _, every in sizes])
    sd = np.array([float(every.std()) for _, every in sizes])
    chance = sd**2 * (1.0 / n - 1.0 / total) * total / (total - 1.0)
    grid = np.linspace(0.0, 4.0 * float(off.std()) + 1e-6, 400)
    middle = np.median(off**2 / (chance + grid[:, None] ** 2), axis=1)
    between = grid[int((middle <= stats.chi2.ppf(0.5, 1)).argmax())]
    return np.asarray(stats.norm.sf(off / np.sqrt(chance + between**2)))


def _weights(table: pd.DataFrame) -> Floats:
    """Each row's part of the false alarms allowed: alike for each kind of group, by `CHECKS` within it."""
    part = 1.0 / table.groupby(["kind", "check"])["check"].transform("size")
    weight = (part * table["check"].map(CHECKS)).to_numpy(dtype=float)
    return np.asarray(weight / weight.sum())


def _holm(p: Floats, weight: Floats) -> Floats:
    """Adjusted p-values; all weights alike is the plain method."""
    order = np.argsort(p / weight, kind="stable")
    left = np.cumsum(weight[order][::-1])[::-1]
    out = np.empty(len(p))
    out[order] = np.minimum(np.maximum.accumulate((p / weight)[order] * left), 1.0)
    return out


def _company(table: pd.DataFrame, rows: dict[tuple[str, str, int], NDArray[np.int64]]) -> list[str]:
    """For each alarm the stronger alarm of the same link and check that its units mostly belong to."""
    out = [""] * len(table)
    alarms = table[table["alarm"]].sort_values("height", ascending=False, kind="stable")
    for index, row in alarms.iterrows():
        own = rows[row["kind"], row["group"], row["link"]]
        for other in alarms.itertuples():
            if other.Index == index:
                break
            theirs = rows[str(other.kind), str(other.group), int(str(other.link))]
            common = len(np.intersect1d(own, theirs))
            if other.link == row["link"] and other.check == row["check"] and 2 * common > len(own):
                out[int(str(index))] = f"{other.kind} {other.group}"
                break
    return out


def _why(row: Mapping[Any, Any], rate: float) -> str:
    label = row["label"]
    who = f"{row['kind']} {row['group']}"
    if not row["alarm"]:
        return f"{who}: {label} steady ({row['units']} units)."
    chance = f"one such alarm in {1.0 / rate:.0f} fleets is expected by chance"
    since = "" if row["since"] is None else f" since about {row['since']:%B %Y}"
    if row["check"] == "drift":
        unit = "°" if row["unit"] == "°" else f" {row['unit']}"
        sense = "lower" if row["change"] < 0.0 else "higher"
        what = f"{label} {abs(row['change']):.1f}{unit} {sense} than before"
    elif row["check"] == "change_of_spread":
        what = f"{label} scatters {row['change']:.1f} times as much as before"
    else:
        what = f"{label} scatters {row['change']:.1f} times as much as its kind should"
    goes = f"; mostly the units of {row['goes_with']}, so probably one cause" if row["goes_with"] else ""
    return f"{who}{since}: {what} ({row['units']} units{goes}; {chance})."


def _sentence(number: int, checks: int, rate: float, alarms: int) -> str:
    if not number:
        return f"No group has the {LEAST_UNITS} units that a chart needs."
    head = f"{number} groups charted in {checks} checks, {alarms} alarm{'' if alarms == 1 else 's'}"
    return f"{head}; of 100 steady fleets about {100 * rate:.0f} at most would show any."
