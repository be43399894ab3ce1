"""What a file can't tell: questions about its columns, each with its answers and what they make of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from fleet.columns import LEVEL
from fleet.intake.guides.guide import DATE_ORDERS, Guide, Rule


@dataclass(frozen=True)
class Choice:
    """One answer.

    Attributes
    ----------
    words : the answer.
    rules : what it changes of each column's rule, None = left out.
    dates : the order of days, if it changes that.
    rows : by header, what a cell says of its row; None = nothing, unless another answer says otherwise.
    """

    words: str
    rules: Mapping[str, Mapping[str, Any] | None] = field(default_factory=dict)
    dates: str = ""
    rows: Mapping[str, Mapping[str, str | None]] = field(default_factory=dict)


@dataclass(frozen=True)
class Question:
    """Something that only the bench can tell.

    Attributes
    ----------
    about : headers of the columns it is about.
    text : the question, one line.
    choices : the answers; where `several`, any number of them, none being "all is as it says".
    several : whether the answers are a list to pick from.
    told : what is to be confirmed, a line each.
    picture : lines that show what is meant.
    """

    about: tuple[str, ...]
    text: str
    choices: tuple[Choice, ...]
    several: bool = False
    told: tuple[str, ...] = ()
    picture: str = ""

    @property
    def line(self) -> str:
        """The question with its answers in one line, for the guide's text."""
        answers = "; ".join(choice.words for choice in self.choices)
        told = f" {'; '.join(self.told)}" if self.told else ""
        return f"{self.text}{told} ({'wrong is' if self.several else 'one of'}: {answers})"


def with_answer(guide: Guide, question: Question, picked: Iterable[int]) -> Guide:
    """The guide once a question is answered by the choices of these places, from 0."""
    changes: dict[str, Mapping[str, Any] | None] = {}
    for place in picked:
        choice = question.choices[place]
        changes |= choice.rules
        if choice.dates:
            guide = replace(guide, dates=choice.dates)
        of_rows = dict(guide.rows)
        for header, words in choice.rows.items():
            before = of_rows.get(header, {})
            said = {word: before.get(word, "") if kind is None else kind for word, kind in words.items()}
            of_rows[header] = {**before, **said}
        guide = replace(guide, rows=of_rows)
    rules = []
    for rule in guide.rules:
        change = changes.get(rule.header, {})
        if change is not None:
            ask = rule.ask.replace(question.line, "").strip() if rule.header in question.about else rule.ask
            rules.append(replace(rule, ask=ask, **change))
    return replace(guide, rules=tuple(rules))


def with_asks(guide: Guide, questions: Sequence[Question]) -> Guide:
    """The guide with each question standing in the first column that it is about and that has none yet."""
    asks: dict[str, str] = {}
    for question in questions:
        free = next((header for header in question.about if header not in asks), question.about[0])
        asks[free] = f"{asks[free]} {question.line}" if free in asks else question.line
    rules = tuple(replace(rule, ask=asks.get(rule.header, "")) for rule in guide.rules)
    return replace(guide, rules=rules)


_AZIMUTH: Final = "+ is itself turned clockwise, facing the pickup's nose (not the body set against it)"
SIGNS: Final = {
    "zenith_deg": "+ is the contact edge turned clockwise, seen from the record's side, looking at the tip",
    "azimuth_optical_deg": _AZIMUTH,
    "azimuth_electrical_deg": _AZIMUTH,
    "roll_applied_deg": "+ is the body rolled clockwise, facing the pickup's nose",
    "channel_balance_db": "+ is the left channel louder than the right",
    "tilt_applied_deg": "+ is the tail up, as it was in the end built in or set",
    "crosstalk_phase_l_to_r_deg": "+ is the undriven channel leading the driven one",
    "crosstalk_phase_r_to_l_deg": "+ is the undriven channel leading the driven one",
}
"""What a figure above 0 means in a bench sheet."""
_PICTURE: Final = """\
   zenith: the record's side       azimuth, roll: facing the nose     tilt: from the side
         cantilever                      .-----------.                        ____ tail
             |                           |           |                   ____/
       ------+------  edge               '-----v-----'              nose/
      + clockwise                        + clockwise                   v   + tail up
"""


def sign_question(rules: Sequence[Rule], unsigned: frozenset[str]) -> Question | None:
    """Whether the signs are those of a bench sheet, and the angles read level; None where nothing has any.

    Parameters
    ----------
    rules : of the guide.
    unsigned : headers whose figures are never below 0.
    """
    signed = [rule for rule in rules if rule.to in SIGNS and rule.header != rule.to]
    level = [rule for rule in rules if rule.to in LEVEL and rule.header != rule.to]
    if not signed and not level:
        return None
    choices = []
    for rule in signed:
        choices.append(Choice(f"{rule.header} has the other sign", {rule.header: {"flip": not rule.flip}}))
        if rule.header in unsigned:
            words = f"{rule.header} has no sign, as no figure is below 0: leave it out"
            choices.append(Choice(words, {rule.header: None}))
    if level:
        names = " and ".join(rule.header for rule in level)
        choices.append(
            Choice(f"{names} read as mounted, not level: leave out", {rule.header: None for rule in level})
        )
    about = tuple(rule.header for rule in (*signed, *level))
    if not signed:
        text = "Were the angles read on a level headshell, before any tilt?"
        return Question(about, text, tuple(choices), several=True)
    text = (
        "Are the signs these, and the angles read on a level headshell?" if level else "Are the signs these?"
    )
    told = tuple(f"{rule.header}: {SIGNS[rule.to]}" for rule in signed)
    return Question(about, text, tuple(choices), several=True, told=told, picture=_PICTURE)


def date_question(rule: Rule, order: str) -> Question:
    """In which order days are written, where every day could be a month."""
    names = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
    orders = sorted(DATE_ORDERS, key=lambda one: one != order)
    return Question(
        (rule.header,),
        f"In which order are the dates of {rule.header} written?",
        tuple(Choice(names[one], dates=one) for one in orders),
    )
