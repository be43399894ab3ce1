"""Suspects: units that are not normal for their kind, each with the likeliest cause and a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.faults.consequences import meanings
from fleet.faults.likelihood_ratio import FaultPrior, Scores, score_sheets
from fleet.faults.promise import Promise, odd_group, promise
from fleet.faults.sentences import explain, plain, sound
from fleet.faults.signatures import FAULTS
from fleet.house_model.chain import FACTOR_COLUMNS, JUDGED, NUMBERS, RAKE, READINGS
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import Residuals, residuals
from fleet.policy.policy import Policy
from fleet.results import Result
from fleet.words import quantity

Floats = NDArray[np.float64]
HEALTHY: Final = "healthy"
DISAGREE_SIGMAS: Final = 4.0
AGAIN: Final = " measure it again."
COLUMNS: Final = (
    "sheet_no",
    "unit",
    "measured_on",
    "score",
    "p_value",
    "q_value",
    "flagged",
    "list_false_share",
    "leading_fault",
    "p_healthy",
    *(f"p_{fault}" for fault in FAULTS),
    "why",
)
USED: Final = frozenset(
    {"sheet_no", "unit", "newest", "measured_on", "intake_id", "marks", *FACTOR_COLUMNS.values(), *NUMBERS}
)
"""Columns of a sheet that judging looks at; the others are left behind."""


@dataclass(frozen=True, repr=False)
class Suspects(Result):
    """The judged sheets and what the list says as a whole.

    Attributes
    ----------
    table : one row a sheet, `COLUMNS`, flagged units first, then by score
    sentence : how many units were judged and flagged, at which rate of false alarms
    fdr : the rate asked for
    tail : 1/(degrees of freedom) of sound units' scatter, mean of the readings, as the middle of the fleet
        has it (0 = normal)
    promise : what the list can promise of false alarms
    """

    table: pd.DataFrame
    sentence: str
    fdr: float
    tail: float
    promise: Promise

    def to_frame(self) -> pd.DataFrame:
        """Return a row a sheet, flagged units first."""
        return self.table.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and the flagged sheets with what is probably wrong."""
        names = ["sheet_no", "measured_on", "q_value", "leading_fault", "why"]
        return self.sentence, self.table.loc[self.table["flagged"].astype(bool), names]


def suspects(
    house: House,
    sheets: pd.DataFrame,
    *,
    fdr: float = 0.05,
    prior: FaultPrior | None = None,
    policy: Policy | None = None,
    seed: int = 7,
) -> Suspects:
    """Judge every sheet against the house model without its own unit.

    Parameters
    ----------
    house : House
        The fitted model.
    sheets : DataFrame
        Current sheets, canonical columns, ``unit``, ``newest``; reference sheets are left out.
    fdr : float
        Share of false alarms that the list may hold, 0 to 1.
    prior : FaultPrior, optional
        Shares of faults; the documented ones without it.
    policy : Policy, optional
        The targets that a fault may put out of reach; the documented ones without it.
    seed : int
        Of the simulated null.

    Returns
    -------
    Suspects
        A unit with several sheets has one p-value: the least of its sheets', times their number. The order
        of the sheets does not matter: the null is simulated in that of their numbers.
    """
    frame = _in_order(sheets)
    if frame.empty:
        return Suspects(
            pd.DataFrame(columns=list(COLUMNS)), "No sheet to judge.", fdr, 0.0, Promise(fdr, fdr)
        )
    table, tail, kept = _judged(house, frame, fdr, prior, policy or Policy(), seed)
    del frame
    order = np.lexsort((-table["score"].fillna(-np.inf), ~table["flagged"]))
    table = table.iloc[order].reset_index(drop=True)[list(COLUMNS)]
    return Suspects(table, _sentence(table, kept), fdr, tail, kept)


