"""Groups that drift or spread as a table that people read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from fleet.charts.words import percent

if TYPE_CHECKING:
    from fleet.faults.group_drift import Groups

CHECK_WORDS = {"drift": "drift", "change_of_spread": "change of spread", "spread": "spread"}


def checks(found: Groups, *, most: int = 30) -> pd.DataFrame:
    """Alarms first, then what is nearest to one."""
    rows = found.table.head(most)
    change = [
        "–" if pd.isna(c) else f"{c:+.2f} {u}" if u != "times" else f"{c:.1f} times"
        for c, u in zip(rows["change"], rows["unit"], strict=True)
    ]
    return pd.DataFrame(
        {
            "group": [f"{k} {g}" for k, g in zip(rows["kind"], rows["group"], strict=True)],
            "reading": [str(link).replace("_", " ") for link in rows["link"]],
            "check": rows["check"].map(CHECK_WORDS),
            "units": rows["units"],
            "since": ["–" if pd.isna(day) else f"{pd.Timestamp(day):%Y-%m-%d}" for day in rows["since"]],
            "change": change,
            "chance alone, all checks": [percent(float(p)) for p in rows["p_adjusted"]],
            "alarm": rows["alarm"].map({True: "yes", False: "no"}),
        }
    )
