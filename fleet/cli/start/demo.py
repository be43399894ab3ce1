"""Run the whole job once on an invented bench: `fleet demo`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.store import Store

STORE_NAME: Final = "fleet.duckdb"
_FEW: Final = 5
_ROLL: Final = """\
setting,roll_deg,crosstalk_l_to_r_db,crosstalk_r_to_l_db,crosstalk_phase_l_to_r_deg,crosstalk_phase_r_to_l_deg
level,0.0,-31.4,-32.5,164,25
clockwise,1.0,-27.7,-27.8,172,12
anticlockwise,-1.0,-39.8,-40.6,144,60
"""
"""Invented electrical readings of one pickup at three rolls, for `fleet roll`."""


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to; made if it isn't there.")] = Path("demo"),
) -> None:
    """Make an invented bench and run the main job on it: intake, model, quotes, suspects, attainment.

    Takes well under a minute. The bench's files and the tables made from them stay in the folder.
    """
    from fleet.store import Store
    from synthetic_data.demo import DEMO_LABEL, DEMO_SEED, demo_fleet
    from synthetic_data.watch import gauge_study
    from synthetic_data.world import WorldSpec

    say(DEMO_LABEL)
    try:
        demo_fleet(folder)
        (folder / "demo-roll.csv").write_text(_ROLL, encoding="utf-8")
        study, _ = gauge_study(WorldSpec(seed=DEMO_SEED), operator_sd_deg=0.15)
        study.to_csv(folder / "demo-gauge.csv", index=False)
    except OSError as error:
        raise FleetError(
            f"cannot write to {folder}: {(error.strerror or 'no reason told').lower()}."
        ) from error
    store = Store(folder / STORE_NAME)
    _intake(store, folder)
    from fleet.cli.week.refit import tell_refit
    from fleet.fitting.refit import refit

    say("\n2. Fit the house model (fleet refit)")
    with common.progress() as tell:
        done = refit(store, progress=tell)
    tell_refit(done.house)
    say(done.sentence)
    _quotes(store, folder)
    _suspects(store, folder)
    _attainment(store, folder)
    say(f"\nAll files are in {folder}. Look around with:")
    for words in (
        "status",
        "quote --kind line_contact/boron",
        "dashboard",
    ):
        say(f"  fleet --store {store.path} {words}")
    say("  fleet explain")


def _intake(store: Store, folder: Path) -> None:
    from fleet.intake import intake_file

    say("\n1. Take the bench sheets in (fleet intake)")
    report = intake_file(store, folder / "demo-sheets.csv")
    say(report.sentence)
    if report.put_aside:
        raise FleetError(f"{folder} holds another demo already; delete it or name another folder.")


def _quotes(store: Store, folder: Path) -> None:
    import pandas as pd

    from fleet.cli.week.quote import show_quotes
    from fleet.intake import read_enquiries
    from fleet.quotes.quote import quote

    say("\n3. Quote the enquiries (fleet quote)")
    enquiries, _ = read_enquiries(folder / "demo-enquiries.csv")
    policies = common.policies_from(None, None)
    quotes = quote(enquiries, common.the_house(store), policies)
    show_quotes(quotes, policies, most=_FEW)
    common.write_out(quotes.table, str(folder / "quotes.csv"))
    say(came_true(quotes.table, pd.read_csv(folder / "demo-outcomes.csv")))


def came_true(quotes: pd.DataFrame, outcomes: pd.DataFrame) -> str:
    """How many of the bench's later readings the ranges of nine in ten held, in one sentence.

    Parameters
    ----------
    quotes : the quotes' table.
    outcomes : what the bench then read, with `enquiry_id`.
    """
    both = quotes.merge(outcomes, on="enquiry_id", validate="one_to_one")
    read = {
        "sag": ("sag_deg", both["sra_static_deg"] - both["sra_dynamic_deg"]),
        "rake": ("sra_dynamic_deg", both["sra_dynamic_deg"]),
        "tracking angle": ("vta_dynamic_deg", both["vta_dynamic_deg"]),
    }
    held = []
    for words, (name, value) in read.items():
        told = value.notna() & both[f"{name}_q05"].notna()
        inside = value.between(both[f"{name}_q05"], both[f"{name}_q95"])[told]
        held.append(f"{words} {inside.sum()} of {told.sum()}")
    return f"These units were measured later; the ranges of nine in ten held: {', '.join(held)}."


def _suspects(store: Store, folder: Path) -> None:
    import pandas as pd

    from fleet.cli.week.suspects import show_suspects
    from fleet.faults.suspects import suspects

    say("\n4. Find the units that are not normal for their kind (fleet suspects)")
    sheets = store.current()
    found = suspects(common.the_house(store), sheets[sheets["purpose"] == "unit"])
    show_suspects(found, most=_FEW, one_a_cause=True)
    common.write_out(found.table, str(folder / "suspects.csv"))
    say(were_faulty(found.table, pd.read_csv(folder / "demo-known-faults.csv")))


def were_faulty(judged: pd.DataFrame, known: pd.DataFrame) -> str:
    """How the list compares with the faults that the invented world really holds, in one sentence.

    Parameters
    ----------
    judged : the table of suspects.
    known : `sheet_no`, `fault` of every sheet with a fault or a slip.
    """
    truth = judged["sheet_no"].map(known.set_index("sheet_no")["fault"])
    newest = judged.assign(truth=truth).sort_values("score", ascending=False)
    units = newest.groupby("unit", sort=False).agg(
        flagged=("flagged", "first"), leading=("leading_fault", "first"), truth=("truth", "first")
    )
    faulty = units["truth"].notna()
    hits = units[units["flagged"] & faulty]
    named = (hits["leading"] == hits["truth"]).sum()
    return (
        f"This world is invented, so the truth is known: {faulty.sum()} units have a fault or a slip in "
        f"their sheet; {len(hits)} of them are on the list, {named} with the right cause; "
        f"sound units on the list: {(units['flagged'] & ~faulty).sum()}."
    )


def _attainment(store: Store, folder: Path) -> None:
    from fleet.attainment.attainment import attainment
    from fleet.cli.week.attainment import show_attainment

    say("\n5. Review how often the targets were met (fleet attainment)")
    policy = common.policies_from(None, None)["default"]
    found = attainment(store.current(), ["stylus_profile"], policy)
    show_attainment(found, policy)
    common.write_out(found, str(folder / "attainment.csv"))
