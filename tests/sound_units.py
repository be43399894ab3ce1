"""Sheets of a unit that reads exactly what its kind should read, and what each fault makes of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fleet.columns import COLUMNS
from fleet.house_model.chain import JUDGED
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.physics.sag import sag_scale_deg, soften

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


def faulty_sheets(sheet: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The same unit with each fault of the contract, of a plain size, by the mechanics."""
    row = sheet.iloc[0]
    sag = float(row["sra_static_deg"] - row["sra_dynamic_deg"])
    t = float(row["vta_dynamic_deg"]) + sag

    def stood(still: float, new_sag: float) -> pd.DataFrame:
        """The unit with another tracking angle, record still, and another sag."""
        return changed(
            sheet,
            sra_static_deg=still - t,
            sra_dynamic_deg=still - t - (new_sag - sag),
            vta_dynamic_deg=still - t - (new_sag - sag),
        )

    def softened(factor: float) -> pd.DataFrame:
        deflection = sag / (0.28 * np.tan(np.radians(t)))
        still, new_sag = soften(np.array([t]), np.array([sag]), np.array([deflection]), factor)
        return stood(float(still[0]), float(new_sag[0]))

    steep = t + 8.0
    scale = [float(sag_scale_deg(18.0, 14.0, 5.5, x)) for x in (t, steep)]
    return {
        "rake_set_wrong": changed(sheet, sra_static_deg=-6.5, sra_dynamic_deg=-6.5),
        "stylus_twisted": changed(sheet, zenith_deg=7.0),
        "stylus_canted": changed(sheet, azimuth_optical_deg=4.5, azimuth_electrical_deg=1.5),
        "generator_rolled": changed(sheet, azimuth_electrical_deg=4.0),
        "assembly_rolled": changed(sheet, azimuth_optical_deg=4.5, azimuth_electrical_deg=4.5),
        "cantilever_angle": stood(steep, sag * scale[1] / scale[0]),
        "suspension_soft": softened(2.6),
        "suspension_stiff": softened(0.22),
        "weak_channel": changed(sheet, channel_balance_db=3.2),
        "misread": swapped(sheet, "sra_static_deg", "sra_dynamic_deg"),
    }
