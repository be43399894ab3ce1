"""Numbers that stay numbers in tables: shown as people read them, with sign and unit, sorted by size."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.numerals import NOT_KNOWN

if TYPE_CHECKING:
    from collections.abc import Callable

    from pandas.io.formats.style import Styler

_FIGURE: Final = re.compile(r"([<>]?)\s?([+\-−]?\d+(?:\.\d+)?)\s?(%|°|dB|mm|min|mN|Hz|points|times|µs|g|h)?$")
_NOTHING: Final = frozenset({NOT_KNOWN, "", "too few", "not read"})
_BESIDE: Final = 0.01
"""How far beyond its bound "less than" and "more than" stand when they are sorted."""


def sortable(frame: pd.DataFrame) -> pd.DataFrame | Styler:
    """Turn columns of figures with one unit into numbers that are shown as the figures were.

    Parameters
    ----------
    frame : what people read; a column of texts that aren't all figures stays as it is.

    Returns
    -------
    DataFrame or Styler
        The frame itself where nothing is to be turned.
    """
    if frame.columns.has_duplicates:
        return frame
    frame = frame.reset_index(drop=True)
    shown: dict[str, tuple[dict[float, str], str]] = {}
    turned = frame.copy()
    for name in frame:
        texts = frame[name]
        values = _numbers(texts)
        if values is None:
            continue
        told, nothing = values.dropna(), set(texts[values.isna()])
        if texts[told.index].nunique() == told.nunique() and len(nothing) <= 1:
            turned[name] = values
            shown[str(name)] = dict(zip(told, texts[told.index], strict=True)), next(iter(nothing), NOT_KNOWN)
    if not shown:
        return frame
    styled = turned.style
    for name, (said, nothing_said) in shown.items():
        styled = styled.format(_as_written(said), subset=[name], na_rep=nothing_said)
    return styled


def _as_written(said: dict[float, str]) -> Callable[[object], str]:
    return lambda value: said[float(str(value))]


def _numbers(texts: pd.Series) -> pd.Series | None:
    """The column as numbers; None unless its cells are figures of one unit, or nothing, and some are."""
    found, units = [], set()
    for text in texts:
        if not isinstance(text, str):
            return None
        if text in _NOTHING:
            found.append(np.nan)
            continue
        match = _FIGURE.match(text)
        if match is None:
            return None
        sign, digits, unit = match.groups()
        units.add(unit)
        found.append(float(digits.replace("−", "-")) + _BESIDE * {"<": -1, ">": 1}.get(sign, 0))
    if len(units) != 1 or all(np.isnan(found)):
        return None
    return pd.Series(found, index=texts.index)
