"""What passes between the tallies and the models: moments per cell one way, fitted values the other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sums:
    """Moments of one link per cell.

    Attributes
    ----------
    columns : ``("1", covariates..., response)``
    moments : (cells, K, K) sums of products in natural units, the response less its link's centre
    counts : (cells,) rows that went in
    """

    columns: tuple[str, ...]
    moments: Floats
    counts: Floats


@dataclass(frozen=True)
class Fitted:
    """One link's fitted values as the tallies need them, per cell.

    Attributes
    ----------
    at_zero : (cells,) fitted response at zero covariates, natural units
    slopes : per covariate (cells,) fitted slope
    bound : (cells,) largest absolute residual that stays in the sums; inf keeps all
    """

    at_zero: Floats
    slopes: Mapping[str, Floats]
    bound: Floats


@dataclass(frozen=True)
class Scan:
    """What one pass over the rows comes to, rows beyond their link's cut left out.

    Attributes
    ----------
    rows : (cells,) rows of each cell, cut or not
    sums : per link, and for tracking and built-in angle together, moments per cell
    products : sums of products of kept residuals: columns source, scale_class, a, b, n, total
    cut : per link the rows read, the rows cut and the median size of the cut residuals (n, cut, cut_size)
    faulty : per source (units, units beyond the cut of any judged link)
    """

    rows: Floats
    sums: Mapping[str, Sums]
    products: pd.DataFrame
    cut: pd.DataFrame
    faulty: Mapping[str, tuple[float, float]]


class Tallies(Protocol):
    """Whoever can sum bench sheets up: coded rows that are held, or a stand-in on frames."""

    cells: pd.DataFrame

    def sums(
        self, fits: Mapping[str, Fitted] | None = None, names: Iterable[str] | None = None
    ) -> dict[str, Sums]:
        """Moments of every link."""

    def middle(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Median absolute residual per link, source, family and scale class."""

    def scan(self, fits: Mapping[str, Fitted]) -> Scan:
        """Everything that the rows come to under these cuts."""
