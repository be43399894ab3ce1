"""Real data foretold by the engine and by what else could be asked: k-fold, for groups known and unseen.

Ours is the engine's posterior predictive law.  Its rivals see the same rows:

- plug-in: the same model at its REML estimates, normal, errors of effects in it but none of the sds;
- no pooling: every level an effect of its own by least squares, Student's t; of a group never seen the
  regression without that factor;
- boosting: scikit-learn's histogram gradient boosting on the same columns, intervals by split conformal
  prediction from out-of-fold residuals (of whole groups where the group is unseen).

CRPS by Gneiting & Raftery 2007 (J. Am. Stat. Assoc. 102, 359-378), equation 21, from each law's quantiles.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from mixed_model_data import DYESTUFF, DYESTUFF2, cake, one_way, pastes, penicillin, rats, sleep
from scipy import stats
from sklearn.ensemble import HistGradientBoostingRegressor

from fleet.statistics.bayes import coefficient_posterior, fit_bayes
from fleet.statistics.gram import Gram, Term
from fleet.statistics.reml import fit_reml, gram_of_frame

POINTS = 400
LEVELS = (np.arange(POINTS) + 0.5) / POINTS
SHARES = (0.5, 0.8, 0.9)
FOLDS = 5
FEWEST_GROUPS = 5
"""Of fewer groups none is left out: a handful can't say what another would be."""


@dataclass(frozen=True)
class Case:
    """One data set: where it comes from, and how a row is foretold.

    Attributes
    ----------
    frame : gives the rows; the response is ``y``
    random : terms; the first factor of the first is the group
    fixed : numeric columns
    """

    frame: Callable[[], pd.DataFrame]
    random: tuple[Term, ...]
    fixed: tuple[str, ...] = ()

    @property
    def group(self) -> str:
        """The factor that is once known and once unseen."""
        return self.random[0].factors[0]

    @property
    def factors(self) -> list[str]:
        """Every factor once."""
        return sorted({f for t in self.random for f in t.factors})

    @property
    def columns(self) -> list[str]:
        """Every numeric column once."""
        return list(dict.fromkeys([*self.fixed, *(t.covariate for t in self.random if t.covariate != "1")]))


def terms(*names: str) -> tuple[Term, ...]:
    """Random terms as they are written: ``batch``, ``batch:cask``, ``days|subject``."""
    out = []
    for name in names:
        covariate, _, factors = name.rpartition("|")
        out.append(Term(tuple(factors.split(":")), covariate or "1"))
    return tuple(out)


HELD = {
    "dyestuff": Case(lambda: one_way(DYESTUFF), terms("batch")),
    "dyestuff2": Case(lambda: one_way(DYESTUFF2), terms("batch")),
    "penicillin": Case(penicillin, terms("plate", "sample")),
    "pastes": Case(pastes, terms("batch", "batch:cask")),
    "cake": Case(cake, terms("replicate", "replicate:recipe"), ("temperature",)),
    "sleep": Case(sleep, terms("subject", "days|subject"), ("days",)),
    "rats": Case(rats, terms("rat", "age|rat"), ("age",)),
}
"""Sets written out in full in ``tests/published/mixed_model_data.py``, with their sources."""

Law = tuple[np.ndarray, np.ndarray]
"""Quantiles at `LEVELS` of each row's law (m, points), and half widths or ends of its intervals (m, 3, 2)."""


def held_out(case: Case, frame: pd.DataFrame, seed: int = 1) -> Iterator[tuple[str, np.ndarray]]:
    """(known or unseen, which rows are foretold) fold by fold."""
    rng = np.random.default_rng(seed)
    fold = rng.permutation(len(frame)) % FOLDS
    yield from (("known", fold == k) for k in range(FOLDS))
    groups = np.sort(frame[case.group].unique())
    if len(groups) >= FEWEST_GROUPS:
        part = rng.permutation(len(groups)) % min(len(groups), 2 * FOLDS)
        of = dict(zip(groups, part, strict=True))
        mine = frame[case.group].map(of).to_numpy()
        yield from (("unseen", mine == k) for k in range(part.max() + 1))


