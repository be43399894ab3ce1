"""Quotes: what to expect of a pickup before it is on the bench, for any part of its facts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.alignment.tilt import choose_tilt, reach
from fleet.columns import READ_BY
from fleet.errors import FleetError
from fleet.house_model.chain import FACTORS, SPHERICAL
from fleet.house_model.factor_scenarios import NEVER_SEEN
from fleet.house_model.house import House
from fleet.house_model.predict import Draws, Forecaster
from fleet.numerals import percent, unknown
from fleet.policy.files import pick_policy
from fleet.policy.policy import Policy
from fleet.policy.remedies import made_wedge, price
from fleet.quotes.outcomes import FORECAST
from fleet.quotes.recalibration import (
    Recalibration,
    apply_recalibration,
    mondrian_categories,
    recalibrated_minutes,
)
from fleet.results import Result
from fleet.rows import Columns, Floats, column_of, height, records, take_rows
from fleet.statistics.quantile_forecasts import densest_middle, quantiles_of
from fleet.words import known_fact, quantity

if TYPE_CHECKING:
    import pandas as pd

DRAWN: Final = ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "tilt_deg", "bench_minutes")
LEVELS: Final = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
NEVER_SURE: Final = (1e-4, 1.0 - 1e-4)
"""Draws that all say the same make nothing certain."""
CHANCES: Final = (
    "p_rake_met", "p_tracking_met", "p_both_met", "p_conflict_built_in", "p_conflict_reach",
    "p_faulty", "p_made_wedge",
)  # fmt: skip
PRICES: Final = ("price_low", "price_quoted", "price_high")
COLUMNS: Final = (
    "enquiry_id",
    *(f"{q}_q{round(100 * level):02d}" for q in FORECAST for level in LEVELS),
    *CHANCES,
    *PRICES,
    "policy",
    "wedge_deg",
    "basis",
)
WEDGE_WINDOW_DEG: Final = 0.5
"""A wedge within a quarter of a degree of what the bench then chooses serves (common practice, no source)."""
CHUNK: Final = 256
FEW_UNITS: Final = 60
FACTS: Final = (
    "body_family", "generator", "stylus_profile", "cantilever_material", "assembly_source", "vtf_mn",
    "compliance_um_per_mn", "cantilever_length_mm", "temperature_c", "tilt_room_deg", "hours_used",
    "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg",
)  # fmt: skip
"""Facts of an enquiry that a quote stands on, in the order in which they are told."""


@dataclass(frozen=True, repr=False)
class Quotes(Result):
    """Answers to enquiries.

    Attributes
    ----------
    columns : `COLUMNS`, one row an enquiry
    sentences : one an enquiry
    arrays : joint draws per quantity of `DRAWN`, each (m, n)
    standing : per enquiry, how it stands to the model's families (`recalibration.STANDINGS`)
    policies : per enquiry, the target policy
    recalibration : the correction that the figures were told with, if any
    """

    columns: Mapping[str, NDArray[Any]]
    sentences: tuple[str, ...]
    arrays: Mapping[str, Floats]
    standing: tuple[str, ...] = ()
    policies: tuple[Policy, ...] = ()
    recalibration: Recalibration | None = None

    @cached_property
    def table(self) -> pd.DataFrame:
        """`columns` as a frame."""
        import pandas as pd

        return pd.DataFrame({name: column.tolist() for name, column in self.columns.items()})

    def to_frame(self) -> pd.DataFrame:
        """Return a row an enquiry, `COLUMNS`."""
        return self.table.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence of one quote or how many there are, and ranges of nine in ten with chances."""
        said = self.sentences[0] if len(self.sentences) == 1 else f"{len(self.sentences)} quotes"
        ranges = [f"{q}_{level}" for q in DRAWN[:3] for level in ("q05", "q50", "q95")]
        return said, self.table[["enquiry_id", *ranges, "p_both_met", "bench_minutes_q50"]]

    @property
    def notes(self) -> tuple[str, ...]:
        """What to say beside the quotes: which of them were corrected by the record, and how."""
        use = self.recalibration
        if use is None:
            return ()
        told = {use.told(s): None for s in self.standing}
        return tuple(words[0].upper() + words[1:] for words in told if words)

    def draws(self) -> pd.DataFrame:
        """Joint draws as a long frame: enquiry_id, draw, and the quantities of `DRAWN`."""
        import pandas as pd

        m, n = self.arrays["sag_deg"].shape
        ids = self.table["enquiry_id"].to_numpy()
        out = {"enquiry_id": np.repeat(ids, n), "draw": np.tile(np.arange(n), m)}
        return pd.DataFrame({**out, **{q: self.arrays[q].ravel() for q in DRAWN}})


