"""The server behind `coach serve`: one session in a browser, bound to this computer unless told otherwise.

What it keeps out: everybody without the code that the starting terminal shows, on this computer too, since others may
share it; pages of other sites that a browser has open (a socket's Origin must be this server, and on loopback the Host
a loopback name, so that no foreign name can be pointed here); connections that stay without the code, or too many.
The way is plain HTTP: for a home network, not for the open one.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import math
import signal
import socket
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from urllib.parse import parse_qs
from weakref import WeakKeyDictionary, WeakSet

import textual_serve
from aiohttp import web
from aiohttp.http import HttpProcessingError

from coach.ground.digits import whole_number
from coach.web.doorkeeper import Doorkeeper
from coach.web.held import HeldSession
from coach.words.names import capital

COOKIE = "coach_session"
FONT_SIZES = (8, 48)
CELLS = (20, 400)
"""The fewest and the most columns or rows that a window may ask for."""
MOST_CONNECTIONS = 32
STRANGE_S = 10.0
"""A connection over which nobody with the code has asked for anything by then is closed."""

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
_HERE = Path(__file__).parent
_STATIC = Path(textual_serve.__file__).parent / "static"
_SECRET = {"Referrer-Policy": "no-referrer", "Cache-Control": "no-store"}


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only."""
    name = host.strip("[]").lower()
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


