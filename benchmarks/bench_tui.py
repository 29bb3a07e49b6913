"""The screen at a real terminal's end of the line (a pseudo-terminal of 120x40), beside a bare Textual app in another.

- start: from the command to the first frame that shows today's plan and can be used; the bare app shows one word. All
  find their bytecode written, as an installed program does.
- key to repaint: from the byte of a key to the byte that shows what it did. Ours changes its whole view and back while
  the click plays; the bare app changes one word.
- memory: the most that was ever resident, a second after the first frame and in a session.
- idle: the part of one core that a session takes while it waits for a key, and while it plays.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path

from benchmarks.measure import (
    Goal,
    Measure,
    Options,
    Row,
    beside,
    in_turns,
    keeping_bytecode,
    percentile,
    wall_ms,
)
from benchmarks.practised import fill
from coach.commands.common import clock
from coach.ground.places import find_places
from coach.session.desk import Desk

COACH = (sys.executable, "-c", "from coach.cli import main; raise SystemExit(main())")
COLUMNS, ROWS = 120, 40
BARE_APP = """
from textual.app import App
from textual.widgets import Static
class Bare(App):
    def compose(self):
        yield Static("Todaybare")
    def on_key(self):
        self.other = not getattr(self, "other", False)
        self.query_one(Static).update("Otherword" if self.other else "Todaybare")
Bare().run()
"""
BARE = (sys.executable, "-c", BARE_APP)
LONGEST_S = 60.0
TWO_WEEKS = (14, 60)
A_YEAR = (365, 49)
"""Days of practice and repetitions a day; the year gives about 100,000 results."""


class Terminal:
    """A program on a pseudo-terminal; what it writes is read and kept."""

    def __init__(self, command: Sequence[str]) -> None:
        self.started = time.perf_counter()
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.environ.update(TERM="xterm-256color", COLORTERM="truecolor")
            os.execvp(command[0], list(command))
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.seen = b""

    def read(self, seconds: float) -> bytes:
        """What comes within so many seconds, or nothing."""
        ready, _, _ = select.select([self.fd], [], [], seconds)
        if not ready:
            return b""
        try:
            data = os.read(self.fd, 1 << 16)
        except OSError:
            return b""
        self.seen += data
        return data

    def wait_for(self, *words: bytes) -> float:
        """Seconds from now until one of the words has come; what came before does not count."""
        start = time.perf_counter()
        self.seen = b""
        while not any(word in self.seen for word in words):
            self.read(0.5)
            if time.perf_counter() - start > LONGEST_S:
                raise SystemExit(
                    f"waited {LONGEST_S:.0f} s for {words}; the end of what came: {self.seen[-600:]!r}"
                )
        return time.perf_counter() - start

    def settle(self, seconds: float) -> None:
        """Read and drop what comes for a while."""
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            self.read(0.02)

    def press(self, key: str) -> None:
        os.write(self.fd, key.encode())

    def most_mb(self) -> float:
        """The most memory that was ever resident."""
        lines = Path(f"/proc/{self.pid}/status").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024

    def cpu_s(self) -> float:
        """Processor time used so far, all threads."""
        tasks = Path(f"/proc/{self.pid}/task").glob("*/schedstat")
        return sum(int(task.read_text().split()[0]) for task in tasks) / 1e9

    def end(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self.fd)


def start_ms(command: Sequence[str], word: bytes, cpu: list[float]) -> float:
    """From the command to the first frame that holds a word; the processor time of it is added to `cpu`."""
    terminal = Terminal(command)
    terminal.wait_for(word)
    passed = time.perf_counter() - terminal.started
    cpu.append(terminal.cpu_s() * 1000)
    terminal.end()
    return passed * 1000


def practice_command(folder: str, *more: str) -> list[str]:
    (Path(folder) / "settings.yaml").write_text("screen: {tour_seen: true}\n")
    return [*COACH, "practice", "--folder", folder, *more]


def practise(folder: str, days: int, reps_a_day: int) -> None:
    """Fill the folder's log with days of practice up to yesterday."""
    with Desk.open(find_places(folder), clock=clock) as desk:
        fill(desk.log, desk.library.drills, desk.today - timedelta(days=days), days, reps_a_day, seed=7)


@contextlib.contextmanager
def folders() -> Iterator[tuple[str, str]]:
    """A new practice folder and one with two weeks of practice; programs started meanwhile keep their bytecode."""
    with (
        tempfile.TemporaryDirectory() as folder,
        tempfile.TemporaryDirectory() as practised,
        keeping_bytecode(),
    ):
        practise(practised, *TWO_WEEKS)
        yield folder, practised


