"""A change of key: every token new, every unit the same, an interruption finished by asking again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.errors import FleetError
from fleet.intake import change_token_key, intake_file, load_key, rekey
from fleet.intake.tokens import next_key_path
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
        patch.setattr(Path, "replace", stop)
        with pytest.raises(KeyboardInterrupt):
            rekey._bring_up(store, rekey.read_key_file(next_key_path())) and change_token_key(store)  # type: ignore[arg-type]
    with pytest.raises(FleetError, match="fleet rekey"):
        intake_file(store, write(TEXT))
    change_token_key(store)
    key = load_key(make=False)
    assert key is not None
    assert key.check == store.key_check()
    assert key.secret.hex() in pending
    assert intake_file(store, write(TEXT)).already_there == 2


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
