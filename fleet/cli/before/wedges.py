"""Say which stock wedges belong in the drawer: `fleet wedges`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, NamedTuple

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError
from fleet.numerals import NOT_KNOWN, percent, percents
from fleet.words import BENCH_DECIDES, CLEARANCE, HANDLING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from fleet.alignment.stock_wedges import Drawer
    from fleet.policy.policy import Policy

_WORTH_A_WEDGE: Final = 0.05
_MOST_LEFT: Final = 5
_DAYS_A_YEAR: Final = 365.25
_PAST_COLUMNS: Final = (
    "measured_on",
    "newest",
    "purpose",
    "stylus_profile",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "tilt_room_deg",
)


class Work(NamedTuple):
    """The work to stock for."""

    tilt_deg: NDArray[np.float64]
    words: str
    caution: str


def wedges(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE]", help="Enquiries to stock for; without it, the fleet's recent units."
        ),
    ] = None,
    most: Annotated[int, typer.Option("--most", min=1, max=20, help="Largest number of wedges to try.")] = 6,
    keep: Annotated[
        int | None,
        typer.Option(
            "--keep",
            min=0,
            max=20,
            metavar="N",
            help="List what N wedges leave to be made.",
            show_default=False,
        ),
    ] = None,
    years: Annotated[
        float, typer.Option("--years", min=0.1, max=100, help="How recent, back from the newest sheet.")
    ] = 3.0,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Say which stock wedges belong in the drawer, and how much of the work each number of them serves.

    From the tilts that a file of enquiries is expected to need or, without a file, from those that recent
    units in the store needed. --out writes the curve, a row a number of wedges.
    """
    from fleet.alignment.stock_wedges import wedge_drawer

    policies = common.policies_from(policy, policy_name)
    chosen = policies["default"]
    work = _past_work(chosen, store, years) if file is None else _asked_work(file, policies, store)
    drawer = wedge_drawer(work.tilt_deg, chosen, most=most)
    kept = worthwhile(drawer.curve) if keep is None else min(keep, len(drawer.curve) - 1)
    written = drawer.curve.assign(
        angles_deg=[" ".join(f"{angle:g}" for angle in angles) for angles in drawer.curve["angles_deg"]],
        policy=drawer.policy,
    )
    if common.write_out(written, out) and out is None:
        show_drawer(drawer, work, chosen, kept=kept)


def worthwhile(curve: pd.DataFrame) -> int:
    """The number of wedges after which one more adds less than a twentieth of the work that needs one."""
    gains = curve["gain"].tolist()
    small = [wedges for wedges in range(1, len(gains)) if gains[wedges] < _WORTH_A_WEDGE]
    return max(small[0] - 1, 1) if small else len(gains) - 1


def show_drawer(drawer: Drawer, work: Work, policy: Policy, *, kept: int) -> None:
    """Print the drawer for a reader: the sentence, the curve, what is left, which way round.

    Parameters
    ----------
    drawer : what each number of wedges serves.
    work : the tilts it was chosen for.
    policy : for the present stock and the tolerance.
    kept : the drawer whose rest is listed.
    """
    say(f"Stocked for {work.words}.")
    say(drawer.sentence)
    curve = drawer.curve
    columns: dict[str, list[object]] = {
        "wedges": list(curve["wedges"]),
        "angles [°]": [" ".join(f"{a:g}" for a in angles) or NOT_KNOWN for angles in curve["angles_deg"]],
        "served": [*percents(curve["served"])],
        "still made to measure": [*percents(curve["made_to_measure"])],
    }
    say(table(columns, digits=0))
    say(
        f"Served: within {policy.stock_tolerance_deg:g}° of a stock wedge, of the work that needs one; "
        "still made to measure: of all work."
    )
    _say_stock(work.tilt_deg, policy)
    _say_rest(work.tilt_deg, policy, tuple(curve["angles_deg"].iloc[kept]))
    _say_senses(work.tilt_deg, policy)
    if drawer.out_of_range > 0:
        low, high = policy.wedge_range_deg
        say(f"{percent(drawer.out_of_range)} of all work lies beyond what is made ({low:g} to {high:g}°).")

    for caution in (work.caution, CLEARANCE, HANDLING):
        say(caution)
    say(f"Policy: {drawer.policy}.")


