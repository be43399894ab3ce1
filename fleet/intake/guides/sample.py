"""The first rows of a file whose way of writing isn't known yet."""

from __future__ import annotations

import codecs
import csv
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import UnreadableFileError
from fleet.intake.guides.guide import DELIMITERS

_SAMPLE_BYTES = 1 << 20
_SAMPLE_ROWS = 2000


@dataclass(frozen=True)
class Sample:
    """Headers and first cells of a file.

    Attributes
    ----------
    headers : as they stand in the file.
    cells : trimmed cells of each column, at most some 2 000.
    delimiter, encoding : how a CSV seems to be written.
    """

    headers: list[str]
    cells: list[list[str]]
    delimiter: str
    encoding: str


def take(path: Path | str) -> Sample:
    """Read the first rows of a CSV, XLSX or Parquet file; errors as in `read_sheets`."""
    from fleet.intake.reader import open_file

    with open_file(path) as (file, kind):
        name = Path(path).name
        if kind == "csv":
            return _from_csv(file.read(_SAMPLE_BYTES), name)
        from fleet.intake import columnar

        rows = columnar.first_rows(file, name, kind, _SAMPLE_ROWS)
    return _columns(rows, name, ",", "utf-8")


def _from_csv(data: bytes, name: str) -> Sample:
    encoding = _encoding(data)
    text = data.decode(encoding, errors="replace").removeprefix("\ufeff")
    lines = text.splitlines()
    if len(data) == _SAMPLE_BYTES:
        lines = lines[:-1]  # the last one may be cut
    lines = [line for line in lines if line.strip()][: _SAMPLE_ROWS + 1]
    if not lines:
        raise UnreadableFileError(f"{name} is empty; the first row must hold the column names.")
    delimiter = _delimiter(lines)
    try:
        rows = list(csv.reader(lines, delimiter=delimiter))
    except csv.Error as error:
        raise UnreadableFileError(
            f"{name} cannot be read as a table of cells; look at its quotation marks."
        ) from error
    return _columns(rows, name, delimiter, encoding)


def _columns(rows: list[list[str]], name: str, delimiter: str, encoding: str) -> Sample:
    rows = [row for row in rows if any(cell.strip() for cell in row)]
    if not rows:
        raise UnreadableFileError(f"{name} is empty; the first row must hold the column names.")
    headers, body = rows[0], rows[1:]
    whole = [row for row in body if len(row) == len(headers)]
    return Sample(
        headers, [[row[i].strip() for row in whole] for i in range(len(headers))], delimiter, encoding
    )


def _encoding(data: bytes) -> str:
    if data[:2] in {codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE}:
        return "utf-16"
    for encoding in ("utf-8", "cp1252"):
        try:
            codecs.getincrementaldecoder(encoding)().decode(data)  # the end may be cut within a character
        except UnicodeDecodeError:
            continue
        return encoding
    return "latin-1"


def _delimiter(lines: list[str]) -> str:
    """The mark that splits most lines into as many fields as the first one has."""

    def score(mark: str) -> tuple[float, int]:
        n_first = lines[0].count(mark)
        if not n_first:
            return (0.0, 0)
        return (sum(line.count(mark) >= n_first for line in lines) / len(lines), n_first)

    return max(DELIMITERS, key=score)
