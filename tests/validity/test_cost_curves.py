"""How cost grows, as ratios of processor time in one run: a guard against work that creeps in."""

from __future__ import annotations

import time
from collections.abc import Callable

import pandas as pd
import pytest
from worlds import ideal, in_memory, long_only, tallied, tokened

from fleet.estimation.fit import fit_trimmed
from fleet.estimation.trimming import trim_tallies
from fleet.house_model.chain import READING_NOISE

pytestmark = [pytest.mark.validity, long_only]
FEW, MANY = 8_000, 80_000


def seconds(work: Callable[[], object]) -> float:
    """Least processor time of three runs, all threads together."""
    found = []
    for _ in range(3):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return min(found)


def many(n: int) -> pd.DataFrame:
    """n sheets of one invented world, each taken for a unit of its own."""
    return tokened(ideal(5, n_families=24, n_sources=6, repeat_share=0.0).sheets(n)[0])


def test_ten_times_the_sheets_cost_tallies_at_most_ten_times_and_the_fit_nothing() -> None:
    """Tallies grow no faster than sheets (with a quarter's margin); the fit by less than half."""
    tallies, fits = [], []
    for n in (FEW, MANY):
        with in_memory(many(n)) as con:
            tallier, facts = tallied(con)
            tallies.append(seconds(lambda t=tallier: trim_tallies(t, READING_NOISE)))
            cut = trim_tallies(tallier, READING_NOISE)
            fits.append(seconds(lambda c=cut, f=facts: fit_trimmed(c, f, READING_NOISE)))
    assert tallies[1] < 1.25 * (MANY / FEW) * tallies[0]
    assert fits[1] < 1.5 * fits[0]


def test_all_links_in_one_scan_cost_less_than_each_alone() -> None:
    """Sums of all links together take less than the sum of nine scans for one link each."""
    with in_memory(many(MANY)) as con:
        tallier, _ = tallied(con)
        names = list(tallier.sums())
        links = [n for n in names if "+" not in n]
        together = seconds(lambda: tallier.sums(names=links))
        apart = sum(seconds(lambda n=n: tallier.sums(names=[n])) for n in links)
        assert together < apart
