"""Which share of a list of suspects is false, read off the p-values below the list's own limit.

Among the units with p below `NEAR` there are sound ones and faulty ones.  Faulty ones have the p-values that
simulated faults have; how many they are is not known.  Sound ones fall off as p^rate: at rate 1 where the
model's spreads and tails are right, more slowly where units scatter more widely far out than their middle
tells.  Both are averaged over what the units' p-values leave possible; so many sound units lie within the
list's limit.  The list says so where that is more than was asked and the rate probably is below 1.

Which family, pattern of readings or reading makes it is read off the middle instead: the p-values of single
readings that are above e^-`MIDDLE`.  The score test of rate 1 against less, one-sided at `LEVEL` by
Bonferroni's method, names the group with most of the excess.

References
----------
Efron 2008, Statistical Science 23, 1-22: two groups, sound and not, and the share of each among the flagged.
DerSimonian & Laird 1986, Control. Clin. Trials 7, 177-188: the spread between groups by moments.  The cut-
off exponential's mean and variance are derived.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.numerals import percent
from fleet.statistics.even_draws import normal_cdf

Floats = NDArray[np.float64]
MIDDLE: Final = 3.0
"""Down to p = 0.05: nearly all residuals that a fault has moved are below."""
RATES: Final = np.linspace(0.05, 3.0, 1181)
MEANS: Final = 1.0 / RATES - MIDDLE / np.expm1(RATES * MIDDLE)
"""Mean of an exponential of each rate cut off there; below, mean and variance at rate 1 (derived)."""
MEAN: Final = 1.0 - MIDDLE / np.expm1(MIDDLE)
VARIANCE: Final = 1.0 - MIDDLE**2 * np.exp(MIDDLE) / np.expm1(MIDDLE) ** 2
LEVEL: Final = 0.05
NEAR: Final = 2.5
"""Down from p = 0.08: near enough to the list's limit to tell of it, with units enough."""
EDGES: Final = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.5, 5.5, 7.5, np.inf])
"""Bins of -log p beyond `NEAR`."""
FAULTY: Final = np.linspace(0.0, 0.995, 200)
"""What the faulty may be of the units below `NEAR`, all alike likely."""
FALLS: Final = np.exp(np.linspace(-1.2, 0.7, 96))
FALLS_SD: Final = 0.25
"""What the rate of sound units' p-values may be, and the sd of its log that is believed."""
NOTEWORTHY: Final = 1.25
"""A share of false alarms that is not this many times what was asked is not spoken of."""
PROBABLY: Final = 0.75
"""Nor where the rate is below 1 with less than this chance."""
GROUPS: Final = ("family", "pattern", "reading")


@dataclass(frozen=True)
class Promise:
    """What a list can promise.

    Attributes
    ----------
    asked : share of false alarms asked for
    expected : share of the flags that are expected to be false
    slower : chance that sound units' p-values fall off more slowly than uniform ones
    group : if it can't be kept, the family, pattern of readings or reading that fails by itself and makes
        most of the excess
    """

    asked: float
    expected: float
    slower: float = 0.5
    group: str = ""

    @property
    def kept(self) -> bool:
        """Whether nothing speaks against the rate asked for."""
        return self.slower < PROBABLY or self.expected <= NOTEWORTHY * self.asked

    @property
    def sentence(self) -> str:
        """What the list says of its rate."""
        share = percent(self.asked, 0 if self.asked >= 0.01 else 1)
        if self.kept:
            return f"at most about {share} of the flags are expected to be false alarms."
        most = f"; {self.group} makes most of it" if self.group else ""
        return f"asked {share}; this bench's tails allow about {percent(self.expected)} false alarms{most}."


def promise(p: Floats, flagged: NDArray[np.bool_], faulty: tuple[Floats, Floats], fdr: float) -> Promise:
    """Reckon what a list can promise.

    Parameters
    ----------
    p : (n,) p-values of units
    flagged : (n,) which are on the list
    faulty : p-values of faulty units, and their weights
    fdr : share of false alarms asked for
    """
    if not flagged.any():
        return Promise(fdr, fdr)
    x = -np.log(p) - NEAR
    n, away = (
        np.histogram(y, EDGES, weights=w)[0] for y, w in ((x, None), (-np.log(faulty[0]) - NEAR, faulty[1]))
    )
    survival = np.exp(-FALLS[:, None] * EDGES)
    sound, away = survival[:, :-1] - survival[:, 1:], away / max(away.sum(), 1e-300)
    mixed = (1.0 - FAULTY[:, None]) * sound[:, None] + FAULTY[:, None] * away
    log_weight = np.log(np.maximum(mixed, 1e-300)) @ n - 0.5 * (np.log(FALLS)[:, None] / FALLS_SD) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    limit = max(float(x[flagged].min()), 0.0)
    expected = n.sum() * float(np.exp(-FALLS * limit) @ weight @ (1.0 - FAULTY)) / flagged.sum()
    return Promise(fdr, float(min(1.0, expected)), float(weight[FALLS < 1.0].sum()))


def odd_group(p: Floats, groups: pd.DataFrame) -> str:
    """The family, pattern of readings or reading whose middle scatters too widely and makes most of it.

    Parameters
    ----------
    p : (n,) p-values of single readings of the units' newest sheets
    groups : (n,) columns `GROUPS`, in words, and ``doubt``: sd of the log variance as far as a family's own
        is not known, which the p-values have been widened for
    """
    x = -np.log(p)
    bulk = x < MIDDLE
    x, groups = x[bulk], groups[bulk]
    if not len(x):
        return ""
    fleet = float(_rate(x.mean()))
    found, most = "", 0.0
    for kind in GROUPS:
        doubt = groups["doubt"] if kind == "family" else 0.0 * groups["doubt"]
        table = _by_group(x, groups[kind], doubt, fleet)
        odd = (table["p_value"] * len(GROUPS) * len(table) <= LEVEL) & (2.0 * table["n"] <= len(x))
        more = (table["n"] * (1.0 - table["rate"])).where(odd)
        if more.max() > most:
            found, most = str(more.idxmax()), float(more.max())
    return found


def _rate(mean: Any) -> Any:
    """Likeliest rate of exponentials cut off at `MIDDLE`, from their mean."""
    return np.interp(-mean, -MEANS, RATES)


def _chance(mean: Any, n: Any) -> Any:
    """One-sided p-value of rate 1 against less (score test, normal)."""
    return normal_cdf((MEAN - mean) / np.sqrt(VARIANCE / n))


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
