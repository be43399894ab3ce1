"""The ledger of publications lives beside the store: an older copy in its place learns what was published."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from worlds import ideal, tokened

from fleet.errors import FleetError
from fleet.files.tokens import TokenKey, write_key_file
from fleet.files.working import FOLDER
from fleet.sharing.groups import bring_up_to_date
from fleet.store import Store, back_up, change_key, connection, forget_sheet, forget_unit, restore
from fleet.store.backup import ledger_file, note_ledger
from fleet.store.sharing import UNITS, Published


@pytest.fixture(scope="module")
def sheets() -> pd.DataFrame:
    return tokened(ideal(8, n_families=5).sheets(150)[0]).reset_index(drop=True)


@pytest.fixture(scope="module")
def filled(sheets: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with 90 sheets, published."""
    path = tmp_path_factory.mktemp("ledger") / "fleet.duckdb"
    store = Store(path).create()
    store.append(sheets.iloc[:90], file_name="a", key_check="k")
    bring_up_to_date(store, smallest=5)
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Store:
    """A copy of it with its ledger."""
    path = Path(shutil.copy(filled, tmp_path))
    (tmp_path / FOLDER).mkdir()
    shutil.copy(ledger_file(Store(filled)), ledger_file(Store(path)))
    return Store(path)


def told(ready: Published) -> list[tuple]:
    return [(g.group_id, g.kind, dict(g.members), dict(g.content)) for g in ready.groups]


@pytest.mark.parametrize("by_hand", [False, pytest.param(True, marks=pytest.mark.long)])
def test_a_restored_store_goes_on_where_publications_were(
    store: Store, sheets: pd.DataFrame, tmp_path: Path, by_hand: bool
) -> None:
    """After a backup is put back, by command or by hand, groups formed since stay as published.

    Sheets taken in once more stand in the groups in which they stood, whatever else comes in before.
    """
    copy = back_up(store, tmp_path / "copy.duckdb")
    store.append(sheets.iloc[90:130], file_name="b", key_check="k")
    before = bring_up_to_date(store)
    if by_hand:
        shutil.copy(copy, store.path)
    else:
        restore(store, copy)
    store.append(sheets.iloc[130:], file_name="c", key_check="k")
    store.append(sheets.iloc[90:130], file_name="b", key_check="k")
    after = bring_up_to_date(store)
    assert len(before.groups) > 3
    assert told(after)[: len(before.groups)] == told(before)
    members = [u for g in after.of(UNITS) for u in g.members]
    assert len(members) == len(set(members))


@pytest.mark.long
def test_without_the_ledger_the_groups_would_be_others(
    store: Store, sheets: pd.DataFrame, tmp_path: Path
) -> None:
    """The same, the ledger lost: units stand in groups in which they didn't, so the test above can fail."""
    copy = back_up(store, tmp_path / "copy.duckdb")
    store.append(sheets.iloc[90:130], file_name="b", key_check="k")
    before = bring_up_to_date(store)
    restore(store, copy)
    ledger_file(store).unlink()
    store.append(sheets.iloc[130:], file_name="c", key_check="k")
    assert told(bring_up_to_date(store))[: len(before.groups)] != told(before)


