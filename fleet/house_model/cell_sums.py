"""What passes between the tallies and the models: moments per cell one way, fitted values the other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from fleet.rows import Columns

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


class CutRows(NamedTuple):
    """Rows read, rows beyond the cut, and the median size of the latter's residuals (NaN: not known)."""

    n: float
    cut: float
    cut_size: float


@dataclass(frozen=True)
class Scan:
    """What one pass over the rows comes to, rows beyond their link's cut left out.

    Attributes
    ----------
    rows : (cells,) rows of each cell, cut or not
    sums : per link, and for tracking and built-in angle together, moments per cell
    products : sums of products of kept residuals: columns source, scale_class, a, b, n, total
    cut : per link what the cut found
    faulty : per source (units, units beyond the cut of any judged link)
    """

    rows: Floats
    sums: Mapping[str, Sums]
    products: Columns
    cut: Mapping[str, CutRows]
    faulty: Mapping[str, tuple[float, float]]


class Tallies(Protocol):
    """Whoever can sum bench sheets up: coded rows that are held, or a stand-in on frames."""

    cells: Columns

    def sums(
        self, fits: Mapping[str, Fitted] | None = None, names: Iterable[str] | None = None
    ) -> dict[str, Sums]:
        """Moments of every link."""

    def middle(self, fits: Mapping[str, Fitted]) -> Mapping[str, Columns]:
        """Per link its median absolute residual by source, family and scale class: these, ``n``, ``mad``."""

    def scan(self, fits: Mapping[str, Fitted]) -> Scan:
        """Everything that the rows come to under these cuts."""
