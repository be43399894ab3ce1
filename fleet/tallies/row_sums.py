"""Coded rows summed up exactly: whole numbers, multiplied and added as doubles while these hold them exactly.

A double holds every whole number up to 2^53.  Products of codes are added within a cell in blocks of rows;
by Cauchy and Schwarz no partial sum of ``a b`` is larger than the root of ``Σa² Σb²``, so a block whose sums
of squares stay below 2^53 was added without rounding, in whatever order.  Any other block is halved.  Blocks
are added up in two parts, above and below 2^26, which no fleet can fill.  So sums depend neither on the
order of the rows nor on how they come in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.cell_sums import CutRows, Fitted, Scan, Sums
from fleet.house_model.chain import (
    JUDGED,
    LINK,
    LINKS,
    PAIR_COVARIATES,
    PAIRED,
    RESPONSES,
    YEARS,
    Link,
    covariate_unit,
)
from fleet.rows import Columns, combinations, groups_in_order, height, plain, take_rows

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
RESIDUAL_UNIT: Final = 1000.0
EXACT: Final = 2.0**53
HALF: Final = 2.0**26
WIDEST: Final = 2.0**32
"""Larger than any residual's code."""
ROWS: Final = 32_768
"""Rows summed at a time: few enough that their columns stay in the processor's cache."""


@dataclass(frozen=True)
class Block:
    """The sums of products of one link, or of several responses together."""

    responses: tuple[str, ...]
    covariates: tuple[str, ...]

    @property
    def name(self) -> str:
        """The link's name, several joined by ``+``."""
        return "+".join(self.responses)

    @property
    def units(self) -> tuple[float, ...]:
        """What turns the codes of each column into natural units."""
        own = (covariate_unit(c) for c in self.covariates)
        return (1.0, *own, *(RESPONSES[r][1] for r in self.responses))

    @property
    def shifts(self) -> tuple[int, ...]:
        """What is taken off each response's code before products are formed."""
        return tuple(round(LINK[r].centre * RESPONSES[r][1]) for r in self.responses)

    @property
    def pairs(self) -> list[tuple[int, int]]:
        """Every two columns once, the first of them the ones."""
        size = len(self.units)
        return [(i, j) for i in range(size) for j in range(i, size)]

    def sums(self, totals: Floats) -> Sums:
        """Moments per cell from the totals of every pair of columns, (cells, pairs)."""
        units = self.units
        moments = np.empty((len(totals), len(units), len(units)))
        for (i, j), total in zip(self.pairs, totals.T, strict=True):
            moments[:, i, j] = moments[:, j, i] = total / (units[i] * units[j])
        return Sums(("1", *self.covariates, *self.responses), moments, moments[:, 0, 0].copy())


def blocks_of(links: Sequence[Link]) -> list[Block]:
    """Blocks that sum these links up, with tracking and built-in angle together where both are asked for."""
    blocks = [Block((link.name,), link.columns) for link in links]
    if set(PAIRED) <= {link.name for link in links}:
        blocks.append(Block(PAIRED, PAIR_COVARIATES))
    return blocks


EVERY_BLOCK: Final = tuple(blocks_of(LINKS))


class Rows(NamedTuple):
    """Some coded rows: the number of each one's cell, and its codes by name, NaN where missing."""

    cell: Ints
    codes: Mapping[str, Floats]
    runs: tuple[Ints, Ints] | None = None
    """If they are in order of their cells, these cells and how many rows each has."""

    def each(self, values: Floats) -> Floats:
        """The value of each row's cell."""
        return values[self.cell] if self.runs is None else values[self.runs[0]].repeat(self.runs[1])