@pytest.mark.long
def test_a_copy_from_before_a_change_of_key_publishes_nothing_until_it_has_the_new_key(
    store: Store, sheets: pd.DataFrame, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line says so; then every group is as it was published, and no unit stands in two."""
    old, new = TokenKey(b"o" * 32), TokenKey(b"n" * 32, (b"o" * 32,))
    change_key(store, lambda token: token, old_check="k", new_check=old.check)
    copy = back_up(store, tmp_path / "copy.duckdb")
    store.append(sheets.iloc[90:130], file_name="b", key_check=old.check)

    def change() -> None:
        change_key(store, lambda t: new.retoken(t, since=old.check), old_check=old.check, new_check=new.check)

    change()
    before = bring_up_to_date(store)
    monkeypatch.setenv("FLEET_KEY_FILE", str(tmp_path / "token.key"))
    write_key_file(tmp_path / "token.key", new)
    restore(store, copy)
    with pytest.raises(FleetError, match="not yet for this store; do it with: fleet rekey"):
        bring_up_to_date(store)
    change()
    late = sheets.iloc[90:130]
    tokens = [new.retoken(token, since=old.check) for token in late["serial_token"]]
    store.append(late.assign(serial_token=tokens), file_name="b", key_check=new.check)
    assert told(bring_up_to_date(store)) == told(before)


@pytest.mark.long
def test_no_unit_is_published_twice_under_two_names(sheets: pd.DataFrame, tmp_path: Path) -> None:
    """Where the key isn't at hand and a third of the units have serials, none stands in two groups."""
    some = sheets.assign(serial_token=sheets["serial_token"].where(sheets.index % 3 == 0))
    store = Store(tmp_path / "some.duckdb").create()
    store.append(some.iloc[:90], file_name="a", key_check="k")
    bring_up_to_date(store, smallest=5)
    copy = back_up(store, tmp_path / "copy.duckdb")
    store.append(some.iloc[90:130], file_name="b", key_check="k")
    change_key(store, lambda token: f"{token}n", old_check="k", new_check="n")
    bring_up_to_date(store)
    restore(store, copy)
    store.append(some.iloc[90:], file_name="c", key_check="k")
    records = [r for g in bring_up_to_date(store).of(UNITS) for r in g.members.values()]
    assert len(records) > 120
    assert len(records) == len(set(records))


def test_a_forgotten_unit_is_in_no_ledger(store: Store) -> None:
    """Neither the store nor its ledger names an erased unit; what its group told stays."""
    ready = bring_up_to_date(store)
    unit = next(u for g in ready.of(UNITS) for u in g.members)
    sheet = store.teaching().set_index("unit").loc[unit]
    assert unit.encode() in _bytes_of_members(ledger_file(store))
    forget_sheet(store, str(sheet["sheet_no"]), bench=str(sheet["bench"]))
    held = _bytes_of_members(ledger_file(store))
    place = f"sheet:{sheet['bench']}:{sheet['sheet_no']}"
    assert unit.encode() not in held or not unit.startswith("sheet:")
    assert place.encode() not in held


@pytest.mark.long
def test_a_forget_that_is_cut_off_leaves_no_ledger_that_knows_more(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ledger goes first: whatever happens then, it never names a unit that the store has erased."""
    bring_up_to_date(store)
    sheet = store.teaching(["serial_token", "sheet_no"]).iloc[0]
    token, whole = str(sheet["serial_token"]), store.path.read_bytes()
    assert token.encode() in _bytes_of_members(ledger_file(store))

    def cut_off(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("fleet.store.backup._replace", cut_off)
        with pytest.raises(KeyboardInterrupt):
            forget_unit(store, token)
    assert store.path.read_bytes() == whole
    assert token.encode() not in _bytes_of_members(ledger_file(store))
    assert forget_unit(store, token).sheets
    bring_up_to_date(store)
    assert token.encode() not in _bytes_of_members(ledger_file(store))


def test_a_ledger_that_the_disk_did_not_take_is_no_ledger(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where DuckDB leaves a new file's rows in its log, as it does when the disk fails, the old one stays."""
    before = ledger_file(store).read_bytes()
    monkeypatch.setattr(connection, "QUIET", "pragma disable_checkpoint_on_shutdown")
    monkeypatch.setattr(connection, "open_file", duckdb.connect)
    with pytest.raises(FleetError, match=r"the disk of the store .* fails"):
        note_ledger(store)
    assert ledger_file(store).read_bytes() == before


def _bytes_of_members(file: Path) -> bytes:
    with duckdb.connect(str(file), read_only=True) as con:
        return repr(con.execute("select * from share_member").fetchall()).encode()


@pytest.mark.long
def test_another_store_s_ledger_is_left_alone(store: Store, tmp_path: Path, sheets: pd.DataFrame) -> None:
    """A store of other publications under the same name keeps its own groups."""
    other = Store(tmp_path / "other.duckdb").create()
    other.append(sheets.iloc[60:], file_name="o")
    groups = told(bring_up_to_date(other, smallest=5))
    shutil.copy(other.path, store.path)
    assert told(bring_up_to_date(store)) == groups


def test_a_damaged_ledger_is_named(store: Store) -> None:
    """One line that names the file; nothing is published beside it."""
    ledger_file(store).write_bytes(b"nothing of the kind")
    with pytest.raises(FleetError, match=r"ledger of publications .*published can't be read"):
        bring_up_to_date(store)


@pytest.mark.long
def test_a_store_from_before_the_first_publication_learns_of_it(
    store: Store, sheets: pd.DataFrame, tmp_path: Path
) -> None:
    """A copy that never published takes its own units' ledger up; a store of other units doesn't."""
    before = bring_up_to_date(store)
    for name, rows, own in (("young", slice(0, 50), True), ("other", slice(95, 150), False)):
        path = tmp_path / name / store.path.name
        path.parent.mkdir()
        young = Store(path).create()
        young.append(sheets.iloc[rows], file_name="a", key_check="k")
        ledger_file(young).parent.mkdir(exist_ok=True)
        shutil.copy(ledger_file(store), ledger_file(young))
        groups = told(bring_up_to_date(young, smallest=5))
        assert ([g for g in groups if g in told(before)] != []) is own
