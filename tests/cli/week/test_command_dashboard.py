"""Starting the dashboard: it stays at home and leaves no server behind."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Callable
from http.client import HTTPConnection
from pathlib import Path

import pytest

from fleet.cli.week import dashboard as screens
from fleet.errors import FleetError

Fleet = Callable[..., "object"]


def test_the_dashboard_stays_at_home() -> None:
    """The dashboard's server is bound to this computer, asks and tells nobody else anything."""
    words = screens.dashboard_command(8765)
    settings = dict(zip(words[5::2], words[6::2], strict=True))
    assert words[1:4] == ["-m", "dashboards.server", "run"]
    assert Path(words[4]).name == "app.py"
    assert settings["--server.address"] == "127.0.0.1"
    assert settings["--server.port"] == "8765"
    assert settings["--browser.gatherUsageStats"] == "false"
    assert settings["--server.headless"] == "true"
    assert settings["--client.showErrorDetails"] == "none"


def test_the_dashboard_gets_store_and_policy(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """The server is started for the store and the policy file named; one that ends by itself is one line."""
    port = free_port()
    show = "import os; print(os.environ['FLEET_STORE'], os.environ['FLEET_POLICY'], file=open('seen', 'w'))"
    monkeypatch.setattr(
        screens, "dashboard_command", lambda *_, **__: [sys.executable, "-c", f"{show}; exit(3)"]
    )
    Path("own.toml").write_text("[default]\n")
    ran = fleet("dashboard", *f"--store shown.duckdb --policy own.toml --port {port} --no-browser".split())
    assert Path("seen").read_text().split() == [
        str(Path(name).resolve()) for name in ("shown.duckdb", "own.toml")
    ]
    assert (ran.status, ran.err) == (2, "fleet: the dashboard stopped by itself with status 3.\n")


def test_a_taken_port_is_said(fleet: Fleet) -> None:
    """A port that another program uses is refused before anything is started."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        ran = fleet("dashboard", "--port", str(port))
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == f"fleet: port {port} is taken by another program; try --port {port + 1}.\n"


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="signals are another matter there")
def test_the_dashboard_leaves_no_server_behind() -> None:
    """Asked to end, the command ends its server too, with status 0."""
    port = free_port()
    words = [sys.executable, "-c", "from fleet.cli import main; main()", "dashboard", "--no-browser"]
    command = subprocess.Popen(
        [*words, "--port", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        wait_for(lambda: answers(port))
        command.terminate()
        assert command.wait(timeout=20) == 0
        wait_for(lambda: not answers(port))
    finally:
        command.kill()


CLOSED = """
import socket
from dashboards.server import shut_doors
from streamlit.web.server.starlette import starlette_websocket
asked = []
def refuse(*words, **_):
    asked.append(words)
    raise OSError
socket.socket.connect = socket.getaddrinfo = refuse
shut_doors()
mine = "127.0.0.1:8501"
for origin in (
    "http://127.0.0.1:8501", None, "http://evil.example", "http://127.0.0.1:9000", "http://localhost:3000",
    "http://localhost", "null", "http://127.0.0.1:8501.evil.example", "https://fleet.example.org",
):
    print(starlette_websocket._is_origin_allowed(origin, mine))
print(len(asked))
"""


def test_the_server_lets_its_own_origin_in_and_asks_nobody() -> None:
    """Only the page's own host and port may open its channel; nobody is asked to find that out."""
    done = subprocess.run([sys.executable, "-c", CLOSED], capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["True", "True", *["False"] * 7, "0"], done.stderr


def channel(port: int, origin: str, host: str = "") -> int:
    """What the server answers to a browser that wants to open the page's channel from an origin."""
    asked = HTTPConnection("127.0.0.1", port, timeout=10)
    asked.putrequest("GET", "/_stcore/stream", skip_host=True)
    words = {"Host": host or f"127.0.0.1:{port}", "Origin": origin}
    words |= {"Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13"}
    for name, text in {**words, "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA=="}.items():
        asked.putheader(name, text)
    asked.endheaders()
    try:
        return asked.getresponse().status
    finally:
        asked.close()


@pytest.mark.skipif(sys.platform == "win32", reason="needs kill -9")
def test_the_server_is_closed_to_others_and_ends_with_its_parent() -> None:
    """Headers against framing; no foreign origin, other port or foreign host; killed, nothing is left."""
    port = free_port()
    words = [sys.executable, "-c", "from fleet.cli import main; main()", "dashboard", "--no-browser"]
    command = subprocess.Popen(
        [*words, "--port", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        wait_for(lambda: answers(port))
        asked = HTTPConnection("127.0.0.1", port, timeout=10)
        asked.request("GET", "/")
        headers = asked.getresponse().headers
        asked.close()
        assert headers["X-Frame-Options"] == "SAMEORIGIN"
        assert "frame-ancestors 'self'" in headers["Content-Security-Policy"]
        assert channel(port, f"http://127.0.0.1:{port}") == 101
        assert channel(port, f"http://127.0.0.1:{port + 1}") == 403
        assert channel(port, "http://evil.example") == 403
        assert channel(port, f"http://evil.example:{port}", host=f"evil.example:{port}") == 403
        command.kill()
        wait_for(lambda: not answers(port))
    finally:
        command.kill()


def free_port() -> int:
    """A port that nobody uses."""
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


def answers(port: int) -> bool:
    """Whether something listens there."""
    with socket.socket() as caller:
        return caller.connect_ex(("127.0.0.1", port)) == 0


def wait_for(condition: Callable[[], bool]) -> None:
    """Wait until it is so, half a minute at most."""
    end = time.monotonic() + 30.0
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.1)


def test_a_missing_dashboard_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the dashboard isn't installed, one line says so."""
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(FleetError, match="not installed"):
        screens.dashboard_command(8501)
