"""How common each fault is in this fleet, estimated from all sheets together.

The sheets' fault probabilities were reckoned with shares of faults believed beforehand; their mean over all
units is a better guess at those shares, and reckoning again with the better guess climbs the likelihood (the
EM algorithm for the shares of a mixture: Dempster, Laird & Rubin 1977).  The documented shares count as so
many units beside, so a small fleet stays near them.  Unlike verdicts this speaks of all units, flagged or
not; it rests on the signatures being right, and what looks alike shares its count.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.estimation.noise_periods import learn_periods
from fleet.faults.likelihood_ratio import FaultPrior, score_sheets
from fleet.faults.signatures import FAULTS
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.numerals import percent

Floats = NDArray[np.float64]
BASE_UNITS: Final = 200.0
"""The documented shares weigh as much as so many units (common practice, no source)."""
MOST_STEPS: Final = 500
CLOSE: Final = 1e-7
LARGEST: Final = 0.5
SMALLEST: Final = 1e-5


@dataclass(frozen=True)
class Prevalence:
    """Estimated shares of faults.

    Attributes
    ----------
    prior : the shares, ready to judge by
    table : one row a fault: ``fault``, ``documented``, ``estimated``, ``units`` (share times units)
    sentence : the whole in one sentence
    """

    prior: FaultPrior
    table: pd.DataFrame
    sentence: str

    def write(self, path: Path | str) -> None:
        """Write the shares as a file that ``--prior`` reads."""
        lines = [f"# {self.sentence}", "[faults]"]
        lines += [f"{fault} = {self.prior.shares[fault]:.5f}" for fault in FAULTS]
        Path(path).write_text("\n".join(lines) + "\n", encoding="utf-8")


def estimate_prevalence(
    house: House, sheets: pd.DataFrame, *, base: FaultPrior | None = None, seed: int = 7
) -> Prevalence:
    """Estimate how common each fault is among the units of a fleet, each by its newest sheet.

    Parameters
    ----------
    house : House
    sheets : current sheets (canonical columns, ``unit``, ``newest``); reference sheets are left out
    base : shares that are believed before, default the documented ones
    seed : of the scores' null, which plays no part
    """
    base = base or FaultPrior()
    keep = sheets["newest"].to_numpy(dtype=bool)
    if "purpose" in sheets:
        keep = keep & (sheets["purpose"].fillna("unit") == "unit").to_numpy()
    frame = sheets[keep].reset_index(drop=True)
    resid = residuals(house, frame, taught=np.ones(len(frame), dtype=bool))
    resid = learn_periods(house.noise, resid, house.noise_now).apply(resid)
    scores = score_sheets(
        house, resid, prior=base, bulk=np.ones(len(frame), dtype=bool), seed=seed, null_draws=1
    )
    read = ~np.isnan(scores.score)
    posterior = np.column_stack([scores.healthy, scores.faults])[read]
    believed = np.array([base.healthy, *(base.shares.get(f, 0.0) for f in FAULTS)])
    shares = mixture_shares(posterior, believed, BASE_UNITS)
    n = int(read.sum())
    prior = FaultPrior(dict(zip(FAULTS, shares[1:].tolist(), strict=True)))
    table = pd.DataFrame(
        {"fault": FAULTS, "documented": believed[1:], "estimated": shares[1:], "units": n * shares[1:]}
    )
    faulty, before = 1.0 - prior.healthy, 1.0 - base.healthy
    told = f"Of {n} units about {percent(faulty, 1)} have a fault or a slip"
    return Prevalence(prior, table, f"{told} ({percent(before, 1)} was believed).")


def mixture_shares(posterior: Floats, believed: Floats, weight: float) -> Floats:
    """Shares of a mixture's parts that best explain the units, with a Dirichlet belief beside.

    Parameters
    ----------
    posterior : (n, k) chances of each part, reckoned with ``believed``
    believed : (k,) shares before, summing to 1
    weight : units that the belief counts for

    Returns
    -------
    ndarray, shape (k,)
        (Σ chances + weight · believed) / (n + weight) at the fixed point; all parts but the first together at
        most one half.
    """
    ratio = np.divide(posterior, believed, out=np.zeros_like(posterior), where=believed > 0.0)
    shares = believed.copy()
    for _ in range(MOST_STEPS):
        joint = ratio * shares
        mean = (joint / joint.sum(axis=1, keepdims=True)).sum(axis=0)
        new = (mean + weight * believed) / (len(posterior) + weight)
        done = np.abs(new - shares).max() < CLOSE
        shares = new
        if done:
            break
    rest = np.maximum(shares[1:], SMALLEST)
    rest *= min(1.0, LARGEST / rest.sum())
    return np.asarray(np.append(1.0 - rest.sum(), rest))
