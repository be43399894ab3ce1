"""Made-up data for the engine's tests, and the textbook matrices that its short cuts must equal."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from fleet.statistics.gram import Design, Term

CROSSED = (Term(("profile",)), Term(("source",)), Term(("profile", "source")))


def fleet(n: int, *, seed: int, sds: tuple[float, float, float] = (1.0, 0.6, 0.4)) -> pd.DataFrame:
    """n units of 4 profiles and 3 sources, covariates s (carries slopes) and warm, response y, weights w."""
    rng = np.random.default_rng(seed)
    profile, source = rng.integers(0, 4, n), rng.integers(0, 3, n)
    s, warm = rng.uniform(0.3, 3.0, n), rng.normal(0.0, 1.5, n)
    y = 20.0 + 0.4 * s + 0.2 * warm + rng.normal(0.0, 0.8, n)
    y += (sds[0] * rng.standard_normal(4))[profile] + (sds[1] * rng.standard_normal(3))[source]
    y += (sds[2] * rng.standard_normal(12))[profile * 3 + source]
    return pd.DataFrame(
        {
            "profile": [f"p{i}" for i in profile],
            "source": [f"s{i}" for i in source],
            "s": s,
            "warm": warm,
            "y": y,
            "w": rng.uniform(0.3, 2.5, n),
        }
    )


def columns(frame: pd.DataFrame, design: Design, fixed: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    """Z (n, q) and X (n, p) written out row by row."""
    z = np.zeros((len(frame), design.q))
    start = 0
    for term, keys in zip(design.terms, design.levels, strict=True):
        value = np.ones(len(frame)) if term.covariate == "1" else frame[term.covariate].to_numpy()
        label = list(zip(*(frame[f] for f in term.factors), strict=True))
        for i, key in enumerate(keys):
            z[:, start + i] = value * np.array([row == key for row in label])
        start += len(keys)
    x = np.column_stack([np.ones(len(frame)), *(frame[c] for c in fixed)])
    return z, x


def restricted(
    y: np.ndarray, z: np.ndarray, x: np.ndarray, variances: np.ndarray, sigma: float, w: np.ndarray
) -> float:
    """-2 × restricted log-likelihood from the n by n covariance matrix of the rows."""
    v = (z * variances) @ z.T + np.diag(sigma**2 / w)
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    r = y - x @ beta
    n, p = x.shape
    value = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + r @ inverse @ r
    return float(value + (n - p) * np.log(2.0 * np.pi))
