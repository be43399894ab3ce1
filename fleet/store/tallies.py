"""Tallies: counts, sums and sums of products per cell, for all links in one scan.

The SQL here keeps to the subset that other engines read as well: explicit GROUP BY and ORDER BY, ``case``,
``cast``, ``percentile_cont``, no engine's own functions.  Readings enter every sum as integer codes, so that
the results are exact whatever the order of the rows or the number of threads.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.models.links import (
    CONFLICT_BUILT_IN_DEG,
    COVARIATES,
    FACTORS,
    JUDGED,
    KIND_SCALE_EXPRESSION,
    LINK,
    LINKS,
    PAIR_COVARIATES,
    PAIRED,
    PRODUCTS,
    READINGS,
    RESPONSES,
    SAG_EDGES,
    SCALE_EXPRESSION,
    SPHERICAL,
    TYPICAL_DRAG,
    TYPICAL_VTA_DEG,
    Link,
    covariate_unit,
)
from fleet.models.sums import Fitted, Sums

Floats = NDArray[np.float64]
CELL_KEYS = (*FACTORS, "scale_class")
RESIDUAL_UNIT = 1000.0

_LABELS = {
    "profile": "coalesce(stylus_profile, '')",
    "cantilever": "coalesce(cantilever_material, '')",
    "source": "coalesce(assembly_source, '')",
    "family": "coalesce(body_family, '')",
    "generator": "coalesce(generator, '')",
    "frequency": "coalesce(cast(cast(compliance_frequency_hz as integer) as varchar), '')",
    "bench": "coalesce(bench, '')",
}


def _code(expression: str, unit: float) -> str:
    return f"cast(floor(({expression}) * cast({unit!r} as double) + cast(0.5 as double)) as bigint)"


def _scale_class() -> str:
    whens = " ".join(f"when s_kind < cast({edge!r} as double) then {i}" for i, edge in enumerate(SAG_EDGES))
    last = len(SAG_EDGES)
    return f"case when s_kind is null or not known then {last + 1} {whens} else {last} end"


def observation_sql(source: str) -> str:
    """SQL that turns bench sheets into coded observations (the twin of `fleet.models.links.observe`).

    Parameters
    ----------
    source : name of a relation with the bench sheets' canonical columns; ``fill_in`` must be there too
    """
    labels = ", ".join(f"{sql} as {name}" for name, sql in _LABELS.items())
    rake = {"sra_static_deg", "sra_dynamic_deg", "zenith_deg"}
    spherical = f"coalesce(stylus_profile, '') = '{SPHERICAL}'"
    readings = ", ".join(
        f"case when {spherical} then null else {r} end as {r}" if r in rake else r for r in READINGS
    )
    covariates = []
    for name, (expression, unit) in COVARIATES.items():
        coded = _code(expression, unit)
        covariates.append(
            f"coalesce({coded}, 0) as {name}" if name in ("warm", "aged") else f"{coded} as {name}"
        )
    responses = [f"{_code(expression, unit)} as y_{name}" for name, (expression, unit) in RESPONSES.items()]
    products = [f"({a} * {b}) as {name}" for name, (a, b) in PRODUCTS.items()]
    guess = f"cast({TYPICAL_DRAG} as double) * ({SCALE_EXPRESSION.replace('t_used', 'vta_dynamic_deg')})"
    keep = ", ".join([*FACTORS, "scale_class"])
    return f"""
with plain as (
  select sheet_no, {labels}, {readings}, vtf_mn, compliance_um_per_mn, cantilever_length_mm,
    temperature_c, hours_used, tilt_room_deg, tilt_applied_deg, bench_minutes
  from {source}
), filled as (
  select p.sheet_no, {", ".join(f"p.{f}" for f in FACTORS)}, {", ".join(f"p.{r}" for r in READINGS)},
    coalesce(p.vtf_mn, f.n_fill) as vtf_mn,
    coalesce(p.compliance_um_per_mn, f.c_fill) as c_used,
    coalesce(p.cantilever_length_mm, f.l_fill) as l_used,
    (p.compliance_um_per_mn is not null or coalesce(f.c_sure, false))
      and (p.cantilever_length_mm is not null or coalesce(f.l_sure, false)) as known,
    f.t_fill as t_fill, p.temperature_c, p.hours_used, p.tilt_room_deg, p.tilt_applied_deg,
    case when p.bench_minutes > 0 then p.bench_minutes else null end as bench_minutes,
    case when p.sra_dynamic_deg - p.vta_dynamic_deg < cast({CONFLICT_BUILT_IN_DEG} as double)
      then 1 else 0 end as conflict_flag
  from plain p left join fill_in f on p.family = f.family
), tracked as (
  select *, vta_dynamic_deg + coalesce(sra_static_deg - sra_dynamic_deg, {guess}) as t_read from filled
), angled as (
  select *,
    coalesce(t_read, t_fill, cast({TYPICAL_VTA_DEG} as double)) as t_used,
    coalesce(t_fill, t_read, cast({TYPICAL_VTA_DEG} as double)) as t_kind from tracked
), scaled as (
  select *, {SCALE_EXPRESSION} as s_deg, {KIND_SCALE_EXPRESSION} as s_kind from angled
), coded as (
  select sheet_no, {", ".join(FACTORS)}, {_scale_class()} as scale_class,
    {", ".join(covariates)}, {", ".join(responses)}
  from scaled
)
select {keep}, sheet_no, {", ".join(COVARIATES)}, {", ".join(products)},
  {", ".join(f"y_{name}" for name in RESPONSES)}
