"""What is known of the fleet's families besides their readings: catalogue figures, make-up, how often."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.chain import FACTORS, NOT_TOLD, Labels
from fleet.house_model.priors import SOFTER_THAN_TOLD
from fleet.rows import (
    Columns,
    Floats,
    column_of,
    combinations,
    groups_in_order,
    height,
    numbers,
    plain,
    take_rows,
)
from fleet.statistics.bayes import Posterior, fit_bayes, half_t_prior
from fleet.statistics.gram import Cells, Design, Levels, Term, build_gram

if TYPE_CHECKING:
    import pandas as pd

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

    def predict(self, levels: Columns) -> tuple[Floats, Floats]:
        """Mean and sd of the log figure of a family with this make-up; levels: columns `SPEC_FACTORS`."""
        m = height(levels)
        if self.posterior is None:
            mean, sd = TYPICAL[self.name]
            return np.full(m, mean), np.full(m, sd)
        centre, covariance, between, within = self.centre
        design = self.posterior.gram.design
        found = design.columns_of(levels, m)
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
    kinds : one row per combination of factors that occurs: `FACTORS` and ``n`` (units)
    own : one row per ``family``: ``compliance_um_per_mn``, ``cantilever_length_mm``, ``vtf_mn``,
        ``vta_static_deg``, ``tilt_room_deg`` (medians, NaN where never told), ``newest`` (month of the
        newest sheet; models of earlier versions lack it), `SPEC_FACTORS`, ``frequency``, ``n``
    specs : a `SpecLink` per specification
    """

    kinds: Mapping[str, NDArray[Any]]
    own: Mapping[str, NDArray[Any]]
    specs: Mapping[str, SpecLink]

    @classmethod
    def of(cls, combos: pd.DataFrame, families: pd.DataFrame, specs: Mapping[str, SpecLink]) -> FleetFacts:
        """From frames; that of the families is indexed by them."""
        tables = combos, families.rename_axis("family").reset_index()
        kinds, own = ({str(c): column_of(t[c].tolist()) for c in t} for t in tables)
        facts = cls(kinds, own, specs)
        vars(facts).update(combos=combos, families=families)
        return facts

    @cached_property
    def combos(self) -> pd.DataFrame:
        """`kinds` as a frame."""
        import pandas as pd

        return pd.DataFrame(self.kinds)

    @cached_property
    def families(self) -> pd.DataFrame:
        """`own` as a frame, indexed by family."""
        import pandas as pd

        return pd.DataFrame(self.own).set_index("family")

    @cached_property
    def _place(self) -> dict[str, int]:
        return {family: i for i, family in enumerate(self.own["family"].tolist())}

    def figure(self, name: str, family: Iterable[str]) -> Floats:
        """A figure of each family; NaN where it was never told or the fleet doesn't know the family."""
        place = [self._place.get(f, -1) for f in family]
        return np.append(numbers(self.own, name), np.nan)[place]

    def softness(self, frequency: NDArray[np.object_]) -> Floats:
        """How soft rubber is over a figure told at a frequency never seen, against those that the fleet has.

        Parameters
        ----------
        frequency : labels; one that the fleet has seen gives 1, since the sag link knows it
        """
        seen = set(self.kinds["frequency"].tolist())
        known = np.array([SOFTER_THAN_TOLD.get(f, np.nan) for f in self.kinds["frequency"]], dtype=float)
        n, known = numbers(self.kinds, "n")[~np.isnan(known)], known[~np.isnan(known)]
        usual = float(known @ n / n.sum()) if len(known) else 1.0
        told = (1.0 if f in seen else SOFTER_THAN_TOLD.get(f, usual) / usual for f in frequency)
        return np.fromiter(told, dtype=float, count=len(frequency))

    def usual_force_mn(self, family: NDArray[np.object_]) -> Floats:
        """Force at which each family's angles are known [mN]; NaN where no sheet of it tells one."""
        return np.where(family == NOT_TOLD, np.nan, self.figure("vtf_mn", family))

    def tracking_unread(self, family: NDArray[np.object_]) -> NDArray[np.bool_]:
        """Whether sag was learnt at `TYPICAL_VTA_DEG`: nobody read this family's tracking angle, or any's."""
        unread = np.isnan(numbers(self.own, "vta_static_deg"))
        known = np.array([f in self._place for f in family], dtype=bool)
        return known & np.isnan(self.figure("vta_static_deg", family)) | (unread.size > 0 and unread.all())

    def fill(self) -> pd.DataFrame:
        """`stand_ins` of the fleet's own families as a frame, indexed by family."""
        import pandas as pd

        return pd.DataFrame(self.stand_ins()).set_index("family")

    def stand_ins(self, others: Mapping[str, NDArray[Any]] | None = None) -> dict[str, NDArray[Any]]:
        """What stands in for a missing figure, one row a family (see `fleet.house_model.chain.responses`).

        Parameters
        ----------
        others : ``family`` and make-up (`SPEC_FACTORS`) of families that the fleet may not know, each once
        """
        family, make_up = self.own["family"], {f: self.own[f] for f in SPEC_FACTORS}
        if others is not None:
            new = np.array([f not in self._place for f in others["family"]], dtype=bool)
            family = np.append(family, others["family"][new])
            make_up = {f: np.append(own, others[f][new]) for f, own in make_up.items()}
        out: dict[str, NDArray[Any]] = {"family": family}
        for short, name in (("c", SPECIFICATIONS[0]), ("l", SPECIFICATIONS[1]), ("n", SPECIFICATIONS[2])):
            own = self.figure(name, family)
            out[f"{short}_fill"] = np.where(np.isnan(own), np.exp(self.specs[name].predict(make_up)[0]), own)
            if short != "n":
                out[f"{short}_sure"] = ~np.isnan(own)
        out["t_fill"] = self.figure("vta_static_deg", family)
        newest = numbers(self.own, "newest")
        out["newest"] = np.full(len(family), np.nanmax(newest) if not np.isnan(newest).all() else np.nan)
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
    levels: Levels
    fill: Columns
    known: dict[Hashable, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, facts: FleetFacts, labels: Labels) -> Kinds:
        """Of sheets with these levels."""
        (code, first), (_, new) = (combinations(labels, names) for names in (FACTORS, ["family"]))
        levels = Levels({f: np.array([str(x) for x in labels[f][first]], dtype=object) for f in FACTORS})
        others = {f: np.asarray(labels[f][new], dtype=object) for f in (*SPEC_FACTORS, "family")}
        return cls(labels, code, levels, facts.stand_ins(others))

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
            known = {f: set(facts.kinds[f].tolist()) for f in FACTORS}
            return {f: np.array([x in known[f] for x in self.levels[f]], dtype=bool) for f in FACTORS}

        return {f: there[self.code] for f, there in self.once("seen", look_up).items()}

    def quadratic(
        self, name: str, design: Design, columns: tuple[str, ...], moments: Moments, observed: Columns
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
        code, values = self.code, [np.nan_to_num(np.asarray(observed[c], float)) for c in columns]
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


def learn_facts(combos: Columns, families: Columns) -> FleetFacts:
    """Fit the specification links over families and keep the tables.

    Parameters
    ----------
    combos : see `FleetFacts`
    families : columns family, `SPECIFICATIONS`, vta_static_deg, tilt_room_deg, newest, n
    """
    kinds = {f: np.array([str(x) for x in combos[f]], dtype=object) for f in FACTORS}
    kinds["n"] = np.asarray(combos["n"])
    foremost = groups_in_order({**kinds, "fewer": -kinds["n"]}, ("family", "fewer", *FACTORS))[1]
    main = {kinds["family"][i]: i for i in foremost[::-1]}
    own = plain(families)
    own["family"] = np.array([str(x) for x in own["family"]], dtype=object)
    place = [main.get(family, -1) for family in own["family"]]
    own |= {f: np.append(kinds[f], [None])[place] for f in (*SPEC_FACTORS, "frequency")}
    return FleetFacts(kinds, own, {name: _spec_link(own, name) for name in SPECIFICATIONS})


def _spec_link(families: Columns, name: str) -> SpecLink:
    told = numbers(families, name)
    known = np.flatnonzero(~np.isnan(told) & (families["family"] != NOT_TOLD))
    if len(known) < 6:
        return SpecLink(None, None, 0.0, name)
    y = np.log(told[known])
    spread = max(float(y.std(ddof=1)), 0.02)
    y += 1e-3 * spread * np.linspace(-1.0, 1.0, len(y))
    cells, shifts = Cells.from_frame(
        {**take_rows(families, known, SPEC_FACTORS), "y": y}, "y", factors=SPEC_FACTORS
    )
    gram = build_gram(cells, [Term((f,)) for f in SPEC_FACTORS])
    posterior = fit_bayes(
        gram, prior=half_t_prior(0.5 * spread), draws=512, kept=SPEC_DRAWS, sweeps=SPEC_SWEEPS
    )
    return SpecLink(posterior, cells, float(shifts[-1]), name)
