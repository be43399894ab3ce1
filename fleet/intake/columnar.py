"""Parquet, workbooks and JSON read as text, cell by cell the same as a CSV would say it."""

from __future__ import annotations

import datetime as dt
import json
import re
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleet.columns import CODE_PATTERN, Column
from fleet.errors import UnreadableFileError
from fleet.extras import how_to_install
from fleet.files.door import DAMAGED, TooLargeError, unpack
from fleet.intake.guides.guide import Guide
from fleet.intake.guides.layout import find_header, full_names, further_tables, join_rows
from fleet.intake.table import ABOVE, AGAIN, OTHER, PAGE, SheetTable, Text, fits, match_headers

_LARGEST_UNPACKED_BYTES = 1 << 25
_LARGEST_OTHER_PARTS_BYTES = 1 << 21
_CELLS_OF_A_BLANK_ROW = 5
_MOST_CELLS = 5_000_000
_TOO_WIDE = "{name} spreads over more than 5 million cells; save it as CSV."
_MOST_PARQUET_ROWS = 20_000_000
LARGEST_JSON = 1 << 26
"""Bytes of JSON that are read."""


def read_parquet(
    file: IO[bytes], name: str, known: Mapping[str, Column], guide: Guide | None = None
) -> list[SheetTable]:
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
        table = parquet.read(columns=list(dict.fromkeys(headers[place] for place in places.values())))
        columns = {column: column_text(table.column(headers[place])) for column, place in places.items()}
    except UnreadableFileError:
        raise
    except Exception as error:  # a mangled file fails in any way at all
        raise UnreadableFileError(f"{name} cannot be read as Parquet; write it again.") from error
    lines = np.arange(1, table.num_rows + 1, dtype=np.int64)
    return [without_blank_rows(name, lines, columns, ignored)]


def column_text(column: pa.ChunkedArray) -> Text:
    """Cells of any simple type as text; a time of day stays visible, so that a day is never made of it.

    Raises `pyarrow.ArrowInvalid` if a column isn't what its type says.
    """
    column.validate(full=True)  # Parquet's reader takes its texts to be UTF-8 as they are
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
) -> list[SheetTable]:
    """Read the known columns of a workbook as text, from every page that has them or the guide's own.

    Raises
    ------
    UnreadableFileError
        If it is no workbook, unpacks to an unreasonable size, lacks a required column, or the package that
        reads workbooks isn't installed.
    """
    pages = [page for page in book_pages(file, name, guide.page if guide else "") if page.filled]
    if not pages:
        raise UnreadableFileError(f"{name} is empty; the first row must hold the column names.")
    heights = (guide.header_rows,) if guide else (1,)
    first_only = guide is None and not any(column.required for column in known.values())
    tables: dict[int, list[SheetTable]] = {}
    passed: dict[str, int] = {}
    for page in pages:
        found = find_header(page.rows, lambda names: fits(names, known, guide), heights)
        if found is None:
            passed[f"on page {page.shown}, which has other column names"] = page.filled
        elif first_only and tables:
            passed[f"on page {page.shown}, as the first page alone is read here"] = page.filled
        else:
            tables[page.number] = _page_tables(page, name, known, guide, found)
    if not tables:  # say what the first page lacks
        top = next(i for i, row in enumerate(pages[0].rows) if any(row))
        return _page_tables(pages[0], name, known, guide, (top, 1))
    first, *others = [
        replace(table, lines=table.lines + (number * PAGE if len(tables) > 1 else 0))
        for number, ours in tables.items()
        for table in ours
    ]
    return [replace(first, passed={**first.passed, **passed}), *others]


def _page_tables(
    page: Page, name: str, known: Mapping[str, Column], guide: Guide | None, found: tuple[int, int]
) -> list[SheetTable]:
    """The table whose header was found, and with a guide every other one that begins below it."""
    start, height = found
    rows = page.rows
    heads = [found]
    if guide is not None:
        below = further_tables(rows[start + height :], guide.names, guide.header_rows)
        heads += [(start + height + at, tall) for at, tall in below]
    tables: list[SheetTable] = []
    passed = Counter({ABOVE: sum(any(row) for row in rows[:start])})
    headers: list[str] = []
    for (top, tall), (end, _) in zip(heads, [*heads[1:], (len(rows), 0)], strict=True):
        headers = full_names(join_rows(rows[top : top + tall]), headers)
        passed[AGAIN] += tall if top > start else 0
        if top > start and not fits(headers, known, guide):
            passed[OTHER] += sum(any(row) for row in rows[top + tall : end])
            continue
        places, ignored = match_headers(headers, known, name, guide)
        decimal = guide.decimal if guide else "."
        body = rows[top + tall : end]
        columns = {
            column: pa.chunked_array(
                [[written(row[place], decimal) if place < len(row) else "" for row in body]], pa.string()
            )
            for column, place in places.items()
        }
        lines = np.arange(top + tall + 1, end + 1, dtype=np.int64)
        tables.append(without_blank_rows(name, lines, columns, ignored))
    return [replace(tables[0], passed={why: n for why, n in passed.items() if n}), *tables[1:]]