def _say_stock(tilt_deg: NDArray[np.float64], policy: Policy) -> None:
    """How far the wedges that the policy says are in the drawer already go."""
    from fleet.policy.remedies import made_wedge

    if not policy.stock_wedges_deg:
        return
    needed = made_wedge(tilt_deg, policy.but(stock_wedges_deg=())).sum()
    made = made_wedge(tilt_deg, policy).sum()
    angles = ", ".join(f"{angle:g}°" for angle in policy.stock_wedges_deg)
    served = percent(1.0 - made / needed) if needed else "all"
    say(f"The wedges in stock now ({angles}) serve {served} of the work that needs one.")


def _say_rest(tilt_deg: NDArray[np.float64], policy: Policy, angles: tuple[float, ...]) -> None:
    from fleet.alignment.stock_wedges import left_over

    left = left_over(tilt_deg, angles, policy)
    drawer = ", ".join(f"{angle:g}°" for angle in angles) or "nothing"
    if left.empty:
        say(f"With {drawer} in the drawer nothing is left to be made.")
        return
    shown = left.head(_MOST_LEFT)
    listed = ", ".join(
        f"{angle:g}° ({percent(share)})"
        for angle, share in zip(shown["angle_deg"], shown["share"], strict=True)
    )
    more = f" and {len(left) - len(shown)} more angles" if len(left) > len(shown) else ""
    say(f"With {drawer} in the drawer, still made to measure (of all work): {listed}{more}.")


def _say_senses(tilt_deg: NDArray[np.float64], policy: Policy) -> None:
    """Which way round the wedges go in."""
    from fleet.policy.remedies import made_wedge

    needs = tilt_deg[made_wedge(tilt_deg, policy.but(stock_wedges_deg=()))]
    if not needs.size:
        return
    up = float((needs > 0).mean())
    say(
        f"Which way round: tail up (thin edge to the tail) {percent(up)}, tail down (thin edge to the nose) "
        f"{percent(1.0 - up)} of the work that needs a wedge."
    )


def _past_work(policy: Policy, store: Path | None, years: float) -> Work:
    """The tilt that the policy would have chosen for each unit measured lately."""
    import numpy as np
    import pandas as pd

    from fleet.alignment.targets import column, is_spherical, select_counted
    from fleet.alignment.tilt import choose_tilt

    units = select_counted(common.the_store(store).open().current(_PAST_COLUMNS))
    if units.empty:
        raise FleetError("the store holds no unit to stock for; take sheets in or name a file of enquiries.")
    days = pd.to_datetime(units["measured_on"])
    last = days.max()
    recent = units[(days > last - pd.Timedelta(days=years * _DAYS_A_YEAR)).to_numpy()]
    spherical = is_spherical(recent)
    sra = np.where(spherical, np.nan, column(recent, "sra_dynamic_deg"))
    vta = column(recent, "vta_dynamic_deg")
    read = (spherical | ~np.isnan(sra)) & ~np.isnan(vta)
    if not read.any():
        raise FleetError("no recent unit has both rake and tracking angle read; try more --years.")
    tilt = np.asarray(choose_tilt(sra, vta, column(recent, "tilt_room_deg"), policy).tilt_deg[read])
    words = f"the tilts that {read.sum()} units of the {years:g} years up to {last:%Y-%m-%d} needed"
    return Work(tilt, words, "Coming work may differ from past work: the bench decides.")


def _asked_work(file: Path, policies: dict[str, Policy], store: Path | None) -> Work:
    """The tilts that enquiries are expected to need, drawn jointly; each under its own policy."""
    import numpy as np

    from fleet.intake import read_enquiries
    from fleet.quotes.quote import quote

    enquiries, faults = read_enquiries(file)
    if faults:
        common.warn("Left out:")
        common.show_faults(faults)
    if enquiries.empty:
        raise FleetError(f"{file} holds no enquiry to stock for.")
    quotes = quote(enquiries, common.the_house_or_cold(store), policies)
    tilt = np.asarray(quotes.arrays["tilt_deg"], dtype=float).ravel()
    number = len(enquiries)
    words = f"the tilts that {number} {'enquiry is' if number == 1 else 'enquiries are'} expected to need"
    return Work(tilt, words, BENCH_DECIDES)