def starting(options: Options) -> Iterator[Row]:
    rounds = 5 if options.quick else 21
    with folders() as (folder, practised), tempfile.TemporaryDirectory() as year:
        practise(year, *A_YEAR)

        cpu: dict[str, list[float]] = {"bare": [], "new": [], "practised": [], "year": [], "first": []}

        def ours(name: str, where: str) -> Measure:
            command = practice_command(where)
            return lambda: start_ms(command, b"minutes planned", cpu[name])

        def first() -> float:
            with tempfile.TemporaryDirectory() as fresh:
                return ours("first", fresh)()

        apps = in_turns(
            {
                "bare": lambda: start_ms(BARE, b"Todaybare", cpu["bare"]),
                "new": ours("new", folder),
                "practised": ours("practised", practised),
                "year": ours("year", year),
                "first": first,
            },
            rounds,
        )
        commands = in_turns(
            {
                "help": wall_ms(lambda: _run(*COACH, "--help")),
                "pass": wall_ms(lambda: _run(sys.executable, "-c", "pass")),
            },
            rounds,
        )
    for what, key in (
        ("before any practice", "new"),
        ("after two weeks of practice", "practised"),
        ("after a year of practice", "year"),
        ("the very first in a folder", "first"),
    ):
        yield beside(f"start, {what}", "ms", "a bare Textual app", apps[key], apps["bare"], Goal(1.5))
        yield beside(
            "its processor time", "ms", "a bare Textual app", cpu[key][-rounds:], cpu["bare"][-rounds:]
        )
    yield beside("`coach --help`", "ms", "`python -c pass`", commands["help"], commands["pass"], Goal(3))


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)


def in_session(folder: str, *more: str) -> Terminal:
    """A session on its first excerpt, waiting for the key that starts it."""
    terminal = Terminal(practice_command(folder, *more))
    terminal.wait_for(b"minutes planned")
    terminal.settle(1.0)
    terminal.press(" ")
    terminal.wait_for(b"Tune first")
    terminal.settle(0.5)
    terminal.press(" ")
    terminal.wait_for(b"goal ")
    terminal.settle(0.5)
    return terminal


def repainting(options: Options) -> Iterator[Row]:
    presses = 40 if options.quick else 200
    with folders() as (folder, _):
        terminal, bare = in_session(folder), Terminal(BARE)
        bare.wait_for(b"Todaybare")
        bare.settle(1.0)
        ours: list[float] = []
        theirs: list[float] = []

        def press(number: int, *words: bytes) -> None:
            terminal.press("v")
            ours.append(terminal.wait_for(*words) * 1000)
            terminal.settle(0.05 + 0.013 * (number % 5))
            bare.press("x")
            theirs.append(bare.wait_for(b"Otherword", b"Todaybare") * 1000)
            terminal.settle(0.02)

        while len(ours) < presses:
            terminal.press(" ")
            terminal.settle(0.5)
            for number in range(10):
                press(number, b"bar 1")
                press(number + 2, b"first", b"now", b"hold")
            terminal.press("p")
            terminal.settle(0.3)
            terminal.press(" ")
            terminal.settle(0.3)
        terminal.end()
        bare.end()
    yield beside("key to repaint, median", "ms", "a bare Textual app", ours, theirs, Goal(2))
    yield Row(
        "key to repaint, 95th percentile",
        "ms",
        percentile(ours, 95),
        "a bare Textual app",
        percentile(theirs, 95),
        goal=Goal(20, "ms"),
    )


def memory(options: Options) -> Iterator[Row]:
    rounds = 2 if options.quick else 5
    with folders() as (_, practised):

        def bare() -> float:
            return _most_mb(Terminal(BARE), b"Todaybare")

        def ours() -> float:
            return _most_mb(Terminal(practice_command(practised)), b"minutes planned")

        def session() -> float:
            terminal = in_session(practised)
            terminal.press(" ")
            return _most_mb(terminal)

        megabytes = in_turns({"bare": bare, "ours": ours, "session": session}, rounds, warm=False)
    for what, key in (
        ("memory, a second after the first frame", "ours"),
        ("memory, in a session that plays", "session"),
    ):
        yield beside(what, "MB", "a bare Textual app", megabytes[key], megabytes["bare"])


def _most_mb(terminal: Terminal, *words: bytes) -> float:
    if words:
        terminal.wait_for(*words)
    terminal.settle(1.5)
    most = terminal.most_mb()
    terminal.end()
    return most


def idling(options: Options) -> Iterator[Row]:
    seconds = 3.0 if options.quick else 10.0
    with folders() as (folder, _):
        for what, key, goal in (("waits for a key", "", None), ("plays", " ", Goal(5, "% of a core"))):
            terminal = in_session(folder)
            if key:
                terminal.press(key)
            terminal.settle(1.5)
            before, start = terminal.cpu_s(), time.perf_counter()
            terminal.settle(seconds)
            share = (terminal.cpu_s() - before) / (time.perf_counter() - start)
            terminal.end()
            yield Row(f"processor while a session {what}", "% of a core", share * 100, goal=goal)
