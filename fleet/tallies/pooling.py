"""Own sums and those of other benches, put together to be fitted as one fleet.

Another bench's sums come in cells of several units, with the counts and moments that a fit needs.  What one
bench's fit has made of its residuals is made anew at a common fit where moments allow it: the sum of squared
residuals of a cell is v' M v with M its moments and v = (-a, -b, 1).  The other products of residuals are
taken as each bench gives them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd

from fleet.estimation.fit import KEPT_VARIANCE
from fleet.estimation.fit_steps import Fitter, residual_products
from fleet.estimation.trimmed_statistics import Floats, TrimmedTallies
from fleet.estimation.trimming import mean_square_scale
from fleet.house_model.angle_sums import JOINT
from fleet.house_model.cell_sums import CutRows, Fitted, Sums
from fleet.house_model.chain import FACTORS, LINK, NOT_TOLD, PAIRED, READINGS
from fleet.house_model.family_facts import SPECIFICATIONS
from fleet.house_model.house import CUT_SIGMAS
from fleet.rows import frame_of, plain
from fleet.tallies.reading_noise import PRIOR_PAIRS
from fleet.tallies.sufficient_statistics import FAMILY_FIGURES, SufficientStatistics

CELL_KEYS: Final = (*FACTORS, "scale_class")
PASSES: Final = 2
"""Fits that all benches' cells are weighed by: the first by the bench's own spreads."""
MOST_BLUR: Final = 0.75
"""Share of the scatter within a bench's cells that is taken for its blur at most."""
CODED: Final = ("family", "source")
"""Factors whose levels are a bench's own codes; those of the others mean the same everywhere."""


@dataclass(frozen=True)
class SharedTallies:
    """What a bench tells others: sums over groups of units, no unit by itself.

    Attributes
    ----------
    cells : one row a cell: `FACTORS`, ``scale_class``, ``n`` (units), means of `SPECIFICATIONS` (NaN where
        not told)
    sums : per link, and for tracking with built-in angle, moments per cell
    products : columns source, scale_class, a, b, n, total of residuals of different links
    repeats : per reading (pairs of sheets of one unit, mean squared difference)
    cut : per link rows beyond the cut and the mean size of their residuals (cut, cut_size)
    faulty : per source units beyond a cut; ``""`` holds those of no source told
    blur : per ``"link link"`` what a blur of the readings has added to each unit's product of residuals
    """

    cells: pd.DataFrame
    sums: Mapping[str, Sums]
    products: pd.DataFrame
    repeats: Mapping[str, tuple[float, float]]
    cut: pd.DataFrame
    faulty: Mapping[str, float]
    blur: Mapping[str, float] = field(default_factory=dict)

    @property
    def units(self) -> float:
        """Units behind the cells."""
        return float(self.cells["n"].sum())

    def coded_as(self, bench: str, same: Sequence[str]) -> SharedTallies:
        """The same with the bench's code before its own codes, but for the factors of ``same``.

        A cell of several families gets one of its own: what they have in common is learnt from, and no
        quote takes it for a family.
        """
        cells, products = self.cells.copy(), self.products.copy()
        cells["bench"] = bench
        mixed = np.flatnonzero((cells["family"] == NOT_TOLD).to_numpy(dtype=bool))
        for factor in CODED:
            if factor not in same:
                cells[factor] = _prefixed(cells[factor], bench)
        cells["told_family"] = cells["family"]
        cells.loc[cells.index[mixed], "family"] = [f"{bench}.several-{i + 1}" for i in range(len(mixed))]
        faulty = dict(self.faulty)
        if "source" not in same:
            products["source"] = _prefixed(products["source"], bench)
            faulty = {f"{bench}.{s}" if s else s: n for s, n in faulty.items()}
        return replace(self, cells=cells, products=products, faulty=faulty)


def _prefixed(codes: pd.Series, bench: str) -> pd.Series:
    return codes.where(codes == NOT_TOLD, f"{bench}." + codes)