def quote(
    enquiries: Columns,
    model: House | Forecaster,
    policies: Mapping[str, Policy],
    *,
    n_draws: int = 1024,
    seed: int = 0,
    policy_name: str | None = None,
    recalibration: Recalibration | None = None,
) -> Quotes:
    """Answer enquiries from the house model.

    Intervals are of the *bench reading*; chances of meeting a target are of the *true angle*, the tilt chosen
    knowing it.

    Parameters
    ----------
    enquiries : DataFrame, or mapping of str to array
        One row each, the enquiry columns [mN, µm/mN, mm, °C, degrees, h]; missing or empty = not told.
    model : House or Forecaster
        A fitted model, or a forecaster kept warm.
    policies : mapping of str to Policy
        By name; an enquiry's own ``policy`` is used where it names one.
    n_draws, seed : int
        Joint draws an enquiry, and their seed (ignored for a `Forecaster`).
    policy_name : str, optional
        Used where an enquiry names none; default ``default``.
    recalibration : Recalibration, optional
        Correction of the intervals from the track record; without it as the model says.

    Returns
    -------
    Quotes
        Table of m rows, joint draws (m, n_draws).

    Raises
    ------
    FleetError
        If an enquiry has no number or a policy isn't there.
    """
    forecaster = model if isinstance(model, Forecaster) else Forecaster(model, n_draws=n_draws, seed=seed)
    if "enquiry_id" not in enquiries:
        raise FleetError("the enquiries have no column enquiry_id: give each a number of its own")
    m = height(enquiries)
    names = enquiries["policy"] if "policy" in enquiries else [None] * m
    chosen = [pick_policy(dict(policies), _named(name) or policy_name) for name in names]
    parts = []
    for start in range(0, m, CHUNK):
        rows = np.arange(start, min(start + CHUNK, m))
        parts.append(
            _answer(take_rows(enquiries, rows), forecaster, chosen[start : start + CHUNK], recalibration)
        )
    if not parts:
        empty = {q: np.empty((0, forecaster.n)) for q in DRAWN}
        return Quotes({name: np.empty(0) for name in COLUMNS}, (), empty)
    columns = {name: np.concatenate([own[name] for own, _, _ in parts]) for name in COLUMNS}
    arrays = {q: np.concatenate([a[q] for _, a, _ in parts]) for q in DRAWN}
    told = tuple(sentence(row) for row in records(columns))
    standing = tuple(str(s) for _, _, own in parts for s in own)
    return Quotes(columns, told, arrays, standing, tuple(chosen), recalibration)


