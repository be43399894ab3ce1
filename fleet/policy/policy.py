"""The target policy: what a bench calls met, which way it gives when it can't have all, what it charges.

One frozen `Policy` holds every convention that a judgement depends on, so that a result can say under
which policy it was made (`Policy.label`) and be made again under another. Files of policies:
`fleet.policy.files`.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from fleet.errors import FleetError

DEFAULT_NAME: Final = "default"
DECIMAL_SLACK_DEG: Final = 1e-9
"""Readings are decimal numbers: a sum may miss a limit it equals by a rounding error of this size [deg]."""

PREFERENCES: Final = ("rake", "tracking")

_PAIRS: Final = ("rake_accepted_deg", "rake_best_deg", "arm_only_deg", "wedge_range_deg")
_WEDGE: Final = {
    "wedge_length_mm": (1.0, 40.0),
    "wedge_width_mm": (1.0, 40.0),
    "wedge_edge_to_holes_mm": (0.0, 40.0),
    "wedge_least_mm": (0.0, 10.0),
    "wedge_density_g_cm3": (0.1, 25.0),
}
"""Keys of a wedge's own dimensions, with the range that each may have."""
_TOLD_SD: Final = {
    f"{reader}_{angle}_sd_deg": (0.01, 20.0)
    for reader in ("photo", "eye", "maker")
    for angle in ("rake", "tracking")
}
"""Keys that say how far a told angle may be off, by who read it, with the range that each may have [deg]."""
_OPTIONAL: Final = (
    "rake_aim_deg",
    "rake_kept_deg",
    "rake_reading_sd_deg",
    "tracking_reading_sd_deg",
    "hourly_rate",
)


