"""Files as people keep them: shortened names, words in a figure's place, columns that no name tells."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.intake import check_sheets, propose_guide, read_sheets
from fleet.intake.guides.convert import converter
from fleet.intake.guides.guide import Guide, Rule
from fleet.intake.guides.propose import Proposal
from fleet.intake.guides.questions import Question, with_answer

Write = Callable[..., Path]
KINDS = ("Q7", "N40", "Q7", "T12K", "N40", "Q7", "T12K", "N40")


def drafted(write: Write, header: str, *rows: str) -> Proposal:
    """The draft for a file of these columns, after a number, a day and a model."""
    lines = [
        f"A{i};{i + 1:02d}.03.2024;{k};{row}" for i, (k, row) in enumerate(zip(KINDS, rows, strict=True))
    ]
    return propose_guide(write("\n".join([f"No;Date;Model;{header}", *lines]) + "\n", "own.csv"))


def rule_of(proposal: Proposal, to: str) -> Rule:
    return next(rule for rule in proposal.guide.rules if rule.to == to)


def test_a_column_that_every_sheet_needs_is_asked_for(write: Write) -> None:
    """Where no name tells the kind, those columns that recur as kinds do are offered; the answer is read."""
    lines = [f"B{i};{i + 1:02d}.03.2024;{k};S{i % 3};9{i}.1" for i, k in enumerate(KINDS)]
    path = write("\n".join(["No;Date;Colour;Shelf;SRA still", *lines]) + "\n", "own.csv")
    proposal = propose_guide(path)
    assert not proposal.lacks
    question = next(q for q in proposal.open if "body_family" in q.text)
    assert [choice.words for choice in question.choices] == ["Colour", "Shelf", "none of these"]
    second = with_answer(proposal.guide, question, [1])
    good = check_sheets(read_sheets(path, all_right(second, proposal.open, question))).good
    assert good["body_family"].tolist() == [f"S{i % 3}" for i in range(8)]
    nowhere = with_answer(proposal.guide, question, [2])
    assert "body_family" not in {rule.to for rule in nowhere.rules}


def all_right(guide: Guide, questions: tuple[Question, ...], but: Question) -> Guide:
    """The guide with nothing wrong in all questions but one."""
    for question in questions:
        if question is not but:
            guide = with_answer(guide, question, [] if question.several else [0])
    return guide


@pytest.mark.parametrize(
    ("header", "cells", "to"),
    [
        ("CANTIL", ["alu", "boron"], "cantilever_material"),
        ("GEN", ["MC", "MM"], "generator"),
        ("STYL", ["ell", "lin"], "stylus_profile"),
        ("Compliance [µm/mN]", ["12", "15"], "compliance_um_per_mn"),
        ("N° de série", [f"44{i}" for i in range(8)], "serial"),
    ],
)
def test_shortened_names_are_known_but_asked_about(
    write: Write, header: str, cells: list[str], to: str
) -> None:
    """A name cut short is taken for the one word that it can begin, and asked about."""
    proposal = drafted(write, header, *(cells * 4)[:8])
    assert rule_of(proposal, to).header == header
    asked = " ".join(question.line for question in proposal.open)
    assert (f"{header}: {to}" in asked) == header.isupper()


def test_a_cut_that_several_words_begin_with_is_not_guessed(write: Write) -> None:
    """`Tra` may begin a tracking force or the German for a cantilever: it is left out."""
    assert drafted(write, "Tra", *["18"] * 8).left_out == ("Tra",)


def test_a_room_temperature_is_no_bench(write: Write) -> None:
    """`Bench temp` is a temperature; a bench's code is taken from a column of that very name alone."""
    assert rule_of(drafted(write, "Bench temp", *["21.5"] * 8), "temperature_c").header == "Bench temp"
    assert drafted(write, "Bench colour", *["red"] * 8).left_out == ("column 4",)


def test_a_frequency_in_the_name_holds_for_every_sheet(write: Write) -> None:
    """`Compliance 100 Hz` tells at which frequency all figures are; a figure's own 10 Hz is passed over."""
    proposal = drafted(write, "Compliance 100 Hz [cu]", *["9 cu"] * 8)
    assert dict(proposal.guide.constant) == {"compliance_frequency_hz": "100"}
    turn = converter(Rule("", "compliance_um_per_mn"), Guide(()))
    done = turn(["20 cu @10Hz", "20 @ 100 Hz"])
    assert done.texts == ["20.0", None]


