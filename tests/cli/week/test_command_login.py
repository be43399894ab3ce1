"""Who may open the dashboard to others: every door that nobody watches is refused in one line."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from fleet.cli import run
from fleet.cli.week import dashboard as screens
from fleet.cli.week.dashboard import ALLOWED, SHARED, dashboard_command, shared_environment
from fleet.cli.week.login import Login, check_door, is_loopback, login_from, proxy_host
from fleet.errors import FleetError

GOOD = {
    "redirect_uri": "https://fleet.example.org/oauth2callback",
    "cookie_secret": "0123456789abcdef" * 2,
    "client_id": "fleet",
    "client_secret": "between the two",
    "server_metadata_url": "https://login.example.org/.well-known/openid-configuration",
}


def login_file(folder: Path, allow: str = '["a@example.org", "@Example.net"]', **changes: str | None) -> Path:
    """A login file that is good but for the changes; None takes a key out."""
    keys = {key: value for key, value in (GOOD | changes).items() if value is not None}
    lines = ["[auth]", *(f'{key} = "{value}"' for key, value in keys.items())]
    path = folder / "login.toml"
    path.write_text("\n".join([*lines, "[shared]", f"allow = {allow}", ""]), encoding="utf-8")
    path.chmod(0o600)
    return path


def test_a_good_login_is_taken(tmp_path: Path) -> None:
    """Host and people come out of the file, addresses in small letters; everyone must be said outright."""
    found = login_from(login_file(tmp_path))
    assert (found.host, found.allow) == ("fleet.example.org", ("a@example.org", "@example.net"))
    assert login_from(login_file(tmp_path, '"everyone"')).allow == ()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"client_secret": None}, "lacks client_secret"),
        ({"cookie_secret": "short"}, "shorter than 32"),
        ({"redirect_uri": "http://fleet.example.org/oauth2callback"}, "redirect_uri must begin with https"),
        ({"redirect_uri": "https://fleet.example.org/"}, "must end in /oauth2callback"),
        ({"server_metadata_url": "http://login.example.org/x"}, "server_metadata_url must begin with https"),
        ({"allow": "[]"}, "say who may enter"),
        ({"allow": '"anyone"'}, "say who may enter"),
        ({"allow": '["example.org"]'}, "say who may enter"),
    ],
)
def test_a_bad_login_is_refused(changes: dict[str, str | None], said: str, tmp_path: Path) -> None:
    """What is missing or leaves a door open is named, and the secret itself is never repeated."""
    with pytest.raises(FleetError, match=said) as caught:
        login_from(login_file(tmp_path, **changes))  # type: ignore[arg-type]
    assert GOOD["client_secret"] not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_login_that_others_can_read_is_refused(tmp_path: Path) -> None:
    """The file holds secrets: others on the computer must not read it."""
    path = login_file(tmp_path)
    path.chmod(0o644)
    with pytest.raises(FleetError, match="chmod 600"):
        login_from(path)


def test_a_login_without_the_library_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the extra one line says what to install, before the server is started."""
    from fleet.cli.week import login

    monkeypatch.setattr(login, "find_spec", lambda name: None)
    with pytest.raises(FleetError, match="fleet\\[shared\\]"):
        login_from(login_file(tmp_path))


@pytest.mark.parametrize(
    ("address", "shared", "login", "proxy", "said"),
    [
        ("192.0.2.10", False, False, None, "only the shared dashboard"),
        ("192.0.2.10", True, False, None, "would show it to anyone"),
        ("0.0.0.0", True, False, None, "would show it to anyone"),
        ("::", True, False, None, "would show it to anyone"),
        ("127.0.0.1", False, True, None, "go with --shared"),
        ("127.0.0.1", False, False, "fleet.example.org", "go with --shared"),
        ("192.0.2.10", True, True, "fleet.example.org", "not both"),
        ("workshop", True, True, None, "an address in figures"),
    ],
)
def test_unwatched_doors_stay_shut(
    address: str, shared: bool, login: bool, proxy: str | None, said: str, tmp_path: Path
) -> None:
    """Beyond this computer only the shared dashboard opens, and only where somebody asks who comes in."""
    door = Login(tmp_path, "fleet.example.org", ()) if login else None
    with pytest.raises(FleetError, match=said):
        check_door(address, shared=shared, login=door, proxy=proxy)


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "127.0.0.2"])
def test_this_computer_alone_needs_no_login(address: str, tmp_path: Path) -> None:
    """On this computer both dashboards open as they are; watched, the shared one opens further."""
    check_door(address, shared=False, login=None, proxy=None)
    check_door(address, shared=True, login=None, proxy=None)
    check_door("192.0.2.10", shared=True, login=Login(tmp_path, "h", ()), proxy=None)
    check_door("192.0.2.10", shared=True, login=None, proxy="fleet.example.org")
    assert is_loopback(address)


def test_a_proxy_is_named_by_its_encrypted_address() -> None:
    """The proxy's own address is needed, with https."""
    assert proxy_host("https://fleet.example.org/x") == "fleet.example.org"
    with pytest.raises(FleetError, match="such as https"):
        proxy_host("fleet.example.org")


def test_the_command_refuses_before_it_starts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`fleet dashboard --shared --address` without a login is status 2 and one line, and no server starts."""
    started: list[object] = []
    monkeypatch.setattr(screens, "_serve", lambda *a, **k: started.append(a) or 0)
    assert run(["dashboard", "--shared", "--address", "192.0.2.10"]) == 2
    told = capsys.readouterr().err
    assert "name --login FILE" in told
    assert len(told.strip().splitlines()) == 1
    assert started == []


def test_the_server_is_told_what_it_may_show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Environment and flags carry the sharing, the people and the host; a stale variable opens nothing."""
    monkeypatch.setenv(SHARED, "1")
    monkeypatch.setenv(ALLOWED, "*")
    assert {SHARED, ALLOWED}.isdisjoint(shared_environment(None, shared=False))
    found = login_from(login_file(tmp_path))
    environment = shared_environment(found, shared=True)
    assert environment[SHARED] == "1"
    assert environment[ALLOWED] == "a@example.org,@example.net"
    assert shared_environment(login_from(login_file(tmp_path, '"everyone"')), shared=True)[ALLOWED] == "*"
    words = dashboard_command(8600, address="192.0.2.10", host=found.host, secrets=found.file)
    told = dict(pairwise(words))
    assert told["--server.address"] == "192.0.2.10"
    assert told["--browser.serverAddress"] == "fleet.example.org"
    assert told["--secrets.files"] == str(found.file.resolve())
    assert told["--server.enableXsrfProtection"] == told["--server.enableCORS"] == "true"
