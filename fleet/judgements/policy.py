"""The target policy: what a bench calls met, which way it gives when it can't have all, what it charges.

One frozen `Policy` holds every convention that a judgement depends on, so that a result can say under
which policy it was made (`Policy.label`) and be made again under another. Policies live in one TOML file,
several by name; `DEFAULT_TOML` is such a file with every key and its default.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fleet.errors import FleetError
from fleet.judgements import policy_checks

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

DEFAULT_NAME: Final = "default"
DECIMAL_SLACK_DEG: Final = 1e-9
"""Readings are decimal numbers: a sum may miss a limit it equals by a rounding error of this size [deg]."""

DEFAULT_TOML: Final = """\
# Target policies. One table a policy; [default] is used where no other is named. A key that is left out
# has the value shown here; `based_on = "name"` starts from another policy of this file instead.
# Angles in degrees.

[default]
# What counts as met, dynamic, after the tilt (common practice).
rake_accepted_deg = [90.5, 92.5]
rake_best_deg = [91.0, 92.0]
tracking_limit_deg = 22.0
tracking_wish_deg = 20.0

# Which target goes first, and where the rake stands once tracking has been brought down as far as it may go.
preference = ["rake", "tracking"]
rake_aim_deg = 91.0
# rake_kept_deg = 92.0    # leave the rake here instead wherever tracking is within its limit with it

# How far a body may be tilted: up to tilt_room_deg less a clearance, down to the lower limit.
tilt_lower_limit_deg = -5.0
clearance_deg = 0.0

# Keep this many standard deviations of a reading away from every accepted limit.
guard_sigmas = 0.0
# rake_reading_sd_deg = 0.15      # the bench's own repeatability; needed as soon as guard_sigmas is not 0
# tracking_reading_sd_deg = 0.35

# How the tilt is made.
arm_only_deg = [-1.0, 1.0]
stock_wedges_deg = []             # an angle serves both senses, turned round
stock_tolerance_deg = 0.25
wedge_step_deg = 0.1
wedge_range_deg = [-5.0, 20.0]

