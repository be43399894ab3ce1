"""One reading of one bench, charted."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from fleet.bench_trust.watch_limits import Limits
from fleet.bench_trust.watch_series import Fit
from fleet.statistics.change_point import Change


@dataclass(frozen=True)
class ReadingWatch:
    """One reading of one bench.

    Attributes
    ----------
    bench, reading : whose, and which column (or `fleet.bench_trust.watch.BOTH_RAKES`)
    baseline_from, baseline_to, baseline_checks : the stated baseline of this reading
    fit : levels of the check pickups, sd of one check, effect of temperature
    limits : of the newest check pickup that is charted; None while none is
    series : a row a check (see `fleet.bench_trust.watch_series.chart_reading`)
    change : the likeliest single change, None if the series is too short
    alarm : EWMA or CUSUM signal among the newest checks
    slip : only the newest single check is beyond its limit
    sentence, cautions : in words
    """

    bench: str
    reading: str
    baseline_from: pd.Timestamp
    baseline_to: pd.Timestamp
    baseline_checks: int
    fit: Fit
    limits: Limits | None
    series: pd.DataFrame
    change: Change | None
    alarm: bool
    slip: bool
    sentence: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def watched(self) -> pd.DataFrame:
        """Checks after the baseline that are charted."""
        return self.series[self.series["part"] == "watched"]
