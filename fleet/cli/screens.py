"""Commands that show: the dashboard, and explanations of words and files."""

from __future__ import annotations

import os
import sys
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
    import subprocess

    where = common.the_store(store)
    environment = {**os.environ, "FLEET_STORE": str(where.path.resolve())}
    if policy is not None:
        common.policies_from(policy, None)
        environment["FLEET_POLICY"] = str(policy.resolve())
    say(f"Dashboard of {where.path} at http://{_LOOPBACK}:{port} (stop it with Ctrl-C)")
    try:
        status = subprocess.call(dashboard_command(port, browser=browser), env=environment)
    except KeyboardInterrupt:
        return
    if status not in {0, -2, 130}:
        raise FleetError(
            f"the dashboard stopped with status {status}; is port {port} taken? Try --port {port + 1}."
        )


def dashboard_command(port: int, *, browser: bool) -> list[str]:
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
        "server.headless": str(not browser).lower(),
        "server.enableCORS": "true",
        "server.enableXsrfProtection": "true",
        "server.maxUploadSize": 20,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
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
