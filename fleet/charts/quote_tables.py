"""A quote as small tables and headline figures that a reader takes in at a glance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from fleet.charts.words import figure, percent

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

QUANTITIES: Final = {
    "sag_deg": ("dynamic sag", "°", 2),
    "sra_dynamic_deg": ("rake, record turning", "°", 1),
    "vta_dynamic_deg": ("tracking angle, record turning", "°", 1),
    "built_in_deg": ("built-in angle", "°", 1),
    "tilt_deg": ("tilt the policy would choose", "°", 1),
    "bench_minutes": ("bench time", "min", 0),
}
CHANCES: Final = {
    "p_both_met": "one tilt serves both targets",
    "p_rake_met": "rake can be met",
    "p_tracking_met": "tracking can be met",
    "p_conflict_built_in": "the built-in angle rules both out",
    "p_conflict_reach": "room or lower limit rule both out",
    "p_made_wedge": "a wedge made to measure is needed",
    "p_faulty": "the unit turns out faulty",
}


def headline(row: pd.Series, policy: Policy) -> list[tuple[str, str, str]]:
    """Four figures that answer an enquiry: label, value, what it means."""
    tilt = f"{row['tilt_deg_q50']:+.1f}°"
    last = (
        "Made wedge",
        percent(row["p_made_wedge"]),
        "Chance that one is needed, made to measure. An hourly rate in the policy brings a price here.",
    )
    if pd.notna(row["price_quoted"]):
        money = f" {policy.currency}".rstrip()
        low, high = row["price_low"], row["price_high"]
        last = ("Price", f"{row['price_quoted']:g}{money}", f"Between {low:g} and {high:g}{money}.")
    return [
        (
            "One tilt serves both",
            percent(row["p_both_met"]),
            "Chance that some allowed tilt meets rake and tracking.",
        ),
        ("Tilt to expect", tilt, f"Nine in ten: {row['tilt_deg_q05']:+.1f}° to {row['tilt_deg_q95']:+.1f}°."),
        (
            "Bench time",
            figure(row["bench_minutes_q50"], "min", 0),
            f"Nine in ten: {row['bench_minutes_q05']:.0f} to {row['bench_minutes_q95']:.0f} min.",
        ),
        last,
    ]


def quantiles(row: pd.Series) -> pd.DataFrame:
    """Medians and ranges of every predicted quantity."""
    rows = []
    for name, (words, unit, digits) in QUANTITIES.items():

        def span(low: str, high: str) -> str:
            a, b = row[f"{name}_{low}"], row[f"{name}_{high}"]  # noqa: B023 - used at once
            return "–" if pd.isna(a) else f"{a:.{digits}f} to {figure(b, unit, digits)}"  # noqa: B023

        rows.append(
            {
                "bench reading": words,
                "median": figure(row[f"{name}_q50"], unit, digits),
                "half of such units": span("q25", "q75"),
                "nine in ten": span("q05", "q95"),
            }
        )
    return pd.DataFrame(rows)


def chances(row: pd.Series) -> pd.DataFrame:
    """Chances of the outcomes, in words."""
    return pd.DataFrame(
        {"chance that": list(CHANCES.values()), "chance": [percent(row[name]) for name in CHANCES]}
    )
