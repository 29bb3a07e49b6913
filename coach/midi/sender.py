"""The process that owns a port: it sends each message at its moment, and stamps what comes in, whatever screens do.

`coach.midi.port_process.PortProcess` starts it, hands it what is due soon as lines of JSON, and reads from it how the
port is and what came in. When the lines end, as they do when the program is killed, nothing sounds on and no receiver
goes on.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence

from coach.midi.ports import Direction, Link
from coach.sound.player import now_s

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
_TOO_LATE_S = 0.25
_LAST_ON_ITS_WAY_S = 0.1
"""Between the last message and the end of its port, which with JACK takes along what nobody has read yet."""


class Sender:
    """A thread that sends each message when it is due; joined by `close`.

    `send` takes the bytes and says whether they went out; it may fail without harm.
    """

    def __init__(self, send: Callable[[Sequence[int]], object], clock: Callable[[], float] = now_s) -> None:
        self.sent = 0
        """Messages that went out."""
        self._try = send
        self._clock = clock
        self._change = threading.Condition()
        self._waiting: deque[tuple[float, Sequence[int]]] = deque()
        self._origin_s = 0.0
        self._sounding: Sequence[int] | None = None
        self._started = False
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="midi sender", daemon=True)
        self._thread.start()

    def expect(self, origin_s: float, messages: Iterable[tuple[float, Sequence[int]]]) -> None:
        """Send these too, each so many seconds after the origin, a moment of the clock; it holds for all that waits."""
        with self._change:
            self._origin_s = origin_s
            self._waiting.extend(messages)
            self._change.notify()

    def withdraw(self) -> None:
        """Send nothing of what waits, and end a click that sounds."""
        with self._change:
            self._waiting.clear()
            if self._sounding is not None:
                status, key, _ = self._sounding
                self._send((status & 0x0F | 0x80, key, 0))
                self._sounding = None

    def stop(self) -> None:
        """Send nothing more, and stop a receiver that was started."""
        with self._change:
            self.withdraw()
            if self._started:
                self._send((STOP,))
                self._started = False

    def close(self) -> None:
        with self._change:
            self.stop()
            self._ending = True
            self._change.notify()
        self._thread.join(2)

    def _send(self, message: Sequence[int]) -> None:
        self.sent += bool(self._try(message))

    def _run(self) -> None:
        with self._change:
            while not self._ending:
                self._send_due()
                self._change.wait(self._until_next())

    def _until_next(self) -> float | None:
        """Seconds until the next message is due; None where nothing waits."""
        return self._origin_s + self._waiting[0][0] - self._clock() if self._waiting else None

    def _send_due(self) -> None:
        while (wait_s := self._until_next()) is not None and wait_s <= 0:
            _, message = self._waiting.popleft()
            status = message[0]
            if status in (START, CONTINUE, STOP):
                self._started = status != STOP
            # What a stalled machine missed is not made up for in a burst, but nothing may hang or stay stopped.
            if status >= CLOCK or status & 0xF0 == 0x80 or wait_s > -_TOO_LATE_S:
                self._send(message)
            if status & 0xE0 == 0x80:
                self._sounding = message if status & 0x10 else None


def main(direction: Direction, name: str) -> None:
    """Own the port of this name and carry out a line of standard input each, until they end."""
    # Where the system allows it (Linux, real-time rights), other programs wait for this one, which computes little.
    with contextlib.suppress(AttributeError, OSError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    one_line = threading.Lock()

    def tell(*words: object) -> None:
        with contextlib.suppress(OSError), one_line:
            sys.stdout.write(json.dumps(words) + "\n")
            sys.stdout.flush()

    link = Link(
        direction,
        name,
        (lambda message, at_s: tell("heard", message, at_s)) if direction == "in" else None,
        changed=lambda: tell("port", link.port.name if link.port else "", link.status),
    )
    sender = Sender(link.send)
    link.open()
    try:
        for line in sys.stdin:
            word, *given = json.loads(line)
            getattr(sender, word)(*given)
    finally:
        sender.close()
        tell("sent", sender.sent)
        if direction == "out":
            time.sleep(_LAST_ON_ITS_WAY_S)
        link.close()
