"""Figures in tables sort by their size and are shown as they were written."""

from __future__ import annotations

import pandas as pd
from pandas.io.formats.style import Styler

from dashboards.numbers import sortable


def shown(found: object, name: str) -> list[str]:
    """What a table shows in a column."""
    assert isinstance(found, Styler)
    place = found.data.columns.get_loc(name)
    found._compute()
    return [found._display_funcs[(i, place)](v) for i, v in enumerate(found.data[name])]


def test_shares_sort_by_their_size_and_are_shown_as_they_were() -> None:
    """2 % stands under 12 %, less than one under one, more than 99 over 99; a dash sorts apart."""
    texts = ["12 %", "2 %", "<1 %", ">99 %", "99 %", "1 %", "–"]
    found = sortable(pd.DataFrame({"chance": texts}))
    ordered = found.data["chance"].sort_values()
    assert [texts[i] for i in ordered.index] == ["<1 %", "1 %", "2 %", "12 %", "99 %", ">99 %", "–"]
    assert shown(found, "chance")[:6] == texts[:6]


def test_angles_with_signs_are_numbers() -> None:
    """Degrees with a sign, one unit a column, are numbers; the same digits are shown."""
    found = sortable(pd.DataFrame({"zenith": ["-1.50°", "+0.30°", "10.00°"], "kind": ["a", "b", "c"]}))
    assert found.data["zenith"].tolist() == [-1.5, 0.3, 10.0]
    assert found.data["kind"].tolist() == ["a", "b", "c"]
    assert shown(found, "zenith") == ["-1.50°", "+0.30°", "10.00°"]


def test_what_is_no_figure_stays_text() -> None:
    """Intervals, mixed units and numbers of sheets that would look alike as figures are left as they are."""
    frame = pd.DataFrame({"span": ["1 to 2 %", "3 to 4 %"], "mixed": ["1 %", "2°"], "sheet": ["007", "7"]})
    assert sortable(frame).equals(frame)
    counted = pd.DataFrame({"units": [3, 4]})
    assert sortable(counted).equals(counted)
