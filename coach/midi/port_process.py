"""A port that lives in a process of its own, `coach.midi.sender`, which no busy screen holds up.

What crashes there takes no session with it, as JACK's library can while a port is closed: one of its threads walks
through the client's ports while another takes one out (github.com/jackaudio/jack2/issues/216). The process is started
again should it end. It is told what to do, and tells how its port is and what came in, in lines of JSON.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from collections.abc import Callable

from coach.ground.problem import CoachError
from coach.midi.ports import RETRY_S, Direction, Received

LONGEST_OPENING_S = 10
_OWNER = (sys.executable, "-P", "-c", "import sys; from coach.midi.sender import main; main(*sys.argv[1:])")


class PortProcess:
    """One port. `received` is called with what comes in, in a thread of its own; `status` is one clear line."""

    def __init__(self, direction: Direction, name: str, received: Received = lambda *_: None) -> None:
        self.is_open = threading.Event()
        self.full_name = ""
        """As the system names the port; empty where it is not open."""
        self.sent = 0
        """How many messages went out by it, once it is closed."""
        self.status = self._looking = f"MIDI {direction}: looking for {name!r}"
        self._words = (direction, name)
        self._received = received
        self._looked = threading.Event()
        self._ending = threading.Event()
        self._process: subprocess.Popen[str] | None = None
        self._listener = threading.Thread(target=self._listen, name=f"midi {direction}", daemon=True)

    def open(self) -> None:
        """Look for the port; returns at once."""
        self._process = _start(*self._words)
        self._listener.start()

    def must_open(self) -> None:
        """Look for the port, and wait for it; CoachError where it is not there or refuses."""
        self.open()
        self._looked.wait(LONGEST_OPENING_S)
        if not self.is_open.is_set():
            raise CoachError(self.status)

    def close(self) -> None:
        """End the process, which stops what it has started."""
        self._ending.set()
        if self._process is not None:
            _end(self._process)
            self._listener.join(2)

    def order(self, *words: object) -> None:
        """Tell the process, if it is there, to call what `coach.midi.sender.Sender` has under the first word."""
        if self._process is not None and self._process.stdin is not None:
            # A process that has ended is started again by the thread that listens to it.
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(json.dumps(words) + "\n")
                self._process.stdin.flush()

    def _listen(self) -> None:
        take: dict[str, Callable[..., None]] = {
            "port": self._take_port,
            "heard": self._received,
            "sent": self._take_sent,
        }
        while self._process is not None:
            with self._process as process:
                for line in process.stdout or ():
                    word, *given = json.loads(line)
                    take[word](*given)
            self._take_port("", self._looking)
            if self._ending.wait(RETRY_S):
                return
            self._process = _start(*self._words)

    def _take_port(self, full_name: str, status: str) -> None:
        self.full_name, self.status = full_name, status
        (self.is_open.set if full_name else self.is_open.clear)()
        self._looked.set()

    def _take_sent(self, count: int) -> None:
        self.sent += count


def _start(direction: Direction, name: str) -> subprocess.Popen[str]:
    """In a session of its own, so that a closed terminal or Ctrl+C reaches it only as the end of its orders."""
    pipe, nothing = subprocess.PIPE, subprocess.DEVNULL
    return subprocess.Popen(
        [*_OWNER, direction, name], stdin=pipe, stdout=pipe, stderr=nothing, text=True, start_new_session=True
    )


def _end(process: subprocess.Popen[str]) -> None:
    with contextlib.suppress(OSError):
        if process.stdin is not None:
            process.stdin.close()
    try:
        process.wait(2)
    except subprocess.TimeoutExpired:
        process.kill()