from coded"""


class Tallier:
    """Coded observations of one relation, summed up on request.

    Parameters
    ----------
    con : an open connection in which ``source`` can be read
    source : relation with the teaching sheets
    fill : indexed by family, columns ``c_fill, l_fill, n_fill, t_fill, c_sure, l_sure``
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, source: str, fill: pd.DataFrame) -> None:
        self._con = con
        con.register("fill_frame", fill.rename_axis("family").reset_index())
        con.execute("create or replace temp table fill_in as select * from fill_frame").fetchall()
        con.unregister("fill_frame")
        keys = ", ".join(CELL_KEYS)
        con.execute(f"create or replace temp table coded_rows as {observation_sql(source)}").fetchall()
        con.execute(
            f"create or replace temp table cell_list as select cast(row_number() over (order by {keys}) - 1 "
            f"as integer) as cell, {keys}, cast(n as integer) as n from "
            f"(select {keys}, count(*) as n from coded_rows group by {keys})"
        ).fetchall()
        same = " and ".join(f"r.{k} = c.{k}" for k in CELL_KEYS)
        kept = ", ".join(f"r.{c}" for c in (*COVARIATES, *PRODUCTS, *(f"y_{n}" for n in RESPONSES)))
        con.execute(
            f"create or replace temp table observed as select c.cell, {kept} "
            f"from coded_rows r join cell_list c on {same}"
        ).fetchall()
        con.execute("drop table coded_rows").fetchall()
        self.cells: pd.DataFrame = con.sql("select * from cell_list order by cell").df()

    def sums(
        self, fits: Mapping[str, Fitted] | None = None, names: Iterable[str] | None = None
    ) -> dict[str, Sums]:
        """Moments of every link in one scan, leaving out rows beyond their cut.

        Parameters
        ----------
        fits : fitted values and cuts per cell from an earlier pass; None takes every reading
        names : links wanted, default all
        """
        links = [LINK[n] for n in names] if names is not None else list(LINKS)
        self._register(fits)
        blocks = [_Block((link.name,), link.columns) for link in links]
        if set(PAIRED) <= {link.name for link in links}:
            blocks.append(_Block(PAIRED, PAIR_COVARIATES))
        parts = [expr for block in blocks for expr in block.sql()]
        inner = self._residual_sql(links, fits)
        rows = self._frame(f"select cell, {', '.join(parts)} from ({inner}) group by cell order by cell")
        table = rows.set_index("cell").reindex(range(len(self.cells))).fillna(0.0)
        return {block.name: block.sums(table) for block in blocks}

    def middle(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Median absolute residual: columns link, source, scale_class, n, mad."""
        self._register(fits)
        links = [LINK[n] for n in fits]
        inner = self._residual_sql(links, fits)
        frames = []
        for link in links:
            sql = (
                f"select c.source, c.scale_class, count(*) as n, percentile_cont(0.5) within group "
                f"(order by abs(r_{link.name})) / {RESIDUAL_UNIT} as mad from ({inner}) x join cell_list c "
                f"on x.cell = c.cell where r_{link.name} is not null group by c.source, c.scale_class "
                f"order by c.source, c.scale_class"
            )
            frames.append(self._frame(sql).assign(link=link.name))
        return pd.concat(frames, ignore_index=True)

    def residual_products(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Sums of products of residuals of every pair of links, per source and scale class, inside the cuts.

        Returns
        -------
        DataFrame
            Columns source, scale_class, a, b, n, total: ``total`` is the sum of ``r_a * r_b`` over rows where
            both are inside their cut.
        """
        self._register(fits)
        names = list(fits)
        inner = self._residual_sql([LINK[n] for n in names], fits)
        pairs = [(a, b) for i, a in enumerate(names) for b in names[i:]]
        parts = []
        for i, (a, b) in enumerate(pairs):
            both = f"keep_{a} and keep_{b}"
            parts.append(f"sum(case when {both} then 1 else 0 end) as n{i}")
            parts.append(f"sum(case when {both} then r_{a} * r_{b} else 0 end) as t{i}")
        wide = self._frame(
            f"select c.source, c.scale_class, {', '.join(parts)} from ({inner}) x "
            f"join cell_list c on x.cell = c.cell "
            f"group by c.source, c.scale_class order by c.source, c.scale_class"
        )
        frames = [
            wide[["source", "scale_class"]].assign(
                a=a, b=b, n=wide[f"n{i}"].astype(float), total=wide[f"t{i}"].astype(float) / RESIDUAL_UNIT**2
            )
            for i, (a, b) in enumerate(pairs)
        ]
        return pd.concat(frames, ignore_index=True)

    def cut_summary(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Per link: rows read, rows cut, median size of the cut residuals (columns n, cut, cut_size)."""
        self._register(fits)
        inner = self._residual_sql([LINK[n] for n in fits], fits)
        frames = []
        for name in fits:
            sql = (
                f"select count(*) as n, sum(case when keep_{name} then 0 else 1 end) as cut, "
                f"percentile_cont(0.5) within group (order by case when keep_{name} then null "
                f"else abs(r_{name}) end) / {RESIDUAL_UNIT} as cut_size "
                f"from ({inner}) where r_{name} is not null"
            )
            frames.append(self._frame(sql).assign(link=name))
        out = pd.concat(frames, ignore_index=True).set_index("link")
        return out.astype(float).fillna(0.0)

    def faulty(self, fits: Mapping[str, Fitted]) -> dict[str, tuple[float, float]]:
        """Per source: units, and units beyond the cut of any judged link."""
        self._register(fits)
        names = [n for n in JUDGED if n in fits]
        inner = self._residual_sql([LINK[n] for n in names], fits)
        beyond = " or ".join(f"(r_{n} is not null and not keep_{n})" for n in names)
        rows = self._con.execute(
            f"select c.source, count(*) as n, sum(case when {beyond} then 1 else 0 end) as bad "
            f"from ({inner}) x join cell_list c on x.cell = c.cell group by c.source order by c.source"
        ).fetchall()
        return {str(source): (float(n), float(bad)) for source, n, bad in rows}

    def _frame(self, query: str) -> pd.DataFrame:
        frame: pd.DataFrame = self._con.sql(query).df()
        return frame

    def _register(self, fits: Mapping[str, Fitted] | None) -> None:
        if fits is None:
            return
        wide: dict[str, Floats | NDArray[np.int32]] = {"cell": np.arange(len(self.cells), dtype=np.int32)}
        for name, fit in fits.items():
            wide[f"bound_{name}"] = fit.bound * RESIDUAL_UNIT
            wide[f"a_{name}"] = fit.at_zero
            for covariate, slope in fit.slopes.items():
                wide[f"b_{name}_{covariate}"] = slope
        self._con.register("fit_frame", pd.DataFrame(wide))
        self._con.execute("create or replace temp table fit_in as select * from fit_frame").fetchall()
        self._con.unregister("fit_frame")

    @staticmethod
    def _residual_sql(links: Sequence[Link], fits: Mapping[str, Fitted] | None) -> str:
        """Rows with, per link, ``keep_`` (in the sums or not) and, with fits, ``r_`` (coded residual)."""
        used = dict.fromkeys(c for link in links for c in link.columns)
        base = ", ".join(["o.cell", *(f"o.{c}" for c in used), *(f"o.y_{link.name}" for link in links)])
        if fits is None:
            keeps = ", ".join(f"({_present(link)}) as keep_{link.name}" for link in links)
            return f"select {base}, {keeps} from observed o"
        residuals = ", ".join(f"{_residual(link)} as r_{link.name}" for link in links)
        bounds = ", ".join(f"f.bound_{link.name}" for link in links)
        keeps = ", ".join(
            f"(r_{link.name} is not null and abs(r_{link.name}) <= bound_{link.name}) as keep_{link.name}"
            for link in links
        )
        inner = f"select {base}, {bounds}, {residuals} from observed o join fit_in f on o.cell = f.cell"
        return f"select *, {keeps} from ({inner})"


def _present(link: Link, prefix: str = "o.") -> str:
    needed = [f"{prefix}y_{link.name}", *(f"{prefix}{c}" for c in link.columns)]
    return " and ".join(f"{c} is not null" for c in needed)


def _residual(link: Link) -> str:
    unit = RESPONSES[link.name][1]
    parts = [f"f.a_{link.name}"]
    parts += [f"f.b_{link.name}_{c} * o.{c} / cast({covariate_unit(c)!r} as double)" for c in link.columns]
    value = f"o.y_{link.name} / cast({unit!r} as double) - ({' + '.join(parts)})"
    return f"case when {_present(link)} then {_code(value, RESIDUAL_UNIT)} else null end"


@dataclass(frozen=True)
class _Block:
    """The sums of products of one link, or of several responses together."""

    responses: tuple[str, ...]
    covariates: tuple[str, ...]

    @property
    def name(self) -> str:
        return "+".join(self.responses)

    def _pairs(self) -> list[tuple[int, int, str]]:
        size = 1 + len(self.covariates) + len(self.responses)
        label = "_".join(self.responses)
        return [(i, j, f"m_{label}_{i}_{j}") for i in range(size) for j in range(i, size)]

    def sql(self) -> list[str]:
        shifted = [f"(y_{r} - {round(LINK[r].centre * RESPONSES[r][1])})" for r in self.responses]
        names = ["1", *self.covariates, *shifted]
        keep = " and ".join(f"keep_{r}" for r in self.responses)
        out = []
        for i, j, name in self._pairs():
            product = " * ".join(f"cast({x} as bigint)" for x in (names[i], names[j]) if x != "1") or "1"
            out.append(f"cast(sum(case when {keep} then {product} else 0 end) as double) as {name}")
        return out

    def sums(self, table: pd.DataFrame) -> Sums:
        units = [
            1.0,
            *(covariate_unit(c) for c in self.covariates),
            *(RESPONSES[r][1] for r in self.responses),
        ]
        moments = np.empty((len(table), len(units), len(units)))
        for i, j, name in self._pairs():
            value = table[name].to_numpy(dtype=np.float64) / (units[i] * units[j])
            moments[:, i, j] = moments[:, j, i] = value
        return Sums(("1", *self.covariates, *self.responses), moments, moments[:, 0, 0].copy())


def fleet_tables(con: duckdb.DuckDBPyConnection, source: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Combinations of factors with their counts, and the families' median figures (see `learn_facts`).

    Parameters
    ----------
    con : an open connection
    source : relation with the teaching sheets
    """
    labels = ", ".join(f"{sql} as {name}" for name, sql in _LABELS.items())
    keys = ", ".join(FACTORS)
    combos = con.sql(
        f"select {keys}, cast(count(*) as integer) as n from (select {labels} from {source}) "
        f"group by {keys} order by {keys}"
    ).df()
    still = "vta_dynamic_deg + coalesce(sra_static_deg - sra_dynamic_deg, 0)"
    wanted = {
        "compliance_um_per_mn": "compliance_um_per_mn",
        "cantilever_length_mm": "cantilever_length_mm",
        "vtf_mn": "vtf_mn",
        "vta_static_deg": still,
        "tilt_room_deg": "tilt_room_deg",
    }
    medians = ", ".join(
        f"percentile_cont(0.5) within group (order by {expr}) as {name}" for name, expr in wanted.items()
    )
    families = con.sql(
        f"select coalesce(body_family, '') as family, {medians}, cast(count(*) as integer) as n "
        f"from {source} group by coalesce(body_family, '') order by family"
    ).df()
    return combos, families


def newest_intake(con: duckdb.DuckDBPyConnection) -> int:
    """Number of the newest intake, 0 before the first."""
    return int(con.execute("select coalesce(max(intake_id), 0) from intake").fetchall()[0][0])


def repeat_differences(con: duckdb.DuckDBPyConnection, source: str, *, within_days: int = 92) -> pd.DataFrame:
    """Differences between consecutive readings of the same unit, one row a pair of sheets.

    Parameters
    ----------
    con : an open connection
    source : relation with every current sheet and its ``unit``
    within_days : pairs further apart tell of wear, not of reading noise
    """
    later = ", ".join(f"{r} - lag({r}) over w as {r}" for r in READINGS)
    wanted = ", ".join(READINGS)
    found: pd.DataFrame = con.sql(
        f"select {wanted} from (select {later}, measured_on - lag(measured_on) over w as days from {source} "
        f"where purpose = 'unit' window w as (partition by unit order by measured_on, sheet_no)) "
        f"where days is not null and days <= {int(within_days)}"
    ).df()
    return found
