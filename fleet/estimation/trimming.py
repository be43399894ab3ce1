"""Robust passes over the tallies, so that defective units don't teach what is normal.

The fit starts from the median absolute residual and cuts what lies beyond 3.5 standard deviations in two
passes; what was cut is counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from fleet.estimation.family_spread import share_families
from fleet.estimation.fit_steps import Fitter
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.house_model.cell_sums import Sums, Tallies
from fleet.house_model.chain import LINK, LINKS, SAG_EDGES
from fleet.house_model.house import CUT_SIGMAS
from fleet.statistics.gram import Floats

PASSES: Final = 2


def trim_tallies(tallies: Tallies, noise: Mapping[str, float], *, robust: bool = True) -> TrimmedTallies:
    """Sum the teaching sheets up, rows beyond their link's cut left out.

    Parameters
    ----------
    tallies : whoever sums the teaching sheets up
    noise : standard deviation per reading
    robust : False takes every row at its word (for comparison)
    """
    sums = tallies.sums()
    fitter = Fitter(tallies.cells, mean_square_scale(sums, tallies.cells), noise)
    names = [link.name for link in LINKS]
    spreads = {n: fitter.first_spread(n, sums[n]) for n in names}
    fits = fitter.fit_all(sums, spreads, np.inf)
    if robust:
        for _ in range(PASSES):
            middle = tallies.middle(fits)
            spreads = {n: fitter.spread_from_mad(middle[middle["link"] == n], LINK[n]) for n in names}
            spreads = share_families(spreads)
            fits = fitter.with_bounds(fits, spreads, CUT_SIGMAS)
            sums = tallies.sums(fits, names)
            fits = fitter.fit_all(sums, spreads, CUT_SIGMAS)
        sums = tallies.sums(fits, names)
    return TrimmedTallies(
        tallies.cells,
        sums,
        fits,
        spreads,
        tallies.residual_products(fits),
        tallies.cut_summary(fits),
        tallies.faulty(fits),
        fitter.s2,
        robust,
    )


def mean_square_scale(sums: Mapping[str, Sums], cells: pd.DataFrame) -> Floats:
    """Mean squared sag scale per class, from the sag link's sums; the edges' where a class is empty."""
    s = sums["sag"]
    j = s.columns.index("s")
    classes = cells["scale_class"].to_numpy(dtype=int)
    size = len(SAG_EDGES) + 2
    n = np.bincount(classes, s.counts, minlength=size)
    total = np.bincount(classes, s.moments[:, j, j], minlength=size)
    edges = np.array([0.2, *SAG_EDGES, 5.0, 1.5])[:size]
    mean = np.where(n > 0, total / np.maximum(n, 1.0), edges**2)
    return np.asarray(mean)
