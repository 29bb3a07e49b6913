"""The screen's speed, measured at a real terminal's end of the line (a pseudo-terminal of 120x40).

    python -m benchmarks.bench_tui [--runs N] [--json FILE]

- start: from the command to the first frame that shows today's plan and can be used, against a bare Textual app that
  shows one word (goal: within 1.5 times), turn by turn, in a new folder and in one with two weeks of practice, and
  `coach --help`. All find their bytecode written, as an installed program does.
- key to repaint: from the byte of a key to the byte that shows what it did, while the click plays (goal: 95 of 100
  under 20 ms).
- CPU: part of one core while a session waits for a key, and while it plays.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import pty
import select
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

from benchmarks.practised import fill
from coach.commands.common import clock
from coach.desk import Desk
from coach.places import find_places

COACH = (sys.executable, "-c", "from coach.cli import main; raise SystemExit(main())")
COLUMNS, ROWS = 120, 40
BARE_APP = """
from textual.app import App
from textual.widgets import Static
class Bare(App):
    def compose(self):
        yield Static("Todaybare")
Bare().run()
"""
LONGEST_S = 60.0
PRACTISED_DAYS, REPS_A_DAY = 14, 60


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

    def cpu_s(self) -> float:
        """Processor time used so far, all threads."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self.fd)


def start_s(command: Sequence[str], word: bytes) -> float:
    """From the command to the first frame that holds a word."""
    terminal = Terminal(command)
    terminal.wait_for(word)
    passed = time.perf_counter() - terminal.started
    terminal.end()
    return passed


def practice_command(folder: str, *more: str) -> list[str]:
    (Path(folder) / "settings.yaml").write_text("screen: {tour_seen: true}\n")
    return [*COACH, "practice", "--folder", folder, *more]


def practise(folder: str) -> None:
    """Fill the folder's log with days of practice up to yesterday."""
    with Desk.open(find_places(folder), clock=clock) as desk:
        first = desk.today - timedelta(days=PRACTISED_DAYS)
        fill(desk.log, desk.library.drills, first, PRACTISED_DAYS, REPS_A_DAY, seed=7)


def starts_s(folder: str, practised: str, runs: int) -> dict[str, float]:
    """Median start of the bare app and of ours, taken in turn so that a busy machine slows all alike."""
    commands = {
        "bare_start_s": ([sys.executable, "-c", BARE_APP], b"Todaybare"),
        "start_s": (practice_command(folder), b"minutes planned"),
        "practised_start_s": (practice_command(practised), b"minutes planned"),
    }
    for command, word in commands.values():
        start_s(command, word)
    taken = [{name: start_s(*each) for name, each in commands.items()} for _ in range(runs)]
    found = {name: statistics.median(run[name] for run in taken) for name in commands}
    found["start_ratio"] = found["start_s"] / found["bare_start_s"]
    found["practised_start_ratio"] = found["practised_start_s"] / found["bare_start_s"]
    return found


def help_s() -> float:
    start = time.perf_counter()
    subprocess.run([*COACH, "--help"], check=True, capture_output=True)
    return time.perf_counter() - start


def in_session(folder: str, *more: str) -> Terminal:
    """A session on its first excerpt, waiting for the key that starts it."""
    terminal = Terminal(practice_command(folder, *more))
    terminal.wait_for(b"minutes planned")
    terminal.settle(1.0)
    terminal.press(" ")
    terminal.wait_for(b"Strings in tune")
    terminal.settle(0.5)
    terminal.press(" ")
    terminal.wait_for(b"goal ")
    terminal.settle(0.5)
    return terminal


def repaints_ms(folder: str, presses: int) -> list[float]:
    """Key to repaint while the click plays: a change of the whole view, one way and back."""
    terminal = in_session(folder)
    times = []
    while len(times) < presses:
        terminal.press(" ")
        terminal.settle(0.5)
        for _ in range(20):
            terminal.press("v")
            times.append(terminal.wait_for(b"bar 1") * 1000)
            terminal.settle(0.05 + 0.013 * (len(times) % 5))
            terminal.press("v")
            times.append(terminal.wait_for(b"first", b"now", b"hold") * 1000)
            terminal.settle(0.05 + 0.017 * (len(times) % 5))
        terminal.press("p")
        terminal.settle(0.3)
        terminal.press(" ")
        terminal.settle(0.3)
    terminal.end()
    return times


def cpu_share(folder: str, playing: bool, seconds: float = 6.0) -> float:
    """Part of one core that a session takes."""
    terminal = in_session(folder)
    if playing:
        terminal.press(" ")
    terminal.settle(1.5)
    before, start = terminal.cpu_s(), time.perf_counter()
    terminal.settle(seconds)
    share = (terminal.cpu_s() - before) / (time.perf_counter() - start)
    terminal.end()
    return share


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--json", metavar="FILE", default="")
    chosen = parser.parse_args(arguments)
    results: dict[str, float] = {}
    with (
        tempfile.TemporaryDirectory() as folder,
        tempfile.TemporaryDirectory() as practised,
        tempfile.TemporaryDirectory() as bytecode,
    ):
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = bytecode
        practise(practised)
        results |= starts_s(folder, practised, chosen.runs)
        results["help_s"] = statistics.median(help_s() for _ in range(chosen.runs))
        times = sorted(repaints_ms(folder, 40 * chosen.runs))
        results["repaint_median_ms"] = statistics.median(times)
        results["repaint_p95_ms"] = times[int(len(times) * 0.95)]
        results["cpu_waiting"] = cpu_share(folder, playing=False)
        results["cpu_playing"] = cpu_share(folder, playing=True)
    for name, value in results.items():
        print(f"{name:<22} {value:8.3f}")
    if chosen.json:
        Path(chosen.json).write_text(json.dumps(results, indent=1))


if __name__ == "__main__":
    main()
