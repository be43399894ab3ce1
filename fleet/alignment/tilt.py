"""Best tilt: the pitch that a target policy prefers, in closed form, for one pickup or ten million.

Tilt adds to rake and tracking angle alike, so everything here is a matter of intervals of tilt: the range
that body and policy allow, the interval that puts the rake in its band, the half-line that keeps tracking
in its limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fleet.alignment.alignment import NEVER, WORTH
from fleet.alignment.readings import DOUBT
from fleet.policy.policy import DECIMAL_SLACK_DEG
from fleet.statistics.even_draws import normal_cdf

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from fleet.policy.policy import Policy

BOTH: Final = 0
RAKE_ONLY: Final = 1
TRACKING_ONLY: Final = 2
NEITHER: Final = 3
UNREAD: Final = 4
OUTCOMES: Final = ("both", "rake_only", "tracking_only", "neither", "unread")
"""Words of the outcome codes 0..4."""


@dataclass(frozen=True)
class TiltChoice:
    """The tilt a policy chooses, and what it gets for it.

    Attributes
    ----------
    tilt_deg
        Chosen tilt [deg], + = tail up; NaN where neither angle was read.
    outcome
        Code (int8) into `OUTCOMES`, judged at that tilt.
    policy
        Label of the policy.
    """

    tilt_deg: NDArray[np.float64]
    outcome: NDArray[np.int8]
    policy: str

    @property
    def words(self) -> NDArray[np.object_]:
        """The outcomes as words."""
        return np.asarray(np.array(OUTCOMES, dtype=object)[self.outcome])


class Reach(NamedTuple):
    """What some allowed tilt could reach: five boolean arrays of one shape."""

    rake: NDArray[np.bool_]
    tracking: NDArray[np.bool_]
    both: NDArray[np.bool_]
    conflict_built_in: NDArray[np.bool_]
    conflict_reach: NDArray[np.bool_]


def choose_tilt(
    sra_dynamic_deg: ArrayLike, vta_dynamic_deg: ArrayLike, tilt_room_deg: ArrayLike, policy: Policy
) -> TiltChoice:
    """Choose the tilt that the policy prefers.

    With S = rake, V = tracking angle, lo = the policy's lower limit, hi = tilt room less its clearance,
    band [A, B] = accepted rake and L = tracking limit (both less the guard), aim = `rake_aim_deg` moved
    into [A, B]:

    1. No tilt outside [lo, hi].
    2. *Rake first* (default): tilt = aim - S, held within [lo, hi]. As the aim lies in the band, this meets
       the rake wherever any allowed tilt can, and brings tracking as low as the aim permits. Where the rake
       can't be met, the tilt stands at the end of the range nearest to it (`hi` if the rake is low, `lo` if
       it is high); tracking doesn't move it from there.
    3. If the policy has `rake_kept_deg` and tracking is within L with the rake standing there, the rake is
       left there instead (again within the range).
    4. *Tracking first*: as 2 and 3, and then no higher than L - V; `lo` where tracking can't be met.
    5. Spherical stylus (S is NaN): tracking alone. No tilt if V is at or below the wish, else wish - V;
       within [lo, hi].
    6. Tracking not read (V is NaN): the tilt is the rake's, the outcome `unread`.
    7. Room not read (NaN): no upper end.

    The outcome is judged at the chosen tilt: `both` (for a spherical stylus: tracking met), `rake_only`,
    `tracking_only` or `neither`. `rake_only` does not say that no tilt meets both: the accepted edge may.
    Ask `reach` for that.

    Parameters
    ----------
    sra_dynamic_deg, vta_dynamic_deg
        Dynamic angles on a level headshell [deg], broadcast together.
    tilt_room_deg
        Largest tilt before the body comes too near the record [deg].
    policy
        The target policy.

    Returns
    -------
    TiltChoice
        Arrays of the broadcast shape.
    """
    (sra, vta, room), shape = _arrays(sra_dynamic_deg, vta_dynamic_deg, tilt_room_deg)
    low, high = policy.tilt_lower_limit_deg, room - policy.clearance_deg
    spherical = np.isnan(sra)
    tilt = np.empty(sra.shape)
    np.subtract(_aim(policy), sra, out=tilt)
    _hold(tilt, low, high)
    if policy.rake_kept_deg is not None:
        _keep(tilt, sra, vta, high, policy)
    if policy.preference[0] == "tracking":
        np.fmin(tilt, policy.guarded_tracking_deg - vta, out=tilt)
        _hold(tilt, low, high)
    if spherical.any():
        alone = np.minimum(policy.tracking_wish_deg - vta[spherical], 0.0)
        tilt[spherical] = _hold(alone, low, high[spherical])
        tilt[spherical & np.isnan(vta)] = np.nan
    outcome = outcome_at(tilt, sra, vta, policy)
    return TiltChoice(tilt.reshape(shape), outcome.reshape(shape), policy.label)


def outcome_at(
    tilt_deg: ArrayLike, sra_dynamic_deg: ArrayLike, vta_dynamic_deg: ArrayLike, policy: Policy
) -> NDArray[np.int8]:
    """Judge given tilts against the policy's limits less its guard.

    Parameters
    ----------
    tilt_deg, sra_dynamic_deg, vta_dynamic_deg
        Tilt, and angles on a level headshell [deg], broadcast together; NaN rake = spherical stylus.

    Returns
    -------
    ndarray of int8
        Codes into `OUTCOMES`.
    """
    (tilt, sra, vta), shape = _arrays(tilt_deg, sra_dynamic_deg, vta_dynamic_deg)
    band = policy.guarded_rake_deg
    net = tilt + sra
    rake_off = net < band[0] - DECIMAL_SLACK_DEG
    rake_off |= net > band[1] + DECIMAL_SLACK_DEG
    np.add(tilt, vta, out=net)
    tracking_off = net > policy.guarded_tracking_deg + DECIMAL_SLACK_DEG
    code = rake_off.astype(np.int8)
    code *= np.int8(2)
    code += tracking_off
    spherical = np.isnan(sra)
    if spherical.any():
        code[spherical] = np.where(tracking_off[spherical], NEITHER, BOTH)
    code[np.isnan(net)] = UNREAD
    return code.reshape(shape)


def reach(
    sra_dynamic_deg: ArrayLike, vta_dynamic_deg: ArrayLike, tilt_room_deg: ArrayLike, policy: Policy
) -> Reach:
    """Tell what some tilt between the lower limit and the room (less the clearance) could reach.

    Meant for true angles: accepted band and limit as they stand, no guard, the tilt chosen knowing the
    angles. The built-in angle S - V rules both out if it is below accepted lower end - tracking limit (68.5
    deg by default); what is out of reach beyond that is the room's or the lower limit's doing.

    Parameters
    ----------
    sra_dynamic_deg, vta_dynamic_deg, tilt_room_deg
        As for `choose_tilt`. NaN rake = spherical stylus: `rake` is False, `both` means tracking, no
        built-in conflict. NaN tracking: nothing that needs it is reached, and neither conflict is said.
        NaN room: no upper end.

    Returns
    -------
    Reach
        Exactly one of `both`, `conflict_built_in`, `conflict_reach` holds wherever tracking is read.
    """
    (sra, vta, room), shape = _arrays(sra_dynamic_deg, vta_dynamic_deg, tilt_room_deg)
    accepted, limit = policy.rake_accepted_deg, policy.tracking_limit_deg
    low = policy.tilt_lower_limit_deg - DECIMAL_SLACK_DEG
    rake_high = np.fmin(accepted[1] - sra, room - policy.clearance_deg)
    rake_low = np.fmax(accepted[0] - sra, low)
    rake_high += DECIMAL_SLACK_DEG
    spherical = np.isnan(sra)
    rake = rake_low <= rake_high
    rake &= ~spherical
    most = limit - vta
    most += DECIMAL_SLACK_DEG
    tracking = most >= low
    both = rake_low <= most
    both &= rake | spherical
    built_in = most < accepted[0] - sra - DECIMAL_SLACK_DEG
    conflict_reach = ~both
    conflict_reach &= ~built_in
    conflict_reach &= ~np.isnan(vta)
    answers = (rake, tracking, both, built_in, conflict_reach)
    return Reach(*(answer.reshape(shape) for answer in answers))


def _arrays(*values: ArrayLike) -> tuple[tuple[NDArray[np.float64], ...], tuple[int, ...]]:
    """Broadcast to arrays of at least one dimension (0-d ones turn into scalars); and the true shape."""
    arrays = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in values))
    return tuple(np.atleast_1d(*arrays)), arrays[0].shape


def _aim(policy: Policy) -> float:
    """The aim, moved into the guarded band."""
    band = policy.guarded_rake_deg
    return min(max(policy.aim_deg, band[0]), band[1])


def _hold(tilt: NDArray[np.float64], low: float, high: NDArray[np.float64]) -> NDArray[np.float64]:
    """Hold tilts within the range, in place; NaN at the upper end means no end, NaN tilts stay."""
    np.maximum(tilt, low, out=tilt)
    np.copyto(tilt, high, where=tilt > high)
    return tilt


def _keep(
    tilt: NDArray[np.float64],
    sra: NDArray[np.float64],
    vta: NDArray[np.float64],
    high: NDArray[np.float64],
    policy: Policy,
) -> None:
    """Leave the rake at `rake_kept_deg` wherever tracking is within its limit with it, in place."""
    band = policy.guarded_rake_deg
    kept = min(max(float(policy.rake_kept_deg or 0.0), band[0]), band[1])
    easy = _hold(kept - sra, policy.tilt_lower_limit_deg, high)
    np.copyto(tilt, easy, where=easy + vta <= policy.guarded_tracking_deg + DECIMAL_SLACK_DEG)


def not_worth_it(
    tilt_deg: NDArray[np.float64],
    level: tuple[NDArray[np.float64], NDArray[np.float64]],
    tilted: tuple[NDArray[np.float64], NDArray[np.float64]],
    sd: tuple[float, float],
    policy: Policy,
) -> NDArray[np.bool_]:
    """Which tilts an alignment would leave: smaller than their doubt and of no gain, or serving no target.

    Chances are of the true angles given the readings alone; `fleet.alignment.align` asks the kind as well.

    Parameters
    ----------
    tilt_deg : (m,) tilts asked [degrees]
    level, tilted : rake and tracking angle, each (m,), without and with the tilt; NaN = not read
    sd : standard deviation of one reading of either [degrees]
    policy : Policy
    """
    before, after = _chances(level, sd, policy), _chances(tilted, sd, policy)
    spherical = np.isnan(level[0])
    doubt = DOUBT * np.where(spherical, sd[1], sd[0])
    gain = np.max(np.nan_to_num(after - before), axis=0)
    small = (np.abs(tilt_deg) < doubt) & (gain < WORTH)
    off = [_misses(angles, policy) for angles in (level, tilted)]
    hopeless = ~spherical & (np.max(np.nan_to_num(after), axis=0) <= NEVER)
    return np.asarray(small | (hopeless & (off[0] - off[1] <= doubt)))


def _chances(
    angles: tuple[NDArray[np.float64], NDArray[np.float64]], sd: tuple[float, float], policy: Policy
) -> NDArray[np.float64]:
    """Chances (2, m) that true rake and tracking angle meet their targets."""
    low, high = policy.rake_accepted_deg
    rake = normal_cdf((high + DECIMAL_SLACK_DEG - angles[0]) / sd[0])
    rake -= normal_cdf((low - DECIMAL_SLACK_DEG - angles[0]) / sd[0])
    return np.stack([rake, normal_cdf((policy.tracking_limit_deg + DECIMAL_SLACK_DEG - angles[1]) / sd[1])])


def _misses(angles: tuple[NDArray[np.float64], NDArray[np.float64]], policy: Policy) -> NDArray[np.float64]:
    """By how much both targets are missed in all [degrees]."""
    low, high = policy.rake_accepted_deg
    rake = np.maximum(np.maximum(low - angles[0], angles[0] - high), 0.0)
    tracking = np.maximum(angles[1] - policy.tracking_limit_deg, 0.0)
    return np.asarray(np.nan_to_num(rake) + np.nan_to_num(tracking))
