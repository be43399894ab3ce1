"""What an invented world is made of: every number of it, with its default.

The defaults are a workshop's sheets as they are: spherical styli, tracking angles left out, owners' own
figures, families that scatter unequally. `TIDY` takes all that away (README.md of this folder lists each
number with its unit and where it comes from). Nothing here is a real pickup, maker or owner.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from fleet.errors import FleetError

HEALTHY = "healthy"
MISREAD = "misread"
FAULTS = (
    "rake_set_wrong",
    "stylus_twisted",
    "stylus_canted",
    "generator_rolled",
    "assembly_rolled",
    "cantilever_angle",
    "suspension_soft",
    "suspension_stiff",
    "weak_channel",
)
SLIPS = ("swapped", "sign_flipped", "digits_exchanged", "tens_wrong", "wrong_unit")

# Size of each fault: degrees, dB, or for the suspension times as soft.
FAULT_SIZES: dict[str, tuple[float, float]] = {
    "rake_set_wrong": (4.0, 8.0),
    "stylus_twisted": (4.0, 9.0),
    "stylus_canted": (2.2, 5.0),
    "generator_rolled": (2.2, 5.0),
    "assembly_rolled": (2.2, 5.0),
    "cantilever_angle": (4.5, 8.0),
    "suspension_soft": (1.7, 2.8),
    "suspension_stiff": (0.22, 0.42),
    "weak_channel": (1.8, 4.0),
}


@dataclass(frozen=True)
class Noise:
    """Standard deviation of one reading about the truth, by quantity; `operator` is between operators."""

    sra_static_deg: float = 0.14
    sra_dynamic_deg: float = 0.16
    vta_dynamic_deg: float = 0.35
    azimuth_optical_deg: float = 0.20
    azimuth_electrical_deg: float = 0.15
    zenith_deg: float = 0.20
    channel_balance_db: float = 0.05
    crosstalk_db: float = 0.4
    crosstalk_phase_deg: float = 4.0
    height_mm: float = 0.03
    operator: float = 0.25
    """Share of a quantity's noise that is the operator's habit, in sds: an operator reads off by
    ``operator x noise x N(0, 1)``, the same on all sheets."""


@dataclass(frozen=True)
class Spread:
    """Standard deviations between sources, families and units [degrees, dB, or of a logarithm].

    ``unit_tail_df`` is no sd: units deviate as a t of so many degrees of freedom and the same
    sd; 0 = normally.
    """

    built_in_source_deg: float = 1.1
    built_in_family_deg: float = 0.8
    built_in_unit_deg: float = 0.95
    tracking_source_deg: float = 0.9
    tracking_family_deg: float = 1.5
    tracking_unit_deg: float = 1.15
    built_in_per_tracking_family: float = -0.65
    built_in_tracking_correlation: float = -0.15
    softness_source_log: float = 0.18
    softness_unit_log: float = 0.13
    unit_spread_log: float = 0.25
    family_spread_log: float = 0.0
    unit_tail_df: float = 0.0
    zenith_source_deg: float = 0.3
    zenith_unit_deg: float = 1.1
    cant_unit_deg: float = 0.6
    assembly_roll_unit_deg: float = 0.25
    generator_roll_unit_deg: float = 0.55
    balance_unit_db: float = 0.36
    drag_unit: float = 0.10


@dataclass(frozen=True)
class WorldSpec:
    """The numbers of one invented world; two worlds of the same spec are the same world.

    Parameters
    ----------
    seed : int
        Decides families, sources and everything drawn.
    n_families, n_new_families, n_sources : int
        Families that the bench meets; further families met only in enquiries; assembly sources.
    profiles, cantilevers : tuple of str
        Words for stylus profiles and cantilever materials (`spherical` comes by `spherical_share`).
    family_share_exponent : float
        A family's share falls with its rank to this power, times a lognormal factor; 0 = nearly equal.
    sources_per_family : int
        1: each family has its one source; 2: a second source makes about a quarter of its units.
    source_sd_scale : float
        Times all sds *between* sources (angles, softness, zenith).
    fault_share, slip_share, fault_scale : float
        Shares of faulty units and of slips of the pen on healthy units' sheets; factor on fault sizes.
    missing_compliance, missing_length, missing_vta, missing_temperature, missing_hours : float
        Share of sheets without the fact.
    repeat_share : float
        Share of sheets that measure a unit again, at most 0.5.
    retip_share : float
        Share of those repeats that come after a new assembly (`retipped`): a new unit under the old serial.
    spherical_share : float
        Share of families with a spherical stylus: no rake and no zenith on their sheets.
    hundred_hz_share : float
        Share of families whose catalogue figure is told at 100 Hz (lower by `hundred_hz_ratio`).
    patchy_share, patchy_missing_vta : float
        Share of families on whose sheets this share of the tracking angles is missing.
    off_force_share, off_force_range : float, tuple of float
        Share of sheets (and enquiries) at another force than the family's own, and how many times it.
    wrong_frequency_share : float
        Share of families whose figure at 100 Hz is told as one at 10 Hz.
    hidden_where_worst : float
        Share of faulty units' sheets that lack the tracking angle, compliance and length as well.
    owner_sd_deg : float
        Standard deviation of an owner's own readings on an enquiry; 0 = as well as the bench reads.
    temperature_mean_c, temperature_sd_c, softening_per_k : float
        Bench temperature [degrees C]; growth of ln compliance with it [1/K] from 22 degrees C.
    creep_deg_per_1000_h : float
        Fall of the free angle with hours of use.
    hardening : float
        Stiffening of the suspension: torque k (d + hardening d^3) [1/rad^2].
    noisy_span, noisy_times : tuple of float, float
        Part of the span (from, to, in shares of it) in which every reading is so many times as noisy.
    drift_deg_per_week, drift_from : float
        Creep of the bench's rake reading, from this share of the span on.
    cant_to_electrical : tuple of float
        Range of the world constant: part of a cant that moves the electrical azimuth.
    start, years : str, float
        First day (ISO) and span of the sheets [years].
    bench : str
        The bench's code on its sheets.
    """

    seed: int
    n_families: int = 36
    n_new_families: int = 4
    n_sources: int = 5
    profiles: tuple[str, ...] = ("elliptical", "line_contact", "narrow_edge", "other")
    cantilevers: tuple[str, ...] = ("aluminium", "boron", "diamond", "ruby", "sapphire")
    family_share_exponent: float = 0.8
    sources_per_family: int = 1
    source_sd_scale: float = 1.0
    fault_share: float = 0.05
    slip_share: float = 0.01
    fault_scale: float = 1.0
    missing_compliance: float = 0.35
    missing_length: float = 0.35
    missing_vta: float = 0.03
    missing_temperature: float = 0.04
    missing_hours: float = 0.6
    repeat_share: float = 0.08
    retip_share: float = 0.0
    spherical_share: float = 0.25
    hundred_hz_share: float = 0.3
    hundred_hz_ratio: float = 1.75
    patchy_share: float = 0.3
    patchy_missing_vta: float = 0.5
    off_force_share: float = 0.25
    off_force_range: tuple[float, float] = (0.8, 1.25)
    wrong_frequency_share: float = 0.1
    hidden_where_worst: float = 0.5
    owner_sd_deg: float = 1.0
    tracking_mean_deg: float = 25.0
    built_in_mean_deg: float = 67.5
    softness_median: float = 1.75
    drag_range: tuple[float, float] = (0.24, 0.33)
    temperature_mean_c: float = 22.5
    temperature_sd_c: float = 1.4
    softening_per_k: float = 0.008
    creep_deg_per_1000_h: float = 0.3
    hardening: float = 3.0
    drift_deg_per_week: float = 0.0
    drift_from: float = 0.8
    noisy_span: tuple[float, float] = (0.0, 0.0)
    noisy_times: float = 2.0
    cant_to_electrical: tuple[float, float] = (0.25, 0.45)
    start: str = "2021-01-04"
    years: float = 4.4
    bench: str = "main"
    noise: Noise = field(default_factory=Noise)
    spread: Spread = field(default_factory=lambda: Spread(family_spread_log=0.3, unit_tail_df=15.0))

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name.endswith("_share") or item.name.startswith("missing_"):
                highest = 0.5 if item.name == "repeat_share" else 1.0
                if not 0.0 <= value <= highest:
                    raise FleetError(f"{item.name} is {value}; give a share between 0 and {highest}.")
        if self.n_families < max(self.n_sources, 1):
            raise FleetError("n_families is below n_sources; give each source at least one family.")


TIDY: dict[str, Any] = {
    "spherical_share": 0.0,
    "hundred_hz_share": 0.0,
    "patchy_share": 0.0,
    "off_force_share": 0.0,
    "wrong_frequency_share": 0.0,
    "hidden_where_worst": 0.0,
    "owner_sd_deg": 0.0,
    "spread": Spread(),
}
"""Nothing lacks where it hurts, all families scatter alike and normally: ``WorldSpec(seed, **TIDY)``."""
