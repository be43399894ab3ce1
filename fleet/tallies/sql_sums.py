"""The sums of `fleet.tallies.row_sums` as portable SQL, for an engine whose rows are too many to be fetched.

The same rows, the same cuts, the same whole numbers: to the last bit the same answer
(``tests/tallies/test_sql_sums.py`` on DuckDB, ``tests/tallies/test_spark.py`` on Spark).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.cell_sums import CutRows, Fitted, Scan
from fleet.house_model.chain import JUDGED, LINKS, RESPONSES, Link, covariate_unit
from fleet.rows import Columns, height, plain
from fleet.tallies.queries import code, number
from fleet.tallies.row_sums import (
    EVERY_BLOCK,
    RESIDUAL_UNIT,
    Block,
    Floats,
    faulty_by_source,
    product_columns,
)

OBSERVED, FITS, CELLS = "observed", "fit_in", "cell_list"
WIDE_UNIT: Final = 1e8
"""Products whose codes are finer than this are formed from DECIMAL(19), so as DECIMAL(38): a bigint overflows
in one cell of some ten million sheets."""
_NAMES: Final = tuple(link.name for link in LINKS)
_PAIRS: Final = tuple((a, b) for i, a in enumerate(_NAMES) for b in _NAMES[i:])


class Tables(Protocol):
    """What answers queries and holds passing tables."""

    def table(self, query: str) -> dict[str, NDArray[Any]]:
        """The answer of a query that is small enough to look at; a missing number is NaN."""

    def keep(self, name: str, query: str) -> None:
        """Hold the answer of a query under a name, to be scanned again and again."""

    def drop(self, name: str) -> None:
        """Let go of what was kept under a name."""

    def put(self, name: str, columns: Columns) -> None:
        """Make a small table known under a name; a missing value is NULL."""


def scan_there(engine: Tables, rows: str, cells: Columns, fits: Mapping[str, Fitted]) -> Scan:
    """Have an engine sum its coded rows up under these cuts, in one scan for each kind of sum.

    Parameters
    ----------
    engine : where the rows lie
    rows : query of the coded rows (see `fleet.tallies.queries.numbered_sql`)
    cells : one row a cell, in order of the cells' numbers: the factors and ``scale_class``
    fits : fitted values and cuts per cell
    """
    engine.keep(OBSERVED, rows)
    many = height(cells)
    engine.put(FITS, fits_columns(fits, many))
    engine.put(CELLS, {**plain(cells), "cell": np.arange(many, dtype=np.int32)})
    inner = residual_sql()
    told = engine.table(sums_sql(inner))
    products = engine.table(products_sql(inner))
    both, total = (np.array([products[f"{x}{p}"] for p in range(len(_PAIRS))], dtype=float) for x in "nt")
    cut = {name: float(x[0]) for name, x in engine.table(cut_sql(inner)).items()}
    engine.drop(OBSERVED)

    def whole(*names: str) -> Floats:
        out = np.zeros((many, len(names)))
        out[told["cell"]] = np.stack([told[name] for name in names], axis=1)
        return out

    blocks = {b.name: b.sums(whole(*(_moment(b, i, j) for i, j in b.pairs))) for b in EVERY_BLOCK}
    summary = {n: CutRows(cut[f"n_{n}"], cut[f"cut_{n}"], np.nan) for n in _NAMES}
    n, bad = whole("n", "bad").T
    found = product_columns(products, _NAMES, both, total / RESIDUAL_UNIT**2)
    return Scan(n.copy(), blocks, found, summary, faulty_by_source(cells, n, bad))


def fits_columns(fits: Mapping[str, Fitted], cells: int) -> Columns:
    """Fitted values and cuts, one row a cell, as `residual_sql` reads them."""
    wide: dict[str, Floats | NDArray[np.int32]] = {"cell": np.arange(cells, dtype=np.int32)}
    for name, fit in fits.items():
        wide[f"bound_{name}"] = fit.bound * RESIDUAL_UNIT
        wide[f"a_{name}"] = fit.at_zero
        for covariate, slope in fit.slopes.items():
            wide[f"b_{name}_{covariate}"] = slope
    return wide


def residual_sql() -> str:
    """Rows with, per link, ``r_`` (coded residual) and ``keep_`` (in the sums or not)."""
    keeps = ", ".join(f"(r_{n} is not null and abs(r_{n}) <= bound_{n}) as keep_{n}" for n in _NAMES)
    residuals = ", ".join(f"{_residual(link)} as r_{link.name}" for link in LINKS)
    bounds = ", ".join(f"f.bound_{n}" for n in _NAMES)
    inner = f"select o.*, {bounds}, {residuals} from {OBSERVED} o join {FITS} f on o.cell = f.cell"
    return f"select *, {keeps} from ({inner}) inside"


def _residual(link: Link) -> str:
    present = " and ".join(f"o.{c} is not null" for c in (f"y_{link.name}", *link.columns))
    parts = [f"f.a_{link.name}"]
    parts += [f"f.b_{link.name}_{c} * o.{c} / {number(covariate_unit(c))}" for c in link.columns]
    value = f"o.y_{link.name} / {number(RESPONSES[link.name][1])} - ({' + '.join(parts)})"
    return f"case when {present} then {code(value, RESIDUAL_UNIT)} else null end"


def sums_sql(inner: str) -> str:
    """Rows, faulty rows and every block's sums of products per cell."""
    parts = [expression for block in EVERY_BLOCK for expression in _block_sql(block)]
    beyond = " or ".join(f"(r_{n} is not null and not keep_{n})" for n in JUDGED)
    return (
        f"select cell, count(*) as n, sum(case when {beyond} then 1 else 0 end) as bad, {', '.join(parts)} "
        f"from ({inner}) rows_in group by cell order by cell"
    )


