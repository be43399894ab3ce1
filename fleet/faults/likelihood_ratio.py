"""One score per sheet: the likelihood ratio averaged over the fault signatures, and its null.

The score of a sound unit is simulated through the same score, sheet by sheet with its own expectation,
covariance and tails, separately for every pattern of missing readings; a p-value is the share of that null at
or above the sheet's score.  How heavy the tails of sound units are is learnt from the middle of the fleet
(`fleet.estimation.tails`); faulty units are taken to scatter normally about what the fault makes of them.

Beyond the largest simulated score a bound takes over that needs no simulation: the mean likelihood ratio of
sound units is 1, so by Markov's inequality at most a share 1/x of them has a ratio of x or more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.estimation.tails import MOST_ROWS, SMALLEST_P, Shape, Tails, learn_tails, shape_of, spread_out
from fleet.faults.signatures import FAULTS, MECHANICAL, Rough, Signature, Whitened, log_average, signatures
from fleet.house_model.chain import JUDGED
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import Brief, Residuals
from fleet.house_model.variance_function import cholesky_factors
from fleet.statistics.solves import forward, in_threads

Floats = NDArray[np.float64]
CHUNK: Final = 16_000
"""Sheets scored at once: few enough that a figure of each stays in the processor's cache."""
BLOCK: Final = 32_000  # sheets whose residuals are held at once; changes no figure
SLACK: Final = 0.3
"""By which a rough score may be below the limit; if one in a thousand is more too low, all are scored."""
FIRST: Final = 0.84  # share of sheets, by rough score, that are not scored before the limit is known
FEWEST: Final = 100  # sheets of a pattern of readings that a rough score is set up from
NULL_SHEETS: Final = 400
NULL_DRAWS: Final = 250
NULL_BATCH: Final = 20
PRIOR: Final[Mapping[str, float]] = {**dict.fromkeys(MECHANICAL, 0.0055), "misread": 0.01, "other": 0.002}
"""Share of units with each fault before anything is read: about one unit in twenty is faulty and one sheet in
a hundred carries a slip (common practice, no source)."""
SUREST: Final = (1e-9, 1.0 - 1e-9)
"""No chance from readings is nearer to 0 or 1 than this; a double that underflows would be a certainty."""


@dataclass(frozen=True)
class FaultPrior:
    """Shares of units with each fault; the rest is sound."""

    shares: Mapping[str, float] = field(default_factory=lambda: dict(PRIOR))

    @property
    def healthy(self) -> float:
        """Share of sound units."""
        return 1.0 - sum(self.shares.values())

    @property
    def weights(self) -> Floats:
        """(11,) share of each fault among the faulty, in the order of `FAULTS`."""
        w = np.array([self.shares.get(f, 0.0) for f in FAULTS])
        return np.asarray(w / w.sum())


@dataclass(frozen=True)
class Scores:
    """Scores of m sheets, and what speaks for each fault.

    Attributes
    ----------
    score : (m,) log likelihood ratio, averaged over the signatures; nan where nothing was read
    p_value : (m,) share of sound sheets that score as high
    farthest : (m,) the largest residual over its own sd
    healthy : (m,) posterior probability of a sound unit
    faults : (m, 11) posterior probability of each fault
    best_slip : (m,) index into ``items`` of the slip that explains most, -1 where there is none
    tails : that sound units were taken to scatter with, where their spread is known
    items : the signatures
    """

    score: Floats
    p_value: Floats
    farthest: Floats
    healthy: Floats
    faults: Floats
    best_slip: NDArray[np.int64]
    tails: Tails
    items: tuple[Signature, ...]

    def take(self, rows: NDArray[np.int64]) -> Scores:
        """The same of some of the sheets."""
        own = ("score", "p_value", "farthest", "healthy", "faults", "best_slip")
        return replace(self, **{name: getattr(self, name)[rows] for name in own})


def score_sheets(
    house: House,
    resid: Residuals,
    *,
    prior: FaultPrior | None = None,
    bulk: NDArray[np.bool_] | None = None,
    seed: int = 7,
    null_draws: int = NULL_DRAWS,
    tail: float | None = None,
) -> Scores:
    """Score sheets and give each its p-value and fault probabilities.

    Parameters
    ----------
    house : House
    resid : their residuals
    prior : shares of faults
    bulk : (m,) which sheets the tails are learnt from (one a unit); default all
    seed : of the simulated null
    null_draws : sound sheets simulated per sampled sheet
    tail : 1/(degrees of freedom) of sound units, None learns it from the bulk, 0 is normal
    """
    m = len(resid.value)
    taught = np.arange(m) if bulk is None else np.flatnonzero(bulk)
    ranks = rank_blocks(
        house, resid.take, m, prior=prior, bulk=taught, seed=seed, draws=null_draws, tail=tail
    )
    return ranks.weigh(np.arange(m))


