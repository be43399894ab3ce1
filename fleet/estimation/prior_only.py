"""A house model before the first sheet: mechanics and documented beliefs alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache

import numpy as np

from fleet.estimation.fit import fit_trimmed
from fleet.estimation.fit_steps import SPREAD_KEYS
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.estimation.trimming import trim_tallies
from fleet.house_model.angle_sums import JOINT
from fleet.house_model.cell_sums import CutRows, Fitted, Scan, Sums
from fleet.house_model.chain import FACTORS, LINK, LINKS, PAIR_COVARIATES, PAIRED, READING_NOISE
from fleet.house_model.family_facts import SPECIFICATIONS, learn_facts
from fleet.house_model.house import House
from fleet.rows import Columns


class _NoSheets:
    """Tallies of a fleet without a sheet."""

    def __init__(self) -> None:
        labels = {f: np.empty(0, dtype=object) for f in FACTORS}
        self.cells: Columns = {**labels, "scale_class": np.empty(0, dtype=int), "n": np.empty(0)}

    def sums(
        self, fits: Mapping[str, Fitted] | None = None, names: Iterable[str] | None = None
    ) -> dict[str, Sums]:
        del fits
        wanted = [LINK[n] for n in names] if names is not None else list(LINKS)
        blocks = {link.name: (*link.columns, link.name) for link in wanted}
        blocks[JOINT] = (*PAIR_COVARIATES, *PAIRED)
        return {
            n: Sums(("1", *c), np.empty((0, len(c) + 1, len(c) + 1)), np.empty(0)) for n, c in blocks.items()
        }

    def middle(self, fits: Mapping[str, Fitted]) -> dict[str, Columns]:
        return {n: {key: np.empty(0) for key in (*SPREAD_KEYS, "n", "mad")} for n in fits}

    def scan(self, fits: Mapping[str, Fitted]) -> Scan:
        products = {name: np.empty(0) for name in ("source", "scale_class", "a", "b", "n", "total")}
        return Scan(np.empty(0), self.sums(), products, {n: CutRows(0.0, 0.0, 0.0) for n in fits}, {})


def no_sums() -> tuple[TrimmedTallies, Columns, Columns]:
    """What a fleet without a sheet comes to: sums, combinations of factors, families' figures."""
    combos = {**{f: np.empty(0, dtype=object) for f in FACTORS}, "n": np.empty(0, dtype=int)}
    names = ("family", *SPECIFICATIONS, "vta_static_deg", "tilt_room_deg", "newest", "n")
    families = {name: np.empty(0, dtype=object if name == "family" else float) for name in names}
    return trim_tallies(_NoSheets(), READING_NOISE), combos, families


@cache
def prior_house() -> House:
    """The model that answers before any sheet is in: wide, and it says so. Fitted once a process."""
    sums, combos, families = no_sums()
    return fit_trimmed(sums, learn_facts(combos, families), READING_NOISE)
