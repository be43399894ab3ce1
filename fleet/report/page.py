"""A paper as one HTML file: everything in it, nothing fetched, every text escaped."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING, Final

from fleet.report import pictures
from fleet.report.style import style_for_size

if TYPE_CHECKING:
    import altair as alt
    import pandas as pd

    from fleet.report.paper import Field, Headline, Paper, Section, Table

_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""What a browser may load for the page: its own style and the pictures that it holds."""
_NUMBER: Final = re.compile(r"[<>≤≥+\-−]?\s?\d|–$|level$|too few$")
MISSING: Final = (
    "Pictures are left out of this paper: they need the extra report (fleet explain papers). Each picture's "
    "figures stand in words in its place."
)
NARROW: Final = 2
"""A table of so few columns isn't drawn out over the whole page."""
WIDE: Final = 8
"""A table of so many columns is set smaller, its headings and numbers broken where they must be."""
SHORT: Final = 10
"""A table of so few rows stays on one page."""
Drawer = Callable[["alt.LayerChart", int], str]


def html(papers: Sequence[Paper], *, size: str | None = None, draw: Drawer | None = None) -> str:
    """Write papers as one page of HTML, each beginning on a new sheet when printed.

    Parameters
    ----------
    papers : one or more.
    size : of the paper, `a4` or `letter`; None leaves it to whoever prints.
    draw : makes an image's address of a chart; the library's where it is installed, else words stand in.
    """
    if draw is None and pictures.can_draw():
        draw = pictures.address
    title = escape(f"{papers[0].kind.capitalize()}: {papers[0].subject}")
    body = "\n".join(_paper(paper, draw) for paper in papers)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{style_for_size(size)}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _paper(paper: Paper, draw: Drawer | None) -> str:
    running = f"{paper.kind.capitalize()} · {paper.subject} · written {paper.on.isoformat()}"
    parts = [
        '<main class="card">' if paper.fields else "<main>",
        f"<header><p>{escape(running)}</p></header>",
        f"<h1>{escape(paper.question)}</h1>",
        f'<p class="answer">{escape(paper.answer)}</p>',
        _headlines(paper.headlines),
        *(_section(section, draw) for section in paper.sections),
        _cautions(paper.cautions),
        _fields(paper.fields),
        _basis(paper, missing=draw is None and any(s.pictures for s in paper.sections)),
        "</main>",
    ]
    return "\n".join(part for part in parts if part)


def _headlines(headlines: Sequence[Headline]) -> str:
    if not headlines:
        return ""
    cells = "".join(
        f'<div><dt>{escape(h.label)}</dt><dd class="value">{escape(h.value)}</dd>'
        f'<dd class="note">{escape(h.note)}</dd></div>'
        for h in headlines
    )
    return f'<dl class="headlines">{cells}</dl>'


def _section(section: Section, draw: Drawer | None) -> str:
    parts = [f"<section><h2>{escape(section.heading)}</h2>"]
    if len(section.lines) > 1:
        parts.append("<ul>" + "".join(f"<li>{escape(line)}</li>" for line in section.lines) + "</ul>")
    else:
        parts += [f"<p>{escape(line)}</p>" for line in section.lines]
    for start in range(0, len(section.pictures), section.abreast):
        row = section.pictures[start : start + section.abreast]
        figures = "".join(_picture(chart, section.abreast, draw) for chart in row)
        parts.append(f'<div class="pictures">{figures}</div>')
    parts += [_table(table) for table in section.tables]
    parts += [f'<p class="note">{escape(note)}</p>' for note in section.notes]
    return "\n".join([*parts, "</section>"])


def _picture(chart: alt.LayerChart, abreast: int, draw: Drawer | None) -> str:
    words = escape(str(chart.description), quote=True)
    if draw is None:
        return f'<figure class="stands-in">{words}</figure>'
    dress = ""
    if pictures.has_own_size(chart):
        dress = f' class="own-size" style="flex: {chart.width:g} 1 0; max-width: {chart.width:g}px"'
    return f'<figure{dress}><img src="{escape(draw(chart, abreast), quote=True)}" alt="{words}"></figure>'


def _table(table: Table) -> str:
    frame = table.frame
    if frame.empty:
        return ""
    numbers = [i > 0 and _all_numbers(frame.iloc[:, i]) for i in range(frame.shape[1])]
    heads = "".join(
        f'<th scope="col"{_aligned(number)}>{escape(str(name))}</th>'
        for name, number in zip(frame.columns, numbers, strict=True)
    )
    rows = []
    for row in frame.itertuples(index=False):
        first = f'<th scope="row">{escape(str(row[0]))}</th>'
        rest = "".join(
            f"<td{_aligned(number)}>{escape(str(cell))}</td>"
            for cell, number in zip(row[1:], numbers[1:], strict=True)
        )
        rows.append(f"<tr>{first}{rest}</tr>")
    caption = f"<caption>{escape(table.caption)}</caption>" if table.caption else ""
    classes = (["narrow"] if frame.shape[1] <= NARROW else []) + (["short"] if len(frame) <= SHORT else [])
    classes += ["wide"] if frame.shape[1] >= WIDE else []
    dress = f' class="{" ".join(classes)}"' if classes else ""
    return f"<table{dress}>{caption}<thead><tr>{heads}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _all_numbers(cells: pd.Series) -> bool:
    return all(_NUMBER.match(str(cell)) and len(str(cell)) < 26 for cell in cells)


def _aligned(number: bool) -> str:
    return ' class="number"' if number else ""


def _cautions(lines: Sequence[str]) -> str:
    if not lines:
        return ""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<section class="cautions"><h2>Mind</h2><ul>{items}</ul></section>'


def _fields(fields: Sequence[Field]) -> str:
    if not fields:
        return ""
    cells = "".join(f"<div><dt>{escape(f.label)}</dt><dd>{escape(f.value)}</dd></div>" for f in fields)
    return f'<dl class="fields">{cells}</dl>'


def _basis(paper: Paper, *, missing: bool) -> str:
    told = paper.basis | ({"pictures": MISSING} if missing else {})
    if not paper.fields:
        told |= {"date": paper.on.isoformat()}
    if not told:
        return ""
    rows = "".join(f"<div><dt>{escape(_capital(k))}</dt><dd>{escape(v)}</dd></div>" for k, v in told.items())
    return f'<dl class="basis">{rows}</dl>'


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
