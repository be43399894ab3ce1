"""A change of key: every token new, every unit the same, an interruption finished by asking again."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.errors import FleetError
from fleet.files import tokens as tokens_module
from fleet.files.tokens import next_key_path
from fleet.intake import change_token_key, intake_file, load_key, rekey
from fleet.store import Store

TEXT = "sheet_no,measured_on,body_family,serial\nA1,2024-03-01,F1,S1\nA2,2024-03-02,F1,S2\n"
Write = Callable[..., Path]


@pytest.fixture
def store(tmp_path: Path, write: Write) -> Store:
    store = Store(tmp_path / "store" / "fleet.duckdb")
    intake_file(store, write(TEXT))
    return store


def tokens(store: Store) -> set[str]:
    return set(store.current()["serial_token"])


def test_sheets_come_in_under_the_new_key_as_the_same_units(
    store: Store, write: Write, own_key: Path
) -> None:
    """After the change the same file is still all there, and the tokens have nothing of the old ones."""
    before = tokens(store)
    assert change_token_key(store) == 2
    assert not tokens(store) & before
    assert intake_file(store, write(TEXT)).already_there == 2
    assert own_key.stat().st_mode & 0o777 == 0o600
    assert not next_key_path().exists()
    assert change_token_key(store) == 2
    assert intake_file(store, write(TEXT)).already_there == 2


@pytest.mark.long
def test_an_interrupted_change_is_finished_by_asking_again(
    store: Store, write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped before or after the store has changed, the second try ends with one new key for both."""

    def stop(*_: object) -> int:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(rekey, "_bring_up", stop)
        with pytest.raises(KeyboardInterrupt):
            change_token_key(store)
    pending = next_key_path().read_text()
    assert intake_file(store, write(TEXT)).already_there == 2
    with monkeypatch.context() as patch:
        patch.setattr(rekey, "put_in_place", stop)
        with pytest.raises(KeyboardInterrupt):
            change_token_key(store)
    with pytest.raises(FleetError, match="fleet rekey"):
        intake_file(store, write(TEXT))
    change_token_key(store)
    key = load_key(make=False)
    assert key is not None
    assert key.check == store.key_check()
    assert key.secret.hex() in pending
    assert intake_file(store, write(TEXT)).already_there == 2


def test_sheets_from_before_unseen_characters_were_left_out_keep_their_unit(
    store: Store, write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A unit whose token still counts a zero-width blank gets today's as soon as its serial comes again."""
    text = "sheet_no,measured_on,body_family,serial\nZ1,2024-03-01,F1,Z\u200b9\n"
    with monkeypatch.context() as patch:
        patch.setattr(tokens_module, "_seen", lambda serial: serial)  # as it was
        assert intake_file(store, write(text)).accepted == 1
    old = set(tokens(store))
    later = text.replace("Z1", "Z2").replace("\u200b", "")
    assert intake_file(store, write(text)).already_there == 1
    assert old - tokens(store)
    assert intake_file(store, write(later)).accepted == 1
    units = store.current().set_index("sheet_no")["unit"]
    assert units["Z1"] == units["Z2"]


def test_a_linked_key_file_stays_a_link(store: Store, own_key: Path, tmp_path: Path) -> None:
    """The new key replaces the target, so that the old one lies nowhere any more but in its own lines."""
    target = tmp_path / "safe" / "key"
    target.parent.mkdir()
    own_key.rename(target)
    own_key.symlink_to(target)
    before = target.read_text()
    assert change_token_key(store) == 2
    assert own_key.is_symlink()
    assert target.read_text().startswith(before)
    assert target.read_text() != before
    assert [p.name for p in target.parent.glob("key*")] == ["key"]


@pytest.mark.long
def test_two_changes_at_once_follow_each_other(store: Store, write: Write, own_key: Path) -> None:
    """Neither fails, both keys are in the file, and the store's tokens are the last one's."""
    words = [sys.executable, "-c", "from fleet.cli import main; main()", "rekey", "--store", str(store.path)]
    both = [subprocess.Popen(words, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    said = [process.communicate(timeout=60)[0] for process in both]
    assert [process.returncode for process in both] == [0, 0]
    assert all(text.startswith("2 units have new tokens.") for text in said)
    key = load_key(make=False)
    assert key is not None
    assert (len(key.earlier), key.check) == (2, store.key_check())
    assert intake_file(store, write(TEXT)).already_there == 2


@pytest.mark.long
def test_another_store_under_the_same_key_is_brought_up_later(
    store: Store, tmp_path: Path, write: Write
) -> None:
    """A second store still under the old key says so, and gets the new key without yet another one."""
    other = Store(tmp_path / "other" / "fleet.duckdb")
    intake_file(other, write(TEXT))
    change_token_key(store)
    with pytest.raises(FleetError, match="not yet for this store; do it with: fleet rekey"):
        intake_file(other, write(TEXT))
    assert change_token_key(other) == 2
    assert tokens(other) == tokens(store)


def test_a_secret_in_the_environment_cannot_be_changed(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only a key file remembers the keys before."""
    monkeypatch.setenv("FLEET_SECRET", "a long enough secret")
    with pytest.raises(FleetError, match="only a key file"):
        change_token_key(store)


def test_a_foreign_store_keeps_its_tokens(store: Store, own_key: Path) -> None:
    """A store made with a key that isn't there is not touched."""
    before = tokens(store)
    own_key.unlink()
    with pytest.raises(FleetError, match="there is no key file"):
        change_token_key(store)
    load_key(make=True)
    with pytest.raises(FleetError, match="doesn't hold"):
        change_token_key(store)
    assert tokens(store) == before


def test_a_key_file_that_cannot_take_its_place_is_told_and_ended_by_the_next_one(
    store: Store, own_key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk full right after the store has its new tokens: one line; the same command again ends it."""

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    before = store.key_check()
    with monkeypatch.context() as patch:
        patch.setattr("fleet.intake.rekey.put_in_place", full)
        with pytest.raises(
            FleetError, match=r"no space left on device; the store has its new tokens already"
        ):
            change_token_key(store)
    assert store.key_check() != before
    change_token_key(store)
    key = load_key(make=False)
    assert key is not None
    assert key.check == store.key_check()
