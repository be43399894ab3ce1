"""Give both alignment figures for a zenith error: `fleet zenith`."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from fleet.cli import common
from fleet.cli.bench.arm_options import LengthOption, Limits, LimitsOption
from fleet.cli.column_options import typed_row, with_columns
from fleet.cli.common import HANDLING, say
from fleet.cli.tables import table, unknown
from fleet.columns import COLUMNS
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.alignment.zenith import ZenithAdvice

_ZENITH_FACTS: Final = {
    name: COLUMNS[name] for name in ("zenith_deg", "vta_dynamic_deg", "roll_applied_deg", "stylus_profile")
}
_USUAL_VTA_DEG: Final = 20.0
"""Where the tracking angle wasn't read (IEC 60098:2020, 6.1); it matters only under a roll."""


@with_columns(_ZENITH_FACTS)
def zenith(
    limits: LimitsOption = Limits.IEC,
    effective_length_mm: LengthOption = 230.0,
    out: common.OutOption = None,
    **readings: str | None,
) -> None:
    """Give both alignment figures for a zenith error, the sense of the correction and what it costs.

    Needs no store.
    """
    from fleet.alignment.zenith import judge_zenith, usual_alignment
    from fleet.output import check_out

    check_out(out)
    row = typed_row({**dict.fromkeys(_ZENITH_FACTS), **readings}, _ZENITH_FACTS)[0].iloc[0]
    if row["stylus_profile"] == "spherical":
        raise FleetError("a spherical stylus has no contact edge, so no zenith to align.")
    if unknown(float(row["zenith_deg"])):
        raise FleetError("--zenith-deg is needed: + = clockwise with the stylus pointing at the eye.")
    vta, rolled = float(row["vta_dynamic_deg"]), float(row["roll_applied_deg"])
    profile = None if unknown(row["stylus_profile"]) else str(row["stylus_profile"])
    advice = judge_zenith(
        float(row["zenith_deg"]),
        vta_deg=_USUAL_VTA_DEG if unknown(vta) else vta,
        roll_deg=0.0 if unknown(rolled) else rolled,
        stylus_profile=profile,
        alignment=usual_alignment(effective_length_mm, limits.value),
        limits=limits.value,
    )
    if not common.write_out(_zenith_table(advice), out) or out is not None:
        return
    _show_zenith(advice)
    if profile is None:
        say("The stylus profile wasn't told: the skew is that of a sharp edge, the worst case (--stylus).")
    if unknown(vta) and not unknown(rolled) and rolled != 0.0:
        say(f"The tracking angle wasn't told: {_USUAL_VTA_DEG:g}° was taken (--vta-dynamic-deg).")
    say("A corrected alignment is no repair of a twisted stylus.")
    say(HANDLING)


def _zenith_table(advice: ZenithAdvice) -> pd.DataFrame:
    """One row for the straight body and one for the turned one."""
    import pandas as pd

    costs = pd.DataFrame([asdict(advice.before), asdict(advice.after)])
    shares = advice.roll_share_deg, advice.cantilever_stands_deg
    costs.insert(0, "body", ["straight", "turned"])
    costs.insert(1, "body_turn_deg", [0.0, advice.body_turn_deg])
    costs.insert(2, "cantilever_stands_deg", list(shares))
    return costs


def _show_zenith(advice: ZenithAdvice) -> None:
    from fleet.alignment.zenith import sense_from_above

    say(advice.sentence)
    before, after = advice.before, advice.after
    columns: dict[str, list[Any]] = {
        "": [
            "body, seen from above",
            "cantilever seems to stand, from above",
            "skew between the channels, worst [µs]",
            "tracking distortion, worst [%]",
            "tracking distortion, rms [%]",
        ],
    }
    stands = advice.roll_share_deg, advice.cantilever_stands_deg
    for heading, turn, stand, cost in zip(
        ("straight", "turned"), (0.0, advice.body_turn_deg), stands, (before, after), strict=True
    ):
        columns[heading] = [
            sense_from_above(turn),
            sense_from_above(stand),
            f"{cost.skew_worst_us:.1f}",
            f"{100 * cost.tracking_worst:.2f}",
            f"{100 * cost.tracking_rms:.2f}",
        ]
    say(table(columns))
