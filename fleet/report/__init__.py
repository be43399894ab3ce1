"""Printed papers: judgements laid out on a page that stands alone, for an owner, a maker or the shelf.

`paper` holds what a paper says, `quotes`, `units`, `makers` and `years` fill it, `page` writes it as one HTML
file that asks nothing of any other place, `pictures` turns charts into SVG, `pdf` prints it.
"""