def test_words_beside_and_in_place_of_figures(write: Write) -> None:
    """Left and right before a balance, up and down after a tilt, `even` and `new` for nothing."""
    proposal = drafted(
        write,
        "Balance;Tilt;Hours",
        *["R +0.7 dB;1.5 up;new", "L 0.4;2.0 deg down;ca. 300", "even;;80 h", ";;"] * 2,
    )
    texts = {
        to: converter(rule_of(proposal, to), proposal.guide)([*cells]).texts
        for to, cells in {
            "channel_balance_db": ["R +0.7 dB", "L 0.4", "even", "0.4"],
            "tilt_applied_deg": ["1.5 up", "2.0 deg down"],
            "hours_used": ["new", "ca. 300"],
        }.items()
    }
    assert texts["channel_balance_db"] == ["-0.7", "0.4", "0", None]
    assert texts["tilt_applied_deg"] == ["1.5", "-2.0"]
    assert texts["hours_used"] == ["0", "300.0"]


@pytest.mark.parametrize(
    ("to", "text", "value"),
    [
        ("sra_static_deg", "91°35'", 91.5833),
        ("zenith_deg", "-1°30'", -1.5),
        ("bench_minutes", "1 h 10", 70.0),
        ("bench_minutes", "2h", 120.0),
        ("bench_minutes", "45 mn", 45.0),
    ],
)
@pytest.mark.parametrize("decimal", [".", ","])
def test_two_parts_of_one_figure(to: str, text: str, value: float, decimal: str) -> None:
    """Degrees with minutes of arc and hours with minutes are one figure, whatever the decimal mark."""
    read = converter(Rule("", to), Guide((), decimal=decimal))([text]).texts[0]
    assert read is not None
    assert float(read) == pytest.approx(value, abs=1e-9)


def test_a_bench_s_own_word_is_not_told_unless_the_bench_objects(write: Write) -> None:
    """A strange word that recurs is read as not told, and kept nowhere; one that doesn't is a slip."""
    proposal = drafted(write, "Stylus", *["ell", "line", "blue", "ell", "blue", "line", "ell", "ell"])
    assert rule_of(proposal, "stylus_profile").words["*"] == ""
    assert "blue" not in proposal.toml
    question = next(q for q in proposal.open if "a word that isn't known is read as not told" in q.line)
    aside = next(i for i, choice in enumerate(question.choices) if "such a word aside" in choice.words)
    guide = with_answer(proposal.guide, question, [aside])
    assert "*" not in next(rule for rule in guide.rules if rule.to == "stylus_profile").words
    slip = drafted(write, "Stylus", *["ell", "line", "blue", "ell", "ell", "line", "ell", "ell"])
    assert "*" not in rule_of(slip, "stylus_profile").words


@pytest.mark.parametrize(
    ("upper", "lower", "to"),
    [
        ("Après correction", "SRA", "sra_after_deg"),
        ("Corrected", "VTA", "vta_after_deg"),
        ("Übersprechen", "L auf R", "crosstalk_l_to_r_db"),
        ("Übersprechen", "R nach L", "crosstalk_r_to_l_db"),
        ("Angle de taille (SRA)", "marche", "sra_dynamic_deg"),
    ],
)
def test_an_upper_header_row_is_not_lost(write: Write, upper: str, lower: str, to: str) -> None:
    """It may say after a correction, or which channel is driven; the order of two words counts."""
    cell = "-25,5" if "crosstalk" in to else "90,5" if to.startswith("sra") else "21,5"
    lines = [f"A{i};{i + 1:02d}.03.2024;{k};{cell}" for i, k in enumerate(KINDS)]
    text = "\n".join([f"Blatt;Tag;System;{upper}", f"Nr.;Datum;Modell;{lower}", *lines]) + "\n"
    proposal = propose_guide(write(text.encode("utf-8"), "own.csv"))
    assert rule_of(proposal, to).header == f"{upper} {lower}"


def test_a_mark_of_the_check_pickup_is_its_purpose(write: Write) -> None:
    """True under `is_ref` is the bench's own check pickup, which never teaches."""
    rule = rule_of(drafted(write, "is_ref", *["False", "True"] * 4), "purpose")
    assert dict(rule.words) == {"false": "unit", "true": "reference"}


def test_a_strange_word_for_the_check_pickup_makes_no_customer_of_it(write: Write) -> None:
    """A purpose that isn't known is not taken for not told, which would be a customer's unit."""
    proposal = drafted(write, "Purpose", *["job", "eich", "job", "eich", "job", "job", "job", "job"])
    assert "*" not in rule_of(proposal, "purpose").words
    done = converter(rule_of(proposal, "purpose"), proposal.guide)(["job", "eich"])
    assert done.texts == ["unit", None]
    assert list(done.reasons) == [1]


def test_an_estimate_is_no_reading_of_an_angle() -> None:
    """`ca. 300` is a figure of hours; `ca. 91` is none of a rake, and keeps its row out."""
    assert converter(Rule("", "hours_used"), Guide(()))(["ca. 300"]).texts == ["300.0"]
    assert list(converter(Rule("", "sra_dynamic_deg"), Guide(()))(["ca. 91"]).reasons) == [0]
