"""What is known of the fleet's families besides their readings: catalogue figures, make-up, how often."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.house_model.chain import FACTORS, NOT_TOLD, Labels
from fleet.house_model.priors import SOFTER_THAN_TOLD
from fleet.statistics.bayes import Posterior, fit_bayes, half_t_prior
from fleet.statistics.gram import Cells, Design, Floats, Term, build_gram

Found = TypeVar("Found")
Moments = tuple[Floats, Floats, Floats]
SPECIFICATIONS = ("compliance_um_per_mn", "cantilever_length_mm", "vtf_mn")
SPEC_FACTORS = ("profile", "cantilever", "generator", "source")
TYPICAL = {"compliance_um_per_mn": (2.65, 0.5), "cantilever_length_mm": (1.70, 0.18), "vtf_mn": (2.89, 0.12)}
"""Mean and sd of the logs of a family's figures before any family is known: compliance about 14 µm/mN, length
5.5 mm, force 18 mN (common practice, no source)."""

SPEC_DRAWS = 64
SPEC_SWEEPS = 256
"""Should the slice sampler have to take over: a guess at a catalogue figure needs no long chain."""


@dataclass(frozen=True)
class SpecLink:
    """Log of a catalogue figure over families, given make-up."""

    posterior: Posterior | None
    cells: Cells | None
    shift: float
    name: str

    @cached_property
    def centre(self) -> tuple[Floats, Floats, Floats, float]:
        """Mean and covariance of the coefficients, variances of the terms, and of a family about them."""
        if self.posterior is None:
            raise ValueError("too few families: there is no posterior")
        mean, cov = self.posterior.coefficients()
        spread = (self.posterior.sds**2).mean(axis=0)
        return mean.mean(axis=0), cov.mean(axis=0), spread, float((self.posterior.sigma**2).mean())

    def predict(self, levels: pd.DataFrame) -> tuple[Floats, Floats]:
        """Mean and sd of the log figure of a family with this make-up; levels: columns `SPEC_FACTORS`."""
        m = len(levels)
        if self.posterior is None:
            mean, sd = TYPICAL[self.name]
            return np.full(m, mean), np.full(m, sd)
        centre, covariance, between, within = self.centre
        design = self.posterior.gram.design
        columns = {f: levels[f].astype(str).to_numpy(dtype=object) for f in SPEC_FACTORS}
        found = design.columns_of(columns, m)
        idx = np.vstack([found, np.full((1, m), design.q)])
        seen = idx >= 0
        safe = np.where(seen, idx, 0)
        mean = np.where(seen, centre[safe], 0.0).sum(axis=0)
        pair = covariance[safe[:, None, :], safe[None, :, :]] * (seen[:, None, :] & seen[None, :, :])
        var = pair.sum(axis=(0, 1)) + within
        var = var + (~seen[:-1] * between[:, None]).sum(axis=0)
        return mean + self.shift, np.sqrt(var)


@dataclass(frozen=True)
class FleetFacts:
    """Families, their combinations of factors, and the links for missing catalogue figures.

    Attributes
    ----------
    combos : one row per combination of factors that occurs: `FACTORS` and ``n`` (units)
    families : indexed by family: ``compliance_um_per_mn``, ``cantilever_length_mm``, ``vtf_mn``,
        ``vta_static_deg``, ``tilt_room_deg`` (medians, NaN where never told), ``newest`` (month of the
        newest sheet; models of earlier versions lack it), `SPEC_FACTORS`, ``frequency``, ``n``
    specs : a `SpecLink` per specification
    """

    combos: pd.DataFrame
    families: pd.DataFrame
    specs: Mapping[str, SpecLink]

    def softness(self, frequency: pd.Series[str]) -> Floats:
        """How soft rubber is over a figure told at a frequency never seen, against those that the fleet has.

        Parameters
        ----------
        frequency : labels; one that the fleet has seen gives 1, since the sag link knows it
        """
        n = self.combos["n"].to_numpy(dtype=float)
        known = self.combos["frequency"].map(SOFTER_THAN_TOLD).astype(float)
        n, known = n[known.notna()], known.dropna()
        usual = float(known.to_numpy() @ n / n.sum()) if len(known) else 1.0
        told = frequency.map(SOFTER_THAN_TOLD).astype(float).fillna(usual).to_numpy() / usual
        return np.where(frequency.isin(set(self.combos["frequency"])), 1.0, told)

    def usual_force_mn(self, family: pd.Series[str]) -> Floats:
        """Force at which each family's angles are known [mN]; NaN where no sheet of it tells one."""
        own = self.families["vtf_mn"].astype(float).drop(NOT_TOLD, errors="ignore")
        return np.asarray(own.reindex(family), dtype=float)

    def tracking_unread(self, family: pd.Series[str]) -> NDArray[np.bool_]:
        """Whether sag was learnt at `TYPICAL_VTA_DEG`: nobody read this family's tracking angle, or any's."""
        read = self.families["vta_static_deg"].astype(float).notna()
        return np.asarray(family.isin(read.index[~read]) | (len(read) > 0 and not read.any()))

    def fill(self, others: pd.DataFrame | None = None) -> pd.DataFrame:
        """What stands in for a missing figure, one row a family (see `fleet.house_model.chain.responses`).

        Parameters
        ----------
        others : make-up (`SPEC_FACTORS`) of families that the fleet may not know, indexed by family
        """
        f = self.families
        if others is not None:
            new = others[~others.index.isin(f.index) & ~others.index.duplicated()]
            f = pd.concat([f, new.reindex(columns=f.columns)]) if len(new) else f
        out = pd.DataFrame(index=f.index)
        for short, name in (("c", SPECIFICATIONS[0]), ("l", SPECIFICATIONS[1]), ("n", SPECIFICATIONS[2])):
            own = f[name].astype(float)
            mean, _ = self.specs[name].predict(f)
            out[f"{short}_fill"] = own.fillna(pd.Series(np.exp(mean), index=f.index))
            if short != "n":
                out[f"{short}_sure"] = own.notna()
        out["t_fill"] = f["vta_static_deg"].astype(float)
        out["newest"] = self.families["newest"].max() if "newest" in self.families else np.nan
        return out


