"""Starting the dashboard: it stays at home and leaves no server behind."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.cli.week import dashboard as screens
from fleet.errors import FleetError

Fleet = Callable[..., "object"]


def test_the_dashboard_stays_at_home() -> None:
    """The dashboard's server is bound to this computer, asks and tells nobody else anything."""
    words = screens.dashboard_command(8765)
    settings = dict(zip(words[5::2], words[6::2], strict=True))
    assert words[1:4] == ["-m", "streamlit", "run"]
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
