"""The bench's own checks in an invented world: weekly check pickups and gauge studies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fleet.errors import FleetError
from synthetic_data.balance import Floats
from synthetic_data.readings import STEPS, read, round_readings
from synthetic_data.spec import WorldSpec
from synthetic_data.units import draw_units, stand
from synthetic_data.world import World

_CHECK, _GAUGE = 5, 6
_READ = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "azimuth_optical_deg",
         "azimuth_electrical_deg", "channel_balance_db", "zenith_deg")  # fmt: skip


@dataclass(frozen=True)
class GaugeTruth:
    """Standard deviations that a gauge study was drawn with [degrees]."""

    repeatability_deg: float
    operator_deg: float
    interaction_deg: float
    unit_deg: float


def check_readings_deg(
    rng: np.random.Generator,
    n_series: int,
    weeks: int,
    *,
    true_deg: float = 90.6,
    noise_deg: float = 0.17,
    drift_deg_per_week: float = 0.0,
    drift_from_week: int = 0,
) -> Floats:
    """Many weekly series of one check reading, for run lengths.

    Parameters
    ----------
    true_deg, noise_deg : float
        What is read, and the sd of one reading [degrees].
    drift_deg_per_week, drift_from_week : float, int
        Linear creep; the first week that it touches.

    Returns
    -------
    ndarray, shape (n_series, weeks)
        Readings [degrees], not rounded.
    """
    creep = drift_deg_per_week * np.maximum(np.arange(weeks) - drift_from_week + 1, 0)
    out: Floats = true_deg + noise_deg * rng.standard_normal((n_series, weeks)) + creep
    return out


def check_pickup(
    world: World,
    weeks: int,
    *,
    drift_deg_per_week: float = 0.0,
    drift_from_week: int | None = None,
    step_deg: float = 0.0,
    step_week: int | None = None,
    stream: int = 0,
) -> pd.DataFrame:
    """Weekly sheets of the bench's own check pickup (`purpose=reference`).

    The check pickup is a healthy unit of the world's commonest family with a rake, hardly used. Creep and
    step sit on the rake readings, beside the drift that the world itself has.

    Parameters
    ----------
    world : World
    weeks : int
        Number of weekly sheets from the world's first day on.
    drift_deg_per_week, drift_from_week : float, int
        Creep of both rake readings from this week on [degrees a week].
    step_deg, step_week : float, int
        Sudden change of both rake readings from this week on [degrees].

    Returns
    -------
    DataFrame
        Canonical columns of a bench sheet, one row a week.
    """
    spec, catalogue = world.spec, world.catalogue
    rng = np.random.default_rng([spec.seed, _CHECK, stream])
    words = catalogue.column("stylus_profile")
    share = np.where(words == "spherical", -1.0, catalogue.share)
    line = np.full(1, int(np.argmax(share)))
    one = draw_units(rng, spec, catalogue, line, np.zeros(1, dtype=np.int64))
    unit = one.with_values(hours_used=np.full(1, 20.0)).take(np.zeros(weeks, dtype=np.int64))
    week = np.arange(weeks)
    day: Floats = 7.0 * week.astype(np.float64)
    temperature = world.temperature(rng, day)
    operator = rng.choice(3, weeks, p=(0.57, 0.31, 0.12))
    readings = read(rng, spec, catalogue, unit, stand(spec, catalogue, unit, temperature), day, operator)
    extra = np.zeros(weeks)
    if drift_from_week is not None:
        extra += drift_deg_per_week * np.maximum(week - drift_from_week, 0)
    if step_week is not None:
        extra += step_deg * (week >= step_week)
    for name in ("sra_static_deg", "sra_dynamic_deg"):
        readings[name] = round_readings(name, readings[name] + extra)
    start = np.datetime64(spec.start, "D")
    return pd.DataFrame(
        {
            "sheet_no": [f"R{i:08d}" for i in week],
            "measured_on": (start + day.astype("timedelta64[D]")).astype("datetime64[us]"),
            "serial": f"CHECK{spec.seed:04d}.{stream}",
            "bench": spec.bench,
            "operator": np.array(["A", "B", "C"], dtype=object)[operator],
            "purpose": "reference",
            "body_family": str(catalogue.column("body_family")[line[0]]),
            "vtf_mn": catalogue.figures("vtf_mn")[line[0]],
            "temperature_c": temperature,
            **{name: readings[name] for name in _READ},
        }
    )


def gauge_study(
    spec: WorldSpec,
    *,
    units: int = 10,
    operators: int = 3,
    trials: int = 3,
    operator_sd_deg: float = 0.08,
    interaction_sd_deg: float = 0.0,
    unit_sd_deg: float = 2.0,
    missing_share: float = 0.0,
    stream: int = 0,
) -> tuple[pd.DataFrame, GaugeTruth]:
    """Crossed gauge study of the dynamic rake: every operator reads every pickup `trials` times.

    Parameters
    ----------
    spec : WorldSpec
        Gives the seed and the reading noise.
    units, operators, trials : int
        Size of the study; each at least 2.
    operator_sd_deg, interaction_sd_deg, unit_sd_deg : float
        Standard deviations between operators, of operator x unit, between units [degrees].
    missing_share : float
        Share of readings left out at random: an unbalanced study.

    Returns
    -------
    (DataFrame, GaugeTruth)
        Columns `unit`, `operator`, `trial`, `sra_dynamic_deg`; the sds it was drawn with.
    """
    if min(units, operators, trials) < 2:
        raise FleetError("a gauge study needs at least 2 units, 2 operators and 2 trials.")
    rng = np.random.default_rng([spec.seed, _GAUGE, stream])
    true = 91.0 + unit_sd_deg * rng.standard_normal((units, 1, 1))
    habit = operator_sd_deg * rng.standard_normal((1, operators, 1))
    mutual = interaction_sd_deg * rng.standard_normal((units, operators, 1))
    noise = spec.noise.sra_dynamic_deg * rng.standard_normal((units, operators, trials))
    index = np.indices((units, operators, trials)).reshape(3, -1)
    frame = pd.DataFrame(
        {
            "unit": [f"G{u + 1:02d}" for u in index[0]],
            "operator": [chr(ord("A") + o) for o in index[1]],
            "trial": index[2] + 1,
            "sra_dynamic_deg": round_readings("sra_dynamic_deg", (true + habit + mutual + noise).ravel()),
        }
    )
    kept = frame[rng.random(len(frame)) >= missing_share].reset_index(drop=True)
    repeatability = float(np.hypot(spec.noise.sra_dynamic_deg, STEPS["sra_dynamic_deg"] / np.sqrt(12.0)))
    return kept, GaugeTruth(repeatability, operator_sd_deg, interaction_sd_deg, unit_sd_deg)
