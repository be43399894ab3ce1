"""The life of one unit: every visit, what changed between them, what corrections gave, verdicts, quotes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd

from fleet.errors import FleetError
from fleet.faults.after_correction import AfterCorrection, after_correction
from fleet.faults.change import STATES, Change, compare
from fleet.faults.likelihood_ratio import FaultPrior, score_sheets
from fleet.faults.one_unit import NULL_DRAWS
from fleet.faults.visits import in_order, is_retipped
from fleet.house_model.chain import READINGS
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.numerals import count, day, percent, unknown
from fleet.policy.own_target import OWN, REASON, own_target, target_words
from fleet.policy.policy import Policy
from fleet.results import Result
from fleet.words import HANDLING, NO_REPAIR, REMEDIES, fault_words, plain_word, quantity

SHOWN: Final = (*READINGS, "tilt_room_deg", "vtf_mn", "temperature_c")
DONE: Final = (
    "tilt_applied_deg",
    "roll_applied_deg",
    "remedy",
    "sra_after_deg",
    "vta_after_deg",
    *OWN,
    REASON,
)
TOLD: Final = ("sheet_no", "bench", "measured_on", "assembly", "hours_used", "peculiarities")


@dataclass(frozen=True, repr=False)
class Life(Result):
    """One unit's life.

    Attributes
    ----------
    visits : its sheets by day, with `assembly`, counted from 1: a retip starts anew
    changes : between each visit and the one before it of the same assembly, by the later sheet's place
    since_first : the same against the assembly's first visit, where that is another one
    corrections : what each visit's correction gave, by place; only where something was corrected
    p_healthy : (n,) chance that each sheet reads sound for its kind; NaN without a model
    verdicts : `recorded_on`, `outcome`, `fault`
    quotes : `issued_at` and figures of the quotes told for it
    sentence : the life in short
    """

    visits: pd.DataFrame
    changes: Mapping[int, Change]
    since_first: Mapping[int, Change]
    corrections: Mapping[int, AfterCorrection]
    p_healthy: tuple[float, ...]
    verdicts: pd.DataFrame
    quotes: pd.DataFrame
    sentence: str

    def to_frame(self) -> pd.DataFrame:
        """Return a row a visit: readings, what changed since the visit before, what its correction gave."""
        table = self.visits.reindex(columns=[*TOLD, *SHOWN, *DONE]).reset_index(drop=True)
        table["p_healthy"] = list(self.p_healthy)
        rows = [self._found(place) for place in range(len(table))]
        return pd.concat([table, pd.DataFrame(rows, columns=list(_FOUND))], axis=1)

    def _found(self, place: int) -> dict[str, Any]:
        change, done = self.changes.get(place), self.corrections.get(place)
        row: dict[str, Any] = dict.fromkeys(_FOUND, np.nan) | dict.fromkeys(_WORDS, "")
        if change is not None:
            row |= change.record()
        if done is not None:
            row |= {
                "rake_expected_deg": done.rake_expected.value,
                "tracking_expected_deg": done.tracking_expected.value,
                "short_deg": done.short.value,
                "short_sd_deg": done.short.sd,
                "p_correction_off": done.p_off,
                "p_rake_met_after": done.met.rake,
                "p_tracking_met_after": done.met.tracking,
                "p_both_met_after": done.met.both,
                "next_turn_decision": done.decision,
                "next_turn_deg": done.turn.value,
                "next_turn_sd_deg": done.turn.sd,
                "correction": done.sentence,
            }
        return row

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and the life in lines."""
        return self.sentence, pd.DataFrame({"": self.lines})

    @property
    def lines(self) -> tuple[str, ...]:
        """The life in lines: a heading a visit, then what belongs to it; verdicts, quotes, cautions last."""
        out = []
        for place, visit in enumerate(self.visits.to_dict("records")):
            out += self._visit(place, visit)
        return (*out, *self._told(), NO_REPAIR, HANDLING)

    @property
    def found(self) -> tuple[str, ...]:
        """What changed and what corrections gave, each with its sheet; then verdicts and quotes."""
        out = []
        for place, visit in enumerate(self.visits.to_dict("records")):
            changes = (self.changes.get(place), self.since_first.get(place), self.corrections.get(place))
            out += [f"Sheet {_text(visit['sheet_no'])}: {c.sentence}" for c in changes if c is not None]
        return (*out, *self._told())

    def _told(self) -> list[str]:
        """Verdicts and quotes in lines."""
        out = [
            f"Verdict of {day(v['recorded_on'])}: {fault_words(str(v['outcome']))}"
            + ("" if unknown(v["fault"]) else f", {fault_words(str(v['fault']))}")
            + "."
            for v in self.verdicts.to_dict("records")
        ]
        return out + [_quote_line(q) for q in self.quotes.to_dict("records")]

    def _visit(self, place: int, visit: Mapping[Any, Any]) -> list[str]:
        head = f"{day(visit['measured_on'])}, sheet {_text(visit['sheet_no'])}"
        if self.visits["assembly"].max() > 1:
            head += f", assembly {visit['assembly']}"
        hours = visit.get("hours_used")
        head += "" if unknown(hours) else f", {count(round(float(hours)), 'hour')} played"  # type: ignore[arg-type]
        read = [
            f"{quantity(n).short} {quantity(n).figure(visit[n])}" for n in SHOWN if not unknown(visit.get(n))
        ]
        lines = [f"{head}: {', '.join(read) or 'nothing read'}."]
        if place and visit["assembly"] != self.visits["assembly"].iloc[place - 1]:
            why = "retipped" if is_retipped(visit) else "another assembly"
            lines.append(f"  {why[:1].upper()}{why[1:]}: it starts anew here.")
        if not np.isnan(self.p_healthy[place]):
            lines.append(f"  Sound for its kind: {percent(self.p_healthy[place])}.")
        changes = (self.changes.get(place), self.since_first.get(place))
        lines += [f"  {change.sentence}" for change in changes if change is not None]
        if not unknown(visit.get("remedy")):
            lines.append(f"  Done: {REMEDIES.get(str(visit['remedy']), plain_word(str(visit['remedy'])))}.")
        if target := target_words(visit):
            lines.append(f"  {target}")
        if place in self.corrections:
            lines.append(f"  {self.corrections[place].sentence}")
        return lines


