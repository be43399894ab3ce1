"""What a printed paper says, whoever reads it: one question, its answer, figures, and what they stand on."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from fleet.numerals import NOT_KNOWN

if TYPE_CHECKING:
    import altair as alt
    import pandas as pd

    from fleet.house_model.house import House
    from fleet.policy.policy import Policy


class Headline(NamedTuple):
    """One of the few figures at the top: label, value with its unit, what it means or how sure it is."""

    label: str
    value: str
    note: str


class Table(NamedTuple):
    """A table that people read: every cell is text or a whole number."""

    caption: str
    frame: pd.DataFrame


class Headed(NamedTuple):
    """A table under the heading that it stands under, for a workbook."""

    heading: str
    frame: pd.DataFrame


class Field(NamedTuple):
    """A line at the foot of a paper; without a value it is ruled, to be filled in by hand."""

    label: str
    value: str = ""


@dataclass(frozen=True)
class Section:
    """A part of a paper.

    Attributes
    ----------
    heading : what it is about
    lines : sentences
    pictures : charts, each with the description that stands in for it
    abreast : how many pictures stand side by side
    tables : tables under the pictures
    notes : remarks in small letters
    """

    heading: str
    lines: tuple[str, ...] = ()
    pictures: tuple[alt.LayerChart, ...] = ()
    abreast: int = 1
    tables: tuple[Table, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Paper:
    """One paper; it fills one page or more, and begins on a new one.

    Attributes
    ----------
    kind : quote, unit sheet, maker's summary, year's review
    subject : what it is about, in a few words
    question, answer : the one question that it answers, and the judgement's own sentence
    on : its day
    headlines : the few figures that matter
    sections : the rest, in the order in which it is read
    cautions : what to mind
    basis : what the figures stand on: policy, model, sheets, version
    fields : lines at its foot: workshop, reference, price, signature
    """

    kind: str
    subject: str
    question: str
    answer: str
    on: date
    headlines: tuple[Headline, ...] = ()
    sections: tuple[Section, ...] = ()
    cautions: tuple[str, ...] = ()
    basis: dict[str, str] = field(default_factory=dict)
    fields: tuple[Field, ...] = ()

    @property
    def tables(self) -> tuple[Headed, ...]:
        """Every table of the paper, in order."""
        return tuple(
            Headed(t.caption or section.heading, t.frame) for section in self.sections for t in section.tables
        )


def basis_line(policy: Policy | None, house: House | None) -> dict[str, str]:
    """Name policy, house model and version of the program that the figures come from."""
    from fleet import __version__

    told: dict[str, str] = {}
    if policy is not None:
        told["target policy"] = f"{policy.label}: {policy_words(policy)}"
    if house is not None:
        told["house model"] = model_words(house)
    return told | {"made with": f"fleet {__version__}"}


def policy_words(policy: Policy) -> str:
    """The policy's targets in a sentence."""
    wide, best = policy.rake_accepted_deg, policy.rake_best_deg
    return (
        f"rake accepted {wide[0]:g} to {wide[1]:g}°, best {best[0]:g} to {best[1]:g}°; tracking angle "
        f"accepted up to {policy.tracking_limit_deg:g}°, wished up to {policy.tracking_wish_deg:g}°; "
        "record turning"
    )


def model_words(house: House) -> str:
    """Which model, and how many units taught it."""
    if house.units <= 0.0:
        return "none yet: mechanics and common practice answer alone"
    return f"taught by {house.units:.0f} units, store revision {house.revision}"


def tilt_words(degrees: float, digits: int = 1) -> str:
    """A tilt with its sign in words: 1.5° tail up."""
    return _turned(degrees, digits, "tail up", "tail down", "level")


def turn_words(degrees: float, digits: int = 1) -> str:
    """A turn with its sign in words: 1.5° clockwise."""
    return _turned(degrees, digits, "clockwise", "anticlockwise", "none")


def _turned(degrees: float, digits: int, plus: str, minus: str, none: str) -> str:
    if degrees != degrees:
        return NOT_KNOWN
    size = f"{abs(degrees):.{digits}f}"
    if float(size) == 0.0:
        return none
    return f"{size}° {plus if degrees > 0 else minus}"
