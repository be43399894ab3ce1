"""Reading guides turn a bench's own files into sheets, and refuse what nobody should read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.intake import Checked, check_sheets, load_guide, read_sheets
from fleet.intake.guides.guide import is_personal

TODAY = dt.date(2024, 6, 1)
Write = Callable[..., Path]
BASE = (
    '[columns."No"]\nto = "sheet_no"\n[columns."Day"]\nto = "measured_on"\n[constant]\nbody_family = "F1"\n'
)


@pytest.fixture
def read(write: Write) -> Callable[..., Checked]:
    """One column of cells read through a guide's entry for it."""

    def read_cells(entry: str, *cells: str, file: str = "", header: str = "X") -> Checked:
        rows = "".join(f"A{i}|2024-03-01|{cell}\n" for i, cell in enumerate(cells))
        guide = f"[file]\ndelimiter = \"|\"\n{file}\n{BASE}[columns.'{header}']\n{entry}\n"
        path = write(f"No|Day|{header}\n{rows}".encode("cp1252" if "cp1252" in file else "utf-8"), "own.csv")
        return check_sheets(read_sheets(path, load_guide(write(guide, "guide.toml"))), today=TODAY)

    return read_cells


@pytest.mark.parametrize(
    ("entry", "cell", "column", "value"),
    [
        ('to = "vtf_mn"\nunit = "g"', "2.0", "vtf_mn", 19.6133),  # 2 g, standard gravity, by hand
        ('to = "vtf_mn"\nunit = "cN"', "1.9", "vtf_mn", 19.0),
        ('to = "vtf_mn"', "2 g", "vtf_mn", 19.6133),
        ('to = "height_mm"\nunit = "inch"', "0.669", "height_mm", 16.9926),  # 0.669 x 25.4
        ('to = "height_mm"\nunit = "inch"', "17 mm", "height_mm", 17.0),
        ('to = "height_mm"', '0.5"', "height_mm", 12.7),
        ('to = "compliance_um_per_mn"\nunit = "cu"', "12", "compliance_um_per_mn", 12.0),
        ('to = "compliance_um_per_mn"', "12 \u03bcm/mN", "compliance_um_per_mn", 12.0),
        ('to = "temperature_c"\nunit = "°F"', "68", "temperature_c", 20.0),
        ('to = "bench_minutes"\nunit = "h"', "1.5", "bench_minutes", 90.0),
        ('to = "crosstalk_l_to_r_db"\nmagnitude = true', "31.5", "crosstalk_l_to_r_db", -31.5),
        ('to = "crosstalk_l_to_r_db"\nmagnitude = true', "-31.5", "crosstalk_l_to_r_db", -31.5),
        ('to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }', "0.8 ccw", "zenith_deg", -0.8),
        ('to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }', "0.8° CW", "zenith_deg", 0.8),
        ('to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }', "0.8 ° CW", "zenith_deg", 0.8),
        ('to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }', "0.0", "zenith_deg", 0.0),
        ('to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }\nflip = true', "0.8 ccw", "zenith_deg", 0.8),
        ('to = "azimuth_optical_deg"\nflip = true', "0.4", "azimuth_optical_deg", -0.4),
        ('to = "azimuth_optical_deg"', "−0.4", "azimuth_optical_deg", -0.4),
        ('to = "hours_used"', "1,250", "hours_used", 1250.0),
        (
            'to = "stylus_profile"\nwords = { Ellipse = "elliptical" }',
            "ELLIPSE",
            "stylus_profile",
            "elliptical",
        ),
        ('to = "body_family"\nblanks = "_"', "a b", "body_family", "a_b"),
        (
            'to = "peculiarities"\nwords = { retip = "retipped" }',
            "worn, retip",
            "peculiarities",
            "worn;retipped",
        ),
    ],
)
def test_one_cell_is_turned_into_the_contracts_terms(
    read: Callable[..., Checked], entry: str, cell: str, column: str, value: object
) -> None:
    """Units, signs, senses and words become canonical."""
    checked = read(entry, cell)
    assert checked.faults == ()
    assert checked.good[column].tolist() == [value]


@pytest.mark.parametrize(
    ("entry", "cell", "shown", "reason"),
    [
        (
            'to = "vtf_mn"\nunit = "g"',
            "19.6",
            "19.6",
            "read as 192.21 mN is outside 5 to 60 mN; 19.6 mN would fit",
        ),
        ('to = "height_mm"\nunit = "inch"', "17.3", "17.3", "17.3 mm would fit: was it in mm already"),
        (
            'to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }',
            "1.2",
            "1.2",
            "has no sense after the number; say cw or",
        ),
        (
            'to = "zenith_deg"\nsense = { cw = 1, ccw = -1 }',
            "1.2 left",
            "(8 characters, not shown)",
            "doesn't know",
        ),
        (
            'to = "stylus_profile"',
            "edgy",
            "(4 characters, not shown)",
            "is not a word of the guide: spherical",
        ),
        ('to = "sra_static_deg"', "n/a", "(3 characters, not shown)", "leave the cell empty"),
        ('to = "vtf_mn"', "19,6.1", "19,6.1", "is no number"),
    ],
)
def test_what_has_no_meaning_says_why(
    read: Callable[..., Checked], entry: str, cell: str, shown: str, reason: str
) -> None:
    """The fault shows the bench's own figure, and what it was read as where that isn't plain."""
    (fault,) = read(entry, cell).faults
    assert fault.value == shown
    assert reason in fault.reason


