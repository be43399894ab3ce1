"""Stretching intervals that the record shows too narrow or too wide: a conformal correction by group, told.

The groups are how a quote stood to the model's families by what was told (known, never seen, not told),
since that decides what an interval is made of. A group's intervals are stretched about their medians by one
factor a quantity, the one that makes the 90 % interval hold nine tenths of the record's own readings
(split conformal, Mondrian). Where the record is too small to support it, or shows nothing wrong, nothing is
changed.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.factor_scenarios import Scenarios
from fleet.house_model.predict import Draws
from fleet.numerals import percent, unknown
from fleet.quotes.outcomes import STANDINGS, ForecastPairs
from fleet.rows import Columns, Floats, height
from fleet.statistics.quantile_forecasts import LEVELS, central_interval
from fleet.words import quantity

STRETCHED: Final = ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "bench_minutes")
"""Quantities with a factor of their own; built-in angle, tilt, chances and price follow from them."""
NOMINAL: Final = 0.9
SMALLEST: Final = 50
"""Independent quotes that a group must be worth. With 50 the corrected 90 % interval's true coverage lies
between 0.82 and 0.95 in nine of ten cases (Beta(46, 5); derived, split conformal given the calibration)."""


@dataclass(frozen=True)
class Correction:
    """What was found for one group and quantity.

    Attributes
    ----------
    standing, quantity : the group, and what is foretold
    n, weight : quotes measured, and how many independent ones they are worth
    held : share of them that the uncorrected 90 % interval held
    factor : by which intervals are stretched; 1 where nothing is changed
    verdict : what the record says of the uncorrected interval; `TOO_FEW` where it is too small
    """

    standing: str
    quantity: str
    n: int
    weight: float
    held: float
    factor: float
    verdict: str


@dataclass(frozen=True)
class Recalibration:
    """Factors by group and quantity.

    Attributes
    ----------
    corrections : one a group and quantity that the record has
    source : which record it was learnt from, in words
    """

    corrections: tuple[Correction, ...]
    source: str

    def factor(self, standing: str, quantity: str) -> float:
        """By how much such a quote's interval is stretched; 1 = as the model says."""
        for c in self.corrections:
            if (c.standing, c.quantity) == (standing, quantity):
                return c.factor
        return 1.0

    @property
    def changes(self) -> tuple[Correction, ...]:
        """The corrections that change anything."""
        return tuple(c for c in self.corrections if c.factor != 1.0)

    @property
    def sentence(self) -> str:
        """What is corrected, in one sentence."""
        if not self.changes:
            return f"Nothing to correct: no group's intervals are shown wrong by {self.source}."
        parts = [
            f"{quantity(c.quantity).short} × {c.factor:.2f} where {STANDINGS[c.standing]} "
            f"(held {percent(c.held)} of {c.n})"
            for c in self.changes
        ]
        return f"Intervals are stretched by {self.source}: {'; '.join(parts)}."

    @property
    def refused(self) -> str:
        """Which groups the record is too small for, in one sentence; "" if none."""
        from fleet.statistics.forecast_scores import TOO_FEW

        few = dict.fromkeys(STANDINGS[c.standing] for c in self.corrections if c.verdict == TOO_FEW)
        if not few:
            return ""
        return f"Too few quotes to correct (it takes {SMALLEST} independent ones): {', '.join(few)}."

    def told(self, standing: str) -> str:
        """What a quote says of its own correction; "" if it has none."""
        mine = [c for c in self.changes if c.standing == standing]
        if not mine:
            return ""
        words = ", ".join(f"{quantity(c.quantity).short} × {c.factor:.2f}" for c in mine)
        return f"intervals stretched by {self.source}: {words}"

    def factors(self, standing: str) -> dict[str, float]:
        """Factors other than 1 that such a quote is told with."""
        return {c.quantity: c.factor for c in self.changes if c.standing == standing}

    def to_text(self) -> str:
        """The whole as JSON, to be kept."""
        return json.dumps({"source": self.source, "corrections": [vars(c) for c in self.corrections]})

    @classmethod
    def from_text(cls, text: str) -> Recalibration:
        """What `to_text` wrote."""
        raw = json.loads(text)
        return cls(tuple(Correction(**c) for c in raw["corrections"]), str(raw["source"]))


def learn(record: ForecastPairs, source: str) -> Recalibration:
    """Learn factors from forecasts that were answered; corrections they were told with are taken out first.

    Parameters
    ----------
    record : forecasts beside readings
    source : how to call them, in words

    References
    ----------
    Split conformal: Papadopoulos et al. (2002), ECML 345-356. Groups apart (Mondrian): Vovk, Gammerman &
    Shafer (2005), Algorithmic Learning in a Random World, section 4.5.
    """
    standing = record.about["standing"].to_numpy(dtype=object)
    groups = [s for s in STANDINGS if (standing == s).any()]
    raw = undo_correction(record)
    tests = max(1, len(groups) * len(STRETCHED))
    found = []
    for s in groups:
        mine = standing == s
        for q in STRETCHED:
            read, quantiles = _scaled(q, record.read[q][mine], raw[q][mine])
            found.append(_correct(s, q, read, quantiles, record.families[mine], tests))
    return Recalibration(tuple(found), source)


