"""The trade-off line: what each tilt would buy, before the unit is on the bench.

One tilt moves rake and tracking angle alike, so what helps the one costs the other. Each tilt between the
lower limit and the room gets the chance that rake, tracking, or both are met *at that tilt*. Its best value
for both is at most the quote's `p_both_met`, which lets the bench choose the tilt after reading the unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fleet.numerals import percent
from fleet.policy.policy import DECIMAL_SLACK_DEG

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fleet.policy.policy import Policy


@dataclass(frozen=True)
class TradeOff:
    """Chances against tilt.

    Attributes
    ----------
    table : `tilt_deg`, `p_rake`, `p_tracking`, `p_both`, `p_room` (chance that the body has that much room)
    best_tilt_deg : tilt with the best chance of both; the middle one if several share it
    sentence : the same in words
    """

    table: pd.DataFrame
    best_tilt_deg: float
    sentence: str


def trade_off(
    sra_dynamic_deg: ArrayLike,
    vta_dynamic_deg: ArrayLike,
    tilt_room_deg: ArrayLike,
    policy: Policy,
    *,
    step_deg: float = 0.1,
) -> TradeOff:
    """Chances of meeting the targets at each tilt, the room counted in.

    Parameters
    ----------
    sra_dynamic_deg, vta_dynamic_deg, tilt_room_deg
        Joint draws of one enquiry [deg], level headshell, shape (draws,); NaN rake = spherical stylus (then
        `p_rake` is NaN and both means tracking), NaN room = no upper end.
    policy
        What counts as met.
    step_deg
        Distance between tilts [deg].
    """
    sra, vta, room = (np.asarray(v, dtype=float) for v in (sra_dynamic_deg, vta_dynamic_deg, tilt_room_deg))
    room = np.broadcast_to(np.where(np.isnan(room), np.inf, room - policy.clearance_deg), vta.shape)
    finite = room[np.isfinite(room)]
    low = policy.tilt_lower_limit_deg
    high = float(np.quantile(finite, 0.95)) if len(finite) else max(5.0, low)
    tilt = low + step_deg * np.arange(int(np.floor(max(high - low, 0.0) / step_deg + 0.5)) + 1)
    roomy = tilt[:, None] <= room + DECIMAL_SLACK_DEG
    band = policy.rake_accepted_deg
    rake = tilt[:, None] + sra
    spherical = np.isnan(sra)
    rake_met = (rake >= band[0] - DECIMAL_SLACK_DEG) & (rake <= band[1] + DECIMAL_SLACK_DEG) & roomy
    tracking_met = (tilt[:, None] + vta <= policy.tracking_limit_deg + DECIMAL_SLACK_DEG) & roomy
    both = (rake_met | spherical) & tracking_met
    table = pd.DataFrame(
        {
            "tilt_deg": np.round(tilt, 6),
            "p_rake": np.full(len(tilt), np.nan) if spherical.all() else rake_met[:, ~spherical].mean(axis=1),
            "p_tracking": tracking_met.mean(axis=1),
            "p_both": both.mean(axis=1),
            "p_room": roomy.mean(axis=1),
        }
    )
    shared = table.loc[table["p_both"] >= table["p_both"].max() - 1e-12, "tilt_deg"]
    best = float(shared.iloc[len(shared) // 2])
    at_best = table.loc[table["tilt_deg"] == best].iloc[0]
    return TradeOff(table, best, _sentence(at_best, bool(spherical.all())))


def _sentence(row: pd.Series, spherical: bool) -> str:
    what = "the tracking limit" if spherical else "both targets"
    if row["p_both"] == 0.0:
        return f"No tilt that was tried meets {what} in any draw."
    apart = "" if spherical else f" (rake {percent(row['p_rake'])}, tracking {percent(row['p_tracking'])})"
    return (
        f"If the tilt had to be fixed before measuring, {row['tilt_deg']:+.1f}° would be the best: it meets "
        f"{what} with a chance of {percent(row['p_both'])}{apart}."
    )
