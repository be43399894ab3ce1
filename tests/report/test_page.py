"""A paper as HTML: everything in it, nothing fetched, every text escaped, words where no picture can be."""

from __future__ import annotations

import base64
import re
import sys
from datetime import date
from html.parser import HTMLParser

import altair as alt
import pandas as pd
import pytest

from fleet.charts.style import overlay
from fleet.report import pictures
from fleet.report.page import MISSING, html
from fleet.report.paper import Headline, Paper, Section, Table, tilt_words, turn_words
from fleet.report.style import SIZES, style_for_size

MARKUP = "<img src=x onerror=alert(1)>\"'&</style></script><b>"
DAY = date(2024, 5, 31)


class Reader(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def chart(text: str = "three bars: 1, 2 and 3") -> alt.LayerChart:
    frame = pd.DataFrame({"x": [1, 2, 3], "y": [1.0, 2.0, 3.0]})
    return overlay(alt.Chart(frame).mark_bar().encode(x="x:Q", y="y:Q"), height=100, text=text)


def paper(word: str = "plain", *, picture: bool = True) -> Paper:
    """A paper that says one word wherever it can say any."""
    frame = pd.DataFrame({word: [word, word], "rate": ["12 %", "–"]})
    section = Section(
        word,
        (word, word),
        pictures=(chart(word),) if picture else (),
        tables=(Table(word, frame),),
        notes=(word,),
    )
    return Paper(
        word, word, word, word, DAY, (Headline(word, word, word),), (section,), (word,), {word: word}
    )


def test_every_text_is_escaped() -> None:
    """Markup planted in every field of a paper is shown as it was written and makes no element."""
    page = html([paper(MARKUP)])
    plain, planted = Reader(html([paper()])), Reader(page)
    assert planted.tags == plain.tags
    assert "<img src=x" not in page
    assert "script" not in planted.tags
    shown = "".join(planted.words)
    assert shown.count(MARKUP) == "".join(plain.words).lower().count("plain")
    assert not [name for name, _ in planted.attributes if name.startswith("on")]


def test_nothing_is_fetched() -> None:
    """The page names no other place: style and pictures are inside, and the browser may load no more."""
    page = html([paper()])
    read = Reader(page)
    assert {"script", "link", "iframe", "object"}.isdisjoint(read.tags)
    addresses = [value or "" for name, value in read.attributes if name in {"src", "href", "srcset", "data"}]
    assert len(addresses) == 1
    assert addresses[0].startswith("data:image/svg+xml;base64,")
    assert "url(" not in page
    assert "@import" not in page
    rule = next(value for name, value in read.attributes if name == "content" and "src" in str(value))
    assert rule == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def test_a_picture_is_the_charts_own() -> None:
    """The picture holds the chart's axis titles as text, names no other place, and has its text as words."""
    page = html([paper("three bars")])
    (source,) = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', page)
    svg = base64.b64decode(source).decode()
    assert ">y</text>" in svg
    assert set(re.findall(r'(?:href|src)="([^"#]+)', svg)) == set()
    assert 'alt="three bars"' in page


def test_without_the_library_words_stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where charts can't be drawn, their words, the tables and one line on where that is told are there."""
    monkeypatch.setattr(pictures, "can_draw", lambda: False)
    read = Reader(html([paper("a figure of 12")]))
    assert "img" not in read.tags
    assert "table" in read.tags
    text = " ".join(read.words)
    assert MISSING in text
    assert sys.executable not in MISSING  # a paper goes out: it names nothing of this computer
    assert text.count("a figure of 12") > 5
    assert MISSING not in " ".join(Reader(html([paper(picture=False)])).words)


@pytest.mark.parametrize("size", SIZES)
def test_size_of_paper(size: str) -> None:
    """A named size is asked for; without one whoever prints decides, on A4 as on letter."""
    assert f"size: {size}" in style_for_size(size)
    assert "size:" not in re.sub(r"[\w-]+-size:", "", style_for_size(None))


def test_tables_are_read_by_rows_and_columns() -> None:
    """Each column and each row has its heading; figures stand right, words left."""
    page = html([paper()])
    assert page.count('scope="col"') == 2
    assert page.count('scope="row"') == 2
    assert '<td class="number">12 %</td>' in page


@pytest.mark.parametrize(
    ("angle", "said"),
    [
        (1.5, "1.5° tail up"),
        (-0.24, "0.2° tail down"),
        (0.04, "level"),
        (-0.04, "level"),
        (float("nan"), "–"),
    ],
)
def test_signs_in_words(angle: float, said: str) -> None:
    """A tilt's sign is said, never shown alone; what rounds to nothing has no sign."""
    assert tilt_words(angle) == said


def test_turns_in_words() -> None:
    """A turn is clockwise where it is positive."""
    assert turn_words(2.0) == "2.0° clockwise"
    assert turn_words(-2.0) == "2.0° anticlockwise"
