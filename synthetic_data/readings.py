"""What the invented bench reads of a unit: noise, habits, drift, rounding, slips of the pen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_data.balance import Floats
from synthetic_data.catalogue import Catalogue, Ints
from synthetic_data.spec import SLIPS, WorldSpec
from synthetic_data.units import Stand, Units

STEPS: dict[str, float] = {
    "sra_static_deg": 0.05,
    "sra_dynamic_deg": 0.05,
    "vta_dynamic_deg": 0.1,
    "azimuth_optical_deg": 0.1,
    "azimuth_electrical_deg": 0.1,
    "zenith_deg": 0.1,
    "channel_balance_db": 0.05,
    "crosstalk_l_to_r_db": 0.1,
    "crosstalk_r_to_l_db": 0.1,
    "crosstalk_phase_l_to_r_deg": 1.0,
    "crosstalk_phase_r_to_l_deg": 1.0,
    "height_mm": 0.05,
    "tip_to_mount_mm": 0.05,
    "tilt_room_deg": 0.1,
    "tilt_applied_deg": 0.1,
    "roll_applied_deg": 0.1,
    "sra_after_deg": 0.05,
    "vta_after_deg": 0.1,
    "temperature_c": 0.1,
    "bench_minutes": 1.0,
}
_SIGNED = ("zenith_deg", "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db")
_GON_PER_DEG = 10.0 / 9.0

Readings = dict[str, Floats]
Complex = NDArray[np.complex128]


def round_readings(name: str, values: Floats) -> Floats:
    """Round to the step in which the bench writes this quantity; -0.0 becomes 0.0."""
    step = STEPS[name]
    out: Floats = np.round(np.round(values / step) * step, 6) + 0.0
    return out


def drift_deg(spec: WorldSpec, day: Floats) -> Floats:
    """Offset that the drifting bench adds to every rake reading on this day [degrees]."""
    first = spec.drift_from * spec.years * 365.25
    return spec.drift_deg_per_week * np.maximum(day - first, 0.0) / 7.0


def crosstalk(units: Units) -> tuple[Complex, Complex]:
    """Complex crosstalk L into R and R into L of the unit on a level headshell.

    Two-channel rotation by t on the generator's own leakage a, b (derived): R into L = (t + a)/(1 - a t),
    L into R = (b - t)/(1 + b t). The body roll of least power is minus `azimuth_electrical_deg`, because
    the in-phase parts of a and b differ only by what is already in t.
    """
    t = np.tan(np.radians(units.azimuth_electrical_deg))
    a: Complex = np.asarray(units.leak_in_phase + 1j * units.leak_a_quadrature, dtype=np.complex128)
    b: Complex = np.asarray(units.leak_in_phase + 1j * units.leak_b_quadrature, dtype=np.complex128)
    return (b - t) / (1.0 + b * t), (t + a) / (1.0 - a * t)


def read(
    rng: np.random.Generator,
    spec: WorldSpec,
    catalogue: Catalogue,
    units: Units,
    upright: Stand,
    day: Floats,
    operator: Ints,
) -> Readings:
    """Read the units once each; rake and zenith of a spherical stylus come out NaN.

    Returns
    -------
    dict of str to array, shape (n,)
        Rounded readings under their canonical names.
    """
    n, noise, habit = len(units), spec.noise, catalogue.operator_habit
    span = day / (spec.years * 365.25)
    times = np.where((span >= spec.noisy_span[0]) & (span < spec.noisy_span[1]), spec.noisy_times, 1.0)

    def normal(n: int) -> Floats:
        return np.asarray(times * rng.standard_normal(n))

    off = drift_deg(spec, day) + habit["sra_deg"][operator]
    edge = np.where(catalogue.column("stylus_profile")[units.line] == "spherical", np.nan, 1.0)
    l_to_r, r_to_l = crosstalk(units)
    line = units.line
    rise = np.sin(np.radians(upright.vta_static_deg)) - np.sin(
        np.radians(catalogue.figures("tracking_mean_deg")[line])
    )
    height = (
        catalogue.figures("height_mean_mm")[line] + catalogue.figures("cantilever_length_mm")[line] * rise
    )
    raw = {
        "sra_static_deg": edge * (upright.sra_static_deg + off + noise.sra_static_deg * normal(n)),
        "sra_dynamic_deg": edge * (upright.sra_dynamic_deg + off + noise.sra_dynamic_deg * normal(n)),
        "vta_dynamic_deg": upright.vta_dynamic_deg
        + habit["vta_dynamic_deg"][operator]
        + noise.vta_dynamic_deg * normal(n),
        "azimuth_optical_deg": units.azimuth_optical_deg
        + habit["azimuth_optical_deg"][operator]
        + noise.azimuth_optical_deg * normal(n),
        "azimuth_electrical_deg": units.azimuth_electrical_deg + noise.azimuth_electrical_deg * normal(n),
        "zenith_deg": edge
        * (units.zenith_deg + habit["zenith_deg"][operator] + noise.zenith_deg * normal(n)),
        "channel_balance_db": units.channel_balance_db + noise.channel_balance_db * normal(n),
        "height_mm": height + units.height_offset_mm + noise.height_mm * normal(n),
        "tip_to_mount_mm": units.tip_to_mount_mm,
        "tilt_room_deg": units.tilt_room_deg,
    }
    for name, value in (("l_to_r", l_to_r), ("r_to_l", r_to_l)):
        level = 20.0 * np.log10(np.abs(value)) + noise.crosstalk_db * normal(n)
        phase = np.degrees(np.angle(value)) + noise.crosstalk_phase_deg * normal(n)
        raw[f"crosstalk_{name}_db"] = np.clip(level, -80.0, 0.0)
        raw[f"crosstalk_phase_{name}_deg"] = (phase + 180.0) % 360.0 - 180.0
    return {name: round_readings(name, value) for name, value in raw.items()}


def _exchange_digits(value: Floats) -> Floats:
    """Exchange the last whole digit and the first decimal: 91.35 becomes 93.15."""
    whole = np.floor(value)
    tenth = np.floor(np.round((value - whole) * 10.0, 6))
    unit = whole % 10.0
    return np.round(value + (tenth - unit) + (unit - tenth) / 10.0, 6)


def slip(rng: np.random.Generator, readings: Readings, chosen: Ints) -> tuple[Readings, Ints]:
    """Spoil the chosen sheets by one slip of the pen each.

    Parameters
    ----------
    chosen : int array
        Positions of the sheets to spoil.

    Returns
    -------
    (dict, int array of shape (n,))
        New readings; code of the slip on every sheet (0 = none, else 1 + index into `SLIPS`). A sheet
        without rake can only get a flipped sign or a wrong tracking angle.
    """
    out = {name: value.copy() for name, value in readings.items()}
    n = len(out["vta_dynamic_deg"])
    code = np.zeros(n, dtype=np.int64)
    code[chosen] = rng.integers(1, len(SLIPS) + 1, len(chosen))
    edgeless = np.isnan(out["sra_static_deg"])
    code[edgeless & (code == 1)] = SLIPS.index("sign_flipped") + 1

    swapped = code == SLIPS.index("swapped") + 1
    still, turning = readings["sra_static_deg"], readings["sra_dynamic_deg"]
    out["sra_static_deg"][swapped], out["sra_dynamic_deg"][swapped] = turning[swapped], still[swapped]

    flipped = np.flatnonzero(code == SLIPS.index("sign_flipped") + 1)
    signed = np.nan_to_num(np.stack([readings[name][flipped] for name in _SIGNED]))
    largest = np.argmax(np.abs(signed), axis=0) if len(flipped) else np.zeros(0, dtype=int)
    for place, name in enumerate(_SIGNED):
        rows = flipped[largest == place]
        out[name][rows] = -readings[name][rows] + 0.0

    which = rng.integers(0, 3, n)
    up = np.where(rng.random(n) < 0.5, -10.0, 10.0)
    for place, name in enumerate(("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg")):
        here = (which == place) | (edgeless & (name == "vta_dynamic_deg"))
        here &= ~(edgeless & (name != "vta_dynamic_deg"))
        old = readings[name]
        for label, new in (
            ("digits_exchanged", _exchange_digits(old)),
            ("tens_wrong", np.where((old + up < 0) | (old + up > 120), old - up, old + up)),
            (
                "wrong_unit",
                round_readings(name, np.where(old > 108.0, old / _GON_PER_DEG, old * _GON_PER_DEG)),
            ),
        ):
            rows = here & (code == SLIPS.index(label) + 1)
            out[name][rows] = new[rows]
    return out, code
