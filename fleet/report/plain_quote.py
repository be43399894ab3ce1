"""A quote in an owner's words: what can be promised, what may happen, what the workshop needs to know."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fleet.numerals import figure, unknown
from fleet.quotes.value_of_information import WORTH_ASKING
from fleet.report.paper import Section

if TYPE_CHECKING:
    import pandas as pd

    from fleet.quotes.value_of_information import Information

SURE_FROM: Final = 0.95
"""From this chance on an outcome may be promised, below the rest of it ruled out (our choice)."""
OUTCOMES: Final = {
    "p_both_met": (
        "one tilt of the body brings both angles to where they belong",
        "no tilt of the body brings both angles to where they belong: the rake goes first",
        "in about {} of 20 such pickups one tilt of the body brings both angles to where they belong, in the "
        "others the rake goes first",
    ),
    "p_made_wedge": (
        "a wedge has to be made to measure for it",
        "no wedge has to be made for it",
        "in about {} of 20 a wedge has to be made to measure",
    ),
}
"""What surely comes, what surely doesn't, and what may, as an owner would say it."""
WITHOUT_RAKE: Final = (
    "a tilt of the body brings the tracking angle to where it belongs",
    "no tilt of the body brings the tracking angle to where it belongs",
    "in about {} of 20 such pickups a tilt of the body brings the tracking angle to where it belongs",
)
"""The first of them for a spherical stylus, which has no rake."""
NEEDS: Final = {
    "body_family": "maker and model",
    "stylus_profile": "the shape of the stylus, as its papers call it",
    "cantilever_material": "what the cantilever is made of",
    "assembly_source": "who fitted stylus and cantilever last",
    "generator": "moving magnet, moving coil or another",
    "vtf_mn": "the tracking force that you use",
    "compliance_um_per_mn": "the compliance, and at which frequency its papers tell it",
    "cantilever_length_mm": "the length of the cantilever",
    "tilt_room_deg": "how far the body may be tilted before it nears the record",
    "sra_static_by_photo": "a sharp photo of the stylus straight from the side, standing on a record at rest",
    "vta_dynamic_by_photo": "a sharp photo of the cantilever straight from the side, with a record turning",
}
"""Facts that an owner may be asked for; earlier readings of the very pickup are asked for in any case."""
MOST_NEEDS: Final = 3
MOST_OF: Final = 100


def plain_words(row: pd.Series, currency: str = "", asked: Information | None = None) -> Section:
    """Say a quote without a term of the bench.

    Parameters
    ----------
    row : the quote's row.
    currency : of its prices; without a price nothing is said of money.
    asked : what would narrow it; nothing is asked for without it.
    """
    promised, open_ = [], []
    spherical = {"p_both_met": WITHOUT_RAKE} if unknown(row["p_rake_met"]) else {}
    for name, (comes, stays_away, may_come) in (OUTCOMES | spherical).items():
        chance = float(row[name])
        if unknown(chance):
            continue
        if chance >= SURE_FROM:
            promised.append(comes)
        elif chance <= 1.0 - SURE_FROM:
            promised.append(stays_away)
        else:
            open_.append(may_come.format(round(20 * chance)))
    minutes, most = (figure(row[f"bench_minutes_{q}"], "", 0) for q in ("q50", "q95"))
    faulty = float(row["p_faulty"])
    if not unknown(faulty) and faulty > 1.0 / MOST_OF:
        open_.append(
            f"about 1 of {round(1.0 / faulty)} such pickups turns out faulty: you then hear from us before "
            "we go on"
        )
    lines = [
        f"What can be promised: {'; '.join(promised)}." if promised else
        "What can be promised: an honest reading of what it does; no result before it was on the bench.",
        f"What may happen: {'; '.join(open_)}." if open_ else "",
        f"How long it takes: about {minutes} minutes at the bench; one in twenty takes more than {most}.",
        _cost(row, currency),
    ]  # fmt: skip
    if asked is not None:
        worth = asked.table[asked.table["worth"] >= WORTH_ASKING]
        needs = [NEEDS[fact] for fact in worth["fact"] if fact in NEEDS][:MOST_NEEDS]
        asks = [*needs, "any earlier reading of its angles, with the day"]
        lines.append(f"What we need to know from you: {'; '.join(asks)}.")
    return Section("In plain words", tuple(line for line in lines if line))


def _cost(row: pd.Series, currency: str) -> str:
    """What it costs, with its range; empty where the policy has no rate."""
    low, quoted, high = (float(row[f"price_{end}"]) for end in ("low", "quoted", "high"))
    if unknown(quoted):
        return ""
    money = f" {currency}".rstrip()
    return f"What it costs: about {quoted:g}{money}, by how long it takes from {low:g} to {high:g}{money}."
