"""Sums that grow: what a few changed units add to a fleet that was summed up before.

The last full refit's cut (expectations and bounds), spreads, reading noise and families' figures stay as
they were; every count and sum of products is brought up to date exactly, being a sum of whole numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.estimation.extended_fits import CELL_KEYS, extended_fits, places
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.house_model.cell_sums import CutRows, Sums
from fleet.house_model.chain import FACTORS, LINK, LINKS
from fleet.house_model.family_facts import learn_facts
from fleet.numerals import percent
from fleet.rows import Columns, frame_of, plain
from fleet.tallies.engine import Engine, count_combos, held_rows
from fleet.tallies.queries import families_sql
from fleet.tallies.row_sums import EVERY_BLOCK, RESIDUAL_UNIT, Block, RowTallies
from fleet.tallies.sufficient_statistics import SufficientStatistics

CHANGED_SHARE: Final = 0.10
NEW_LEVEL_SHARE: Final = 0.02
CUT_RISE: Final = 0.02
CUT_SIGNIFICANCE: Final = 4.0
"""A full refit is due when so many units changed since the last one, when so many are of families, sources or
kinds that it had not seen, or when in some link so many more of the new rows than of the old lie beyond the
cut, and by so many standard errors."""
_PRODUCT_KEYS: Final = ["source", "scale_class", "a", "b"]
Cut = Mapping[str, CutRows]
_Placed = tuple[Mapping[str, Sums], NDArray[np.int64], float]
"""Sums per cell, where each of these cells stands (-1: nowhere), and whether they are added or taken off."""
_MAIN: Final = ("source", "family", "profile", "cantilever", "generator")


class NotExactError(Exception):
    """What changed can't be told exactly from what was kept; only a full summing helps."""


@dataclass(frozen=True)
class UpdatedSums:
    """A fleet's sums brought up to date.

    Attributes
    ----------
    gathered : the sums
    added, removed : units that teach now as they did not before, and the other way round
    new_levels : units of families, sources or kinds that the last full refit had not seen
    due : why a full refit is due, one phrase a reason; empty if it isn't
    """

    gathered: SufficientStatistics
    added: int
    removed: int
    new_levels: int
    due: tuple[str, ...]


def update_sums(base: SufficientStatistics, engine: Engine, then: str, now: str) -> UpdatedSums:
    """Take from the sums what changed units gave before, and add what they give now.

    Parameters
    ----------
    base : sums of the last full refit
    engine : where the relations can be read
    then, now : the teaching sheets of every unit that changed, as they were and as they are

    Raises
    ------
    NotExactError
        If what was kept doesn't hold what is to be taken away.
    """
    if any(block.name not in base.cut.sums for block in EVERY_BLOCK):
        raise NotExactError
    combos_then, combos_now = (count_combos(engine, r) for r in (then, now))
    families_now = frame_of(engine.table(families_sql(now)))
    all_then = frame_of(base.combos)
    combos = _added(all_then, frame_of(combos_now), frame_of(combos_then), list(FACTORS), ["n"])
    families = _families(frame_of(base.families), combos, families_now)
    fill = _fill(base, combos, families)
    new = _Part(held_rows(engine, now, combos_now, fill), base)
    old = _Part(held_rows(engine, then, combos_then, fill), base)
    before = frame_of(base.cut.cells)
    cells = _added(before, new.cells, old.cells, list(CELL_KEYS), ["n"])
    cells.insert(0, "cell", np.arange(len(cells), dtype=np.int32))
    parts = [(base.cut.sums, base.cut.cells, 1.0), (new.sums, new.cells, 1.0), (old.sums, old.cells, -1.0)]
    placed = [(sums, places(cells, of), sign) for sums, of, sign in parts if sums]
    cut = TrimmedTallies(
        plain(cells),
        {b.name: _sums(b, placed, len(cells)) for b in EVERY_BLOCK},
        extended_fits(base.cut, base.noise_sd, cells),
        base.cut.spreads,
        plain(_products(frame_of(base.cut.products), new.products, old.products, cells)),
        _cut_summary(base.cut.cut, new.cut, old.cut),
        _faulty(base.cut.faulty, new.faulty, old.faulty),
        base.cut.scale_s2,
        base.cut.robust,
    )
    unseen = _unseen(before, cells)
    grown = UpdatedSums(
        SufficientStatistics(cut, plain(combos), plain(families), base.noise, base.now),
        int(new.cells["n"].sum()),
        int(old.cells["n"].sum()),
        int(cells["n"].to_numpy()[unseen].sum()),
        (),
    )
    return replace(grown, due=_due(base, grown, new.cut))


class _Part:
    """What the changed units come to at one time, under the kept cut."""

    def __init__(self, tallies: RowTallies, base: SufficientStatistics) -> None:
        self.cells = frame_of(tallies.cells)
        self.sums: Mapping[str, Sums] = {}
        self.products, self.cut = pd.DataFrame(), dict[str, CutRows]()
        self.faulty: Mapping[str, tuple[float, float]] = {}
        if self.cells.empty:
            return
        scan = tallies.scan(extended_fits(base.cut, base.noise_sd, self.cells))
        self.sums, self.products, self.faulty = scan.sums, frame_of(scan.products), scan.faulty
        self.cut = dict(scan.cut)


def _unseen(before: pd.DataFrame, cells: pd.DataFrame) -> NDArray[np.bool_]:
    """Which cells have a level that no cell had before."""
    return np.asarray(np.any([~cells[f].isin(before[f]) for f in _MAIN], axis=0))


