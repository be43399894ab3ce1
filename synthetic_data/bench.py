"""What the invented bench does about a unit: tilt, remedy, minutes, and reading again afterwards.

A rule of its own, near to common practice, so that the tool's target policy is not tested against itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_data.balance import Floats
from synthetic_data.catalogue import Catalogue
from synthetic_data.readings import Readings, round_readings
from synthetic_data.spec import WorldSpec
from synthetic_data.units import Stand, Units

RAKE_BAND_DEG = (90.5, 92.5)
TRACKING_LIMIT_DEG = 22.0
_RAKE_AIM_DEG, _RAKE_MIDDLE_DEG, _TRACKING_WISH_DEG = 91.0, 91.5, 20.0
LOWEST_TILT_DEG = -5.0
_STOCK_WEDGES_DEG = np.array([-3.0, -2.0, 2.0, 3.0])
REMEDIES = np.array(["none", "arm_only", "stock_wedge", "made_wedge", "sent_back"])


def chosen_tilt_deg(sra_deg: Floats, vta_deg: Floats, room_deg: Floats) -> Floats:
    """Tilt the invented bench builds in for these dynamic readings [degrees].

    Rake to the middle of its best band; where the tracking angle is then above the wish, down to 91
    degrees of rake; without a rake, the tracking angle to its wish; always within -5 degrees and the room.
    """
    middle = _RAKE_MIDDLE_DEG - sra_deg
    lower = np.maximum(_RAKE_AIM_DEG - sra_deg, _TRACKING_WISH_DEG - vta_deg)
    wanted = np.where(np.isnan(vta_deg), middle, np.fmin(middle, lower))
    wanted = np.where(np.isnan(sra_deg), _TRACKING_WISH_DEG - vta_deg, wanted)
    wanted = np.where(np.isnan(wanted), 0.0, wanted)
    return round_readings("tilt_applied_deg", np.clip(wanted, LOWEST_TILT_DEG, np.fmax(room_deg, 0.0)))


def reachable(sra_deg: Floats, vta_deg: Floats, room_deg: Floats) -> dict[str, NDArray[np.bool_]]:
    """Whether some tilt between -5 degrees and the room meets the targets, on true dynamic angles.

    Returns
    -------
    dict of bool arrays
        `rake`, `tracking`, `both`; without a rake (spherical stylus) `rake` is False and `both` is
        `tracking`.
    """
    no_edge = np.isnan(sra_deg)
    low, high = RAKE_BAND_DEG
    lowest = np.where(no_edge, LOWEST_TILT_DEG, np.maximum(low - sra_deg, LOWEST_TILT_DEG))
    highest = np.where(no_edge, room_deg, np.minimum(high - sra_deg, room_deg))
    tracking_high = TRACKING_LIMIT_DEG - vta_deg
    return {
        "rake": (lowest <= highest) & ~no_edge,
        "tracking": tracking_high >= LOWEST_TILT_DEG,
        "both": lowest <= np.minimum(highest, tracking_high),
    }


def minutes(
    rng: np.random.Generator,
    catalogue: Catalogue,
    units: Units,
    tilt_deg: Floats,
    conflict: NDArray[np.bool_],
) -> Floats:
    """Bench minutes: lognormal about the family's own, longer with tilt, conflict and fault."""
    log = catalogue.figures("log_minutes")[units.line] + 0.085 * np.abs(tilt_deg)
    log = log + 0.10 * conflict + 0.20 * (units.fault > 0) + 0.17 * rng.standard_normal(len(units))
    return round_readings("bench_minutes", np.clip(np.exp(log), 5.0, 1500.0))


def handle(
    rng: np.random.Generator,
    spec: WorldSpec,
    catalogue: Catalogue,
    units: Units,
    upright: Stand,
    readings: Readings,
) -> tuple[Readings, NDArray[np.str_]]:
    """Correct the units on what was read.

    Returns
    -------
    (dict, array of str)
        `tilt_applied_deg`, `roll_applied_deg`, `sra_after_deg`, `vta_after_deg` (six in ten units are
        read again), `bench_minutes`; and the remedy of each.
    """
    n = len(units)
    sra, vta = readings["sra_dynamic_deg"], readings["vta_dynamic_deg"]
    tilt = chosen_tilt_deg(sra, vta, readings["tilt_room_deg"])
    met = reachable(sra, vta, readings["tilt_room_deg"])
    conflict = ~met["both"] & ~np.isnan(vta)
    sent_back = (units.fault > 0) & (rng.random(n) < 0.4)
    built = np.where(sent_back, 0.0, tilt)
    electrical = readings["azimuth_electrical_deg"]
    roll = np.where((np.abs(electrical) >= 0.3) & ~sent_back, -electrical, 0.0) + 0.0
    near_stock = np.min(np.abs(built[:, None] - _STOCK_WEDGES_DEG), axis=1) <= 0.25
    kind = np.where(np.abs(built) <= 1.0, 1, np.where(near_stock, 2, 3))
    kind = np.where(sent_back, 4, np.where(built == 0.0, 0, kind))
    again = np.where((rng.random(n) < 0.6) & ~sent_back & (built != 0.0), 1.0, np.nan)
    real = built + 0.08 * rng.standard_normal(n)
    noise = spec.noise
    after_sra = upright.sra_dynamic_deg + real + noise.sra_dynamic_deg * rng.standard_normal(n)
    after_vta = upright.vta_dynamic_deg + real + noise.vta_dynamic_deg * rng.standard_normal(n)
    return {
        "tilt_applied_deg": np.where(sent_back, np.nan, built),
        "roll_applied_deg": np.where(sent_back, np.nan, roll),
        "sra_after_deg": again * np.where(np.isnan(sra), np.nan, round_readings("sra_after_deg", after_sra)),
        "vta_after_deg": again * round_readings("vta_after_deg", after_vta),
        "bench_minutes": minutes(rng, catalogue, units, tilt, conflict),
    }, REMEDIES[kind]
