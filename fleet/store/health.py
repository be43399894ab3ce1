"""Looking a store through: every block is read, every row accounted for."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.columns import COLUMNS
from fleet.numerals import count
from fleet.store.store import Store


@dataclass(frozen=True)
class Health:
    """What looking a store through found.

    Attributes
    ----------
    problems : one line each, none if all is well.
    intakes, sheets, versions, units : counts of what is there.
    revision : the store's revision.
    """

    problems: tuple[str, ...]
    intakes: int
    sheets: int
    versions: int
    units: int
    revision: int

    @property
    def sentence(self) -> str:
        """Counts and verdict in one sentence."""
        verdict = "all is well" if not self.problems else count(len(self.problems), "problem")
        return (
            f"{count(self.sheets, 'sheet')} of {count(self.units, 'unit')} "
            f"in {count(self.versions, 'version')} from {count(self.intakes, 'intake')}, "
            f"revision {self.revision}: {verdict}."
        )


def _word_checks() -> dict[str, str]:
    checks = {}
    for name, column in COLUMNS.items():
        if column.kind == "word":
            words = ", ".join(f"'{word}'" for word in column.words)
            checks[f"versions with an unknown word in {name}"] = (
                f"select count(*) from sheet where {name} not in ({words})"
            )
    return checks


# each query counts what should not be there
_CHECKS = {
    "versions of sheets that belong to no intake": (
        "select count(*) from sheet where intake_id not in (select intake_id from intake)"
    ),
    "intakes whose rows are not all there": """
        select count(*) from intake i
        left join (select intake_id, count(*) as n from sheet group by 1) s using (intake_id)
        left join (select intake_id, sum(rows_erased) as n from forgotten group by 1) f using (intake_id)
        where coalesce(s.n, 0) + coalesce(f.n, 0) <> i.accepted""",
    "intakes whose counts do not add up": (
        "select count(*) from intake where accepted + put_aside + already_there <> rows_read"
    ),
    "sheets with a gap between their versions": """
        select count(*) from (
            select bench, sheet_no from sheet group by bench, sheet_no having max(version) <> count(*)
        )""",
    "sheets that stand twice among the current ones": """
        select count(*) from (
            select bench, sheet_no from current_sheet group by bench, sheet_no having count(*) > 1
        )""",
    "units without exactly one newest sheet": """
        select count(*) from (
            select unit, purpose from current_sheet group by unit, purpose
            having count(*) filter (where newest) <> 1
        )""",
    "tokens without a note of their key": """
        select count(*) from sheet
        where serial_token is not null and (select key_check from store_state) is null""",
    **_word_checks(),
}


def check_store(store: Store) -> Health:
    """Read all of a store and look for anything that should not be.

    Raises
    ------
    FleetError
        If the store can't be read at all (absent, locked, damaged, from a newer fleet).
    """
    with store.reader() as con:
        names = con.execute("select table_name from duckdb_tables() order by table_name").fetchall()
        for (name,) in names:
            con.execute(f'select bit_xor(hash(t)) from "{name}" t').fetchall()  # reads every block once
        problems = []
        for problem, query in _CHECKS.items():
            count = con.execute(query).fetchall()[0][0]
            if count:
                problems.append(f"{count} {problem}")
        counts = con.execute(
            "select (select count(*) from intake), count(*), (select count(*) from sheet), "
            "count(distinct unit), (select revision from store_state) from current_sheet"
        ).fetchall()[0]
    return Health(tuple(problems), *counts)
