"""What an enquiry may be: the combinations of factors that fit what was told, with their weights.

A factor that isn't told is drawn from the fleet's own combinations that match what is; catalogue figures and
tilt room that were told pick out the families they fit.  Where no family was told, or one with a code that
the fleet doesn't know, a family never seen is among the candidates; an unknown code may also be another
bench's name for a family that is known here.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.chain import FACTORS, NOT_TOLD
from fleet.house_model.family_facts import SPEC_FACTORS, SPECIFICATIONS, FleetFacts
from fleet.rows import Floats, numbers

NEVER_SEEN: Final = "\x00never seen"
"""A label that no fleet holds."""
SAME_FIGURE: Final = 0.03
"""Catalogue figures closer than this (in log) are the same figure."""
OTHER_FIGURE: Final = 0.02
"""Chance that a family's figure is told as another one (slips, variants)."""
BY_CHANCE: Final = 0.15
"""Chance that a family never seen has the same figure as a given known one (catalogues use round figures)."""
OTHER_NAME: Final = (1.0, 2.0)
"""Chance that a code this bench never met is somebody else's code for a family it knows, as one code in two
would show it: a plain half (no source), less with every code that the bench keeps apart from one alike."""
ROOM_SD_DEG: Final = 0.3
BACK_OFF: Final = ("source", "generator", "frequency", "cantilever", "profile")
"""Order in which told factors are let go when no combination of the fleet has them all."""


@dataclass(frozen=True)
class Scenarios:
    """Weighted combinations for one enquiry.

    Attributes
    ----------
    levels : (c, len(FACTORS)) array of labels in the order of `FACTORS`
    weights : (c,) array that sums to 1
    matched : units of the fleet that match what was told
    known_family : whether the family told is one of the fleet's
    let_go : factors told that no combination of the fleet has together
    """

    levels: NDArray[np.object_]
    weights: Floats
    matched: float
    known_family: bool
    let_go: tuple[str, ...]


class ScenarioChooser:
    """Finds candidates in a fleet's combinations.

    Parameters
    ----------
    facts : FleetFacts
    """

    def __init__(self, facts: FleetFacts) -> None:
        self._levels = np.stack([facts.kinds[f].astype(object) for f in FACTORS], axis=1)
        self._n = numbers(facts.kinds, "n")
        family = facts.kinds["family"]
        self._figures = {name: facts.figure(name, family) for name in (*SPECIFICATIONS, "tilt_room_deg")}
        self._families = set(facts.own["family"].tolist())
        per_family = numbers(facts.own, "n")
        once = float((per_family == 1.0).sum())
        self._new_share = (once + 0.5) / (per_family.sum() + 1.0)
        self._other_name = OTHER_NAME[0] / (OTHER_NAME[1] + codes_alike(facts))
        self._cache: dict[tuple[object, ...], Scenarios] = {}

    def choose(self, told: dict[str, str], figures: dict[str, float]) -> Scenarios:
        """Candidates of one enquiry.

        Parameters
        ----------
        told : factor to label, only the factors that were told
        figures : catalogue figures and tilt room that were told
        """
        key = (*sorted(told.items()), *sorted(figures.items()))
        if key not in self._cache:
            self._cache[key] = self._choose(told, figures)
        return self._cache[key]

    def _choose(self, told: dict[str, str], figures: dict[str, float]) -> Scenarios:
        family = told.get("family")
        known = family in self._families if family is not None else False
        mask, let_go = self._matching(told, keep_family=known)
        if not mask.any():
            row = np.array([[told.get(f, NEVER_SEEN) for f in FACTORS]], dtype=object)
            return Scenarios(row, np.ones(1), 0.0, known, let_go)
        levels, weights = self._levels[mask].copy(), self._n[mask].copy()
        matched = float(weights.sum())
        told = {f: label for f, label in told.items() if f != "family" or known}
        if not known:
            new = self._new_share if family is None else 1.0 - self._other_name
            unseen = levels.copy()
            unseen[:, FACTORS.index("family")] = NEVER_SEEN if family is None else family
            extra = weights * new * BY_CHANCE ** len(figures)
            weights = weights * (1.0 - new) * self._likelihood(mask, figures)
            levels, weights = np.concatenate([levels, unseen]), np.concatenate([weights, extra])
        for factor, label in told.items():
            levels[:, FACTORS.index(factor)] = label
        return _merge(levels, weights, matched, known, let_go)

    def _matching(
        self, told: dict[str, str], *, keep_family: bool
    ) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
        wanted = {f: v for f, v in told.items() if f not in ("family", "bench")}
        if keep_family:
            wanted["family"] = told["family"]
        let_go: list[str] = []
        while True:
            mask = np.ones(len(self._n), dtype=bool)
            for factor, label in wanted.items():
                mask &= self._levels[:, FACTORS.index(factor)] == label
            if mask.any() or not wanted:
                return mask, tuple(let_go)
            for factor in (*BACK_OFF, "family"):
                if factor in wanted:
                    del wanted[factor]
                    let_go.append(factor)
                    break

    def _likelihood(self, mask: NDArray[np.bool_], figures: dict[str, float]) -> Floats:
        out = np.ones(int(mask.sum()))
        for name, value in figures.items():
            own = self._figures[name][mask]
            if name == "tilt_room_deg":
                z = (value - own) / ROOM_SD_DEG
                fit = np.exp(-0.5 * z**2) + OTHER_FIGURE
            else:
                fit = np.where(np.abs(np.log(value / own)) < SAME_FIGURE, 1.0, OTHER_FIGURE)
            out *= np.where(np.isnan(own), 0.3, fit)
        return out


def codes_alike(facts: FleetFacts) -> int:
    """How many codes have the make-up and catalogue figures of another code, and yet are another family."""
    own = facts.own
    make_up = [own[f].tolist() for f in SPEC_FACTORS if f in own]
    catalogue = [np.round(np.log(numbers(own, name)) / SAME_FIGURE) for name in SPECIFICATIONS]
    told = zip(own["family"], *make_up, *(np.nan_to_num(c, nan=-1e9) for c in catalogue), strict=True)
    times = Counter(tuple(rest) for family, *rest in told if family != NOT_TOLD)
    return sum(n for n in times.values() if n > 1)


def _merge(
    levels: NDArray[np.object_], weights: Floats, matched: float, known: bool, let_go: tuple[str, ...]
) -> Scenarios:
    total: dict[tuple[str, ...], float] = {}
    for row, weight in zip(map(tuple, levels.tolist()), weights.tolist(), strict=True):
        total[row] = total.get(row, 0.0) + weight
    rows = sorted(total)
    w = np.array([total[row] for row in rows])
    return Scenarios(np.array(rows, dtype=object), w / w.sum(), matched, known, let_go)


def known_factors(row: dict[str, object], columns: dict[str, str]) -> dict[str, str]:
    """Factors that an enquiry tells, as labels."""
    out = {}
    for factor, column in columns.items():
        value = row.get(column)
        if value is None or value == NOT_TOLD or (isinstance(value, float) and np.isnan(value)):
            continue
        out[factor] = f"{value:g}" if isinstance(value, float) else str(value)
    return out