def _in_order(sheets: pd.DataFrame) -> pd.DataFrame:
    """The columns that judging looks at, of units only, in the order of the sheets' numbers."""
    frame = sheets[[c for c in sheets if c in USED]]
    if "purpose" in sheets:
        frame = frame[sheets["purpose"].fillna("unit") == "unit"]
    frame = frame.reset_index(drop=True)
    if not _rising(frame["sheet_no"]):
        frame = frame.sort_values("sheet_no", kind="stable", ignore_index=True)
    if not _rising(frame["sheet_no"]):
        frame = frame.sort_values(["sheet_no", "unit"], kind="stable", ignore_index=True)
    return frame


def _rising(number: pd.Series[str]) -> bool:
    """Whether each number is above the one before, so that there is nothing to put in order."""
    return bool(number.iloc[1:].reset_index(drop=True).gt(number.iloc[:-1]).all())


def _judged(
    house: House, frame: pd.DataFrame, fdr: float, prior: FaultPrior | None, policy: Policy, seed: int
) -> tuple[pd.DataFrame, float, Promise]:
    """The list's rows in the order of the sheets, the tails of sound units, and what the list can promise."""
    newest = frame["newest"].to_numpy(dtype=bool)
    resid = residuals(house, frame, taught=newest)
    scores = score_sheets(house, resid, prior=prior, bulk=newest, seed=seed)
    p_unit, q_unit = _by_unit(scores.p_value, frame["unit"])
    flagged = q_unit <= fdr
    table = _table(frame, scores, p_unit, q_unit, flagged)
    table["why"] = _why(house, frame, resid, scores, flagged, policy)
    first = ~frame["unit"].duplicated().to_numpy()
    faulty = scores.p_faulty, scores.w_faulty
    kept = promise(p_unit[first], flagged[first], faulty, fdr, odd_group(*_readings(resid, scores)))
    table["list_false_share"] = kept.expected
    return table, float(scores.tails[0].mean()), kept


def _readings(resid: Residuals, scores: Scores) -> tuple[Floats, pd.DataFrame]:
    """P-values of the readings of units' newest sheets, and in words the groups that each belongs to."""
    read = ~np.isnan(scores.p_reading)
    bits, code = np.unique(read @ (1 << np.arange(len(JUDGED))), return_inverse=True)
    missing = [
        [quantity(n).short for k, n in enumerate(JUDGED) if not b >> k & 1 and n != RAKE]
        for b in bits.tolist()
    ]
    pattern = np.array([f"sheets without {_join(m)}" if m else "sheets with all readings" for m in missing])
    row, link = np.nonzero(read)
    doubt = resid.share * resid.doubt
    whose, names = pd.factorize(resid.observed["family"])
    family = np.array([f"family {name}" for name in names], dtype=object)
    reading = np.array([quantity(n).short for n in JUDGED])
    groups = pd.DataFrame(
        {
            "family": family[whose[row]],
            "pattern": pattern[code][row],
            "reading": reading[link],
            "doubt": doubt[row, link],
        }
    )
    return scores.p_reading[row, link], groups


def _by_unit(p: Floats, unit: pd.Series[str]) -> tuple[Floats, Floats]:
    """One p-value a unit (Bonferroni over its sheets) and its Benjamini–Hochberg q-value, per sheet."""
    from statsmodels.stats.multitest import multipletests

    code, names = pd.factorize(unit.astype(str))
    least = np.full(len(names), 1.0)
    np.minimum.at(least, code, p)
    of_unit = np.minimum(least * np.bincount(code), 1.0)
    q = multipletests(of_unit, method="fdr_bh")[1]
    return of_unit[code], q[code]


def _table(
    frame: pd.DataFrame, scores: Scores, p: Floats, q: Floats, flagged: NDArray[np.bool_]
) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "sheet_no": frame["sheet_no"].astype(str),
            "unit": frame["unit"].astype(str),
            "measured_on": frame["measured_on"],
            "score": scores.score,
            "p_value": p,
            "q_value": q,
            "flagged": flagged,
            "leading_fault": np.array(FAULTS)[scores.faults.argmax(axis=1)],
            "p_healthy": scores.healthy,
        }
    )
    for j, fault in enumerate(FAULTS):
        table[f"p_{fault}"] = scores.faults[:, j]
    return table


