"""The tallies' queries as text, in the subset of SQL that DuckDB and Spark run unchanged.

Explicit GROUP BY and ORDER BY, ``case``, ``cast``, ``percentile_cont`` over whole numbers; every fraction a
double (``1.5e0``: a plain ``1.5`` is a DECIMAL to one engine and loses digits in the other); no engine's own
functions, no row numbers across the whole table.  Readings enter every sum as integer codes, so that results
are exact whatever the order of the rows, the number of threads, or the engine.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.house_model.cell_sums import Fitted, Sums
from fleet.house_model.chain import (
    CONFLICT_BUILT_IN_DEG,
    COVARIATES,
    FACTORS,
    FORCE_LIMITS,
    JUDGED,
    KIND_SCALE_EXPRESSION,
    LINK,
    LINKS,
    PAIR_COVARIATES,
    PAIRED,
    PRESSED_EXPRESSION,
    PRODUCTS,
    READINGS,
    RESPONSES,
    SAG_EDGES,
    SAG_READ,
    SCALE_EXPRESSION,
    SINK_EXPRESSION,
    SPHERICAL,
    STEEPEST_VTA_DEG,
    TYPICAL_DRAG,
    TYPICAL_VTA_DEG,
    Link,
    covariate_unit,
)

Floats = NDArray[np.float64]
CELL_KEYS: Final = (*FACTORS, "scale_class")
RESIDUAL_UNIT: Final = 1000.0
FIGURE_UNIT: Final = 1_000_000.0
"""Families' figures are coded finely before their median is taken: the same number from any engine."""
WIDE_UNIT: Final = 1e8
"""Products whose codes are finer than this are formed from DECIMAL(19), so as DECIMAL(38): a bigint overflows
in one cell of some ten million sheets."""
FILL, CELLS, CODED, OBSERVED, FITS = "fill_in", "cell_list", "coded_rows", "observed", "fit_in"
PAIRS: Final = "repeat_pairs"

LABELS: Final = {
    "profile": "coalesce(stylus_profile, '')",
    "cantilever": "coalesce(cantilever_material, '')",
    "source": "coalesce(assembly_source, '')",
    "family": "coalesce(body_family, '')",
    "generator": "coalesce(generator, '')",
    "frequency": "coalesce(cast(cast(compliance_frequency_hz as integer) as varchar(24)), '')",
    "bench": "coalesce(bench, '')",
}
_RAKE: Final = frozenset({"sra_static_deg", "sra_dynamic_deg", "zenith_deg"})


def doubles(expression: str) -> str:
    """The expression with every fraction written as a double."""
    return re.sub(r"(?<![\w.])(\d+\.\d+)(?![\w.])", r"\1e0", expression)


def number(value: float) -> str:
    """A number as a double literal."""
    text = repr(float(value))
    return text if "e" in text else f"{text}e0"


def code(expression: str, unit: float, *, kind: str = "bigint") -> str:
    """An expression's value as a whole number of ``1/unit``."""
    return f"cast(floor(({doubles(expression)}) * {number(unit)} + 0.5e0) as {kind})"


def _scale_class() -> str:
    whens = " ".join(f"when s_kind < {number(edge)} then {i}" for i, edge in enumerate(SAG_EDGES))
    last = len(SAG_EDGES)
    return f"case when s_kind is null or not known then {last + 1} {whens} else {last} end"


