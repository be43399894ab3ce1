"""Where every unit stands: each reading against what its kind should read, in its own sigmas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fleet.alignment.targets import select_counted
from fleet.house_model.chain import JUDGED
from fleet.house_model.loo_residuals import residuals

if TYPE_CHECKING:
    from fleet.house_model.house import House


def standing(house: House, sheets: pd.DataFrame) -> pd.DataFrame:
    """Set every reading of every unit against its kind, its own sheet left out.

    Parameters
    ----------
    house : House
        The fitted model.
    sheets : DataFrame
        Current sheets, canonical columns, ``unit``, ``newest``; each unit counts by its newest sheet.

    Returns
    -------
    DataFrame
        One row a unit and reading: ``sheet_no``, ``unit``, ``link`` (of `JUDGED`), ``reading`` and
        ``expected`` [degrees, dB], ``sigmas``. What wasn't read has no row.
    """
    units = select_counted(sheets).reset_index(drop=True)
    resid = residuals(house, units, taught=np.ones(len(units), dtype=bool))
    sd = np.sqrt(np.diagonal(resid.covariance, axis1=1, axis2=2))
    row, link = np.nonzero(~np.isnan(resid.value) & (sd > 0))
    off, expected = resid.value[row, link], resid.expected[row, link]
    return pd.DataFrame(
        {
            "sheet_no": units["sheet_no"].astype(str).to_numpy()[row],
            "unit": units["unit"].astype(str).to_numpy()[row],
            "link": np.array(JUDGED)[link],
            "reading": expected + off,
            "expected": expected,
            "sigmas": off / sd[row, link],
        }
    )