@dataclass(frozen=True, eq=False)
class Kinds:
    """Which combination of levels each of m sheets has; what hangs on these alone is looked up once.

    Attributes
    ----------
    labels : per factor (m,) levels, see `labels_of`
    code : (m,) number of each sheet's combination
    levels : per factor the level of each combination
    fill : what stands in for figures not told; of a family that the fleet doesn't know by its first sheet
    known : what was looked up
    """

    labels: Labels
    code: NDArray[np.int64]
    levels: Mapping[str, NDArray[np.object_]]
    fill: pd.DataFrame
    known: dict[Hashable, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, facts: FleetFacts, labels: Labels) -> Kinds:
        """Of sheets with these levels."""
        code = np.zeros(len(labels[FACTORS[0]]), dtype=np.int64)
        for x in (labels[f] for f in FACTORS):
            code = pd.factorize(code * len(x.categories) + x.codes)[0]
        first, new = (np.unique(x, return_index=True)[1] for x in (code, labels["family"].codes))
        levels = {f: labels[f][first].astype(str).to_numpy(dtype=object) for f in FACTORS}
        others = pd.DataFrame({f: labels[f][new] for f in (*SPEC_FACTORS, "family")})
        return cls(labels, code, levels, facts.fill(others.astype("str").set_index("family")))

    @property
    def size(self) -> int:
        """Number of combinations."""
        return len(self.levels[FACTORS[0]])

    def take(self, rows: NDArray[np.int64]) -> Kinds:
        """Those of some of the sheets."""
        return replace(self, labels={f: x[rows] for f, x in self.labels.items()}, code=self.code[rows])

    def once(self, name: Hashable, look_up: Callable[[], Found]) -> Found:
        """What was looked up under a name, now or before."""
        if name not in self.known:
            self.known[name] = look_up()
        found: Found = self.known[name]
        return found

    def seen(self, facts: FleetFacts) -> dict[str, NDArray[np.bool_]]:
        """Per factor (m,) whether the fleet knows the level."""

        def look_up() -> dict[str, NDArray[np.bool_]]:
            known = {f: set(facts.combos[f].astype(str)) for f in FACTORS}
            return {f: np.array([x in known[f] for x in self.levels[f]], dtype=bool) for f in FACTORS}

        return {f: there[self.code] for f, there in self.once("seen", look_up).items()}

    def quadratic(
        self, name: str, design: Design, columns: tuple[str, ...], moments: Moments, observed: pd.DataFrame
    ) -> tuple[Floats, Floats]:
        """Each sheet's row x of a design: x'mean, and x'cov x with the spread of levels never seen.

        Parameters
        ----------
        name : of these moments
        design, columns : what the coefficients are of; which ones are a column's slopes
        moments : mean and covariance of the coefficients, variances of the terms
        observed : the columns of the sheets
        """
        level, quad = self.once(("centre", name), lambda: self._products(design, columns, moments))
        code, values = self.code, [np.nan_to_num(observed[c].to_numpy(dtype=float)) for c in columns]
        expectation, variance = level[0][code], quad[0, 0][code]
        for a, by in enumerate(values, start=1):
            expectation += by * level[a][code]
            slope = quad[0, a][code]
            for b, also in enumerate(values[:a], start=1):
                slope += also * quad[b, a][code]
            variance += by * slope
        return expectation, variance

    def _products(self, design: Design, columns: tuple[str, ...], moments: Moments) -> tuple[Floats, Floats]:
        """Per combination: coefficients of 1 and the columns, and those of their products in the variance."""
        mean, cov, between = moments
        found = design.columns_of(self.levels, self.size)
        place = {c: i for i, c in enumerate(["1", *columns])}
        level, quad = np.zeros((len(place), self.size)), np.zeros((len(place), len(place), self.size))
        groups = [(place[t.covariate], i) for t, i in zip(design.terms, found, strict=True)]
        groups += [(place[c], np.full(self.size, design.q + j)) for j, c in enumerate(design.fixed)]
        for t, (ka, ia) in enumerate(groups):
            safe_a, on_a = np.maximum(ia, 0), ia >= 0
            level[ka] += np.where(on_a, mean[safe_a], 0.0)
            if t < len(design.terms):
                quad[ka, ka] += np.where(on_a, 0.0, between[t])
            for kb, ib in groups:
                safe_b, on_b = np.maximum(ib, 0), ib >= 0
                quad[min(ka, kb), max(ka, kb)] += np.where(on_a & on_b, cov[safe_a, safe_b], 0.0)
        return level, quad