@dataclass(frozen=True, eq=False)
class Ranks:
    """How suspect each of m sheets is; what speaks for which fault is asked for some of them.

    Attributes
    ----------
    p_value : as in `Scores`; 1 where it is more than was asked for
    p_faulty, w_faulty : (k,) p-values of simulated faulty sheets, and their weights
    case : what all were scored by
    residuals_of : gives the residuals of sheets with these numbers (k,)
    block : sheets whose residuals are held at once
    """

    p_value: Floats
    p_faulty: Floats
    w_faulty: Floats
    case: _Case
    residuals_of: Callable[[NDArray[np.int64]], Residuals]
    block: int

    @property
    def tails(self) -> Tails:
        """That sound units were taken to scatter with."""
        return self.case.tails

    def weigh(self, rows: NDArray[np.int64]) -> Scores:
        """Chances of a sound unit and of each fault, of the sheets with these numbers."""
        case, m = self.case, len(rows)
        out = Scores(
            np.full(m, np.nan), self.p_value[rows], np.zeros(m), np.full(m, case.prior.healthy),
            np.tile(_shares(case.prior), (m, 1)), np.full(m, -1), case.tails,
            tuple(signatures(np.zeros((1, len(JUDGED))), case.cant_share)),
        )  # fmt: skip
        for start in range(0, m, self.block):
            resid = self.residuals_of(rows[start : start + self.block])
            out.farthest[start : start + self.block] = resid.farthest
            in_threads(partial(case.weigh, out, resid, start), _parts(resid.pattern))
        return out


def rank_blocks(
    house: House,
    residuals_of: Callable[[NDArray[np.int64]], Residuals],
    m: int,
    *,
    bulk: NDArray[np.int64],
    prior: FaultPrior | None = None,
    seed: int = 7,
    draws: int = NULL_DRAWS,
    tail: float | None = None,
    block: int = BLOCK,
    told: float = 1.0,
    briefly: Callable[[NDArray[np.int64]], Residuals | Brief] | None = None,
) -> Ranks:
    """Rank m sheets whose residuals are asked for by their numbers (k,), a block at a time.

    Where only p-values up to ``told`` are asked for, sheets that a rough score, of what ``briefly`` gives,
    puts far below are left at 1.
    """
    prior, screens = prior or FaultPrior(), {}
    if tail is None:
        known = residuals_of(spread_out(bulk, MOST_ROWS))
        case = _Case(house.cant_share, prior, learn_tails(known))
        screens = case.screens(known) if briefly and told < 1.0 else {}
    else:
        case = _Case(house.cant_share, prior, (np.full(len(JUDGED), tail), np.zeros(len(JUDGED))))
    score, rough = np.full(m, np.nan), np.full(m, np.inf, dtype=np.float32)
    p_value, code = np.ones(m), np.empty(m, dtype=np.uint8)

    def fill(rows: NDArray[np.int64], screens: Mapping[int, Rough]) -> None:
        for part in (rows[start : start + block] for start in range(0, len(rows), block)):
            resid = briefly(part) if briefly and screens else residuals_of(part)
            code[part] = resid.pattern
            in_threads(partial(case.score, score, rough, resid, part, screens), _parts(resid.pattern))

    fill(np.arange(m), screens)
    rng = np.random.default_rng(seed)
    p_faulty, w_faulty = [np.empty(0)], [np.empty(0)]
    for pattern in np.unique(code[code > 0]):
        rows = np.flatnonzero(code == pattern)
        many = len(rows) > NULL_SHEETS
        some = np.sort(rng.choice(rows, NULL_SHEETS, replace=False)) if many else np.resize(rows, NULL_SHEETS)
        sample = case.sample(residuals_of(some))
        null = sample.null(rng, draws)
        scores, weight = sample.faulty(rng)
        p_faulty.append(_share_beyond(null, scores))
        w_faulty.append(weight * len(rows) / m)
        limit = min(null[int((1.0 - told) * (len(null) - 1))], -np.log(told))
        fill(some, {})
        below = rows[(rough[rows] < limit) & ~np.isnan(score[rows])]
        wrong = np.count_nonzero(score[below] - rough[below] > SLACK) > 1e-3 * len(below)
        fill(rows[np.isnan(score[rows]) & (wrong | (rough[rows] >= limit - SLACK))], {})
        rows = rows[~np.isnan(score[rows])]
        beyond = np.maximum(np.exp(-score[rows]), SMALLEST_P)
        p_value[rows] = np.minimum(_share_beyond(null, score[rows]), beyond)
    whole = np.concatenate(p_faulty), np.concatenate(w_faulty)
    return Ranks(p_value, *whole, case, residuals_of, block)


