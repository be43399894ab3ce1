"""The tallies' queries as text, in the subset of SQL that DuckDB and Spark run unchanged.

Explicit GROUP BY and ORDER BY, ``case``, ``cast``, ``percentile_cont`` over whole numbers; every fraction a
double (``1.5e0``: a plain ``1.5`` is a DECIMAL to one engine and loses digits in the other); no engine's own
functions, no row numbers across the whole table.  Readings enter every sum as integer codes, so that results
are exact whatever the order of the rows, the number of threads, or the engine.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.chain import (
    CONFLICT_BUILT_IN_DEG,
    COVARIATES,
    FACTOR_COLUMNS,
    FACTORS,
    FORCE_LIMITS,
    KIND_SCALE_EXPRESSION,
    MAY_BE_UNTOLD,
    NUMBERS,
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
)
from fleet.rows import Columns, height

Floats = NDArray[np.float64]
CELL_KEYS: Final = (*FACTORS, "scale_class")
RESIDUAL_UNIT: Final = 1000.0
FIGURE_UNIT: Final = 1_000_000.0
"""Families' figures are coded finely before their median is taken: the same number from any engine."""
COMBOS, SUBSET, PART = "combo_list", "subset_of", "part_of_fleet"
PAIRS: Final = "repeat_pairs"
CLASSES: Final = len(SAG_EDGES) + 2
CODES: Final = (*COVARIATES, *PRODUCTS, *(f"y_{name}" for name in RESPONSES))
"""Columns of a coded row, whole numbers or missing."""

LABELS: Final = {
    "profile": "coalesce(stylus_profile, '')",
    "cantilever": "coalesce(cantilever_material, '')",
    "source": "coalesce(assembly_source, '')",
    "family": "coalesce(body_family, '')",
    "generator": "coalesce(generator, '')",
    "frequency": "case when compliance_frequency_hz is null then '' "
    + " ".join(f"when compliance_frequency_hz = {hz} then '{hz}'" for hz in (10, 100, 0))
    + " else cast(cast(compliance_frequency_hz as integer) as varchar(24)) end",
    "bench": "coalesce(bench, '')",
}
MONTH: Final = "(12 * extract(year from measured_on) + extract(month from measured_on))"
_RAKE: Final = frozenset({"sra_static_deg", "sra_dynamic_deg", "zenith_deg"})


def doubles(expression: str) -> str:
    """The expression with every fraction written as a double."""
    return re.sub(r"(?<![\w.])(\d+\.\d+)(?![\w.])", r"\1e0", expression)


def number(value: float) -> str:
    """A number as a double literal."""
    text = repr(float(value))
    return text if "e" in text else f"{text}e0"


def whole(expression: str, unit: float) -> str:
    """An expression's value as a whole number of ``1/unit``, of the type that an engine's ``floor`` has."""
    return f"floor(({doubles(expression)}) * {number(unit)} + 0.5e0)"


def code(expression: str, unit: float) -> str:
    """The same as a ``bigint``."""
    return f"cast({whole(expression, unit)} as bigint)"


def _scale_class() -> str:
    whens = " ".join(f"when s_kind < {number(edge)} then {i}" for i, edge in enumerate(SAG_EDGES))
    last = len(SAG_EDGES)
    return f"case when s_kind is null or not known then {last + 1} {whens} else {last} end"


