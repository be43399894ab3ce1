"""Keyed tokens in place of serial numbers.

A token is HMAC-SHA-256 of the normalised serial under a key that lives outside the store: in `FLEET_SECRET`,
or in a key file with owner-only rights that is made at first use (its place is `FLEET_KEY_FILE`, else the
user's configuration folder). The store keeps only a check value of the key, so another key is noticed.
"""

from __future__ import annotations

import hashlib
import hmac
import math
import os
import re
import secrets
import stat
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from fleet.errors import FleetError
from fleet.files.door import read_whole
from fleet.files.places import key_path
from fleet.files.replacing import put_where_nothing_is
from fleet.files.working import real_place, working_folder

TOKEN_DIGITS = 24
"""Hexadecimal digits of a token (96 bits: a chance meeting in a million units is about 1 in 1e17)."""

_MIN_SECRET_CHARACTERS = 12
_MIN_SECRET_BITS = 60.0
"""Length times the logarithm of the number of different characters: a password is below, chance isn't."""
_LARGEST_KEY_FILE = 64 << 10
_DASHES = re.compile("[\u2010-\u2015\u2212]")
_UNSEEN = {"\u034f", *map(chr, range(0xFE00, 0xFE10))}
"""Joiners and choices of a letter's form, which aren't counted among the format characters."""
_KEY_LINE = re.compile(r"fleet-token-key ([0-9a-f]{64})")


def normalise_serial(serial: str) -> str:
    """One spelling of a serial: no blanks, one kind of dash, capitals, nothing that can't be seen."""
    if not serial.isascii():
        serial = _seen(unicodedata.normalize("NFKC", serial))
    return _without_blanks(serial)


def _seen(text: str) -> str:
    """Without zero-width characters, soft hyphens, marks of direction and the like."""
    return "".join(c for c in text if unicodedata.category(c) != "Cf" and c not in _UNSEEN)


def _without_blanks(serial: str) -> str:
    return "".join(_DASHES.sub("-", serial).split()).upper()


@dataclass(frozen=True)
class TokenKey:
    """A key that turns serials into tokens; its bytes are never printed.

    After a change of key the earlier secrets stay part of it: a token is made under the oldest and then made
    anew under each later one, which is just what a change of key does to the tokens in a store.

    Attributes
    ----------
    secret : the newest secret, not shown by `repr`.
    earlier : the secrets before it, oldest first.
    """

    secret: bytes = field(repr=False)
    earlier: tuple[bytes, ...] = field(default=(), repr=False)

    @property
    def check(self) -> str:
        """A value that tells this key from another without giving it away."""
        return self.checks[-1]

    @property
    def checks(self) -> tuple[str, ...]:
        """Check value of each secret, oldest first."""
        return tuple(_digest(secret, b"check", "")[:16] for secret in (*self.earlier, self.secret))

    def token(self, serial: str) -> str:
        """Token of one serial, `TOKEN_DIGITS` hexadecimal digits."""
        return self._token(normalise_serial(serial))

    def former_token(self, serial: str) -> str | None:
        """Its token while characters that can't be seen still counted; None if that is the same."""
        former = _without_blanks(unicodedata.normalize("NFKC", serial))
        return None if former == normalise_serial(serial) else self._token(former)

    def _token(self, serial: str) -> str:
        first, *later = (*self.earlier, self.secret)
        return _retoken(_digest(first, b"serial", serial)[:TOKEN_DIGITS], later)

    def every_token(self, serial: str) -> set[str]:
        """All tokens that a serial ever had: under each of the secrets, and in its former spelling."""
        keys = [TokenKey(s, self.earlier[:i]) for i, s in enumerate((*self.earlier, self.secret))]
        return {t for key in keys for t in (key.token(serial), key.former_token(serial)) if t}

    def tokens(self, serials: Iterable[str | None]) -> list[str | None]:
        """Tokens of many serials in order; None or blank stays None."""
        plain = (normalise_serial(serial) if serial else "" for serial in serials)
        return [self._token(serial) if serial else None for serial in plain]

    def retoken(self, token: str, *, since: str) -> str:
        """Token under this key of a unit whose token under one of its earlier secrets is known.

        Parameters
        ----------
        token : the token so far.
        since : check value of the secret that it was made under.
        """
        return _retoken(token, (*self.earlier, self.secret)[self.checks.index(since) + 1 :])


def _digest(secret: bytes, purpose: bytes, text: str) -> str:
    return hmac.digest(secret, purpose + b"\0" + text.encode(), "sha256").hex()


