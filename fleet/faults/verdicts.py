"""What flagged units turned out to be: how often the flags were right, and what that says of the next one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from fleet.errors import FleetError, meant
from fleet.faults.likelihood_ratio import FaultPrior
from fleet.faults.signatures import FAULTS
from fleet.files.door import read_toml
from fleet.numerals import percent_span
from fleet.statistics.proportions import wilson

if TYPE_CHECKING:
    import pandas as pd

OUTCOMES: Final = ("confirmed", "healthy", "other_fault")
CONFIRMABLE: Final = FAULTS[:-1]
OTHER: Final = "other"
BASE_UNITS: Final = 20.0
"""The base shares weigh as much as so many units whose fault was found (common practice, no source): after
twenty verdicts the workshop's own word counts half."""
LARGEST_SHARE: Final = 0.5
COLUMNS: Final = (
    "leading_fault", "flagged", "with_verdict", "faulty", "faulty_rate", "faulty_low", "faulty_high",
    "right_fault", "right_rate", "right_low", "right_high",
)  # fmt: skip
ALL: Final = "(all)"


def check_verdict(outcome: str, fault: str | None) -> tuple[str, str | None]:
    """The words of a verdict as they are kept.

    Raises
    ------
    FleetError
        If a word is not one of the accepted ones, which the line names.
    """
    outcome = outcome.strip().lower().replace("-", "_")
    fault = None if fault is None else fault.strip().lower().replace("-", "_")
    if outcome not in OUTCOMES:
        raise FleetError(
            f"a verdict is one of {', '.join(OUTCOMES)}; after confirmed comes the fault"
            f"{meant(outcome, OUTCOMES)}"
        )
    if outcome == "confirmed" and fault not in CONFIRMABLE:
        raise FleetError(
            f"confirmed needs the fault that was found: {', '.join(CONFIRMABLE)}; any other is other_fault"
            f"{meant(fault or '', CONFIRMABLE)}"
        )
    if outcome != "confirmed" and fault is not None:
        raise FleetError(f"{outcome} stands alone; only confirmed takes a fault after it.")
    return outcome, fault


def found_faults(verdicts: pd.DataFrame) -> pd.Series:
    """What each unit turned out to have: a fault of `FAULTS` or ``healthy``."""
    found = verdicts["outcome"].astype(object).replace("other_fault", OTHER)
    return found.mask(verdicts["outcome"] == "confirmed", verdicts["fault"])


@dataclass(frozen=True)
class Record:
    """How often flags were right.

    Attributes
    ----------
    table : one row a leading fault and one for all, `COLUMNS`; intervals are Wilson's at 95 %. ``faulty``
        counts units that had any fault, ``right_fault`` those that had the one named.
    missed : units with a fault in the record that are not flagged
    sentence : the whole in one sentence
    """

    table: pd.DataFrame
    missed: int
    sentence: str


def flag_record(suspects: pd.DataFrame, verdicts: pd.DataFrame) -> Record:
    """Hold the list of suspects against the verdicts.

    Parameters
    ----------
    suspects : `Suspects.table`
    verdicts : one row a unit: ``unit``, ``outcome``, ``fault``
    """
    import pandas as pd

    units = suspects.drop_duplicates("unit").set_index("unit")
    found = pd.Series(found_faults(verdicts).to_numpy(), index=verdicts["unit"].astype(str))
    known = found[found.index.isin(units.index)]
    flagged = units[units["flagged"].astype(bool)]
    said = flagged["leading_fault"].astype(str)
    outcome = known.reindex(flagged.index)
    rows = [
        _row(fault, said[said == fault], outcome[said == fault]) for fault in FAULTS if (said == fault).any()
    ]
    table = pd.DataFrame([*rows, _row(ALL, said, outcome)], columns=list(COLUMNS))
    unflagged = known[~known.index.isin(flagged.index)]
    missed = int((unflagged != "healthy").sum())
    return Record(table, missed, _sentence(table.iloc[-1], missed))


