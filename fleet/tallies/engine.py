"""Sums over bench sheets by any engine that understands the tallies' SQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from fleet.errors import TooFewError
from fleet.estimation.fit_steps import Fitter
from fleet.estimation.noise_periods import learn_quarters, quarters_of
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.estimation.trimming import cut_alike, trim_tallies
from fleet.house_model.cell_sums import Fitted, Scan
from fleet.house_model.chain import FACTORS, JUDGED
from fleet.house_model.family_facts import learn_facts
from fleet.rows import Columns, groups_in_order, height, take_rows
from fleet.tallies import queries as sql
from fleet.tallies.reading_noise import REPEATED, noise_from_counts
from fleet.tallies.row_sums import Rows, RowTallies
from fleet.tallies.sql_sums import Tables, scan_there
from fleet.tallies.sufficient_statistics import SufficientStatistics

ALL: Final = "~"
NOISE_ROWS: Final = 3_000
"""Units that tell how noisy readings are of late."""


class Enough(NamedTuple):
    """How many units the robust cut and the families' medians are found on: in all, and of each family."""

    units: int = 100_000
    of_family: float = 200.0


ENOUGH: Final = Enough()


class Engine(Tables, Protocol):
    """Where the sheets lie: something that runs the tallies' SQL and can hold a few tables of its own."""

    sums_there: bool
    """Whether a fleet's rows are summed where they lie, or fetched to be summed here."""

    def view(self, name: str, query: str) -> None:
        """Give a query a name; it runs each time that it is asked."""

    def batches(self, query: str) -> Iterator[Mapping[str, NDArray[np.float64]]]:
        """The answer of a query of numbers, some rows at a time, by column; a missing value is NaN."""


def count_combos(engine: Engine, source: str) -> Columns:
    """Combinations of factors with their counts, in order."""
    found = engine.table(sql.combos_sql(source))
    return take_rows(found, groups_in_order(found, FACTORS)[1])


def coded_rows(engine: Engine, source: str, combos: Columns, fill: Columns) -> tuple[Columns, str]:
    """The cells that the rows of a relation may fall in, and the query of the coded rows.

    Parameters
    ----------
    engine : where ``source`` can be read
    source : relation with the teaching sheets
    combos : its combinations of factors (see `count_combos`)
    fill : columns ``family, c_fill, l_fill, n_fill, t_fill, c_sure, l_sure, newest``
    """
    numbered = {f: np.asarray(combos[f]) for f in FACTORS}
    numbered["combo"] = np.arange(height(combos), dtype=np.int32)
    place = {family: i for i, family in enumerate(fill["family"])}
    row = np.array([place.get(family, -1) for family in combos["family"]], dtype=np.int64)
    gaps = {name: False if name.endswith("_sure") else np.nan for name in fill if name != "family"}
    own = {name: np.append(np.asarray(fill[name]), gap)[row] for name, gap in gaps.items()}
    engine.put(sql.COMBOS, {**numbered, **own})
    return sql.cell_list(combos), sql.numbered_sql(source)


def rows_of(batch: Mapping[str, NDArray[Any]]) -> Rows:
    """Coded rows of a query's answer."""
    codes = {name: batch[name].astype(np.float64, copy=False) for name in sql.CODES}
    return Rows(batch["cell"].astype(np.int64), codes)


def held_rows(engine: Engine, source: str, combos: Columns, fill: Columns) -> RowTallies:
    """The coded rows of a relation that is small enough to be held (see `coded_rows`)."""
    cells, query = coded_rows(engine, source, combos, fill)
    return RowTallies.held(cells, [rows_of(engine.table(query))])


def reading_noise(engine: Engine, current: str) -> dict[str, tuple[float, int]]:
    """Reading noise from the repeats among every current sheet (see `fleet.tallies.reading_noise`)."""
    engine.keep(sql.PAIRS, sql.pairs_sql(current))
    counts = {}
    for reading in REPEATED:
        size, n = (np.asarray(x, dtype=float) for x in engine.table(sql.differences_sql(reading)).values())
        counts[reading] = (size / sql.RESIDUAL_UNIT, n)
    engine.drop(sql.PAIRS)
    return noise_from_counts(counts)


