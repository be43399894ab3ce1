"""Judgements as pictures: pure functions from a result to an Altair chart, each with a text that stands in.

`enquiry` draws quotes, `groups` readings by group, `suspects` one unit among its kind, `rates` attainment;
`tables` holds tables and headline figures, `style` colours, shapes and axes.
"""