def _row(name: str, said: pd.Series, outcome: pd.Series) -> dict[str, object]:
    told = outcome.notna()
    n = int(told.sum())
    faulty = int((told & (outcome != "healthy")).sum())
    right = int((told & (outcome == said)).sum())
    row: dict[str, object] = {"leading_fault": name, "flagged": len(said), "with_verdict": n}
    for count, columns in (
        (faulty, ("faulty", "faulty_rate", "faulty_low", "faulty_high")),
        (right, ("right_fault", "right_rate", "right_low", "right_high")),
    ):
        low, high = wilson(count, n)
        rate = count / n if n else float("nan")
        row |= dict(zip(columns, (count, rate, float(low), float(high)), strict=True))
    return row


def _sentence(total: pd.Series, missed: int) -> str:
    n = int(total["with_verdict"])
    if n == 0:
        return f"{int(total['flagged'])} units flagged, no verdict on any of them yet."
    text = (
        f"{n} of {int(total['flagged'])} flagged units have a verdict: {int(total['faulty'])} were faulty "
        f"({percent_span(total['faulty_low'], total['faulty_high'])} of flags, 95 %), "
        f"{int(total['right_fault'])} had the fault that was named"
    )
    return f"{text}; {missed} faulty units were not flagged." if missed else f"{text}."


def prior_from_verdicts(base: FaultPrior, found: Mapping[str, int]) -> FaultPrior:
    """Shares of faults after the workshop's verdicts.

    Parameters
    ----------
    base : shares before
    found : how many units turned out to have each fault

    Notes
    -----
    The relative shares among the faulty have a Dirichlet distribution worth `BASE_UNITS` units at the base;
    with n_f units found to have fault f their mean becomes (BASE_UNITS w_f + n_f) / (BASE_UNITS + n).  The
    total share of faulty units stays the base's: verdicts are given on units picked because they were
    flagged, so how many of them are faulty says how good the flags are, not how common faults are.  For the
    same reason a fault that readings show badly gets fewer verdicts than it has cases; the base keeps it.
    """
    count = np.array([found.get(fault, 0) for fault in FAULTS], dtype=float)
    if count.sum() == 0.0:
        return base
    weights = (BASE_UNITS * base.weights + count) / (BASE_UNITS + count.sum())
    total = 1.0 - base.healthy
    return FaultPrior({fault: float(total * w) for fault, w in zip(FAULTS, weights, strict=True)})


def load_prior(path: Path | str) -> FaultPrior:
    """Read a workshop's own shares of faults: a TOML file with a table ``[faults]``.

    A fault that is not named keeps its documented share.

    Raises
    ------
    FleetError
        If the file can't be read, names no or an unknown fault, or holds a share that can't be one.
    """
    where = f"prior file {Path(path).name}"
    tables = read_toml(
        path,
        unread=f"{where}: can't be read, check its name",
        no_toml=f"{where}: is no valid TOML, mend that line",
    )
    shares = tables.get("faults")
    if not isinstance(shares, dict) or not shares or set(tables) != {"faults"}:
        raise FleetError(f"{where}: needs one table [faults] with lines such as rake_set_wrong = 0.01.")
    for name, share in shares.items():
        if name not in FAULTS:
            raise FleetError(f"{where}: there is no fault of that name; faults are {', '.join(FAULTS)}.")
        number = isinstance(share, int | float) and not isinstance(share, bool)
        if not number or not 0.0 < share <= LARGEST_SHARE:
            raise FleetError(f"{where}: {name} must be a share above 0 and up to {LARGEST_SHARE:g}.")
    prior = FaultPrior({**FaultPrior().shares, **{name: float(share) for name, share in shares.items()}})
    if prior.healthy < 1.0 - LARGEST_SHARE:
        raise FleetError(
            f"{where}: the shares make {1.0 - prior.healthy:.2f} with those not named; at most "
            f"{LARGEST_SHARE:g} of all units may be faulty."
        )
    return prior