# Money: without an hourly rate no price is named.
# hourly_rate = 60.0
base_fee = 0.0
wedge_fee = 0.0
rounding = 1.0
currency = ""
price_quantile_low = 0.1
price_quantile_quoted = 0.5
price_quantile_high = 0.9
"""


@dataclass(frozen=True, kw_only=True)
class Policy:
    """One bench's or one customer's wish, complete.

    The defaults are common practice (no published source); `DEFAULT_TOML` says what each key means.

    Raises
    ------
    FleetError
        If a value is no number, out of range, or contradicts another; the line names the key.
    """

    name: str = DEFAULT_NAME
    rake_accepted_deg: tuple[float, float] = (90.5, 92.5)
    rake_best_deg: tuple[float, float] = (91.0, 92.0)
    tracking_limit_deg: float = 22.0
    tracking_wish_deg: float = 20.0
    preference: tuple[str, ...] = policy_checks.PREFERENCES
    rake_aim_deg: float | None = None
    rake_kept_deg: float | None = None
    tilt_lower_limit_deg: float = -5.0
    clearance_deg: float = 0.0
    guard_sigmas: float = 0.0
    rake_reading_sd_deg: float | None = None
    tracking_reading_sd_deg: float | None = None
    arm_only_deg: tuple[float, float] = (-1.0, 1.0)
    stock_wedges_deg: tuple[float, ...] = ()
    stock_tolerance_deg: float = 0.25
    wedge_step_deg: float = 0.1
    wedge_range_deg: tuple[float, float] = (-5.0, 20.0)
    hourly_rate: float | None = None
    base_fee: float = 0.0
    wedge_fee: float = 0.0
    rounding: float = 1.0
    currency: str = ""
    price_quantile_low: float = 0.1
    price_quantile_quoted: float = 0.5
    price_quantile_high: float = 0.9

    def __post_init__(self) -> None:
        policy_checks.check_types(self)
        if self.rake_aim_deg is None:
            object.__setattr__(self, "rake_aim_deg", self.rake_best_deg[0])
        object.__setattr__(self, "stock_wedges_deg", tuple(sorted(self.stock_wedges_deg)))
        policy_checks.check_values(self)

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

    @property
    def fingerprint(self) -> str:
        """Twelve hex digits of the content, the name apart: equal content, equal fingerprint, anywhere."""
        content = {k: v for k, v in dataclasses.asdict(self).items() if k != "name"}
        text = json.dumps({"layout": 1, **content}, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    @property
    def label(self) -> str:
        """Name and fingerprint, to stand beside every result."""
        return f"{self.name} ({self.fingerprint})"

    def but(self, **changes: Any) -> Policy:
        """Return the same policy with some values changed, checked again.

        The aim follows the best band unless it was set apart from it or is among the changes.
        """
        unknown = sorted(set(changes) - {f.name for f in dataclasses.fields(self)})
        if unknown:
            raise FleetError(f"a policy has no key {unknown[0]!r}; the keys are {', '.join(_keys())}")
        if "rake_aim_deg" not in changes and self.rake_aim_deg == self.rake_best_deg[0]:
            changes["rake_aim_deg"] = None
        return dataclasses.replace(self, **_tuples(changes))


def load_policy(path: str | Path | None = None) -> dict[str, Policy]:
    """Read the policies of one TOML file by name.

    Parameters
    ----------
    path
        The file; None for the built-in default alone.

    Returns
    -------
    dict
        Policies by name, in the file's order; `default` is always there, built in if the file has none.

    Raises
    ------
    FleetError
        If the file can't be read or a key is unknown or wrong; the line names file, policy and key.
    """
    if path is None:
        return {DEFAULT_NAME: Policy()}
    try:
        with open(path, "rb") as file:  # noqa: PTH123 - a plain string is welcome too
            tables = tomllib.load(file)
    except OSError as error:
        raise FleetError(f"policy file {path}: can't be read ({error.strerror}); check its name") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FleetError(f"policy file {path}: is no valid TOML ({error}); mend that line") from error
    found: dict[str, Policy] = {}
    for name in tables:
        try:
            _build(name, tables, found, ())
        except FleetError as error:
            raise FleetError(f"policy file {path}: {error}") from error
    ordered = {name: found[name] for name in tables}
    return ordered if DEFAULT_NAME in ordered else {DEFAULT_NAME: Policy(), **ordered}


def pick_policy(policies: dict[str, Policy], name: str | None) -> Policy:
    """Return the policy of that name; an empty name means the default.

    Raises
    ------
    FleetError
        If there is no such policy; the line lists those there are.
    """
    wanted = name or DEFAULT_NAME
    if wanted not in policies:
        raise FleetError(f"there is no policy {wanted!r}; the policy file has {', '.join(policies)}")
    return policies[wanted]


def made_wedge(tilt_deg: ArrayLike, policy: Policy) -> NDArray[np.bool_]:
    """Tell whether a tilt needs a wedge made to measure.

    It does if it is beyond the arm's own range and off every stock wedge by more than the tolerance; a
    wedge serves both senses, turned round.

    Parameters
    ----------
    tilt_deg
        Tilts [deg], any shape; NaN needs none.

    Returns
    -------
    ndarray of bool
        Same shape.
    """
    tilt = np.asarray(tilt_deg, dtype=float)
    low, high = policy.arm_only_deg
    needed = (tilt < low - DECIMAL_SLACK_DEG) | (tilt > high + DECIMAL_SLACK_DEG)
    for stock in policy.stock_wedges_deg:
        needed &= np.abs(np.abs(tilt) - abs(stock)) > policy.stock_tolerance_deg + DECIMAL_SLACK_DEG
    return np.asarray(needed)


def remedy(tilt_deg: ArrayLike, policy: Policy) -> NDArray[np.object_]:
    """Name how a tilt is made: `none`, `arm_only`, `stock_wedge` or `made_wedge`.

    Parameters
    ----------
    tilt_deg
        Tilts [deg], any shape. A tilt of exactly zero needs no remedy.

    Returns
    -------
    ndarray of object
        The bench sheet's words; None where the tilt is NaN.
    """
    tilt = np.asarray(tilt_deg, dtype=float)
    low, high = policy.arm_only_deg
    words = np.full(tilt.shape, "stock_wedge", dtype=object)
    words[(tilt >= low - DECIMAL_SLACK_DEG) & (tilt <= high + DECIMAL_SLACK_DEG)] = "arm_only"
    words[np.abs(tilt) <= DECIMAL_SLACK_DEG] = "none"
    words[made_wedge(tilt, policy)] = "made_wedge"
    words[np.isnan(tilt)] = None
    return words


def price(minutes: ArrayLike, wedge_made: ArrayLike, policy: Policy) -> NDArray[np.float64]:
    """Charge for bench time and wedge: base fee + hourly rate x time + wedge fee, rounded (halves up).

    Parameters
    ----------
    minutes
        Bench time [min].
    wedge_made
        Whether a wedge is made to measure, or the chance of it; broadcast against `minutes`.

    Returns
    -------
    ndarray of float
        Price in the policy's currency; NaN where the policy names no hourly rate.
    """
    time, wedge = np.broadcast_arrays(np.asarray(minutes, dtype=float), np.asarray(wedge_made, dtype=float))
    if policy.hourly_rate is None:
        return np.full(time.shape, np.nan)
    total = policy.base_fee + policy.hourly_rate * time / 60.0 + policy.wedge_fee * wedge
    if policy.rounding > 0:
        total = np.floor(total / policy.rounding + 0.5) * policy.rounding
    return np.asarray(total)


def _keys() -> list[str]:
    return [f.name for f in dataclasses.fields(Policy) if f.name != "name"]


def _tuples(values: dict[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}


def _build(name: str, tables: dict[str, Any], found: dict[str, Policy], waiting: tuple[str, ...]) -> Policy:
    """Build one policy after the one it is based on."""
    if name in found:
        return found[name]
    table = tables.get(name)
    if not isinstance(table, dict):
        raise FleetError(f"{name!r} is no policy table; write [{name}] and its keys below")
    values = dict(table)
    base_name = values.pop("based_on", None)
    base = Policy()
    if base_name is not None:
        if base_name not in tables:
            raise FleetError(f"policy {name!r}: based_on names {base_name!r}, which is not in this file")
        if base_name == name or base_name in waiting:
            raise FleetError(f"policy {name!r}: based_on goes round in a circle; start from one without it")
        base = _build(base_name, tables, found, (*waiting, name))
    for key in values:
        if key not in _keys():
            raise FleetError(f"policy {name!r}: unknown key {key!r}; the keys are {', '.join(_keys())}")
    found[name] = base.but(**{**values, "name": name})
    return found[name]