def gather(
    engine: Engine,
    teaching: str,
    current: str,
    *,
    progress: Callable[[str], None] | None = None,
    enough: Enough = ENOUGH,
) -> SufficientStatistics:
    """Sum sheets up where they lie, rows beyond their link's cut left out.

    Parameters
    ----------
    engine : where the sheets lie
    teaching : relation with the sheets that teach
    current : relation with every current sheet, for the repeats
    progress : called with a few words before each step
    enough : how much of a large fleet the robust cut and the families' medians are found on

    Raises
    ------
    FleetError
        If there is no teaching sheet.
    """
    say = progress or (lambda _: None)
    say("counting families")
    combos = count_combos(engine, teaching)
    if not height(combos):
        raise TooFewError("there is no bench sheet to learn from: take sheets in with `fleet intake FILE`")
    bounds = digest_bounds(combos, enough)
    part = teaching
    if bounds is not None:
        engine.put(sql.SUBSET, bounds)
        part = sql.PART
        engine.keep(part, sql.part_sql(teaching))
    families = engine.table(sql.families_sql(part))
    counts = dict(zip(*units_of_families(combos), strict=True))
    families["n"] = np.array([counts[family] for family in families["family"]])
    say("looking at repeats")
    noise = reading_noise(engine, current)
    sds = {reading: sd for reading, (sd, _) in noise.items()}
    say("summing up readings")
    facts = learn_facts(combos, families)
    fill = facts.stand_ins()
    held = held_rows(engine, part, combos, fill)
    cut = trim_tallies(held, sds)
    now = noise_now(held, cut, sds)
    if bounds is not None:
        engine.drop(part)
        cells, query = coded_rows(engine, teaching, combos, fill)
        cut = cut_alike(cut, sds, cells, lambda fits: _scan(engine, query, cells, fits))
    return SufficientStatistics(cut, combos, families, noise, now).knowing(facts)


def noise_now(held: RowTallies, cut: TrimmedTallies, noise: Mapping[str, float]) -> dict[str, float]:
    """Each reading's standard deviation of late, over that on the whole.

    Parameters
    ----------
    held : coded rows
    cut : what they came to
    noise : standard deviation per reading
    """
    cell, years, value = held.residuals(cut.fits, JUDGED, NOISE_ROWS)
    fitter = Fitter(held.cells, cut.scale_s2, noise)
    variance = np.stack([fitter.total(cut.spreads[n])[cell] for n in JUDGED], axis=1)
    quarter = quarters_of(held.cells["bench"][cell], years)
    return learn_quarters(noise, value, variance, quarter).now()


def _scan(engine: Engine, query: str, cells: Columns, fits: Mapping[str, Fitted]) -> Scan:
    if engine.sums_there:
        return scan_there(engine, query, cells, fits)
    return RowTallies(cells, lambda: map(rows_of, engine.batches(query))).scan(fits)


def units_of_families(combos: Columns) -> tuple[list[str], NDArray[np.int64]]:
    """Families in order, and how many units each has."""
    code, first = groups_in_order(combos, ["family"])
    n = np.bincount(code, np.asarray(combos["n"], dtype=np.float64), minlength=len(first))
    return np.asarray(combos["family"])[first].tolist(), n.astype(np.int64)


def digest_bounds(combos: Columns, enough: Enough) -> Columns | None:
    """Which sheets the robust cut is found on, as a bound of their numbers' digests; None for all of them.

    Every family gives as many units as the others, or all that it has.

    Parameters
    ----------
    combos : combinations of factors with their counts
    enough : how many units, about, are to be there

    Returns
    -------
    Columns
        With family and ``below``: eight hexadecimal digits, or a text above all digests.
    """
    family, n = units_of_families(combos)
    if n.sum() <= enough.units or n.max() <= enough.of_family:
        return None
    size = np.sort(n)
    left = enough.units - np.concatenate([[0.0], np.cumsum(size)[:-1]])
    level = left / np.arange(len(size), 0, -1)
    most = max(float(level[level <= size][0]), enough.of_family)
    share = np.minimum(most / n, 1.0)
    below = [ALL if x == 1.0 else f"{int(x * 2**32):08x}" for x in share]
    return {"family": np.array(family, dtype=object), "below": np.array(below, dtype=object)}