def _correct(
    standing: str, quantity: str, read: Floats, quantiles: Floats, families: NDArray[np.object_], tests: int
) -> Correction:
    from fleet.statistics.forecast_scores import AS_TOLD, TOO_FEW, coverage

    low, high = central_interval(quantiles, NOMINAL)
    told = ~np.isnan(read) & ~np.isnan(low)
    held = np.where(told, (read >= low) & (read <= high), np.nan)
    seen = coverage(held, families, NOMINAL, tests=tests)
    if seen.weight < SMALLEST:
        return Correction(standing, quantity, seen.n, seen.weight, seen.rate, 1.0, TOO_FEW)
    if seen.verdict == AS_TOLD:
        return Correction(standing, quantity, seen.n, seen.weight, seen.rate, 1.0, AS_TOLD)
    middle = quantiles[told, LEVELS.index(0.5)]
    factor = conformal_factor(read[told], low[told], middle, high[told])
    return Correction(standing, quantity, seen.n, seen.weight, seen.rate, factor, seen.verdict)


def conformal_factor(
    read: Floats, low: Floats, middle: Floats, high: Floats, share: float = NOMINAL
) -> float:
    """Stretch of intervals about their middles that makes them hold a new reading with this chance.

    The score of a reading is how many half-widths it lies from the middle, on its own side; the factor is the
    ceil((n + 1) share)-th smallest of n scores.

    Returns
    -------
    The factor; infinite if n is too small for the share.
    """
    down, up = np.maximum(middle - low, 1e-9), np.maximum(high - middle, 1e-9)
    score = np.sort(np.maximum((middle - read) / down, (read - middle) / up))
    place = int(np.ceil((len(score) + 1) * share - 1e-9))
    return float(score[place - 1]) if place <= len(score) else float("inf")


def _scaled(quantity: str, read: Floats, quantiles: Floats) -> tuple[Floats, Floats]:
    """Bench time is stretched as a ratio, so that it stays above nothing."""
    return (np.log(read), np.log(quantiles)) if quantity == "bench_minutes" else (read, quantiles)


def undo_correction(record: ForecastPairs) -> dict[str, Floats]:
    """Quantiles as the model gave them, before any correction they were told with."""
    import pandas as pd

    factors = pd.DataFrame([json.loads(t) for t in record.about["stretch"]], index=range(len(record)))
    out = dict(record.quantiles)
    for q in STRETCHED:
        if q in factors:
            f = np.array(factors[q].fillna(1.0), dtype=np.float64)[:, None]
            out[q] = scale_about_median(record.quantiles[q], np.asarray(1.0 / f), ratio=q == "bench_minutes")
    return out


def scale_about_median(values: Floats, factor: Floats, *, ratio: bool = False) -> Floats:
    """Rows of draws or quantiles drawn apart about their medians.

    Parameters
    ----------
    values : (m, n), NaN where a draw has none
    factor : (m, 1)
    ratio : whether to do it in logs
    """
    x = np.log(values) if ratio else values
    some = ~np.isnan(x).all(axis=1)
    middle = np.full((len(x), 1), np.nan)
    middle[some, 0] = np.nanmedian(x[some], axis=1)
    out = middle + factor * (x - middle)
    return np.asarray(np.exp(out) if ratio else out)


def mondrian_categories(enquiries: Columns, candidates: Sequence[Scenarios]) -> NDArray[np.object_]:
    """How each enquiry stands to the model's families, by what it tells: keys of `STANDINGS`."""
    families = enquiries["body_family"] if "body_family" in enquiries else [None] * height(enquiries)
    told = np.array([not unknown(family) for family in families], dtype=bool)
    known = np.array([c.known_family for c in candidates], dtype=bool)
    return np.where(told, np.where(known, "known", "new"), "not_told").astype(object)


def apply_recalibration(draws: Draws, standing: NDArray[np.object_], use: Recalibration) -> Draws:
    """Joint draws with each quantity stretched; readings and true angle of a quantity alike.

    Parameters
    ----------
    draws : of m enquiries
    standing : (m,) from `mondrian_categories`
    """

    def by(quantity: str) -> Floats:
        return np.array([use.factor(str(s), quantity) for s in standing], dtype=np.float64)[:, None]

    sag = scale_about_median(draws.sag, by("sag_deg"))
    sra = scale_about_median(draws.sra_dynamic, by("sra_dynamic_deg"))
    vta = scale_about_median(draws.vta_dynamic, by("vta_dynamic_deg"))
    return replace(
        draws,
        sag=sag,
        sra_dynamic=sra,
        vta_dynamic=vta,
        built_in=sra - vta,
        sra_static=sra + sag,
        sra_true=scale_about_median(draws.sra_true, by("sra_dynamic_deg")),
        vta_true=scale_about_median(draws.vta_true, by("vta_dynamic_deg")),
    )


def recalibrated_minutes(minutes: Floats, standing: NDArray[np.object_], use: Recalibration) -> Floats:
    """Bench time, stretched as a ratio."""
    factor = np.array([use.factor(str(s), "bench_minutes") for s in standing])[:, None]
    return scale_about_median(minutes, factor, ratio=True)
