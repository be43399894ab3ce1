"""Reading noise per quantity, from units that were read twice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.chain import READING_NOISE, READINGS, SAG_READ

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
REPEATED: Final = (*READINGS, SAG_READ)
"""What repeats tell the noise of: each reading, and the sag, which two readings of one sheet make."""
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
        See `noise_from_counts`.
    """
    counts = {}
    for reading in REPEATED:
        d = differences[reading].to_numpy(dtype=float) if reading in differences else np.empty(0)
        size, n = np.unique(np.abs(d[~np.isnan(d)]), return_counts=True)
        counts[reading] = (size, n.astype(np.float64))
    return noise_from_counts(counts)


def noise_from_counts(counts: Mapping[str, tuple[Floats, Floats]]) -> dict[str, tuple[float, int]]:
    """The same from how often each size of difference occurs, in ascending order of size.

    Returns
    -------
    dict
        Per reading (sd, pairs).  The default of `READING_NOISE` counts as 15 pairs, so that a bench without
        repeats has it and one with many forgets it; slips beyond 4 robust sigmas are left out.
    """
    out = {}
    for reading in REPEATED:
        size, n = counts[reading]
        prior = _believed(reading) ** 2
        if n.size:
            rough = max(MAD_TO_SD * _median(size, n), 0.5 * _believed(reading))
            kept = size <= CUT * rough
            size, n = size[kept], n[kept]
        pairs, total = int(n.sum()), 0.5 * float((size**2 * n).sum())
        out[reading] = (float(np.sqrt((total + PRIOR_PAIRS * prior) / (pairs + PRIOR_PAIRS))), pairs)
    return out


def _believed(reading: str) -> float:
    """Standard deviation where there are no repeats; of the sag that of two readings by different hands."""
    if reading == SAG_READ:
        return math.hypot(READING_NOISE["sra_static_deg"], READING_NOISE["sra_dynamic_deg"])
    return READING_NOISE[reading]


def _median(size: Floats, n: Floats) -> float:
    """Median of sizes that occur so often."""
    upto = np.cumsum(n)
    middle = (upto[-1] - 1) / 2.0
    low, high = (
        size[np.searchsorted(upto, place, side="right")] for place in (np.floor(middle), np.ceil(middle))
    )
    return 0.5 * float(low + high)
