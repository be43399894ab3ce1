"""Small made-up fleets with known truth, and what the engine predicts for new units of them.

The world (derived; the figures in the tests are what an exact method reaches in it): profile 5 levels,
cantilever 4, source 4, body 6 and profile by cantilever, sds 1, 0.7, 0.5, 0.4, 0.3, residual 0.8.  ``hard``
has 3 sources of sd 1; in ``zero`` neither source nor interaction matters.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from fleet.statistics.bayes import coefficient_posterior, fit_bayes
from fleet.statistics.gram import Gram, Term
from fleet.statistics.reml import RemlFit, fit_reml, gram_of_frame

LONG = os.environ.get("FLEET_LONG") == "1"
FACTORS = ("profile", "cantilever", "source", "body")
TERMS = (*(Term((f,)) for f in FACTORS), Term(("profile", "cantilever")))
SOURCE = 2
NEW_UNITS = 25


@dataclass(frozen=True)
class World:
    """Numbers of levels and true sds (four factors, interaction, residual)."""

    levels: tuple[int, int, int, int] = (5, 4, 4, 6)
    sds: tuple[float, float, float, float, float] = (1.0, 0.7, 0.5, 0.4, 0.3)
    sigma: float = 0.8


WORLDS = {
    "base": World(),
    "hard": World(levels=(5, 4, 3, 6), sds=(1.0, 0.7, 1.0, 0.4, 0.3)),
    "zero": World(sds=(1.0, 0.7, 0.0, 0.4, 0.0)),
}


@dataclass(frozen=True)
class Outcome:
    """One fleet: where each new unit fell in its predictive law, by method and target; the fit's health."""

    bayes: dict[str, np.ndarray]
    naive: dict[str, np.ndarray]
    ess_share: float
    method: str


def units(world: World, effects: list[np.ndarray], n: int, rng: np.random.Generator) -> pd.DataFrame:
    """n units with levels dealt out evenly at random."""
    codes = [rng.integers(0, k, n) for k in world.levels]
    mean = sum(e[c] for e, c in zip(effects[:4], codes, strict=True))
    mean = mean + effects[4][codes[0] * world.levels[1] + codes[1]]
    frame = pd.DataFrame(
        {f: np.array([f"{f}{i}" for i in c], dtype=object) for f, c in zip(FACTORS, codes, strict=True)}
    )
    return frame.assign(y=mean + world.sigma * rng.standard_normal(n))


def simulate(world: World, n: int, rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """A fleet of n, and new units: of its own sources, and each of a source of its own that nobody saw."""
    sizes = [*world.levels, world.levels[0] * world.levels[1]]
    effects = [sd * rng.standard_normal(k) for sd, k in zip(world.sds, sizes, strict=True)]
    fleet = units(world, effects, n, rng)
    known = units(world, effects, NEW_UNITS, rng)
    nobody = list(effects)
    nobody[SOURCE] = np.zeros(world.levels[SOURCE])
    unseen = units(world, nobody, NEW_UNITS, rng).assign(source="never seen")
    unseen["y"] += world.sds[SOURCE] * rng.standard_normal(NEW_UNITS)
    return fleet, {"known": known, "unseen": unseen}


def contrasts(gram: Gram, new: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """(units, q + 1) picks of coefficients, and (units, terms) marks of levels that have none."""
    levels = {f: new[f].to_numpy(dtype=object) for f in FACTORS}
    found = gram.design.columns_of(levels, len(new))
    pick = np.zeros((len(new), gram.design.q + 1))
    pick[:, -1] = 1.0
    for row in found:
        seen = np.flatnonzero(row >= 0)
        pick[seen, row[seen]] = 1.0
    return pick, (found < 0).T.astype(float)


def bayes_places(gram: Gram, new: dict[str, pd.DataFrame], shift: float, seed: int) -> Outcome:
    """Places of new units in the mixture of normals over the posterior draws; ``naive`` still empty."""
    posterior = fit_bayes(gram, seed=seed)
    mean, cov = coefficient_posterior(gram, posterior.sds, posterior.sigma)
    places = {}
    for target, frame in new.items():
        pick, missing = contrasts(gram, frame)
        variance = np.einsum("ui,rij,uj->ru", pick, cov, pick, optimize=True)
        variance += posterior.sigma[:, None] ** 2 + posterior.sds**2 @ missing.T
        z = (frame["y"].to_numpy() - shift - mean @ pick.T) / np.sqrt(variance)
        places[target] = norm.cdf(z).mean(axis=0)
    share = posterior.ess / len(posterior.raw_weights)
    return Outcome(places, {}, share, posterior.method)


def naive_places(reml: RemlFit, new: dict[str, pd.DataFrame], shift: float) -> dict[str, np.ndarray]:
    """The same with the estimates taken for the truth: no uncertainty of sds or of coefficients."""
    places = {}
    for target, frame in new.items():
        pick, missing = contrasts(reml.gram, frame)
        variance = reml.sigma**2 + missing @ reml.sds**2
        mean = pick @ np.append(reml.random, reml.fixed)
        places[target] = norm.cdf((frame["y"].to_numpy() - shift - mean) / np.sqrt(variance))
    return places


def run(world: World, n: int, fleets: int, *, seed: int) -> list[Outcome]:
    """Many fleets of one world, each with its new units."""
    out = []
    for i in range(fleets):
        frame, new = simulate(world, n, np.random.default_rng([seed, n, i]))
        gram, shifts = gram_of_frame(frame, "y", random=TERMS)
        got = bayes_places(gram, new, float(shifts[-1]), seed=20 + i)
        naive = naive_places(fit_reml(gram), new, float(shifts[-1]))
        out.append(Outcome(got.bayes, naive, got.ess_share, got.method))
    return out


def cover(
    outcomes: list[Outcome], target: str, level: float, *, method: str = "bayes"
) -> tuple[float, float]:
    """Share of new units inside the central interval of ``level``, and its standard error over fleets."""
    edge = 0.5 * (1.0 - level)
    inside = [np.mean((p > edge) & (p < 1.0 - edge)) for p in (getattr(o, method)[target] for o in outcomes)]
    return float(np.mean(inside)), float(np.std(inside, ddof=1) / np.sqrt(len(inside)))


def badly_covered(outcomes: list[Outcome], target: str, *, method: str = "bayes") -> float:
    """Share of fleets whose 90 % intervals hold fewer than 75 % of their new units."""
    inside = [np.mean((p > 0.05) & (p < 0.95)) for p in (getattr(o, method)[target] for o in outcomes)]
    return float(np.mean(np.array(inside) < 0.75))
