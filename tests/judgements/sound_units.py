"""Sheets of a unit that reads exactly what its kind should read, and what each fault makes of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fleet.columns import COLUMNS
from fleet.models.house import House
from fleet.models.links import JUDGED
from fleet.models.residuals import residuals

FACTS = ("body_family", "generator", "stylus_profile", "cantilever_material", "assembly_source", "vtf_mn",
         "compliance_um_per_mn", "compliance_frequency_hz", "cantilever_length_mm")  # fmt: skip


def sound_sheet(house: House, facts: dict[str, Any], **other: Any) -> pd.DataFrame:
    """One sheet with these facts whose every residual is zero (to rounding)."""
    sheet: dict[str, Any] = dict.fromkeys(COLUMNS)
    sheet |= {k: facts[k] for k in FACTS if k in facts}
    sheet |= {
        "sheet_no": "T1",
        "measured_on": pd.Timestamp("2025-01-01"),
        "bench": "main",
        "purpose": "unit",
        "temperature_c": 22.0,
        "hours_used": 500.0,
        "tilt_room_deg": 3.5,
        "sra_static_deg": 92.0,
        "sra_dynamic_deg": 91.3,
        "vta_dynamic_deg": 24.0,
        "zenith_deg": 0.0,
        "azimuth_optical_deg": 0.0,
        "azimuth_electrical_deg": 0.0,
        "channel_balance_db": 0.0,
        **other,
    }
    for _ in range(4):
        expected = dict(zip(JUDGED, residuals(house, pd.DataFrame([sheet])).expected[0], strict=True))
        t, b, sag = (expected[n] for n in ("tracking", "built_in", "sag"))
        if np.isnan(sag):
            sag = 0.7
        sheet |= {
            "sra_static_deg": t + b,
            "sra_dynamic_deg": t + b - sag,
            "vta_dynamic_deg": t - sag,
            "zenith_deg": expected["zenith"],
            "azimuth_optical_deg": expected["azimuth_seen"],
            "azimuth_electrical_deg": expected["azimuth_electrical"],
            "channel_balance_db": expected["balance"],
        }
    return pd.DataFrame([sheet])


def changed(sheet: pd.DataFrame, **by: float) -> pd.DataFrame:
    """The sheet with these amounts added to its readings."""
    return sheet.assign(**{name: sheet[name].astype(float) + amount for name, amount in by.items()})


def swapped(sheet: pd.DataFrame, one: str, other: str) -> pd.DataFrame:
    """The sheet with two readings exchanged."""
    return sheet.assign(**{one: sheet[other], other: sheet[one]})