def test_empty_words_are_empty(read: Callable[..., Checked]) -> None:
    """Texts that the guide calls empty, or gives no word, are not told."""
    entry = 'to = "stylus_profile"\nempty = ["n/a"]\nwords = { "?" = "" }'
    checked = read(entry, "n/a", "?", "", "other")
    assert checked.good["stylus_profile"].isna().tolist() == [True, True, True, False]


@pytest.mark.parametrize(
    ("order", "cell", "day"),
    [
        ("dmy", "03.04.2024", "2024-04-03"),
        ("mdy", "3/4/2024", "2024-03-04"),
        ("dmy", "3.4.24", "2024-04-03"),
        ("dmy", "2024-04-03", "2024-04-03"),
        ("ymd", "2024/04/03", "2024-04-03"),
    ],
)
def test_dates_are_read_in_the_guides_order(write: Write, order: str, cell: str, day: str) -> None:
    """Day, month and year are found by the guide's order; the international order is always understood."""
    guide = load_guide(write(f'[file]\ndates = "{order}"\n{BASE}', "g.toml"))
    checked = check_sheets(read_sheets(write(f"No,Day\nA1,{cell}\n"), guide), today=TODAY)
    assert checked.good["measured_on"].tolist() == [pd.Timestamp(day)]


@pytest.mark.parametrize("cell", ["31.02.2024", "13.13.2024", "soon", "1.2.3.2024"])
def test_a_broken_date_puts_its_row_aside(write: Write, cell: str) -> None:
    """A day that isn't in the calendar is said, with the order in which it was read."""
    guide = load_guide(write(f'[file]\ndates = "dmy"\n{BASE}', "g.toml"))
    (fault,) = check_sheets(read_sheets(write(f"No,Day\nA1,{cell}\n"), guide), today=TODAY).faults
    assert fault.column == "measured_on"
    assert "is not a day" in fault.reason


def test_decimal_commas_and_thousands(read: Callable[..., Checked]) -> None:
    """With a decimal comma a point stands between thousands, but where fewer or more digits follow it."""
    checked = read('to = "hours_used"', "1.250,5", "12,5", "12.5", "1.250", "0.125", file='decimal = ","')
    assert checked.good["hours_used"].tolist() == [1250.5, 12.5, 12.5, 1250.0, 0.125]
    assert read('to = "hours_used"', "1.25.0", file='decimal = ","').faults[0].line == 2


def test_another_encoding_is_read(read: Callable[..., Checked]) -> None:
    """Windows-1252 bytes are text if the guide says so."""
    checked = read('to = "temperature_c"\nunit = "°C"', "21 °C", file='encoding = "cp1252"', header="Wärme")
    assert checked.good["temperature_c"].tolist() == [21.0]


def test_utf_16_is_read_if_the_guide_says_so(write: Write) -> None:
    """A file of two-byte characters is read with exact lines."""
    guide = load_guide(write(f'[file]\nencoding = "utf-16"\n{BASE}', "g.toml"))
    table = read_sheets(write("No,Day\nA1,2024-03-01\n\nA2,2024-03-01\n".encode("utf-16")), guide)
    assert table.lines.tolist() == [2, 4]


def test_a_workbooks_named_page_is_read(tmp_path: Path, write: Write) -> None:
    """The guide names the page; a page that isn't there is said."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["nothing"])
    page = book.create_sheet("2024")
    page.append(["No", "Day"])
    page.append(["A1", dt.date(2024, 3, 1)])
    book.save(tmp_path / "a.xlsx")
    guide = load_guide(write(f'[file]\npage = "2024"\n{BASE}', "g.toml"))
    assert read_sheets(tmp_path / "a.xlsx", guide).columns["sheet_no"].to_pylist() == ["A1"]
    other = load_guide(write(f'[file]\npage = "2023"\n{BASE}', "g.toml"))
    with pytest.raises(FleetError, match="no page of the name"):
        read_sheets(tmp_path / "a.xlsx", other)


def test_parquet_goes_through_a_guide_too(tmp_path: Path, write: Write) -> None:
    """Typed figures are converted like written ones."""
    pd.DataFrame({"No": ["A1"], "Day": ["2024-03-01"], "Force": [2.0]}).to_parquet(tmp_path / "a.parquet")
    guide = load_guide(write(BASE + '[columns.Force]\nto = "vtf_mn"\nunit = "g"\n', "g.toml"))
    assert check_sheets(read_sheets(tmp_path / "a.parquet", guide)).good["vtf_mn"].tolist() == [19.6133]


def test_canonical_columns_need_no_entry(write: Write) -> None:
    """A header that is canonical already is read as it is, unless the guide gives its place to another."""
    guide = load_guide(write(BASE + '[columns.Force]\nto = "vtf_mn"\n', "g.toml"))
    table = read_sheets(
        write("No,Day,Force,vtf_mn,zenith_deg,body_family\nA1,2024-03-01,19,20,1,F9\n"), guide
    )
    assert table.columns["vtf_mn"].to_pylist() == ["19"]
    assert table.columns["zenith_deg"].to_pylist() == ["1"]
    assert table.columns["body_family"].to_pylist() == ["F9"]
    assert table.ignored == ("vtf_mn",)


def test_a_file_without_the_guides_columns_is_refused(write: Write) -> None:
    """A renamed header doesn't silently lose its readings, unless the guide calls the column optional."""
    entry = BASE + '[columns.Force]\nto = "vtf_mn"\n'
    with pytest.raises(FleetError, match='lacks columns that the guide names: "Force"'):
        read_sheets(write("No,Day\nA1,2024-03-01\n"), load_guide(write(entry, "g.toml")))
    optional = load_guide(write(entry + "optional = true\n", "g.toml"))
    assert read_sheets(write("No,Day\nA1,2024-03-01\n"), optional).rows_read == 1