class Totals:
    """Exact sums of products of some columns, per group of rows.

    Parameters
    ----------
    groups : how many groups there are
    pairs : the columns to multiply, by their places; the first column holds 1, or 0 where all others do
    """

    def __init__(self, groups: int, pairs: Sequence[tuple[int, int]]) -> None:
        self._pairs = list(pairs)
        self._squares = [p for p, (i, j) in enumerate(pairs) if i == j]
        self._high, self._low = np.zeros((2, groups, len(self._pairs)))

    def add(self, group: Ints, starts: Ints, columns: Sequence[Floats]) -> None:
        """Add rows in order of their groups; ``starts`` are the places where a group begins."""
        part = np.empty((len(self._pairs), len(starts)))
        for p, (i, j) in enumerate(self._pairs):
            product = columns[j] if i == 0 else columns[i] * columns[j]
            np.add.reduceat(product, starts, out=part[p])
        if part[self._squares].max(initial=0.0) >= EXACT:
            self._add_in_halves(group, columns)
            return
        high = np.floor(part / HALF)
        there = group[starts]
        self._high[there] += high.T
        self._low[there] += (part - high * HALF).T

    def _add_in_halves(self, group: Ints, columns: Sequence[Floats]) -> None:
        if len(group) == 1:
            whole = [int(c[0]) for c in columns]
            for p, (i, j) in enumerate(self._pairs):
                high, low = divmod(whole[i] * whole[j], int(HALF))
                self._high[group[0], p] += high
                self._low[group[0], p] += low
            return
        middle = len(group) // 2
        for part in (slice(None, middle), slice(middle, None)):
            self.add(group[part], beginnings(group[part]), [c[part] for c in columns])

    def values(self) -> Floats:
        """The sums (groups, pairs), each the double next to its whole number."""
        carried = np.floor(self._low / HALF)
        return np.asarray((self._high + carried) * HALF + (self._low - carried * HALF))


def beginnings(group: Ints) -> Ints:
    """Places at which rows in order of their groups begin with another one."""
    return np.flatnonzero(np.diff(group, prepend=-1))


def coded_residuals(
    rows: Rows, link: Link, fits: Mapping[str, Fitted] | None
) -> tuple[Floats, NDArray[np.bool_]]:
    """Coded residual of each row (without fits the response), NaN where a code is missing; what is kept.

    The twin of `fleet.tallies.sql_sums.residual_sql`: the same steps in the same order, for the same bits.
    """
    y = rows.codes[f"y_{link.name}"]
    if fits is None:
        return y, ~np.logical_or.reduce([np.isnan(y), *(np.isnan(rows.codes[c]) for c in link.columns)])
    fit = fits[link.name]
    expected = rows.each(fit.at_zero)
    for c in link.columns:
        slope = rows.each(fit.slopes[c])
        slope *= rows.codes[c]
        slope /= covariate_unit(c)
        expected += slope
    value = y / RESPONSES[link.name][1]
    value -= expected
    value *= RESIDUAL_UNIT
    value += 0.5
    residual = np.floor(value, out=value)
    return residual, np.abs(residual) <= rows.each(fit.bound * RESIDUAL_UNIT)


