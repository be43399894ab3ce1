"""A fleet's sums inside the robust cut: all that a fit needs, as an object of its own.

Whoever sums bench sheets up (the store, an engine elsewhere, another bench) hands this over.  It holds no
sheet; that it holds no unit either takes merging its small cells (see `fleet export`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.errors import FleetError
from fleet.house_model.cell_sums import CutRows, Fitted, Sums
from fleet.house_model.variance_function import VarianceFunction
from fleet.rows import Columns, columns_of_text, exact_text

Floats = NDArray[np.float64]
CUT_FORMAT: Final = 2


@dataclass(frozen=True)
class TrimmedTallies:
    """Sums over the teaching sheets, rows beyond their link's cut left out.

    Attributes
    ----------
    cells : one row a cell: the factors, ``scale_class`` and ``n`` (units)
    sums : per link, and for tracking and built-in angle together, moments per cell
    fits : per link the fitted values that residuals were taken against, and the cut, per cell
    spreads : per link the spread that the cut was made by
    products : sums of products of kept residuals: columns source, scale_class, a, b, n, total
    cut : per link what the cut found
    faulty : per source (units, units beyond a cut in any judged link)
    scale_s2 : mean squared sag scale of each scale class
    robust : False where every row was taken at its word
    """

    cells: Columns
    sums: Mapping[str, Sums]
    fits: Mapping[str, Fitted]
    spreads: Mapping[str, VarianceFunction]
    products: Columns
    cut: Mapping[str, CutRows]
    faulty: Mapping[str, tuple[float, float]]
    scale_s2: Floats
    robust: bool = True

    @property
    def units(self) -> float:
        """Units that were summed up."""
        return float(np.sum(self.cells["n"]))


def trimmed_to_parts(cut: TrimmedTallies) -> tuple[dict[str, Floats], dict[str, str]]:
    """Arrays and texts that `trimmed_from_parts` turns back into the same sums."""
    arrays: dict[str, Floats] = {"scale_s2": cut.scale_s2}
    head: dict[str, Any] = {"format": CUT_FORMAT, "robust": cut.robust, "sums": {}, "fits": {}, "spreads": {}}
    for name, sums in cut.sums.items():
        arrays[f"sums.{name}.moments"], arrays[f"sums.{name}.counts"] = sums.moments, sums.counts
        head["sums"][name] = list(sums.columns)
    for name, fit in cut.fits.items():
        arrays[f"fit.{name}.at_zero"], arrays[f"fit.{name}.bound"] = fit.at_zero, fit.bound
        for covariate, slope in fit.slopes.items():
            arrays[f"fit.{name}.slope.{covariate}"] = slope
        head["fits"][name] = list(fit.slopes)
    for name, spread in cut.spreads.items():
        head["spreads"][name] = spread.to_list()
    head["faulty"] = {k: list(v) for k, v in cut.faulty.items()}
    texts = {"head": json.dumps(head)}
    texts["cells"], texts["products"] = exact_text(cut.cells), exact_text(cut.products)
    columns = dict(zip(CutRows._fields, np.array(list(cut.cut.values())).reshape(-1, 3).T, strict=True))
    texts["cut"] = exact_text(columns, list(cut.cut))
    return arrays, texts


def trimmed_from_parts(arrays: Mapping[str, Floats], texts: Mapping[str, str]) -> TrimmedTallies:
    """The sums that `trimmed_to_parts` took apart.

    Raises
    ------
    FleetError
        If they were written by a version of fleet that wrote its parts otherwise.
    """
    head = json.loads(texts["head"])
    if head["format"] != CUT_FORMAT:
        raise FleetError("these tallies were written by another version of fleet: write them again")
    sums = {
        name: Sums(tuple(columns), arrays[f"sums.{name}.moments"], arrays[f"sums.{name}.counts"])
        for name, columns in head["sums"].items()
    }
    fits = {
        name: Fitted(
            arrays[f"fit.{name}.at_zero"],
            {c: arrays[f"fit.{name}.slope.{c}"] for c in covariates},
            arrays[f"fit.{name}.bound"],
        )
        for name, covariates in head["fits"].items()
    }
    spreads = {name: VarianceFunction.of_list(parts) for name, parts in head["spreads"].items()}
    faulty = {k: (float(a), float(b)) for k, (a, b) in head["faulty"].items()}
    told = json.loads(texts["cut"])
    missing = (tuple(np.nan if x is None else float(x) for x in row) for row in told["data"])
    return TrimmedTallies(
        columns_of_text(texts["cells"]),
        sums,
        fits,
        spreads,
        columns_of_text(texts["products"]),
        {link: CutRows(*row) for link, row in zip(told["index"], missing, strict=True)},
        faulty,
        arrays["scale_s2"],
        head["robust"],
    )
