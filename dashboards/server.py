"""The dashboard's server: Streamlit's own, asking nobody outside, with exact origins, ending with its parent.

`fleet dashboard` runs it as `python -m dashboards.server run app.py …`.
"""

from __future__ import annotations

import importlib
import os
import sys
import threading
from typing import TYPE_CHECKING, Any, Final

from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware
from streamlit import net_util
from streamlit.web import cli
from streamlit.web.server import server_util
from streamlit.web.server.starlette import starlette_app, starlette_websocket

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS: Final = {
    "X-Frame-Options": "SAMEORIGIN",
    "Content-Security-Policy": "frame-ancestors 'self'; object-src 'none'; base-uri 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}
"""With every answer: no other site may show the page in a frame of its own."""
WATCH: Final = "FLEET_WATCH_PARENT"
"""Set where standard input is a pipe from the program that started the server."""


class Guard:
    """Puts `HEADERS` to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer as the app does, with the headers."""

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        await self.app(scope, receive, guarded)


def shut_doors() -> None:
    """Replace what Streamlit does more openly than the dashboard may.

    It would let any port of this computer in, and look for the computer's outside address to let that in too.
    Now an origin is the page's own (host and port), or one that was named to the last letter.
    """
    plain = starlette_app.create_streamlit_middleware

    def with_headers() -> list[Any]:
        return [Middleware(Guard), *plain()]

    replaced: list[tuple[Any, str, Any]] = [
        (net_util, "get_external_ip", lambda: None),
        (net_util, "get_internal_ip", lambda: None),
        (starlette_websocket, "is_url_from_allowed_origins", server_util.is_allowed_origin),
        (starlette_app, "create_streamlit_middleware", with_headers),
    ]
    for module, name, ours in replaced:
        if not hasattr(module, name):
            sys.exit(f"fleet: this Streamlit has no {name}; install the version that fleet names.")
        setattr(module, name, ours)


def draw_unchecked() -> None:
    """Leave out Altair's checks of each picture against its grammar: the tests make them, a reader waits."""
    from altair.utils import schemapi
    from altair.vegalite.v6.api import TopLevelMixin

    checked = TopLevelMixin.to_dict

    def unchecked(self: Any, validate: bool = False, **options: Any) -> dict[str, Any]:
        del validate
        return checked(self, validate=False, **options)

    schemapi.disable_debug_mode()
    type.__setattr__(TopLevelMixin, "to_dict", unchecked)


def load_libraries() -> None:
    """Import what every page needs before the first one is asked for, and not in two threads at once."""
    draw_unchecked()
    for name in (
        "fleet.faults.suspects",
        "fleet.quotes.quote",
        "fleet.attainment.attainment",
        "fleet.charts.planes",
    ):
        importlib.import_module(name)


def end_with_parent() -> None:
    """End at once when whoever holds the other end of standard input is gone, however it ended."""

    def wait() -> None:
        sys.stdin.buffer.read()
        os._exit(0)

    threading.Thread(target=wait, daemon=True).start()


def main() -> None:
    """Run Streamlit's command line with the doors shut."""
    shut_doors()
    if os.environ.get(WATCH):
        end_with_parent()
    load_libraries()
    cli.main(prog_name="streamlit")


if __name__ == "__main__":
    main()
