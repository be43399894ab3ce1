"""Whether a list of suspects can keep its rate of false alarms, read off the bulk of its readings' p-values.

A sound unit's residuals, each given those before it, have p-values that are uniform where the model's
spreads and tails are right: x = -log p is exponential of rate 1. Where sound units scatter more widely the
rate is less. It is estimated on x below `MIDDLE` alone, cut off there, since faulty units are beyond; for
the fleet, for each family, pattern of readings and reading, groups shrunk toward the fleet by how much
they differ. Of sound units with d readings a list that ends at p = t then flags a share t (t/d)^(rate -
1): the likeliest false alarm is one reading far off (an extrapolation: a tail of another shape below the
middle is not seen).

The test is the score test of rate 1 against less, one-sided at `LEVEL`: of the fleet, and of families,
patterns and readings by Bonferroni's method.

References
----------
DerSimonian & Laird 1986, Control. Clin. Trials 7, 177-188: the spread between groups by moments. The cut-
off exponential's mean and variance are derived.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from fleet.numerals import percent

Floats = NDArray[np.float64]
MIDDLE: Final = 3.0
"""Down to p = 0.05: nearly all residuals that a fault has moved are below."""
RATES: Final = np.linspace(0.05, 3.0, 1181)
MEANS: Final = 1.0 / RATES - MIDDLE / np.expm1(RATES * MIDDLE)
"""Mean of an exponential of each rate cut off there; below, mean and variance at rate 1 (derived)."""
MEAN: Final = 1.0 - MIDDLE / np.expm1(MIDDLE)
VARIANCE: Final = 1.0 - MIDDLE**2 * np.exp(MIDDLE) / np.expm1(MIDDLE) ** 2
LEVEL: Final = 0.05
NOTEWORTHY: Final = 1.25
"""A share of false alarms that is not this many times what was asked is not spoken of."""
GROUPS: Final = ("family", "pattern", "reading")


@dataclass(frozen=True)
class Promise:
    """What a list can promise.

    Attributes
    ----------
    asked : share of false alarms asked for
    expected : share of the flags that are expected to be false
    p_value : of the test that sound units' p-values are uniform
    group : the family, pattern of readings or reading that fails by itself and makes most of the excess
    """

    asked: float
    expected: float
    p_value: float
    group: str = ""

    @property
    def kept(self) -> bool:
        """Whether nothing speaks against the rate asked for."""
        return self.p_value > LEVEL or self.expected <= NOTEWORTHY * self.asked

    @property
    def sentence(self) -> str:
        """What the list says of its rate."""
        share = percent(self.asked, 0 if self.asked >= 0.01 else 1)
        if self.kept:
            return f"at most about {share} of the flags are expected to be false alarms."
        most = f"; {self.group} makes most of it" if self.group else ""
        return f"asked {share}; this bench's tails allow about {percent(self.expected)} false alarms{most}."


def promise(p: Floats, groups: pd.DataFrame, flagged: float, fdr: float) -> Promise:
    """Reckon what a list can promise.

    Parameters
    ----------
    p : (n,) p-values of single readings of the units' newest sheets
    groups : (n,) columns `GROUPS`, in words, ``sheet``, and ``doubt``: sd of the log variance as far as
        a family's own is not known, which the p-values have been widened for
    flagged : share of the units judged that are on the list
    fdr : share of false alarms asked for
    """
    x = -np.log(p)
    bulk = x < MIDDLE
    each = len(p) / max(groups["sheet"].nunique(), 1)
    x, groups = x[bulk], groups[bulk].reset_index(drop=True)
    if not len(x) or not flagged:
        return Promise(fdr, fdr, 1.0)
    fleet, chances = float(_rate(x.mean())), [float(_chance(x.mean(), len(x)))]
    beyond = np.log(each / (fdr * flagged))
    false, group, excess = 0.0, "", 0.0
    for kind in GROUPS:
        doubt = groups["doubt"] if kind == "family" else 0.0 * groups["doubt"]
        table = _by_group(x, groups[kind], doubt, fleet)
        chances.append(min(1.0, float(table["p_value"].min()) * len(table)))
        sound = table["n"] / -np.expm1(-table["rate"] * MIDDLE) / len(p) * fdr * flagged
        allowed = sound * np.exp((1.0 - table["rate"]) * beyond)
        false = max(false, float(allowed.sum()))
        odd = (table["p_value"] * len(table) <= LEVEL) & (2.0 * table["n"] <= len(x))
        more = (allowed - sound).where(odd)
        if more.max() > excess:
            group, excess = str(more.idxmax()), float(more.max())
    return Promise(fdr, min(1.0, false / flagged), min(1.0, len(chances) * min(chances)), group)


def _rate(mean: Any) -> Any:
    """Likeliest rate of exponentials cut off at `MIDDLE`, from their mean."""
    return np.interp(-mean, -MEANS, RATES)


def _chance(mean: Any, n: Any) -> Any:
    """One-sided p-value of rate 1 against less (score test, normal)."""
    return special.ndtr((MEAN - mean) / np.sqrt(VARIANCE / n))


def _by_group(x: Floats, label: pd.Series[str], doubt: pd.Series[float], fleet: float) -> pd.DataFrame:
    """Per group its readings, rate (shrunk toward the fleet's) and the p-value of its own test."""
    table = (
        pd.DataFrame({"x": x, "label": label, "doubt": doubt})
        .groupby("label")
        .agg(n=("x", "size"), mean=("x", "mean"), doubt=("doubt", "mean"))
    )
    n, own = table["n"].astype(float), _rate(table["mean"])
    variance = 1.0 / (n * VARIANCE) + table["doubt"] ** 2
    weight = 1.0 / variance
    spare = weight.sum() - (weight**2).sum() / weight.sum()
    surplus = float((weight * (own - fleet) ** 2).sum()) - (len(n) - 1)
    between = max(0.0, surplus / spare) if spare > 0.0 else 0.0
    rate = fleet + between / (between + variance) * (own - fleet)
    return pd.DataFrame(
        {"n": n, "rate": rate, "p_value": _chance(table["mean"], 1.0 / (VARIANCE * variance))}
    )