_WORDS: Final = ("compared_with", "change", "next_turn_decision", "correction")
_FOUND: Final = (
    "compared_with", "hours_between", *(f"p_{state}" for state in STATES), "change",
    "rake_expected_deg", "tracking_expected_deg", "short_deg", "short_sd_deg", "p_correction_off",
    "p_rake_met_after", "p_tracking_met_after", "p_both_met_after",
    "next_turn_decision", "next_turn_deg", "next_turn_sd_deg", "correction",
)  # fmt: skip


def unit_life(
    visits: pd.DataFrame,
    policy: Policy,
    house: House | None = None,
    *,
    verdicts: pd.DataFrame | None = None,
    quotes: pd.DataFrame | None = None,
    prior: FaultPrior | None = None,
) -> Life:
    """Tell the life of one unit from its sheets.

    Parameters
    ----------
    visits : DataFrame
        Every sheet of one serial, bench-sheet columns [degrees, dB, mN, °C, h]; readings, hours and days may
        be missing.
    policy : Policy
        Targets of the turn that is left.
    house : House, optional
        Reading noise, what hours do, what is normal for its kind; common practice without it.
    verdicts, quotes : DataFrame, optional
        What it turned out to be; what was told of it before bench time.
    prior : FaultPrior, optional
        Shares of faults; the documented ones without it.

    Returns
    -------
    Life

    Raises
    ------
    FleetError
        If there is no sheet.
    """
    if visits.empty:
        raise FleetError("there is no sheet of this unit; take one in: fleet intake FILE")
    ordered = in_order(visits)
    rows = ordered.to_dict("records")
    changes, since_first = {}, {}
    for _, own in ordered.groupby("assembly"):
        places = own.index.tolist()
        for earlier, later in pairwise(places):
            changes[later] = compare(rows[earlier], rows[later], house)
        if len(places) > 2:
            since_first[places[-1]] = compare(rows[places[0]], rows[places[-1]], house)
    noise = None if house is None else house.noise
    checked = {place: after_correction(row, own_target(row, policy), noise) for place, row in enumerate(rows)}
    corrections = {place: found for place, found in checked.items() if found is not None}
    life = Life(
        ordered,
        changes,
        since_first,
        corrections,
        _healthy(ordered, house, prior),
        _frame(verdicts, ("recorded_on", "outcome", "fault")),
        _frame(quotes, ("issued_at",)),
        "",
    )
    return replace(life, sentence=_sentence(life))


def _healthy(visits: pd.DataFrame, house: House | None, prior: FaultPrior | None) -> tuple[float, ...]:
    """Chance that each sheet reads sound, the unit's own part in the model left out."""
    if house is None:
        return (np.nan,) * len(visits)
    newest = visits["newest"] if "newest" in visits else pd.Series(False, index=visits.index)
    taught = np.asarray(newest.fillna(False), dtype=bool)
    resid = residuals(house, visits.drop(columns="assembly"), taught=taught)
    scores = score_sheets(house, resid, prior=prior, null_draws=NULL_DRAWS, tail=0.0)
    nothing = np.isnan(resid.value).all(axis=1)
    return tuple(np.where(nothing, np.nan, scores.healthy).tolist())


def _frame(given: pd.DataFrame | None, columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(columns=list(columns)) if given is None else given.reset_index(drop=True)


def _sentence(life: Life) -> str:
    n, assemblies = len(life.visits), int(life.visits["assembly"].max())
    parts = [count(n, "visit") + ("" if assemblies == 1 else f", {assemblies} assemblies")]
    last = life.visits.index[-1]
    change, whole = life.changes.get(last), life.since_first.get(last)
    if whole is not None and whole.changed and not (change is not None and change.changed):
        change = whole
    if change is not None:
        told = change.in_short or "no reading taken at both visits"
        parts.append(f"since {change.since} {told}")
    elif n > 1:
        parts.append("the last saw a new assembly, so nothing is compared with what was before")
    else:
        parts.append("nothing to compare it with yet")
    if last in life.corrections:
        parts.append(life.corrections[last].in_short)
    return f"{'; '.join(parts)}."


def _quote_line(quote: Mapping[Any, Any]) -> str:
    told = f"Quote of {day(quote['issued_at'])}"
    if not unknown(quote.get("policy_label")):
        told += f" (policy {quote['policy_label']})"
    parts = []
    if not unknown(quote.get("p_both_met")):
        parts.append(f"both targets met with a chance of {percent(quote['p_both_met'])}")
    if not unknown(quote.get("price_quoted")):
        parts.append(f"price {float(quote['price_quoted']):.2f}")
    return f"{told}: {', '.join(parts) or 'no chance of both targets told'}."


def _text(value: object) -> str:
    return "(no number)" if unknown(value) else str(value)
