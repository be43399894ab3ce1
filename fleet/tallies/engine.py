"""Sums over bench sheets by any engine that understands the tallies' SQL."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Final, Protocol

import numpy as np
import pandas as pd

from fleet.errors import TooFewError
from fleet.estimation.trimming import trim_tallies
from fleet.house_model.cell_sums import Fitted, Sums
from fleet.house_model.chain import JUDGED, LINK, LINKS
from fleet.house_model.family_facts import learn_facts
from fleet.tallies import queries as sql
from fleet.tallies.reading_noise import REPEATED, noise_from_counts
from fleet.tallies.sufficient_statistics import SufficientStatistics

TEXT: Final = "varchar(255)"


class Engine(Protocol):
    """Where the sheets lie: something that runs the tallies' SQL and can hold a few tables of its own."""

    def frame(self, query: str) -> pd.DataFrame:
        """The answer of a query that is small enough to look at."""

    def keep(self, name: str, query: str) -> None:
        """Hold the answer of a query under a name, to be scanned again and again."""

    def view(self, name: str, query: str) -> None:
        """Give a query a name; it runs each time that it is asked."""

    def drop(self, name: str) -> None:
        """Let go of what was kept under a name."""

    def put(self, name: str, frame: pd.DataFrame) -> None:
        """Make a small frame known under a name; a missing value is NULL."""


class SqlTallies:
    """Coded observations of one relation, summed up on request (see `fleet.house_model.cell_sums.Tallies`).

    Parameters
    ----------
    engine : where ``source`` can be read
    source : relation with the teaching sheets
    fill : indexed by family, columns ``c_fill, l_fill, n_fill, t_fill, c_sure, l_sure``
    """

    def __init__(self, engine: Engine, source: str, fill: pd.DataFrame) -> None:
        self.engine = engine
        engine.put(sql.FILL, fill.rename_axis("family").reset_index())
        engine.view(sql.CODED, sql.observation_sql(source, with_sheet=False))
        found = engine.frame(sql.cells_sql())
        cells = found.sort_values(list(sql.CELL_KEYS), ignore_index=True)
        cells.insert(0, "cell", np.arange(len(cells), dtype=np.int32))
        self.cells = cells.astype({"scale_class": np.int32, "n": np.int64})
        engine.put(sql.CELLS, self.cells)
        engine.keep(sql.OBSERVED, sql.observed_sql())

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
        self._tell(fits)
        blocks = sql.blocks_of(links)
        rows = self.engine.frame(sql.sums_sql(blocks, sql.residual_sql(links, fits)))
        table = rows.set_index("cell").reindex(range(len(self.cells))).fillna(0.0)
        return {block.name: block.sums(table) for block in blocks}

    def middle(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Median absolute residual: columns link, source, family, scale_class, n, mad."""
        self._tell(fits)
        frames = [
            self.engine.frame(sql.middle_sql(n, sql.residual_sql([LINK[n]], fits))).assign(link=n)
            for n in fits
        ]
        return pd.concat(frames, ignore_index=True)

    def residual_products(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Sums of products of residuals of every pair of links, per source and scale class, inside the cuts.

        Returns
        -------
        DataFrame
            Columns source, scale_class, a, b, n, total: ``total`` is the sum of ``r_a * r_b`` over rows where
            both are inside their cut.
        """
        self._tell(fits)
        names = list(fits)
        pairs = [(a, b) for i, a in enumerate(names) for b in names[i:]]
        wide = self.engine.frame(sql.products_sql(pairs, sql.residual_sql([LINK[n] for n in names], fits)))
        unit = sql.RESIDUAL_UNIT**2
        frames = [
            wide[["source", "scale_class"]].assign(
                a=a, b=b, n=wide[f"n{i}"].astype(float), total=wide[f"t{i}"].astype(float) / unit
            )
            for i, (a, b) in enumerate(pairs)
        ]
        return pd.concat(frames, ignore_index=True)

    def cut_summary(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Per link: rows read, rows cut, median size of the cut residuals (columns n, cut, cut_size)."""
        self._tell(fits)
        frames = [
            self.engine.frame(sql.cut_sql(n, sql.residual_sql([LINK[n]], fits))).assign(link=n) for n in fits
        ]
        out = pd.concat(frames, ignore_index=True).set_index("link")
        return out.astype(float).fillna(0.0)

    def faulty(self, fits: Mapping[str, Fitted]) -> dict[str, tuple[float, float]]:
        """Per source: units, and units beyond the cut of any judged link."""
        self._tell(fits)
        names = [n for n in JUDGED if n in fits]
        rows = self.engine.frame(sql.faulty_sql(names, sql.residual_sql([LINK[n] for n in names], fits)))
        return {
            str(s): (float(n), float(b))
            for s, n, b in zip(rows["source"], rows["n"], rows["bad"], strict=True)
        }

    def _tell(self, fits: Mapping[str, Fitted] | None) -> None:
        if fits is not None:
            self.engine.put(sql.FITS, sql.fits_frame(fits, len(self.cells)))


def family_tables(engine: Engine, source: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Combinations of factors with their counts, and the families' median figures (see `learn_facts`)."""
    return engine.frame(sql.combos_sql(source)), engine.frame(sql.families_sql(source))


def reading_noise(engine: Engine, current: str) -> dict[str, tuple[float, int]]:
    """Reading noise from the repeats among every current sheet (see `fleet.tallies.reading_noise`)."""
    engine.keep(sql.PAIRS, sql.pairs_sql(current))
    counts = {}
    for reading in REPEATED:
        found = engine.frame(sql.differences_sql(reading))
        counts[reading] = (
            found["size"].to_numpy(dtype=float) / sql.RESIDUAL_UNIT,
            found["n"].to_numpy(dtype=float),
        )
    engine.drop(sql.PAIRS)
    return noise_from_counts(counts)


def gather(
    engine: Engine, teaching: str, current: str, *, progress: Callable[[str], None] | None = None
) -> SufficientStatistics:
    """Sum sheets up where they lie, rows beyond their link's cut left out.

    Parameters
    ----------
    engine : where the sheets lie
    teaching : relation with the sheets that teach
    current : relation with every current sheet, for the repeats
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If there is no teaching sheet.
    """
    say = progress or (lambda _: None)
    say("counting families")
    combos, families = family_tables(engine, teaching)
    if combos.empty:
        raise TooFewError("there is no bench sheet to learn from: take sheets in with `fleet intake FILE`")
    say("looking at repeats")
    noise = reading_noise(engine, current)
    say("summing up readings")
    facts = learn_facts(combos, families)
    tallies = SqlTallies(engine, teaching, facts.fill())
    cut = trim_tallies(tallies, {reading: sd for reading, (sd, _) in noise.items()})
    return SufficientStatistics(cut, combos, families, noise).knowing(facts)
