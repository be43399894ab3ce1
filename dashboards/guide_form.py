"""The questions of a drafted reading guide, asked on a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboards import layout
from dashboards.data import sheets

if TYPE_CHECKING:
    from fleet.intake import Proposal


def ask(proposal: Proposal) -> str:
    """Ask what a file can't tell; the guide's text, with its open questions until all are answered."""
    answers: list[list[int]] = []
    for number, question in enumerate(proposal.open):
        words = [choice.words for choice in question.choices]
        for line in question.told:
            layout.note(line)
        if question.picture:
            st.code(question.picture, language=None)
        if question.several:
            wrong = st.multiselect(f"{question.text} Pick what is wrong", words, key=f"guide_ask_{number}")
            sure = st.checkbox("The rest is right", key=f"guide_sure_{number}")
            answers += [[words.index(word) for word in wrong]] if sure else []
        else:
            one = st.radio(question.text, words, index=None, key=f"guide_ask_{number}")
            answers += [] if one is None else [[words.index(one)]]
    if len(answers) < len(proposal.open):
        return proposal.toml
    return sheets.answer_draft(proposal, answers)
