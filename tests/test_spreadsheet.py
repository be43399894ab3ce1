"""Text that a spreadsheet would run is made harmless, and comes back as it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.spreadsheet import RISKY, defuse, restore


@pytest.mark.parametrize("first", RISKY)
def test_risky_text_gets_an_apostrophe(first: str) -> None:
    """A text that begins like a formula no longer does."""
    assert defuse(f"{first}1+1") == f"'{first}1+1"


@pytest.mark.parametrize("text", ["", "F012", "line_contact", "it's", "'quoted'", "1-1", " =1"])
def test_other_text_stays(text: str) -> None:
    """Any other text is left as it is."""
    assert defuse(text) == text


@pytest.mark.long
@given(st.text(alphabet=st.sampled_from("'=+-@\tA1 \uff1d"), max_size=6) | st.text(max_size=20))
def test_restore_undoes_defuse(text: str) -> None:
    """What goes out comes back, apostrophes of its own included, and what goes out is never a formula."""
    assert restore(defuse(text)) == text
    assert not defuse(text).startswith(tuple(RISKY))
