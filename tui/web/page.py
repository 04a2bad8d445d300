"""The screen in a browser, a page for a phone and numbers for a monitor: only for who says a key.

The key stands in the address printed at the start, then in a cookie; a monitor says it as ``Authorization:
Bearer KEY``. There is a key to watch and one to act. Every window is a view of one daemon: a process of its
own that ends with the window. Nothing is fetched from elsewhere.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import re
import secrets
import socket
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from ...analysis.errors import NotPossible
from ...daemon.server.client import ClientError
from ...daemon.server.listener import is_loopback
from .bench_link import BenchLink
from .keys import kept_key
from .metrics import exposition
from .phone import PhonePage

if TYPE_CHECKING:
    from aiohttp import web

    from .window import Window

Role = Literal["watch", "act"]

#: The names under which a machine is its own neighbour.
LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")
#: The pages one may open by a key in the address.
PAGES: Final = ("/", "/phone")
#: Windows open at a time.
MOST_WINDOWS = 8
#: Longest message of a window, bytes: a bench file that is pasted fits.
LONGEST_MESSAGE = 1024 * 1024
#: Silence after which a window is asked whether it is still there, s.
HEARTBEAT = 15.0
#: Columns and lines of a window, and its letters' height in pixels: least, usual, most.
WIDTHS, HEIGHTS, LETTERS = (20, 80, 500), (5, 24, 200), (8, 16, 40)
_HOST = re.compile(r"[A-Za-z0-9.:\[\]-]{1,255}")
_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}


def serve(
    command: Sequence[str],
    host: str = "127.0.0.1",
    port: int = 8270,
    *,
    act_from_afar: bool = False,
    bench: Path | None = None,
    watch_key: Path | None = None,
) -> None:
    """Serve the screen that ``command`` starts, one for each browser window, until stopped.

    ``command`` must take ``--watch``. Beyond loopback one may only watch unless ``act_from_afar``. ``bench``:
    the daemon's socket, for the phone's page and the monitor; None: the user's own. ``watch_key``: a file
    that keeps the key to watch; None: a new one at each start. Raises NotPossible where the port is taken or
    the key cannot be kept.
    """
    from aiohttp import web

    kept = None if watch_key is None else kept_key(watch_key)
    page = Page(command, host, port, act=act_from_afar or is_loopback(host), bench=bench, watch_key=kept)
    try:
        web.run_app(
            page.application(),
            host=host,
            port=port,
            print=lambda *_: print(page.announcement(), file=sys.stderr, flush=True),
            access_log=None,  # addresses have keys in them
            shutdown_timeout=5.0,
        )
    except OSError as error:
        raise NotPossible(f"port {port} cannot be served: {error.strerror}; take another --port") from None


class Page:
    """The page, its files and its windows' sockets, each only for who has said a key."""

    def __init__(
        self,
        command: Sequence[str],
        host: str,
        port: int,
        *,
        act: bool,
        bench: Path | None = None,
        watch_key: str | None = None,
    ) -> None:
        self._command, self._host, self._port = list(command), host, port
        roles: tuple[Role, ...] = ("watch", "act") if act else ("watch",)
        self.keys: dict[Role, str] = {role: secrets.token_urlsafe(32) for role in roles}
        if watch_key is not None:
            self.keys["watch"] = watch_key
        self._link, self._phone = BenchLink(bench), PhonePage()
        self._cookies: dict[Role, str] = {role: secrets.token_urlsafe(32) for role in roles}
        self._cookie = f"weighloop-{port}"
        self._own = {f"{name}:{port}" for name in LOOPBACK} if is_loopback(host) else None
        self._windows: set[Window] = set()

    def announcement(self) -> str:
        """The addresses, keys in them, for the terminal of who started it."""
        name = socket.gethostname() if self._host in ("0.0.0.0", "::") else self._host
        name = f"[{name}]" if ":" in name else name
        lines = [
            f"To {role}: http://{name}:{self._port}/?key={key}" for role, key in reversed(self.keys.items())
        ]
        lines += [f"On a phone: http://{name}:{self._port}/phone?key={self.keys['watch']}"]
        lines += ["Who has an address may do what it says. Ctrl-C ends the page; a run goes on."]
        if not is_loopback(self._host):
            lines += ["What goes between machines is not encrypted: trust the network, or use a tunnel."]
        return "\n".join(lines)

    def application(self) -> web.Application:
        """The server, not started yet."""
        import textual_serve
        from aiohttp import web

        @web.middleware
        async def guard(request: web.Request, handler: Any) -> web.StreamResponse:
            self._check_sender(request)
            if "key" in request.query and request.path in PAGES:
                return self._let_in(request)
            if self._role(request) is None:
                raise web.HTTPForbidden(text="open the address that was printed at the start")
            return await handler(request)

        async def add_headers(request: web.Request, response: web.StreamResponse) -> None:
            response.headers.update(_HEADERS)
            response.headers.setdefault(
                "Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"
            )

        application = web.Application(middlewares=[guard])
        application.on_response_prepare.append(add_headers)
        static = Path(textual_serve.__file__).parent / "static"
        application.add_routes(
            [
                web.get("/", self._index),
                web.get("/ws", self._window),
                web.get("/phone", self._phone_page),
                web.get("/metrics", self._metrics),
                web.static("/static", static),
            ]
        )

        async def leave(_: web.Application) -> None:
            self._link.close()

        application.on_cleanup.append(leave)
        return application

    def _check_sender(self, request: web.Request) -> None:
        """Refuse what another site's page in the same browser would send (a foreign Host or Origin)."""
        from aiohttp import web

        host, origin = request.host, request.headers.get("Origin")
        known = _HOST.fullmatch(host) is not None and (self._own is None or host in self._own)
        if not known or (origin is not None and origin.partition("://")[2] != host):
            raise web.HTTPForbidden(text="only this page's own windows may use the screen")

    def _role(self, request: web.Request) -> Role | None:
        kind, _, key = request.headers.get("Authorization", "").partition(" ")
        said = _whose(key, self.keys) if kind == "Bearer" else None
        return said or _whose(request.cookies.get(self._cookie, ""), self._cookies)

    def _let_in(self, request: web.Request) -> web.Response:
        """A key was said: from now on the cookie says it, and the key leaves the address line."""
        from aiohttp import web

        role = _whose(request.query["key"], self.keys)
        if role is None:
            raise web.HTTPForbidden(text="this is not the key; it stands where the page was started")
        answer = web.Response(status=303, headers={"Location": request.path})
        answer.set_cookie(self._cookie, self._cookies[role], httponly=True, samesite="Strict", path="/")
        return answer

    async def _index(self, request: web.Request) -> web.Response:
        from aiohttp import web

        nonce = secrets.token_urlsafe(16)
        text = (Path(__file__).parent / "screen.html").read_text(encoding="utf-8")
        text = text.replace("{{ nonce }}", nonce).replace("{{ host }}", request.host)
        text = text.replace("{{ font_size }}", str(_within(request.query.get("fontsize"), LETTERS)))
        policy = f"default-src 'none'; script-src 'self' 'nonce-{nonce}'; style-src 'self' 'unsafe-inline'; "
        policy += f"img-src 'self' data:; font-src 'self' data:; connect-src 'self' ws://{request.host}; "
        policy += "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        return web.Response(text=text, content_type="text/html", headers={"Content-Security-Policy": policy})

    async def _phone_page(self, request: web.Request) -> web.Response:
        from aiohttp import web

        nonce, facts, why = secrets.token_urlsafe(16), None, ""
        try:
            facts = await self._link.facts()
        except ClientError as error:
            why = str(error)
        text = await asyncio.to_thread(self._phone.html, facts, why, nonce)
        policy = f"default-src 'none'; style-src 'nonce-{nonce}'; base-uri 'none'; form-action 'none'; "
        policy += "frame-ancestors 'none'"
        return web.Response(text=text, content_type="text/html", headers={"Content-Security-Policy": policy})

    async def _metrics(self, request: web.Request) -> web.Response:
        from aiohttp import web

        try:
            facts = await self._link.facts()
        except ClientError:
            facts = None
        try:
            body, kind = exposition(facts)
        except NotPossible as error:
            raise web.HTTPServiceUnavailable(text=str(error)) from None
        return web.Response(body=body, headers={"Content-Type": kind})

    async def _window(self, request: web.Request) -> web.WebSocketResponse:
        from aiohttp import web

        from .window import Window

        role = self._role(request)
        if role is None or request.headers.get("Origin") is None:
            raise web.HTTPForbidden(text="only this page's own windows may use the screen")
        if len(self._windows) >= MOST_WINDOWS:
            raise web.HTTPServiceUnavailable(text=f"{MOST_WINDOWS} windows are open; close one")
        line = web.WebSocketResponse(heartbeat=HEARTBEAT, max_msg_size=LONGEST_MESSAGE)
        window = Window(self._command if role == "act" else [*self._command, "--watch"], line)
        self._windows.add(window)
        try:
            await line.prepare(request)
            await window.start(
                _within(request.query.get("width"), WIDTHS), _within(request.query.get("height"), HEIGHTS)
            )
            async for message in line:
                if message.type is web.WSMsgType.TEXT:
                    await self._heard(message.data, window, line)
        finally:
            self._windows.discard(window)
            await window.end()
        return line

    async def _heard(self, text: str, window: Window, line: web.WebSocketResponse) -> None:
        """One message of a window; what is none is passed over."""
        try:
            message = json.loads(text)
        except (ValueError, RecursionError):
            return
        match message:
            case ["stdin", str(typed)]:
                await window.send_bytes(typed.encode("utf-8", "replace"))
            case ["resize", {"width": width, "height": height}]:
                await window.set_terminal_size(_within(width, WIDTHS), _within(height, HEIGHTS))
            case ["ping", str() | int() as mark]:
                await line.send_json(["pong", mark])
            case ["blur", *_]:
                await window.blur()
            case ["focus", *_]:
                await window.focus()
            case _:
                pass


def _whose(said: str, known: dict[Role, str]) -> Role | None:
    """The role whose secret was said; every one is compared, each in constant time."""
    heard = said.encode("utf-8", "replace")
    fitting: list[Role] = [
        role for role, secret in known.items() if hmac.compare_digest(heard, secret.encode())
    ]
    return fitting[0] if fitting else None


def _within(value: Any, bounds: tuple[int, int, int]) -> int:
    """A whole number between the first and the last of ``bounds``; the middle one where it is none."""
    least, usual, most = bounds
    if isinstance(value, str) and re.fullmatch(r"[0-9]{1,6}", value):
        value = int(value)
    if not isinstance(value, int) or isinstance(value, bool):
        return usual
    return min(max(value, least), most)