@dataclass(frozen=True, eq=False)
class Fold:
    """Rows to learn from and rows to foretell."""

    case: Case
    taught: pd.DataFrame
    asked: pd.DataFrame

    @cached_property
    def gram(self) -> tuple[Gram, np.ndarray]:
        """Sums of the taught rows and the shifts of their columns."""
        return gram_of_frame(self.taught, "y", random=self.case.random, fixed=self.case.fixed)

    @cached_property
    def rows(self) -> tuple[np.ndarray, np.ndarray]:
        """Design of the asked rows (m, q + p), and the squares by which terms without a level scatter."""
        gram, shifts = self.gram
        m = len(self.asked)
        levels = {f: self.asked[f].to_numpy(dtype=object) for f in self.case.factors}
        found = gram.design.columns_of(levels, m)
        x, missing = np.zeros((m, gram.design.q + len(self.case.fixed) + 1)), np.zeros((m, len(found)))
        for t, (term, place) in enumerate(zip(self.case.random, found, strict=True)):
            by = np.ones(m) if term.covariate == "1" else self.asked[term.covariate].to_numpy(dtype=float)
            seen = np.flatnonzero(place >= 0)
            x[seen, place[seen]] = by[seen]
            missing[place < 0, t] = by[place < 0] ** 2
        x[:, gram.design.q] = 1.0
        for j, name in enumerate(self.case.fixed, start=1):
            x[:, gram.design.q + j] = self.asked[name].to_numpy(dtype=float) - shifts[j]
        return x, missing


