"""Text that stands in for a picture: what each chart shows, in a sentence with its figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fleet.attainment.distributions import spoken

if TYPE_CHECKING:
    import pandas as pd


__all__ = ["fault_words", "figure", "listing", "percent", "spoken"]


def fault_words(name: str) -> str:
    """Write a fault signature as people say it: `stylus_canted` becomes stylus canted."""
    return name.replace("_", " ")


def figure(value: float, unit: str, digits: int = 2) -> str:
    """Write a figure with its unit; nothing read is a dash."""
    if value != value:
        return "–"
    blank = "" if unit in ("°", "%", "") else " "
    return f"{value:.{digits}f}{blank}{unit}"


def percent(value: float) -> str:
    """Write a share as a whole percentage, but never as a certainty that it is not."""
    if value != value:
        return "–"
    if 0.0 < value < 0.005:
        return "under 1%"
    if 0.995 < value < 1.0:
        return "over 99%"
    return f"{100 * value:.0f}%"


def listing(table: pd.DataFrame, name: str, value: str, unit: str, *, most: int = 6, digits: int = 2) -> str:
    """List a chart's first rows as text: name and figure, and how many more there are."""
    rows = table.head(most)
    said = "; ".join(f"{row[name]} {figure(row[value], unit, digits)}" for _, row in rows.iterrows())
    more = len(table) - len(rows)
    return said + (f"; and {more} more" if more > 0 else "")
