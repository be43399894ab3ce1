"""Who may see a shared dashboard: the login file, and the refusal to open a door that nobody watches."""

from __future__ import annotations

import ipaddress
import os
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final
from urllib.parse import SplitResult, urlsplit

from fleet.errors import FleetError
from fleet.extras import how_to_install
from fleet.files.door import read_toml

LOOPBACK: Final = "127.0.0.1"
AUTH_KEYS: Final = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
SHORTEST_SECRET: Final = 32
EVERYONE: Final = "everyone"
CALLBACK: Final = "/oauth2callback"
HOW_TO: Final = "fleet explain shared"


@dataclass(frozen=True)
class Login:
    """A login that is configured.

    Attributes
    ----------
    file : Streamlit's secrets file with the table [auth]
    host : name under which browsers reach the dashboard
    allow : addresses, or domains that begin with @; empty = everyone whom the provider knows
    """

    file: Path
    host: str
    allow: tuple[str, ...]


def login_from(path: Path) -> Login:
    """Read and check a login file.

    Raises
    ------
    FleetError
        If it can't be read, lacks a key, or leaves a door open; one line says what to write.
    """
    if find_spec("authlib") is None:
        raise FleetError(f"a login needs the extra shared: {how_to_install('shared')}")
    told = read_toml(
        path,
        unread=f"--login {path}: can't be read",
        no_toml=f"--login {path}: that is no TOML (see {HOW_TO})",
    )
    auth = told.get("auth")
    if not isinstance(auth, dict):
        raise FleetError(f"--login {path}: the table [auth] is missing; see {HOW_TO}")
    missing = [key for key in AUTH_KEYS if not isinstance(auth.get(key), str) or not auth[key].strip()]
    if missing:
        raise FleetError(f"--login {path}: [auth] lacks {', '.join(missing)}; see {HOW_TO}")
    _check_secrets(path, auth)
    return Login(path, _host(path, auth), _allowed(path, told.get("shared")))


def _check_secrets(path: Path, auth: dict[str, Any]) -> None:
    if len(auth["cookie_secret"]) < SHORTEST_SECRET:
        raise FleetError(
            f"--login {path}: cookie_secret is shorter than {SHORTEST_SECRET} letters; make one with: "
            'python -c "import secrets; print(secrets.token_hex(32))"'
        )
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise FleetError(f"--login {path}: others on this computer can read it; run: chmod 600 {path}")


def _host(path: Path, auth: dict[str, Any]) -> str:
    """The host of the addresses, both of which must be encrypted beyond this computer."""
    for key in ("redirect_uri", "server_metadata_url"):
        url = _split(path, key, auth[key])
        if url.scheme != "https" and not (url.scheme == "http" and is_loopback(url.hostname or "")):
            raise FleetError(f"--login {path}: {key} must begin with https://")
    redirect = _split(path, "redirect_uri", auth["redirect_uri"])
    if redirect.path != CALLBACK:
        raise FleetError(f"--login {path}: redirect_uri must end in {CALLBACK}")
    return str(redirect.hostname)


def _split(path: Path, key: str, address: str) -> SplitResult:
    try:
        url = urlsplit(address)
        if url.hostname and (url.port is None or url.port):
            return url
    except ValueError:
        pass
    raise FleetError(f"--login {path}: {key} is no address such as https://fleet.example.org")


def _allowed(path: Path, shared: object) -> tuple[str, ...]:
    allow = shared.get("allow") if isinstance(shared, dict) else None
    if allow == EVERYONE:
        return ()
    if (
        not isinstance(allow, list)
        or not allow
        or not all(isinstance(a, str) and "@" in a and "," not in a for a in allow)
    ):
        raise FleetError(
            f'--login {path}: say who may enter: [shared] allow = ["a@example.org", "@example.org"], '
            f'or allow = "{EVERYONE}" if the provider knows the workshop\'s people only'
        )
    return tuple(a.strip().lower() for a in allow)


def is_loopback(host: str) -> bool:
    """Whether a host is this computer and no other can reach it."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def proxy_host(url: str) -> str:
    """The host of the address under which a proxy shows the dashboard.

    Raises
    ------
    FleetError
        If it is no encrypted address.
    """
    parts = urlsplit(url)
    if parts.scheme != "https" or not parts.hostname:
        raise FleetError(
            "--behind-proxy takes the address that people open, such as https://fleet.example.org"
        )
    return parts.hostname


def check_door(address: str, *, shared: bool, login: Login | None, proxy: str | None) -> None:
    """Refuse to listen beyond this computer where nobody asks who comes in.

    Raises
    ------
    FleetError
        One line: what is missing.
    """
    if not shared and (login is not None or proxy is not None):
        raise FleetError("--login and --behind-proxy go with --shared.")
    if login is not None and proxy is not None:
        raise FleetError("--login or --behind-proxy: one of them asks who comes in, not both.")
    try:
        ipaddress.ip_address(address)
    except ValueError:
        raise FleetError("--address takes an address in figures, such as 192.0.2.10") from None
    if is_loopback(address):
        return
    if not shared:
        raise FleetError("only the shared dashboard may be seen from other computers: add --shared")
    if login is None and proxy is None:
        raise FleetError(
            f"--address {address} would show it to anyone on the network: name --login FILE, or "
            f"--behind-proxy URL if a proxy asks who comes in ({HOW_TO})"
        )