def moments(fold: Fold, sds: np.ndarray, sigma: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of each asked row (r, m), for draws of the sds (r, terms) and sigma (r,)."""
    gram, shifts = fold.gram
    x, missing = fold.rows
    mean, cov = coefficient_posterior(gram, sds, sigma)
    var = np.einsum("mi,rij,mj->rm", x, cov, x, optimize=True) + sigma[:, None] ** 2 + sds**2 @ missing.T
    return mean @ x.T + shifts[-1], np.sqrt(var)


def ours(fold: Fold) -> np.ndarray:
    """The engine's posterior predictive law: a mixture of normals over the draws of the sds."""
    posterior = fit_bayes(fold.gram[0])
    middle, sd = moments(fold, posterior.sds, posterior.sigma)
    z = stats.norm.ppf((np.arange(64) + 0.5) / 64)
    drawn = middle[..., None] + sd[..., None] * z
    return np.quantile(np.moveaxis(drawn, 1, 0).reshape(len(fold.asked), -1), LEVELS, axis=1).T


def plug_in(fold: Fold) -> np.ndarray:
    """The model at its REML estimates."""
    reml = fit_reml(fold.gram[0])
    middle, sd = moments(fold, reml.sds[None, :], np.array([reml.sigma]))
    return middle.T + sd.T * stats.norm.ppf(LEVELS)


def no_pooling(fold: Fold) -> np.ndarray:
    """Least squares with an effect for every level that is known."""
    case = fold.case
    random = [t for t in case.random if known(fold, t)]
    taught, asked = (dummies(frame, fold.taught, random, case.columns) for frame in (fold.taught, fold.asked))
    y = fold.taught["y"].to_numpy(dtype=float)
    back = np.linalg.pinv(taught)
    free = max(len(y) - np.linalg.matrix_rank(taught), 1)
    coef = back @ y
    s2 = ((y - taught @ coef) ** 2).sum() / free
    sd = np.sqrt(s2 * (1.0 + ((asked @ back) ** 2).sum(axis=1)))
    return (asked @ coef)[:, None] + sd[:, None] * stats.t.ppf(LEVELS, free)


def known(fold: Fold, term: Term) -> bool:
    """Whether all asked rows' levels were taught."""
    keys = [
        frame[list(term.factors)].astype(str).agg("|".join, axis=1) for frame in (fold.asked, fold.taught)
    ]
    return bool(keys[0].isin(set(keys[1])).all())


def dummies(frame: pd.DataFrame, taught: pd.DataFrame, random: list[Term], columns: list[str]) -> np.ndarray:
    """Design with a column for every level that was taught."""
    parts = [np.ones((len(frame), 1)), frame[columns].to_numpy(dtype=float)]
    for term in random:
        label, seen = (d[list(term.factors)].astype(str).agg("|".join, axis=1) for d in (frame, taught))
        by = 1.0 if term.covariate == "1" else frame[term.covariate].to_numpy(dtype=float)[:, None]
        parts.append((label.to_numpy()[:, None] == np.unique(seen)) * by)
    return np.hstack(parts)


def boosting(fold: Fold) -> np.ndarray:
    """Gradient boosting; its law is the prediction and residuals of rows that it had not seen, mirrored."""
    case, taught = fold.case, fold.taught.reset_index(drop=True)
    names = [*case.factors, *case.columns]
    x, ask = taught[names].copy(), fold.asked[names].copy()
    for f in case.factors:
        kinds = np.unique(taught[f])
        x[f], ask[f] = (pd.Categorical.from_codes(pd.Index(kinds).get_indexer(d[f]), kinds) for d in (x, ask))
    y = taught["y"].to_numpy(dtype=float)
    unseen = not fold.asked[case.group].isin(taught[case.group]).any()
    unit = pd.factorize(taught[case.group])[0] if unseen else np.arange(len(taught))
    part = np.random.default_rng(2).permutation(unit.max() + 1)[unit] % FOLDS
    away = np.empty(len(y))
    for k in np.unique(part):
        out = part == k
        away[out] = y[out] - boosted(x[~out], y[~out]).predict(x[out])
    middle = boosted(x, y).predict(ask)
    # Conformal: the ceil((n + 1) share) smallest of the n absolute residuals bounds a central interval.
    size, n = np.sort(np.abs(away)), len(away)
    place = np.minimum(np.ceil((n + 1) * np.abs(2.0 * LEVELS - 1.0)).astype(int), n) - 1
    return middle[:, None] + np.sign(LEVELS - 0.5) * size[np.maximum(place, 0)]


def boosted(x: pd.DataFrame, y: np.ndarray) -> HistGradientBoostingRegressor:
    """A fit with leaves small enough for small sets."""
    return HistGradientBoostingRegressor(
        min_samples_leaf=5, categorical_features="from_dtype", early_stopping=False, random_state=0
    ).fit(x, y)


WAYS = {"ours": ours, "plug-in": plug_in, "no pooling": no_pooling, "boosting": boosting}


def crps(quantiles: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Of each row's law, from its quantiles in ascending order."""
    weight = 2.0 * np.arange(1, POINTS + 1) - POINTS - 1.0
    return np.abs(quantiles - y[:, None]).mean(axis=1) - (quantiles * weight).sum(axis=1) / POINTS**2


def inside(quantiles: np.ndarray, y: np.ndarray, share: float) -> np.ndarray:
    """Which outcomes lie in the central interval of a share."""
    low, high = ((1.0 + sign * share) / 2.0 for sign in (-1.0, 1.0))
    ends = [np.array([np.interp(p, LEVELS, q) for q in quantiles]) for p in (low, high)]
    return (y >= ends[0]) & (y <= ends[1])


def compare(case: Case, ways: dict[str, Callable[[Fold], np.ndarray]] | None = None) -> pd.DataFrame:
    """Mean CRPS and coverage: a row for groups known and unseen and every way."""
    frame = case.frame().reset_index(drop=True)
    for f in case.factors:
        frame[f] = frame[f].astype(str).astype(object)
    parts = []
    for target, out in held_out(case, frame):
        fold = Fold(case, frame[~out].reset_index(drop=True), frame[out].reset_index(drop=True))
        y = fold.asked["y"].to_numpy(dtype=float)
        for way, of in (ways or WAYS).items():
            q = of(fold)
            row = {"target": target, "way": way, "crps": crps(q, y)}
            parts.append(pd.DataFrame(row | {f"{s:.0%}": inside(q, y, s) for s in SHARES}))
    return pd.concat(parts).groupby(["target", "way"], sort=False).mean()
