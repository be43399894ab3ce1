"""Uncertainty budgets of a pickup's readings and of what is worked out from them.

What repeats can show comes from the bench's own work (`fleet.bench_trust.noise`, evaluation A); what no
repeat can show (zero of a scale, level of the record, force, thermometer) is taken from documented
half-widths (common practice, no source; evaluation B) that a bench replaces by its own.  Models name what
two readings share, so that it cancels where it must: the rake scale's zero is gone from the sag, the
record's level from the built-in angle.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import pandas as pd

from fleet import words
from fleet.bench_trust.noise import Noise
from fleet.bench_trust.watch import Watch
from fleet.errors import FleetError
from fleet.house_model.chain import READING_NOISE
from fleet.physics.geometry import tilt_from_arm_height_deg, zenith_alignment_deg
from fleet.statistics.uncertainty_budget import LEVEL, Budget, Input, budget, rectangular
from fleet.tallies.reading_noise import PRIOR_PAIRS

Values = Mapping[str, float]


@dataclass(frozen=True)
class Assumed:
    """Half-widths of what no repeat shows (rectangular), and what a setting is made with.

    Common practice, no source.

    Attributes
    ----------
    rake_zero_deg, tracking_zero_deg, zenith_zero_deg, azimuth_zero_deg : zero of each scale
    balance_zero_db : test record's and meter's own balance
    level_deg : slope of the record under the pickup along the arm; rake and tracking angle alike
    force_mn : tracking force during the reading
    temperature_c : thermometer, and how far the suspension is from the air
    height_mm : setting of the arm's height; of a wedge, its thickness
    arm_length_mm : stylus tip to the arm's bearing
    roll_deg : setting of the body's roll
    """

    rake_zero_deg: float = 0.10
    tracking_zero_deg: float = 0.20
    zenith_zero_deg: float = 0.20
    azimuth_zero_deg: float = 0.20
    balance_zero_db: float = 0.05
    level_deg: float = 0.05
    force_mn: float = 0.5
    temperature_c: float = 1.0
    height_mm: float = 0.25
    arm_length_mm: float = 230.0
    roll_deg: float = 0.25

    def but(self, changes: Mapping[str, float]) -> Assumed:
        """The same with some figures replaced.

        Raises
        ------
        FleetError
            If a name isn't one of them or a figure can't be.
        """
        known = [f.name for f in fields(self)]
        for name, value in changes.items():
            if name not in known:
                raise FleetError(f"--assume {name}: no such figure; there are {', '.join(known)}.")
            if not (np.isfinite(value) and value >= 0.0) or (name == "arm_length_mm" and value < 50.0):
                raise FleetError(f"--assume {name}={value:g} can't be; give a figure of 0 or more.")
        return replace(self, **changes)


@dataclass(frozen=True)
class Typical:
    """The unit that the budget is made for: its readings, and how warmth moves them.

    Attributes
    ----------
    sra_static_deg, sra_dynamic_deg, vta_dynamic_deg, zenith_deg : readings
    vtf_mn : tracking force
    per_kelvin : effect of warmth by reading, with its standard error (of the bench watch)
    """

    sra_static_deg: float = 91.5
    sra_dynamic_deg: float = 90.7
    vta_dynamic_deg: float = 22.0
    zenith_deg: float = 0.0
    vtf_mn: float = 18.0
    per_kelvin: Mapping[str, tuple[float, float]] | None = None

    def warmth(self, reading: str) -> float:
        """Change of a reading per kelvin; 0 where it isn't clearly known."""
        slope, error = (self.per_kelvin or {}).get(reading, (0.0, 0.0))
        return slope if abs(slope) > 2.0 * error else 0.0


def typical_unit(sheets: pd.DataFrame, watch: Watch | None = None) -> Typical:
    """A bench's middle unit: medians of its sheets, and what the bench watch knows of warmth.

    Parameters
    ----------
    sheets : bench sheets (`purpose`, readings, `vtf_mn`)
    watch : of the same bench; None: warmth moves nothing that is known
    """
    units = sheets[sheets["purpose"] == "unit"] if "purpose" in sheets else sheets
    names = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "vtf_mn")
    middle = {
        name: float(units[name].median()) for name in names if name in units and units[name].notna().any()
    }
    known = (
        {} if watch is None else {r.reading: (r.fit.per_kelvin, r.fit.per_kelvin_se) for r in watch.readings}
    )
    return replace(Typical(), **middle, per_kelvin=known)


