"""The house model: the chain of links as fitted to one fleet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np

from fleet.house_model.chain import ANGLES, JUDGED, PAIR, PAIRED, RAKE, Link, noise_matrix
from fleet.house_model.family_facts import FleetFacts
from fleet.house_model.joint_angles import Alone, JointAngles
from fleet.house_model.variance_function import VarianceFunction
from fleet.statistics.bayes import Posterior
from fleet.statistics.gram import Cells, Floats, Gram

CUT_SIGMAS: Final = 3.5
FEW_LEVELS: Final = 2.0
"""So many levels of a factor tell half of how tracking and rake go together between them."""
LARGEST_CORRELATION: Final = 0.9
DEFAULT_CANT_SHARE: Final = 0.3


@dataclass(frozen=True)
class LinkFit:
    """One fitted link.

    Attributes
    ----------
    link : what is modelled
    cells : sums per cell, weighted
    spread : variance of the residuals
    posterior : draws of the standard deviations, coefficients in closed form
    rows, cut, cut_size : rows read, rows beyond the cut, median size of their residuals
    """

    link: Link
    cells: Cells
    spread: VarianceFunction
    posterior: Posterior
    rows: float
    cut: float
    cut_size: float

    @property
    def gram(self) -> Gram:
        """The weighted Gram matrix that was fitted."""
        return self.posterior.gram

    @cached_property
    def coefficients(self) -> tuple[Floats, Floats]:
        """Per kept draw the coefficients' mean (r, q+p) and covariance (r, q+p, q+p), response centred."""
        return self.posterior.coefficients()

    @cached_property
    def centre(self) -> tuple[Floats, Floats, Floats]:
        """Coefficients' mean (q+p,), covariance (q+p, q+p) and sds (terms,) averaged over the draws."""
        mean, cov = self.coefficients
        return mean.mean(axis=0), cov.mean(axis=0), np.sqrt((self.posterior.sds**2).mean(axis=0))

    @property
    def cut_share(self) -> float:
        """Share of rows beyond the cut."""
        return self.cut / self.rows if self.rows else 0.0


@dataclass(frozen=True, repr=False)
class House:
    """A fitted fleet: links, facts, reading noise and how residuals go together.

    Attributes
    ----------
    links : fitted links by name; a link with too little data is missing
    facts : families, combinations and their counts
    noise : standard deviation of one reading, per reading
    correlation : correlation of the residuals of the `JUDGED` links, in their order
    turn : (2, 2) rows that turn (tracking, built-in) into the pair's two combinations
    scale_s2 : mean squared sag scale of each scale class, what the weights in the sums were taken at
    faulty : per source (units, units beyond a cut in any judged link)
    revision : data revision of the store
    last_intake : number of the newest intake whose sheets taught; None if that is not known
    span : first day, and first day no longer, of the sheets that taught (ISO; empty sets no limit)
    notes : one sentence per link that could not be fitted
    alone : sums of sheets that read the tracking angle or the rake alone
    now : per reading its standard deviation of late over that on the whole; 1 where it isn't told
    """

    links: Mapping[str, LinkFit]
    facts: FleetFacts
    noise: Mapping[str, float]
    correlation: Floats
    turn: Floats
    scale_s2: Floats
    faulty: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    revision: int = 0
    last_intake: int | None = None
    span: tuple[str, str] = ("", "")
    notes: tuple[str, ...] = ()
    alone: tuple[Alone, ...] = ()
    now: Mapping[str, float] = field(default_factory=dict)

    @property
    def noise_now(self) -> dict[str, float]:
        """Standard deviation of a reading taken now, per reading."""
        return {reading: sd * self.now.get(reading, 1.0) for reading, sd in self.noise.items()}

    @cached_property
    def angles(self) -> JointAngles:
        """Tracking and built-in angle together, from every sheet that reads either."""
        one, two = (self.links[name] for name in PAIR)
        together = tuple(self._together(one, two)) if RAKE in self.links else ()
        posteriors = (one.posterior, two.posterior)
        return JointAngles((one.cells, two.cells), posteriors, self.turn, self.alone, together)

    def _together(self, one: LinkFit, two: LinkFit) -> Floats:
        """How far the two combinations' effects of one level go together, per term.

        Tracking and rake are fitted by themselves as well: the variance between levels of whichever the first
        combination is not is what the two and their covariance make of it.  A term of few levels says little.
        """
        other = PAIRED[0] if np.array_equal(self.turn[0], [1.0, 1.0]) else RAKE
        weights = np.linalg.solve(self.turn.T, [1.0, 0.0] if other == PAIRED[0] else [1.0, 1.0])
        var = [(f.posterior.sds**2).mean(axis=0) for f in (one, two, self.links[other])]
        cov = (var[2] - weights[0] ** 2 * var[0] - weights[1] ** 2 * var[1]) / (2.0 * weights[0] * weights[1])
        levels = np.array(one.gram.design.sizes, dtype=float)
        found = cov / np.sqrt(np.maximum(var[0] * var[1], 1e-12)) * levels / (levels + FEW_LEVELS)
        return np.asarray(np.clip(found, -LARGEST_CORRELATION, LARGEST_CORRELATION))

    def __repr__(self) -> str:
        return f"House: {self.units:.0f} units, {len(self.links)} links"

    @property
    def units(self) -> float:
        """Units that taught the model."""
        return float(self.facts.kinds["n"].sum())

    @cached_property
    def cant_share(self) -> float:
        """Part of a cant that the electrical azimuth follows, from sound units, reading noise taken out."""
        names = ("azimuth_seen", "azimuth_electrical")
        if not set(names) <= set(self.links):
            return DEFAULT_CANT_SHARE
        spreads = [self.links[n].spread for n in names]
        total = [float(spread.noise + spread.plain(np.ones(1))[0]) for spread in spreads]
        cov = float(self.correlation_of(names)[0, 1]) * float(np.sqrt(total[0] * total[1]))
        noise = self.noise["azimuth_optical_deg"] ** 2
        return float(np.clip(cov / max(total[0] - noise, 1e-3), 0.05, 0.6))

    def noise_covariance(self, names: tuple[str, ...] = ANGLES) -> Floats:
        """Covariance of the reading noise in the responses of ``names``."""
        return noise_matrix(names, dict(self.noise))

    def correlation_of(self, names: tuple[str, ...]) -> Floats:
        """Residual correlations among some of the judged links."""
        index = [JUDGED.index(n) for n in names]
        return np.asarray(self.correlation[np.ix_(index, index)])

    def readings(self, link: str, family: str | None = None) -> float:
        """Units whose reading of a link's quantity taught the model, of one family or of all.

        Every rake counts as one, with a tracking angle beside it or not.
        """
        fit = self.links.get(link) or (self.links.get("built_in") if link == RAKE else None)
        if fit is None:
            return 0.0
        mine = slice(None) if family is None else fit.cells.levels["family"] == family
        return float(fit.cells.counts[mine].sum())

    def share_faulty(self, source: str) -> float:
        """Share of units beyond a cut in any link, the source's own record pooled toward the fleet's."""
        units = sum(n for n, _ in self.faulty.values())
        bad = sum(b for _, b in self.faulty.values())
        fleet = (bad + 1.0) / (units + 20.0)
        own_units, own_bad = self.faulty.get(source, (0.0, 0.0))
        return (own_bad + 40.0 * fleet) / (own_units + 40.0)
