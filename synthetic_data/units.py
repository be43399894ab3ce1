"""Units of an invented world: what is really there, before anybody reads it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from synthetic_data.balance import Floats, settled_deg
from synthetic_data.catalogue import Catalogue, Ints
from synthetic_data.spec import FAULT_SIZES, FAULTS, WorldSpec

_REFERENCE_C = 22.0
_NO_RAKE_FAULTS = [FAULTS.index("rake_set_wrong") + 1, FAULTS.index("stylus_twisted") + 1]
_DRAG_SHAPE = 3.0


@dataclass(frozen=True)
class Units:
    """True properties of n units, one array element a unit (angles in degrees, balance in dB).

    `line` indexes the catalogue, `fault` is 0 for healthy or 1 + the index into `FAULTS`, `softness` is
    the unit's own factor on the static compliance, the `leak_*` are crosstalk of the generator's own
    (linear, in phase and in quadrature).
    """

    line: Ints
    fault: Ints
    fault_size: Floats
    free_angle_deg: Floats
    built_in_deg: Floats
    softness: Floats
    drag_ratio: Floats
    zenith_deg: Floats
    azimuth_optical_deg: Floats
    azimuth_electrical_deg: Floats
    channel_balance_db: Floats
    leak_in_phase: Floats
    leak_a_quadrature: Floats
    leak_b_quadrature: Floats
    tilt_room_deg: Floats
    hours_used: Floats
    height_offset_mm: Floats
    tip_to_mount_mm: Floats
    vtf_mn: Floats

    def __len__(self) -> int:
        return len(self.line)

    def take(self, rows: NDArray[np.intp] | Ints) -> Units:
        """Give these units, in this order."""
        return Units(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})

    def with_values(self, **values: Floats) -> Units:
        """Give the same units with these arrays in place of their own."""
        kept = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return Units(**(kept | values))

    def aged(self, hours: Floats) -> Units:
        """Give the same units after further hours of use."""
        return self.with_values(hours_used=self.hours_used + hours)


class Stand(NamedTuple):
    """How units stand on a level headshell at one moment, true angles [degrees]."""

    vta_static_deg: Floats
    vta_dynamic_deg: Floats
    sra_static_deg: Floats
    sra_dynamic_deg: Floats
    sag_deg: Floats


def draw_faults(rng: np.random.Generator, spherical: NDArray[np.bool_], share: float) -> Ints:
    """Fault code of each unit (0 = healthy): all kinds alike often; none of rake or zenith if spherical."""
    n = len(spherical)
    kind = rng.integers(1, len(FAULTS) + 1, n)
    others = np.array([c for c in range(1, len(FAULTS) + 1) if c not in _NO_RAKE_FAULTS])
    barred = spherical & np.isin(kind, _NO_RAKE_FAULTS)
    kind = np.where(barred, others[rng.integers(0, len(others), n)], kind)
    return np.where(rng.random(n) < share, kind, 0)


def _fault_sizes(rng: np.random.Generator, fault: Ints, scale: float) -> Floats:
    """Signed size of each unit's fault; for the suspension the factor on softness; 0 when healthy."""
    uniform, sign = rng.random(len(fault)), np.where(rng.random(len(fault)) < 0.5, -1.0, 1.0)
    size = np.zeros(len(fault))
    for code, name in enumerate(FAULTS, start=1):
        low, high = FAULT_SIZES[name]
        drawn = low + (high - low) * uniform
        value = drawn**scale if name.startswith("suspension") else sign * drawn * scale
        size = np.where(fault == code, value, size)
    return size


def _of(fault: Ints, size: Floats, *names: str) -> Floats:
    codes = [FAULTS.index(name) + 1 for name in names]
    return np.where(np.isin(fault, codes), size, 0.0)


