"""What a fit costs as families grow in number, and on tallies of 10⁹ sheets, of 1 and of 100 benches.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/billion.py

No machine here holds 1e9 sheets, and the fit needs none: cells' counts are drawn as multinomial from those of
an invented fleet, and each cell's sums as a normal sample of that size has them (mean from a normal
distribution, scatter from a Wishart).  Shown is processor time.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))
from worlds import ideal, stored

from fleet.house_model.cell_sums import Sums
from fleet.rows import height
from fleet.store.tallies import TEACHING, gather
from fleet.tallies.files import tallies_bytes
from fleet.tallies.sufficient_statistics import SufficientStatistics

FLEETS = ((20_000, 36), (20_000, 120), (20_000, 360), (20_000, 1500), (40_000, 5000))
"""Sheets and families."""
MANY = 1_000_000_000
BENCHES = 100


def gathered_of(n: int, families: int, *, benches: int = 1) -> tuple[SufficientStatistics, float]:
    """Tallies of an invented fleet of n sheets, and the processor time they took."""
    sheets = ideal(1, n_families=families).sheets(n)[0]
    if benches > 1:
        sheets = sheets.assign(bench=[f"B{i % benches:03d}" for i in range(n)])
    with tempfile.TemporaryDirectory() as folder:
        store = stored(Path(folder), sheets)
        start = time.process_time()
        with store.reader() as con:
            return gather(con, TEACHING), time.process_time() - start


def fit_s(gathered: SufficientStatistics) -> tuple[float, float]:
    """Processor time of the fit, and the built-in link's standard deviation between families."""
    start = time.process_time()
    house = gathered.fit()
    took = time.process_time() - start
    link = house.links["built_in"]
    which = [term.name for term in link.link.terms].index("family")
    return took, float(np.sqrt((link.posterior.sds[:, which] ** 2).mean()))


def drawn(sums: Sums, factor: float, rng: np.random.Generator) -> Sums:
    """The sums of a fleet so many times as large."""
    moments = np.zeros_like(sums.moments)
    for k, (m, n) in enumerate(zip(sums.moments, sums.counts, strict=True)):
        size = m.shape[0] - 1
        if n < 1:
            continue
        many = int(rng.poisson(n * factor))
        mean = m[0, 1:] / n
        cov = m[1:, 1:] / n - np.outer(mean, mean)
        cov = 0.5 * (cov + cov.T) + 1e-9 * np.eye(size)
        values, vectors = np.linalg.eigh(cov)
        cov = (vectors * np.maximum(values, 1e-9)) @ vectors.T
        centre = rng.multivariate_normal(mean, cov / many)
        scatter = np.atleast_2d(stats.wishart.rvs(many - 1, cov, random_state=rng))
        moments[k, 0, 0] = many
        moments[k, 0, 1:] = moments[k, 1:, 0] = many * centre
        moments[k, 1:, 1:] = scatter + many * np.outer(centre, centre)
    return Sums(sums.columns, moments, moments[:, 0, 0].copy())


def enlarged(gathered: SufficientStatistics, units: int) -> SufficientStatistics:
    """The tallies that a fleet of so many units might have."""
    rng = np.random.default_rng(1)
    cut, factor = gathered.cut, units / gathered.cut.units
    counts = rng.multinomial(units, cut.cells["n"] / cut.units)
    big = replace(
        cut,
        cells={**cut.cells, "n": counts},
        sums={name: drawn(sums, factor, rng) for name, sums in cut.sums.items()},
        products={**cut.products, **{x: cut.products[x] * factor for x in ("n", "total")}},
        cut={n: c._replace(n=c.n * factor, cut=c.cut * factor) for n, c in cut.cut.items()},
        faulty={s: (n * factor, b * factor) for s, (n, b) in cut.faulty.items()},
    )
    combos = {**gathered.combos, "n": (gathered.combos["n"] * factor).round().astype(np.int64)}
    return replace(gathered, cut=big, combos=combos)


def main() -> None:
    """Print the table: fleets by their families, then one bench and a ring of them at a thousand million."""
    out = sys.stdout
    out.write("| sheets | benches | families | cells | tallies | fit | tallies file |\n" + "|---" * 7 + "|\n")
    for n, families, benches in (*((*f, 1) for f in FLEETS), (*FLEETS[0], BENCHES)):
        gathered, took = gathered_of(n, families, benches=benches)
        asked = [(n, gathered, f"{took:.3g} s")]
        if families == FLEETS[0][1]:
            asked.append((MANY, enlarged(gathered, MANY), "drawn"))
        sds = []
        for sheets, sums, tallies in asked:
            fitted, sd = fit_s(sums)
            size = len(tallies_bytes(sums, {})) / 1024
            row = (f"{sheets:,}", benches, families, height(sums.cut.cells), tallies, f"{fitted:.3g} s")
            out.write("| " + " | ".join(map(str, row)) + f" | {size:.0f} kB |\n")
            out.flush()
            sds.append(f"{sd:.3f}")
        if len(sds) > 1:
            out.write(f"(built-in angle, sd between families: {' and '.join(sds)} degrees)\n")


if __name__ == "__main__":
    main()
