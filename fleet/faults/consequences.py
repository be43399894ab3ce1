"""What a fault means for the owner: which target is out of reach, and what it costs.

Costs are those of a stated case, so that two units can be compared: second harmonic of vertical signals of
5 cm/s peak at the innermost groove of a record cut at 20 degrees (IEC 60098:2020, 6.1; real records differ);
tracking distortion and skew at their worst along a side on a usual arm (see `fleet.alignment.zenith`);
crosstalk of an otherwise ideal generator that stands turned by d: 20 log10 tan d (derived).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fleet.alignment.readings import noise_of, room_limits, worth_doing
from fleet.alignment.solve import solve, stand
from fleet.alignment.tilt import BOTH, NEITHER, RAKE_ONLY, not_worth_it, outcome_at, reach
from fleet.alignment.zenith import groove_limits, turn_cost, usual_alignment
from fleet.faults.signatures import BUILT_IN, SAG, TRACKING
from fleet.house_model.chain import SPHERICAL
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import Residuals
from fleet.numerals import percent, percent_span
from fleet.physics import distortion
from fleet.policy.policy import Policy
from fleet.rows import Columns, Floats, numbers

TILTED: Final = ("rake_set_wrong", "cantilever_angle", "suspension_soft", "suspension_stiff")
"""Faults that move rake and tracking angle, so that the tilt has to make up for them."""
RECORDED_DEG: Final = 20.0
INNERMOST_MM: Final = groove_limits("iec").inner_mm
LEAST_TILT_DEG: Final = 0.05
LEAST_DEG: Final = 0.3
"""A generator that stands nearer to upright than that shows no crosstalk worth a word."""
NEEDED: Final = (
    "sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg", "zenith_deg", "azimuth_optical_deg",
    "azimuth_electrical_deg", "channel_balance_db",
)  # fmt: skip


def meanings(
    sheets: Columns,
    resid: Residuals,
    rows: NDArray[np.int64],
    faults: Sequence[str],
    policy: Policy,
    *,
    house: House | None = None,
) -> list[str]:
    """What each of some sheets' likeliest fault means for the owner.

    Parameters
    ----------
    sheets : bench sheets, canonical columns, in the order of ``resid``
    resid : residuals of all sheets
    rows : (k,) which sheets are asked about
    faults : (k,) likeliest fault of each, words of `fleet.faults.signatures.FAULTS`
    policy : the target policy
    house : predicts the tilt room where it wasn't read; without one it is taken as endless

    Returns
    -------
    list of str
        A clause with figures for each; empty where the readings it needs weren't taken, and for faults whose
        price nobody can name.
    """
    read = {name: numbers(sheets, name)[rows] for name in NEEDED}
    profile = np.asarray(resid.observed["profile"], dtype=object)[rows]
    read["tilt_room_deg"] = room_limits(read["tilt_room_deg"], resid, rows, house)
    targets = _targets(read, profile, resid.expected[rows], policy, noise_of(house))
    out = []
    for k, fault in enumerate(faults):
        one = {name: float(values[k]) for name, values in read.items()}
        if fault in TILTED:
            out.append(targets[k])
        elif fault == "stylus_twisted":
            out.append(_twisted(one["zenith_deg"], str(profile[k])))
        elif fault == "weak_channel":
            out.append(_weak(one["channel_balance_db"]))
        else:
            out.append(_rolled(fault, one["azimuth_optical_deg"], one["azimuth_electrical_deg"]))
    return out


def _targets(
    read: dict[str, Floats],
    profile: NDArray[np.object_],
    expected: Floats,
    policy: Policy,
    noise: Mapping[str, float],
) -> list[str]:
    """Whether a tilt serves rake and tracking angle, here and in a sound unit of the kind."""
    sra, vta, room = (read[n] for n in ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg"))
    spherical = profile == SPHERICAL
    sra = np.where(spherical, np.nan, sra)
    kind_vta = expected[:, TRACKING] - np.where(spherical, 0.0, expected[:, SAG])
    kind_sra = np.where(spherical, np.nan, kind_vta + expected[:, BUILT_IN])
    zenith = np.where(spherical, np.nan, read["zenith_deg"])
    space = {
        "lean_deg": read["azimuth_optical_deg"],
        "zenith_deg": np.where(worth_doing(zenith, noise["zenith_deg"]), zenith, np.nan),
        "roll_deg": _roll(read["azimuth_electrical_deg"], noise["azimuth_electrical_deg"]),
    }
    sd = (noise["sra_dynamic_deg"], noise["vta_dynamic_deg"])
    own = [_Stand(*f) for f in _stands(sra, vta, room, policy, sd, **space)]
    kind = [_Stand(*f) for f in _stands(kind_sra, kind_vta, room, policy, None)]
    read_all = ~np.isnan(vta) & (spherical | ~np.isnan(sra))
    return [
        (_in_reach(o, bool(sp)) if o.both else _out_of_reach(o, k, bool(sp))) if there else ""
        for o, k, sp, there in zip(own, kind, spherical, read_all, strict=True)
    ]


class _Stand(NamedTuple):
    """Where a unit stands at the tilt that the policy prefers, or level where an alignment would leave it."""

    both: bool
    outcome: int
    tilt_deg: float
    left: bool
    rake_deg: float
    tracking_deg: float
    cost: float


def _roll(electrical_deg: Floats, sd: float) -> Floats:
    """The roll that an alignment would advise."""
    return np.where(worth_doing(electrical_deg, sd), -electrical_deg, 0.0)


def _stands(
    sra: Floats, vta: Floats, room: Floats, policy: Policy, sd: tuple[float, float] | None, **space: Floats
) -> Iterator[tuple[Any, ...]]:
    """Where units stand with the tilt (and roll and turn) that their alignment asks for.

    With the readings' noise, a tilt that an alignment would leave is left: then they stand level.
    """
    put = solve(sra, vta, room, policy, **space)
    tilted = stand(sra, vta, **space, tilt_deg=put.tilt, turn_deg=put.turn)
    if sd is None:
        left = np.zeros(len(sra), dtype=bool)
    else:
        level = stand(sra, vta, **space, turn_deg=put.turn)
        left = not_worth_it(
            put.tilt, (level.rake, level.tracking), (tilted.rake, tilted.tracking), sd, policy
        )
    s = stand(sra, vta, **space, tilt_deg=np.where(left, 0.0, put.tilt), turn_deg=put.turn)
    outcome = outcome_at(0.0, s.rake, s.tracking, policy)
    both = reach(sra, vta, room, policy).both
    columns = (both, outcome, put.tilt, left, s.rake, s.tracking, _vertical(s.tracking))
    return zip(*columns, strict=True)


def _in_reach(own: _Stand, spherical: bool) -> str:
    served = "the tracking angle" if spherical else "rake and tracking angle"
    if own.left and abs(own.tilt_deg) >= LEAST_TILT_DEG:
        return (
            f"leave the tilt: {own.tilt_deg:+.1f}° for {served} is smaller than its doubt and gains nothing"
        )
    if own.outcome != BOTH:
        return f"some tilt still serves {served}, at the edge of the rake's band"
    if abs(own.tilt_deg) < LEAST_TILT_DEG:
        return f"no tilt is needed for {served}"
    return f"a tilt of {own.tilt_deg:+.1f}° still serves {served}"


def _out_of_reach(own: _Stand, kind: _Stand, spherical: bool) -> str:
    price = f"{own.tracking_deg:.1f}°, about {percent(own.cost, 1)} distortion of vertical signals"
    if spherical:
        text = f"out of reach: the tracking angle ({price})"
        sound = f"at {kind.tracking_deg:.1f}°"
    elif own.outcome == RAKE_ONLY:
        text = f"out of reach: the tracking angle (with the rake at {own.rake_deg:.1f}° it is {price})"
        sound = f"at {kind.tracking_deg:.1f}° ({percent(kind.cost, 1)})"
    else:
        where = "level" if own.left else f"at the furthest tilt, {own.tilt_deg:+.1f}°"
        text = f"out of reach: the rake ({own.rake_deg:.1f}° {where})"
        text += f" and the tracking angle ({price})" if own.outcome == NEITHER else ""
        sound = f"at a rake of {kind.rake_deg:.1f}° and a tracking angle of {kind.tracking_deg:.1f}°"
    if own.left and abs(own.tilt_deg) >= LEAST_TILT_DEG:
        text += f"; leave the tilt: {own.tilt_deg:+.1f}° gains nothing worth it"
    if np.isnan(kind.tracking_deg):
        return text
    meets = "meets its targets" if kind.both else f"stands {sound}"
    return f"{text}; a sound one of its kind {meets}"


def _vertical(stands: Floats) -> Floats:
    """Second harmonic (a ratio) of the stated vertical signal at a tracking angle."""
    return np.asarray(distortion.vertical_distortion(stands, RECORDED_DEG, radius_mm=INNERMOST_MM))


def _twisted(zenith_deg: float, profile: str) -> str:
    if np.isnan(zenith_deg) or profile == SPHERICAL:
        return ""
    skew, straight_skew, before, after = _zenith_costs(round(zenith_deg, 1), profile)
    return (
        f"left alone, the channels stand up to {skew:.1f} µs apart; with the body turned to cure it "
        f"{straight_skew:.1f} µs, but tracking distortion goes "
        f"from {percent_span(before, after, 1)}"
    )


@lru_cache(maxsize=4096)
def _zenith_costs(zenith_deg: float, profile: str) -> tuple[float, float, float, float]:
    """Worst skew [µs] and tracking distortion (ratios), body straight and turned."""
    before, after = (
        turn_cost(turn, zenith_deg, usual_alignment(), groove_limits("iec"), profile or None)
        for turn in (0.0, zenith_deg)
    )
    return before.skew_worst_us, after.skew_worst_us, before.tracking_worst, after.tracking_worst


def _weak(balance_db: float) -> str:
    if np.isnan(balance_db):
        return ""
    return f"the {'right' if balance_db > 0.0 else 'left'} channel plays {abs(balance_db):.1f} dB quieter"


def _rolled(fault: str, seen_deg: float, electrical_deg: float) -> str:
    """What roll can and can't do where diamond and generator stand apart."""
    apart = seen_deg - electrical_deg
    if np.isnan(electrical_deg):
        return ""
    if fault == "stylus_canted":
        if np.isnan(apart) or abs(apart) < LEAST_DEG:
            return ""
        return (
            f"with the diamond upright the generator would stand {abs(apart):.1f}° off, which {_holds(apart)}"
        )
    if fault not in ("generator_rolled", "assembly_rolled") or abs(electrical_deg) < LEAST_DEG:
        return ""
    sense = "anticlockwise" if electrical_deg > 0.0 else "clockwise"
    text = f"left alone it {_holds(electrical_deg)}; a roll of {abs(electrical_deg):.1f}° {sense} cures that"
    return text if np.isnan(apart) else f"{text} and leaves the diamond leaning {abs(apart):.1f}°"


def _holds(off_deg: float) -> str:
    level = 20.0 * np.log10(np.tan(np.radians(abs(off_deg))))
    return f"holds crosstalk at {level:.0f} dB by itself"
