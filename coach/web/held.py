"""One session of the app, held for whoever shows it: it outlives its window and goes on in the next."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Coroutine
from contextlib import suppress
from typing import Any

from aiohttp import web
from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

KEPT_S = 600.0
"""So long a session waits for another window."""
END_WITHIN_S = 1.0
_MODES = "\x1b[?1049h\x1b[?1000h\x1b[?1003h\x1b[?1015h\x1b[?1006h\x1b[?25l\x1b[?2004h"
"""What the app asked of its first terminal: the other screen, the mouse, no cursor, pasting (xterm, ctlseqs)."""


class HeldSession:
    """The app's process, if one runs, and the window that shows it, if one does. `command` is a shell's."""

    def __init__(self, command: str, kept_s: float = KEPT_S) -> None:
        self._command = command
        self._kept_s = kept_s
        self._app: _App | None = None
        self._starting = asyncio.Lock()
        self._window: web.WebSocketResponse | None = None
        self._page = ""
        self._end: asyncio.TimerHandle | None = None
        self._tasks: set[asyncio.Task[object]] = set()

    def state(self, page: str) -> str:
        """For a page: `none`: no session runs; `waiting` for a window; `shown` in another page's.

        A page whose socket is lost knows it before this end does, and gets its session back.
        """
        if self._app is None:
            return "none"
        return "waiting" if self._window is None or page == self._page else "shown"

    async def show(self, window: web.WebSocketResponse, width: int, height: int, page: str) -> None:
        """Let a page's window show the session, until it is closed or another one takes over; sizes in cells."""
        before, self._window, self._page = self._window, window, page
        if before is not None:
            # Its browser may be gone, and would keep the new window waiting for its answer.
            self._go_on(before.close())
        self._keep()
        async with self._starting:
            if self._app is None:
                self._app = await self._started(width, height)
            else:
                await self._write(_MODES.encode())
                await self._write_text(self._app.touch)
                # The new window is empty: a change of size has the app draw everything.
                await self._app.set_terminal_size(width, height - 1)
                await self._app.set_terminal_size(width, height)
        await self._hear(window)
        if self._window is window:
            self._window = None
            if self._app is not None:
                loop = asyncio.get_running_loop()
                self._end = loop.call_later(self._kept_s, lambda: self._go_on(self.stop()))

    async def stop(self) -> None:
        """End the session, by force where it does not end by itself."""
        app, self._app = self._app, None
        self._keep()
        if app is not None:
            with suppress(asyncio.TimeoutError):
                await asyncio.wait_for(app.stop(), END_WITHIN_S)
            process = app._process
            if process is not None and process.returncode is None:
                process.kill()
        if self._window is not None:
            await self._window.close()

    async def _started(self, width: int, height: int) -> _App:
        app = _App(
            self._command,
            write_bytes=self._write,
            write_str=self._write_text,
            close=self._over,
            download_manager=DownloadManager(),
        )
        await app.start(width, height)
        return app

    async def _hear(self, window: web.WebSocketResponse) -> None:
        async for message in window:
            app = self._app
            if message.type != web.WSMsgType.TEXT or app is None or self._window is not window:
                continue
            match _envelope(message.data):
                case ["stdin", str(text)]:
                    await app.send_bytes(text.encode())
                case ["resize", {"width": int(width), "height": int(height)}]:
                    await app.set_terminal_size(width, height)
                case ["ping", value]:
                    await window.send_json(["pong", value])

    async def _write(self, data: bytes) -> None:
        if self._window is not None:
            with suppress(ConnectionError):
                await self._window.send_bytes(data)

    async def _write_text(self, text: str) -> None:
        if self._window is not None:
            with suppress(ConnectionError):
                await self._window.send_str(text)

    async def _over(self) -> None:
        """The app has ended by itself."""
        self._app = None
        if self._window is not None:
            await self._window.close()

    def _keep(self) -> None:
        if self._end is not None:
            self._end.cancel()
            self._end = None

    def _go_on(self, work: Coroutine[Any, Any, object]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)


class _App(AppService):
    """The app's process."""

    touch = json.dumps(["touch", {"cue": "", "keys": []}])
    """What it last said of the keys that a finger needs, as a message for the page."""

    async def on_meta(self, data: bytes) -> None:
        match _envelope(data):
            case {"type": "touch", "cue": str(cue), "keys": list(keys)}:
                self.touch = json.dumps(["touch", {"cue": cue, "keys": keys}])
                await self.remote_write_str(self.touch)
            case {"type": "exit"}:
                await self.remote_close()

    async def run(self) -> None:
        await super().run()
        # Also where the process died without a word.
        await self.remote_close()


def _envelope(text: str | bytes) -> object:
    try:
        return json.loads(text)
    except ValueError:
        return None