def observation_sql(source: str, *, with_sheet: bool = True) -> str:
    """SQL that turns bench sheets into coded observations (the twin of `fleet.house_model.chain.responses`).

    Parameters
    ----------
    source : name of a relation with the bench sheets' canonical columns; ``combo_list`` must be there too
    with_sheet : whether to carry ``sheet_no`` along
    """
    labels = ", ".join(f"{sql} as {name}" for name, sql in LABELS.items())
    spherical = f"coalesce(stylus_profile, '') = '{SPHERICAL}'"
    readings = ", ".join(
        f"case when {spherical} then null else {r} end as {r}" if r in _RAKE else r for r in READINGS
    )
    covariates = []
    for name, (expression, unit) in COVARIATES.items():
        coded = whole(expression, unit)
        covariates.append(
            f"coalesce({coded}, 0) as {name}" if name in MAY_BE_UNTOLD else f"{coded} as {name}"
        )
    responses = [f"{whole(expression, unit)} as y_{name}" for name, (expression, unit) in RESPONSES.items()]
    products = [f"({a} * {b}) as {name}" for name, (a, b) in PRODUCTS.items()]
    steepest, typical = number(STEEPEST_VTA_DEG), number(TYPICAL_VTA_DEG)
    low, high = map(number, FORCE_LIMITS)
    angle = f"coalesce(vta_dynamic_deg, t_fill, {typical})"
    guess = f"{number(TYPICAL_DRAG)} * ({doubles(SCALE_EXPRESSION).replace('t_used', angle)})"
    guess = f"case when sra_static_deg is null or sra_dynamic_deg is null then {guess} else null end"
    sheet = "sheet_no, " if with_sheet else ""
    same = " and ".join(f"p.{f} = f.{f}" for f in FACTORS)
    return f"""
with plain as (
  select {sheet}{labels}, {readings}, vtf_mn, compliance_um_per_mn, cantilever_length_mm,
    temperature_c, hours_used, tilt_room_deg, tilt_applied_deg, bench_minutes, {MONTH} as month
  from {source}
), filled as (
  select {sheet}f.combo, {", ".join(f"p.{r}" for r in READINGS)},
    coalesce(p.vtf_mn, f.n_fill) as vtf_mn, f.n_fill as n_used,
    case when p.family = '' or p.vtf_mn is null or f.n_fill is null then 1e0
      when p.vtf_mn < {low} * f.n_fill then {low} when p.vtf_mn > {high} * f.n_fill then {high}
      else p.vtf_mn / f.n_fill end as times,
    coalesce(p.compliance_um_per_mn, f.c_fill) as c_used,
    coalesce(p.cantilever_length_mm, f.l_fill) as l_used,
    (p.compliance_um_per_mn is not null or coalesce(f.c_sure, false))
      and (p.cantilever_length_mm is not null or coalesce(f.l_sure, false)) as known,
    p.month, f.newest as newest, f.t_fill as t_fill,
    p.temperature_c, p.hours_used, p.tilt_room_deg, p.tilt_applied_deg,
    case when p.bench_minutes > 0 then p.bench_minutes else null end as bench_minutes,
    case when p.sra_dynamic_deg - p.vta_dynamic_deg < {number(CONFLICT_BUILT_IN_DEG)}
      then 1 else 0 end as conflict_flag
  from plain p join {COMBOS} f on {same}
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
  select {sheet}combo * {CLASSES} + {_scale_class()} as cell,
    {", ".join(covariates)}, {", ".join(responses)}
  from scaled
)
select {sheet}cell, {", ".join(COVARIATES)}, {", ".join(products)},
  {", ".join(f"y_{name}" for name in RESPONSES)}
from coded"""


def numbered_sql(source: str) -> str:
    """The coded rows of a relation with their cell's number (see `cell_list`) in place of its labels."""
    coded = ", ".join(f"cast({c} as double) as {c}" for c in CODES)
    return f"select cell, {coded} from ({observation_sql(source, with_sheet=False)}) r"


def cell_list(combos: Columns) -> Columns:
    """Every combination of factors with every class of the sag scale, in the order of the cells' numbers.

    Parameters
    ----------
    combos : one row a combination, in order of its factors
    """
    cells = {f: np.repeat(np.asarray(combos[f], dtype=object), CLASSES) for f in FACTORS}
    return {**cells, "scale_class": np.tile(np.arange(CLASSES, dtype=np.int32), height(combos))}


def part_sql(source: str) -> str:
    """A fixed part of a relation's sheets: those whose number's digest lies below a bound.

    The table ``subset_of`` tells each family's bound. Which sheets these are depends on their numbers alone,
    neither on the order of the rows nor on the engine.
    """
    columns = ", ".join(
        f"s.{c}" for c in dict.fromkeys(("sheet_no", "measured_on", *FACTOR_COLUMNS.values(), *NUMBERS))
    )
    return (
        f"select {columns} from {source} s join {SUBSET} b on coalesce(s.body_family, '') = b.family "
        f"where md5(s.sheet_no) < b.below"
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
        f"select family, {medians}, cast(max(month) as double) as newest, cast(count(*) as bigint) as n "
        f"from (select coalesce(body_family, '') as family, {coded}, {MONTH} as month from {source}) x "
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