class _Summing:
    """One pass over the rows: sums of every block, and what the residuals come to."""

    def __init__(
        self, cells: Columns, links: Sequence[Link], fits: Mapping[str, Fitted] | None, *, whole: bool
    ) -> None:
        self.cells, self.links, self.fits, self.whole = cells, links, fits, whole
        self.names = [link.name for link in links]
        self.blocks = blocks_of(links)
        self.group, first = groups_in_order(cells, _GROUP)
        self.groups, many = take_rows(plain(cells), first, _GROUP), len(self.group)
        self.totals = {b.name: Totals(many, b.pairs) for b in self.blocks}
        self.rank = np.empty(many, dtype=np.uint16 if many < 2**16 else np.int64)
        self.rank[np.argsort(self.group, kind="stable")] = np.arange(many)
        size = len(links) + 1
        self.pairs = [(i, j) for i in range(1, size) for j in range(i, size)]
        self.products = Totals(len(first), self.pairs)
        self.patterns = np.zeros((len(first), 2 ** len(links)))
        self.rows, self.bad = np.zeros((2, many))
        self.sizes: dict[str, list[Floats]] = {n: [] for n in self.names}
        self.read = np.zeros(len(links))

    def add(self, rows: Rows) -> None:
        """Add some rows, at most `ROWS`."""
        order = np.argsort(self.rank[rows.cell], kind="stable")
        cell = rows.cell[order]
        starts = beginnings(cell)
        runs = cell[starts], np.diff(starts, append=len(cell))
        rows = Rows(cell, {name: code.take(order) for name, code in rows.codes.items()}, runs)
        self.rows += np.bincount(rows.cell, minlength=len(self.rows))
        found = [coded_residuals(rows, link, self.fits) for link in self.links]
        kept = dict(zip(self.names, (keep for _, keep in found), strict=True))
        told = {name: np.where(np.isnan(code), 0.0, code) for name, code in rows.codes.items()}
        for block in self.blocks:
            keep = np.logical_and.reduce([kept[r] for r in block.responses])
            if keep.any():
                one = keep.astype(np.float64)
                masked = [one, *(told[c] * one for c in block.covariates)]
                masked += [
                    (told[f"y_{r}"] - s) * one for r, s in zip(block.responses, block.shifts, strict=True)
                ]
                self.totals[block.name].add(rows.cell, starts, masked)
        if self.whole:
            self._compare(rows.cell, [residual for residual, _ in found], list(kept.values()))

    def _compare(self, cell: Ints, residual: list[Floats], kept: list[NDArray[np.bool_]]) -> None:
        faulty = np.zeros(len(cell), dtype=bool)
        for i, name in enumerate(self.names):
            read = ~np.isnan(residual[i])
            beyond = read & ~kept[i]
            self.read[i] += read.sum()
            self.sizes[name].append(np.abs(residual[i][beyond]))
            if name in JUDGED:
                faulty |= beyond
        self.bad += np.bincount(cell[faulty], minlength=len(self.bad))
        group = self.group[cell]
        inside = [np.where(k, r, 0.0) for k, r in zip(kept, residual, strict=True)]
        self.products.add(group, beginnings(group), [np.ones(len(cell)), *inside])
        pattern = group * self.patterns.shape[1]
        for i, k in enumerate(kept):
            pattern += k.astype(np.int64) << i
        self.patterns += np.bincount(pattern, minlength=self.patterns.size).reshape(self.patterns.shape)

    def sums(self) -> dict[str, Sums]:
        """Moments of every block."""
        return {b.name: b.sums(self.totals[b.name].values()) for b in self.blocks}

    def scan(self) -> Scan:
        """All that the pass found."""
        sizes = [np.concatenate([*self.sizes[n], np.empty(0)]) for n in self.names]
        middle = [float(np.median(s)) / RESIDUAL_UNIT if s.size else 0.0 for s in sizes]
        cut = {
            name: CutRows(float(n), float(s.size), size)
            for name, n, s, size in zip(self.names, self.read, sizes, middle, strict=True)
        }
        kept = np.arange(self.patterns.shape[1])[:, None] >> np.arange(len(self.names)) & 1
        both = np.array([self.patterns @ (kept[:, i - 1] * kept[:, j - 1]) for i, j in self.pairs])
        products = product_columns(self.groups, self.names, both, self.products.values().T / RESIDUAL_UNIT**2)
        return Scan(self.rows, self.sums(), products, cut, faulty_by_source(self.cells, self.rows, self.bad))


_GROUP: Final = ["source", "scale_class"]


def product_columns(groups: Columns, names: Sequence[str], n: Floats, total: Floats) -> Columns:
    """Sums of products of two links' residuals as `Scan` holds them, from one row a pair of links."""
    one, other = zip(*((a, b) for i, a in enumerate(names) for b in names[i:]), strict=True)
    columns = {key: np.tile(groups[key], len(one)) for key in _GROUP}
    columns |= {"a": np.repeat(one, n.shape[1]), "b": np.repeat(other, n.shape[1])}
    return {**columns, "n": n.ravel(), "total": total.ravel()}


def faulty_by_source(cells: Columns, rows: Floats, bad: Floats) -> dict[str, tuple[float, float]]:
    """Per source that has any: units, and units beyond the cut of any judged link."""
    code, first = groups_in_order(cells, ["source"])
    names = np.asarray(cells["source"])[first].tolist()
    n, beyond = (np.bincount(code, x, minlength=len(first)).tolist() for x in (rows, bad))
    return {str(s): (a, b) for s, a, b in zip(names, n, beyond, strict=True) if a > 0.0}