def _answer(
    enquiries: Columns, forecaster: Forecaster, policies: list[Policy], use: Recalibration | None
) -> tuple[dict[str, NDArray[Any]], dict[str, Floats], NDArray[np.object_]]:
    plain = forecaster.draw(enquiries, policies)
    standing = mondrian_categories(enquiries, plain.candidates)
    corrects = use is not None and bool(use.changes)
    draws = apply_recalibration(plain, standing, use) if use is not None and corrects else plain
    numbers = [None if unknown(x) else str(x) for x in enquiries["enquiry_id"]]
    table: dict[str, NDArray[Any]] = {"enquiry_id": column_of(numbers)}
    tilt = _tilts(draws, policies)
    wedge = np.empty(draws.sag.shape, dtype=bool)
    chances = {name: np.empty(len(policies)) for name in CHANCES}
    for policy in dict.fromkeys(policies):
        mine = np.array([p == policy for p in policies])
        wedge[mine] = made_wedge(tilt[mine], policy)
        reached = reach(draws.sra_true[mine], draws.vta_true[mine], draws.tilt_room[mine], policy)
        for name, hit in zip(CHANCES[:5], reached, strict=True):
            chances[name][mine] = np.clip(hit.mean(axis=1), *NEVER_SURE)
    spherical = np.isnan(draws.sra_true).all(axis=1)
    chances["p_rake_met"][spherical], chances["p_conflict_built_in"][spherical] = np.nan, 0.0
    total = np.sum([chances[name] for name in CHANCES[2:5]], axis=0)
    for name in CHANCES[2:5]:
        chances[name] /= total
    edge = np.array([p.guarded_rake_deg[0] - p.guarded_tracking_deg for p in policies])
    # Bench time has a factor of its own, learnt beside the tilts of the model as it is.
    clash = plain.built_in < edge[:, None]
    minutes = forecaster.minutes(plain, _tilts(plain, policies) if corrects else tilt, clash)
    if use is not None and corrects:
        minutes = recalibrated_minutes(minutes, standing, use)
    chances["p_faulty"] = _share_faulty(forecaster.house, draws)
    chances["p_made_wedge"] = np.clip(wedge.mean(axis=1), *NEVER_SURE)
    arrays = {
        "sag_deg": draws.sag,
        "sra_dynamic_deg": draws.sra_dynamic,
        "vta_dynamic_deg": draws.vta_dynamic,
        "built_in_deg": draws.built_in,
        "tilt_deg": tilt,
        "bench_minutes": minutes,
    }
    for q in FORECAST:
        table |= _quantile_columns(q, arrays[q])
    table["wedge_deg"] = densest_middle(tilt, WEDGE_WINDOW_DEG)
    table |= chances
    table |= _prices(minutes, wedge, policies)
    counts = _counts(forecaster.house)
    labels = {policy: policy.label for policy in dict.fromkeys(policies)}
    table["policy"] = column_of([labels[p] for p in policies])
    corrected = ["" if use is None else use.told(str(s)) for s in standing]
    told = [_basis(r, draws, i, forecaster.house, counts) for i, r in enumerate(records(enquiries))]
    table["basis"] = column_of(["; ".join(filter(None, both)) for both in zip(told, corrected, strict=True)])
    return table, arrays, standing


def _tilts(draws: Draws, policies: list[Policy]) -> Floats:
    """The tilt that each enquiry's policy chooses on each draw's reading (m, n)."""
    tilt = np.empty(draws.sag.shape)
    for policy in dict.fromkeys(policies):
        mine = np.array([p == policy for p in policies])
        tilt[mine] = choose_tilt(
            draws.sra_dynamic[mine], draws.vta_dynamic[mine], draws.tilt_room[mine], policy
        ).tilt_deg
    return tilt


def _quantile_columns(name: str, values: Floats) -> dict[str, Floats]:
    found = quantiles_of(values, np.array(LEVELS))
    return {f"{name}_q{round(100 * level):02d}": found[:, i] for i, level in enumerate(LEVELS)}


def _prices(minutes: Floats, wedge: NDArray[np.bool_], policies: list[Policy]) -> dict[str, Floats]:
    out = {name: np.full(len(minutes), np.nan) for name in PRICES}
    for i, policy in enumerate(policies):
        if policy.hourly_rate is None:
            continue
        cost = price(minutes[i], wedge[i], policy)
        levels = (policy.price_quantile_low, policy.price_quantile_quoted, policy.price_quantile_high)
        for name, level in zip(PRICES, levels, strict=True):
            # An order statistic, so that the figure named is one that the policy's rounding can give.
            out[name][i] = np.quantile(cost, level, method="higher")
    return out


def _share_faulty(house: House, draws: Draws) -> Floats:
    share = np.array([house.share_faulty(str(s)) for s in draws.rows["source"]])
    return np.asarray(share[draws.row].mean(axis=1))


@dataclass(frozen=True)
class _Counts:
    """Units of the fleet per family and per kind."""

    family: Mapping[str, float]
    kind: Mapping[tuple[str, str], float]


