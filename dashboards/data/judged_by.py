"""What units are judged by: policies and shares of faults that the dashboard was started with; verdicts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from fleet.faults.verdicts import load_prior, prior_from_verdicts
from fleet.policy.files import load_policy, pick_policy
from fleet.store import Store, count_faults

if TYPE_CHECKING:
    from fleet.faults.likelihood_ratio import FaultPrior
    from fleet.policy.policy import Policy

NAMED: Final = "FLEET_PRIOR"


def policies() -> dict[str, Policy]:
    """Target policies of the file that the dashboard was started with, the named one first."""
    file, name = os.environ.get("FLEET_POLICY"), os.environ.get("FLEET_POLICY_NAME")
    known = load_policy(Path(file) if file else None)
    return {name: pick_policy(known, name), **known} if name else known


def first_policy() -> Policy:
    """The policy that a judgement goes by where no page asks for one."""
    return pick_policy(policies(), os.environ.get("FLEET_POLICY_NAME"))


def prior_file() -> str:
    """The file of shares that the dashboard was started with; empty where it is the documented ones."""
    return os.environ.get(NAMED, "")


def fault_prior(path: str) -> FaultPrior:
    """The file's shares or the documented ones, moved by verdicts, as on the command line."""
    from fleet.faults.likelihood_ratio import FaultPrior

    named = prior_file()
    base = load_prior(Path(named)) if named else FaultPrior()
    return prior_from_verdicts(base, count_faults(Store(path)))
