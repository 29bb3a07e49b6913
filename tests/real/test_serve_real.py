"""`coach serve` for real: the app in a headless Chromium, driven by keys and touch, and who is kept out."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.real.conftest import chromium, end
from tests.real.test_terminal_real import DRILL, coach, reps_in
from tests.waiting import LONGEST_S, until, wait_for

aiohttp = pytest.importorskip("aiohttp", reason="needs textual-serve: pip install -e '.[serve]'")

pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(sys.platform == "win32", reason="needs a Unix shell"),
]

SLOW = DRILL.replace("{start: 200, goal: 240}", "{start: 80, goal: 90}")
"""Three seconds of count-in and three of music: long enough to touch the screen meanwhile on a busy machine."""


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


SLOWER_BPM = 76
"""A twentieth below the start."""


class Served:
    """A running server and what its terminal shows."""

    def __init__(self, folder: Path, host: str, silent: bool = True) -> None:
        (folder / "drills").mkdir(exist_ok=True)
        (folder / "drills" / "quick.yaml").write_text(SLOW)
        (folder / "settings.yaml").write_text("screen: {tour_seen: true}\n")
        self._shown = folder / "serve.txt"
        command = [coach(), "serve", "quick", "--folder", str(folder), "--host", host]
        command += ["--silent"] if silent else []
        self._start(command)
        while "can't listen" in self.shown:
            self._start(command)

    def _start(self, command: list[str]) -> None:
        """Try to serve on a free port, which another program may have taken first."""
        self.port = free_port()
        with self._shown.open("w") as out:
            self.process = subprocess.Popen(
                [*command, "--port", str(self.port)], stdout=out, stderr=subprocess.STDOUT
            )

        def told() -> bool:
            return "open http" in self.shown or self.process.poll() is not None

        wait_for(told, "the server to start")
        assert self.process.poll() is None or "can't listen" in self.shown, self.shown

    @property
    def shown(self) -> str:
        return self._shown.read_text()

    @property
    def code(self) -> str:
        return re.search(r"code(?:=|: )(\w+)", self.shown)[1]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(LONGEST_S)


@pytest.fixture
def served(tmp_path) -> Iterator[Served]:
    server = Served(tmp_path, "127.0.0.1")
    yield server
    server.close()


@pytest.fixture
def served_beyond(tmp_path) -> Iterator[Served]:
    server = Served(tmp_path, "0.0.0.0")
    yield server
    server.close()


LOADED_ANEW = ("context", "navigated")
"""Words of DevTools' errors for a question that came while the page was loaded anew (seen in Chromium's answers)."""


class Page:
    """One page of a headless Chromium, by way of its DevTools protocol."""

    def __init__(self, link) -> None:
        self._link = link
        self._number = 0

    async def ask(self, method: str, **parameters):
        self._number += 1
        await self._link.send_json({"id": self._number, "method": method, "params": parameters})
        while True:
            answer = await self._link.receive_json(timeout=LONGEST_S)
            if answer.get("id") == self._number:
                message = answer.get("error", {}).get("message", "")
                if any(words in message for words in LOADED_ANEW):
                    return {"result": {}}
                assert not message, answer
                return answer["result"]

    async def value(self, expression: str):
        result = await self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        return result["result"].get("value")

    async def wait(self, expression: str) -> None:
        await until(partial(self.value, expression), expression)

    async def press(self, text: str) -> None:
        code = {" ": "Space", "\r": "Enter"}.get(text, f"Key{text.upper()}")
        number = 13 if text == "\r" else ord(text.upper())
        for kind in ("keyDown", "keyUp"):
            await self.ask(
                "Input.dispatchKeyEvent",
                type=kind,
                key="Enter" if text == "\r" else text,
                code=code,
                windowsVirtualKeyCode=number,
                **({"text": text} if kind == "keyDown" else {}),
            )

    async def click_key_line(self) -> None:
        """Click the first hint of the last row."""
        height = await self.value("document.querySelector('.xterm-screen').getBoundingClientRect().bottom")
        for kind in ("mousePressed", "mouseReleased"):
            await self.ask(
                "Input.dispatchMouseEvent", type=kind, x=30, y=height - 8, button="left", clickCount=1
            )

    async def picture(self, path: Path) -> bytes:
        shot = await self.ask("Page.captureScreenshot", format="png")
        data = base64.b64decode(shot["data"])
        path.write_bytes(data)
        return data


@contextlib.asynccontextmanager
async def browser(folder: Path) -> AsyncIterator[Page]:
    """A page in a Chromium of its own."""
    process = subprocess.Popen(
        [
            chromium(),
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--window-size=1024,600",
            "--remote-debugging-port=0",
            f"--user-data-dir={folder / 'chromium'}",
            "about:blank",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        async with aiohttp.ClientSession() as session:
            targets = []

            async def found() -> list[dict[str, str]]:
                with contextlib.suppress(aiohttp.ClientError, OSError, IndexError):
                    port = (folder / "chromium" / "DevToolsActivePort").read_text().split()[0]
                    async with session.get(f"http://127.0.0.1:{port}/json") as answer:
                        targets[:] = [each for each in await answer.json() if each["type"] == "page"]
                return targets

            await until(found, "Chromium")
            async with session.ws_connect(targets[0]["webSocketDebuggerUrl"], max_msg_size=0) as link:
                yield Page(link)
    finally:
        end(process)


async def wait_for_reps(folder: Path, count: int) -> None:
    async def logged() -> bool:
        return len(reps_in(folder)) >= count

    await until(logged, "a repetition in the log")


FIRST_KEY = "document.querySelector('#keys button')?.textContent"


async def test_a_repetition_is_played_and_saved_from_a_browser(served, tmp_path):
    async with browser(tmp_path) as page:
        await page.ask("Page.navigate", url=f"{served.url}/?code={served.code}")
        # A screen for a mouse has no keys for fingers, but the page is told of them all the same.
        await page.wait(f"{FIRST_KEY} === 'go'")
        await page.wait("document.activeElement.classList.contains('xterm-helper-textarea')")
        first = await page.picture(tmp_path / "plan.png")
        await page.press(" ")
        await page.wait(f"{FIRST_KEY} === 'go on'")
        await page.click_key_line()  # past the tuning
        await page.wait(f"{FIRST_KEY} === 'go'")
        await page.press(" ")
        await page.wait(f"{FIRST_KEY} === 'clean'")
        rated = await page.picture(tmp_path / "rating.png")
        assert rated != first
        await page.press(" ")
        await wait_for_reps(tmp_path, 1)
        outside = await page.value(
            "performance.getEntriesByType('resource').map(e => e.name).filter(n => !n.startsWith(location.origin))"
        )
        assert outside == []
        async with visitor(served, served.code) as session:
            second = await session.ws_connect(f"{served.url}/ws", headers={"Origin": served.url})
            await page.wait("document.body.dataset.note === 'elsewhere'")
            assert "in another window now" in await page.value("document.body.innerText")
            await page.value("document.querySelector('.elsewhere a').click()")
            await page.wait(f"{FIRST_KEY} && document.body.dataset.note === ''")
            await wait_until_closed(second)
        served.process.terminate()
        await page.wait("['over', 'lost'].includes(document.body.dataset.note)")
    assert "silent mode: nothing sounds" in served.shown


@contextlib.asynccontextmanager
async def visitor(served: Served, code: str = "") -> AsyncIterator[aiohttp.ClientSession]:
    """A browser's requests, let in where it knows the code."""
    async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as session:
        if code:
            async with session.post(f"{served.url}/enter", data={"code": code}) as answer:
                assert answer.status == 200
        yield session