def _counts(house: House) -> _Counts:
    kinds = house.facts.kinds
    family: dict[str, float] = {}
    kind: dict[tuple[str, str], float] = {}
    for f, p, c, n in zip(*(kinds[k] for k in ("family", "profile", "cantilever", "n")), strict=True):
        family[str(f)] = family.get(str(f), 0.0) + float(n)
        key = (str(p), str(c))
        kind[key] = kind.get(key, 0.0) + float(n)
    return _Counts(family, kind)


def _basis(record: Mapping[str, object], draws: Draws, i: int, house: House, counts: _Counts) -> str:
    """Which facts were told, and how many units and readings of each quantity the answer stands on."""
    told = [
        known_fact(c, _named(record.get(READ_BY.get(c, ""))))
        for c in FACTS
        if _named(record.get(c)) is not None
    ]
    candidates = draws.candidates[i]
    words = [f"told: {', '.join(told)}" if told else "nothing told"]
    units = house.units
    if units == 0.0:
        return "; ".join([*words, "no sheet in the store yet: mechanics and common practice only"])
    family = _named(record.get("body_family"))
    if family is not None and candidates.known_family:
        own = _units(counts.family.get(family, 0.0))
        words.append(f"{own} of family {family} ({_read(house, family)})")
    elif family is not None:
        words.append(f"family {family} never measured here; {_units(candidates.matched)} match the rest")
    else:
        likely = _likely_family(candidates.levels, candidates.weights)
        words.append(f"{_units(candidates.matched)} match what was told{likely}")
    if family is None or not candidates.known_family:
        words.append(f"the fleet read {_read(house, None)}")
    profile, cantilever = _named(record.get("stylus_profile")), _named(record.get("cantilever_material"))
    if profile is not None and cantilever is not None:
        same = counts.kind.get((profile, cantilever), 0.0)
        words.append(f"{_units(same)} of kind {profile}/{cantilever}")
    if candidates.let_go:
        words.append(
            f"no unit has all of it together, so {', '.join(candidates.let_go)} counted by itself only"
        )
    if units < FEW_UNITS:
        words.append("few sheets yet, so common practice still speaks along")
    return "; ".join(words)


def _read(house: House, family: str | None) -> str:
    """How often each quantity of a quote was read, in a family or in the whole fleet."""
    links = ("rake", "tracking", "sag")
    names = (quantity(name).short for name in ("rake_both_deg", "vta_dynamic_deg", "sag_deg"))
    return ", ".join(f"{name} {house.readings(k, family):.0f}" for name, k in zip(names, links, strict=True))


def _likely_family(levels: NDArray[np.object_], weights: Floats) -> str:
    place = FACTORS.index("family")
    best = int(np.argmax(weights))
    if weights[best] < 0.5 or levels[best, place] in ("", NEVER_SEEN):
        return ""
    return f" (most likely family {levels[best, place]}, {percent(weights[best])})"


def _units(n: float) -> str:
    return f"{n:.0f} unit" if n == 1 else f"{n:.0f} units"


def _named(value: object) -> str | None:
    return None if unknown(value) or str(value) == "" else str(value)


def sentence(row: Mapping[str, object]) -> str:
    """One sentence of a quote, with figures and units."""

    def figure(key: str) -> float:
        return float(str(row[key]))

    def span(q: str) -> str:
        return f"{figure(q + '_q05'):.1f} to {figure(q + '_q95'):.1f}°"

    vta = f"tracking angle {figure('vta_dynamic_deg_q50'):.1f}° ({span('vta_dynamic_deg')})"
    if np.isnan(figure("sra_dynamic_deg_q50")):
        start = f"Expect a {vta}; a {SPHERICAL} stylus has no rake"
        chance = f"tracking can be met with a chance of {percent(figure('p_tracking_met'))}"
    else:
        rake = f"rake {figure('sra_dynamic_deg_q50'):.1f}° ({span('sra_dynamic_deg')})"
        start = (
            f"Expect {rake} and {vta} with the record turning, after a sag of {figure('sag_deg_q50'):.2f}°"
        )
        chance = f"one tilt serves both targets with a chance of {percent(figure('p_both_met'))}"
    low, middle, high = (figure(f"bench_minutes_q{q}") for q in ("05", "50", "95"))
    time = f"{middle:.0f} min ({low:.0f} to {high:.0f})"
    return f"{start}; {chance}; bench time about {time}."
