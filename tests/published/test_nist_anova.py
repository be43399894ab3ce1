"""One-way analysis of variance against NIST's certified values (Statistical Reference Datasets).

The data files AtmWtAg, SiRstv and SmLs01 to SmLs09 come with scipy's own tests.  SmLs04 to 09 hide the same
seventh digit behind offsets of 1e6 and 1e12.  The mean squares are those of scan, Gram matrix and REML:
within = sigma², between = sigma² + n sd².
"""

import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from fleet.statistics.gram import Cells, Term, build_gram
from fleet.statistics.reml import fit_frame, fit_reml

FOLDER = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
NAMES = ["AtmWtAg", "SiRstv", *(f"SmLs0{i}" for i in range(1, 10))]
GROUP = [Term(("g",))]

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="this scipy comes without its tests' data files")


def read(name: str) -> tuple[pd.DataFrame, float, float]:
    """The rows (columns g, y) and the certified mean squares between and within."""
    text = (FOLDER / f"{name}.dat").read_text(encoding="utf-8")
    between = float(re.search(r"^Between \w+ +\d+ +\S+ +(\S+)", text, re.M)[1])
    within = float(re.search(r"^Within \w+ +\d+ +\S+ +(\S+)", text, re.M)[1])
    body = re.split(r"^Data:? +\S+ +\S+ *$", text, flags=re.M)[-1].split()
    return pd.DataFrame({"g": body[0::2], "y": np.array(body[1::2], dtype=float)}), between, within


def exact(frame: pd.DataFrame) -> tuple[float, float]:
    """Mean squares between and within of the stored doubles, in exact rational arithmetic."""
    groups = [[Fraction(y) for y in ys] for _, ys in frame.groupby("g")["y"]]
    n, k = len(frame), len(groups)
    means = [sum(g) / len(g) for g in groups]
    total = sum(sum(g) for g in groups) / n
    within = sum(sum((y - m) ** 2 for y in g) for g, m in zip(groups, means, strict=True))
    between = sum(len(g) * (m - total) ** 2 for g, m in zip(groups, means, strict=True))
    return float(between / (k - 1)), float(within / (n - k))


def digits(got: float, true: float) -> float:
    """Correct significant digits, at most 15.9."""
    return 15.9 if got == true else min(15.9, -float(np.log10(abs(got - true) / abs(true))))


def mean_squares(frame: pd.DataFrame) -> tuple[float, float]:
    """Between and within by the engine."""
    fit = fit_frame(frame, "y", random=GROUP)
    per_group = len(frame) / frame["g"].nunique()
    return float(fit.sigma**2 + per_group * fit.sds[0] ** 2), float(fit.sigma**2)


@pytest.mark.parametrize("name", NAMES)
def test_mean_squares_of_the_stored_numbers(name: str) -> None:
    """At least 12 correct digits within and 11 between, against exact arithmetic on the stored doubles."""
    frame, _, _ = read(name)
    got, true = mean_squares(frame), exact(frame)
    assert digits(got[1], true[1]) >= 12.0
    assert digits(got[0], true[0]) >= 11.0


@pytest.mark.parametrize("name", NAMES)
def test_certified_values(name: str) -> None:
    """As many certified digits as the decimal data keep when they are stored as doubles, less 0.3."""
    frame, between, within = read(name)
    got, stored = mean_squares(frame), exact(frame)
    assert digits(got[1], within) >= min(digits(stored[1], within), 13.0) - 0.3
    assert digits(got[0], between) >= min(digits(stored[0], between), 12.0) - 0.3


def test_certified_values_where_storage_is_no_limit() -> None:
    """Where the data are small the certified mean squares are met to 12 digits and more."""
    for name in ("SmLs01", "SmLs02", "SmLs03", "SiRstv"):
        frame, between, within = read(name)
        got = mean_squares(frame)
        assert digits(got[1], within) >= 12.0
        assert digits(got[0], between) >= 12.0


@pytest.mark.parametrize("name", [f"SmLs0{i}" for i in range(4, 10)])
def test_unshifted_sums_fail(name: str) -> None:
    """Sums of products about zero, not about the mean, keep fewer than two digits: why there is a shift."""
    frame, _, _ = read(name)
    cells, _ = Cells.from_frame(frame, "y", factors=["g"], unshifted=["y"])
    got = fit_reml(build_gram(cells, GROUP)).sigma ** 2
    assert digits(got, exact(frame)[1]) < 2.0
