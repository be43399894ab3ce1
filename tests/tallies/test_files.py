"""Tallies as a file: the same model comes out of it, and a damaged one is refused in one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from worlds import ideal, tokened

from fleet.errors import FleetError
from fleet.fitting.fit import fit_store
from fleet.house_model.archive import to_parts
from fleet.store import Store
from fleet.store.tallies import TEACHING, gather
from fleet.tallies.files import read_tallies, write_tallies
from fleet.tallies.sufficient_statistics import SufficientStatistics


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    sheets, _ = ideal(4).sheets(150)
    store = Store(tmp_path_factory.mktemp("tallies") / "fleet.duckdb").create()
    store.append(tokened(sheets), file_name="sheets.csv")
    return store


@pytest.fixture(scope="module")
def gathered(store: Store) -> SufficientStatistics:
    with store.reader() as con:
        return gather(con, TEACHING)


def test_the_file_fits_the_same_model(store: Store, gathered: SufficientStatistics, tmp_path: Path) -> None:
    """Written, read and fitted: every number of the model that the store's own refit makes."""
    write_tallies(tmp_path / "tallies.npz", gathered, {"bench": "north"})
    back, about = read_tallies(tmp_path / "tallies.npz")
    assert about == {"bench": "north"}
    want, got = to_parts(fit_store(store)), to_parts(back.fit(revision=store.revision()))
    for name, array in want[0].items():
        assert np.array_equal(array, got[0][name], equal_nan=True), name
    assert {k: v for k, v in got[1].items() if k != "head"} == {
        k: v for k, v in want[1].items() if k != "head"
    }


def test_no_sheet_and_no_unit_is_in_the_file(
    store: Store, gathered: SufficientStatistics, tmp_path: Path
) -> None:
    """No sheet number, token or operator, in any member."""
    write_tallies(tmp_path / "tallies.npz", gathered, {})
    with np.load(tmp_path / "tallies.npz", allow_pickle=False) as parts:
        whole = " ".join(str(parts[n]) for n in parts.files if parts[n].dtype.kind == "U")
    current = store.current()
    for name in ("sheet_no", "serial_token", "operator"):
        for value in current[name].dropna().unique():
            assert f'"{value}"' not in whole, name


def test_what_is_no_tallies_file_is_refused(gathered: SufficientStatistics, tmp_path: Path) -> None:
    """Absent, another format, cut short, another zip: one line each, naming the file."""
    good = tmp_path / "tallies.npz"
    write_tallies(good, gathered, {})
    with pytest.raises(FleetError, match=r"there is no file none\.npz"):
        read_tallies(tmp_path / "none.npz")
    bad = tmp_path / "bad.npz"
    for content in (b"", b"sheet_no,rake\n", good.read_bytes()[:2000]):
        bad.write_bytes(content)
        with pytest.raises(FleetError, match=r"bad\.npz is not a tallies file"):
            read_tallies(bad)
    np.savez(bad, numbers=np.zeros(3))
    with pytest.raises(FleetError, match=r"bad\.npz is not a tallies file"):
        read_tallies(bad)


def test_a_file_that_cannot_be_written_leaves_the_old_one(
    gathered: SufficientStatistics, tmp_path: Path
) -> None:
    """A folder in the way: one line, and nothing half written beside it."""
    (tmp_path / "tallies.npz").mkdir()
    with pytest.raises(FleetError, match=r"cannot write .*tallies\.npz: is a directory"):
        write_tallies(tmp_path / "tallies.npz", gathered, {})
    assert [p.name for p in tmp_path.iterdir()] == ["tallies.npz"]
