"""How far families scatter, learnt from all links together.

A family that is assembled loosely is loose in most angles.  What a family's own rows tell of its factor in a
link, y with sampling variance v, is held against what its other links tell:

    y = c + e + sampling,   c ~ N(0, ρτ²) the family's own, e ~ N(0, (1 − ρ)τ²) the link's

with τ and ρ integrated out on a grid (derived; an empirical-Bayes shrinkage of two levels).  Where links have
nothing in common, ρ comes out near 0 and every link is shrunk by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from fleet.house_model.chain import JUDGED, PAIR, PAIRED, RAKE
from fleet.house_model.variance_function import (
    PRIOR_BETWEEN_FAMILIES,
    PRIOR_LOG_SD,
    VarianceFunction,
)
from fleet.rows import Floats

INDEPENDENT: Final = tuple(n for n in JUDGED if n != RAKE)
"""Links whose residuals have readings of their own; rake and pair are made of tracking and built-in angle."""
TAU: Final = np.exp(np.linspace(np.log(0.03), np.log(1.6), 16))
RHO: Final = np.linspace(0.0, 1.0, 6)
UNKNOWN: Final = 1e9
"""Sampling variance of what no row tells."""


def share_families(spreads: Mapping[str, VarianceFunction]) -> dict[str, VarianceFunction]:
    """The same spreads, the factors of families shrunk by what their other links tell."""
    out = dict(spreads)
    pool = _told(spreads)
    for name in (*INDEPENDENT, RAKE):
        if name in spreads:
            out[name] = _leaning(spreads[name], name, spreads, pool)
    return out


def lean_on(spread: VarianceFunction, name: str, spreads: Mapping[str, VarianceFunction]) -> VarianceFunction:
    """One more spread, the factors of its families shrunk by what the links in ``spreads`` tell of them."""
    return _leaning(spread, name, spreads, _told(spreads))


Grid = list[tuple[float, float, float]]
"""(τ², ρ, posterior weight)."""
Told = tuple[list[str], list[str], Floats, Floats, Grid]


def _told(spreads: Mapping[str, VarianceFunction]) -> Told:
    """Links, families, what each tells of the other, y and v (families, links), and the grid."""
    names = [n for n in INDEPENDENT if n in spreads]
    families = sorted({f for n in names for f in spreads[n].told})
    pairs = [[spreads[n].told.get(f, (0.0, UNKNOWN)) for n in names] for f in families]
    both = np.array(pairs, dtype=float).reshape(len(families), len(names), 2)
    return names, families, both[..., 0], both[..., 1], _grid(both[..., 0], both[..., 1])


def _leaning(
    spread: VarianceFunction, name: str, spreads: Mapping[str, VarianceFunction], pool: Told
) -> VarianceFunction:
    names, families, y, v, grid = pool
    if len(families) < 2 or not spread.told:
        return spread
    mine = (name,) if name in names else PAIRED if name in (RAKE, *PAIR) else ()
    others = np.array([n not in mine for n in names])
    own = np.array([spread.told.get(f, (0.0, UNKNOWN)) for f in families], dtype=float)
    weight, mean, var, between = 0.0, np.zeros(len(families)), np.zeros(len(families)), 0.0
    for tau2, rho, part in grid:
        common, link = rho * tau2, (1.0 - rho) * tau2
        info = others / (link + v)
        precision = 1.0 / max(common, 1e-9) + info.sum(axis=1)
        believed = (info * y).sum(axis=1) / precision
        spare = 1.0 / precision + link
        keep = spare / (spare + own[:, 1])
        middle = believed + keep * (own[:, 0] - believed)
        mean += part * middle
        var += part * (keep * own[:, 1] + middle**2)
        weight, between = weight + part, between + part * tau2
    mean, var = mean / weight, np.maximum(var / weight - (mean / weight) ** 2, 1e-6)
    pairs = {f: (float(a), float(np.sqrt(b))) for f, a, b in zip(families, mean, var, strict=True)}
    return replace(spread, families=pairs, between_families=float(np.sqrt(between / weight)))


def _grid(y: Floats, v: Floats) -> Grid:
    """What is left of the grid once what weighs next to nothing is gone."""
    found = []
    for tau in TAU:
        log_prior = -0.5 * (np.log(tau / PRIOR_BETWEEN_FAMILIES) / PRIOR_LOG_SD) ** 2
        for rho in RHO:
            # Each family's covariance is common·11' + diag(d), inverted by Sherman-Morrison.
            common, d = rho * tau**2, (1.0 - rho) * tau**2 + v
            total = 1.0 + common * (1.0 / d).sum(axis=1)
            square = (y**2 / d).sum(axis=1) - common * (y / d).sum(axis=1) ** 2 / total
            log_lik = -0.5 * (np.log(d).sum(axis=1) + np.log(total) + square).sum()
            found.append((tau**2, float(rho), float(log_lik + log_prior)))
    top = max(x for _, _, x in found)
    weights = [(tau2, rho, float(np.exp(x - top))) for tau2, rho, x in found]
    return [w for w in weights if w[2] > 1e-6]
