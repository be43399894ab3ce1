"""Process capability of what the bench builds: Cp and Cpk with intervals, and when not to believe them.

The indices compare the spread of the built angles with the accepted band. They assume a normal
distribution; a share outside the limits worked out from them is only as good as that. So the sample's
shape is tested, and the plain count outside stands beside the normal one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special, stats

from fleet.errors import FleetError, TooFewError
from fleet.numerals import percent

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

SMALLEST: Final = 10
"""Fewest values for which an index is given: below, its interval spans more than a factor of two."""

SHAPE_ALARM: Final = 0.01
"""p-value of the shape test under which the caution is spoken."""


@dataclass(frozen=True)
class Capability:
    """Capability of a sample against its limits.

    Attributes
    ----------
    n, mean, sd
        Size, mean and standard deviation of the sample [unit of the values].
    cp, cp_low, cp_high
        Band over six sigma with its 95 % interval; NaN with one limit only.
    cpk, cpk_low, cpk_high
        Distance of the mean from the nearer limit over three sigma, with its 95 % interval.
    outside_normal, outside_counted
        Share outside the limits: of a normal distribution so placed, and as counted.
    shape_p
        p-value of the hypothesis that the values are normal.
    caution
        Empty, or why the indices should not be believed.
    sentence
        The result in words.
    """

    n: int
    mean: float
    sd: float
    cp: float
    cp_low: float
    cp_high: float
    cpk: float
    cpk_low: float
    cpk_high: float
    outside_normal: float
    outside_counted: float
    shape_p: float
    caution: str
    sentence: str


def capability(
    values: ArrayLike, low: float | None = None, high: float | None = None, level: float = 0.95
) -> Capability:
    """Measure a sample against one or two limits.

    Parameters
    ----------
    values
        Measured values; NaN are left out.
    low, high
        Accepted limits; at least one.
    level
        Coverage of the intervals.

    Returns
    -------
    Capability

    Raises
    ------
    FleetError
        If there is no limit, the limits are the wrong way round, or too few or only equal values.
    """
    if low is None and high is None:
        raise FleetError("capability needs a lower or an upper limit; give one")
    if low is not None and high is not None and low >= high:
        raise FleetError(f"capability limits are the wrong way round: {low} is not below {high}")
    sample = np.asarray(values, dtype=float)
    sample = sample[~np.isnan(sample)]
    if sample.size < SMALLEST:
        raise TooFewError(
            f"capability needs {SMALLEST} values, got {sample.size}; count the share met instead"
        )
    mean, sd = float(sample.mean()), float(sample.std(ddof=1))
    if sd == 0:
        raise FleetError("all values are equal: no spread, so no capability index")
    indices = capability_indices(mean, sd, sample.size, low, high, level)
    below = special.ndtr((low - mean) / sd) if low is not None else 0.0
    above = special.ndtr((mean - high) / sd) if high is not None else 0.0
    counted = float(np.mean((sample < _or(low, -np.inf)) | (sample > _or(high, np.inf))))
    shape_p = _shape_p(sample)
    caution = ""
    if shape_p < SHAPE_ALARM:
        caution = f"The values are not normally distributed (p = {shape_p:.1g}): go by the count."
    cpk, cpk_low, cpk_high = indices[3:]
    sentence = (
        f"Cpk {cpk:.2f} ({cpk_low:.2f} to {cpk_high:.2f}) from {sample.size} values; "
        f"{percent(counted, 1)} counted outside, {percent(below + above, 1)} if normal. {caution}"
    ).rstrip()
    return Capability(
        sample.size, mean, sd, *indices, float(below + above), counted, shape_p, caution, sentence
    )


def capability_indices(
    mean: float, sd: float, n: int, low: float | None, high: float | None, level: float = 0.95
) -> tuple[float, float, float, float, float, float]:
    """Cp and Cpk with their intervals, from a sample's figures.

    Parameters
    ----------
    mean, sd, n
        Mean, standard deviation (n - 1) and size of the sample.
    low, high
        Accepted limits, None for none.
    level
        Coverage: chi-square interval for Cp, Bissell's normal approximation for Cpk.

    Returns
    -------
    cp, cp_low, cp_high, cpk, cpk_low, cpk_high
        The first three NaN with one limit only.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6; Bissell (1990), Applied Statistics 39, 331-340.
    """
    cp = cp_low = cp_high = np.nan
    if low is not None and high is not None:
        cp = (high - low) / (6 * sd)
        tail = (1 - level) / 2
        cp_low, cp_high = cp * np.sqrt(stats.chi2.ppf([tail, 1 - tail], n - 1) / (n - 1))
    cpk = min((_or(high, np.inf) - mean), (mean - _or(low, -np.inf))) / (3 * sd)
    half = float(special.ndtri(0.5 + level / 2)) * np.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return float(cp), float(cp_low), float(cp_high), float(cpk), float(cpk - half), float(cpk + half)


def _or(limit: float | None, other: float) -> float:
    return other if limit is None else limit


def _shape_p(sample: np.ndarray) -> float:
    """p-value of the shape: Shapiro-Wilk up to 5 000 values, skewness and kurtosis together beyond."""
    if sample.size <= 5_000:
        return float(stats.shapiro(sample).pvalue)
    return float(stats.normaltest(sample).pvalue)
