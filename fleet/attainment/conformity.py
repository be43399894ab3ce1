"""How sure is "in" or "out"? The chance of conformity of a noisy reading.

A reading near a limit is not simply inside or outside. With the reading's own noise and what is known of such
units beforehand, the true angle has a distribution; its part inside the limits is the chance of conformity
(the approach of JCGM 106:2012).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import scipy

from fleet.alignment.targets import built_angles, column, is_spherical
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import ArrayLike, NDArray

    from fleet.policy.policy import Policy

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_REACH_SIGMAS: Final = 8.0


@dataclass(frozen=True)
class Noise:
    """Standard deviation of one reading about the true angle.

    Attributes
    ----------
    rake_sd_deg, tracking_sd_deg
        Of the dynamic rake and of the tracking angle [deg], above 0.
    repeats
        How many repeat readings they rest on; 0 if they were given.
    """

    rake_sd_deg: float
    tracking_sd_deg: float
    repeats: int = 0

    def __post_init__(self) -> None:
        for name in ("rake_sd_deg", "tracking_sd_deg"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise FleetError(f"reading noise {name} must be above 0 deg, got {value}; give it by hand")


def reading_noise(sheets: pd.DataFrame) -> Noise:
    """Estimate the reading noise from units that were read more than once.

    Pairs of one unit's successive sheets: the median size of their differences, over sqrt(2) and the
    normal 0.6745 (robust: what happened to a few units between two visits doesn't count as noise).

    Parameters
    ----------
    sheets
        All sheets with `unit`, `measured_on`, `sra_dynamic_deg`, `vta_dynamic_deg`; not only the newest.

    Raises
    ------
    FleetError
        If fewer than ten pairs were read for either angle.
    """
    ordered = sheets.sort_values(["unit", "measured_on"], kind="stable")
    same = (ordered["unit"] == ordered["unit"].shift()).to_numpy(dtype=bool, na_value=False)
    sds, pairs = [], []
    for name in ("sra_dynamic_deg", "vta_dynamic_deg"):
        values = ordered[name].to_numpy(dtype=float, na_value=np.nan)
        steps = np.abs(np.diff(values, prepend=np.nan))[same]
        steps = steps[~np.isnan(steps)]
        if steps.size < 10:
            raise FleetError(f"only {steps.size} repeat readings of {name}: give the reading noise instead")
        pairs.append(int(steps.size))
        sds.append(float(np.median(steps) / (0.6744897501960817 * np.sqrt(2))))
    return Noise(sds[0], sds[1], repeats=min(pairs))


def chances(units: pd.DataFrame, policy: Policy, noise: Noise) -> dict[str, NDArray[np.float64]]:
    """Chance that each unit's true angles meet each target, in each state.

    The prior is the fleet's own: a normal distribution of true rake and tracking angle with the mean and
    covariance of the readings given, less the noise; for the built state, of the built angles. A wide
    fleet says little beforehand; a narrow one draws a reading near a limit toward its middle. Reading
    noise of the two angles is taken as independent.

    Parameters
    ----------
    units
        One row a unit, as for `attainment.states`.
    policy
        The target policy; its guard plays no part here.
    noise
        Reading noise.

    Returns
    -------
    dict
        For each measure of target and state (without the conflicts) an array of chances, NaN where not read.
    """
    sra, vta, room = (column(units, c) for c in ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg"))
    spherical = is_spherical(units)
    sra = np.where(spherical, np.nan, sra)
    built = built_angles(units, sra, vta)
    accepted, limit = policy.rake_accepted_deg, policy.tracking_limit_deg
    lowest, highest = policy.tilt_lower_limit_deg, room - policy.clearance_deg
    result = {}
    for state, rake, tracking in (("level", sra, vta), ("built", *built), ("reachable", sra, vta)):
        free = state == "reachable"
        ends = (accepted[0] - highest, accepted[1] - lowest) if free else accepted
        most = limit - lowest if free else limit
        posterior = _pair_posterior(rake, tracking, noise)
        result[f"rake_{state}"] = _band(posterior.rake_mean, posterior.rake_sd, *ends)
        result[f"tracking_{state}"] = scipy.special.ndtr(
            (most - posterior.tracking_mean) / posterior.tracking_sd
        )
        if free:
            result[f"tracking_{state}"] = np.where(np.isnan(room), np.nan, result[f"tracking_{state}"])
        slope = 1.0 if free else 0.0
        both = _both(posterior, ends[0], ends[1], most, slope, limit - accepted[0])
        result[f"both_{state}"] = np.where(spherical, result[f"tracking_{state}"], both)
    return result


class _Pair(NamedTuple):
    """Posterior of units' true rake and tracking angle: means (units,), sds, regression between them."""

    rake_mean: NDArray[np.float64]
    rake_sd: float
    tracking_mean: NDArray[np.float64]
    tracking_sd: float
    slope: float
    rest_sd: float


def _pair_posterior(rake: NDArray[np.float64], tracking: NDArray[np.float64], noise: Noise) -> _Pair:
    """Normal prior from the readings less their noise; each angle alone where the other was not read."""
    pair = np.column_stack([rake, tracking])
    whole = pair[~np.isnan(pair).any(axis=1)]
    error = np.diag([noise.rake_sd_deg**2, noise.tracking_sd_deg**2])
    if len(whole) < 20:
        mean, gain, left = np.zeros(2), np.eye(2), error
    else:
        mean, total = whole.mean(axis=0), np.cov(whole.T)
        gain = _positive(total - error) @ np.linalg.inv(_positive(total - error) + error)
        left = gain @ error
    shift = np.nan_to_num(pair - mean) @ gain.T
    rake_sd, tracking_sd = np.sqrt(np.diag(left))
    slope = float(left[0, 1] / left[0, 0])
    rest = float(np.sqrt(left[1, 1] - slope**2 * left[0, 0]))
    rake_mean = np.where(np.isnan(rake), np.nan, mean[0] + shift[:, 0])
    tracking_mean = np.where(np.isnan(tracking), np.nan, mean[1] + shift[:, 1])
    return _Pair(rake_mean, float(rake_sd), tracking_mean, float(tracking_sd), slope, rest)


def _positive(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """The nearest covariance that has no negative spread in any direction."""
    spread, axes = np.linalg.eigh(covariance)
    return np.asarray((axes * np.maximum(spread, 1e-9)) @ axes.T)


def _band(mean: ArrayLike, sd: ArrayLike, low: ArrayLike, high: ArrayLike) -> NDArray[np.float64]:
    mean, sd = np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)
    upper = scipy.special.ndtr((np.asarray(high, dtype=float) - mean) / sd)
    return np.asarray(upper - scipy.special.ndtr((np.asarray(low, dtype=float) - mean) / sd))


def _both(
    pair: _Pair, low: ArrayLike, high: ArrayLike, most: float, slope: float, offset: float
) -> NDArray[np.float64]:
    """Chance of low <= rake <= high and tracking <= min(most, slope x rake + offset), by Gauss-Legendre.

    With slope 1 that is the set of true angles that some tilt of the range serves both.
    """
    reach = _REACH_SIGMAS * pair.rake_sd
    start = np.clip(low, pair.rake_mean - reach, pair.rake_mean + reach)
    end = np.clip(high, pair.rake_mean - reach, pair.rake_mean + reach)
    total = np.zeros(pair.rake_mean.shape)
    kink = np.clip(most - offset, start, end)
    for a, b in ((start, kink), (kink, end)) if slope else ((start, end),):
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            rake = a + (b - a) * (1 + node) / 2
            z = (rake - pair.rake_mean) / pair.rake_sd
            bound = np.minimum(most, slope * rake + offset) if slope else most
            tracking = pair.tracking_mean + pair.slope * (rake - pair.rake_mean)
            total += (
                weight
                * np.exp(-z * z / 2)
                * scipy.special.ndtr((bound - tracking) / pair.rest_sd)
                * (b - a)
                / 2
            )
    return np.asarray(total / (pair.rake_sd * np.sqrt(2 * np.pi)))
