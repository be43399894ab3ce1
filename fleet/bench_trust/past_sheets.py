"""What a moved reading means for the sheets already written: how many, by how much, and a table of offsets.

Sheets are never changed.  The table sets beside each reading what the bench watch thinks it was off by, with
95 % limits, so that whoever uses it sees both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.bench_trust.watch import BOTH_RAKES, Watch
from fleet.bench_trust.watch_words import day
from fleet.bench_trust.watched_reading import ReadingWatch
from fleet.numerals import with_sign
from fleet.words import quantity

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

RAKES: Final = ("sra_static_deg", "sra_dynamic_deg")
NEVER_SILENT: Final = (
    "The sheets themselves stay as they were read. Offsets hold if the bench moved, not the check pickup."
)


@dataclass(frozen=True)
class Touched:
    """Sheets of units read since a reading moved.

    Attributes
    ----------
    table : a row a sheet and reading: `bench`, `sheet_no`, `measured_on`, `reading`, `as_read`, `offset`,
        `offset_low`, `offset_high`, `less_offset` (as read less the offset), `why`
    sentence : how many, by how much
    """

    table: pd.DataFrame
    sentence: str


def touched_sheets(watch: Watch, sheets: pd.DataFrame, policy: Policy | None = None) -> Touched:
    """Find the sheets that were read while a reading stood off.

    Parameters
    ----------
    watch : the bench watch
    sheets : bench sheets of units (`purpose`, `bench`, `sheet_no`, `measured_on`, readings)
    policy : whose rake limits decide which sheets would be judged otherwise; None leaves that out
    """
    units = sheets[sheets["purpose"] == "unit"] if "purpose" in sheets else sheets
    units = units.assign(measured_on=pd.to_datetime(units["measured_on"]))
    parts, said = [], []
    for source, columns in _sources(watch):
        own = units[units["bench"] == source.bench]
        found = [_offsets(source, own, name) for name in columns if name in own]
        rows = pd.concat(found, ignore_index=True) if found else _empty()
        parts.append(rows)
        said.append(_sentence(source, rows, policy))
    table = pd.concat(parts, ignore_index=True) if parts else _empty()
    if not said:
        return Touched(table, "No reading stands off, so no sheet is touched.")
    return Touched(
        table.sort_values(["measured_on", "sheet_no", "reading"], ignore_index=True), " ".join(said)
    )


def _sources(watch: Watch) -> list[tuple[ReadingWatch, tuple[str, ...]]]:
    """Which change speaks for which columns: that of both rakes together for both, where it is an alarm."""
    found: list[tuple[ReadingWatch, tuple[str, ...]]] = []
    alarms = [r for r in watch.alarms if r.change is not None]
    both = {r.bench for r in alarms if r.reading == BOTH_RAKES}
    for r in alarms:
        if r.reading == BOTH_RAKES:
            found.append((r, RAKES))
        elif not (r.reading in RAKES and r.bench in both):
            found.append((r, (r.reading,)))
    return found


def _offsets(source: ReadingWatch, sheets: pd.DataFrame, name: str) -> pd.DataFrame:
    change = source.change
    assert change is not None
    own = sheets[sheets[name].notna() & (sheets["measured_on"] >= change.since_low)]
    if own.empty:
        return _empty()
    days = own["measured_on"].drop_duplicates()
    by_day = pd.DataFrame(change.offset(days), index=days, columns=["offset", "offset_low", "offset_high"])
    off = by_day.loc[own["measured_on"]].reset_index(drop=True)
    own = own.reset_index(drop=True)
    return pd.DataFrame(
        {
            "bench": own["bench"],
            "sheet_no": own["sheet_no"],
            "measured_on": own["measured_on"],
            "reading": name,
            "as_read": own[name],
            **{column: off[column] for column in off},
            "less_offset": own[name] - off["offset"],
            "why": source.sentence,
        }
    )


def _sentence(source: ReadingWatch, rows: pd.DataFrame, policy: Policy | None) -> str:
    change, unit = source.change, quantity(source.reading).unit
    assert change is not None
    certain = rows[rows["measured_on"] >= change.since]
    n, possible = certain["sheet_no"].nunique(), rows["sheet_no"].nunique()
    word = quantity(source.reading).short
    if not possible:
        return f"No sheet of a unit on bench {source.bench} was read since the {word} reading moved."
    if not n:
        return (
            f"No sheet of a unit was read since the {word} reading probably moved; {possible} since the "
            f"earliest day that it may have, {day(change.since_low)}."
        )
    worst = certain.iloc[int(np.argmax(certain["offset"].abs().to_numpy()))]
    sheets = "sheet of a unit was" if n == 1 else "sheets of units were"
    ends = f"{with_sign(float(worst['offset_low']), '')} to {with_sign(float(worst['offset_high']), '')}"
    said = (
        f"{n} {sheets} read since {day(change.since)} ({possible} since {day(change.since_low)}): their "
        f"{word} reads {with_sign(float(certain['offset'].mean()), unit)} off on average, "
        f"{with_sign(float(worst['offset']), unit)} ({ends}) on {day(worst['measured_on'])}."
    )
    return said + _verdicts(certain, policy)


def _verdicts(rows: pd.DataFrame, policy: Policy | None) -> str:
    """How many sheets would stand on the other side of a limit of the policy, level headshell."""
    turned = 0
    if policy is None:
        return ""
    low, high = policy.rake_accepted_deg
    for name, ends in (
        ("sra_dynamic_deg", (low, high)),
        ("vta_dynamic_deg", (-np.inf, policy.tracking_limit_deg)),
    ):
        own = rows[rows["reading"] == name]
        read = own["as_read"].between(*ends)
        turned += int((read != own["less_offset"].between(*ends)).sum())
    if not rows["reading"].isin(["sra_dynamic_deg", "vta_dynamic_deg"]).any():
        return ""
    said = "none" if turned == 0 else str(turned)
    return f" Of them {said} would stand on the other side of a limit on a level headshell."


def _empty() -> pd.DataFrame:
    names = ("bench", "sheet_no", "measured_on", "reading", "as_read", "offset", "offset_low", "offset_high")
    frame = pd.DataFrame({name: pd.Series(dtype="str") for name in (*names, "less_offset", "why")})
    numbers = ("as_read", "offset", "offset_low", "offset_high", "less_offset")
    return frame.astype({**dict.fromkeys(numbers, "float64"), "measured_on": "datetime64[us]"})