def learn_facts(combos: pd.DataFrame, families: pd.DataFrame) -> FleetFacts:
    """Fit the specification links over families and keep the tables.

    Parameters
    ----------
    combos : see `FleetFacts`
    families : columns family, `SPECIFICATIONS`, vta_static_deg, tilt_room_deg, newest, n
    """
    combos = combos.copy()
    for f in FACTORS:
        combos[f] = combos[f].astype(str)
    order = combos.sort_values(["family", "n", *FACTORS], ascending=[True, False, *[True] * len(FACTORS)])
    main = order.drop_duplicates("family").set_index("family")
    table = families.assign(family=families["family"].astype(str)).set_index("family")
    table = table.join(main[[*SPEC_FACTORS, "frequency"]])
    specs = {name: _spec_link(table, name) for name in SPECIFICATIONS}
    return FleetFacts(combos.reset_index(drop=True), table, specs)


def _spec_link(table: pd.DataFrame, name: str) -> SpecLink:
    known = table[table[name].notna() & (table.index != NOT_TOLD)]
    if len(known) < 6:
        return SpecLink(None, None, 0.0, name)
    frame = known[list(SPEC_FACTORS)].assign(y=np.log(known[name].astype(float)))
    spread = max(float(frame["y"].std()), 0.02)
    frame["y"] += 1e-3 * spread * np.linspace(-1.0, 1.0, len(frame))
    cells, shifts = Cells.from_frame(frame, "y", factors=SPEC_FACTORS)
    gram = build_gram(cells, [Term((f,)) for f in SPEC_FACTORS])
    posterior = fit_bayes(
        gram, prior=half_t_prior(0.5 * spread), draws=512, kept=SPEC_DRAWS, sweeps=SPEC_SWEEPS
    )
    return SpecLink(posterior, cells, float(shifts[-1]), name)