def merge(own: SufficientStatistics, others: Sequence[SharedTallies]) -> SufficientStatistics:
    """Put a bench's own sums and those of others together.

    Parameters
    ----------
    own : what the bench's own sheets come to
    others : what other benches tell, coded as here (`SharedTallies.coded_as`)
    """
    if not others:
        return own
    others = [_without_blur(o) for o in others]
    noise = _pooled_noise(own, others)
    tables = [frame_of(own.cut.cells)[[*CELL_KEYS, "n"]], *(o.cells[[*CELL_KEYS, "n"]] for o in others)]
    cells = pd.concat(tables, ignore_index=True).astype({"scale_class": int})
    sums = {
        n: _joined(own.cut.sums[n], [(o.sums.get(n), len(o.cells)) for o in others]) for n in own.cut.sums
    }
    scale_s2 = mean_square_scale(sums, cells)
    fitter = Fitter(cells, scale_s2, {r: sd for r, (sd, _) in noise.items()})
    told = pd.concat([frame_of(own.cut.products), *(o.products for o in others)], ignore_index=True)
    kept = KEPT_VARIANCE if own.cut.robust else 1.0
    spreads = own.cut.spreads
    for _ in range(PASSES):
        fits = fitter.fit_all({n: sums[n] for n in spreads}, spreads, CUT_SIGMAS)
        spreads = {
            n: fitter.spread_from_moments(
                (sums[n].counts, residual_products(sums[n], fits[n], fits[n], (n, n))),
                LINK[n], sums[n], old, kept,
            )
            for n, old in spreads.items()
        }  # fmt: skip
    products = _products(cells, sums, fits, told)
    cut = TrimmedTallies(
        plain(cells),
        sums,
        fits,
        spreads,
        plain(products),
        _cut_summary(own.cut.cut, others),
        _faulty(own.cut.faulty, others),
        scale_s2,
        own.cut.robust,
    )
    return SufficientStatistics(
        cut, plain(_combos(own, others)), plain(_families(own, others)), noise, own.now
    )


def _without_blur(told: SharedTallies) -> SharedTallies:
    """The same with the products that the blur has added on average taken off.

    Never so much that no scatter is left within cells; the same share from all blocks, as they share rows.
    """
    added = {}
    for name in told.sums:
        names = PAIRED if name == JOINT else (name,)
        one_way = np.array([[told.blur.get(f"{a} {b}", 0.0) for b in names] for a in names])
        added[name] = np.triu(one_way) + np.triu(one_way, 1).T
    most = max(_blur_share(block, added[name]) for name, block in told.sums.items())
    part = min(1.0, MOST_BLUR / most) if most > 0.0 else 0.0
    sums = {}
    for name, block in told.sums.items():
        moments, k = block.moments.copy(), len(added[name])
        moments[:, -k:, -k:] -= part * block.counts[:, None, None] * added[name]
        sums[name] = replace(block, moments=moments)
    return replace(told, sums=sums)


def _blur_share(block: Sums, added: Floats) -> float:
    """Largest share that what was added has in the scatter of the responses within cells."""
    k, here = len(added), block.counts > 0.0
    moments, count = block.moments[here], block.counts[here, None, None]
    first = moments[:, 0, -k:]
    within = (moments[:, -k:, -k:] - first[:, :, None] * first[:, None, :] / count).sum(axis=0)
    return float(np.linalg.eigvals(np.linalg.pinv(within) @ added).real.max() * count.sum())


def _joined(own: Sums, others: Sequence[tuple[Sums | None, int]]) -> Sums:
    """Sums of all benches' cells; one that tells nothing of a link has none of it in its cells.

    Others tell of now, so that they have no column of years: it is 0.
    """
    k = len(own.columns)
    moments = []
    for told, cells in others:
        whole = np.zeros((cells, k, k))
        if told is not None:
            there = [own.columns.index(c) for c in told.columns]
            whole[np.ix_(range(cells), there, there)] = told.moments
        moments.append(whole)
    counts = [np.zeros(cells) if told is None else told.counts for told, cells in others]
    return Sums(own.columns, np.concatenate([own.moments, *moments]), np.concatenate([own.counts, *counts]))


def _products(
    cells: pd.DataFrame, sums: Mapping[str, Sums], fits: Mapping[str, Fitted], told: pd.DataFrame
) -> pd.DataFrame:
    """Sums of products of residuals: from the moments where one link's, or the pair's, hold them."""
    source, klass = cells["source"].to_numpy(dtype=object), cells["scale_class"].to_numpy(dtype=int)
    frames = []
    for a, b in (*((n, n) for n in fits), PAIRED):
        block = sums[a if a == b else JOINT]
        total = residual_products(block, fits[a], fits[b], (a, b))
        frames.append(
            pd.DataFrame(
                {"source": source, "scale_class": klass, "a": a, "b": b, "n": block.counts, "total": total}
            )
        )
    exact = {(a, b) for a, b in ((n, n) for n in fits)} | {PAIRED}
    other = [pair not in exact for pair in zip(told["a"], told["b"], strict=True)]
    everything = pd.concat([*frames, told[other]], ignore_index=True)
    keys = ["a", "b", "source", "scale_class"]
    out = everything.groupby(keys, sort=True, as_index=False)[["n", "total"]].sum()
    out.loc[out["a"] == out["b"], "total"] = out["total"].clip(lower=0.0)
    return out[["source", "scale_class", "a", "b", "n", "total"]]


