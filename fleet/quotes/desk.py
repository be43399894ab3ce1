"""The desk: enquiries ranked by what must be decided before they are answered, and what they come to in all.

Each enquiry's hours and price follow from its own joint draws. In the sum units are independent of each
other but for what the model gets wrong in all of them alike: each one's draws are shuffled before they are
added, and a share of each one's variance is kept common. A model that few sheets have taught errs alike in
all of them, and then they are added as drawn, which is widest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from fleet.errors import FleetError
from fleet.numerals import count, number, percent, span, unknown
from fleet.policy.remedies import made_wedge, price
from fleet.quotes.quote import FEW_UNITS, Quotes
from fleet.results import Result
from fleet.statistics.gram import Floats

PROMISE_NOTHING: Final = "promise nothing"
SUSPECT_KIND: Final = "suspect kind"
ASK_FIRST: Final = "ask this first"
MADE_WEDGE: Final = "made wedge likely"
QUOTE_IT: Final = "quote it"
DECISIONS: Final = (ASK_FIRST, PROMISE_NOTHING, SUSPECT_KIND, MADE_WEDGE, QUOTE_IT)
"""What an enquiry needs, what comes first first: a question may settle the rest."""
UNLIKELY: Final = 0.5
"""Below this chance of both targets nothing is to be promised (our choice)."""
OFTEN_FAULTY: Final = 2.0
"""A kind that turns out faulty so many times as often as the rest is told beforehand (our choice)."""
WEDGE_FROM: Final = 0.5
WORTH_ASKING: Final = 0.25
"""A question that takes a quarter off the ranges is asked before anything is quoted (our choice)."""
SETTLED: Final = 0.1
"""Where both targets are met in less than this, or missed in less, no answer is waited for (our choice)."""
SHARED: Final = 0.02
"""Share of each one's variance that is common to all under a taught model (our choice)."""
LEVELS: Final = (0.05, 0.5, 0.95)
WEEKS_SHOWN: Final = 26


