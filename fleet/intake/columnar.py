"""Parquet and XLSX read as text, cell by cell the same as a CSV would say it."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Iterator, Mapping
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleet.columns import Column
from fleet.errors import UnreadableFileError
from fleet.extras import how_to_install
from fleet.intake.guides.guide import Guide
from fleet.intake.table import SheetTable, Text, match_headers

_LARGEST_UNPACKED_BYTES = 1 << 25
_LARGEST_OTHER_PARTS_BYTES = 1 << 21
_CELLS_OF_A_BLANK_ROW = 5
_MOST_CELLS = 5_000_000
_MOST_PARQUET_ROWS = 20_000_000


def read_parquet(
    file: IO[bytes], name: str, known: Mapping[str, Column], guide: Guide | None = None
) -> SheetTable:
    """Read the known columns of a Parquet file as text; a row's "line" is its number from 1.

    Raises
    ------
    UnreadableFileError
        If it can't be read, lacks a required column, or a column holds something that isn't a cell.
    """
    import pyarrow.parquet as pq

    try:
        parquet = pq.ParquetFile(file)
        if parquet.metadata.num_rows > _MOST_PARQUET_ROWS:
            raise UnreadableFileError(f"{name} has more than 20 million rows; write it as several files.")
        headers = [str(h) for h in parquet.schema_arrow.names]
        places, ignored = match_headers(headers, known, name, guide)
        table = parquet.read(columns=[headers[place] for place in places.values()])
        columns = {column: column_text(table.column(headers[place])) for column, place in places.items()}
    except UnreadableFileError:
        raise
    except Exception as error:  # a mangled file fails in any way at all
        raise UnreadableFileError(f"{name} cannot be read as Parquet; write it again.") from error
    n_rows = table.num_rows
    return without_blank_rows(name, np.arange(1, n_rows + 1, dtype=np.int64), columns, ignored)


def column_text(column: pa.ChunkedArray) -> Text:
    """Cells of any simple type as text; a time of day stays visible, so that a day is never made of it."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_timestamp(kind):
        midnight = pc.equal(column, pc.floor_temporal(column, unit="day"))
        if pc.all(midnight).as_py() is not False:
            column = column.cast(pa.date32())
    return column.cast(pa.string())


def without_blank_rows(
    name: str, lines: np.ndarray, columns: dict[str, Text], ignored: tuple[str, ...]
) -> SheetTable:
    """Rows as a table, those without any content left out."""
    filled = np.zeros(len(lines), dtype=bool)
    for text in columns.values():
        filled |= pc.fill_null(pc.not_equal(pc.utf8_trim_whitespace(text), ""), False).to_numpy()
    blank = int(len(lines) - filled.sum())
    if blank:
        mask = pa.array(filled)
        columns = {column: text.filter(mask) for column, text in columns.items()}
        lines = lines[filled]
    return SheetTable(name, lines, columns, (), blank, ignored)


def read_xlsx(
    file: IO[bytes], name: str, known: Mapping[str, Column], guide: Guide | None = None
) -> SheetTable:
    """Read the known columns of a workbook's page as text: the one that the guide names, else the first.

    Raises
    ------
    UnreadableFileError
        If it is no workbook, unpacks to an unreasonable size, lacks a required column, or the package that
        reads workbooks isn't installed.
    """
    rows = _xlsx_rows(file, name, guide.page if guide else "")
    header_at = next((i for i, (_, row) in enumerate(rows) if any(row)), None)
    if header_at is None:
        raise UnreadableFileError(f"{name} is empty; the first row must hold the column names.")
    places, ignored = match_headers(rows[header_at][1], known, name, guide)
    body = rows[header_at + 1 :]
    columns = {
        column: pa.chunked_array([[row[place] if place < len(row) else "" for _, row in body]], pa.string())
        for column, place in places.items()
    }
    lines = np.array([number for number, _ in body], dtype=np.int64)
    return without_blank_rows(name, lines, columns, ignored)