def _pooled_noise(own: SufficientStatistics, others: Sequence[SharedTallies]) -> dict[str, tuple[float, int]]:
    """Reading noise, each bench's pairs counting alike."""
    out = {}
    for reading in READINGS:
        sd, pairs = own.noise[reading]
        total, count = sd**2 * (pairs + PRIOR_PAIRS), float(pairs)
        for other in others:
            more, square = other.repeats.get(reading, (0.0, 0.0))
            total, count = total + 0.5 * more * square, count + more
        out[reading] = (float(np.sqrt(total / (count + PRIOR_PAIRS))), int(count))
    return {**own.noise, **out}


def _cut_summary(own: Mapping[str, CutRows], others: Sequence[SharedTallies]) -> dict[str, CutRows]:
    """Rows read and cut, added up; the size of what was cut, averaged by how often."""
    out = {}
    for name, (n, cut, size) in own.items():
        total = cut * size
        for other in others:
            there = name in other.cut.index
            more, mean = (float(other.cut[x][name]) if there else 0.0 for x in ("cut", "cut_size"))
            kept = float(other.sums[name].counts.sum()) if name in other.sums else 0.0
            n, cut, total = n + kept + more, cut + more, total + more * mean
        mean_size = total / cut if cut > 0.0 and not np.isnan(total) else 0.0
        out[name] = CutRows(float(n), float(cut), float(mean_size))
    return out


def _faulty(
    own: Mapping[str, tuple[float, float]], others: Sequence[SharedTallies]
) -> dict[str, tuple[float, float]]:
    """Units and faulty units per source; faulty ones of no source told are spread over a bench's sources."""
    out = dict(own)
    for other in others:
        units = other.cells.groupby("source")["n"].sum()
        rest = other.faulty.get("", 0.0)
        for source, n in units.items():
            bad = (other.faulty.get(str(source), 0.0) if source != NOT_TOLD else 0.0) + rest * n / units.sum()
            before = out.get(str(source), (0.0, 0.0))
            out[str(source)] = (before[0] + float(n), before[1] + float(min(bad, n)))
    return out


def _combos(own: SufficientStatistics, others: Sequence[SharedTallies]) -> pd.DataFrame:
    """How often each combination of factors occurs; a cell of several families has none told."""
    columns = [*FACTORS, "n"]
    tables = [frame_of(own.combos), *(o.cells.assign(family=o.cells["told_family"])[columns] for o in others)]
    whole = pd.concat(tables, ignore_index=True).astype(dict.fromkeys(FACTORS, str))
    return whole.groupby(list(FACTORS), sort=True)["n"].sum().astype(int).reset_index()


def _families(own: SufficientStatistics, others: Sequence[SharedTallies]) -> pd.DataFrame:
    """Families' figures: a bench's own where it has them."""
    table = frame_of(own.families).set_index("family")
    for other in others:
        new = _family_figures(other)
        both = table.index.intersection(new.index)
        figures = list(FAMILY_FIGURES)
        table.loc[both, figures] = table.loc[both, figures].astype(float).fillna(new.loc[both, figures])
        table.loc[both, "n"] = table.loc[both, "n"] + new.loc[both, "n"]
        table = pd.concat([table, new.loc[new.index.difference(table.index)]])
    return (
        table.astype({"n": int}).rename_axis("family").reset_index().sort_values("family", ignore_index=True)
    )


def _family_figures(other: SharedTallies) -> pd.DataFrame:
    """Means of catalogue figures, tracking angle and tilt room of the families that another bench tells."""
    cells = other.cells.reset_index(drop=True)
    told = cells["told_family"] != NOT_TOLD
    work = pd.DataFrame({"family": cells["told_family"], "n": cells["n"].astype(float)})
    for name in SPECIFICATIONS:
        work[f"w {name}"] = work["n"].where(cells[name].notna(), 0.0)
        work[name] = (cells[name].astype(float) * work["n"]).fillna(0.0)
    for name, link in (("vta_static_deg", "tracking"), ("tilt_room_deg", "tilt_room")):
        sums = other.sums[link]
        work[f"w {name}"] = sums.counts
        work[name] = sums.moments[:, 0, -1] + LINK[link].centre * sums.counts
    total = work[told].groupby("family").sum()
    out = pd.DataFrame(index=total.index)
    for name in FAMILY_FIGURES:
        weight = total[f"w {name}"]
        out[name] = total[name] / weight.where(weight > 0.0)
    return out.assign(n=total["n"])