async def status_of(session, url: str, **options) -> int:
    async with session.request(options.pop("method", "GET"), url, **options) as answer:
        return answer.status


async def as_tablet(page: Page, size: tuple[int, int]) -> None:
    """Let the browser have this screen, touched with fingers and with no mouse."""
    wide = size[0] > size[1]
    await page.ask(
        "Emulation.setDeviceMetricsOverride",
        width=size[0],
        height=size[1],
        deviceScaleFactor=1,
        mobile=True,
        screenOrientation={"type": f"{'landscape' if wide else 'portrait'}Primary", "angle": 90 * wide},
    )
    await page.ask("Emulation.setTouchEmulationEnabled", enabled=True)
    await page.ask("Emulation.setEmitTouchEventsForMouse", enabled=False)


async def touch(page: Page, x: float, y: float) -> None:
    await page.ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
    await page.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])


KEYS = """JSON.stringify([...document.querySelectorAll("#keys button")].map(one => {
  const box = one.getBoundingClientRect();
  return {label: one.textContent, left: box.left, top: box.top, width: box.width, height: box.height};
}))"""


async def finger_keys(page: Page) -> dict[str, dict[str, float]]:
    return {key["label"]: key for key in json.loads(await page.value(KEYS))}


async def tap(page: Page, label: str, *, other_keys: bool = True) -> None:
    """Touch the middle of a key, brought into sight as a finger would scroll to it; wait until it is there to stay.

    With `other_keys` wait until the touch has changed what can be done.
    """
    find = (
        f"[...document.querySelectorAll('#keys button')].find(one => one.textContent.startsWith({label!r}))"
    )
    middle = (
        f"(() => {{ const one = {find}; if (!one) return ''; one.scrollIntoView();"
        " const box = one.getBoundingClientRect();"
        f" return JSON.stringify([box.left + box.width / 2, box.top + box.height / 2, {KEYS}]); }})()"
    )
    seen = [""]

    async def steady() -> bool:
        await asyncio.sleep(0.1)
        seen.append(await page.value(middle))
        return bool(seen[-1]) and seen[-1] == seen[-2]

    await until(steady, f"the key {label!r}")
    x, y, keys = json.loads(seen[-1])
    await touch(page, x, y)
    if other_keys:
        await page.wait(f"{KEYS} !== {json.dumps(keys)}")