def _moment(block: Block, i: int, j: int) -> str:
    return f"m_{'_'.join(block.responses)}_{i}_{j}"


def _block_sql(block: Block) -> list[str]:
    """One aggregate for each pair of columns."""
    shifted = [f"(y_{r} - {shift})" for r, shift in zip(block.responses, block.shifts, strict=True)]
    names = ["1", *block.covariates, *shifted]
    keep = " and ".join(f"keep_{r}" for r in block.responses)
    out = []
    for i, j in block.pairs:
        kind = "decimal(19, 0)" if block.units[i] * block.units[j] > WIDE_UNIT else "bigint"
        product = " * ".join(f"cast({x} as {kind})" for x in (names[i], names[j]) if x != "1") or "1"
        total = f"sum(case when {keep} then {product} else 0 end)"
        out.append(f"cast({total} as double) as {_moment(block, i, j)}")
    return out


def products_sql(inner: str) -> str:
    """Sums of products of residuals inside both cuts, per source and scale class."""
    parts = []
    for i, (a, b) in enumerate(_PAIRS):
        both = f"keep_{a} and keep_{b}"
        parts.append(f"sum(case when {both} then 1 else 0 end) as n{i}")
        parts.append(f"cast(sum(case when {both} then r_{a} * r_{b} else 0 end) as double) as t{i}")
    return (
        f"select c.source, c.scale_class, {', '.join(parts)} from ({inner}) x "
        f"join {CELLS} c on x.cell = c.cell "
        f"group by c.source, c.scale_class order by c.source, c.scale_class"
    )


def cut_sql(inner: str) -> str:
    """Rows read and rows cut of every link."""
    parts = [
        f"sum(case when r_{n} is null then 0 else 1 end) as n_{n}, "
        f"sum(case when r_{n} is null or keep_{n} then 0 else 1 end) as cut_{n}"
        for n in _NAMES
    ]
    return f"select {', '.join(parts)} from ({inner}) x"
