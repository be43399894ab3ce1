"""Commands that show: the dashboard, and explanations of words and files."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.errors import FleetError

_LOOPBACK: Final = "127.0.0.1"


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    app.command(rich_help_panel=common.REVIEW_PANEL)(dashboard)
    app.command(rich_help_panel=common.HELP_PANEL)(explain)


def dashboard(
    port: Annotated[int, typer.Option("--port", min=1024, max=65535, help="Port on this computer.")] = 8501,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open a browser window.")] = True,
    policy: common.PolicyFileOption = None,
    store: common.StoreOption = None,
) -> None:
    """Open the dashboard: enquiry, distributions, suspects, attainment. Stop it with Ctrl-C.

    It listens on this computer only, asks nothing of any other and sends no usage statistics.
    """
    where = common.the_store(store)
    environment = {**os.environ, "FLEET_STORE": str(where.path.resolve())}
    if policy is not None:
        common.policies_from(policy, None)
        environment["FLEET_POLICY"] = str(policy.resolve())
    if _answers(port):
        raise FleetError(f"port {port} is taken by another program; try --port {port + 1}.")
    command = dashboard_command(port)
    say(f"Dashboard of {where.path} at http://{_LOOPBACK}:{port} (stop it with Ctrl-C)")
    status = _serve(command, environment, port, browser=browser and _has_screen())
    if status != 0:
        raise FleetError(f"the dashboard stopped by itself with status {status}.")


def _serve(command: list[str], environment: dict[str, str], port: int, *, browser: bool) -> int:
    """Run the server until it ends or is stopped; never leaves it behind.

    Returns
    -------
    Its exit status, 0 if it was stopped.
    """
    import subprocess

    before = signal.signal(signal.SIGTERM, _stop)
    server = subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL)
    try:
        if browser:
            _open_when_ready(server.poll, port)
        return server.wait()
    except (KeyboardInterrupt, _Stopped):
        return 0
    finally:
        if server.poll() is None:
            server.terminate()
            server.wait()
        signal.signal(signal.SIGTERM, before)


class _Stopped(BaseException):
    """The system asked this program to end."""


def _stop(_number: int, _frame: FrameType | None) -> None:
    raise _Stopped


def _open_when_ready(ended: Callable[[], int | None], port: int) -> None:
    """Open a browser window as soon as the server answers."""
    import webbrowser

    while ended() is None:
        if _answers(port):
            webbrowser.open(f"http://{_LOOPBACK}:{port}")
            return
        time.sleep(0.2)


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection((_LOOPBACK, port), timeout=1.0):
        return True
    return False


def _has_screen() -> bool:
    """Whether a browser window can be shown here; a text browser in the terminal is no help."""
    if sys.platform in {"win32", "darwin"}:
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def dashboard_command(port: int) -> list[str]:
    """The words that start the dashboard's server: loopback only, no usage statistics, no file watching."""
    from importlib.util import find_spec
    from pathlib import Path

    package = find_spec("dashboards")
    app = Path(package.origin).with_name("app.py") if package is not None and package.origin else None
    if app is None or not app.exists():
        raise FleetError("the dashboard is not installed; install fleet again.")
    settings = {
        "server.address": _LOOPBACK,
        "server.port": port,
        "server.headless": "true",
        "server.enableCORS": "true",
        "server.enableXsrfProtection": "true",
        "server.maxUploadSize": 20,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "theme.primaryColor": "#0072B2",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
    }
    flags = [word for name, value in settings.items() for word in (f"--{name}", str(value))]
    return [sys.executable, "-m", "streamlit", "run", str(app), *flags]


def explain(
    topic: Annotated[
        str | None, typer.Argument(metavar="[TOPIC]", help="Without it, the topics are listed.")
    ] = None,
) -> None:
    """Explain a topic: words and signs, files, columns, policies and more."""
    from fleet.cli.topics import page, titles

    if topic is None:
        from fleet.cli.tables import table

        known = titles()
        say("fleet explain TOPIC, with one of these:")
        say(table({"topic": list(known), "what it is about": list(known.values())}))
        return
    say(page(topic))