def reading_p_values(resid: Residuals, tails: Tails) -> Floats:
    """(m, 8) p-value of each residual given those before it; nan where not read."""
    out = np.full(resid.value.shape, np.nan)
    for rows in _parts(resid.pattern):
        links = np.flatnonzero(~np.isnan(resid.value[rows[0]]))
        part = np.ix_(rows, links)
        white = forward(_factor(resid, rows, links), resid.value[part])
        out[part] = _law(tails, resid, rows, links).p_value(white)
    return out


def _parts(pattern: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Places of sheets that share a pattern of readings, `CHUNK` at most; those without any are left out."""
    each = [np.flatnonzero(pattern == code) for code in np.unique(pattern[pattern > 0])]
    return [rows[start : start + CHUNK] for rows in each for start in range(0, len(rows), CHUNK)]


def _factor(resid: Residuals, rows: NDArray[np.int64], links: NDArray[np.int64]) -> Floats:
    """Cholesky factors of the covariances of what was read."""
    whole = np.moveaxis(resid.covariance, 0, -1)
    part = np.empty((len(links), len(links), len(rows)))
    for i, one in enumerate(links):
        for j, other in enumerate(links[: i + 1]):
            part[i, j] = part[j, i] = whole[one, other].take(rows)
    return cholesky_factors(np.moveaxis(part, -1, 0))


def _law(tails: Tails, resid: Residuals, rows: NDArray[np.int64], links: NDArray[np.int64]) -> Shape:
    """How sound units' whitened residuals scatter."""
    tail, skew = tails
    part = np.ix_(rows, links)
    return shape_of((tail[links], skew[links]), resid.share[part], resid.doubt[part])


def _shares(prior: FaultPrior) -> Floats:
    return np.array([prior.shares.get(f, 0.0) for f in FAULTS])


@dataclass(frozen=True, eq=False)
class _Sample:
    """Sheets of one pattern of readings whose sound and faulty like are simulated."""

    white_of: Whitened
    law: Shape
    expected: Floats
    prior: FaultPrior

    def null(self, rng: np.random.Generator, draws: int) -> Floats:
        """Sorted scores of sound sheets."""
        sizes = [min(NULL_BATCH, draws - done) for done in range(0, draws, NULL_BATCH)]
        batches = [self.law.draw(rng, k) for k in sizes]
        return np.sort(np.concatenate(in_threads(self._scores, batches)))

    def faulty(self, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Scores of each sheet with each fault that its readings can show, and shares that sum to 1."""
        white_of, scores, weight = self.white_of, [], []
        total = {f: sum(i.weight for i in white_of.items if i.fault == f) for f in FAULTS}
        shares = dict(zip(FAULTS, self.prior.weights, strict=True))
        for item in white_of.items:
            white = self.law.draw(rng, 1)
            move = np.broadcast_to(item.vector, (len(self.expected), len(JUDGED)))[:, white_of.read]
            size = item.draw(rng, self._readings(white))
            scores.append(self._scores(white + size[..., None] * forward(white_of.factor, move)))
            weight.append(shares[item.fault] * item.weight / total[item.fault])
        each = np.repeat(weight, len(self.expected))
        return np.concatenate(scores), each / max(each.sum(), SMALLEST_P)

    def _readings(self, white: Floats) -> Floats:
        readings = np.full((*white.shape[:-1], len(JUDGED)), np.nan)
        value = np.einsum("mij,kmj->kmi", self.white_of.factor, white)
        readings[..., self.white_of.read] = self.expected + value
        return readings

    def _scores(self, white: Floats) -> Floats:
        faults, _ = self.white_of.ratios(white, self._readings(white), self.law.heavier(white))
        return _combine(faults, self.prior).ravel()


@dataclass(frozen=True, eq=False)
class _Case:
    """What all sheets of one call are scored by."""

    cant_share: float
    prior: FaultPrior
    tails: Tails

    def whiten(self, resid: Residuals, rows: NDArray[np.int64], links: NDArray[np.int64]) -> Whitened:
        """The signatures of some sheets against their covariances."""
        directions = signatures(resid.expected[rows], self.cant_share)
        return Whitened.of(directions, links, _factor(resid, rows, links))

    def sample(self, resid: Residuals) -> _Sample:
        """Sheets with one pattern of readings, to simulate others by."""
        rows, links = np.arange(len(resid.value)), np.flatnonzero(~np.isnan(resid.value[0]))
        law = _law(self.tails, resid, rows, links)
        return _Sample(self.whiten(resid, rows, links), law, resid.expected[:, links], self.prior)

    def ratios(self, resid: Residuals, places: NDArray[np.int64]) -> tuple[Floats, Floats, Whitened]:
        """Log likelihood ratios of sheets that share a pattern of readings (see `Whitened.ratios`)."""
        links = np.flatnonzero(~np.isnan(resid.value[places[0]]))
        white_of = self.whiten(resid, places, links)
        white = forward(white_of.factor, resid.value[np.ix_(places, links)])
        law = _law(self.tails, resid, places, links)
        readings = resid.expected[places] + resid.value[places]
        return *white_of.ratios(white, readings, law.heavier(white)), white_of

    def screens(self, resid: Residuals) -> dict[int, Rough]:
        """Rough scores by pattern of readings, from some of the sheets; none where these are too few."""
        out = {}
        for rows in _parts(resid.pattern):
            if len(rows) >= FEWEST:
                links = np.flatnonzero(~np.isnan(resid.value[rows[0]]))
                cov = resid.covariance[rows[:, None, None], links[:, None], links]
                law = _law(self.tails, resid, rows[:NULL_SHEETS], links)
                shares = dict(zip(FAULTS, self.prior.weights.tolist(), strict=True))
                out[int(resid.pattern[rows[0]])] = Rough.of(
                    (shares, self.cant_share, links), cov, law.heavier
                )
        return out

    def score(
        self,
        out: Floats,
        roughly: NDArray[np.float32],
        resid: Residuals | Brief,
        numbers: NDArray[np.int64],
        screens: Mapping[int, Rough],
        places: NDArray[np.int64],
    ) -> None:
        """Fill in scores of sheets that share a pattern of readings; by a screen the highest ones' alone.

        Their ``places`` are those in ``resid``, which ``numbers`` says among all sheets.
        """
        if screen := screens.get(int(resid.pattern[places[0]])):
            part = np.ix_(places, screen.read)
            rough = screen.score(resid.value[part], np.sqrt(resid.variance[part]), resid.expected[places])
            if isinstance(resid, Brief):
                rough[resid.odd[part].any(axis=1)] = np.inf
            roughly[numbers[places]] = rough
            places = places[rough >= np.sort(rough)[int(FIRST * len(rough))]]
        some = resid.take(places)
        out[numbers[places]] = _combine(self.ratios(some, np.arange(len(places)))[0], self.prior)

    def weigh(self, out: Scores, resid: Residuals, start: int, places: NDArray[np.int64]) -> None:
        """Fill in their probabilities."""
        prior, rows = self.prior, start + places
        faults, each, white_of = self.ratios(resid, places)
        out.score[rows] = _combine(faults, prior)
        logs = np.log(_shares(prior))[:, None] + faults.T
        top = np.maximum(logs.max(axis=0), np.log(prior.healthy))
        weight = np.exp(logs - top)
        sound = prior.healthy * np.exp(-top)
        total = sound + weight.sum(axis=0)
        # Readings can rule a fault out only where it can't exist; beyond that nothing is a certainty.
        out.healthy[rows] = np.clip(sound / total, *SUREST)
        out.faults[rows] = np.where(np.isneginf(logs), 0.0, np.clip(weight / total, *SUREST)).T
        slips = [i for i, item in enumerate(white_of.items) if item.fault == "misread"]
        if slips:
            strength = each[slips] + np.log([white_of.items[i].weight for i in slips])[:, None]
            names = [white_of.number[i] for i in slips]
            out.best_slip[rows] = np.array(names)[strength.argmax(axis=0)]


def _share_beyond(null: Floats, score: Floats) -> Floats:
    """Share of the null at or above each score."""
    above = len(null) - np.searchsorted(null, score, side="left")
    return np.asarray((above + 1.0) / (len(null) + 1.0))


def _combine(faults: Floats, prior: FaultPrior) -> Floats:
    """Log likelihood ratio averaged over the faults by their prior weights."""
    by_fault = np.moveaxis(faults, -1, 0)
    possible = sum(w * ~np.isinf(terms) for w, terms in zip(prior.weights, by_fault, strict=True))
    return np.asarray(log_average(by_fault, prior.weights) - np.log(possible))
