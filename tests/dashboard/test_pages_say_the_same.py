"""Page against command line, figure by figure: what a table shows is what the command prints."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pytest
from page_helpers import OpenPage
from streamlit.testing.v1 import AppTest

from fleet import words
from fleet.cli import run
from fleet.words import QUANTITIES

CAUTIONS = (
    words.BENCH_DECIDES, words.NO_REPAIR, words.CLEARANCE, words.NO_ROOM, words.STEEL, words.GLUE,
    words.STEEP_ROLL, words.CASE_MIX, words.HANDLING, words.PRIVACY,
)  # fmt: skip
FIGURE = re.compile(r"[<>]?[+\-−]?\d+(?:\.\d+)?")
KIND = {"stylus_profile": "line_contact", "cantilever_material": "boron", "vtf_mn": "18"}
READ = {
    **KIND,
    "sra_dynamic_deg": "89.2",
    "vta_dynamic_deg": "23.1",
    "zenith_deg": "3.4",
    "tilt_room_deg": "3",
}


class Pair(NamedTuple):
    """A page's table and the command whose lines hold its figures.

    Attributes
    ----------
    page, filters : as a link has them
    label : columns whose words begin the command's line, in its order
    figures : columns of figures that stand in that line
    command : what is typed
    part : heading after which the lines stand; empty where they stand alone
    """

    page: str
    filters: dict[str, str]
    label: tuple[str, ...]
    figures: tuple[str, ...]
    command: str
    part: str = ""


QUOTE = "quote --no-keep --stylus-profile line_contact --cantilever-material boron --vtf-mn 18"
RATES = ("units", "rate", "95 % interval")
PAIRS = {
    "quote": Pair("enquiry", KIND, ("bench reading",), ("median", "nine in ten"), QUOTE),
    "both reachable": Pair(
        "attainment", {"by": "assembly_source"}, ("group",),
        (*RATES, "built-in angle rules both out", "room or lower limit does"),
        "attainment --by assembly_source", "Both targets:",
    ),
    "rake as built": Pair(
        "attainment", {"by": "stylus_profile", "target": "rake", "state": "built"}, ("group",),
        RATES, "attainment --by stylus_profile", "Rake:",
    ),
    "tracking level": Pair(
        "attainment", {"by": "body_family", "target": "tracking", "state": "level"}, ("group",),
        RATES, "attainment --by body_family", "Tracking angle:",
    ),
    "noise": Pair(
        "bench", {}, ("reading", "bench", "operator"),
        ("readings", "standard deviation", "95 % interval", "slips left out"), "noise",
    ),
    "watch": Pair(
        "bench", {}, ("reading",), ("spread of a check", "checks since baseline", "signals"), "watch",
    ),
    "budgets": Pair(
        "bench", {}, ("quantity",), ("± (95 %)", "standard uncertainty", "k"), "budget",
    ),
}  # fmt: skip
COMMANDS = {
    "enquiry": QUOTE,
    "attainment": "attainment --by assembly_source --funnel",
    "suspects": "suspects",
    "on_the_bench": "judge " + " ".join(f"--{k.replace('_', '-')} {v}" for k, v in READ.items()),
    "unit": "unit DEMO-W00000001",
}
LINKS = {"enquiry": KIND, "on_the_bench": READ, "unit": {"sheet": "DEMO-W00000001"}}
"""What a page is asked where its command is told something."""


def printed(command: str, store: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What a command prints."""
    capsys.readouterr()
    assert run(["--store", str(store), *command.split()]) == 0
    return capsys.readouterr().out


def as_shown(app: AppTest, columns: tuple[str, ...]) -> list[dict[str, str]]:
    """Rows of the page's table with these columns, their cells as people read them."""
    element = next(e for e in app.dataframe if set(columns) <= set(e.value.columns))
    frame, styler = element.value.astype(str), element.proto.arrow_data.styler
    if styler.display_values:
        cells = pa.ipc.open_stream(styler.display_values).read_all().to_pandas()
        frame = cells.set_axis(frame.columns, axis=1).astype(str)
    return frame[list(columns)].to_dict("records")


def row_of(text: str, pair: Pair, label: list[str]) -> list[str]:
    """Cells behind a row's words in the first printed row that has these words beside each other."""
    after = text.split(f"\n{pair.part}\n", 1)[1].split("\n\n", 1)[0] if pair.part else text
    rows = [[said(cell) for cell in re.split(r"\s{2,}", line.strip())] for line in after.splitlines()]
    wanted, n = [said(word) for word in label], len(label)
    for row in rows:
        at = [i + n for i in range(len(row) - n) if row[i : i + n] == wanted]
        if at:
            return row[at[-1] :]
    raise AssertionError((label, text))


def said(word: str) -> str:
    """A printed name in the words of a page: codes in plain words, without the unit behind them."""
    word = re.sub(r" \[[^]]*\]$", "", word)
    known = [code for code in (word, f"{word}_deg") if code in QUANTITIES]
    return QUANTITIES[known[0]].short if known else word.replace("_", " ")


def test_tables_show_the_commands_figures(
    with_checks: Path, open_page: OpenPage, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each figure of each row stands in the command's row, as often as it is shown: 300 and more in all."""
    compared: Counter[str] = Counter()
    opened: dict[tuple[str, str], AppTest] = {}
    for name, pair in PAIRS.items():
        text = printed(pair.command, with_checks, capsys)
        link = pair.page, str(pair.filters)
        app = opened[link] = opened.get(link) or open_page(with_checks, pair.page, **pair.filters)
        assert not app.exception
        for row in as_shown(app, (*pair.label, *pair.figures)):
            told = Counter(FIGURE.findall(" ".join(row_of(text, pair, [row[c] for c in pair.label]))))
            shown = Counter(FIGURE.findall(" ".join(row[c] for c in pair.figures)))
            assert shown <= told, (name, row, shown - told)
            compared[name] += shown.total()
    assert set(compared) == set(PAIRS)
    assert compared.total() >= 300, compared


@pytest.mark.parametrize(
    "page", [pytest.param(p, marks=pytest.mark.long) if p in ("suspects", "unit") else p for p in COMMANDS]
)
def test_a_page_drops_no_caution(
    page: str, with_checks: Path, open_page: OpenPage, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every caution that the command prints stands on the page as well."""
    said = printed(COMMANDS[page], with_checks, capsys)
    cautions = [c for c in CAUTIONS if c in said]
    assert cautions
    app = open_page(with_checks, page, **LINKS.get(page, {}))
    assert not app.exception
    text = " ".join(str(m.value) for m in app.markdown).replace("\\", "")
    assert [c for c in cautions if c not in text] == []
