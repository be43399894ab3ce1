"""One unit at the bench, its readings as they come: normal or not, why, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fleet.alignment.align import align
from fleet.alignment.alignment import Alignment
from fleet.alignment.readings import known_beside
from fleet.columns import COLUMNS as SHEET_COLUMNS
from fleet.estimation.noise_periods import of_late
from fleet.faults.change import Change, compare
from fleet.faults.consequences import meanings
from fleet.faults.likelihood_ratio import FaultPrior, Scores, score_sheets
from fleet.faults.sentences import JUDGED_COLUMNS, OFF_SIGMAS, digits_of, explain
from fleet.faults.signatures import FAULTS
from fleet.house_model.chain import JUDGED, RAKE, RAKE_LINKS
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import Residuals, residuals
from fleet.numerals import count, number, plus_minus, unknown
from fleet.policy.own_target import own_target, target_words
from fleet.policy.policy import Policy
from fleet.results import Result
from fleet.rows import Columns, column_of, records
from fleet.words import HANDLING, NO_REPAIR, quantity

if TYPE_CHECKING:
    import pandas as pd

NULL_DRAWS: Final = 50
SURE: Final = 0.95
CAUTIONS: Final = (NO_REPAIR, HANDLING)


@dataclass(frozen=True, repr=False)
class Verdict(Result):
    """What one unit's readings say.

    Attributes
    ----------
    row : as a row of `fleet.faults.suspects` (q and p alike: one unit alone)
    sentence : normal or not, and why
    alignment : tilt, roll and turn, what they give and how sure that is
    again : which reading to take again or take next; empty where there is none or the alignment says it
    change : what changed since its last visit; None where no earlier one of its assembly is known
    lines : everything in readable lines, cautions last
    """

    row: Mapping[str, Any]
    sentence: str
    alignment: Alignment
    again: str
    change: Change | None
    lines: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return the one row."""
        import pandas as pd

        return pd.DataFrame([self.row])

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and the lines."""
        import pandas as pd

        return self.sentence, pd.DataFrame({"": self.lines})


def judge(
    house: House,
    readings: Columns,
    policy: Policy,
    *,
    prior: FaultPrior | None = None,
    seed: int = 7,
    taught: bool = False,
    arm_length_mm: float | None = None,
    visits: pd.DataFrame | None = None,
) -> Verdict:
    """Judge one unit by its readings; nothing is kept.

    Parameters
    ----------
    house : House
        The fitted model.
    readings : DataFrame, or mapping of str to array
        One row, bench-sheet columns [degrees, mm, mN, dB]; what isn't read yet is empty or left out.
    policy : Policy
        Targets for the alignment.
    prior : FaultPrior, optional
        Shares of faults; the documented ones without it.
    seed : int
        Of the simulated null.
    taught : bool
        Whether it is its unit's newest sheet in the store: the model is then asked without it.
    arm_length_mm : float, optional
        Stylus tip to the arm's bearing [mm].
    visits : DataFrame, optional
        Other sheets of its serial; the one before it is compared.

    Returns
    -------
    Verdict

    Raises
    ------
    FleetError
        If the arm's length is impossible.
    """
    sheet = {**dict.fromkeys(SHEET_COLUMNS), **records(readings)[0]}
    columns = {name: column_of([value]) for name, value in sheet.items()}
    resid = residuals(house, columns, taught=np.array([taught]))
    resid = of_late(resid, house.noise, house.noise_now)
    scores = score_sheets(house, resid, prior=prior, seed=seed, null_draws=NULL_DRAWS, tail=0.0)
    flagged = bool(scores.healthy[0] < 0.5)
    policy = own_target(sheet, policy)
    fault = FAULTS[int(scores.faults[0].argmax())]
    (means,) = meanings(columns, resid, np.zeros(1, dtype=int), [fault], policy, house=house)
    sentence = explain(sheet, resid, scores, 0, flagged=flagged, means=means)
    alignment = align(known_beside(sheet, house, resid), policy, arm_length_mm=arm_length_mm)
    again = "" if "Read again" in dict(alignment.steps) else _again(resid, scores)
    row = _row(sheet, scores, sentence, flagged=flagged)
    change = _since_last(sheet, visits, house)
    target = target_words(sheet)
    lines = (*_beside(resid, house, taught=taught), *_lines(alignment, again, change, target))
    return Verdict(row, sentence, alignment, again, change, lines)


def _since_last(sheet: Mapping[str, Any], visits: pd.DataFrame | None, house: House) -> Change | None:
    """What changed since the newest earlier visit of the same assembly."""
    if visits is None or visits.empty:
        return None
    from fleet.faults.visits import in_order, last_assembly

    own = dict(sheet)
    if unknown(own["sheet_no"]):  # readings as they come: their bench is a default, not told
        own["bench"] = None
    others = in_order(visits)
    others = others[~((others["sheet_no"] == own["sheet_no"]) & (others["bench"] == own["bench"]))]
    if not unknown(own["measured_on"]):
        others = others[~(others["measured_on"] > np.datetime64(own["measured_on"]))]
    same = others if others.empty else last_assembly(others, own)
    return None if same.empty else compare(same.iloc[-1].to_dict(), own, house)


def _row(sheet: Mapping[str, Any], scores: Scores, sentence: str, *, flagged: bool) -> dict[str, Any]:
    p = float(scores.p_value[0])
    row: dict[str, Any] = {
        "sheet_no": _text(sheet["sheet_no"]),
        "unit": "",
        "measured_on": _text(sheet["measured_on"]),
        "score": float(scores.score[0]),
        "p_value": p,
        "q_value": p,
        "list_false_share": None,
        "flagged": flagged,
        "leading_fault": FAULTS[int(scores.faults[0].argmax())],
        "p_healthy": float(scores.healthy[0]),
        **{f"p_{fault}": float(scores.faults[0, j]) for j, fault in enumerate(FAULTS)},
        "why": sentence,
    }
    return {name: row[name] for name in JUDGED_COLUMNS}


def _again(resid: Residuals, scores: Scores) -> str:
    """The reading whose repetition settles most: the one farthest off; else the first that is missing."""
    value = resid.value[0]
    z = np.abs(value) / np.sqrt(np.diag(resid.covariance[0]))
    without = RAKE_LINKS if resid.spherical[0] else {"sag", RAKE}
    missing = [name for j, name in enumerate(JUDGED) if np.isnan(value[j]) and name not in without]
    healthy = float(scores.healthy[0])
    if np.isnan(z).all():
        return "rake and tracking angle, record turning, first: nothing is read yet"
    worst = JUDGED[int(np.nanargmax(z))]
    if healthy < SURE and np.nanmax(z) >= OFF_SIGMAS - 0.5:
        return (
            f"{quantity(worst).read_with} again before anything is decided "
            f"(it stands {np.nanmax(z):.1f} sigmas off): what is advised here holds only if it reads the same"
        )
    if missing:
        tracking = missing[0] == "tracking"
        first = f"the {quantity('vta_dynamic_deg').long}" if tracking else quantity(missing[0]).read_with
        return f"{first} next: not read yet"
    return ""


def _beside(resid: Residuals, house: House, *, taught: bool) -> list[str]:
    """Each reading beside what its kind has, and how many such readings say so."""
    lines = []
    known = bool(resid.seen["family"][0])
    family = str(resid.observed["family"][0]) if known else None
    for j, name in enumerate(JUDGED):
        if np.isnan(resid.value[0, j]):
            continue
        own, digits = quantity(name), digits_of(name)
        expected = float(resid.expected[0, j])
        reading = own.figure(resid.value[0, j] + expected, digits)
        sd = float(np.sqrt(resid.covariance[0, j, j]))
        others = max(round(house.readings(name, family)) - taught, 0)
        stands = f"two sigmas; {count(others, 'reading')} of {f'family {family}' if known else 'the fleet'}"
        lines.append(
            f"{_capital(own.long)}: {reading}; its kind {number(expected, digits)} "
            f"{plus_minus(2.0 * sd, own.unit, digits)} ({stands})"
        )
    return lines


def _lines(alignment: Alignment, again: str, change: Change | None, target: str) -> list[str]:
    lines = [] if change is None else [change.sentence]
    if again:
        lines.append(f"Read {again}.")
    if target:
        lines.append(target)
    lines += alignment.lines
    lines += [c for c in alignment.cautions if c not in CAUTIONS]
    return [*lines, *CAUTIONS]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _text(value: object) -> str:
    return "" if unknown(value) else str(value)