@dataclass(frozen=True, kw_only=True)
class Policy:
    """One bench's or one customer's wish, complete.

    The defaults are common practice (no published source); `fleet.policy.files.DEFAULT_TOML` says
    what each key means.

    Raises
    ------
    FleetError
        If a value is no number, out of range, or contradicts another; the line names the key.

    Examples
    --------
    >>> Policy(tracking_wish_deg=18).but(name="strict", tracking_limit_deg=20).tracking_limit_deg
    20.0
    """

    name: str = DEFAULT_NAME
    rake_accepted_deg: tuple[float, float] = (90.5, 92.5)
    rake_best_deg: tuple[float, float] = (91.0, 92.0)
    tracking_limit_deg: float = 22.0
    tracking_wish_deg: float = 20.0
    preference: tuple[str, ...] = PREFERENCES
    rake_aim_deg: float | None = None
    rake_kept_deg: float | None = None
    tilt_lower_limit_deg: float = -5.0
    clearance_deg: float = 0.0
    guard_sigmas: float = 0.0
    rake_reading_sd_deg: float | None = None
    tracking_reading_sd_deg: float | None = None
    photo_rake_sd_deg: float = 1.0
    photo_tracking_sd_deg: float = 1.5
    eye_rake_sd_deg: float = 2.0
    eye_tracking_sd_deg: float = 3.0
    maker_rake_sd_deg: float = 0.5
    maker_tracking_sd_deg: float = 1.0
    arm_only_deg: tuple[float, float] = (-1.0, 1.0)
    stock_wedges_deg: tuple[float, ...] = ()
    stock_tolerance_deg: float = 0.25
    wedge_step_deg: float = 0.1
    wedge_range_deg: tuple[float, float] = (-5.0, 20.0)
    wedge_length_mm: float = 15.0
    wedge_width_mm: float = 16.0
    wedge_edge_to_holes_mm: float = 5.0
    wedge_least_mm: float = 1.0
    wedge_density_g_cm3: float = 8.5
    hourly_rate: float | None = None
    base_fee: float = 0.0
    wedge_fee: float = 0.0
    rounding: float = 1.0
    currency: str = ""
    price_quantile_low: float = 0.1
    price_quantile_quoted: float = 0.5
    price_quantile_high: float = 0.9

    def __post_init__(self) -> None:
        _check_types(self)
        if self.rake_aim_deg is None:
            object.__setattr__(self, "rake_aim_deg", self.rake_best_deg[0])
        object.__setattr__(self, "stock_wedges_deg", tuple(sorted(self.stock_wedges_deg)))
        _check_targets(self)
        _check_guard(self)
        _check_tilt_and_wedges(self)
        _check_money(self)

    @property
    def aim_deg(self) -> float:
        """Rake at which tracking stops being brought down [deg]."""
        return float(self.rake_best_deg[0] if self.rake_aim_deg is None else self.rake_aim_deg)

    @property
    def guarded_rake_deg(self) -> tuple[float, float]:
        """Accepted rake band less the guard at either end [deg]."""
        guard = self.guard_sigmas * (self.rake_reading_sd_deg or 0.0)
        return self.rake_accepted_deg[0] + guard, self.rake_accepted_deg[1] - guard

    @property
    def guarded_tracking_deg(self) -> float:
        """Tracking limit less the guard [deg]."""
        return self.tracking_limit_deg - self.guard_sigmas * (self.tracking_reading_sd_deg or 0.0)

    @cached_property
    def fingerprint(self) -> str:
        """Twelve hex digits of the content, the name apart: equal content, equal fingerprint, anywhere.

        A key that came later and is at its default is left out, so that policies from before it keep theirs.
        """
        plain = {f.name: f.default for f in dataclasses.fields(self) if f.name in {**_WEDGE, **_TOLD_SD}}
        content = {
            k: v
            for k, v in dataclasses.asdict(self).items()
            if k != "name" and not (k in plain and v == plain[k])
        }
        text = json.dumps({"layout": 1, **content}, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    @property
    def label(self) -> str:
        """Name and fingerprint, to stand beside every result."""
        return f"{self.name} ({self.fingerprint})"

    def told_sd_deg(self, column: str, reader: str) -> float | None:
        """How far an angle that an enquiry tells may be off [deg]; None for a bench, which knows its own.

        Parameters
        ----------
        column : the angle, such as ``sra_static_deg``
        reader : who read it, of `fleet.columns.READERS`
        """
        angle = "rake" if column.startswith("sra") else "tracking"
        return getattr(self, f"{reader}_{angle}_sd_deg", None)

    def but(self, **changes: Any) -> Policy:
        """Return the same policy with some values changed, checked again.

        The aim follows the best band unless it was set apart from it or is among the changes.
        """
        unknown = sorted(set(changes) - {f.name for f in dataclasses.fields(self)})
        if unknown:
            raise FleetError(f"a policy has no key {unknown[0]!r}; the keys are {', '.join(policy_keys())}")
        if "rake_aim_deg" not in changes and self.rake_aim_deg == self.rake_best_deg[0]:
            changes["rake_aim_deg"] = None
        return dataclasses.replace(self, **_tuples(changes))


_ALLOWED: Final = {
    "name": re.compile(r"[A-Za-z0-9_.-]{1,24}"),
    "currency": re.compile("|[A-Z]{3}|[$\u00a2-\u00a5\u20a0-\u20cf]"),
}
_ALLOWED_WORDS: Final = {
    "name": "must be a code of 1 to 24 letters, digits or _ . -",
    "currency": "must be three capitals such as EUR, one currency sign, or empty",
}
"""Texts of a policy reach the store and papers, so none is long or free enough to hold a person's name."""


def policy_keys() -> list[str]:
    """The keys that a policy file may hold."""
    return [f.name for f in dataclasses.fields(Policy) if f.name != "name"]


def _tuples(values: dict[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}


def _wrong(policy: Policy, key: str, what: str) -> FleetError:
    return FleetError(f"policy {policy.name!r}: {key} {what}, got {getattr(policy, key)!r}")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _check_types(policy: Policy) -> None:
    """Turn numbers into floats and lists into tuples; refuse anything of another kind."""
    for field in dataclasses.fields(policy):
        key, value = field.name, getattr(policy, field.name)
        if key in ("name", "currency"):
            if not isinstance(value, str):
                raise _wrong(policy, key, "must be a text")
            if not _ALLOWED[key].fullmatch(value):
                raise _wrong(policy, key, _ALLOWED_WORDS[key])
        elif key == "preference":
            if not isinstance(value, tuple | list) or sorted(map(str, value)) != sorted(PREFERENCES):
                raise _wrong(policy, key, 'must be ["rake", "tracking"] or ["tracking", "rake"]')
            object.__setattr__(policy, key, tuple(value))
        elif key in _PAIRS or key == "stock_wedges_deg":
            if not isinstance(value, tuple | list) or not all(map(_is_number, value)):
                raise _wrong(policy, key, "must be a list of numbers [deg]")
            if key in _PAIRS and (len(value) != 2 or value[0] > value[1]):
                raise _wrong(policy, key, "must be two numbers, the lower first [deg]")
            object.__setattr__(policy, key, tuple(float(v) for v in value))
        elif value is None and key in _OPTIONAL:
            continue
        elif not _is_number(value):
            raise _wrong(policy, key, "must be a number")
        else:
            object.__setattr__(policy, key, float(value))


def _check_targets(policy: Policy) -> None:
    accepted, best = policy.rake_accepted_deg, policy.rake_best_deg
    if not (60.0 <= accepted[0] < accepted[1] <= 120.0):
        raise _wrong(policy, "rake_accepted_deg", "must be a band within 60..120 deg")
    if not (accepted[0] <= best[0] and best[1] <= accepted[1]):
        raise _wrong(policy, "rake_best_deg", "must lie within rake_accepted_deg")
    if not accepted[0] <= policy.aim_deg <= accepted[1]:
        raise _wrong(policy, "rake_aim_deg", "must lie within rake_accepted_deg")
    if policy.rake_kept_deg is not None and not policy.aim_deg <= policy.rake_kept_deg <= accepted[1]:
        raise _wrong(policy, "rake_kept_deg", "must lie between rake_aim_deg and the accepted upper end")
    if not 0.0 < policy.tracking_limit_deg <= 60.0:
        raise _wrong(policy, "tracking_limit_deg", "must be above 0 and at most 60 deg")
    if not 0.0 < policy.tracking_wish_deg <= policy.tracking_limit_deg:
        raise _wrong(policy, "tracking_wish_deg", "must be above 0 and at most tracking_limit_deg")


def _check_guard(policy: Policy) -> None:
    if not 0.0 <= policy.guard_sigmas <= 5.0:
        raise _wrong(policy, "guard_sigmas", "must be from 0 to 5")
    for key in ("rake_reading_sd_deg", "tracking_reading_sd_deg"):
        value = getattr(policy, key)
        if value is not None and not 0.0 <= value <= 5.0:
            raise _wrong(policy, key, "must be from 0 to 5 deg")
        if value is None and policy.guard_sigmas > 0:
            raise _wrong(policy, key, "must be given when guard_sigmas is not 0")
    if policy.guarded_rake_deg[0] > policy.guarded_rake_deg[1]:
        raise _wrong(policy, "guard_sigmas", "leaves nothing of rake_accepted_deg; lower it")


def _check_tilt_and_wedges(policy: Policy) -> None:
    if not -20.0 <= policy.tilt_lower_limit_deg <= 0.0:
        raise _wrong(policy, "tilt_lower_limit_deg", "must be from -20 to 0 deg")
    if not 0.0 <= policy.clearance_deg <= -policy.tilt_lower_limit_deg:
        raise _wrong(policy, "clearance_deg", "must be from 0 to the size of tilt_lower_limit_deg")
    if not policy.arm_only_deg[0] <= 0.0 <= policy.arm_only_deg[1]:
        raise _wrong(policy, "arm_only_deg", "must hold 0")
    if any(abs(wedge) > 20.0 for wedge in policy.stock_wedges_deg):
        raise _wrong(policy, "stock_wedges_deg", "must be within -20..20 deg")
    if not 0.0 <= policy.stock_tolerance_deg <= 5.0:
        raise _wrong(policy, "stock_tolerance_deg", "must be from 0 to 5 deg")
    if not 0.001 <= policy.wedge_step_deg <= 5.0:
        raise _wrong(policy, "wedge_step_deg", "must be from 0.001 to 5 deg")
    if not -20.0 <= policy.wedge_range_deg[0] <= policy.wedge_range_deg[1] <= 20.0:
        raise _wrong(policy, "wedge_range_deg", "must be within -20..20 deg")
    for key, (low, high) in {**_WEDGE, **_TOLD_SD}.items():
        if not low <= getattr(policy, key) <= high:
            raise _wrong(policy, key, f"must be from {low:g} to {high:g}")
    if policy.wedge_edge_to_holes_mm > policy.wedge_length_mm:
        raise _wrong(policy, "wedge_edge_to_holes_mm", "must not be longer than wedge_length_mm")


def _check_money(policy: Policy) -> None:
    for key in ("hourly_rate", "base_fee", "wedge_fee", "rounding"):
        value = getattr(policy, key)
        if value is not None and value < 0.0:
            raise _wrong(policy, key, "must not be negative")
    quantiles = (policy.price_quantile_low, policy.price_quantile_quoted, policy.price_quantile_high)
    if not (0.0 < quantiles[0] <= quantiles[1] <= quantiles[2] < 1.0):
        raise _wrong(policy, "price_quantile_quoted", "breaks the order 0 < low <= quoted <= high < 1")