def first_rows(file: IO[bytes], name: str, kind: str, most: int) -> list[list[str]]:
    """Headers and first rows of a Parquet file or workbook as text."""
    if kind == "xlsx":
        return [row for _, row in _xlsx_rows(file, name, "")[: most + 1]]
    import pyarrow.parquet as pq

    try:
        parquet = pq.ParquetFile(file)
        batch = pa.Table.from_batches(parquet.iter_batches(batch_size=most), parquet.schema_arrow).slice(
            0, most
        )
        columns = [[text or "" for text in column_text(column).to_pylist()] for column in batch.columns]
    except UnreadableFileError:
        raise
    except Exception as error:  # a mangled file fails in any way at all
        raise UnreadableFileError(f"{name} cannot be read as Parquet; write it again.") from error
    return [list(map(str, batch.schema.names)), *map(list, zip(*columns, strict=True))]


def _xlsx_rows(file: IO[bytes], name: str, page: str) -> list[tuple[int, list[str]]]:
    try:
        import openpyxl  # type: ignore[import-untyped,unused-ignore]
    except ImportError as error:
        raise UnreadableFileError(
            f"{name} is a workbook; to read it: {how_to_install()}, or save it as CSV."
        ) from error
    try:
        formulas = _look_over(file, name)
        rows = [[cell_text(value) for value in row] for row in _page_rows(openpyxl, file, name, page)]
        if formulas:
            for cells, row in zip(rows, _page_rows(openpyxl, file, name, page, written=True), strict=True):
                for place, written in enumerate(row):
                    if cells[place] == "" and written is not None:
                        cells[place] = str(written)  # a formula without its value: no reading, and not empty
        return list(enumerate(rows, start=1))
    except UnreadableFileError:
        raise
    except Exception as error:  # a mangled workbook fails in any way at all
        raise UnreadableFileError(
            f"{name} cannot be read as a workbook; save it again, or as CSV."
        ) from error


def _look_over(file: IO[bytes], name: str) -> bool:
    """Refuse what would grow beyond reason when it is unpacked or parsed; whether there are formulas."""
    with zipfile.ZipFile(file) as packed:
        sizes = {part.filename: part.file_size for part in packed.infolist()}
        large = {part for part in sizes if part.startswith(("xl/worksheets/", "xl/sharedStrings"))}
        others = sum(size for part, size in sizes.items() if part not in large)
        if sum(sizes.values()) > _LARGEST_UNPACKED_BYTES or others > _LARGEST_OTHER_PARTS_BYTES:
            raise UnreadableFileError(f"{name} unpacks to more than a workbook of 32 MB; save it as CSV.")
        formulas = False
        for part in sizes:
            text = packed.read(part)
            if part.endswith((".xml", ".rels")) and not _tags_balance(text):
                raise UnreadableFileError(f"{name} cannot be read as a workbook; save it again, or as CSV.")
            formulas |= part in large and b"<f" in text
    return formulas


def _tags_balance(xml: bytes) -> bool:
    """Whether as many elements end as begin: what only opens could nest until the memory is full."""
    ends = xml.count(b"</")
    begins = xml.count(b"<") - ends - xml.count(b"<?") - xml.count(b"<!")
    return begins == ends + xml.count(b"/>")


def _page_rows(
    openpyxl: Any, file: IO[bytes], name: str, page: str, *, written: bool = False
) -> Iterator[tuple[Any, ...]]:
    """Cells of the page's rows: values, or with `written` what was typed, formulas included."""
    file.seek(0)
    book = openpyxl.load_workbook(file, read_only=True, data_only=not written)
    if page and page not in book.sheetnames:
        raise UnreadableFileError(f"{name} has no page of the name that the guide gives.")
    sheet = book[page] if page else book.worksheets[0]
    sheet.reset_dimensions()
    cells = 0
    for row in sheet.iter_rows(values_only=True):
        cells += max(len(row), _CELLS_OF_A_BLANK_ROW)
        if cells > _MOST_CELLS:  # a few bytes can claim a cell at the far end of a page
            raise UnreadableFileError(f"{name} spreads over more than 5 million cells; save it as CSV.")
        yield row


def cell_text(value: Any) -> str:
    """One cell as a CSV would say it."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return str(value.date()) if value.time() == dt.time() else str(value)
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)
