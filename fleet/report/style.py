"""How a paper looks: one column, ink on white, the answer first; the same on A4 and on letter."""

from __future__ import annotations

from typing import Final

SIZES: Final = ("a4", "letter")
INK, BLUE, FAINT, LINE = "#1f1d1b", "#0072B2", "#5b5650", "#c9c4bd"

CSS: Final = f"""
@page {{
  margin: 17mm 17mm 19mm 17mm;
  @bottom-left {{ content: string(running); font: 8pt "DejaVu Sans", Verdana, sans-serif; color: {FAINT}; }}
  @bottom-right {{ content: counter(page) " / " counter(pages);
    font: 8pt "DejaVu Sans", Verdana, sans-serif; color: {FAINT}; }}
}}
html {{ color: {INK}; background: #fff; font: 9.6pt/1.42 "DejaVu Sans", Verdana, sans-serif;
  font-variant-numeric: tabular-nums; }}
body {{ margin: 0 auto; max-width: 178mm; padding: 6mm; }}
@media print {{ body {{ padding: 0; max-width: none; }} }}
@media screen and (max-width: 170mm) {{
  body {{ padding: 3mm; }}
  dl.headlines, .pictures, dl.basis > div {{ flex-wrap: wrap; }}
  dl.headlines > div {{ flex-basis: 12em; }}
  .pictures figure {{ flex: 1 1 90vw !important; }}
  table {{ display: block; overflow-x: auto; }}
}}
main + main {{ break-before: page; margin-top: 14mm; }}
@media print {{ main + main {{ margin-top: 0; }} }}
header {{ border-top: 2.2pt solid {BLUE}; padding-top: 5pt; }}
header p {{ margin: 0; color: {FAINT}; font-size: 8.6pt; string-set: running content(); }}
h1 {{ font-size: 17pt; line-height: 1.2; font-weight: 400; margin: 9pt 0 7pt 0; letter-spacing: -0.01em; }}
.answer {{ font-size: 11pt; line-height: 1.45; margin: 0 0 10pt 0; padding-left: 9pt;
  border-left: 2.2pt solid {BLUE}; }}
dl.headlines {{ display: flex; gap: 9pt; margin: 0 0 4pt 0; }}
dl.headlines > div {{ flex: 1 1 0; border-top: 0.6pt solid {LINE}; padding-top: 4pt; }}
dl.headlines dt {{ color: {FAINT}; font-size: 8.2pt; }}
dl.headlines dd {{ margin: 0; }}
dl.headlines dd.value {{ font-size: 15pt; line-height: 1.3; }}
dl.headlines dd.note {{ font-size: 7.8pt; line-height: 1.35; color: {FAINT}; }}
h2 {{ font-size: 11.2pt; line-height: 1.25; font-weight: 700; margin: 13pt 0 4pt 0; break-after: avoid; }}
section p {{ margin: 0 0 5pt 0; }}
ul {{ margin: 0 0 5pt 0; padding-left: 13pt; }}
li {{ margin-bottom: 1.5pt; }}
.pictures {{ display: flex; gap: 8pt; align-items: flex-end; break-inside: avoid; }}
figure {{ margin: 2pt 0 5pt 0; flex: 1 1 0; min-width: 0; break-inside: avoid; }}
figure img {{ display: block; width: 100%; }}
figure.stands-in {{ border: 0.6pt dashed {LINE}; padding: 5pt 7pt; color: {FAINT}; font-size: 8.4pt; }}
.note {{ font-size: 8.2pt; line-height: 1.4; color: {FAINT}; }}
table {{ border-collapse: collapse; width: 100%; margin: 2pt 0 7pt 0; font-size: 8.6pt; line-height: 1.32; }}
caption {{ caption-side: top; text-align: left; color: {FAINT}; font-size: 8.4pt; padding-bottom: 2pt; }}
thead {{ display: table-header-group; }}
tr, table.short {{ break-inside: avoid; }}
caption {{ break-after: avoid; }}
th {{ font-weight: 400; color: {FAINT}; text-align: left; vertical-align: bottom;
  border-bottom: 0.9pt solid {INK}; }}
th, td {{ padding: 2.2pt 8pt 2.2pt 0; }}
td {{ vertical-align: top; border-bottom: 0.4pt solid {LINE}; }}
tbody th {{ font-weight: 400; color: {INK}; border-bottom: 0.4pt solid {LINE}; vertical-align: top; }}
.number {{ text-align: right; white-space: nowrap; }}
.number + td:not(.number), .number + th:not(.number) {{ padding-left: 12pt; }}
table.wide {{ font-size: 7.2pt; }}
table.wide th, table.wide td {{ padding-right: 4pt; white-space: normal; }}
table.wide th[scope=row] {{ overflow-wrap: anywhere; }}
table.narrow {{ width: auto; min-width: 70mm; }}
.cautions {{ break-inside: avoid; border: 0.8pt solid {INK}; padding: 5pt 9pt 3pt 9pt; margin-top: 12pt; }}
.cautions h2 {{ margin: 0 0 3pt 0; font-size: 9.6pt; }}
.cautions ul {{ font-size: 8.8pt; }}
figure.own-size img {{ width: 100%; height: auto; }}
main.card .pictures {{ align-items: center; }}
@page card {{ margin: 11mm 17mm 14mm 17mm; }}
main.card {{ page: card; }}
main.card h1 {{ font-size: 15pt; margin: 5pt 0; }}
main.card h2 {{ margin: 8pt 0 3pt 0; }}
main.card .answer {{ font-size: 10.4pt; margin-bottom: 6pt; }}
main.card .cautions {{ margin-top: 6pt; padding-top: 3pt; }}
main.card .cautions h2 {{ margin: 0 0 2pt 0; }}
dl.fields {{ display: flex; flex-wrap: wrap; gap: 7pt 14pt; margin: 8pt 0 0 0; break-inside: avoid; }}
dl.fields > div {{ flex: 1 1 48mm; border-bottom: 0.6pt solid {INK}; min-height: 20pt; }}
dl.fields dt {{ color: {FAINT}; font-size: 7.8pt; }}
dl.fields dd {{ margin: 0; font-size: 9.6pt; }}
dl.basis {{ font-size: 8pt; line-height: 1.4; color: {FAINT}; margin: 9pt 0 0 0; break-inside: avoid; }}
dl.basis > div {{ display: flex; gap: 8pt; }}
dl.basis dt {{ flex: 0 0 32mm; }}
dl.basis dd {{ margin: 0 0 2pt 0; flex: 1 1 0; }}
"""


def style_for_size(size: str | None) -> str:
    """The style for a named size of paper; None leaves the size to whoever prints it.

    Parameters
    ----------
    size : one of `SIZES`, or None.
    """
    return CSS if size is None else CSS + f"@page {{ size: {size}; }}\n"