@pytest.mark.parametrize(
    "header", ["Owner", "Customer name", "E-mail", "Phone no.", "Remarks", "Street", "Name", "Kundennr"]
)
def test_personal_columns_are_refused_whatever_they_are_mapped_to(write: Write, header: str) -> None:
    """A guide can't make a column about a person or free text be read, even by mistake."""
    path = write(BASE + f'[columns."{header}"]\nto = "operator"\n', "g.toml")
    with pytest.raises(FleetError, match="is never read"):
        load_guide(path)


@pytest.mark.parametrize("header", ["Model name", "Family", "Tip", "Serial number", "Notebook", "Cityscape"])
def test_harmless_headers_are_not_taken_for_personal(header: str) -> None:
    """Only whole words count, and a model may have a name."""
    assert not is_personal(header)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x = [", "is not TOML"),
        ("[colums]\n", "unknown entry colums; known: columns, constant, file"),
        ("[file]\ndelimeter = 1\n", "unknown entry delimeter"),
        ('[file]\ndelimiter = "x"\n', "the delimiter must be"),
        ('[file]\ndecimal = "x"\n', "decimal must be"),
        ('[file]\ndates = "x"\n', "dates must be one of ymd, dmy, mdy"),
        ('[file]\nencoding = "klingon"\n', "no encoding of that name"),
        ("columns = 3\n", r"\[columns\] must be a table"),
        ('[columns]\nA = "vtf_mn"\n', "must be a table such as"),
        ('[columns.A]\nto = "vtf"\n', "to must name one of the columns"),
        ('[columns.A]\nto = "vtf_mn"\nunit = "inch"\n', "unit must be one of mn, g"),
        ('[columns.A]\nto = "operator"\nflip = true\n', "are for numbers only"),
        ('[columns.A]\nto = "zenith_deg"\nsense = { cw = 2 }\n', "is worth 1 or -1"),
        ('[columns.A]\nto = "zenith_deg"\nsense = 3\n', "words and sense are tables"),
        ('[columns.A]\nto = "zenith_deg"\nmagnitude = true\n', "never positive"),
        ('[columns.A]\nto = "generator"\nwords = { mc = "coil" }\n', "coil is no word of generator"),
        ('[columns.A]\nto = "operator"\nblanks = "  "\n', "one character such as"),
        (
            '[columns.A]\nto = "operator"\nblanks = "_"\n',
            "blanks are not for operator; what holds one may be a name",
        ),
        ('[columns."Serial no"]\nto = "sheet_no"\n', "serial numbers may only go to serial"),
        ('[columns.SN]\nto = "body_family"\n', "serial numbers may only go to serial"),
        ('[columns.A]\nto = "vtf_mn"\n[columns.B]\nto = "vtf_mn"\n', "are both mapped to vtf_mn"),
        ('[constant]\nserial = "S1"\n', "there is no column serial"),
        ('[columns.A]\nto = "vtf_mn"\nask = "grams?"\n', "has 1 open questions.*The first: A: grams"),
    ],
)
def test_a_wrong_guide_gets_one_line(write: Write, text: str, message: str) -> None:
    """Whatever no guide can say is refused with the place and the reason."""
    with pytest.raises(FleetError, match=message) as caught:
        load_guide(write(text, "g.toml"))
    assert "\n" not in str(caught.value)


def test_a_guide_that_cannot_be_read_gets_one_line(tmp_path: Path, write: Write) -> None:
    """A missing guide, a folder, a file that isn't text."""
    for path in (tmp_path / "none.toml", tmp_path, write(b"\xff\xfe", "g.toml")):
        with pytest.raises(FleetError, match="cannot be read"):
            load_guide(path)
