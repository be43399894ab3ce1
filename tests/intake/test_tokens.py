"""Serials become keyed tokens under a key that only its owner can read."""

from __future__ import annotations

import hashlib
import hmac
import os
from pathlib import Path

import pytest

from fleet.errors import FleetError
from fleet.files.places import key_path
from fleet.files.tokens import TOKEN_DIGITS, normalise_serial, weak_secret
from fleet.intake import TokenKey, load_key

KEY = TokenKey(b"k" * 32)


def test_a_token_is_hmac_sha_256_of_the_serial() -> None:
    """The token is the standard construction (RFC 2104 with SHA-256), cut to its length."""
    expected = hmac.new(b"k" * 32, b"serial\0A1", hashlib.sha256).hexdigest()[:TOKEN_DIGITS]
    assert KEY.token("A1") == expected


def test_spellings_of_one_serial_give_one_token() -> None:
    """Blanks, case, wide characters and kinds of dash make no difference; digits do."""
    spellings = ["ab-12", " AB-12 ", "A B-12", "AB\u201312", "\uff21\uff22-12"]
    assert {normalise_serial(s) for s in spellings} == {"AB-12"}
    assert KEY.token("AB-12") != KEY.token("AB-13")


def test_what_cannot_be_seen_makes_no_other_serial() -> None:
    """Zero-width characters, soft hyphens, marks of direction change no token; the former one is known."""
    plain = KEY.token("AB-12")
    for unseen in "\u200b\u200d\u00ad\u200e\u202e\u2060\ufeff\ufe0f\u034f":
        assert KEY.token(f"AB{unseen}-12") == plain, repr(unseen)
        assert KEY.former_token(f"AB{unseen}-12") not in {None, plain}
        assert KEY.tokens([unseen, f" {unseen}"]) == [None, None]
    assert KEY.former_token("AB-12") is KEY.former_token("a\u2013b") is None


def test_every_token_of_a_serial_is_known() -> None:
    """After changes of key the tokens under each earlier secret are found as well."""
    later = TokenKey(b"l" * 32, (b"k" * 32,))
    assert later.every_token("A1") == {KEY.token("A1"), later.token("A1")}
    assert KEY.former_token("A\u200b1") in later.every_token("A\u200b1")


def test_tokens_keep_blanks_blank() -> None:
    """A sheet without a serial gets no token."""
    assert KEY.tokens(["A1", None, " ", "A1"]) == [KEY.token("A1"), None, None, KEY.token("A1")]


def test_another_key_gives_other_tokens_and_another_check_value() -> None:
    """Tokens of two keys have nothing in common, and the check value tells the keys apart."""
    other = TokenKey(b"o" * 32)
    assert KEY.token("A1") != other.token("A1")
    assert KEY.check != other.check


def test_a_key_never_shows_itself() -> None:
    """The key's bytes are in no printed form of it."""
    assert "k" * 8 not in repr(KEY)
    assert (b"k" * 8).hex() not in repr(KEY)


def test_the_key_file_is_made_once_for_its_owner_alone(own_key: Path) -> None:
    """The first use makes the file with owner-only rights; the next reads the same key."""
    assert load_key(make=False) is None
    made = load_key(make=True)
    assert own_key.stat().st_mode & 0o777 == 0o600
    assert own_key.parent.stat().st_mode & 0o777 == 0o700
    assert load_key(make=True) == made


def test_a_secret_in_the_environment_goes_before_the_file(
    monkeypatch: pytest.MonkeyPatch, own_key: Path
) -> None:
    """With FLEET_SECRET no key file is made."""
    monkeypatch.setenv("FLEET_SECRET", "correct horse battery")
    assert load_key(make=True) is not None
    assert not own_key.exists()


def test_a_short_secret_is_refused_without_repeating_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A secret that could be guessed is refused, and not printed."""
    monkeypatch.setenv("FLEET_SECRET", "hunter2")
    with pytest.raises(FleetError, match="only 7 characters") as caught:
        load_key(make=True)
    assert "hunter2" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "hello\n", "fleet-token-key 12\n"])
def test_a_file_that_is_no_key_is_refused(own_key: Path, text: str) -> None:
    """Something else in the key file's place is not taken for a key."""
    own_key.parent.mkdir()
    own_key.write_text(text)
    own_key.chmod(0o600)
    with pytest.raises(FleetError, match="not a fleet key file"):
        load_key(make=True)


@pytest.mark.skipif(os.name != "posix", reason="rights are POSIX")
def test_a_key_that_others_may_read_is_refused(own_key: Path) -> None:
    """A key file open to other users is named with the command that shuts it."""
    load_key(make=True)
    own_key.chmod(0o644)
    with pytest.raises(FleetError, match="chmod 600"):
        load_key(make=True)


def test_a_folder_in_the_key_files_place_is_one_line(own_key: Path) -> None:
    """A key file that can't be read is a plain sentence."""
    own_key.mkdir(parents=True, mode=0o700)
    with pytest.raises(FleetError, match="cannot read the key file"):
        load_key(make=True)


def test_the_key_is_kept_with_the_users_settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without FLEET_KEY_FILE the key lies in the user's configuration folder."""
    monkeypatch.delenv("FLEET_KEY_FILE")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("sys.platform", "linux")
    assert key_path() == tmp_path / "fleet" / "token.key"


@pytest.mark.parametrize(
    ("secret", "weak"),
    [
        ("passwordpassword", True),
        ("Workshop2024!", True),
        ("aaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", True),
        ("k3VbQ9xTz71LmRw8Yd2H", False),
        ("0f3a9c5e7b1d2846a0c4e8f2b6d91357", False),
        ("six words that nobody put together before", False),
        (None, False),
    ],
)
def test_a_secret_that_words_may_find_is_said(
    secret: str | None, weak: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Passwords of the usual make get one line; chance, long phrases and key files none."""
    monkeypatch.delenv("FLEET_SECRET", raising=False)
    if secret is not None:
        monkeypatch.setenv("FLEET_SECRET", secret)
    found = weak_secret()
    assert (found is not None) is weak
    assert found is None or "\n" not in found
