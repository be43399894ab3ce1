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


class Tallies(Protocol):
    """Whoever can sum bench sheets up: the store's tallier, or a stand-in on frames."""

    cells: pd.DataFrame

    def sums(
        self, fits: Mapping[str, Fitted] | None = None, names: Iterable[str] | None = None
    ) -> dict[str, Sums]:
        """Moments of every link in one scan."""

    def middle(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Median absolute residual per link, source, family and scale class."""

    def residual_products(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Sums of products of residuals of pairs of links, per source and scale class."""

    def cut_summary(self, fits: Mapping[str, Fitted]) -> pd.DataFrame:
        """Per link the rows read, the rows cut and the median size of the cut residuals."""

    def faulty(self, fits: Mapping[str, Fitted]) -> dict[str, tuple[float, float]]:
        """Per source: units, and units beyond the cut of any judged link."""
