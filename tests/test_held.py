"""A served session and its windows: one process however many open, kept for a while without any."""

import asyncio
import json

import pytest

pytest.importorskip("aiohttp", reason="needs textual-serve: pip install -e '.[serve]'")

from coach.web.held import HeldSession
from tests.waiting import until


class Window:
    """A browser's socket that says nothing until it is closed."""

    def __init__(self):
        self.over, self.sent = asyncio.Event(), []

    def __aiter__(self):
        return self

    async def __anext__(self):
        await self.over.wait()
        raise StopAsyncIteration

    async def close(self):
        self.over.set()

    async def send_bytes(self, data):
        self.sent.append(data)

    async def send_str(self, text):
        self.sent.append(text)


class App:
    """The app's process, as far as a session asks it for anything."""

    touch = json.dumps(["touch", {"cue": "", "keys": []}])
    _process = None

    def __init__(self):
        self.sizes, self.ended = [], False

    async def set_terminal_size(self, width, height):
        self.sizes.append((width, height))

    async def stop(self):
        self.ended = True


class Session(HeldSession):
    def __init__(self, kept_s):
        super().__init__("", kept_s)
        self.started = []

    async def _started(self, width, height):
        await asyncio.sleep(0.01)  # as a process takes a moment to start
        self.started.append(App())
        return self.started[-1]


async def test_windows_that_open_at_the_same_time_share_one_process_and_the_last_one_shows_it():
    session, windows = Session(kept_s=60), [Window() for _ in range(5)]
    shows = [
        asyncio.ensure_future(session.show(window, 100, 30, str(at))) for at, window in enumerate(windows)
    ]
    await until(lambda: session.started and session.started[0].sizes, "the app")
    assert len(session.started) == 1
    await until(lambda: [window.over.is_set() for window in windows] == [True] * 4 + [False], "the last one")
    assert session.started[0].sizes[-1] == (100, 30)
    assert session.state("3") == "shown"
    assert session.state("4") == "waiting", "the page itself has lost its socket, or it would not ask"
    await windows[-1].close()
    await asyncio.gather(*shows)
    assert session.state("3") == "waiting"
    await session.stop()


@pytest.fixture
async def skip(monkeypatch):
    """Lets the loop's clock jump by so many seconds."""
    loop, skipped_s = asyncio.get_running_loop(), 0.0
    time_s = loop.time
    monkeypatch.setattr(loop, "time", lambda: time_s() + skipped_s)

    async def skip(seconds):
        nonlocal skipped_s
        skipped_s += seconds
        await asyncio.sleep(0.01)

    return skip


async def test_a_session_without_a_window_is_kept_and_then_ended_and_a_window_meanwhile_keeps_it(skip):
    session, first, second = Session(kept_s=600), Window(), Window()
    await first.close()
    await session.show(first, 80, 24, "1")
    await skip(500)
    assert session.state("1") == "waiting"
    showing = asyncio.ensure_future(session.show(second, 60, 40, "2"))
    await until(lambda: session.started[0].sizes, "the second window")
    await skip(1000)
    assert session.state("1") == "shown"
    assert not session.started[0].ended
    await second.close()
    await showing
    await skip(500)
    assert session.state("1") == "waiting"
    await skip(200)
    await until(lambda: session.started[0].ended, "the end")
    assert session.state("1") == "none"
