"""What the page tests share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
from streamlit.testing.v1 import AppTest

APP = Path(__file__).resolve().parents[2] / "dashboards" / "app.py"
OpenPage = Callable[..., AppTest]


def bench_sheets(n: int = 260) -> pd.DataFrame:
    """Sheets of the demo bench, as the intake would hand them to the store, without asking for a key."""
    from synthetic_data.demo import demo_fleet

    sheets = demo_fleet().sheets
    some = sheets[sheets["purpose"] == "unit"].head(n).copy()
    some["serial_token"] = some.pop("serial")
    return some


def notes(app: AppTest) -> list[str]:
    """The page's remarks in small letters."""
    small = [str(m.value) for m in app.markdown if str(m.value).startswith(":small[")]
    return [text[len(":small[") : -1].replace("\\", "") for text in small]


def bold(app: AppTest) -> str:
    """The page's answer: its first text in bold."""
    text = next(m.value for m in app.markdown if m.value.startswith("**"))
    return str(text).strip("*").replace("\\", "")
