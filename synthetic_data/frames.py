"""Arrays of an invented world into the frames that people see: sheets, truth, enquiries, draws."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from synthetic_data.balance import Floats
from synthetic_data.bench import chosen_tilt_deg, reachable
from synthetic_data.catalogue import Catalogue, Ints
from synthetic_data.readings import Readings
from synthetic_data.spec import FAULTS, HEALTHY, MISREAD, SLIPS, WorldSpec
from synthetic_data.units import Stand, Units

_WORDS = ("body_family", "generator", "stylus_profile", "cantilever_material", "assembly_source")
_FIGURES = ("vtf_mn", "compliance_um_per_mn", "compliance_frequency_hz", "cantilever_length_mm")
_HIDDEN = ("vta_dynamic_deg", "compliance_um_per_mn", "cantilever_length_mm")
SHEET_COLUMNS = (
    "sheet_no", "measured_on", "serial", "bench", "operator", "purpose", *_WORDS, "hours_used", *_FIGURES,
    "temperature_c", "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "azimuth_optical_deg",
    "azimuth_electrical_deg", "crosstalk_l_to_r_db", "crosstalk_r_to_l_db", "crosstalk_phase_l_to_r_deg",
    "crosstalk_phase_r_to_l_deg", "channel_balance_db", "zenith_deg", "height_mm", "tip_to_mount_mm",
    "tilt_room_deg", "tilt_applied_deg", "roll_applied_deg", "sra_after_deg", "vta_after_deg",
    "bench_minutes", "remedy", "peculiarities",
)  # fmt: skip
_TRUE_READINGS = (
    "zenith_deg", "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db", "tilt_room_deg",
)  # fmt: skip


def sheet_frame(
    spec: WorldSpec,
    catalogue: Catalogue,
    units: Units,
    written: Readings,
    day: Floats,
    temperature_c: Floats,
) -> pd.DataFrame:
    """Sheets without number, serial, operator and remedy, everything told."""
    start = np.datetime64(spec.start, "D")
    out: dict[str, NDArray[np.generic] | str] = {
        "measured_on": (start + day.astype("timedelta64[D]")).astype("datetime64[us]"),
        "bench": spec.bench,
        "purpose": "unit",
        "hours_used": units.hours_used,
        "temperature_c": temperature_c,
    }
    out |= {name: catalogue.column(name).astype(object)[units.line] for name in _WORDS}
    out |= {name: catalogue.figures(name)[units.line] for name in _FIGURES}
    out["vtf_mn"] = units.vtf_mn
    return pd.DataFrame({**out, **written})


def drop_facts(
    rng: np.random.Generator, spec: WorldSpec, sheets: pd.DataFrame, faulty: NDArray[np.bool_]
) -> pd.DataFrame:
    """Empty the facts that the bench did not know; a lost compliance loses its frequency too."""
    if spec.hidden_where_worst > 0.0:
        worst = faulty & (rng.random(len(sheets)) < spec.hidden_where_worst)
        for column in (*_HIDDEN, "compliance_frequency_hz"):
            sheets[column] = sheets[column].mask(worst)
    for name, share, along in (
        ("compliance_um_per_mn", spec.missing_compliance, "compliance_frequency_hz"),
        ("cantilever_length_mm", spec.missing_length, None),
        ("temperature_c", spec.missing_temperature, None),
        ("hours_used", spec.missing_hours, None),
    ):
        lost = rng.random(len(sheets)) < share
        for column in (name, along) if along else (name,):
            sheets[column] = sheets[column].mask(lost)
    return sheets


def peculiarities(rng: np.random.Generator, units: Units, retipped: NDArray[np.bool_]) -> NDArray[np.object_]:
    """What the bench noted: wear after long use, dirt, a noisy or aged part, a new assembly."""
    n = len(units)
    weak, stiff = (FAULTS.index(name) + 1 for name in ("weak_channel", "suspension_stiff"))
    noted = {
        "retipped": retipped,
        "worn": (units.hours_used > 1000.0) & ~retipped & (rng.random(n) < 0.5),
        "dirty": rng.random(n) < 0.03,
        "noisy_channel": (units.fault == weak) & (rng.random(n) < 0.3),
        "aged_damper": (units.fault == stiff) & (rng.random(n) < 0.3),
    }
    out = np.full(n, "", dtype=object)
    for word, rows in noted.items():
        out[rows] = [f"{have};{word}" if have else word for have in out[rows]]
    out[out == ""] = None
    return out


def truth_frame(catalogue: Catalogue, units: Units, upright: Stand, slip_code: Ints) -> pd.DataFrame:
    """What is really there.

    Returns
    -------
    DataFrame
        `unit` (added with the numbers: serial and assembly), `fault` (a fault's name, `healthy`, or
        `misread` for a slip on a healthy unit's sheet), `fault_size` (signed degrees or dB, or times as
        soft), `slip` (its kind or empty), the true angles `vta_static_deg`, `vta_dynamic_deg`,
        `sra_static_deg`, `sra_dynamic_deg`, `sag_deg`, `built_in_deg`, `zenith_deg`, both azimuths
        [degrees], `channel_balance_db`, `tilt_room_deg`, `hours_used`, `softness`,
        `static_compliance_um_per_mn`, `drag_ratio`, the true words of the unit, and `rake_reachable`,
        `tracking_reachable`, `both_reachable` (common practice's limits, true angles). Rake and zenith
        of a spherical stylus are NaN.
    """
    line = units.line
    edge = np.where(catalogue.column("stylus_profile")[line] == "spherical", np.nan, 1.0)
    names = np.array([HEALTHY, *FAULTS, MISREAD], dtype=object)
    code = np.where(slip_code > 0, len(names) - 1, units.fault)
    sra = edge * upright.sra_dynamic_deg
    met = reachable(sra, upright.vta_dynamic_deg, units.tilt_room_deg)
    columns: dict[str, NDArray[np.generic]] = {
        "fault": names[code],
        "fault_size": units.fault_size,
        "slip": np.array(["", *SLIPS], dtype=object)[slip_code],
        "vta_static_deg": upright.vta_static_deg,
        "vta_dynamic_deg": upright.vta_dynamic_deg,
        "sra_static_deg": edge * upright.sra_static_deg,
        "sra_dynamic_deg": sra,
        "sag_deg": upright.sag_deg,
        "built_in_deg": edge * units.built_in_deg,
    }
    columns |= {name: getattr(units, name) for name in _TRUE_READINGS}
    columns["zenith_deg"] = edge * units.zenith_deg
    columns |= {
        "hours_used": units.hours_used,
        "softness": units.softness,
        "static_compliance_um_per_mn": units.softness * catalogue.figures("static_compliance")[line],
        "drag_ratio": units.drag_ratio,
    }
    columns |= {name: catalogue.column(name).astype(object)[line] for name in _WORDS}
    columns |= {f"{name}_reachable": value for name, value in met.items()}
    return pd.DataFrame(columns)


def number_sheets(
    sheets: pd.DataFrame,
    truth: pd.DataFrame,
    serials: NDArray[np.object_],
    assembly: Ints,
    *,
    first_number: int,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give sheets their numbers and serials, in the canonical order; truth gets both and the unit."""
    numbers = [f"W{i:08d}" for i in range(first_number, first_number + len(sheets))]
    sheets = sheets.assign(sheet_no=numbers, serial=serials)[list(SHEET_COLUMNS)]
    truth.insert(0, "sheet_no", numbers)
    truth.insert(1, "serial", serials)
    truth.insert(2, "unit", [f"{s}/{a}" for s, a in zip(serials, assembly, strict=True)])
    return sheets, truth


def full_enquiries(
    catalogue: Catalogue, units: Units, ids: NDArray[np.object_], visit: Readings
) -> pd.DataFrame:
    """Enquiries with every fact told, the columns of the enquiry file (no serial, no policy)."""
    line, n = units.line, len(units)
    empty = np.full(n, None, dtype=object)
    words = {name: catalogue.column(name).astype(object)[line] for name in _WORDS}
    figures = {name: catalogue.figures(name)[line] for name in _FIGURES}
    return pd.DataFrame(
        {
            "enquiry_id": ids,
            "serial": empty,
            "policy": empty,
            **words,
            **figures,
            "vtf_mn": units.vtf_mn,
            "temperature_c": np.full(n, np.nan),
            "tilt_room_deg": np.round(units.tilt_room_deg, 1),
            "hours_used": units.hours_used,
            "peculiarities": empty,
            **visit,
        }
    )


def draws_frame(sheets: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Readings, what follows from them, and the truth as `true_…`."""
    out = sheets.drop(columns=["bench", "purpose", "measured_on"])
    out["sag_deg"] = out["sra_static_deg"] - out["sra_dynamic_deg"]
    out["built_in_deg"] = out["sra_dynamic_deg"] - out["vta_dynamic_deg"]
    sra, vta, room = (out[c].to_numpy() for c in ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg"))
    out["tilt_deg"] = chosen_tilt_deg(sra, vta, room)
    plain = truth.drop(columns=list(_WORDS))
    renamed = plain.rename(columns={c: f"true_{c}" for c in plain.columns if c not in ("fault", "slip")})
    return pd.concat([out, renamed], axis=1)
