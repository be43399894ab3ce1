"""Keyed tokens in place of serial numbers.

A token is HMAC-SHA-256 of the normalised serial under a key that lives outside the store: in `FLEET_SECRET`,
or in a key file with owner-only rights that is made at first use (its place is `FLEET_KEY_FILE`, else the
user's configuration folder). The store keeps only a check value of the key, so another key is noticed.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import stat
import sys
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from fleet.errors import FleetError

TOKEN_DIGITS = 24
"""Hexadecimal digits of a token (96 bits: a chance meeting in a million units is about 1 in 1e17)."""

_MIN_SECRET_CHARACTERS = 12
_DASHES = re.compile("[\u2010-\u2015\u2212]")
_KEY_LINE = re.compile(r"fleet-token-key ([0-9a-f]{64})")


def normalise_serial(serial: str) -> str:
    """One spelling of a serial: no blanks, one kind of dash, capitals, no typographic variants."""
    if not serial.isascii():
        serial = _DASHES.sub("-", unicodedata.normalize("NFKC", serial))
    return "".join(serial.split()).upper()


@dataclass(frozen=True)
class TokenKey:
    """A key that turns serials into tokens; its bytes are never printed.

    Attributes
    ----------
    secret : the key itself, not shown by `repr`.
    """

    secret: bytes = field(repr=False)

    def _digest(self, purpose: bytes, text: str) -> str:
        return hmac.digest(self.secret, purpose + b"\0" + text.encode(), "sha256").hex()

    @property
    def check(self) -> str:
        """A value that tells this key from another without giving it away."""
        return self._digest(b"check", "")[:16]

    def token(self, serial: str) -> str:
        """Token of one serial, `TOKEN_DIGITS` hexadecimal digits."""
        return self._digest(b"serial", normalise_serial(serial))[:TOKEN_DIGITS]

    def tokens(self, serials: Iterable[str | None]) -> list[str | None]:
        """Tokens of many serials in order; None or blank stays None."""
        return [self.token(serial) if serial and serial.strip() else None for serial in serials]

    def retoken(self, token: str) -> str:
        """Token under this key of a unit known only by its token under an earlier key."""
        return self._digest(b"token", token)[:TOKEN_DIGITS]


def key_path() -> Path:
    """Where the key file is or would be made."""
    named = os.environ.get("FLEET_KEY_FILE")
    if named:
        return Path(named).expanduser()
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "fleet" / "token.key"


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
    path = key_path()
    try:
        text = _read_owner_only(path)
    except FileNotFoundError:
        return _make_key_file(path) if make else None
    except (OSError, UnicodeDecodeError) as error:
        raise FleetError(f"cannot read the key file {path}: {_why(error)}.") from error
    keys = [_KEY_LINE.fullmatch(line.strip()) for line in text.splitlines() if line.strip()]
    if not keys or keys[-1] is None:
        raise FleetError(f"{path} is not a fleet key file; name the right one in FLEET_KEY_FILE.")
    return TokenKey(bytes.fromhex(keys[-1].group(1)))


def _why(error: Exception) -> str:
    return (getattr(error, "strerror", None) or type(error).__name__).lower()


def _read_owner_only(path: Path) -> str:
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise FleetError(f"other users may read the key file {path}; run: chmod 600 {path}")
    return path.read_text(encoding="ascii")


def _make_key_file(path: Path) -> TokenKey:
    secret = secrets.token_bytes(32)
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(f"fleet-token-key {secret.hex()}\n")
    except FileExistsError:
        key = load_key(make=False)  # another process made it in between
        assert key is not None
        return key
    except OSError as error:
        raise FleetError(
            f"cannot make the key file {path}: {_why(error)}; set FLEET_KEY_FILE or FLEET_SECRET."
        ) from error
    return TokenKey(secret)
