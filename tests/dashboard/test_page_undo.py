"""A verdict recorded on a page is taken back there, and the page says what either changed."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_helpers import OpenPage

from fleet.store import Store, list_verdicts

pytestmark = pytest.mark.long


def test_a_verdict_is_recorded_and_taken_back(own: Path, open_page: OpenPage) -> None:
    """Both say what was done and what it changed; afterwards no verdict counts and none can be taken back."""
    app = open_page(own, "suspects")
    number = str(app.dataframe[0].value["sheet"].iloc[0])
    app = open_page(own, "unit", sheet=number)
    assert "Take it back" not in [b.label for b in app.button]
    next(box for box in app.selectbox if box.label == "Outcome").set_value("healthy")
    next(b for b in app.button if b.label == "Record the verdict").click().run()
    assert not app.exception
    said = app.success[0].value.replace("\\", "")
    assert said.startswith("Recorded: ")
    assert "flagged" in said
    assert "this unit sound: " in said
    assert list_verdicts(Store(own))["outcome"].tolist() == ["healthy"]
    next(b for b in app.button if b.label == "Take it back").click().run()
    assert not app.exception
    assert "no verdict counts now" in app.success[0].value
    assert list_verdicts(Store(own)).empty
    assert "Take it back" not in [b.label for b in app.button]
