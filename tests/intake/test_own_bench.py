"""An invented bench with its own headers, units, words and slips of the pen, from first look to store."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from fleet.intake import Guide, intake_file, propose_guide
from fleet.intake.guides.guide import guide_from
from fleet.intake.ingest import trial_store, try_file
from fleet.store import Store, check_store

HEADER = (
    "Nr|Datum|Seriennummer|Kunde|Modell|Typ|Schliff|Nadelträger|Auflagekraft (g)|Raumtemperatur|Rake still|"
    "Rake turning|Spurwinkel|Azimuth seen|Xtalk L>R|Xtalk R>L|Zenit|Height (inch)|Max tilt|Notizen"
)
MOST_QUESTIONS = 3

SLIPS = {
    3: ("Rake turning", "9,05", "is the decimal point in the wrong place (90.5)?"),
    5: ("Datum", "30.02.2024", "is not a day of the calendar, read as day, month, year"),
    7: ("Schliff", "trapez", "is not a word of the guide: rund, elliptisch, spherical"),
    9: ("Auflagekraft (g)", "18,5", "read as 181.423 mN is outside 5 to 60 mN; 18.5 mN would fit"),
    11: ("Rake still", "o.k.", "is no number"),
    13: ("Modell", "", "is missing"),
    15: ("Zenit", "1,4", "has no sense after the number; say ccw or cw"),
    17: ("Height (inch)", "16,8", "16.8 mm would fit: was it in mm already, not in inches?"),
    19: ("Datum", "01.02.2031", "is in the future"),
    21: ("Xtalk L>R", "131,0", "is outside -80 to 0 dB"),
}
"""Line: column, what is written there, what must be said of it."""

OTHER_CONTENTS, GIVEN_TWICE, FORMULA, SWAPPED = 23, 25, 27, 29
N_ROWS = 60


def bench_rows() -> list[list[str]]:
    """Rows of text, the first on line 2 of the file; the slips are where `SLIPS` and the constants say."""
    rows = []
    for i in range(N_ROWS):
        turn = "ccw" if i % 3 else "cw"
        rows.append(
            [
                f"K-{i:03d}",
                f"{i % 28 + 1:02d}.{i % 12 + 1:02d}.2024",
                f"S/{i}",
                f"Muster {i}",
                f"M{i % 4}",
                ("MC", "MM")[i % 2],
                ("rund", "elliptisch")[i % 2],
                ("Alu", "Bor")[i % 2],
                f"{1.8 + i % 5 / 10:.2f}".replace(".", ","),
                f"{20 + i % 6},5",
                "91,25" if i % 2 else "",
                "90,50" if i % 2 else "",
                f"{20 + i % 4},0",
                f"0,{i % 9 + 1} {turn}",
                f"{30 + i % 7},0",
                f"{29 + i % 5},5",
                f"1,{i % 10} {turn}" if i % 2 else "",
                f"0,6{i % 10}",
                "3,0",
                "",
            ]
        )
    names = HEADER.split("|")
    for line, (header, written, _) in SLIPS.items():
        rows[line - 2][names.index(header)] = written
    rows[OTHER_CONTENTS - 2] = [rows[0][0], *rows[OTHER_CONTENTS - 2][1:]]
    rows[GIVEN_TWICE - 2] = list(rows[0])
    rows[FORMULA - 2][names.index("Notizen")] = '=HYPERLINK("http://planted.example")'
    rows[SWAPPED - 2][names.index("Rake still")] = "88,00"
    return rows


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store" / "fleet.duckdb").create()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.csv"
    lines = [HEADER, *("|".join(row) for row in bench_rows())]
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode("cp1252").replace(b"|", b";"))
    return path


@pytest.fixture
def guide(file: Path) -> Guide:
    """The drafted guide, each of its questions answered with yes."""
    draft = propose_guide(file)
    answered = "\n".join(line for line in draft.toml.splitlines() if not line.startswith("ask"))
    return guide_from(tomllib.loads(answered), "bench.toml")


def test_few_answers_are_needed(file: Path) -> None:
    """All but the customer and the notes are recognised, and no more than three answers are asked for."""
    draft = propose_guide(file)
    assert len(draft.guide.rules) == HEADER.count("|") - 1
    assert len(draft.guide.questions) <= MOST_QUESTIONS
    assert draft.left_out == ("Kunde", "Notizen")
    assert (draft.guide.delimiter, draft.guide.encoding, draft.guide.decimal) == (";", "cp1252", ",")


def test_every_slip_is_caught_with_its_hint_and_every_row_accounted_for(
    file: Path, guide: Guide, store: Store
) -> None:
    """Each slip is told by line, column and hint; the double is no news, the contradiction is put aside."""
    report = intake_file(store, file, guide=guide)
    told = {fault.line: fault for fault in report.faults}
    to = {rule.header: rule.to for rule in guide.rules}
    assert set(told) == {*SLIPS, OTHER_CONTENTS}
    for line, (header, _, hint) in SLIPS.items():
        assert told[line].column == to[header]
        assert hint in told[line].reason
    assert told[OTHER_CONTENTS].reason == "is also the number of line 2, with other contents"
    assert [(w.line, w.column) for w in report.warnings] == [(SWAPPED, "sra_dynamic_deg")]
    assert "were the two swapped?" in report.warnings[0].reason
    n_bad = len(SLIPS) + 1
    assert (report.rows_read, report.put_aside, report.already_there) == (N_ROWS, n_bad, 1)
    assert report.accepted == N_ROWS - n_bad - 1 == len(store.current())
    assert check_store(store).problems == ()
    assert b"planted" not in b"".join(p.read_bytes() for p in store.path.parent.iterdir() if p.is_file())


def test_converted_values_are_those_worked_out_by_hand(file: Path, guide: Guide, store: Store) -> None:
    """Grams (x 9.80665 mN, standard gravity), inches (x 25.4 mm), days, words, senses, crosstalk."""
    intake_file(store, file, guide=guide)
    sheets = store.current().set_index("sheet_no")
    row = sheets.loc["K-002"]
    assert row["vtf_mn"] == pytest.approx(19.6133)  # 2.00 g
    assert row["height_mm"] == pytest.approx(15.748)  # 0.62 inch
    row = sheets.loc["K-004"]
    assert str(row["measured_on"].date()) == "2024-05-05"
    assert (row["generator"], row["stylus_profile"], row["cantilever_material"]) == (
        "moving_coil",
        "spherical",
        "aluminium",
    )
    assert row["crosstalk_l_to_r_db"] == -34.0
    assert row["azimuth_optical_deg"] == pytest.approx(-0.5)
    row = sheets.loc["K-006"]
    assert row["azimuth_optical_deg"] == pytest.approx(0.7)
    assert row["temperature_c"] == pytest.approx(20.5)
    assert sheets.loc["K-031", "zenith_deg"] == pytest.approx(-1.1)


def test_a_trial_counts_what_the_intake_then_does_and_leaves_no_trace(
    file: Path, guide: Guide, store: Store, own_key: Path
) -> None:
    """A dry run's counts are those of the intake after it; neither key nor revision is touched."""
    with trial_store(store) as trial:
        _, tried = try_file(trial, file, guide=guide)
    assert not own_key.exists()
    assert store.revision() == 0
    assert not trial.path.exists()
    report = intake_file(store, file, guide=guide)
    assert (tried.accepted, tried.put_aside, tried.already_there) == (
        report.accepted,
        report.put_aside,
        report.already_there,
    )
    assert tried.faults == report.faults
    with trial_store(store) as trial:
        _, again = try_file(trial, file, guide=guide)
    assert (again.accepted, again.already_there) == (0, report.accepted + 1)
