"""Open the dashboard: `fleet dashboard`."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.week.login import LOOPBACK, check_door, login_from, proxy_host
from fleet.errors import FleetError, StoreBusyError

if TYPE_CHECKING:
    from fleet.cli.week.login import Login

SHARED: Final = "FLEET_SHARED"
ALLOWED: Final = "FLEET_SHARED_ALLOW"
WATCH: Final = "FLEET_WATCH_PARENT"


def dashboard(
    port: Annotated[int, typer.Option("--port", min=1024, max=65535, help="Port on this computer.")] = 8501,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open a browser window.")] = True,
    shared: Annotated[
        bool,
        typer.Option("--shared", help="For others' eyes: read-only, no unit in it (fleet explain shared)."),
    ] = False,
    login: Annotated[
        Path | None,
        typer.Option(
            "--login",
            metavar="FILE",
            help="With --shared: who may enter, and how they prove it.",
            show_default=False,
        ),
    ] = None,
    behind_proxy: Annotated[
        str | None,
        typer.Option(
            "--behind-proxy",
            metavar="URL",
            help="With --shared: a proxy at URL asks who comes in.",
            show_default=False,
        ),
    ] = None,
    address: Annotated[
        str,
        typer.Option("--address", metavar="IP", help="Where to listen; beyond this computer only --shared."),
    ] = LOOPBACK,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    prior: common.PriorOption = None,
    store: common.StoreOption = None,
) -> None:
    """Open the dashboard: one page for each question. Stop it with Ctrl-C.

    It listens on this computer only, asks nothing of any other and sends no usage statistics. --shared shows
    it to the workshop's network: published figures only, behind a login.
    """
    door = None if login is None else login_from(login)
    outside = None if behind_proxy is None else proxy_host(behind_proxy)
    check_door(address, shared=shared, login=door, proxy=outside)
    where = common.the_store(store)
    if where.path.exists():  # before the first sheet there may be none, but nothing else in its place
        with contextlib.suppress(StoreBusyError):
            where.open()
    environment = shared_environment(door, shared=shared) | {"FLEET_STORE": str(where.path.resolve())}
    if policy is not None:
        common.policies_from(policy, policy_name)
        environment["FLEET_POLICY"] = str(policy.resolve())
    environment |= {} if policy_name is None else {"FLEET_POLICY_NAME": policy_name}
    if prior is not None:
        from fleet.faults.verdicts import load_prior

        load_prior(prior)
        environment["FLEET_PRIOR"] = str(prior.resolve())
    if _answers(port, address):
        raise FleetError(f"port {port} is taken by another program; try --port {port + 1}.")
    host = outside if door is None else door.host
    command = dashboard_command(port, address=address, host=host, secrets=None if door is None else door.file)
    what = "Shared dashboard" if shared else "Dashboard"
    say(f"{what} of {where.path} at {_shown_at(address, port, host)} (stop it with Ctrl-C)")
    status = _serve(command, environment, port, browser=browser and not shared and _has_screen())
    if status != 0:
        raise FleetError(f"the dashboard stopped by itself with status {status}.")


def shared_environment(login: Login | None, *, shared: bool) -> dict[str, str]:
    """The server's environment: what it may show, and whom it lets in."""
    environment = {k: v for k, v in os.environ.items() if k not in {SHARED, ALLOWED}}
    if shared:
        environment[SHARED] = "1"
    if login is not None:
        environment[ALLOWED] = ",".join(login.allow) or "*"
    return environment


def _shown_at(address: str, port: int, host: str | None) -> str:
    return f"http://{address}:{port}" if host is None else f"https://{host} (listening at {address}:{port})"


def _serve(command: list[str], environment: dict[str, str], port: int, *, browser: bool) -> int:
    """Run the server until it ends or is stopped; never leaves it behind.

    Returns
    -------
    Its exit status, 0 if it was stopped.
    """
    import subprocess

    before = signal.signal(signal.SIGTERM, _stop)
    # the pipe is never written to: it ends when this program does, even killed, and the server with it
    server = subprocess.Popen(command, env={**environment, WATCH: "1"}, stdin=subprocess.PIPE)
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
        if server.stdin is not None:
            server.stdin.close()
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
            webbrowser.open(f"http://{LOOPBACK}:{port}")
            return
        time.sleep(0.2)


def _answers(port: int, address: str = LOOPBACK) -> bool:
    with contextlib.suppress(OSError), socket.create_connection((address, port), timeout=1.0):
        return True
    return False


def _has_screen() -> bool:
    """Whether a browser window can be shown here; a text browser in the terminal is no help."""
    if sys.platform in {"win32", "darwin"}:
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def dashboard_command(
    port: int, *, address: str = LOOPBACK, host: str | None = None, secrets: Path | None = None
) -> list[str]:
    """The words that start the dashboard's server: no usage statistics, no file watching, known hosts only.

    Parameters
    ----------
    port, address : where it listens, on this computer only unless told otherwise.
    host : name under which browsers reach it, where that is another.
    secrets : file of the login.
    """
    from importlib.util import find_spec

    package = find_spec("dashboards")
    app = Path(package.origin).with_name("app.py") if package is not None and package.origin else None
    if app is None or not app.exists():
        raise FleetError("the dashboard is not installed; install fleet again.")
    settings = {
        "server.address": address,
        "server.port": port,
        "server.headless": "true",
        "server.enableCORS": "true",
        "server.enableXsrfProtection": "true",
        "server.maxUploadSize": 20,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "theme.light.primaryColor": "#0072B2",
        "theme.dark.primaryColor": "#56B4E9",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
    }
    if host is not None:
        settings["browser.serverAddress"] = host
        settings["server.corsAllowedOrigins"] = f"https://{host}"
    if secrets is not None:
        settings["secrets.files"] = str(secrets.resolve())
    flags = [word for name, value in settings.items() for word in (f"--{name}", str(value))]
    for name in dict.fromkeys([LOOPBACK, "localhost", address, *([host] if host else [])]):
        flags += ["--server.allowedHosts", name]
    return [sys.executable, "-m", "dashboards.server", "run", str(app), *flags]
