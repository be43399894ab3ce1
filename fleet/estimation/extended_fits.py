"""What fits to some cells lead one to expect of others, so that sheets which came later are cut alike.

A cell with a level that the fits had not seen is cut wider, by the spread between such levels.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.estimation.fit_steps import Fitter
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.house_model.cell_sums import Fitted
from fleet.house_model.chain import FACTORS, LINK
from fleet.house_model.house import CUT_SIGMAS
from fleet.house_model.priors import BELIEFS
from fleet.rows import Columns, height, plain, take_rows
from fleet.statistics.gram import Floats
from fleet.statistics.reml import fit_reml

CELL_KEYS: Final = (*FACTORS, "scale_class")


def extended_fits(cut: TrimmedTallies, noise: Mapping[str, float], cells: Columns) -> dict[str, Fitted]:
    """The fits for the cells that are there already, and what they lead one to expect of the others.

    Parameters
    ----------
    cut : sums of some sheets, and the fits that cut them
    noise : standard deviation per reading
    cells : one row a cell: the factors and ``scale_class``
    """
    home = places(cut.cells, cells)
    if (home >= 0).all():
        return {n: fit_at(f, home) for n, f in cut.fits.items()}
    fresh = take_rows(plain(cells), np.flatnonzero(home < 0))
    old = Fitter(cut.cells, cut.scale_s2, noise)
    new = Fitter(fresh, cut.scale_s2, noise)
    size = height(fresh)
    out = {}
    for name, fit in cut.fits.items():
        link, spread = LINK[name], cut.spreads[name]
        gram = old.gram(cut.sums[name], link, spread, BELIEFS[name])
        reml = fit_reml(gram, sigma=old.known_sigma(gram))
        at_zero, slopes = new.fitted(link, reml)
        where = reml.gram.design.columns_of(new.levels, size)
        wider = np.zeros(size)
        for term, found, sd in zip(reml.gram.design.terms, where, reml.sds, strict=True):
            each = {"1": 1.0, "s": new.cell_s2}.get(term.covariate, 0.0)
            wider += np.where(found < 0, sd**2 * each, 0.0)
        bound = CUT_SIGMAS * np.sqrt(new.total(spread) + wider)
        if not cut.robust:
            bound = np.full(size, np.inf)
        out[name] = _joined(fit, Fitted(at_zero, slopes, bound), home)
    return out


def fit_at(fit: Fitted, place: NDArray[np.int64]) -> Fitted:
    """The fit of these cells alone."""
    return Fitted(fit.at_zero[place], {c: s[place] for c, s in fit.slopes.items()}, fit.bound[place])


def _joined(old: Fitted, new: Fitted, home: NDArray[np.int64]) -> Fitted:
    """Values of old cells where ``home`` says which, those of new cells in order elsewhere."""

    def join(a: Floats, b: Floats) -> Floats:
        out = np.empty(len(home))
        out[home >= 0], out[home < 0] = a[home[home >= 0]], b
        return out

    slopes = {c: join(s, new.slopes[c]) for c, s in old.slopes.items()}
    return Fitted(join(old.at_zero, new.at_zero), slopes, join(old.bound, new.bound))


def places(cells: Columns, wanted: Columns) -> NDArray[np.int64]:
    """Where the cells of ``wanted`` stand among ``cells``, -1 where they don't."""
    place = {key: i for i, key in enumerate(_keys(cells))}
    return np.array([place.get(key, -1) for key in _keys(wanted)], dtype=np.int64)


def _keys(cells: Columns) -> Iterator[tuple[str, ...]]:
    return zip(*(map(str, np.asarray(cells[key]).tolist()) for key in CELL_KEYS), strict=True)
