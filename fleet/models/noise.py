"""Reading noise per quantity, from units that were read twice."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from fleet.models.links import READING_NOISE, READINGS

PRIOR_PAIRS: Final = 15.0
CUT: Final = 4.0
MAD_TO_SD: Final = 1.482602218505602


def learn_noise(differences: pd.DataFrame) -> dict[str, tuple[float, int]]:
    """Standard deviation of one reading per quantity and the number of pairs behind it.

    Parameters
    ----------
    differences : one column per reading, one row per pair of sheets of the same unit (NaN where missing)

    Returns
    -------
    dict
        Per reading (sd, pairs).  The default of `READING_NOISE` counts as 15 pairs, so that a bench without
        repeats has it and one with many forgets it; slips beyond 4 robust sigmas are left out.
    """
    out = {}
    for reading in READINGS:
        d = differences[reading].to_numpy(dtype=float) if reading in differences else np.empty(0)
        d = np.sort(d[~np.isnan(d)])  # so that the sum does not depend on the order of the rows
        prior = READING_NOISE[reading] ** 2
        if d.size:
            rough = max(MAD_TO_SD * float(np.median(np.abs(d))), 0.5 * READING_NOISE[reading])
            d = d[np.abs(d) <= CUT * rough]
        total = 0.5 * float((d**2).sum())
        out[reading] = (float(np.sqrt((total + PRIOR_PAIRS * prior) / (d.size + PRIOR_PAIRS))), int(d.size))
    return out
