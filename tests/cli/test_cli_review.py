"""Attainment, tilt and the dashboard's start on the command line."""

from __future__ import annotations

import io
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.cli.week import dashboard as screens
from fleet.errors import FleetError

Fleet = Callable[..., "object"]


def test_attainment_by_kind(fleet: Fleet, sheets: Path) -> None:
    """By kind: each kind's units, both targets met level, reachable and built, checked by hand.

    A1 (built-in 70.2) reaches both with +0.8, A3 (70.5) meets both as it stands, A2 (64) and A4 (67.5) can't.
    """
    fleet("intake", str(sheets))
    ran = fleet("attainment")
    assert ran.status == 0
    assert "4 units, each by its newest sheet; policy default (" in ran.out
    lines = {line.split()[0]: line for line in ran.out.splitlines() if "/" in line.split()[0]}
    assert lines["line_contact/boron"].split()[1:4] == ["2", "0", "%"]
    table = pd.read_csv(io.StringIO(fleet("attainment", "--out", "-").out)).set_index("kind")
    assert table["both_level_met"].to_dict() == {"elliptical/aluminium": 1, "line_contact/boron": 0}
    assert table["both_reachable_met"].to_dict() == {"elliptical/aluminium": 1, "line_contact/boron": 1}
    assert table["conflict_built_in_met"].to_dict() == {"elliptical/aluminium": 1, "line_contact/boron": 1}


def test_attainment_over_time_and_all_together(fleet: Fleet, sheets: Path) -> None:
    """--per cuts by period; --by all is one row for the whole fleet."""
    fleet("intake", str(sheets))
    table = pd.read_csv(io.StringIO(fleet("attainment", "--per", "quarter", "--out", "-").out))
    assert table["period"].tolist() == ["2024-Q1", "2024-Q2", "2024-Q1"]
    whole = pd.read_csv(io.StringIO(fleet("attainment", "--by", "all", "--out", "-").out))
    assert whole["units"].tolist() == [4]
    assert "4 units" in fleet("attainment", "--by", "all").out


def test_attainment_for_others(fleet: Fleet, sheets: Path) -> None:
    """--publish shows nothing of a store too small for a group, and refuses what points at single units."""
    fleet("intake", str(sheets))
    ran = fleet("attainment", "--publish")
    assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert "nothing can be published" in ran.err
    assert "may point at single units" in fleet("attainment", "--publish", "--by", "sheet_no").err
    assert "no such column" in fleet("attainment", "--by", "colour").err


def test_attainment_of_an_empty_store(fleet: Fleet, sheets: Path) -> None:
    """A store without sheets is no error: nothing is counted."""
    fleet("intake", str(sheets))
    fleet("undo", "1")
    ran = fleet("attainment")
    assert ran.status == 0
    assert ran.out.startswith("0 units")


def test_tilt(fleet: Fleet) -> None:
    """Tilt to 91° of rake: what to set, what it gets, how, and the cautions."""
    ran = fleet(
        "tilt",
        "--sra-dynamic-deg",
        "88.6",
        "--vta-dynamic-deg",
        "19",
        "--tilt-room-deg",
        "3",
        "--arm-length-mm",
        "230",
    )
    assert ran.status == 0
    assert "Tilt +2.40° (tail up) gives rake 91.00° and tracking angle 21.40°: both targets met." in ran.out
    assert "check clearance" in ran.out
    assert "power off" in ran.out


def test_tilt_of_a_spherical_stylus(fleet: Fleet) -> None:
    """A spherical stylus needs no rake; an unread tilt room is said."""
    ran = fleet("tilt", "--stylus", "spherical", "--vta-dynamic-deg", "24")
    assert ran.out.startswith("Tilt -4.00° (tail down) gives tracking angle 20.00°")
    assert "tilt room was not read" in ran.out


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