class TypedNumber(str):
    """A figure that a workbook holds as a number, written with a decimal point."""

    __slots__ = ()


def written(text: str, decimal: str) -> str:
    """A cell as the bench would write it: a typed number with the bench's own decimal mark."""
    return text.replace(".", decimal) if isinstance(text, TypedNumber) else text


@dataclass(frozen=True)
class Page:
    """One page of a workbook as text.

    Attributes
    ----------
    name, number : as the workbook has them, the first being 1.
    rows : cells of every row from the first on.
    """

    name: str
    number: int
    rows: list[list[str]]

    @property
    def filled(self) -> int:
        """Rows with any content."""
        return sum(any(row) for row in self.rows)

    @property
    def shown(self) -> str:
        """Its name if that looks like a code, else its number."""
        return self.name if re.fullmatch(CODE_PATTERN, self.name) else str(self.number)


def first_rows(file: IO[bytes], name: str, most: int) -> list[list[str]]:
    """Headers and first rows of a Parquet file as text."""
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


def book_pages(file: IO[bytes], name: str, page: str = "") -> list[Page]:
    """Every page of a workbook as text, or the one that is named; JSON is a book of one page."""
    start = file.read(1)
    file.seek(0)
    if start not in {b"P", b"\xd0"}:
        return [_json_page(file.read(LARGEST_JSON + 1), name)]
    if not _is_xlsx(file):
        return _other_pages(file, name, page)
    try:
        import openpyxl  # type: ignore[import-untyped,unused-ignore]
    except ImportError as error:
        raise UnreadableFileError(
            f"{name} is a workbook; to read it: {how_to_install()}, or save it as CSV."
        ) from error
    try:
        formulas = _look_over(file, name)
        pages = [
            Page(title, number, [[cell_text(value) for value in row] for row in rows])
            for title, number, rows in _page_rows(openpyxl, file, name, page)
        ]
        if formulas:
            again = _page_rows(openpyxl, file, name, page, formulas=True)
            for read, (_, _, rows) in zip(pages, again, strict=True):
                for cells, row in zip(read.rows, rows, strict=True):
                    for place, formula in enumerate(row):
                        if cells[place] == "" and formula is not None:
                            cells[place] = str(formula)  # a formula without its value: no reading, not empty
        return pages
    except UnreadableFileError:
        raise
    except Exception as error:  # a mangled workbook fails in any way at all
        raise UnreadableFileError(
            f"{name} cannot be read as a workbook; save it again, or as CSV."
        ) from error


def _json_page(content: bytes, name: str) -> Page:
    """Sheets as JSON, a list of objects or one on each line, as a page of a workbook.

    What lies within an object is named by both, `crosstalk.lr`; a list of words is written with ; between.
    """
    if len(content) > LARGEST_JSON:
        raise UnreadableFileError(f"{name} has more than {LARGEST_JSON >> 20} MB of JSON; save it as CSV.")
    try:
        text = content.decode("utf-8-sig")
        lines = text.splitlines() if text.startswith("{") else []
        if lines and lines[0].rstrip().endswith("}") and (len(lines) > 1 or not name.endswith(".json")):
            text = f"[{','.join(line for line in lines if line.strip())}]"  # an object on each line
        found = json.loads(text, parse_constant=float)
    except (ValueError, RecursionError):
        raise UnreadableFileError(f"{name} is not JSON, whatever its name says.") from None
    if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
        raise UnreadableFileError(f"{name} is no list of sheets: write [{{column: value, ...}}, ...].")
    found = [_flat(row) for row in found]
    names = list(dict.fromkeys(column for row in found for column in row))
    if len(found) * len(names) > _MOST_CELLS:
        raise UnreadableFileError(_TOO_WIDE.format(name=name))
    if any(isinstance(value, dict | list) for row in found for value in row.values()):
        raise UnreadableFileError(f"{name} has lists or objects in a cell; write one value for each column.")
    return Page("1", 1, [names, *([cell_text(row.get(column)) for column in names] for row in found)])


