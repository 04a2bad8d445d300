"""The screen in a browser on the same machine. Nothing is fetched from elsewhere, nobody else may ask."""

from __future__ import annotations

import shlex
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ..analysis.errors import NotPossible

if TYPE_CHECKING:
    from textual_serve.server import Server

#: The names under which a machine is its own neighbour.
LOOPBACK: Final = ("127.0.0.1", "localhost", "::1")


def serve(command: Sequence[str], host: str = "127.0.0.1", port: int = 8270) -> None:
    """Serve the screen that ``command`` starts, one for each browser window, until stopped.

    Loopback only: raises NotPossible for another ``host``, and where the port is taken.
    """
    page = server(command, host, port)
    print(f"The screen is at http://{host}:{port} (Ctrl-C ends it; a run goes on)", file=sys.stderr)
    try:
        page.serve()
    except OSError as error:
        raise NotPossible(f"port {port} cannot be served: {error.strerror}; take another --port") from None


def server(command: Sequence[str], host: str, port: int) -> Server:
    """The web server, not started yet."""
    from aiohttp import web
    from textual_serve.server import Server

    if host not in LOOPBACK:
        raise NotPossible(f"{host} is not this machine; the screen is served on loopback only (127.0.0.1)")
    own = {f"{name}:{port}" for name in (*LOOPBACK, "[::1]")}

    @web.middleware
    async def only_from_here(request: web.Request, handler: Any) -> web.StreamResponse:
        """Refuse what another site's page in the same browser would send (a foreign Host or Origin)."""
        origin = request.headers.get("Origin")
        if request.host not in own or (origin is not None and origin.partition("://")[2] not in own):
            raise web.HTTPForbidden(text="only pages of this machine may use the screen")
        return await handler(request)

    class LoopbackServer(Server):
        async def _make_app(self) -> web.Application:
            app = await super()._make_app()
            app.middlewares.append(only_from_here)
            return app

    words = subprocess.list2cmdline(command) if sys.platform == "win32" else shlex.join(command)
    folder = Path(__file__).parent
    return LoopbackServer(words, host=host, port=port, title="Weighloop", templates_path=folder)
