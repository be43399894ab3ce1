"""Results as small tables and headlines that people read: quotes, drifting groups, intakes, versions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from fleet.columns import COLUMNS
from fleet.numerals import NOT_KNOWN, day, figure, percent, percents, span, unknown, with_sign, yes_no
from fleet.quotes.outcomes import FORECAST
from fleet.words import OUTCOMES, REMEDIES, WITHOUT_RAKE, forecast_digits, plain_word, quantity

if TYPE_CHECKING:
    from fleet.faults.group_drift import Groups
    from fleet.policy.policy import Policy

_HIDDEN: Final = ("serial_token",)


def headline(row: pd.Series, policy: Policy) -> list[tuple[str, str, str]]:
    """Four figures that answer an enquiry: label, value, what it means."""
    tilt = quantity("tilt_deg")
    last = (
        "Made wedge",
        percent(row["p_made_wedge"]),
        "Chance that one is needed, made to measure.",
    )
    if pd.notna(row["price_quoted"]):
        money = f" {policy.currency}".rstrip()
        low, high = row["price_low"], row["price_high"]
        last = ("Price", f"{row['price_quoted']:g}{money}", f"Between {low:g} and {high:g}{money}.")
    served, meaning = "One tilt serves both", "Chance that some allowed tilt meets rake and tracking."
    if pd.isna(row["p_rake_met"]):
        served, meaning = (
            "A tilt serves tracking",
            "Chance that some allowed tilt meets it; there is no rake.",
        )
    return [
        (served, percent(row["p_both_met"]), meaning),
        (
            "Tilt to expect",
            tilt.signed(row["tilt_deg_q50"]),
            f"Nine in ten: {tilt.signed(row['tilt_deg_q05'])} to {tilt.signed(row['tilt_deg_q95'])}.",
        ),
        (
            "Bench time",
            figure(row["bench_minutes_q50"], "min", 0),
            f"Nine in ten: {span(row['bench_minutes_q05'], row['bench_minutes_q95'], 'min', 0)}.",
        ),
        last,
    ]


def quantiles(row: pd.Series) -> pd.DataFrame:
    """Medians and ranges of every predicted quantity; angles to the tenth that a forecast deserves."""
    rows = []
    for name in FORECAST:
        own, digits = quantity(name), forecast_digits(name)
        q = {level: row[f"{name}_{level}"] for level in ("q05", "q25", "q50", "q75", "q95")}
        rows.append(
            {
                "bench reading": own.long,
                "median": own.figure(q["q50"], digits),
                "half of such units": own.span(q["q25"], q["q75"], digits),
                "nine in ten": own.span(q["q05"], q["q95"], digits),
            }
        )
    return pd.DataFrame(rows)


def chances(row: pd.Series) -> pd.DataFrame:
    """Chances of the outcomes, in words."""
    told = WITHOUT_RAKE if pd.isna(row["p_rake_met"]) else OUTCOMES
    return pd.DataFrame({"chance that": list(told.values()), "chance": percents(row[name] for name in told)})


def checks(found: Groups, *, most: int = 30) -> pd.DataFrame:
    """Groups that drift or spread: alarms first, then what is nearest to one."""
    rows = found.table.head(most)
    change = [
        figure(c, u, 1) if u == "times" else with_sign(c, u)
        for c, u in zip(rows["change"], rows["unit"], strict=True)
    ]
    return pd.DataFrame(
        {
            "group": [f"{k} {g}" for k, g in zip(rows["kind"], rows["group"], strict=True)],
            "reading": [quantity(str(link)).long for link in rows["link"]],
            "check": rows["check"].str.replace("_", " "),
            "units": rows["units"],
            "since": rows["since"].map(day),
            "change": change,
            "chance alone, all checks": percents(rows["p_adjusted"]),
            "alarm": rows["alarm"].map(yes_no),
        }
    )


def intakes(record: pd.DataFrame) -> pd.DataFrame:
    """The record of intakes, ready to be read."""
    return pd.DataFrame(
        {
            "intake": record["intake_id"],
            "file": record["file_name"],
            "taken in (UTC)": pd.to_datetime(record["taken_in_at"]).dt.strftime("%Y-%m-%d %H:%M"),
            "rows read": record["rows_read"],
            "taken in": record["accepted"],
            "put aside": record["put_aside"],
            "already there": record["already_there"],
            "corrections": record["superseded"],
            "undone": pd.to_datetime(record["undone_at"]).dt.strftime("%Y-%m-%d").fillna(""),
        }
    )


def sheets(found: pd.DataFrame) -> pd.DataFrame:
    """Sheets in a list: number, day, make-up as far as any tells it; days stay days, to sort as such."""
    names = (
        "stylus_profile", "cantilever_material", "body_family", "assembly_source", "bench", "operator",
        "remedy",
    )  # fmt: skip
    told: dict[str, Any] = {
        "sheet": found["sheet_no"],
        "measured": pd.to_datetime(found["measured_on"]).dt.date,
    }
    for name in names:
        words = found[name].map(lambda w: REMEDIES.get(str(w), plain_word(str(w))), na_action="ignore")
        if words.notna().any():
            told[quantity(name).short] = words.fillna(NOT_KNOWN)
    return pd.DataFrame(told)


def versions(history: pd.DataFrame) -> pd.DataFrame:
    """Versions of one sheet side by side, one row a column that any of them tells."""
    told = [c for c in history if c in COLUMNS and c not in _HIDDEN and history[c].notna().any()]
    rows: dict[str, list[str]] = {"column": [_heading(c) for c in told]}
    for row in history.to_dict("records"):
        undone = "" if pd.isna(row["undone_at"]) else ", undone"
        heading = f"version {row['version']} (intake {row['intake_id']}{undone})"
        rows[heading] = [_cell(row[c], c) for c in told]
    return pd.DataFrame(rows)


def _heading(name: str) -> str:
    unit = COLUMNS[name].unit
    return f"{name} [{unit}]" if unit else name


def _cell(value: Any, name: str) -> str:
    if unknown(value):
        return NOT_KNOWN
    if isinstance(value, pd.Timestamp):
        return day(value)
    if COLUMNS[name].kind == "number":
        return figure(float(str(value)), "", 2)
    return plain_word(str(value))
