"""Shares of faults that units are judged by: the file that the dashboard was started with, and verdicts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from fleet.faults.verdicts import load_prior, prior_from_verdicts
from fleet.store import Store, list_verdicts

if TYPE_CHECKING:
    from fleet.faults.likelihood_ratio import FaultPrior

NAMED: Final = "FLEET_PRIOR"


def prior_file() -> str:
    """The file of shares that the dashboard was started with; empty where it is the documented ones."""
    return os.environ.get(NAMED, "")


def fault_prior(path: str) -> FaultPrior:
    """The file's shares or the documented ones, moved by verdicts, as on the command line."""
    from fleet.faults.likelihood_ratio import FaultPrior

    named = prior_file()
    base = load_prior(Path(named)) if named else FaultPrior()
    return prior_from_verdicts(base, list_verdicts(Store(path)))
