"""The server behind `coach serve`: textual-serve with our own page, bound to loopback unless told otherwise.

What it keeps out. On loopback: pages of other sites that the player's own browser has open (the Host must be a
loopback name, so that no foreign name can be pointed here, and a socket's Origin must be this server). Beyond
loopback: everybody without the one-time code that the starting terminal shows. A code opens one browser, then another
one is shown; after five wrong ones it is changed. The way is plain HTTP: for a home network, not for the open one.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import aiohttp_jinja2
from aiohttp import web
from textual_serve.server import Server, to_int

COOKIE = "coach_session"
CODE_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
CODE_LENGTH = 8
TRIES = 5
FONT_SIZES = (8, 48)

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

_ASK = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Wellrung</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>body{{background:#12191d;color:#ece6d8;font:20px/1.6 sans-serif;padding:2rem;max-width:32em}}
input,button{{font:inherit;padding:.4em .6em}}input{{text-transform:uppercase;width:9em}}</style></head>
<body><h1>Wellrung</h1><p>{notice}</p>
<form method="post" action="/enter"><label>The code that the computer's terminal shows:
<input name="code" autofocus autocomplete="off" autocapitalize="characters"></label> <button>Begin</button></form>
<p>Sound plays on the computer, not on this device.</p></body></html>"""


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only."""
    name = host.strip("[]").lower()
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def new_code() -> str:
    """A code to type on another device."""
    return "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))


class Doorkeeper:
    """Who may come in beyond loopback."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        self._tokens: set[str] = set()
        self._wrong = 0
        self.code = ""
        self.change()

    def change(self) -> None:
        """Another code, shown in the terminal."""
        self.code, self._wrong = new_code(), 0
        self._tell(f"code for the next device: {self.code}")

    def enter(self, code: str) -> str | None:
        """A token for a browser that knows the code, and a new code; None for a wrong one."""
        given = "".join(code.split()).upper()
        if not hmac.compare_digest(given.encode(), self.code.encode()):
            self._wrong += 1
            if self._wrong >= TRIES:
                self._tell(f"{TRIES} wrong codes; the code is changed")
                self.change()
            return None
        token = secrets.token_urlsafe(32)
        self._tokens.add(token)
        self.change()
        return token

    def knows(self, token: str) -> bool:
        """Whether a browser has been let in."""
        return any(hmac.compare_digest(token, known) for known in self._tokens)


class CoachServer(Server):
    """The app for one browser at a time, on loopback or behind a code."""

    def __init__(self, command: str, host: str, port: int, tell: Callable[[str], None]) -> None:
        super().__init__(
            command, host=host, port=port, title="Wellrung", templates_path=str(Path(__file__).parent)
        )
        self._tell = tell
        self._door = None if is_loopback(host) else Doorkeeper(tell)

    @property
    def code(self) -> str:
        """The code in force; empty on loopback."""
        return self._door.code if self._door else ""

    def initialize_logging(self) -> None:
        """Nothing of each request is written to the terminal: it shows the code."""

    async def on_startup(self, app: web.Application) -> None:
        shown = f"[{self.host}]" if ":" in self.host else self.host
        self._tell(f"open http://{shown}:{self.port} in a browser; Ctrl+C ends")
        self._tell("sound plays on this computer, not on the device that shows the screen")

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.router.add_post("/enter", self._enter)
        app.middlewares.append(self._guard())
        return app

    def _guard(self) -> Any:
        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            host = (
                request.host.rpartition(":")[0] if request.host.rpartition(":")[2].isdigit() else request.host
            )
            if self._door is None and not is_loopback(host):
                raise web.HTTPForbidden(text="this server answers to loopback names only")
            origin = request.headers.get("Origin", "")
            if origin and origin != f"{request.scheme}://{request.host}":
                raise web.HTTPForbidden(text="another site may not use this server")
            if request.path == "/ws" and not origin:
                raise web.HTTPForbidden(text="a browser says where a request comes from; this one does not")
            if self._door is None or request.path == "/enter":
                return await handler(request)
            if not self._door.knows(request.cookies.get(COOKIE, "")):
                if request.path == "/":
                    return self._ask("The screen of a practice session on this computer.")
                raise web.HTTPForbidden(text="the code comes first")
            return await handler(request)

        return guard

    def _ask(self, notice: str, status: int = 200) -> web.Response:
        return web.Response(text=_ASK.format(notice=notice), content_type="text/html", status=status)

    async def _enter(self, request: web.Request) -> web.StreamResponse:
        if self._door is None:
            raise web.HTTPFound("/")
        form = await request.post()
        token = self._door.enter(str(form.get("code", "")))
        if token is None:
            return self._ask("That was not the code; it may have changed.", status=403)
        response = web.HTTPFound("/")
        response.set_cookie(COOKIE, token, httponly=True, samesite="Strict")
        return response

    @aiohttp_jinja2.template("app_index.html")
    async def handle_index(self, request: web.Request) -> dict[str, Any]:
        """The page, with addresses as the browser that asks sees them."""
        low, high = FONT_SIZES
        size = min(max(to_int(request.query.get("fontsize", "16"), 16), low), high)
        return {
            "font_size": size,
            "app_websocket_url": f"ws://{request.host}/ws",
            "config": {"static": {"url": "/static/"}},
            "application": {"name": self.title},
        }
