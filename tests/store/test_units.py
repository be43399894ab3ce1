"""Which sheets are one unit, which is its newest, and which teach."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from fleet.store import Store

Sheets = Callable[..., pd.DataFrame]


def units(store: Store) -> dict[str, str]:
    frame = store.current(["sheet_no", "unit"])
    return dict(zip(frame["sheet_no"], frame["unit"], strict=True))


def newest(store: Store) -> list[str]:
    frame = store.current(["sheet_no", "newest"])
    return frame.loc[frame["newest"], "sheet_no"].tolist()


def test_a_unit_is_a_token_and_its_assembly(store: Store, sheets: Sheets) -> None:
    """Sheets of one token are one unit; its newest sheet is the last by date."""
    store.append(
        sheets({"serial_token": "t"}, {"serial_token": "t"}, {"serial_token": "u"}), file_name="a.csv"
    )
    assert units(store) == {"A0": "t-1", "A1": "t-1", "A2": "u-1"}
    assert newest(store) == ["A1", "A2"]


def test_a_sheet_without_serial_is_its_own_unit(store: Store, sheets: Sheets) -> None:
    """Nothing connects two sheets without serials."""
    store.append(sheets({}, {}, {"sheet_no": "A1", "bench": "north"}), file_name="a.csv")
    frame = store.current(["unit", "newest"])
    assert frame["unit"].nunique() == 3
    assert frame["newest"].all()


@pytest.mark.parametrize(
    ("column", "before", "after"),
    [
        ("assembly_source", "S1", "S2"),
        ("stylus_profile", "elliptical", "line_contact"),
        ("cantilever_material", "boron", "ruby"),
    ],
)
def test_a_changed_assembly_starts_a_new_unit(
    store: Store, sheets: Sheets, column: str, before: str, after: str
) -> None:
    """Another source, profile or cantilever than the last one known is another assembly."""
    told = [before, None, before, after, None, before]
    store.append(sheets(*({"serial_token": "t", column: value} for value in told)), file_name="a.csv")
    assert list(units(store).values()) == ["t-1", "t-1", "t-1", "t-2", "t-2", "t-3"]
    assert newest(store) == ["A2", "A4", "A5"]


def test_another_body_family_or_generator_is_the_same_assembly(store: Store, sheets: Sheets) -> None:
    """Only what makes the assembly starts a new one."""
    store.append(
        sheets({"serial_token": "t", "generator": "moving_coil"}, {"serial_token": "t", "body_family": "F9"}),
        file_name="a.csv",
    )
    assert set(units(store).values()) == {"t-1"}


def test_retipped_starts_a_new_unit_with_nothing_known(store: Store, sheets: Sheets) -> None:
    """After a retip, a source told later is not compared with the one before the retip."""
    rows = [
        {"assembly_source": "S1"},
        {"peculiarities": "worn;retipped"},
        {"assembly_source": "S2"},
        {"assembly_source": "S3"},
    ]
    store.append(sheets(*({"serial_token": "t", **row} for row in rows)), file_name="a.csv")
    assert list(units(store).values()) == ["t-1", "t-2", "t-2", "t-3"]


def test_a_unit_first_seen_retipped_is_its_first_assembly(store: Store, sheets: Sheets) -> None:
    """Assemblies are numbered from the first one seen."""
    store.append(
        sheets({"serial_token": "t", "peculiarities": "retipped"}, {"serial_token": "t"}), file_name="a.csv"
    )
    assert list(units(store).values()) == ["t-1", "t-1"]


def test_dates_count_not_the_order_of_intake(store: Store, sheets: Sheets) -> None:
    """An old sheet taken in late finds its place by date; ties go by sheet number."""
    store.append(
        sheets({"serial_token": "t", "sheet_no": "B", "measured_on": "2024-05-01"}), file_name="a.csv"
    )
    late = {"serial_token": "t", "sheet_no": "Z", "measured_on": "2023-05-01", "stylus_profile": "elliptical"}
    tie = {"serial_token": "t", "sheet_no": "C", "measured_on": "2024-05-01"}
    store.append(sheets(late, tie), file_name="b.csv")
    assert newest(store) == ["C"]


def test_a_check_pickup_never_teaches_and_never_hides_a_unit(store: Store, sheets: Sheets) -> None:
    """Reference sheets stay out of teaching, even where they share a token with a unit's sheet."""
    store.append(
        sheets(
            {"serial_token": "t"}, {"serial_token": "t", "purpose": "reference"}, {"purpose": "reference"}
        ),
        file_name="a.csv",
    )
    assert store.teaching()["sheet_no"].tolist() == ["A0"]


def test_a_correction_can_change_the_unit(store: Store, sheets: Sheets) -> None:
    """Units follow the newest versions of the sheets."""
    store.append(sheets({"serial_token": "t"}, {"serial_token": "t"}), file_name="a.csv")
    store.append(sheets({"serial_token": "u"}), file_name="b.csv", supersede=True)
    assert units(store) == {"A0": "u-1", "A1": "t-1"}


def slow_units(frame: pd.DataFrame) -> list[str]:
    """The same rule told step by step in plain Python, to hold the SQL against."""
    out = {}
    for token, sheets_of in frame.sort_values(["measured_on", "sheet_no"]).groupby("serial_token"):
        assembly, known = 1, {}
        for place, (index, row) in enumerate(sheets_of.iterrows()):
            told = {c: row[c] for c in ("assembly_source", "stylus_profile", "cantilever_material")}
            told = {c: v for c, v in told.items() if isinstance(v, str)}
            if "retipped" in str(row["peculiarities"]).split(";"):
                assembly += place > 0
                known = {}
            elif any(known.get(c, v) != v for c, v in told.items()):
                assembly += 1
            known |= told
            out[index] = f"{token}-{assembly}"
    return [out[i] for i in frame.index]


def test_sql_and_plain_python_agree_on_many_units(store: Store, sheets: Sheets) -> None:
    """Two thousand random sheets of two hundred tokens fall into the same units both ways."""
    rng = np.random.default_rng(11)

    def pick(*values: object) -> object:
        return values[rng.integers(len(values))]

    rows = [
        {
            "sheet_no": f"N{i:04d}",
            "measured_on": f"2024-{rng.integers(1, 13):02d}-{rng.integers(1, 29):02d}",
            "serial_token": f"t{rng.integers(200)}",
            "assembly_source": pick(None, "S1", "S1", "S2"),
            "stylus_profile": pick(None, "elliptical", "elliptical", "elliptical", "other"),
            "cantilever_material": pick(None, "boron"),
            "peculiarities": pick(None, None, None, "worn", "worn;retipped"),
            "purpose": pick("unit", "unit", "unit", "reference"),
        }
        for i in range(2000)
    ]
    for row in rows[::2]:  # sheets of serials that stay one assembly
        row |= {"serial_token": f"p{rng.integers(300)}", "assembly_source": pick(None, "S1")}
        row |= {"stylus_profile": pick(None, "other"), "peculiarities": pick(None, "worn")}
    store.append(sheets(*rows), file_name="a.csv")
    frame = store.current()
    assert frame["unit"].tolist() == slow_units(frame)
    last = frame.sort_values(["measured_on", "sheet_no"]).groupby(["unit", "purpose"]).tail(1).index
    assert sorted(frame.index[frame["newest"]]) == sorted(last)
