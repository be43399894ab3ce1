"""The alignment in space, exactly: wedge pitch and roll, then the body's turn, for one unit or a million.

The body is rolled about its long axis, tilted about the stylus tip, then turned about the vertical
(`fleet.physics.geometry.rotate`). Angles aren't added: the tilt is the one with which rake and tracking angle
*after all three* stand where `choose_tilt` wants them, and the turn lays the contact edge square across the
groove after roll and tilt.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fleet.alignment.tilt import choose_tilt
from fleet.physics.geometry import stance

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fleet.physics.geometry import Floats
    from fleet.policy.policy import Policy

_ROUNDS = 4
"""Each round lessens what is left of the tilt's error about a hundredfold."""


class Standing(NamedTuple):
    """How a unit stands after it was set, all in degrees.

    `rake` and `lean` are read in the fixed side and front view, `tracking` is the cantilever's inclination;
    `edge` is what is left of the zenith, + = clockwise seen from the record's side; `seen` is where the
    cantilever points, + = clockwise seen from above.
    """

    rake: Floats
    tracking: Floats
    lean: Floats
    edge: Floats
    seen: Floats


class Setting(NamedTuple):
    """What is done to the body [degrees].

    Tilt + = tail up, roll + = clockwise facing the nose, turn + = clockwise seen from above.
    """

    tilt: Floats
    roll: Floats
    turn: Floats


def stand(
    sra_deg: ArrayLike,
    vta_deg: ArrayLike,
    *,
    lean_deg: ArrayLike = 0.0,
    zenith_deg: ArrayLike = 0.0,
    tilt_deg: ArrayLike = 0.0,
    roll_deg: ArrayLike = 0.0,
    turn_deg: ArrayLike = 0.0,
) -> Standing:
    """Set a unit that was read level and straight, and read it again.

    Parameters
    ----------
    sra_deg, vta_deg, lean_deg, zenith_deg : array_like
        Readings on a level, upright, straight body [degrees]; NaN where there is none: a lean that wasn't
        read is taken as upright, everything else stays NaN.
    tilt_deg, roll_deg, turn_deg : array_like, optional
        What is done to the body, as in `Setting` [degrees].
    """
    s = stance(
        vta_deg,
        sra_deg,
        azimuth_deg=np.nan_to_num(np.asarray(lean_deg, dtype=float)),
        zenith_deg=zenith_deg,
        roll_deg=roll_deg,
        tilt_deg=tilt_deg,
        yaw_deg=-np.asarray(turn_deg, dtype=float),
    )
    return Standing(s.sra_deg, s.vta_deg, s.azimuth_deg, s.zenith_deg, -s.cantilever_yaw_deg)


def square_turn(zenith_deg: ArrayLike, tilt_deg: ArrayLike, roll_deg: ArrayLike) -> Floats:
    """Turn, + = clockwise seen from above, that lays the edge square across the groove [degrees]."""
    return stance(0.0, zenith_deg=zenith_deg, roll_deg=roll_deg, tilt_deg=tilt_deg).zenith_deg


def solve(
    sra_deg: ArrayLike,
    vta_deg: ArrayLike,
    room_deg: ArrayLike,
    policy: Policy,
    *,
    lean_deg: ArrayLike = 0.0,
    zenith_deg: ArrayLike = 0.0,
    roll_deg: ArrayLike = 0.0,
) -> Setting:
    """Tilt and turn that suit the policy under a given roll.

    Parameters
    ----------
    sra_deg, vta_deg, lean_deg, zenith_deg : array_like
        Readings on a level body [degrees]. NaN rake: the tracking angle decides; NaN tracking angle: the
        rake; NaN zenith: no turn.
    room_deg : array_like
        Largest tilt [degrees]; NaN = no upper end.
    policy : Policy
    roll_deg : array_like, optional
        Roll of the body, + = clockwise facing the nose [degrees].
    """
    zenith = np.asarray(zenith_deg, dtype=float)
    tilt = choose_tilt(sra_deg, vta_deg, room_deg, policy).tilt_deg
    for _ in range(_ROUNDS):
        turn = np.nan_to_num(square_turn(zenith, tilt, roll_deg))
        s = stand(sra_deg, vta_deg, lean_deg=lean_deg, tilt_deg=tilt, roll_deg=roll_deg, turn_deg=turn)
        tilt = choose_tilt(s.rake - tilt, s.tracking - tilt, room_deg, policy).tilt_deg
    tilt, roll, turn = np.broadcast_arrays(tilt, roll_deg, np.nan_to_num(square_turn(zenith, tilt, roll_deg)))
    return Setting(tilt, np.asarray(roll, dtype=float), turn)