def observation_sql(source: str, *, with_sheet: bool = True) -> str:
    """SQL that turns bench sheets into coded observations (the twin of `fleet.house_model.chain.responses`).

    Parameters
    ----------
    source : name of a relation with the bench sheets' canonical columns; ``fill_in`` must be there too
    with_sheet : whether to carry ``sheet_no`` along
    """
    labels = ", ".join(f"{sql} as {name}" for name, sql in LABELS.items())
    spherical = f"coalesce(stylus_profile, '') = '{SPHERICAL}'"
    readings = ", ".join(
        f"case when {spherical} then null else {r} end as {r}" if r in _RAKE else r for r in READINGS
    )
    covariates = []
    for name, (expression, unit) in COVARIATES.items():
        coded = code(expression, unit)
        covariates.append(
            f"coalesce({coded}, 0) as {name}" if name in ("warm", "aged") else f"{coded} as {name}"
        )
    responses = [
        f"{code(expression, unit, kind='integer')} as y_{name}"
        for name, (expression, unit) in RESPONSES.items()
    ]
    products = [f"({a} * {b}) as {name}" for name, (a, b) in PRODUCTS.items()]
    steepest, typical = number(STEEPEST_VTA_DEG), number(TYPICAL_VTA_DEG)
    low, high = map(number, FORCE_LIMITS)
    angle = f"coalesce(vta_dynamic_deg, t_fill, {typical})"
    guess = f"{number(TYPICAL_DRAG)} * ({doubles(SCALE_EXPRESSION).replace('t_used', angle)})"
    sheet, of_plain = ("sheet_no, ", "p.sheet_no, ") if with_sheet else ("", "")
    return f"""
with plain as (
  select {sheet}{labels}, {readings}, vtf_mn, compliance_um_per_mn, cantilever_length_mm,
    temperature_c, hours_used, tilt_room_deg, tilt_applied_deg, bench_minutes
  from {source}
), filled as (
  select {of_plain}{", ".join(f"p.{f}" for f in FACTORS)}, {", ".join(f"p.{r}" for r in READINGS)},
    coalesce(p.vtf_mn, f.n_fill) as vtf_mn, f.n_fill as n_used,
    case when p.family = '' or p.vtf_mn is null or f.n_fill is null then 1e0
      when p.vtf_mn < {low} * f.n_fill then {low} when p.vtf_mn > {high} * f.n_fill then {high}
      else p.vtf_mn / f.n_fill end as times,
    coalesce(p.compliance_um_per_mn, f.c_fill) as c_used,
    coalesce(p.cantilever_length_mm, f.l_fill) as l_used,
    (p.compliance_um_per_mn is not null or coalesce(f.c_sure, false))
      and (p.cantilever_length_mm is not null or coalesce(f.l_sure, false)) as known,
    f.t_fill as t_fill, p.temperature_c, p.hours_used, p.tilt_room_deg, p.tilt_applied_deg,
    case when p.bench_minutes > 0 then p.bench_minutes else null end as bench_minutes,
    case when p.sra_dynamic_deg - p.vta_dynamic_deg < {number(CONFLICT_BUILT_IN_DEG)}
      then 1 else 0 end as conflict_flag
  from plain p left join {FILL} f on p.family = f.family
), guessed as (
  select *, {guess} as sag_guess from filled
), tracked as (
  select *, vta_dynamic_deg + coalesce(sra_static_deg - sra_dynamic_deg, sag_guess) as t_read,
    coalesce(sra_dynamic_deg, sra_static_deg - sag_guess) - vta_dynamic_deg as b_read,
    case when vta_dynamic_deg is null
      then coalesce(sra_static_deg, sra_dynamic_deg + sag_guess) else null end as r_alone from guessed
), angled as (
  select *,
    case when t_read > {steepest} then {steepest} else coalesce(t_read, t_fill, {typical}) end as t_used,
    case when t_fill is null and t_read > {steepest} then {steepest}
      else coalesce(t_fill, t_read, {typical}) end as t_kind from tracked
), sunk as (
  select *, {doubles(SINK_EXPRESSION)} as sink from angled
), scaled as (
  select *, {doubles(SCALE_EXPRESSION)} as s_deg, {doubles(KIND_SCALE_EXPRESSION)} as s_kind,
    case when times = 1e0 then 0e0 else {doubles(PRESSED_EXPRESSION)} end as pressed from sunk
), coded as (
  select {sheet}{", ".join(FACTORS)}, {_scale_class()} as scale_class,
    {", ".join(covariates)}, {", ".join(responses)}
  from scaled
)
select {", ".join(CELL_KEYS)}, {sheet}{", ".join(COVARIATES)}, {", ".join(products)},
  {", ".join(f"y_{name}" for name in RESPONSES)}
from coded"""


def cells_sql() -> str:
    """Every combination of factors and scale class that occurs, and how often."""
    keys = ", ".join(CELL_KEYS)
    return f"select {keys}, cast(count(*) as bigint) as n from {CODED} group by {keys} order by {keys}"


def observed_sql() -> str:
    """The coded rows with their cell's number in place of its labels."""
    same = " and ".join(f"r.{k} = c.{k}" for k in CELL_KEYS)
    kept = ", ".join(f"r.{c}" for c in (*COVARIATES, *PRODUCTS, *(f"y_{n}" for n in RESPONSES)))
    return f"select c.cell, {kept} from {CODED} r join {CELLS} c on {same}"