def _why(
    house: House,
    frame: pd.DataFrame,
    resid: Residuals,
    scores: Scores,
    flagged: NDArray[np.bool_],
    policy: Policy,
) -> list[str]:
    """A sentence for each sheet; the bulk of plainly normal sheets shares a short one."""
    torn = find_disagreements(house, frame)
    out: list[str] = plain(resid, scores, flagged).tolist()
    rows = np.array([i for i, text in enumerate(out) if text is None], dtype=int)
    named = flagged[rows] | (scores.healthy[rows] < 0.5)
    for i, text in zip(rows[~named].tolist(), sound(resid, scores, rows[~named]), strict=True):
        out[i] = text
    rows = rows[named]
    faults = [FAULTS[k] for k in scores.faults[rows].argmax(axis=1)]
    means = meanings(frame, resid, rows, faults, policy, house=house)
    company = _company(frame, scores, rows)
    read = frame[[r for r in READINGS if r in frame]].iloc[rows].to_dict("records")
    for i, sheet, meant in zip(rows.tolist(), read, means, strict=True):
        well, suspect = company.get(i, ((), ()))
        listed = bool(flagged[i])
        out[i] = explain(sheet, resid, scores, i, flagged=listed, means=meant, sound=well, suspect=suspect)
    for i, readings in torn.items():
        again = "" if AGAIN.strip(" .") in out[i] else f": {AGAIN.strip()}"
        out[i] += f" Its sheets disagree in {readings}{again or '.'}"
    return out


def _company(
    frame: pd.DataFrame, scores: Scores, rows: NDArray[np.int64]
) -> dict[int, tuple[tuple[str, ...], tuple[str, ...]]]:
    """For rows of units with several sheets: the others that read sound by themselves, and that don't."""
    unit = pd.factorize(frame["unit"])[0]
    asked = np.zeros(len(unit), dtype=bool)
    asked[unit[rows]] = True
    asked &= np.bincount(unit, minlength=len(unit)) > 1
    places: dict[int, list[int]] = {}
    for i in np.flatnonzero(asked[unit]).tolist():
        places.setdefault(int(unit[i]), []).append(i)
    number, read = frame["sheet_no"].astype(str).to_numpy(), ~np.isnan(scores.score)
    out = {}
    for i in rows.tolist():
        others = [j for j in places.get(int(unit[i]), []) if j != i and read[j]]
        if others:
            sound = tuple(number[j] for j in others if scores.healthy[j] >= 0.5)
            out[i] = sound, tuple(number[j] for j in others if scores.healthy[j] < 0.5)
    return out


def find_disagreements(house: House, frame: pd.DataFrame) -> dict[int, str]:
    """Rows of units whose sheets differ by more than reading noise allows, and in which readings."""
    repeated = frame[frame["unit"].duplicated(keep=False)]
    read = [r for r in READINGS if r in repeated]
    unit = repeated["unit"].astype(str)
    grouped = repeated[read].astype(float).groupby(unit)
    limit = pd.Series({r: DISAGREE_SIGMAS * np.sqrt(2.0) * house.noise[r] for r in read}, dtype=float)
    off = (grouped.max() - grouped.min()) > limit
    off = off[off.any(axis=1)]
    words = {name: _join([quantity(r).short for r in read if row[r]]) for name, row in off.iterrows()}
    mine = unit.map(words).dropna()
    return dict(zip(mine.index.to_numpy(dtype=int).tolist(), mine.astype(str).tolist(), strict=True))


def _join(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _sentence(table: pd.DataFrame, kept: Promise) -> str:
    flagged = table["unit"][table["flagged"]].nunique()
    head = f"{table['unit'].nunique()} units judged, {flagged} flagged"
    if not flagged:
        return f"{head}: none differs from its kind by more than chance explains."
    return f"{head}; {kept.sentence}"
