"""The installed command in a real terminal (tmux): from the first screen to the summary, the log read back after."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.real.conftest import children_of, need
from tests.waiting import LONGEST_S

pytestmark = pytest.mark.real

DRILL = """drill: 1
id: quick
title: Quick
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 200, goal: 240}
phrases:
  - id: one
    name: One
    bars:
      - harmonics: 1 G:<7>, 2 G:<5>, 3 D:<7>, 4 D:<5>
"""


class Terminal:
    """One tmux server of its own with one window."""

    def __init__(self, folder: Path, size: tuple[int, int], command: str) -> None:
        # A server that is just ending would still take what is meant for the next.
        self.socket = str(folder / f"tmux.{os.urandom(3).hex()}")
        whole = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
        for name in ("TMUX", "NO_COLOR"):
            whole.pop(name, None)
        self._environment = whole
        self._run(
            "new-session", "-d", "-x", str(size[0]), "-y", str(size[1]), f"{command}; echo STATUS=$?; exec sh"
        )

    def _run(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self.socket, "-f", "/dev/null", *words],
            capture_output=True,
            text=True,
            env=self._environment,
            check=True,
        )
        return done.stdout

    def text(self, colours: bool = False) -> str:
        return self._run("capture-pane", "-p", *(["-e"] if colours else []))

    def press(self, *keys: str) -> None:
        for key in keys:
            self.type(key)
            time.sleep(0.1)

    def type(self, key: str) -> None:
        self._run("send-keys", key)

    def resize(self, columns: int, rows: int) -> None:
        self._run("resize-window", "-x", str(columns), "-y", str(rows))

    def wait(self, ready: Callable[[str], bool] | str) -> str:
        """The screen's text once it holds a word, or passes a check."""
        check = (lambda text: ready in text) if isinstance(ready, str) else ready
        deadline = time.monotonic() + LONGEST_S
        while not check(text := self.text()):
            if time.monotonic() > deadline:
                size = self._run("display-message", "-p", "#{window_width}x#{window_height}").strip()
                pytest.fail(f"waited {LONGEST_S} s for {ready!r}; the screen, {size}, shows:\n{text}")
            time.sleep(0.1)
        return text

    def to_first_rep(self) -> None:
        """From the plan past the tuning: each key once the screen that asks for it is there."""
        self.wait("minutes planned")
        self.press("Space")
        self.wait("space go on")
        self.press("Space")
        self.wait("hear it")

    def end_session(self) -> None:
        """From anywhere in a session to its summary."""
        self.press("Escape")
        self.wait("End the session?")
        self.press("Enter")
        self.wait("This session")

    def program(self) -> int:
        """Process id of what runs in the window."""
        shell = self._run("display-message", "-p", "#{pane_pid}").strip()
        return children_of(int(shell))[0]

    def close(self) -> None:
        subprocess.run(["tmux", "-S", self.socket, "kill-server"], capture_output=True)


@pytest.fixture
def terminal(tmp_path):
    need("tmux")
    opened: list[Terminal] = []

    def start(size: tuple[int, int], *words: str, tour: bool = False, **environment: str) -> Terminal:
        (tmp_path / "drills").mkdir(exist_ok=True)
        (tmp_path / "drills" / "quick.yaml").write_text(DRILL)
        if not tour:
            (tmp_path / "settings.yaml").write_text("screen: {tour_seen: true}\n")
        assignments = [f"{name}={value}" for name, value in environment.items()]
        command = " ".join(
            ["env", *assignments, coach(), "practice", "--folder", str(tmp_path), "--silent", *words]
        )
        opened.append(Terminal(tmp_path, size, command))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


def coach() -> str:
    """The installed command beside the Python that runs the tests."""
    path = shutil.which("coach", path=str(Path(sys.executable).parent))
    if path is None:
        pytest.skip("needs the installed command: pip install -e .")
    return path


def logged(folder: Path) -> list[dict[str, object]]:
    """The log as its files have it, read as JSON Lines."""
    paths = sorted((folder / "progress" / "log").glob("*.jsonl"))
    return [json.loads(line) for path in paths for line in path.read_text("utf-8").splitlines()]


def reps_in(folder: Path) -> list[str]:
    return [line for line in map(json.dumps, logged(folder)) if '"tempo_bpm"' in line]


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_a_session_runs_from_the_first_screen_to_the_summary(terminal, tmp_path, size):
    # A user of this machine whose first folder it is: later folders begin with the settings of the one before.
    window = terminal(size, "quick", tour=True, XDG_STATE_HOME=str(tmp_path / "state"))
    window.wait("Tour, 1 of 5")
    window.press("Escape")
    window.to_first_rep()
    window.press("Space")
    window.wait("1-4 choked")  # the repetition is over: its events can be marked
    window.press("2")
    window.wait("choked 2")
    window.press("BSpace")
    window.press("Space")
    window.wait("saved, clean")
    assert len(reps_in(tmp_path)) == 1
    window.end_session()
    window.wait("1 of 1 clean")
    window.press("Escape")
    window.wait("minutes planned")
    window.press("q")
    window.wait("STATUS=0")
    assert "1 of 1 clean" in window.text()


def test_it_is_resized_while_playing_and_paints_the_new_size_whole(terminal):
    window = terminal((80, 24), "quick")
    window.to_first_rep()
    window.press("v")
    window.wait("bar 1")
    window.press("Space")
    window.resize(132, 43)
    window.wait(lambda text: _last_line_holds_help(text, 43, 120))
    window.resize(80, 24)
    window.wait(lambda text: _last_line_holds_help(text, 24, 70))


def _last_line_holds_help(text: str, rows: int, columns: int) -> bool:
    lines = text.splitlines()
    return len(lines) == rows and "? help" in lines[-1] and len(lines[-1].rstrip()) > columns


def test_a_kill_loses_at_most_the_repetition_in_progress(terminal, tmp_path):
    window = terminal((80, 24), "quick")
    window.to_first_rep()
    window.press("Space")
    window.wait("1-4 choked")
    window.press("Space")
    window.wait("saved, clean")
    os.kill(window.program(), signal.SIGKILL)
    window.wait("STATUS=137")
    assert len(reps_in(tmp_path)) == 1


def test_no_color_sends_no_colour_to_the_terminal(terminal):
    window = terminal((80, 24), "quick", NO_COLOR="1")
    window.to_first_rep()
    window.press("v")
    window.wait("bar 1")
    window.wait(lambda _: "\x1b[7m" in window.text(colours=True))  # the key that matters is reversed
    codes = window.text(colours=True)
    for start in ("\x1b[3", "\x1b[4", "\x1b[9"):
        rest = codes.split(start)[1:]
        wrong = [part[:6] for part in rest if part[:1].isdigit() and part[:2] not in ("9m",)]
        assert not wrong, f"colours: {wrong[:3]}"


def test_a_terminal_of_sixteen_colours_gets_only_those(terminal):
    window = terminal((80, 24), "quick", TERM="xterm", COLORTERM="")
    window.to_first_rep()
    assert "38;2;" not in window.text(colours=True)
    assert "38;5;" not in window.text(colours=True)


def test_ascii_draws_nothing_else(terminal, tmp_path):
    (tmp_path / "settings.yaml").write_text("screen: {tour_seen: true, ascii: true, view: study}\n")
    window = terminal((80, 24), "quick", tour=True)
    window.wait("minutes planned")
    assert window.text().isascii()
    window.to_first_rep()
    text = window.text()
    assert text.isascii()