async def can_be_touched(page: Page, label: str) -> None:
    """What a finger would hit in the middle of a key is the key."""
    box = (await finger_keys(page))[label]
    middle = f"{box['left'] + box['width'] / 2}, {box['top'] + box['height'] / 2}"
    assert await page.value(f"document.elementFromPoint({middle})?.textContent") == label


SMALLEST_PX = 44
"""The smallest target for a finger: WCAG 2.2, success criterion 2.5.5 (enhanced), 44 CSS pixels each way."""


async def all_keys_fit_fingers(page: Page, size: tuple[int, int]) -> None:
    await page.value("document.getElementById('rest').scrollTop = 0")
    boxes = list((await finger_keys(page)).values())
    assert boxes
    assert boxes[0]["top"] + boxes[0]["height"] <= size[1], "the first key is in sight"
    for number, one in enumerate(boxes):
        assert one["width"] >= SMALLEST_PX
        assert one["height"] >= SMALLEST_PX
        assert one["left"] >= 0
        assert one["left"] + one["width"] <= size[0]
        for other in boxes[number + 1 :]:
            beside = max(
                other["left"] - one["left"] - one["width"], one["left"] - other["left"] - other["width"]
            )
            below = max(
                other["top"] - one["top"] - one["height"], one["top"] - other["top"] - other["height"]
            )
            assert max(beside, below) >= 8, (one, other)