def residual_sql(links: Sequence[Link], fits: Mapping[str, Fitted] | None) -> str:
    """Rows with, per link, ``keep_`` (in the sums or not) and, with fits, ``r_`` (coded residual)."""
    used = dict.fromkeys(c for link in links for c in link.columns)
    base = ", ".join(["o.cell", *(f"o.{c}" for c in used), *(f"o.y_{link.name}" for link in links)])
    if fits is None:
        keeps = ", ".join(f"({_present(link)}) as keep_{link.name}" for link in links)
        return f"select {base}, {keeps} from {OBSERVED} o"
    residuals = ", ".join(f"{_residual(link)} as r_{link.name}" for link in links)
    bounds = ", ".join(f"f.bound_{link.name}" for link in links)
    keeps = ", ".join(
        f"(r_{link.name} is not null and abs(r_{link.name}) <= bound_{link.name}) as keep_{link.name}"
        for link in links
    )
    inner = f"select {base}, {bounds}, {residuals} from {OBSERVED} o join {FITS} f on o.cell = f.cell"
    return f"select *, {keeps} from ({inner}) inside"


def _present(link: Link) -> str:
    return " and ".join(f"o.{c} is not null" for c in (f"y_{link.name}", *link.columns))


def _residual(link: Link) -> str:
    unit = RESPONSES[link.name][1]
    parts = [f"f.a_{link.name}"]
    parts += [f"f.b_{link.name}_{c} * o.{c} / {number(covariate_unit(c))}" for c in link.columns]
    value = f"o.y_{link.name} / {number(unit)} - ({' + '.join(parts)})"
    return f"case when {_present(link)} then {code(value, RESIDUAL_UNIT)} else null end"


def fits_frame(fits: Mapping[str, Fitted], cells: int) -> pd.DataFrame:
    """Fitted values and cuts, one row a cell, as `residual_sql` reads them."""
    wide: dict[str, Floats | NDArray[np.int32]] = {"cell": np.arange(cells, dtype=np.int32)}
    for name, fit in fits.items():
        wide[f"bound_{name}"] = fit.bound * RESIDUAL_UNIT
        wide[f"a_{name}"] = fit.at_zero
        for covariate, slope in fit.slopes.items():
            wide[f"b_{name}_{covariate}"] = slope
    return pd.DataFrame(wide)


def sums_sql(blocks: Sequence[Block], inner: str) -> str:
    """Every block's sums of products per cell, in one scan."""
    parts = [expression for block in blocks for expression in block.sql()]
    return f"select cell, {', '.join(parts)} from ({inner}) rows_in group by cell order by cell"


def middle_sql(name: str, inner: str) -> str:
    """Median absolute residual of one link per source, family and scale class."""
    keys = "c.source, c.family, c.scale_class"
    return (
        f"select {keys}, count(*) as n, percentile_cont(0.5) within group "
        f"(order by abs(r_{name})) / {number(RESIDUAL_UNIT)} as mad from ({inner}) x join {CELLS} c "
        f"on x.cell = c.cell where r_{name} is not null group by {keys} order by {keys}"
    )


def products_sql(pairs: Sequence[tuple[str, str]], inner: str) -> str:
    """Sums of products of residuals inside both cuts, per source and scale class."""
    parts = []
    for i, (a, b) in enumerate(pairs):
        both = f"keep_{a} and keep_{b}"
        parts.append(f"sum(case when {both} then 1 else 0 end) as n{i}")
        parts.append(f"cast(sum(case when {both} then r_{a} * r_{b} else 0 end) as double) as t{i}")
    return (
        f"select c.source, c.scale_class, {', '.join(parts)} from ({inner}) x "
        f"join {CELLS} c on x.cell = c.cell "
        f"group by c.source, c.scale_class order by c.source, c.scale_class"
    )


def cut_sql(name: str, inner: str) -> str:
    """Rows read, rows cut, and the median size of the cut residuals of one link."""
    return (
        f"select count(*) as n, sum(case when keep_{name} then 0 else 1 end) as cut, "
        f"percentile_cont(0.5) within group (order by case when keep_{name} then null "
        f"else abs(r_{name}) end) / {number(RESIDUAL_UNIT)} as cut_size "
        f"from ({inner}) x where r_{name} is not null"
    )


def faulty_sql(names: Sequence[str], inner: str) -> str:
    """Per source: units, and units beyond the cut of any of these links."""
    beyond = " or ".join(f"(r_{n} is not null and not keep_{n})" for n in names if n in JUDGED)
    return (
        f"select c.source, count(*) as n, sum(case when {beyond} then 1 else 0 end) as bad "
        f"from ({inner}) x join {CELLS} c on x.cell = c.cell group by c.source order by c.source"
    )


