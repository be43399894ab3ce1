"""Commands for setting up: roll from electrical readings, zenith alignment, the wedge drawer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.bench import HANDLING
from fleet.cli.common import say
from fleet.cli.facts import typed_row, with_columns
from fleet.cli.tables import percent, table, unknown
from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from fleet.judgements.policy import Policy

_ROLL_COLUMNS: Final = {
    "setting": Column("setting", "code", required=True, note="any name"),
    "roll_deg": replace(COLUMNS["roll_applied_deg"], name="roll_deg", required=True),
    **{
        name: COLUMNS[name]
        for name in (
            "crosstalk_l_to_r_db",
            "crosstalk_r_to_l_db",
            "crosstalk_phase_l_to_r_deg",
            "crosstalk_phase_r_to_l_deg",
            "channel_balance_db",
        )
    },
}
_ZENITH_FACTS: Final = {
    name: COLUMNS[name] for name in ("zenith_deg", "vta_dynamic_deg", "roll_applied_deg", "stylus_profile")
}
_USUAL_VTA_DEG: Final = 20.0
"""Where the tracking angle wasn't read (IEC 60098:2020, 6.1); it matters only under a roll."""


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    app.command(rich_help_panel=common.BENCH_PANEL)(roll)
    app.command(rich_help_panel=common.BENCH_PANEL)(zenith)
    app.command(rich_help_panel=common.REVIEW_PANEL)(wedges)


def roll(
    file: Annotated[Path, typer.Argument(help="One row a roll setting; - is CSV on standard input.")],
    now: Annotated[
        str | None,
        typer.Option("--now", metavar="SETTING", help="The setting it stands in; the first if left out."),
    ] = None,
    lateral: Annotated[
        bool, typer.Option("--lateral", help="The balance was read on a lateral signal.")
    ] = False,
) -> None:
    """Propose the body roll that suits crosstalk, its phase and the balance best.

    The file has the columns setting, roll_deg (+ = clockwise facing the nose), the four crosstalk columns and
    channel_balance_db of a bench sheet. Needs no store.
    """
    from fleet.intake.checks import check_table
    from fleet.intake.reader import read_table
    from fleet.judgements.roll import judge_roll

    checked = check_table(read_table(file, _ROLL_COLUMNS), _ROLL_COLUMNS, key=None)
    if checked.faults:
        raise FleetError(f"{'; '.join(str(fault) for fault in checked.faults)}.")
    advice = judge_roll(checked.good.reset_index(drop=True), now=now, lateral_balance=lateral)
    say(advice.sentence)
    for caution in (*advice.cautions, HANDLING):
        say(caution)


@with_columns(_ZENITH_FACTS)
def zenith(**readings: str | None) -> None:
    """Give both alignment figures for a zenith error, the sense of the correction and what it costs.

    Needs no store.
    """
    from fleet.judgements.zenith import judge_zenith

    row = typed_row({**dict.fromkeys(_ZENITH_FACTS), **readings}, _ZENITH_FACTS)[0].iloc[0]
    if row["stylus_profile"] == "spherical":
        raise FleetError("a spherical stylus has no contact edge, so no zenith to align.")
    if unknown(float(row["zenith_deg"])):
        raise FleetError("--zenith-deg is needed: + = clockwise with the stylus pointing at the eye.")
    vta, rolled = float(row["vta_dynamic_deg"]), float(row["roll_applied_deg"])
    advice = judge_zenith(
        float(row["zenith_deg"]),
        vta_deg=_USUAL_VTA_DEG if unknown(vta) else vta,
        roll_deg=0.0 if unknown(rolled) else rolled,
        stylus_profile=None if unknown(row["stylus_profile"]) else str(row["stylus_profile"]),
    )
    say(advice.sentence)
    say("A corrected alignment is no repair of a twisted stylus.")
    say(HANDLING)


def wedges(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="Enquiries to stock for; without it, the work done so far."),
    ] = None,
    most: Annotated[int, typer.Option("--most", min=1, max=20, help="Largest number of wedges to try.")] = 6,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Say which stock wedges belong in the drawer, and how much of the work each number of them serves."""
    from fleet.judgements.wedges import wedge_drawer
    from fleet.output import check_out

    check_out(out)
    policies = common.policies_from(policy, policy_name)
    tilts = _past_tilts(policies["default"], store) if file is None else _asked_tilts(file, policies, store)
    drawer = wedge_drawer(tilts, policies["default"], most=most)
    curve = drawer.curve.assign(
        angles_deg=[" ".join(f"{angle:g}" for angle in angles) for angles in drawer.curve["angles_deg"]]
    )
    if not common.write_out(curve, out) or out is not None:
        return
    say(drawer.sentence)
    columns: dict[str, list[object]] = {
        "wedges": list(curve["wedges"]),
        "angles [°]": [angles or "-" for angles in curve["angles_deg"]],
        "served": [percent(share) for share in curve["served"]],
        "still made to measure": [percent(share) for share in curve["made_to_measure"]],
    }
    say(table(columns, digits=0))
    say("Served: of the work that needs a wedge, in either sense; still made to measure: of all work.")
    say(f"Policy: {drawer.policy}.")


def _past_tilts(policy: Policy, store: Path | None) -> NDArray[np.float64]:
    """The tilt that the policy would have chosen for each unit measured so far."""
    import numpy as np

    from fleet.judgements.targets import column, counted, is_spherical
    from fleet.judgements.tilt import choose_tilt

    units = counted(common.the_store(store).open().current())
    sra = np.where(is_spherical(units), np.nan, column(units, "sra_dynamic_deg"))
    read = is_spherical(units) | ~np.isnan(sra)
    choice = choose_tilt(sra, column(units, "vta_dynamic_deg"), column(units, "tilt_room_deg"), policy)
    return np.asarray(choice.tilt_deg[read])


def _asked_tilts(file: Path, policies: dict[str, Policy], store: Path | None) -> NDArray[np.float64]:
    """The tilts that enquiries are expected to need, drawn jointly."""
    import numpy as np

    from fleet.intake import read_enquiries
    from fleet.judgements.quote import quote

    enquiries, faults = read_enquiries(file)
    if faults:
        common.warn("Left out:")
        common.show_faults(faults)
    if enquiries.empty:
        raise FleetError(f"{file} holds no enquiry to stock for.")
    quotes = quote(enquiries, common.the_house_or_cold(store), policies)
    return np.asarray(quotes.arrays["tilt_deg"])
