"""CSV files as they come: no row is lost, and every line number is right."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.errors import FleetError
from fleet.files import chunks
from fleet.intake import csv_reader, read_sheets

HEAD = "sheet_no,measured_on,body_family,remark\n"
Write = Callable[..., Path]


def cells(path: Path) -> list[tuple[int, str]]:
    table = read_sheets(path)
    return list(zip(table.lines.tolist(), table.columns["sheet_no"].to_pylist(), strict=True))


def test_rows_keep_the_line_they_stand_on(write: Write) -> None:
    """Blank lines and rows of empty cells don't count as rows but do count as lines."""
    path = write("\n" + HEAD + "\nA1,2024-01-01,F,\n\n,,,\nA2,2024-01-01,F,\n")
    assert cells(path) == [(4, "A1"), (7, "A2")]
    assert read_sheets(path).blank_rows == 3


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_of_every_system_are_read(write: Write, end: str) -> None:
    """Lines may end in LF, CR LF or CR."""
    assert cells(write(end.join([HEAD.strip(), "A1,2024-01-01,F,x", "A2,2024-01-01,F,"]))) == [
        (2, "A1"),
        (3, "A2"),
    ]


def test_a_byte_order_mark_is_no_part_of_the_first_header(write: Write) -> None:
    """A file saved with a byte-order mark is read like one without."""
    assert cells(write(b"\xef\xbb\xbf" + HEAD.encode() + b"A1,2024-01-01,F,\n")) == [(2, "A1")]


def test_columns_are_found_by_name_in_any_order(write: Write) -> None:
    """Swapped columns land in their own fields."""
    table = read_sheets(write("body_family, sheet_no ,measured_on\nF7,A1,2024-01-01\n"))
    assert table.columns["body_family"].to_pylist() == ["F7"]
    assert table.columns["sheet_no"].to_pylist() == ["A1"]


def test_a_remark_may_run_over_several_lines(write: Write) -> None:
    """A quoted cell with line breaks is one row, on the line where it starts."""
    path = write(HEAD + 'A1,2024-01-01,F,"one\ntwo, ""three""\nfour"\nA2,2024-01-01,F,\n')
    assert cells(path) == [(2, "A1"), (5, "A2")]


def test_an_unclosed_quotation_mark_costs_one_row_only(write: Write) -> None:
    """The rows after a quotation mark that is never closed are read as usual."""
    rows = "".join(f"A{i},2024-01-01,F,\n" for i in range(3, 80))
    path = write(HEAD + 'A1,2024-01-01,F,x\nA2,2024-01-01,F,"open\n' + rows)
    table = read_sheets(path)
    assert len(table.lines) == 78
    assert [(fault.line, fault.reason) for fault in table.broken] == [(3, csv_reader._OPEN_QUOTE)]


def test_two_unclosed_quotation_marks_swallow_no_row_between_them(write: Write) -> None:
    """Rows between two stray quotation marks are not taken for one long remark."""
    path = write(HEAD + 'A1,2024-01-01,F,"open\nA2,2024-01-01,F,\nA3,2024-01-01,F,shut"\nA4,2024-01-01,F,\n')
    table = read_sheets(path)
    assert table.columns["sheet_no"].to_pylist() == ["A2", "A3", "A4"]
    assert [fault.line for fault in table.broken] == [2]


def test_an_inch_mark_needs_no_quoting(write: Write) -> None:
    """A quotation mark inside an unquoted cell is part of it."""
    table = read_sheets(
        write('sheet_no,measured_on,body_family,height_mm\nA1,2024-01-01,F,0.5"\nA2,2024-01-01,F,9\n')
    )
    assert table.columns["height_mm"].to_pylist() == ['0.5"', "9"]