def _added(
    base: pd.DataFrame, plus: pd.DataFrame, minus: pd.DataFrame, keys: list[str], values: list[str]
) -> pd.DataFrame:
    """Tables of counts added and taken off by their keys, what comes to nothing left out, ordered."""
    parts = [base[[*keys, *values]], plus[[*keys, *values]]]
    parts.append(minus[[*keys, *values]].assign(**{v: -minus[v] for v in values}))
    parts = [p for p in parts if len(p)]
    out = pd.concat(parts, ignore_index=True).groupby(keys, as_index=False, sort=True)[values].sum()
    if (out[values] < 0).any(axis=None):
        raise NotExactError
    return out[(out[values] > 0).any(axis=1)].reset_index(drop=True)


def _families(base: pd.DataFrame, combos: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """The families' figures as they were, those of new families from their own sheets, counts as they are."""
    table = pd.concat([base, now[~now["family"].isin(base["family"])]], ignore_index=True)
    counts = combos.groupby("family")["n"].sum()
    table = table.assign(n=table["family"].map(counts).fillna(0).astype(np.int64))
    return table[table["n"] > 0].sort_values("family", ignore_index=True)


def _fill(base: SufficientStatistics, combos: pd.DataFrame, families: pd.DataFrame) -> Columns:
    """What stands in for missing figures: as it was, for new families from what is known now."""
    kept = base.facts().stand_ins()
    new = np.flatnonzero(~np.isin(families["family"], kept["family"]))
    if not new.size:
        return kept
    now = learn_facts(combos, families).stand_ins()
    now["newest"] = np.full(len(families), np.max(kept["newest"]))
    return {name: np.append(kept[name], now[name][new]) for name in kept}


def _sums(block: Block, parts: Sequence[_Placed], cells: int) -> Sums:
    units = np.array(block.units)
    unit = units[:, None] * units
    codes = np.zeros((cells, len(units), len(units)))
    for sums, place, sign in parts:
        there = place >= 0
        codes[place[there]] += sign * np.rint(sums[block.name].moments[there] * unit)
    moments = codes / unit
    return Sums(parts[0][0][block.name].columns, moments, moments[:, 0, 0].copy())


def _products(
    base: pd.DataFrame, plus: pd.DataFrame, minus: pd.DataFrame, cells: pd.DataFrame
) -> pd.DataFrame:
    unit = RESIDUAL_UNIT**2
    parts = [
        p.assign(n=sign * p["n"], total=sign * np.rint(p["total"] * unit))
        for p, sign in ((base, 1.0), (plus, 1.0), (minus, -1.0))
        if len(p)
    ]
    summed = pd.concat(parts).groupby(_PRODUCT_KEYS)[["n", "total"]].sum()
    there = cells[["source", "scale_class"]].drop_duplicates().sort_values(["source", "scale_class"])
    names = [link.name for link in LINKS]
    wanted = [there.assign(a=a, b=b) for i, a in enumerate(names) for b in names[i:]]
    table = pd.concat(wanted, ignore_index=True)
    found = summed.reindex(pd.MultiIndex.from_frame(table[_PRODUCT_KEYS]), fill_value=0.0)
    return table.assign(n=found["n"].to_numpy(), total=found["total"].to_numpy() / unit)


def _cut_summary(base: Cut, plus: Cut, minus: Cut) -> dict[str, CutRows]:
    out = dict(base)
    for part, sign in ((plus, 1.0), (minus, -1.0)):
        for name, found in part.items():
            n, cut, size = out[name]
            out[name] = CutRows(n + sign * found.n, cut + sign * found.cut, size)
    return out


def _faulty(
    base: Mapping[str, tuple[float, float]],
    plus: Mapping[str, tuple[float, float]],
    minus: Mapping[str, tuple[float, float]],
) -> dict[str, tuple[float, float]]:
    out = {}
    for source in sorted({*base, *plus, *minus}):
        a, b, c = (part.get(source, (0.0, 0.0)) for part in (base, plus, minus))
        units, bad = a[0] + b[0] - c[0], a[1] + b[1] - c[1]
        if units > 0.0:
            out[source] = (units, bad)
    return out


def _due(base: SufficientStatistics, grown: UpdatedSums, new_cut: Cut) -> tuple[str, ...]:
    reasons = []
    changed = (grown.added + grown.removed) / max(base.cut.units, 1.0)
    if changed > CHANGED_SHARE:
        reasons.append(
            f"units changed since the last full refit come to {percent(changed)} of the fleet then"
        )
    new = grown.new_levels / max(grown.gathered.cut.units, 1.0)
    if new > NEW_LEVEL_SHARE:
        reasons.append(f"{percent(new)} of units are of families, sources or kinds that it had not seen")
    reasons += _risen(base.cut.cut, new_cut)
    return tuple(reasons)


def _risen(before: Cut, new: Cut) -> Sequence[str]:
    """Links in which far more of the new rows than of the old lie beyond the cut."""
    out = []
    for name, (n, cut, _) in new.items():
        share = (before[name].cut + 1.0) / (before[name].n + 20.0)
        rise = cut / n - share if n else 0.0
        if rise > CUT_RISE and rise > CUT_SIGNIFICANCE * np.sqrt(share * (1.0 - share) / n):
            out.append(f"{LINK[name].words}: {percent(cut / n)} of new units lie beyond the cut")
    return out