@pytest.mark.parametrize(
    "size", [(1024, 768), (768, 1024), (390, 844)], ids=["landscape", "portrait", "phone"]
)
async def test_a_session_by_touch_alone(served, tmp_path, size):
    """Begin, play, mark, save, play again with stray touches, pause, turn the tablet, undo, end: by fingers."""
    async with browser(tmp_path) as page:
        await as_tablet(page, size)
        await page.ask("Page.navigate", url=f"{served.url}/?code={served.code}")
        await tap(page, "go")
        await all_keys_fit_fingers(page, size)
        await page.picture(tmp_path / "start.png")
        await tap(page, "tune")
        await all_keys_fit_fingers(page, size)
        flat = await page.picture(tmp_path / "tuning.png")
        await tap(page, "sharper", other_keys=False)

        async def detuned() -> bool:
            return await page.picture(tmp_path / "tuning.png") != flat

        await until(detuned, "the beats of a sharper string")
        await tap(page, "back")
        await tap(page, "go on")
        await tap(page, "slower", other_keys=False)
        await tap(page, "go")
        await page.wait("document.querySelector('#keys').textContent.includes('break off')")
        for x, y in ((30, 200), (size[0] / 2, 300), (size[0] - 20, size[1] * 0.55)):
            await touch(page, x, y)
        await all_keys_fit_fingers(page, size)
        await page.picture(tmp_path / "playing.png")
        assert "break off" in await finger_keys(page), "what was touched while it played did nothing"
        await tap(page, "2  G<5>")
        await page.picture(tmp_path / "rating.png")
        await all_keys_fit_fingers(page, size)
        await tap(page, "pluck", other_keys=False)
        await can_be_touched(page, "save")
        await page.picture(tmp_path / "cause.png")
        await tap(page, "save")
        await wait_for_reps(tmp_path, 1)
        assert '"2c:pluck"' in reps_in(tmp_path)[0], "what was touched while it played marked nothing"
        assert f'"tempo_bpm": {SLOWER_BPM},' in reps_in(tmp_path)[0]
        await tap(page, "pause")
        await as_tablet(page, size[::-1])
        await page.wait(f"{FIRST_KEY} && innerWidth === {size[1]}")
        await all_keys_fit_fingers(page, size[::-1])
        await page.ask("Page.reload")
        await tap(page, "end the pause")
        await tap(page, "undo")
        await tap(page, "2  G<5>")
        await tap(page, "clean")
        await tap(page, "stop")
        await all_keys_fit_fingers(page, size[::-1])
        await tap(page, "go on practising")
        await tap(page, "stop")
        await tap(page, "end it here")
        await page.wait("document.querySelector('#keys').textContent.includes('back')")
        assert await page.value("document.activeElement.tagName") == "BODY"


async def test_other_sites_and_foreign_names_are_kept_out_on_loopback(served):
    async with visitor(served, served.code) as session:
        async with session.get(served.url) as answer:
            assert answer.status == 200
            assert "https://" not in await answer.text()
        assert await status_of(session, served.url, headers={"Host": "attacker.example"}) == 403
        assert await status_of(session, f"{served.url}/static/js/") == 403, "no list of a folder"
        for headers in ({"Origin": "http://attacker.example"}, {}):
            with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
                await session.ws_connect(f"{served.url}/ws", headers=headers)


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
async def test_nobody_comes_in_without_the_code(tmp_path, host):
    served = Served(tmp_path, host, silent=False)
    try:
        async with visitor(served) as session:
            async with session.get(served.url) as answer:
                text = await answer.text()
                assert "The code that you see in the terminal" in text
                assert "Sound plays on the computer" in text
                assert "sound plays on the computer" in served.shown
                assert served.code not in text
            with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
                await session.ws_connect(f"{served.url}/ws", headers={"Origin": served.url})
            for path in ("/static/js/textual.js", "/state"):
                assert await status_of(session, served.url + path) == 403
            wrong = {"url": f"{served.url}/enter", "method": "POST", "data": {"code": "WRONG234"}}
            assert [await status_of(session, **wrong) for _ in range(4)] == [403, 403, 429, 429]
            async with session.get(f"{served.url}/?code={served.code}") as answer:
                assert "then try again" in await answer.text(), "the address waits, the right code too"
            await asyncio.sleep(1.1)
            async with session.post(
                f"{served.url}/enter", data={"code": f" {served.code.lower()} "}
            ) as answer:
                assert "textual-terminal" in await answer.text(), "the code is the one of before"
    finally:
        served.close()


async def wait_for_text(window, word: str) -> None:
    """Take what a window is sent until a word is in it, in whatever case."""
    sent = b""
    while word not in sent.decode("utf-8", "replace").lower():
        message = await window.receive(timeout=LONGEST_S)
        if message.type is aiohttp.WSMsgType.BINARY:
            sent += message.data
        else:
            assert message.type is aiohttp.WSMsgType.TEXT, f"closed before {word!r} came"


async def wait_until_closed(window) -> None:
    while (await window.receive(timeout=LONGEST_S)).type in (
        aiohttp.WSMsgType.BINARY,
        aiohttp.WSMsgType.TEXT,
    ):
        pass