def _retoken(token: str, secrets_since: Iterable[bytes]) -> str:
    for secret in secrets_since:
        token = _digest(secret, b"token", token)[:TOKEN_DIGITS]
    return token


def load_key(*, make: bool) -> TokenKey | None:
    """The key in use: `FLEET_SECRET`, else the key file.

    Parameters
    ----------
    make : whether to make a key file if there is no key at all.

    Returns
    -------
    The key, or None if there is none and `make` is false.

    Raises
    ------
    FleetError
        If the secret is too short, or the key file is unreadable, unsafe or not a key file.
    """
    secret = os.environ.get("FLEET_SECRET")
    if secret:
        if len(secret) < _MIN_SECRET_CHARACTERS:
            raise FleetError(
                f"FLEET_SECRET has only {len(secret)} characters; "
                f"choose at least {_MIN_SECRET_CHARACTERS}, or unset it to use a key file."
            )
        return TokenKey(hashlib.sha256(b"fleet secret\0" + secret.encode(errors="surrogateescape")).digest())
    return read_key_file(key_path()) or (_make_key(key_path()) if make else None)


def weak_secret() -> str | None:
    """One line on a `FLEET_SECRET` that a list of words may find; None where there is none or it will do.

    Whoever finds it, trying words against the check value in a store or a backup, can try serials too.
    """
    secret = os.environ.get("FLEET_SECRET", "")
    if not secret or len(secret) * math.log2(len(set(secret)) or 1) >= _MIN_SECRET_BITS:
        return None
    return (
        "FLEET_SECRET could be guessed, and serial numbers with it, by whoever gets hold of the store or a "
        "backup; for a new store take a key file (unset FLEET_SECRET) or 20 random characters."
    )


def read_key_file(path: Path) -> TokenKey | None:
    """The key in a key file, None if there is no such file; errors as in `load_key`."""
    try:
        text = _read_owner_only(path)
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise FleetError(f"cannot read the key file {path}: {_why(error)}.") from error
    found = [_KEY_LINE.fullmatch(line.strip()) for line in text.splitlines() if line.strip()]
    links = [bytes.fromhex(match.group(1)) for match in found if match]
    if not links or len(links) < len(found):
        raise FleetError(f"{path} is not a fleet key file; name the right one in FLEET_KEY_FILE.")
    return TokenKey(links[-1], tuple(links[:-1]))


def next_key_path() -> Path:
    """Where the key file of a change of key lies until the store has changed too: beside the file itself."""
    place = real_place(key_path())
    return place.with_name(f"{place.name}.next")


def _why(error: Exception) -> str:
    return (getattr(error, "strerror", None) or type(error).__name__).lower()


def _read_owner_only(path: Path) -> str:
    if os.name == "posix" and path.is_file() and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise FleetError(f"other users may read the key file {path}; run: chmod 600 {path}")
    path.stat()
    return read_whole(path, told=f"cannot read the key file {path}", most=_LARGEST_KEY_FILE).decode("ascii")


def _make_key(path: Path) -> TokenKey:
    key = TokenKey(secrets.token_bytes(32))
    try:
        write_key_file(path, key)
    except FileExistsError:
        made = read_key_file(path)  # another process made it in between
        assert made is not None
        return made
    return key


def refuse_an_earlier_key(key: TokenKey, noted: str | None) -> None:
    """Refuse a store whose tokens are from before the key was changed.

    Parameters
    ----------
    key : the key in use.
    noted : check value of the key that the store was made with, if any.

    Raises
    ------
    FleetError
        If the key was changed since, or is being changed.
    """
    if noted not in {None, key.check} and (noted in key.checks or next_key_path().exists()):
        raise FleetError("the token key was changed, but not yet for this store; do it with: fleet rekey")


def write_key_file(path: Path, key: TokenKey) -> None:
    """Make a key file for its owner alone.

    Raises
    ------
    FileExistsError
        If there is one already.
    FleetError
        If it can't be made.
    """
    lines = "".join(f"fleet-token-key {secret.hex()}\n" for secret in (*key.earlier, key.secret))
    try:
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        except FileExistsError as error:  # something other than a folder
            raise NotADirectoryError(error.errno, "its folder is no folder") from error
        with working_folder(path) as aside:
            new = aside / "key"
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                file.write(lines)
            put_where_nothing_is(new, path)  # whole or not at all, and never over another
    except FileExistsError:
        raise
    except OSError as error:
        raise FleetError(
            f"cannot make the key file {path}: {_why(error)}; set FLEET_KEY_FILE or FLEET_SECRET."
        ) from error