class CoachServer:
    """The app for whoever knows the code, in one window at a time. `tell` shows a line in the terminal."""

    def __init__(self, command: str, host: str, port: int, silent: bool, tell: Callable[[str], None]) -> None:
        self.host, self.port = host, port
        where = "sound plays on the computer, not on the tablet"
        self._sound = "silent mode: nothing sounds" if silent else where
        self._tell = tell
        self._door = Doorkeeper(time.monotonic)
        self._session = HeldSession(command)
        self._known: WeakSet[asyncio.BaseTransport] = WeakSet()
        self._strange_since_s: WeakKeyDictionary[asyncio.BaseTransport, float] = WeakKeyDictionary()

    def serve(self) -> None:
        """Serve until Ctrl+C. OSError where the address can't be had."""
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        logging.getLogger("aiohttp.server").addFilter(_not_a_stranger_s)
        runner = web.AppRunner(self._app(), shutdown_timeout=0.25)
        await runner.setup()
        over = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            with suppress(NotImplementedError):
                asyncio.get_running_loop().add_signal_handler(number, over.set)
        try:
            await web.TCPSite(runner, self.host, self.port).start()
            self._say_where()
            while not over.is_set():
                self._close_strange(runner)
                with suppress(asyncio.TimeoutError):
                    await asyncio.wait_for(over.wait(), 1)
        finally:
            await self._session.stop()
            await runner.cleanup()

    def _app(self) -> web.Application:
        app = web.Application(middlewares=[self._guard], client_max_size=4096)
        app.add_routes(
            [
                web.get("/", self._index),
                web.post("/enter", self._enter),
                web.get("/state", self._state),
                web.get("/ws", self._window),
                web.static("/static", _STATIC),
            ]
        )
        return app

    def _say_where(self) -> None:
        shown = f"[{self.host}]" if ":" in self.host else self.host
        if is_loopback(self.host):
            self._tell(f"open http://{shown}:{self.port}/?code={self._door.code} in a browser; Ctrl+C ends")
        else:
            self._tell(f"open http://{_own_address(self.host)}:{self.port} on the tablet; Ctrl+C ends")
            self._tell(f"the code: {self._door.code}")
        self._tell(self._sound)

    def _close_strange(self, runner: web.AppRunner) -> None:
        """Close the connections of those who have not been let in for a while, and at once what is too many."""
        now_s, server = time.monotonic(), runner.server
        open_now = [one.transport for one in server.connections if one.transport] if server else []
        since_s = {
            transport: self._strange_since_s.setdefault(transport, now_s)
            for transport in set(open_now) - set(self._known)
        }
        # The oldest are too many, so that whoever comes has time to tell the code.
        for number, transport in enumerate(sorted(since_s, key=since_s.__getitem__, reverse=True)):
            if now_s - since_s[transport] > STRANGE_S or number >= MOST_CONNECTIONS:
                transport.abort()

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        host = request.url.host or ""
        if is_loopback(self.host) and not is_loopback(host):
            raise web.HTTPForbidden(text="this server is only for this computer")
        origin = request.headers.get("Origin", "")
        if origin and origin != f"{request.scheme}://{request.host}":
            raise web.HTTPForbidden(text="another site may not use this server")
        if request.path == "/ws" and not origin:
            raise web.HTTPForbidden(text="this request does not say where it comes from")
        if self._door.knows(request.cookies.get(COOKIE, "")):
            if request.transport is not None:
                self._known.add(request.transport)
        elif request.path != "/enter":
            if request.path != "/":
                raise web.HTTPForbidden(text="enter the code first")
            return self._let_in(request, request.query["code"]) if "code" in request.query else self._ask()
        return await handler(request)

    def _ask(self, notice: str = "A practice session on this computer.", status: int = 200) -> web.Response:
        page = self._page("ask.html", notice=notice)
        return web.Response(text=page, content_type="text/html", status=status, headers=_SECRET)

    def _page(self, name: str, **words: str) -> str:
        page = (_HERE / name).read_text(encoding="utf-8")
        for key, word in {**words, "sound": f"{capital(self._sound)}."}.items():
            page = page.replace(f"{{{{ {key} }}}}", word)
        return page

    def _let_in(self, request: web.Request, code: str) -> web.Response:
        address = request.remote or ""
        token = self._door.enter(code, address)
        if not token:
            wait_s = self._door.wait_s(address)
            then = f" Wait {math.ceil(wait_s)} s, then try again." if wait_s else ""
            return self._ask(f"That is not the code.{then}", status=429 if wait_s else 403)
        response = web.Response(status=303, headers={"Location": "/", **_SECRET})
        response.set_cookie(COOKIE, token, httponly=True, samesite="Strict")
        return response

    async def _enter(self, request: web.Request) -> web.StreamResponse:
        form = parse_qs((await request.read()).decode("utf-8", "replace"))
        return self._let_in(request, form.get("code", [""])[0])

    async def _state(self, request: web.Request) -> web.StreamResponse:
        return web.json_response({"session": self._session.state(_page_of(request))}, headers=_SECRET)

    async def _index(self, request: web.Request) -> web.StreamResponse:
        if "code" in request.query:
            return web.Response(status=303, headers={"Location": "/", **_SECRET})
        size = _within(request.query.get("fontsize", ""), 16, *FONT_SIZES)
        page = self._page("app_index.html", font_size=str(size))
        return web.Response(text=page, content_type="text/html", headers=_SECRET)

    async def _window(self, request: web.Request) -> web.StreamResponse:
        width = _within(request.query.get("width", ""), 80, *CELLS)
        height = _within(request.query.get("height", ""), 24, *CELLS)
        window = web.WebSocketResponse(heartbeat=15, max_msg_size=1 << 16)
        await window.prepare(request)
        await self._session.show(window, width, height, _page_of(request))
        return window


def _not_a_stranger_s(record: logging.LogRecord) -> bool:
    """Whether what the library logs is not about a request that came broken, or broke off."""
    error = record.exc_info[1] if record.exc_info else None
    return not isinstance(error, ConnectionError | HttpProcessingError | web.RequestPayloadError)


def _page_of(request: web.Request) -> str:
    """What a page calls itself: a number that it drew when it was loaded."""
    return request.query.get("page", "")[:40]


def _within(text: str, usual: int, low: int, high: int) -> int:
    number = whole_number(text)
    return usual if number is None else min(max(number, low), high)


def _own_address(host: str) -> str:
    """The address to type elsewhere: the host itself, or where it means all of them, the one that leads out of here."""
    if host not in ("0.0.0.0", "::"):
        return f"[{host}]" if ":" in host else host
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # Nothing is sent: a datagram socket only looks up its way. The address is for documentation (RFC 5737).
        probe.connect(("192.0.2.1", 9))
        return str(probe.getsockname()[0])
    return socket.gethostname()