async def test_a_session_outlives_its_window_and_goes_on_in_the_next_one(served):
    """A tablet that sleeps, turns or is reloaded loses its socket; nothing of the session is lost with it."""
    headers, size = {"Origin": served.url}, "width=100&height=30"
    async with visitor(served, served.code) as session:
        first = await session.ws_connect(f"{served.url}/ws?{size}", headers=headers)
        await wait_for_text(first, "quick")
        await first.send_str('["stdin", " "]')
        await wait_for_text(first, "tune")
        await first.close()

        async def state() -> str:
            async with session.get(f"{served.url}/state?page=none") as answer:
                return (await answer.json())["session"]

        async def waits() -> bool:
            return await state() == "waiting"

        await until(waits, "the loss of the window")
        second = await session.ws_connect(f"{served.url}/ws?{size}", headers=headers)
        await wait_for_text(second, "tune")  # the same place, drawn whole
        third = await session.ws_connect(f"{served.url}/ws?{size}", headers=headers)
        await wait_for_text(third, "tune")
        await wait_until_closed(second)  # the window before is told
        assert await state() == "shown"


@pytest.mark.alone
async def test_ctrl_c_ends_the_server_and_its_session_within_two_seconds(served):
    async with visitor(served, served.code) as session:
        window = await session.ws_connect(f"{served.url}/ws", headers={"Origin": served.url})
        await wait_for_text(window, "quick")
        began = time.monotonic()
        served.process.send_signal(signal.SIGINT)
        await asyncio.to_thread(served.process.wait, 10)
        assert time.monotonic() - began < 2
        assert "Traceback" not in served.shown


HEAD = b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\n"
BROKEN = {
    "half": b"Content-Length: 99\r\n\r\ncode=",
    "parts without a boundary": b"Content-Type: multipart/form-data\r\nContent-Length: 5\r\n\r\nabcde",
    "a character set that is none": b"Content-Type: text/plain; charset=foo\r\nContent-Length: 6\r\n\r\ncode=A",
    "bytes that are no text": b"Content-Length: 7\r\n\r\ncode=\xff\xfe",
    "not compressed": b"Content-Encoding: gzip\r\nContent-Length: 7\r\n\r\ncode=\xff\xfe",
    "no length of a chunk": b"Transfer-Encoding: chunked\r\n\r\nZZ\r\ncode\r\n",
}


def test_a_request_that_comes_broken_shows_nothing_in_the_terminal(served):
    before = served.shown
    for name, rest in BROKEN.items():
        with socket.create_connection(("127.0.0.1", served.port)) as connection:
            connection.sendall(HEAD + rest)
            connection.settimeout(LONGEST_S)
            assert name == "half" or connection.recv(100).startswith(b"HTTP/1."), name
    with socket.create_connection(("127.0.0.1", served.port)) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert connection.recv(100).startswith(b"HTTP/1.1 200")
    assert served.shown == before


def is_closed(connection: socket.socket) -> bool:
    connection.setblocking(False)
    try:
        while connection.recv(1 << 16):
            pass
    except BlockingIOError:
        return False
    except ConnectionError:
        pass
    return True


async def test_connections_that_stay_without_the_code_are_closed_and_keep_nobody_out(served):
    idle = [socket.create_connection(("127.0.0.1", served.port)) for _ in range(200)]
    head = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"
    form = b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 99\r\n\r\ncode="
    body = b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\n" + form
    for number, one in enumerate(idle):
        one.sendall((b"", head, head + b"\r\n", body)[number % 4])
    try:
        await until(lambda: sum(map(is_closed, idle)) >= 200 - 32, "all but a few to be closed")
        async with visitor(served, served.code) as session:
            assert await status_of(session, served.url) == 200
    finally:
        for one in idle:
            one.close()
    assert "Traceback" not in served.shown


def test_a_port_in_use_is_told_in_one_line(served, tmp_path):
    done = subprocess.run(
        [coach(), "serve", "--folder", str(tmp_path), "--port", str(served.port)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 1
    assert f"can't listen on port {served.port}" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_port_that_is_none_is_refused(tmp_path):
    done = subprocess.run([coach(), "serve", "--port", "80"], capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "80 is outside 1024 to 65535" in done.stderr