_SCALES: Final = {
    "rake": ("sra_static_deg", "sra_dynamic_deg"),
    "tracking": ("vta_dynamic_deg",),
    "zenith": ("zenith_deg",),
    "azimuth": ("azimuth_optical_deg", "azimuth_electrical_deg"),
    "balance": ("channel_balance_db",),
}
_SCALE_OF: Final = {name: scale for scale, names in _SCALES.items() for name in names}
DERIVED: Final = ("built_in", "sag", "rake_tilted", "zenith_turn", "zenith_cantilever", "roll")
QUANTITIES: Final = (*_SCALE_OF, *DERIVED)
"""What a budget can be made of, by key."""


def pickup_budget(
    quantity: str,
    noise: Noise | None,
    *,
    assumed: Assumed | None = None,
    typical: Typical | None = None,
    readings: int = 1,
    coverage: float = LEVEL,
) -> Budget:
    """Make the budget of one quantity.

    Parameters
    ----------
    quantity : key of `QUANTITIES`
    noise : the bench's own repeats; None takes documented figures
    assumed, typical : see there
    readings : how often each reading is taken by one operator and averaged
    coverage : of the expanded uncertainty

    Raises
    ------
    FleetError
        If there is no such quantity.
    """
    if quantity not in QUANTITIES:
        raise FleetError(f"there is no budget of {quantity}; there are {', '.join(QUANTITIES)}.")
    parts = _Parts(noise, assumed or Assumed(), typical or Typical(), readings)
    named = words.quantity(quantity)
    if quantity in _SCALE_OF:
        inputs = parts.reading(quantity)
        model: Callable[[Values], float] = lambda x: parts.read(quantity, x)  # noqa: E731
    else:
        inputs, model = _derived(quantity, parts)
    name = named.short if readings == 1 else f"{named.short}, mean of {readings} readings"
    return budget(name, model, inputs, unit=named.unit, coverage=coverage)


_SLOPE: Final = "slope of the record"
_FORCE: Final = "tracking force"
_WARMTH: Final = "warmth"


def _repeat_of(name: str) -> str:
    return f"repeated {words.quantity(name).short}"


def _who_of(name: str) -> str:
    return f"who reads the {words.quantity(name).short}"


def _zero_of(scale: str) -> str:
    return f"zero of the {scale} scale"


class _Parts:
    """Inputs by name, and readings as functions of them."""

    def __init__(self, noise: Noise | None, assumed: Assumed, typical: Typical, readings: int) -> None:
        self.noise, self.assumed, self.typical, self.readings = noise, assumed, typical, readings

    def read(self, name: str, x: Values) -> float:
        """A reading less everything that it may be off by."""
        scale = _SCALE_OF[name]
        out = x[_repeat_of(name)] + x.get(_who_of(name), 0.0) + x[_zero_of(scale)]
        if scale in ("rake", "tracking"):
            out += x[_SLOPE]
        if _FORCE in x and name in ("sra_dynamic_deg", "vta_dynamic_deg"):
            out -= self._sag() * (x[_FORCE] / self.typical.vtf_mn - 1.0)
        return out + self.typical.warmth(name) * x.get(_WARMTH, 0.0)

    def reading(self, name: str) -> list[Input]:
        """Everything that makes one reading uncertain."""
        scale = _SCALE_OF[name]
        found = [self._repeat(name), *self._who(name), self._zero(scale)]
        if scale in ("rake", "tracking"):
            found.append(self.half(_SLOPE, 0.0, self.assumed.level_deg, "°", "along the arm"))
        if name in ("sra_dynamic_deg", "vta_dynamic_deg"):
            found.append(
                self.half(_FORCE, self.typical.vtf_mn, self.assumed.force_mn, "mN", "the sag grows with it")
            )
        if self.typical.warmth(name):
            found.append(self.half(_WARMTH, 0.0, self.assumed.temperature_c, "K", "softens the rubber"))
        return found

    def _sag(self) -> float:
        return max(self.typical.sra_static_deg - self.typical.sra_dynamic_deg, 0.0)

    def half(self, name: str, value: float, half: float, unit: str, note: str) -> Input:
        return Input(
            name, value, rectangular(half), unit=unit, note=f"{note}; ±{half:g} {unit} assumed, rectangular"
        )

    def _zero(self, scale: str) -> Input:
        name = f"{scale}_zero_db" if scale == "balance" else f"{scale}_zero_deg"
        unit = "dB" if scale == "balance" else "°"
        return self.half(_zero_of(scale), 0.0, getattr(self.assumed, name), unit, "no repeat shows it")

    def _repeat(self, name: str) -> Input:
        value = float(getattr(self.typical, name, 0.0))
        unit = words.quantity(name).unit
        many = "" if self.readings == 1 else f", mean of {self.readings}"
        if self.noise is not None and len(self.noise.table):
            t = self.noise.table
            row = t[(t["reading"] == name) & (t["bench"] == "") & (t["operator"] == "")]
            if len(row) and row["dof"].iloc[0] >= 1.0:
                sd, dof = float(row["sd"].iloc[0]), float(row["dof"].iloc[0])
                note = f"repeats in the bench's own work{many}; rounding of the readings is in it"
                return Input(_repeat_of(name), value, sd / np.sqrt(self.readings), dof, "A", unit, note)
        note = f"no repeats yet{many}: common practice, no source"
        return Input(
            _repeat_of(name),
            value,
            READING_NOISE[name] / np.sqrt(self.readings),
            PRIOR_PAIRS,
            "B",
            unit,
            note,
        )

    def _who(self, name: str) -> list[Input]:
        """How far operators' habits differ, where the bench has repeats by several."""
        if self.noise is None or self.noise.operators.empty:
            return []
        own = self.noise.operators[self.noise.operators["reading"] == name]
        if len(own) < 2:
            return []
        offset = own["offset"].to_numpy(dtype=float)
        error2 = float(np.mean(own["offset_se"].to_numpy(dtype=float) ** 2))
        k = len(own)
        between = max(float((offset**2).sum()) / (k - 1) - error2 * k / (k - 1), 0.0)
        if between == 0.0:
            return []
        note = f"habits of {k} operators, what chance makes of them taken off"
        return [Input(_who_of(name), 0.0, float(np.sqrt(between)), k - 1.0, "A", "°", note)]


