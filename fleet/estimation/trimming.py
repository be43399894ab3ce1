"""Robust passes over the tallies, so that defective units don't teach what is normal.

The fit starts from the median absolute residual and cuts what lies beyond 3.5 standard deviations in two
passes; what was cut is counted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from fleet.estimation.extended_fits import extended_fits, fit_at
from fleet.estimation.family_spread import share_families
from fleet.estimation.fit_steps import Fitter
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.house_model.cell_sums import Fitted, Scan, Sums, Tallies
from fleet.house_model.chain import LINK, LINKS, SAG_EDGES
from fleet.house_model.house import CUT_SIGMAS
from fleet.rows import Columns, plain, take_rows
from fleet.statistics.gram import Floats

PASSES: Final = 2
Fits = Mapping[str, Fitted]
_GROUP: Final = ["source", "scale_class"]


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
            spreads = {n: fitter.spread_from_mad(middle[n], LINK[n]) for n in names}
            spreads = share_families(spreads)
            fits = fitter.with_bounds(fits, spreads, CUT_SIGMAS)
            sums = tallies.sums(fits, names)
            fits = fitter.fit_all(sums, spreads, CUT_SIGMAS)
    scan = tallies.scan(fits)
    return TrimmedTallies(
        tallies.cells, scan.sums, fits, spreads, scan.products, scan.cut, scan.faulty, fitter.s2, robust
    )


def cut_alike(
    cut: TrimmedTallies, noise: Mapping[str, float], cells: Columns, scan: Callable[[Fits], Scan]
) -> TrimmedTallies:
    """Sums of a whole fleet, cut as a part of it was: the part's fits and spreads, the fleet's sums.

    Parameters
    ----------
    cut : the part
    noise : standard deviation per reading
    cells : every cell that there may be: the factors and ``scale_class``
    scan : sums the fleet up under these cuts, in the order of the cells
    """
    fits = extended_fits(cut, noise, cells)
    whole = scan(fits)
    there = np.flatnonzero(whole.rows)
    own = {"cell": np.arange(len(there), dtype=np.int32), **take_rows(plain(cells), there)}
    own["n"] = whole.rows[there].astype(np.int64)
    groups = set(zip(*(own[key].tolist() for key in _GROUP), strict=True))
    told = zip(*(np.asarray(whole.products[key]).tolist() for key in _GROUP), strict=True)
    seen = np.flatnonzero([group in groups for group in told])
    return replace(
        cut,
        cells=own,
        sums={n: Sums(s.columns, s.moments[there], s.counts[there]) for n, s in whole.sums.items()},
        fits={n: fit_at(f, there) for n, f in fits.items()},
        products=take_rows(whole.products, seen),
        cut={n: found._replace(cut_size=cut.cut[n].cut_size) for n, found in whole.cut.items()},
        faulty=whole.faulty,
    )


def mean_square_scale(sums: Mapping[str, Sums], cells: Columns) -> Floats:
    """Mean squared sag scale per class, from the sag link's sums; the edges' where a class is empty."""
    s = sums["sag"]
    j = s.columns.index("s")
    classes = np.asarray(cells["scale_class"]).astype(int)
    size = len(SAG_EDGES) + 2
    n = np.bincount(classes, s.counts, minlength=size)
    total = np.bincount(classes, s.moments[:, j, j], minlength=size)
    edges = np.array([0.2, *SAG_EDGES, 5.0, 1.5])[:size]
    mean = np.where(n > 0, total / np.maximum(n, 1.0), edges**2)
    return np.asarray(mean)
