"""All that a house model is fitted on, gathered from bench sheets: sums, families, reading noise."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from fleet.estimation.fit import Sampling, fit_trimmed
from fleet.estimation.trimmed_statistics import (
    Floats,
    TrimmedTallies,
    trimmed_from_parts,
    trimmed_to_parts,
)
from fleet.house_model.family_facts import SPECIFICATIONS, FleetFacts, learn_facts
from fleet.house_model.house import House
from fleet.rows import Columns, columns_of_text, exact_text

FAMILY_FIGURES = (*SPECIFICATIONS, "vta_static_deg", "tilt_room_deg")


@dataclass(frozen=True)
class SufficientStatistics:
    """What the teaching sheets of a fleet come to.

    Attributes
    ----------
    cut : sums inside the robust cut
    combos, families : combinations of factors and families' figures (see
        `fleet.house_model.family_facts.learn_facts`)
    noise : per reading its standard deviation and the pairs of sheets behind it
    now : per reading its standard deviation of late over that on the whole, where it is known
    """

    cut: TrimmedTallies
    combos: Columns
    families: Columns
    noise: Mapping[str, tuple[float, int]]
    now: Mapping[str, float] = field(default_factory=dict)

    @property
    def noise_sd(self) -> dict[str, float]:
        """Standard deviation of one reading, per reading."""
        return {reading: sd for reading, (sd, _) in self.noise.items()}

    @cached_property
    def _learnt(self) -> FleetFacts:
        return learn_facts(self.combos, self.families)

    def facts(self) -> FleetFacts:
        """Families, combinations, and the links for missing catalogue figures."""
        return self._learnt

    def knowing(self, facts: FleetFacts) -> SufficientStatistics:
        """The same, with what was learnt from its combinations and families before."""
        self.__dict__["_learnt"] = facts
        return self

    def fit(self, *, revision: int = 0, sampling: Sampling | None = None) -> House:
        """The house model of these sums."""
        house = fit_trimmed(self.cut, self.facts(), self.noise_sd, revision=revision, sampling=sampling)
        return replace(house, now=self.now)


def statistics_to_parts(gathered: SufficientStatistics) -> tuple[dict[str, Floats], dict[str, str]]:
    """Arrays and texts that `statistics_from_parts` turns back into the same."""
    arrays, texts = trimmed_to_parts(gathered.cut)
    texts["combos"], texts["families"] = exact_text(gathered.combos), exact_text(gathered.families)
    texts["noise"] = json.dumps({k: list(v) for k, v in gathered.noise.items()})
    texts["now"] = json.dumps(dict(gathered.now))
    return arrays, texts


def statistics_from_parts(arrays: Mapping[str, Floats], texts: Mapping[str, str]) -> SufficientStatistics:
    """What `statistics_to_parts` took apart.

    Raises
    ------
    FleetError
        If it was written by a version of fleet that wrote its parts otherwise.
    """
    cut = trimmed_from_parts(arrays, texts)
    combos, families = (columns_of_text(texts[name]) for name in ("combos", "families"))
    families |= {name: families[name].astype(np.float64) for name in (*FAMILY_FIGURES, "newest")}
    noise = {k: (float(sd), int(pairs)) for k, (sd, pairs) in json.loads(texts["noise"]).items()}
    return SufficientStatistics(cut, combos, families, noise, json.loads(texts.get("now", "{}")))