def draw_units(
    rng: np.random.Generator, spec: WorldSpec, catalogue: Catalogue, line: Ints, fault: Ints
) -> Units:
    """Draw units of these lines with these faults.

    Parameters
    ----------
    rng : Generator
    spec, catalogue : WorldSpec, Catalogue
    line, fault : int arrays, shape (n,)
        Row of the catalogue; fault code.
    """
    n, s = len(line), spec.spread
    normal = rng.standard_normal
    own = catalogue.family_spread[line]
    wide = own * catalogue.unit_spread[line]
    size = _fault_sizes(rng, fault, spec.fault_scale)
    tail = np.sqrt((s.unit_tail_df - 2.0) / s.unit_tail_df) if s.unit_tail_df else 1.0

    def unit() -> Floats:
        return tail * rng.standard_t(s.unit_tail_df, n) if s.unit_tail_df else normal(n)

    tracking, other = unit(), unit()
    correlation = s.built_in_tracking_correlation
    built_in = correlation * tracking + np.sqrt(1.0 - correlation**2) * other
    suspension = _of(fault, size, "suspension_soft", "suspension_stiff")
    cant = s.cant_unit_deg * wide * unit() + _of(fault, size, "stylus_canted")
    roll = s.assembly_roll_unit_deg * own * unit() + _of(fault, size, "assembly_rolled")
    generator = s.generator_roll_unit_deg * own * unit() + _of(fault, size, "generator_rolled")
    skewed = (rng.gamma(_DRAG_SHAPE, size=n) - _DRAG_SHAPE) / np.sqrt(_DRAG_SHAPE)
    pick = catalogue.figures
    leak = 0.02 * np.exp(0.35 * normal((2, n))) * np.where(rng.random((2, n)) < 0.5, -1.0, 1.0)
    return Units(
        line=line,
        fault=fault,
        fault_size=size,
        free_angle_deg=catalogue.free_angle_deg[line]
        + s.tracking_unit_deg * wide * tracking
        + _of(fault, size, "cantilever_angle"),
        built_in_deg=pick("built_in_mean_deg")[line]
        + s.built_in_unit_deg * wide * built_in
        + _of(fault, size, "rake_set_wrong"),
        softness=np.exp(s.softness_unit_log * own * unit()) * np.where(suspension > 0, suspension, 1.0),
        drag_ratio=pick("drag_mean")[line] * (1.0 + s.drag_unit * skewed),
        zenith_deg=pick("zenith_mean_deg")[line]
        + s.zenith_unit_deg * wide * unit()
        + _of(fault, size, "stylus_twisted"),
        azimuth_optical_deg=cant + roll,
        azimuth_electrical_deg=generator + roll + catalogue.cant_to_electrical * cant,
        channel_balance_db=s.balance_unit_db * own * unit() + _of(fault, size, "weak_channel"),
        leak_in_phase=0.010 * normal(n),
        leak_a_quadrature=leak[0],
        leak_b_quadrature=leak[1],
        tilt_room_deg=np.maximum(pick("tilt_room_mean_deg")[line] + 0.18 * normal(n), 0.3),
        hours_used=np.minimum(np.round(np.exp(np.log(300.0) + 0.9 * normal(n))), 6000.0),
        height_offset_mm=0.03 * normal(n),
        tip_to_mount_mm=pick("tip_mean_mm")[line] + 0.04 * normal(n),
        vtf_mn=_forces(rng, spec, pick("vtf_mn")[line]),
    )


def _forces(rng: np.random.Generator, spec: WorldSpec, nominal: Floats) -> Floats:
    """Tracking force of each unit on the bench [mN]: its family's own, or some other one."""
    if spec.off_force_share == 0.0:
        return nominal.copy()
    off = rng.random(len(nominal)) < spec.off_force_share
    times = rng.uniform(*spec.off_force_range, len(nominal))
    return np.where(off, np.round(nominal * times, 1), nominal)


def stand(spec: WorldSpec, catalogue: Catalogue, units: Units, temperature_c: Floats) -> Stand:
    """True angles of the units at this temperature, by the exact equilibrium with a stiffening spring.

    Parameters
    ----------
    temperature_c : array, shape (n,)
        Bench temperature [degrees C].

    Returns
    -------
    Stand
        Arrays of shape (n,) [degrees]; SRA as if the stylus had an edge, also where it is spherical.
    """
    line = units.line
    vtf, length = units.vtf_mn, catalogue.figures("cantilever_length_mm")[line]
    warm = np.exp(spec.softening_per_k * (temperature_c - _REFERENCE_C))
    stiffness = catalogue.stiffness_un_m[line] / (units.softness * warm)
    free = units.free_angle_deg - spec.creep_deg_per_1000_h * units.hours_used / 1000.0
    still = settled_deg(free, stiffness, vtf, length, 0.0, spec.hardening)
    moving = settled_deg(free, stiffness, vtf, length, units.drag_ratio, spec.hardening)
    built_in = units.built_in_deg
    return Stand(still, moving, still + built_in, moving + built_in, still - moving)
