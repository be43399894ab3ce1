"""A drafted guide recognises headers in many spellings, and asks where it can't be sure."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError
from fleet.intake import check_sheets, propose_guide, read_sheets
from fleet.intake.guides.guide import guide_from
from fleet.intake.guides.propose import SURE, Proposal

Write = Callable[..., Path]


def german_rows(n: int) -> list[list[str]]:
    """Sheets of an invented bench: decimal commas, grams, Fahrenheit without saying so, senses."""
    rng = random.Random(7)

    def figure(low: float, high: float, digits: int = 1) -> str:
        return f"{rng.uniform(low, high):.{digits}f}".replace(".", ",")

    def turn() -> str:
        return f"{figure(0, 2)} {rng.choice(['cw', 'ccw'])}"

    return [
        [
            f"W/{i:04d}",
            f"{rng.randrange(1, 29)}.{rng.randrange(1, 13)}.2023",
            f"SN{rng.randrange(n)}",
            "Herr Muster",
            rng.choice(["K1", "K2", "K3"]),
            rng.choice(["MM", "MC"]),
            rng.choice(["rund", "elliptisch", "other"]),
            rng.choice(["Alu", "Bor", "Rubin"]),
            figure(1.5, 2.2, 2),
            figure(66, 76),
            figure(89, 93, 2),
            figure(88, 92, 2),
            figure(18, 24),
            turn(),
            figure(25, 38),
            figure(30, 90),
        ]
        for i in range(n)
    ]


HEADER_LINE = (
    "Auftrag,Datum,Seriennummer,Name des Kunden,Modell,Typ,Schliff,Nadelträger,Auflagekraft [g],Temperatur,"
    "SRA static,SRA dynamic,Spurwinkel,Zenit,Übersprechen L->R,Bearbeitungszeit"
)
HEADERS = HEADER_LINE.split(",")


@pytest.fixture
def proposal(write: Write) -> Proposal:
    text = "\n".join(";".join(row) for row in [HEADERS, *german_rows(60)]) + "\n"
    return propose_guide(write(text.encode("cp1252"), "werkstatt.csv"))


def test_the_way_of_writing_is_sniffed(proposal: Proposal) -> None:
    """Separator, encoding, decimal comma and order of dates are seen in the file."""
    guide = proposal.guide
    assert (guide.delimiter, guide.encoding, guide.decimal, guide.dates) == (";", "cp1252", ",", "dmy")


def test_headers_units_words_and_signs_are_recognised(proposal: Proposal) -> None:
    """Spelling, unit in the header, values and words together say what each column is."""
    rules = {rule.header: rule for rule in proposal.guide.rules}
    assert {header: rule.to for header, rule in rules.items()} == {
        "Auftrag": "sheet_no",
        "Datum": "measured_on",
        "Seriennummer": "serial",
        "Modell": "body_family",
        "Typ": "generator",
        "Schliff": "stylus_profile",
        "Nadelträger": "cantilever_material",
        "Auflagekraft [g]": "vtf_mn",
        "Temperatur": "temperature_c",
        "SRA static": "sra_static_deg",
        "SRA dynamic": "sra_dynamic_deg",
        "Spurwinkel": "vta_dynamic_deg",
        "Zenit": "zenith_deg",
        "Übersprechen L->R": "crosstalk_l_to_r_db",
    }
    assert rules["Auflagekraft [g]"].unit == "g"
    assert rules["Schliff"].words == {"elliptisch": "elliptical", "rund": "spherical"}
    assert rules["Zenit"].sense == {"ccw": -1, "cw": 1}
    assert rules["Übersprechen L->R"].magnitude


def test_a_unit_that_only_the_values_show_is_asked_about(proposal: Proposal) -> None:
    """Temperatures about 70 without a unit are taken for Fahrenheit, but not without asking."""
    turning, signs, right = proposal.open
    assert turning.about == ("Spurwinkel",)
    assert "Zenit: + is the contact edge turned clockwise" in signs.line
    assert right.line.startswith("Is this right? Temperatur: its figures are in ")
    assert "3 questions to answer, 2 columns left out" in proposal.sentence


def test_personal_columns_are_never_proposed(proposal: Proposal) -> None:
    """A column about a person is left out and, being no code, told by its place."""
    assert proposal.left_out == ("column 4", "Bearbeitungszeit")
    assert "Kunden" not in proposal.toml


def test_the_draft_is_a_guide_that_reads_the_file(proposal: Proposal, tmp_path: Path) -> None:
    """The text of the draft gives the same guide back, and through it every row is read."""
    import tomllib

    again = guide_from(tomllib.loads(proposal.toml), "g.toml")
    assert again == proposal.guide
    checked = check_sheets(read_sheets(tmp_path / "werkstatt.csv", again))
    assert (len(checked.good), checked.faults) == (60, ())
    first = german_rows(1)[0]
    assert checked.good["vtf_mn"].iloc[0] == pytest.approx(float(first[8].replace(",", ".")) * 9.80665)
    assert checked.good["crosstalk_l_to_r_db"].max() < 0
    assert checked.good["temperature_c"].between(15, 30).all()


def test_canonical_files_need_no_question(write: Write) -> None:
    """Canonical headers are recognised as what they are."""
    path = write("sheet_no,measured_on,body_family,vtf_mn\nA1,2024-03-01,F1,19\nA2,2024-03-02,F1,18\n")
    proposal = propose_guide(path)
    assert [rule.to for rule in proposal.guide.rules] == ["sheet_no", "measured_on", "body_family", "vtf_mn"]
    assert proposal.guide.questions == ()
    assert set(proposal.confidence.values()) == {1.0}


def canonical_cell(column: Column, row: int) -> str:
    if column.kind == "number":
        assert column.low is not None or column.choices
        low, high = (column.choices[1],) * 2 if column.choices else (column.low, column.high)
        return f"{low + (high - low) * (0.2 + 0.03 * row):.6g}"
    return {"date": f"2024-03-{row + 1:02d}", "code": f"C{row % 3}", "text": f"E{row}"}.get(column.kind) or (
        column.words[0]
    )


def test_every_canonical_header_is_recognised(write: Write) -> None:
    """Each column of the contract is proposed as itself, without a question, whatever words its name has."""
    rows = [[canonical_cell(column, row) for column in COLUMNS.values()] for row in range(12)]
    proposal = propose_guide(write("\n".join(map(",".join, [list(COLUMNS), *rows])) + "\n"))
    assert [(rule.header, rule.to, rule.unit) for rule in proposal.guide.rules] == [
        (name, name, "") for name in COLUMNS
    ]
    assert (proposal.left_out, proposal.guide.questions) == ((), ())


def test_a_canonical_header_over_other_units_is_asked_about(write: Write) -> None:
    """Grams under vtf_mn are seen, and asked about."""
    rows = "".join(f"A{i},2024-03-13,F1,{1.8 + i / 50:.2f}\n" for i in range(20))
    rule = propose_guide(write("sheet_no,measured_on,body_family,vtf_mn\n" + rows)).guide.rules[-1]
    assert (rule.to, rule.unit) == ("vtf_mn", "g")
    assert "its figures are in g" in rule.ask


def test_names_do_not_become_codes_unasked(write: Write) -> None:
    """An operator's name gets no filled blanks; a maker's two words are asked about; serials stay serials."""
    rows = "".join(f"A{i},2024-03-13,Kind {i % 3},Muster Person,S{i}\n" for i in range(20))
    proposal = propose_guide(write("No,Date,Model,Operator,Stylus serial\n" + rows))
    rules = {rule.header: rule for rule in proposal.guide.rules}
    assert rules["Model"].blanks == "_"
    assert "these are codes, not names" in rules["Model"].ask
    assert "Operator" not in rules
    assert rules["Stylus serial"].to == "serial"


def test_an_order_of_dates_that_nothing_shows_is_asked_about(write: Write) -> None:
    """Where every day could be a month, the draft asks."""
    proposal = propose_guide(write("No,Date,Model\nA1,03/04/2024,F1\nA2,05/06/2024,F1\n"))
    assert [q.split(":")[0] for q in proposal.guide.questions] == ["Date"]


def test_a_doubtful_header_is_asked_about(write: Write) -> None:
    """A header that is only partly known is proposed with a question and little confidence."""
    rows = "".join(f"A{i},2024-03-13,F1,{9 + i / 10}\n" for i in range(20))
    proposal = propose_guide(write("No,Date,Model,Hole offset\n" + rows))
    rule = proposal.guide.rules[-1]
    assert rule.to == "tip_to_mount_mm"
    assert proposal.confidence[rule.header] < SURE
    assert rule.ask


def test_values_that_contradict_a_header_are_no_proposal(write: Write) -> None:
    """A header alone is not enough: figures far outside the range are something else."""
    rows = "".join(f"A{i},2024-03-13,F1,{500 + i}\n" for i in range(20))
    proposal = propose_guide(write("No,Date,Model,Rake\n" + rows))
    assert [rule.to for rule in proposal.guide.rules] == ["sheet_no", "measured_on", "body_family"]
    assert proposal.left_out == ("Rake",)


def test_other_kinds_of_files_can_be_drafted_for(tmp_path: Path) -> None:
    """Workbooks and Parquet files give the same draft as text."""
    frame = pd.DataFrame({"Job": ["A1", "A2"], "Date": ["2024-03-01", "2024-03-13"], "Model": ["F1", "F2"]})
    frame.to_parquet(tmp_path / "a.parquet")
    drafts = [propose_guide(tmp_path / "a.parquet")]
    if pytest.importorskip("openpyxl"):
        frame.to_excel(tmp_path / "a.xlsx", index=False)
        drafts.append(propose_guide(tmp_path / "a.xlsx"))
    for draft in drafts:
        assert [rule.to for rule in draft.guide.rules] == ["sheet_no", "measured_on", "body_family"]


@pytest.mark.parametrize(
    ("content", "message"),
    [(b"", "is empty"), (b"\n\n", "is empty"), (b"foo,bar\n1,2\n", "no column of own.csv is recognised")],
)
def test_nothing_to_draft_from_gets_one_line(write: Write, content: bytes, message: str) -> None:
    """An empty file and one without a single known column are said plainly."""
    with pytest.raises(FleetError, match=message):
        propose_guide(write(content, "own.csv"))
