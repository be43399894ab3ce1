"""What a file would give, column by column, before anything is stored."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from fleet.columns import COLUMNS

if TYPE_CHECKING:
    from typing import Any

MOST_WORDS = 4


def preview(good: pd.DataFrame) -> pd.DataFrame:
    """Sum up rows that would go in.

    Parameters
    ----------
    good : typed rows, as the checks leave them.

    Returns
    -------
    One row a column that holds anything: `column`, `unit`, `told` (rows), `what it holds`.
    """
    names = [name for name in COLUMNS if name in good and good[name].notna().any()]
    return pd.DataFrame(
        {
            "column": names,
            "unit": [COLUMNS[name].unit for name in names],
            "told": [int(good[name].notna().sum()) for name in names],
            "what it holds": [holds(good[name]) for name in names],
        }
    )


def holds(values: pd.Series[Any]) -> str:
    """Range of figures and days, the most frequent words."""
    told = values.dropna()
    if values.dtype.kind in "fiM":
        low, middle, high = told.min(), told.sort_values().iloc[len(told) // 2], told.max()
        return f"{_text(low)} to {_text(high)}, middle {_text(middle)}"
    counts = told.value_counts()
    shown = ", ".join(f"{word} ({n})" for word, n in counts.head(MOST_WORDS).items())
    return shown if len(counts) <= MOST_WORDS else f"{shown} and {len(counts) - MOST_WORDS} more"


def _text(value: Any) -> str:
    return f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else f"{float(value):.2f}"
