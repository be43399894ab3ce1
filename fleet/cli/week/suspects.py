"""List the units that are not normal for their kind: `fleet suspects`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.common import PriorOption, say
from fleet.cli.tables import table
from fleet.errors import FleetError
from fleet.numerals import percent_spans, percents
from fleet.words import NO_REPAIR, fault_words, quantity

if TYPE_CHECKING:
    from fleet.faults.group_drift import Groups
    from fleet.faults.suspects import Suspects
    from fleet.store import Store


def suspects(
    fdr: Annotated[
        float,
        typer.Option("--fdr", min=0.0001, max=0.5, help="Share of false alarms that the list may hold."),
    ] = 0.05,
    most: Annotated[int, typer.Option("--most", min=1, help="Suspects shown on the terminal.")] = 20,
    of_groups: Annotated[
        bool, typer.Option("--groups", help="Sources and families that drift or spread, instead.")
    ] = False,
    verdicts: Annotated[
        bool, typer.Option("--verdicts", help="How often flags turned out right, instead.")
    ] = False,
    prior: PriorOption = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """List the units that are not normal for their kind, with what is probably wrong.

    --out writes a row for every sheet, flagged or not.
    """
    if of_groups and verdicts:
        raise FleetError("--groups and --verdicts are two questions; ask one at a time.")
    where = common.the_store(store).open()
    if of_groups:
        from fleet.faults.group_drift import groups

        show_groups(groups(common.the_house(where), where.current()), out)
        return

    from fleet.faults.suspects import USED
    from fleet.faults.suspects import suspects as find
    from fleet.store import pick_sheets

    chosen = common.policies_from(policy, policy_name, keep_in=where)["default"]
    with where.held():
        house = common.the_house(where)
        units = pick_sheets(where, ["purpose", *sorted(USED)], coded=True)
        believed, every = common.prior_for(where, prior), verdicts or out is not None
    found = find(house, units, fdr=fdr, prior=believed, policy=chosen, most=None if every else most)
    if verdicts:
        show_record(found, where, out)
    elif common.write_out(found.table, out) and out is None:
        show_suspects(found, most=most)


def show_suspects(found: Suspects, *, most: int, one_a_cause: bool = False) -> None:
    """Print the list for a reader: the sentence, the foremost suspects, why.

    Parameters
    ----------
    found : what was judged.
    most : units shown at most.
    one_a_cause : whether only the foremost of each probable cause is shown.
    """
    say(found.sentence)
    units = found.table[found.table["flagged"]].drop_duplicates("unit")
    if units.empty:
        return
    causes = units["leading_fault"].value_counts()
    said = ", ".join(f"{fault_words(str(fault))} {count}" for fault, count in causes.items())
    say(f"Probably: {said}.")
    flagged = (units.drop_duplicates("leading_fault") if one_a_cause else units).head(most)
    faults = [str(fault) for fault in flagged["leading_fault"]]
    chance = [row.get(f"p_{fault}") for row, fault in zip(flagged.to_dict("records"), faults, strict=True)]
    columns: dict[str, list[Any]] = {
        "sheet": list(flagged["sheet_no"]),
        "measured": list(flagged["measured_on"]),
        "q": ["<0.0001" if q < 1e-4 else f"{q:.4f}" for q in flagged["q_value"]],
        "probably": [fault_words(fault) for fault in faults],
        "chance": percents(chance),
    }
    say(table(columns))
    say()
    for sheet, why in zip(flagged["sheet_no"], flagged["why"], strict=True):
        say(f"  {sheet}: {why}")
    if len(units) > len(flagged):
        say(f"  ... and {len(units) - len(flagged)} more; --most shows them, --out FILE writes them all.")
    say(NO_REPAIR)


_CLOSEST_SHOWN: Final = 5


def show_record(found: Suspects, store: Store, out: str | None) -> None:
    """Print or write how often the flags were right."""
    from fleet.faults.verdicts import flag_record
    from fleet.store import list_verdicts

    record = flag_record(found.table, list_verdicts(store))
    if not common.write_out(record.table, out) or out is not None:
        return
    say(record.sentence)
    shown = record.table
    rates = shown[["faulty_low", "faulty_high", "right_low", "right_high"]].to_numpy(dtype=float)
    say(
        table(
            {
                "flagged as": [fault_words(str(fault)) for fault in shown["leading_fault"]],
                "flagged": list(shown["flagged"]),
                "verdicts": list(shown["with_verdict"]),
                "faulty": list(shown["faulty"]),
                "faulty, 95 %": percent_spans(*rates.T[:2]),
                "as named": list(shown["right_fault"]),
                "as named, 95 %": percent_spans(*rates.T[2:]),
            }
        )
    )
    say("Record a verdict: fleet verdict SHEET confirmed FAULT, or healthy, or other_fault.")


def show_groups(found: Groups, out: str | None) -> None:
    """Print or write which sources and families drift or spread."""
    if not common.write_out(found.table, out) or out is not None:
        return
    say(found.sentence)
    alarms = found.table[found.table["alarm"]]
    for why in alarms["why"]:
        say(f"  {why}")
    rest = found.table[~found.table["alarm"]].head(_CLOSEST_SHOWN)
    if rest.empty:
        return
    say("Nearest to an alarm, which chance explains:" if alarms.empty else "Next, which chance explains:")
    say(
        table(
            {
                "group": [f"{kind} {name}" for kind, name in zip(rest["kind"], rest["group"], strict=True)],
                "reading": [quantity(str(link)).long for link in rest["link"]],
                "check": [str(check).replace("_", " ") for check in rest["check"]],
                "units": list(rest["units"]),
                "chance, all checks": percents(rest["p_adjusted"]),
            }
        )
    )