@dataclass(frozen=True, repr=False)
class Desk(Result):
    """Enquiries by what they need, and all of them together.

    Attributes
    ----------
    table : one row an enquiry in the order of the desk: `enquiry_id`, `decision`, `why`, `p_both_met`,
        `p_made_wedge`, `p_faulty`, hours and price with their range of nine in ten, and the week from now in
        which it is done (median, 1 = the first; NaN without a pace)
    hours, price : 5 %, middle and 95 % of all together [h; the policy's currency, NaN without a rate]
    currency : of the prices; "" where there is none, or several
    weeks : one row a week: `week`, `hours_q05`, `hours_q50`, `hours_q95` still to be done at its end
    hours_per_week : pace reckoned with [h]; NaN where none is known
    sentence : the desk in short
    """

    table: pd.DataFrame
    hours: tuple[float, float, float]
    price: tuple[float, float, float]
    currency: str
    weeks: pd.DataFrame
    hours_per_week: float
    sentence: str

    def to_frame(self) -> pd.DataFrame:
        """Return a row an enquiry, in the order of the desk."""
        return self.table.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and what each enquiry needs."""
        return self.sentence, self.table[["enquiry_id", "decision", "why", "hours_q50", "week"]]


def desk(
    quotes: Quotes,
    *,
    units: float,
    asked: Mapping[str, tuple[str, float]] | None = None,
    hours_per_week: float = math.nan,
    seed: int = 0,
) -> Desk:
    """Rank enquiries and add them up.

    Parameters
    ----------
    quotes : Quotes
        Their quotes, with the joint draws.
    units : float
        Units that taught the model.
    asked : mapping, optional
        By enquiry: the fact to ask for first, in words, and the share that it takes off the ranges.
    hours_per_week : float, optional
        Pace of the bench [h]; without it nothing is spread over weeks.
    seed : int
        Of the shuffling.

    Raises
    ------
    FleetError
        If there is no enquiry, or the pace is no pace.
    """
    if quotes.table.empty:
        raise FleetError("there is no enquiry on the desk; name a file with at least one.")
    if hours_per_week <= 0.0:
        raise FleetError(f"the bench's pace is {hours_per_week:g} hours a week; give a number above 0.")
    hours = quotes.arrays["bench_minutes"] / 60.0
    prices = _prices(quotes)
    rows = [
        _row(row, hours[i], prices[i], asked or {}, quotes.table) for i, row in enumerate(_records(quotes))
    ]
    place = sorted(
        range(len(rows)), key=lambda i: (DECISIONS.index(rows[i]["decision"]), -rows[i]["pressing"])
    )
    shared = 1.0 if units < FEW_UNITS else SHARED
    done = _running_sums(hours[place], shared, seed)
    table = pd.DataFrame([rows[i] for i in place]).drop(columns="pressing")
    table["week"] = np.ceil(np.median(done, axis=1) / hours_per_week - 1e-9)
    currencies = {p.currency for p in quotes.policies if p.hourly_rate is not None}
    one = len(currencies) == 1 and not np.isnan(prices).any()
    money = _running_sums(prices, shared, seed)[-1] if one else np.full(hours.shape[1], np.nan)
    total = done[-1]
    found = Desk(
        table,
        _three(total),
        _three(money),
        currencies.pop() if one else "",
        _weeks(total, hours_per_week),
        hours_per_week,
        "",
    )
    from dataclasses import replace

    return replace(found, sentence=_sentence(found))


def _records(quotes: Quotes) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in quotes.table.to_dict("records")]


def _prices(quotes: Quotes) -> Floats:
    """Price of each draw (m, n); NaN where the policy names no rate."""
    minutes, tilt = quotes.arrays["bench_minutes"], quotes.arrays["tilt_deg"]
    out = np.full(minutes.shape, np.nan)
    for i, policy in enumerate(quotes.policies):
        out[i] = price(minutes[i], made_wedge(tilt[i], policy), policy)
    return out


def _row(
    quote: Mapping[str, Any],
    hours: Floats,
    prices: Floats,
    asked: Mapping[str, tuple[str, float]],
    every: pd.DataFrame,
) -> dict[str, Any]:
    """What one enquiry needs, why, and how pressing that is among its like (0 to 1)."""
    both, wedge, faulty = (float(quote[n]) for n in ("p_both_met", "p_made_wedge", "p_faulty"))
    usual = float(every["p_faulty"].median())
    fact, worth = asked.get(str(quote["enquiry_id"]), ("", 0.0))
    open_yet = SETTLED <= both <= 1.0 - SETTLED
    reasons = [
        (
            ASK_FIRST,
            worth >= WORTH_ASKING and open_yet,
            worth,
            f"{fact} would narrow the ranges by {percent(worth)}",
        ),
        (PROMISE_NOTHING, both < UNLIKELY, 1.0 - both, f"both targets met with a chance of {percent(both)}"),
        (
            SUSPECT_KIND,
            faulty >= OFTEN_FAULTY * max(usual, 1e-9) and len(every) > 2,
            faulty,
            f"such units turn out faulty in {percent(faulty)}, {percent(usual)} is usual here",
        ),
        (MADE_WEDGE, wedge >= WEDGE_FROM, wedge, f"a wedge made to measure is needed with {percent(wedge)}"),
    ]
    true = [(name, size, why) for name, holds, size, why in reasons if holds]
    low, middle, high = _three(hours)
    row: dict[str, Any] = {
        "enquiry_id": str(quote["enquiry_id"]),
        "decision": true[0][0] if true else QUOTE_IT,
        "why": "; ".join(why for _, _, why in true) or f"both targets met with a chance of {percent(both)}",
        "p_both_met": both,
        "p_made_wedge": wedge,
        "p_faulty": faulty,
        "hours_q05": low,
        "hours_q50": middle,
        "hours_q95": high,
    }
    row |= dict(zip(("price_q05", "price_q50", "price_q95"), _three(prices), strict=True))
    return row | {"pressing": true[0][1] if true else 0.0}


def _running_sums(values: Floats, shared: float, seed: int) -> Floats:
    """Draws of the sums of the first 1, 2, ... of m enquiries (m, n), a share of each variance common."""
    together = np.cumsum(values, axis=0)
    if shared == 1.0:
        return np.asarray(together)
    rng = np.random.default_rng(seed)
    apart = np.cumsum(rng.permuted(values, axis=1), axis=0)
    middle = together.mean(axis=1, keepdims=True)
    return np.asarray(
        middle
        + np.sqrt(1.0 - shared) * (apart - middle)
        + np.sqrt(shared) * (rng.permuted(together, axis=1) - middle)
    )


def _three(values: Floats) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, LEVELS) if not np.isnan(values).any() else (math.nan,) * 3
    return float(low), float(middle), float(high)


def _weeks(total: Floats, pace: float) -> pd.DataFrame:
    """What is still to be done at the end of each week."""
    columns = ["week", "hours_q05", "hours_q50", "hours_q95"]
    if math.isnan(pace):
        return pd.DataFrame(columns=columns)
    last = min(max(math.ceil(float(np.quantile(total, LEVELS[-1])) / pace), 1), WEEKS_SHOWN)
    left = [(w, *_three(np.maximum(total - w * pace, 0.0))) for w in range(1, last + 1)]
    return pd.DataFrame(left, columns=columns)


def _sentence(found: Desk) -> str:
    counts = found.table["decision"].value_counts()
    needs = [f"{counts[d]} {d}" for d in DECISIONS if d in counts]
    low, middle, high = found.hours
    said = f"{count(len(found.table), 'enquiry').replace('enquirys', 'enquiries')}: {', '.join(needs)}. "
    said += f"In all {number(middle, 1)} hours at the bench ({span(low, high, digits=1)})"
    if not unknown(found.price[1]):
        unit = f" {found.currency}" if found.currency else ""
        said += f", {number(found.price[1], 0)}{unit} ({span(found.price[0], found.price[2], digits=0)})"
    if math.isnan(found.hours_per_week):
        return f"{said}; tell the bench's pace, and they are spread over weeks."
    ends = [math.ceil(h / found.hours_per_week - 1e-9) for h in (low, high)]
    weeks = count(ends[1], "week") if ends[0] == ends[1] else f"{ends[0]} to {ends[1]} weeks"
    return f"{said}; at {found.hours_per_week:.1f} hours a week done in {weeks}."


def pace_of(sheets: pd.DataFrame, *, weeks: int = 13) -> float:
    """Hours a week that the bench has worked lately, by its sheets; NaN without bench times.

    Parameters
    ----------
    sheets : `measured_on`, `bench_minutes` of every sheet
    weeks : how far back from the newest sheet

    Returns
    -------
    Hours [h], over the weeks back to the newest sheet's; sheets without a time count as the others' middle.
    """
    minutes = pd.to_numeric(sheets["bench_minutes"]).astype(float)
    days = pd.to_datetime(sheets["measured_on"])
    if minutes.notna().sum() == 0 or days.notna().sum() == 0:
        return math.nan
    lately = days > days.max() - pd.Timedelta(weeks=weeks)
    own = minutes[lately].fillna(minutes.median())
    span_weeks = min(max((days.max() - days.min()).days / 7.0, 1.0), float(weeks))
    return float(own.sum() / 60.0 / span_weeks)