def combos_sql(source: str) -> str:
    """Combinations of factors with their counts."""
    labels, keys = ", ".join(f"{sql} as {name}" for name, sql in LABELS.items()), ", ".join(FACTORS)
    return (
        f"select {keys}, cast(count(*) as bigint) as n from (select {labels} from {source}) x "
        f"group by {keys} order by {keys}"
    )


def families_sql(source: str) -> str:
    """The families' median figures (see `fleet.house_model.family_facts.learn_facts`)."""
    still = "vta_dynamic_deg + coalesce(sra_static_deg - sra_dynamic_deg, 0e0)"
    wanted = {
        "compliance_um_per_mn": "compliance_um_per_mn",
        "cantilever_length_mm": "cantilever_length_mm",
        "vtf_mn": "vtf_mn",
        "vta_static_deg": still,
        "tilt_room_deg": "tilt_room_deg",
    }
    coded = ", ".join(f"{code(expr, FIGURE_UNIT)} as {name}" for name, expr in wanted.items())
    medians = ", ".join(
        f"percentile_cont(0.5) within group (order by {name}) / {number(FIGURE_UNIT)} as {name}"
        for name in wanted
    )
    return (
        f"select family, {medians}, cast(count(*) as bigint) as n "
        f"from (select coalesce(body_family, '') as family, {coded} from {source}) x "
        f"group by family order by family"
    )


def pairs_sql(source: str, *, within_days: int = 92) -> str:
    """Differences between consecutive readings of the same unit, as codes, one row a pair of sheets.

    Parameters
    ----------
    source : relation with every current sheet and its ``unit``
    within_days : pairs further apart tell of wear, not of reading noise
    """
    read = {**{r: r for r in READINGS}, SAG_READ: "(sra_static_deg - sra_dynamic_deg)"}
    later = ", ".join(
        f"{code(f'{expr} - lag({expr}) over w', RESIDUAL_UNIT)} as {r}" for r, expr in read.items()
    )
    return (
        f"select {', '.join(read)} from (select {later}, measured_on, lag(measured_on) over w as before "
        f"from {source} where purpose = 'unit' "
        f"window w as (partition by unit order by measured_on, sheet_no)) x "
        f"where before is not null and measured_on <= before + interval '{int(within_days)}' day"
    )


def differences_sql(reading: str) -> str:
    """How often each size of difference of one reading occurs among the pairs."""
    return (
        f"select size, count(*) as n from (select abs({reading}) as size from {PAIRS}) x "
        f"where size is not null group by size order by size"
    )


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

    def _pairs(self) -> list[tuple[int, int, str]]:
        size = 1 + len(self.covariates) + len(self.responses)
        label = "_".join(self.responses)
        return [(i, j, f"m_{label}_{i}_{j}") for i in range(size) for j in range(i, size)]

    def sql(self) -> list[str]:
        """One aggregate for each pair of columns."""
        shifted = [f"(y_{r} - {round(LINK[r].centre * RESPONSES[r][1])})" for r in self.responses]
        names = ["1", *self.covariates, *shifted]
        keep = " and ".join(f"keep_{r}" for r in self.responses)
        out = []
        for i, j, name in self._pairs():
            kind = "decimal(19, 0)" if self.units[i] * self.units[j] > WIDE_UNIT else "bigint"
            product = " * ".join(f"cast({x} as {kind})" for x in (names[i], names[j]) if x != "1") or "1"
            out.append(f"cast(sum(case when {keep} then {product} else 0 end) as double) as {name}")
        return out

    def sums(self, table: pd.DataFrame) -> Sums:
        """Moments per cell from the query's answer, one row a cell."""
        units = self.units
        moments = np.empty((len(table), len(units), len(units)))
        for i, j, name in self._pairs():
            value = table[name].to_numpy(dtype=np.float64) / (units[i] * units[j])
            moments[:, i, j] = moments[:, j, i] = value
        return Sums(("1", *self.covariates, *self.responses), moments, moments[:, 0, 0].copy())


def blocks_of(links: Sequence[Link]) -> list[Block]:
    """Blocks that sum these links up, with tracking and built-in angle together where both are asked for."""
    blocks = [Block((link.name,), link.columns) for link in links]
    if set(PAIRED) <= {link.name for link in links}:
        blocks.append(Block(PAIRED, PAIR_COVARIATES))
    return blocks


EVERY_BLOCK: Final = tuple(blocks_of(LINKS))
