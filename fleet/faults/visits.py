"""Earlier visits of a unit: which of them were of the same assembly, and what they tell of it today."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd
from pandas.api.types import is_numeric_dtype

from fleet.house_model.chain import SPHERICAL
from fleet.numerals import count, day, unknown

BODY: Final = ("body_family", "generator", "vtf_mn", "tilt_room_deg")
"""Facts that stay with the body, whatever assembly it carries."""
ASSEMBLY: Final = (
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
    "compliance_um_per_mn",
    "compliance_frequency_hz",
    "cantilever_length_mm",
)
TELLING: Final = ("stylus_profile", "cantilever_material", "assembly_source")
"""Facts that tell another assembly where they differ."""
QUOTED: Final = ("sra_static_deg", "vta_dynamic_deg")
"""Earlier readings that a quote stands on."""


def in_order(visits: pd.DataFrame) -> pd.DataFrame:
    """Visits of one serial by day, with the number of the assembly that each of them saw, from 1.

    A sheet marked as retipped starts the next assembly, and so does a source, profile or cantilever that
    differs from the last one known: the store's own rule. A visit without a day stands before the others.

    Parameters
    ----------
    visits : bench sheets of one serial; days, peculiarities and what `TELLING` names may be missing

    Returns
    -------
    DataFrame
        The rows by day, numbered anew, with `assembly`.
    """
    frame = visits.copy()
    for name in ("measured_on", "sheet_no", "bench", "peculiarities", *TELLING):
        if name not in frame:
            frame[name] = None
    frame["measured_on"] = pd.to_datetime(frame["measured_on"])
    frame = frame.sort_values(["measured_on", "sheet_no", "bench"], na_position="first", ignore_index=True)
    number, last, numbers = 1, dict.fromkeys(TELLING), []
    for place, row in enumerate(frame.to_dict("records")):
        told = {n: row[n] for n in TELLING if not unknown(row[n])}
        if is_retipped(row):
            last = dict.fromkeys(TELLING)
            number += place > 0
        elif any(last[n] not in (None, told[n]) for n in told):
            number += 1
        last |= told
        numbers.append(number)
    return frame.assign(assembly=numbers)


def is_retipped(row: Mapping[Any, Any]) -> bool:
    """Whether a sheet or enquiry says that the assembly is a new one."""
    marks = row.get("peculiarities")
    return not unknown(marks) and "retipped" in str(marks).split(";")


def last_assembly(visits: pd.DataFrame, row: Mapping[Any, Any]) -> pd.DataFrame:
    """Visits that saw the assembly of a sheet or enquiry, by day; none if its own is a new one.

    Parameters
    ----------
    visits : as `in_order` gives them
    row : what is told today
    """
    same: pd.DataFrame = visits[visits["assembly"] == visits["assembly"].max()]
    none: pd.DataFrame = same.iloc[:0]
    for name in TELLING:
        known = same[name].dropna()
        if len(known) and not unknown(row.get(name)) and known.iloc[-1] != row[name]:
            return none
    return none if is_retipped(row) else same


def told_by(visits: pd.DataFrame, row: Mapping[Any, Any], *, readings: bool) -> dict[str, Any]:
    """What earlier visits tell of a unit and today's row doesn't: by name, each from the newest that has it.

    Parameters
    ----------
    visits : bench sheets of its serial
    row : what is told today; it is never contradicted
    readings : whether earlier readings count too, as for a quote
    """
    if visits.empty:
        return {}
    ordered = in_order(visits)
    same = last_assembly(ordered, row)
    profiles = (row.get("stylus_profile"), *same["stylus_profile"].dropna().tolist()[-1:])
    spherical = SPHERICAL in profiles
    told = {}
    for names, source in ((BODY, ordered), (ASSEMBLY, same), (QUOTED if readings else (), same)):
        for name in names:
            known = source[name].dropna() if name in source else source["assembly"].iloc[:0]
            if len(known) and unknown(row.get(name)) and not (spherical and name == "sra_static_deg"):
                told[name] = known.iloc[-1]
    if "compliance_um_per_mn" not in told:  # its frequency belongs to the figure told today
        told.pop("compliance_frequency_hz", None)
    return told


def fill_in(
    rows: pd.DataFrame, visits: pd.DataFrame, *, readings: bool
) -> tuple[pd.DataFrame, dict[Any, str]]:
    """Rows with what earlier visits of their serials tell, and for each of these which visits those were.

    Parameters
    ----------
    rows : enquiries or sheets with `serial_token`
    visits : bench sheets of these serials
    readings : whether earlier readings count too

    Returns
    -------
    (the rows, in words by the row's label: whence it was told).
    """
    out, words = rows.copy(), {}
    for label, row in zip(rows.index, rows.to_dict("records"), strict=True):
        token = row.get("serial_token")
        mine = visits[visits["serial_token"] == token] if not unknown(token) else visits.iloc[:0]
        if mine.empty:
            continue
        told = told_by(mine, row, readings=readings)
        for name, value in told.items():
            if name not in out:
                out[name] = None
            if isinstance(value, str) and is_numeric_dtype(out[name]):
                out[name] = out[name].astype(object)
            out.loc[label, name] = value
        words[label] = _words(mine, row, told)
    return out, words


def _words(visits: pd.DataFrame, row: Mapping[Any, Any], told: Mapping[str, Any]) -> str:
    ordered = in_order(visits)
    same = last_assembly(ordered, row)
    last = ordered.iloc[-1]
    known = f"this unit is known from {count(len(ordered), 'visit')}, the last on {day(last['measured_on'])}"
    if same.empty:
        return f"{known}; its assembly is another since, so only facts of its body count"
    return f"{known}, sheet {last['sheet_no']}" + ("" if told else "; nothing of it is missing here")