def _derived(quantity: str, parts: _Parts) -> tuple[list[Input], Callable[[Values], float]]:
    def both(a: str, b: str) -> list[Input]:
        merged = {x.name: x for x in [*parts.reading(a), *parts.reading(b)]}
        return list(merged.values())

    assumed = parts.assumed
    if quantity == "built_in":
        inputs = both("sra_dynamic_deg", "vta_dynamic_deg")
        return inputs, lambda x: parts.read("sra_dynamic_deg", x) - parts.read("vta_dynamic_deg", x)
    if quantity == "sag":
        inputs = both("sra_static_deg", "sra_dynamic_deg")
        return inputs, lambda x: parts.read("sra_static_deg", x) - parts.read("sra_dynamic_deg", x)
    if quantity == "rake_tilted":
        height = parts.half("arm height", 0.0, assumed.height_mm, "mm", "setting of the arm, or the wedge")
        length = assumed.arm_length_mm
        return (
            [*parts.reading("sra_dynamic_deg"), height],
            lambda x: (
                parts.read("sra_dynamic_deg", x) + float(tilt_from_arm_height_deg(x["arm height"], length))
            ),
        )
    if quantity == "roll":
        setting = parts.half("roll setting", 0.0, assumed.roll_deg, "°", "setting of the body")
        inputs = [*parts.reading("azimuth_electrical_deg"), setting]
        return inputs, lambda x: x["roll setting"] - parts.read("azimuth_electrical_deg", x)
    if quantity == "zenith_turn":
        return parts.reading("zenith_deg"), lambda x: parts.read("zenith_deg", x)
    setting = parts.half(
        "roll setting", 0.0, assumed.roll_deg, "°", "roll of the body: a slope seen as a turn"
    )
    inputs = [*both("zenith_deg", "vta_dynamic_deg"), setting]
    return inputs, lambda x: float(
        zenith_alignment_deg(
            parts.read("zenith_deg", x), parts.read("vta_dynamic_deg", x), x["roll setting"]
        )[1]
    )


def all_budgets(
    noise: Noise | None, *, assumed: Assumed | None = None, typical: Typical | None = None, readings: int = 1
) -> pd.DataFrame:
    """A row a quantity: `quantity`, `name`, `unit`, `value`, `u`, `dof`, `k`, `expanded`, `most`, `share`."""
    rows = []
    for key in QUANTITIES:
        b = pickup_budget(key, noise, assumed=assumed, typical=typical, readings=readings)
        most = b.lines.iloc[0]
        rows.append(
            (
                key,
                words.quantity(key).short,
                b.unit.strip(),
                b.value,
                b.u,
                b.dof,
                b.k,
                b.expanded,
                most["input"],
                most["share"],
            )
        )
    names = ["quantity", "name", "unit", "value", "u", "dof", "k", "expanded", "most", "share"]
    return pd.DataFrame(rows, columns=names)
