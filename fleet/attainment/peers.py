"""Units against their kind: one among the raw readings of the others, or all in sigmas of the house model.

Pictures beside the suspect list, not another verdict: one unit's raw readings (its own left out of the kind)
are without the corrections for family, source and temperature that the model's residuals carry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.alignment.targets import select_counted
from fleet.attainment.distributions import FEWEST_FOR_RANGE, QUANTITIES, Quantity, group_labels
from fleet.errors import NoSuchUnitError
from fleet.house_model.chain import JUDGED
from fleet.house_model.loo_residuals import residuals
from fleet.words import plain_word

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.house_model.house import House

TRACKING_STILL: Final = Quantity(
    "vta_static_deg", ("vta_dynamic_deg", "sra_static_deg"), ("sra_dynamic_deg",)
)
LINKS_SHOWN: Final = {
    "vta_static_deg": TRACKING_STILL,
    **{
        name: QUANTITIES[name]
        for name in (
            "built_in_deg",
            "sag_deg",
            "zenith_deg",
            "azimuth_optical_deg",
            "azimuth_electrical_deg",
            "channel_balance_db",
        )
    },
}
"""What a unit is compared by, one entry a link of the chain."""
PAIRS: Final = (
    ("vta_static_deg", "built_in_deg"),
    ("built_in_deg", "sag_deg"),
    ("azimuth_optical_deg", "azimuth_electrical_deg"),
    ("zenith_deg", "channel_balance_db"),
)
"""Pairs of links that tell faults apart: which of two readings is off says what is wrong."""
FEWEST_OF_KIND: Final = 8
"""A kind with fewer other units is too thin to compare with; the whole fleet stands in (our choice)."""


@dataclass(frozen=True)
class PeerGroup:
    """One unit among the others.

    Attributes
    ----------
    others : one row a unit, columns of `LINKS_SHOWN`
    own : the unit's figures by the same names, NaN where not read
    table : one row a link: `link`, `words`, `unit_reading`, `n`, `median`, `low`, `high` (5 % and 95 %
        of the others, NaN below 20 of them), `further_out` (share of the others farther from the median)
    kind : who the others are, in words
    sentence : the most striking reading in words
    """

    others: pd.DataFrame
    own: dict[str, float]
    table: pd.DataFrame
    kind: str
    sentence: str


def standing(house: House, sheets: pd.DataFrame) -> pd.DataFrame:
    """Set every reading of every unit against its kind, its own sheet left out.

    Parameters
    ----------
    house : House
        The fitted model.
    sheets : DataFrame
        Current sheets, canonical columns, ``unit``, ``newest``; each unit counts by its newest sheet.

    Returns
    -------
    DataFrame
        One row a unit and reading: ``sheet_no``, ``unit``, ``link`` (of `JUDGED`), ``reading`` and
        ``expected`` [degrees, dB], ``sigmas``. What wasn't read has no row.
    """
    units = select_counted(sheets).reset_index(drop=True)
    resid = residuals(house, units, taught=np.ones(len(units), dtype=bool))
    sd = np.sqrt(np.diagonal(resid.covariance, axis1=1, axis2=2))
    row, link = np.nonzero(~np.isnan(resid.value) & (sd > 0))
    off, expected = resid.value[row, link], resid.expected[row, link]
    return pd.DataFrame(
        {
            "sheet_no": units["sheet_no"].astype(str).to_numpy()[row],
            "unit": units["unit"].astype(str).to_numpy()[row],
            "link": np.array(JUDGED)[link],
            "reading": expected + off,
            "expected": expected,
            "sigmas": off / sd[row, link],
        }
    )


def peer_group(sheets: pd.DataFrame, sheet_no: str) -> PeerGroup:
    """Set one sheet's readings against the newest sheets of the other units of its kind.

    Parameters
    ----------
    sheets
        Canonical columns with `unit` and `newest`.
    sheet_no
        The sheet looked at.

    Raises
    ------
    NoSuchUnitError
        If there is no such sheet.
    """
    mine = sheets[sheets["sheet_no"] == sheet_no]
    if mine.empty:
        raise NoSuchUnitError(f"there is no sheet {sheet_no!r} in the store; check its number")
    mine = mine.iloc[[-1]]
    units = select_counted(sheets)
    units = units[units["unit"] != mine["unit"].iloc[0]]
    label = group_labels(mine, "kind").iloc[0]
    same = units[group_labels(units, "kind") == label]
    thin = len(same) < FEWEST_OF_KIND
    pool = units if thin else same
    kind = f"{len(pool)} other units of the kind {plain_word(label)}"
    if thin:
        kind = f"{len(pool)} units of all kinds (only {len(same)} others are {plain_word(label)})"
    others = pd.DataFrame({name: q.read(pool) for name, q in LINKS_SHOWN.items()})
    own = {name: float(q.read(mine)[0]) for name, q in LINKS_SHOWN.items()}
    rows = [_compare(name, own[name], others[name].to_numpy()) for name in LINKS_SHOWN]
    table = pd.DataFrame(rows)
    return PeerGroup(others, own, table, kind, _sentence(table, kind))


def _compare(name: str, own: float, values: NDArray[np.float64]) -> dict[str, object]:
    told = values[~np.isnan(values)]
    middle = float(np.median(told)) if len(told) else np.nan
    low, high = np.quantile(told, [0.05, 0.95]) if len(told) >= FEWEST_FOR_RANGE else (np.nan, np.nan)
    away = np.abs(told - middle) > abs(own - middle)
    share = float(away.mean()) if len(told) and not np.isnan(own) else np.nan
    return {
        "link": name,
        "words": LINKS_SHOWN[name].words,
        "unit_reading": own,
        "n": len(told),
        "median": middle,
        "low": float(low),
        "high": float(high),
        "further_out": share,
    }


def _sentence(table: pd.DataFrame, kind: str) -> str:
    told = table[table["further_out"].notna()]
    if told.empty:
        return f"Nothing was read that could be compared with {kind}."
    row = told.iloc[int(told["further_out"].argmin())]
    own = LINKS_SHOWN[str(row["link"])].named
    beyond = round(row["further_out"] * row["n"])
    count = "none" if beyond == 0 else str(beyond)
    return (
        f"Against {kind}, its {row['words']} stands out most: {own.figure(row['unit_reading'])} where "
        f"their median is {own.figure(row['median'])}; {count} of {row['n']:.0f} lie further out."
    )
