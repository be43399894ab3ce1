"""Reading guides: what one bench's own headers, units, signs and words mean.

A guide is a small TOML file. `[file]` says how the file is written, `[columns."Header"]` what a column is,
and `[constant]` what every sheet of the bench has in common. Nothing in a guide can make a personal or
free-text column be read.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from fleet.columns import COLUMNS, PERSONAL_PARTS, PERSONAL_WORDS, Column
from fleet.errors import FleetError, UnreadableFileError
from fleet.files.door import read_toml
from fleet.intake.guides.layout import MOST_HEADER_ROWS, names_of
from fleet.intake.guides.units import SCALES, scale_of

DATE_ORDERS: Final = ("ymd", "dmy", "mdy")
DELIMITERS: Final = (",", ";", "\t", "|")
NEVER_BLANK: Final = ("serial", "operator")
"""Columns whose blanks no guide may fill: a serial's don't count, and an operator with one is a name."""
ANY_OTHER: Final = "*"
"""Stands among a rule's words for every word that isn't known; those words themselves are kept nowhere."""

AS_MOUNTED: Final = "as mounted"
CHECK: Final = "check pickup"
NO_SHEET: Final = "no sheet"
ROW_KINDS: Final = ("", AS_MOUNTED, CHECK, NO_SHEET)

_SERIAL_WORDS: Final = {"serial", "serials", "sn", "serialnumber", "serialno", "seriennummer", "seriennr"}
_ABOUT_PICKUPS: Final = {"model", "family", "type", "body", "pickup", "cartridge", "file", "bench"}


@dataclass(frozen=True)
class Rule:
    """What one column of a bench's file is.

    Attributes
    ----------
    header : its header in the file.
    to : the canonical column.
    unit : the unit of its figures, "" for the contract's.
    words : what the bench's words (in small letters) mean, of figures too (`{"new": "0"}`).
    sense : what a word after a figure does to its sign, such as `{"cw": 1, "ccw": -1}`; one of them is then
        required, except after a zero.
    magnitude : whether figures without a minus stand for negative ones (crosstalk "31 dB down").
    flip : whether the bench's sign is the other way round.
    empty : texts that mean "not measured".
    blanks : what stands for a blank in a code or number, "" if blanks are not allowed.
    ditto : what stands for the cell above: `marks` such as ", or `blanks` too.
    optional : whether a file may come without this column.
    ask : an open question of a proposed guide; it must be answered before sheets go in.
    """

    header: str
    to: str
    unit: str = ""
    words: Mapping[str, str] = field(default_factory=dict)
    sense: Mapping[str, int] = field(default_factory=dict)
    magnitude: bool = False
    flip: bool = False
    empty: tuple[str, ...] = ()
    blanks: str = ""
    ditto: str = ""
    optional: bool = False
    ask: str = ""

    @property
    def column(self) -> Column:
        """The canonical column."""
        return COLUMNS[self.to]


@dataclass(frozen=True)
class Guide:
    """How to read the files of one bench.

    Attributes
    ----------
    rules : what each column is.
    constant : canonical columns that have the same text in every row.
    rows : by header, what a cell (in small letters, `ANY_OTHER` for any other) says of its whole row: "" for
        nothing, or that it was read as mounted, is of the check pickup, or is no sheet.
    delimiter, encoding : how a CSV is written.
    decimal : `.` or `,`; the other one may stand between thousands.
    dates : order of a date's parts, one of `DATE_ORDERS`; year-month-day with dashes is always understood.
    page : name of a workbook's page; every one that has the headers if "".
    header_rows : how many rows the headers stand in, one above the other.
    skip : first words (small letters) of rows that are no sheets, such as totals.
    """

    rules: tuple[Rule, ...]
    constant: Mapping[str, str] = field(default_factory=dict)
    rows: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    delimiter: str = ","
    encoding: str = "utf-8"
    decimal: str = "."
    dates: str = "ymd"
    page: str = ""
    header_rows: int = 1
    skip: tuple[str, ...] = ()

    @cached_property
    def names(self) -> frozenset[str]:
        """Its headers, and the beginnings of those that may stand in several rows, in small letters."""
        return names_of([*(rule.header for rule in self.rules), *self.rows])

    @property
    def questions(self) -> tuple[str, ...]:
        """Open questions, one line each."""
        return tuple(f"{rule.header}: {rule.ask}" for rule in self.rules if rule.ask)


def is_personal(header: str) -> bool:
    """Whether a header speaks of a person or of free text, so that its column is never read."""
    header = header.lower()
    words = set(re.findall(r"[^\W\d_]+", header))
    personal = words & PERSONAL_WORDS
    if personal == {"name"} and words & _ABOUT_PICKUPS:
        return False
    return bool(personal) or any(part in header for part in PERSONAL_PARTS)


def names_serials(header: str) -> bool:
    """Whether a header says that its column holds serial numbers, which go nowhere but into tokens."""
    return bool(_SERIAL_WORDS & set(re.findall(r"[^\W\d_]+", header.lower())))


def load_guide(path: Path | str) -> Guide:
    """Read a guide from its TOML file.

    Raises
    ------
    FleetError
        If the file can't be read, says something that no guide can say, maps a personal column, or has open
        questions.
    """
    path = Path(path)
    raw = read_toml(
        path, unread=f"the guide {path} cannot be read", no_toml=f"the guide {path.name} is not TOML"
    )
    guide = guide_from(raw, path.name)
    if guide.questions:
        raise UnreadableFileError(
            f"the guide {path.name} has {len(guide.questions)} open questions; answer them and remove their "
            f"ask lines. The first: {guide.questions[0]}"
        )
    return guide


def guide_from(raw: Mapping[str, Any], name: str) -> Guide:
    """Build a guide out of TOML tables; errors as in `load_guide`."""
    _known_keys(raw, {"file", "columns", "constant", "rows"}, name)
    about = _table(raw, "file", name)
    _known_keys(about, set(Guide.__dataclass_fields__) - {"rules", "constant", "rows"}, f"{name} [file]")
    rules = tuple(_rule(str(header), entry, name) for header, entry in _table(raw, "columns", name).items())
    rows = {
        str(header): _row_words(str(header), words, name)
        for header, words in _table(raw, "rows", name).items()
    }
    constant = {str(k): str(v) for k, v in _table(raw, "constant", name).items()}
    for to in constant:
        if to not in COLUMNS or to == "serial":
            raise FleetError(
                f"{name} [constant]: there is no column {to} that can be the same for all sheets."
            )
    told = {str(k): str(v) for k, v in about.items() if k not in {"header_rows", "skip"}}
    height, skip = about.get("header_rows", 1), about.get("skip", [])
    if height not in range(1, MOST_HEADER_ROWS + 1) or not isinstance(skip, list):
        raise FleetError(f"{name}: header_rows is 1, 2 or 3, and skip a list of words.")
    words = tuple(str(word).strip().lower() for word in skip)
    guide = Guide(rules=rules, constant=constant, rows=rows, header_rows=height, skip=words, **told)
    _check_file_part(guide, name)
    seen: dict[str, str] = {}
    for rule in rules:
        if rule.to in seen:
            raise FleetError(f'{name}: "{seen[rule.to]}" and "{rule.header}" are both mapped to {rule.to}.')
        seen[rule.to] = rule.header
    return guide


def _check_file_part(guide: Guide, name: str) -> None:
    if guide.delimiter not in DELIMITERS:
        raise FleetError(f"{name}: the delimiter must be a comma, a semicolon, a tab or a bar.")
    if guide.decimal not in {".", ","}:
        raise FleetError(f"{name}: decimal must be a point or a comma.")
    if guide.dates not in DATE_ORDERS:
        raise FleetError(f"{name}: dates must be one of {', '.join(DATE_ORDERS)}.")
    try:
        sample = "a,b\n".encode(guide.encoding)
        codecs.getincrementaldecoder(guide.encoding)(errors="surrogateescape").decode(sample)
    except (LookupError, ValueError, AttributeError) as error:  # not every codec turns bytes into text
        raise FleetError(f"{name}: there is no encoding of that name; try utf-8 or cp1252.") from error


def _rule(header: str, entry: Any, name: str) -> Rule:
    where = f'{name} [columns."{header}"]'
    if not isinstance(entry, dict):
        raise FleetError(f'{where} must be a table such as {{ to = "vtf_mn", unit = "g" }}.')
    fields = set(Rule.__dataclass_fields__) - {"header"}
    _known_keys(entry, fields, where)
    to = entry.get("to")
    if not isinstance(to, str) or to not in COLUMNS:
        raise FleetError(f"{where}: to must name one of the columns of a bench sheet (fleet explain sheets).")
    if is_personal(header):
        raise FleetError(f"{where}: this column is about a person or free text; it is never read. Remove it.")
    if names_serials(header) and to != "serial":
        raise FleetError(f"{where}: serial numbers may only go to serial, where they become tokens.")
    try:
        rule = Rule(
            header=header,
            to=to,
            unit=str(entry.get("unit", "")),
            words={str(k).strip().lower(): str(v) for k, v in entry.get("words", {}).items()},
            sense={str(k).strip().lower(): int(v) for k, v in entry.get("sense", {}).items()},
            magnitude=bool(entry.get("magnitude", False)),
            flip=bool(entry.get("flip", False)),
            empty=tuple(str(text).strip() for text in entry.get("empty", ())),
            blanks=str(entry.get("blanks", "")),
            ditto=str(entry.get("ditto", "")),
            optional=bool(entry.get("optional", False)),
            ask=str(entry.get("ask", "")),
        )
    except (AttributeError, TypeError, ValueError, OverflowError) as error:
        raise FleetError(f"{where}: words and sense are tables, empty is a list of texts.") from error
    _check_rule(rule, where)
    return rule


def _row_words(header: str, words: Any, name: str) -> dict[str, str]:
    where = f'{name} [rows."{header}"]'
    if is_personal(header):
        raise FleetError(f"{where}: this column is about a person or free text; it is never read. Remove it.")
    if not isinstance(words, dict) or not set(map(str, words.values())) <= set(ROW_KINDS):
        raise FleetError(f'{where}: a table of words, each "", "{AS_MOUNTED}", "{CHECK}" or "{NO_SHEET}".')
    return {str(word).strip().lower(): str(kind) for word, kind in words.items()}


def _check_rule(rule: Rule, where: str) -> None:
    column = rule.column
    numeric = column.kind == "number"
    if rule.unit and scale_of(column.unit, rule.unit) is None:
        known = ", ".join(SCALES.get(column.unit, {})) or "none"
        raise FleetError(f"{where}: unit must be one of {known}.")
    if (rule.sense or rule.magnitude or rule.flip) and not numeric:
        raise FleetError(f"{where}: sense, magnitude and flip are for numbers only.")
    if set(rule.sense.values()) - {1, -1}:
        raise FleetError(f"{where}: a word of sense is worth 1 or -1.")
    if rule.magnitude and not (column.high == 0):
        raise FleetError(f"{where}: magnitude is for figures that are never positive, such as crosstalk.")
    if rule.ditto not in {"", "marks", "blanks"}:
        raise FleetError(f'{where}: ditto must be "marks" or "blanks".')
    if rule.ditto == "blanks" and numeric:
        raise FleetError(f"{where}: an empty cell of figures means not measured; ditto can't fill it.")
    if len(rule.blanks) > 1 or rule.blanks.isspace():
        raise FleetError(f"{where}: blanks must be one character such as - or _.")
    if rule.blanks and rule.to in NEVER_BLANK:
        raise FleetError(
            f"{where}: blanks are not for {rule.to}; what holds one may be a name. Give codes by words."
        )
    if column.words:
        unknown = set(rule.words.values()) - set(column.words) - {""}
        if unknown:
            raise FleetError(f"{where}: {', '.join(sorted(unknown))} is no word of {rule.to}.")


def _known_keys(table: Mapping[str, Any], known: set[str], where: str) -> None:
    if unknown := set(table) - known:
        raise FleetError(
            f"{where}: unknown entry {sorted(map(str, unknown))[0]}; known: {', '.join(sorted(known))}."
        )


def _table(raw: Mapping[str, Any], key: str, name: str) -> dict[str, Any]:
    table = raw.get(key, {})
    if not isinstance(table, dict):
        raise FleetError(f"{name}: [{key}] must be a table.")
    return table