def _flat(row: dict[str, Any]) -> dict[str, Any]:
    """An object's values, those of an object within it beside them, and a list of words as one cell."""
    out: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, dict):
            out |= {f"{name}.{inner}": told for inner, told in value.items()}
        elif isinstance(value, list) and all(isinstance(word, str) for word in value):
            out[name] = ";".join(value)
        else:
            out[name] = value
    return out


def _is_xlsx(file: IO[bytes]) -> bool:
    """Whether it is a workbook of the kind that openpyxl reads, or so broken that it may say why it isn't."""
    file.seek(0)
    try:
        return file.read(2) == b"PK" and "mimetype" not in zipfile.ZipFile(file).namelist()
    except DAMAGED:
        return True
    finally:
        file.seek(0)


def _other_pages(file: IO[bytes], name: str, page: str) -> list[Page]:
    """Pages of a workbook of an older kind or of another office program."""
    from python_calamine import CalamineWorkbook

    try:
        packed = file.read(2) == b"PK"
        file.seek(0)
        content = file.read(_LARGEST_UNPACKED_BYTES + 1)
        size = len(content)
        if packed:
            size = sum(len(part) for _, part in unpack(content, most=_LARGEST_UNPACKED_BYTES))
        if size > _LARGEST_UNPACKED_BYTES:
            raise UnreadableFileError(f"{name} unpacks to more than a workbook of 32 MB; save it as CSV.")
        file.seek(0)
        book = CalamineWorkbook.from_filelike(file)
        if page and page not in book.sheet_names:
            raise UnreadableFileError(f"{name} has no page of the name that the guide gives.")
        pages = []
        for number, title in enumerate(book.sheet_names, start=1):
            if page in {"", title}:
                sheet = book.get_sheet_by_name(title)
                if sheet.total_height * max(sheet.total_width, 1) > _MOST_CELLS:
                    raise UnreadableFileError(_TOO_WIDE.format(name=name))
                cells = sheet.to_python(skip_empty_area=False)
                pages.append(Page(title, number, [[cell_text(value) for value in row] for row in cells]))
        return pages
    except UnreadableFileError:
        raise
    except Exception as error:  # a mangled workbook fails in any way at all
        raise UnreadableFileError(
            f"{name} cannot be read as a workbook; save it again, or as CSV."
        ) from error


def _look_over(file: IO[bytes], name: str) -> bool:
    """Refuse what would grow beyond reason when it is unpacked or parsed; whether there are formulas."""
    content = file.read(_LARGEST_UNPACKED_BYTES + 1)
    try:
        parts = dict(unpack(content, most=_LARGEST_UNPACKED_BYTES))
    except TooLargeError:
        raise UnreadableFileError(
            f"{name} unpacks to more than a workbook of 32 MB; save it as CSV."
        ) from None
    large = {part for part in parts if part.startswith(("xl/worksheets/", "xl/sharedStrings"))}
    if sum(len(text) for part, text in parts.items() if part not in large) > _LARGEST_OTHER_PARTS_BYTES:
        raise UnreadableFileError(f"{name} unpacks to more than a workbook of 32 MB; save it as CSV.")
    formulas = False
    for part, text in parts.items():
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
    openpyxl: Any, file: IO[bytes], name: str, page: str, *, formulas: bool = False
) -> Iterator[tuple[str, int, Iterator[tuple[Any, ...]]]]:
    """(title, number, cells of its rows) of each page: values, or what was typed with the formulas in it."""
    file.seek(0)
    book = openpyxl.load_workbook(file, read_only=True, data_only=not formulas)
    if page and page not in book.sheetnames:
        raise UnreadableFileError(f"{name} has no page of the name that the guide gives.")
    cells = 0

    def rows_of(sheet: Any) -> Iterator[tuple[Any, ...]]:
        nonlocal cells
        sheet.reset_dimensions()
        for row in sheet.iter_rows(values_only=True):
            cells += max(len(row), _CELLS_OF_A_BLANK_ROW)
            if cells > _MOST_CELLS:  # a few bytes can claim a cell at the far end of a page
                raise UnreadableFileError(_TOO_WIDE.format(name=name))
            yield row

    for number, sheet in enumerate(book.worksheets, start=1):
        if page in {"", sheet.title}:
            yield sheet.title, number, rows_of(sheet)


def cell_text(value: Any) -> str:
    """One cell as a CSV would say it."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return str(value.date()) if value.time() == dt.time() else str(value)
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return TypedNumber(int(value))
    return TypedNumber(value) if isinstance(value, int | float) else str(value)
