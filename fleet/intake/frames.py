"""A frame in memory as the rows of a file, so that it meets the same checks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from fleet.columns import Column
from fleet.errors import UnreadableFileError
from fleet.intake.columnar import cell_text, column_text, without_blank_rows
from fleet.intake.table import SheetTable, Text, match_headers

if TYPE_CHECKING:
    import pandas as pd

FRAME: Final = "the frame"
"""What faults call a frame in the place of a file's name."""


def frame_table(frame: pd.DataFrame, known: Mapping[str, Column], name: str = FRAME) -> SheetTable:
    """Take the known columns of a frame as text; a row's "line" is its number from 1, whatever its index.

    Parameters
    ----------
    frame : DataFrame
        Columns by their canonical names.
    known : mapping of str to Column
        The catalogue to look for.
    name : str
        What faults call the frame.

    Returns
    -------
    SheetTable

    Raises
    ------
    UnreadableFileError
        If a required column is missing, a known one stands twice, or one holds something that is no cell.
    """
    places, ignored = match_headers([str(column) for column in frame.columns], known, name)
    columns = {column: _text(frame.iloc[:, place], f"{name}, {column}") for column, place in places.items()}
    return without_blank_rows(name, np.arange(1, len(frame) + 1, dtype=np.int64), columns, ignored)


def _text(cells: pd.Series, where: str) -> Text:
    """Cells of one column as text, cell by cell where they are of several kinds."""
    try:
        array = pa.Array.from_pandas(cells)
        return column_text(array if isinstance(array, pa.ChunkedArray) else pa.chunked_array([array]))
    except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError, TypeError):
        pass
    if any(hasattr(cell, "__len__") and not isinstance(cell, str) for cell in cells):
        raise UnreadableFileError(f"{where}: a cell holds several values; give one a cell.")
    missing = cells.isna().to_numpy()
    texts = [None if gone else cell_text(cell) for cell, gone in zip(cells, missing, strict=True)]
    return pa.chunked_array([pa.array(texts, pa.string())])