def test_rows_of_another_width_are_put_aside_with_their_width(write: Write) -> None:
    """A row with too few or too many fields is named; empty fields at the end do no harm."""
    path = write(HEAD + "A1,2024-01-01\nA2,2024-01-01,F,,,\nA3,2024-01-01,F,,,more\n")
    table = read_sheets(path)
    assert table.columns["sheet_no"].to_pylist() == ["A2"]
    assert [(f.line, f.reason) for f in table.broken] == [
        (2, "has 2 fields where the header has 4"),
        (4, "has 6 fields where the header has 4"),
    ]


def test_a_row_in_another_encoding_is_put_aside_alone(write: Write) -> None:
    """Bytes that aren't UTF-8 cost the row that holds them."""
    path = write(HEAD.encode() + b"A1,2024-01-01,F,\xe9t\xe9\nA2,2024-01-01,F,\xc3\xa9\n")
    table = read_sheets(path)
    assert table.columns["sheet_no"].to_pylist() == ["A2"]
    assert [(f.line, f.reason) for f in table.broken] == [(2, "holds bytes that are not UTF-8 text")]


def test_a_huge_cell_is_put_aside(write: Write) -> None:
    """A cell far longer than any reading breaks its own row only."""
    path = write(HEAD + 'A1,2024-01-01,F,"' + "x" * 200_000 + '"\nA2,2024-01-01,F,\n')
    table = read_sheets(path)
    assert table.columns["sheet_no"].to_pylist() == ["A2"]
    assert [f.line for f in table.broken] == [2]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"a,b\n1,2\n", "has no column sheet_no, measured_on, body_family; the first row must hold"),
        (b"enquiry_id,vtf_mn\nE1,18\n", "body_family; it looks like enquiries: fleet quote FILE"),
        (b"unit,operator,trial\n", "it looks like a gauge study: fleet gauge FILE"),
        (b"sheet_no;measured_on;body_family\n", "separated by commas: a reading guide"),
        (b"sheet_no,sheet_no,measured_on,body_family\n", "two columns sheet_no"),
        (b"\xff\xfes\0h\0", "UTF-16"),
        (b"sheet_no,\xe9\n", "line 1 holds bytes that are not UTF-8 text"),
        (b'sheet_no,"open\n', "line 1, the column names, has a quotation mark"),
    ],
)
def test_a_file_that_is_no_table_gets_one_line(write: Write, text: bytes, message: str) -> None:
    """What can't be a table of sheets is refused with the reason."""
    with pytest.raises(FleetError, match=message) as caught:
        read_sheets(write(text))
    assert "\n" not in str(caught.value)


def test_unknown_headers_are_named_only_if_they_look_like_codes(write: Write) -> None:
    """A header with a person's name in it is told by its place."""
    table = read_sheets(write("sheet_no,measured_on,body_family,Ada Example,colour\nA1,2024-01-01,F,x,y\n"))
    assert table.ignored == ("column 4", "colour")
    assert set(table.columns) == {"sheet_no", "measured_on", "body_family"}


def test_small_chunks_read_the_same_as_one_large_chunk(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a chunk ends makes no difference, whatever stands there."""
    rng = random.Random(5)
    kinds = [
        "S{i},2024-01-01,F,\n",
        'S{i},2024-01-01,F,"a\nb"\n',
        "S{i},2024-01-01\n",
        "\n",
        'S{i},2024-01-01,F,"open\n',
        'S{i},"2024-01-01",F,é\r\n',
        " ,,,\n",
    ]
    text = HEAD + "".join(rng.choice(kinds).replace("{i}", str(i)) for i in range(400))
    path = write(text.encode() + b"S9,2024-01-01,F,\xff\n")
    whole = read_sheets(path)
    monkeypatch.setattr(chunks, "_CHUNK_BYTES", 97)
    cut = read_sheets(path)
    assert whole.rows_read > 200
    assert cut.lines.tolist() == whole.lines.tolist()
    assert cut.columns["measured_on"].to_pylist() == whole.columns["measured_on"].to_pylist()
    assert cut.broken == whole.broken
    assert cut.blank_rows == whole.blank_rows