class RowTallies:
    """Coded rows summed up on request (see `fleet.house_model.cell_sums.Tallies`).

    Parameters
    ----------
    cells : one row a cell: the factors and ``scale_class``
    rows : gives the coded rows anew whenever it is called, some at a time
    """

    def __init__(self, cells: Columns, rows: Callable[[], Iterable[Rows]]) -> None:
        self.cells, self._rows = cells, rows

    @classmethod
    def held(cls, cells: Columns, rows: Iterable[Rows]) -> RowTallies:
        """Tallies of rows that are few enough to be held; their cells are those that occur, and how often."""
        held = list(rows)
        many = height(cells)
        n = sum((np.bincount(r.cell, minlength=many) for r in held), np.zeros(many, dtype=int))
        there = np.flatnonzero(n)
        place = np.cumsum(n > 0) - 1
        own = {"cell": np.arange(len(there), dtype=np.int32), **take_rows(plain(cells), there), "n": n[there]}
        rows = [Rows(place[r.cell], r.codes) for r in held]
        return cls(own, lambda: rows)

    def sums(
        self, fits: Mapping[str, Fitted] | None = None, names: Iterable[str] | None = None
    ) -> dict[str, Sums]:
        """Moments of every link, leaving out rows beyond their cut.

        Parameters
        ----------
        fits : fitted values and cuts per cell from an earlier pass; None takes every reading
        names : links wanted, default all
        """
        links = [LINK[n] for n in names] if names is not None else list(LINKS)
        return self._pass(_Summing(self.cells, links, fits, whole=False)).sums()

    def scan(self, fits: Mapping[str, Fitted]) -> Scan:
        """Everything that the rows come to under these cuts, in one pass."""
        return self._pass(_Summing(self.cells, list(LINKS), fits, whole=True)).scan()

    def middle(self, fits: Mapping[str, Fitted]) -> dict[str, Columns]:
        """Per link its median absolute residual: columns source, family, scale_class, n, mad."""
        by = ["source", "family", "scale_class"]
        code, first = combinations(self.cells, by)
        labels, rows = take_rows(plain(self.cells), first, by), list(self._rows())
        out: dict[str, Columns] = {}
        for name in fits:
            # in order of groups and, within them, of sizes, which are whole numbers
            sizes = (np.abs(coded_residuals(r, LINK[name], fits)[0]) for r in rows)
            keys = [
                code[r.cell] * WIDEST + np.minimum(x, WIDEST - 1.0) for r, x in zip(rows, sizes, strict=True)
            ]
            key = np.sort(np.concatenate([np.empty(0), *keys]))
            key = key[: len(key) - int(np.isnan(key).sum())]
            n = np.bincount((key // WIDEST).astype(np.int64), minlength=len(first))
            seen, end = np.flatnonzero(n), np.cumsum(n)
            middle = end[seen] - n[seen] + (n[seen] - 1) // 2, end[seen] - n[seen] + n[seen] // 2
            mad = 0.5 * (key[middle[0]] + key[middle[1]]) - seen * WIDEST
            out[name] = {**take_rows(labels, seen), "n": n[seen], "mad": mad / RESIDUAL_UNIT}
        return out

    def residuals(
        self, fits: Mapping[str, Fitted], names: Sequence[str], most: int
    ) -> tuple[Ints, Floats, Floats]:
        """Cells, years and residuals (rows, names) of about so many rows, the same however they come in."""
        held = list(self._rows())
        step = -(-sum(len(r.cell) for r in held) // most) or 1
        parts: list[tuple[Ints, Floats, Floats]] = []
        for rows in held:
            chance = np.nan_to_num([rows.codes[f"y_{n}"] for n in names]).sum(axis=0) % step
            some = np.flatnonzero(chance == 0.0)
            own = Rows(rows.cell[some], {name: code[some] for name, code in rows.codes.items()})
            each = [coded_residuals(own, LINK[n], fits)[0] / RESIDUAL_UNIT for n in names]
            parts.append((own.cell, own.codes[YEARS] / covariate_unit(YEARS), np.stack(each, axis=1)))
        cell, years, value = (np.concatenate(x) for x in zip(*parts, strict=True))
        order = np.lexsort((*value.T, years, cell))
        return cell[order], years[order], value[order]

    def _pass(self, summing: _Summing) -> _Summing:
        for rows in self._rows():
            for start in range(0, len(rows.cell), ROWS):
                some = slice(start, start + ROWS)
                summing.add(Rows(rows.cell[some], {name: code[some] for name, code in rows.codes.items()}))
        return summing
