"""The installed command in a real terminal (tmux), driven by what its screen shows, for `tests.kills --app`.

A repetition counts as told when the screen says "saved" and asks for a rating no longer; the screen of the dead program
is looked at once more.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import threading
import time
from collections import Counter
from pathlib import Path

from coach.ground.places import Places
from coach.log.log import Log
from coach.log.upkeep import check_log
from tests.kills import START_MS, verify_files, verify_log
from tests.real.test_terminal_real import Terminal, coach

LIVES_A_FOLDER = 6
REPS_A_LIFE = 3
LONGEST_S = 180.0
DRILL = """drill: 1
title: Quick Lamp
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 2/4
tempo: {start: 280, goal: 300}
phrases:
  - name: One
    bars:
      - harmonics: 1 G:<7>, 2 G:<5>
"""
RATING = "1-2 choked"
PATIENCE_S = 0.5


def begin_folder(folder: Path) -> None:
    """A practice folder as it is before the first start."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "drills").mkdir(parents=True)
    (folder / "drills" / "quick.yaml").write_text(DRILL)


class Player:
    """Presses what a player would, by what the screen shows; counts what it showed as saved."""

    def __init__(self, window: Terminal, rng: random.Random) -> None:
        self.window, self.rng = window, rng
        self.step = "open"
        self.saved = 0
        self.rated = False
        self.pressed_s = 0.0
        self.leaving = False

    def look(self) -> str:
        """The screen now; takes note of a rating that it shows as saved."""
        text = self.window.text()
        if self.rated and "saved, " in text and RATING not in text:
            self.saved, self.rated = self.saved + 1, False
        return text

    def press(self, step: str, key: str) -> None:
        # The screen that asked for a key stands a moment longer.
        now_s = time.monotonic()
        if step != self.step or now_s > self.pressed_s + PATIENCE_S:
            self.step, self.pressed_s = step, now_s
            self.window.type(key)

    def act(self) -> None:
        """One look and what follows from it."""
        text = self.look()
        if "Tour, " in text:
            self.press("tour", "Escape")
        elif "End the session?" in text:
            self.leaving = True
            self.press("end", "Enter")
        elif "This session" in text:
            self.press("summary", "Escape")
        elif "minutes planned" in text:
            self.press("quit" if self.leaving else "start", "q" if self.leaving else "Space")
        elif "Tune first" in text:
            self.press("tuning", "Space")
        elif RATING in text and not self.rated:
            if self.rng.random() < 0.3:
                self.press("mark", "2")
            self.rated = True
            self.press("save", "Space")
        elif "space summary" in text and not self.rated:
            self.press("over", "Space")
        elif "space go" in text and not self.rated:
            if self.saved >= REPS_A_LIFE:
                self.press("stop", "Escape")
            else:
                self.press("practise", "Space")


def one_life(folder: Path, rng: random.Random, die_after_s: float) -> tuple[int, str, float]:
    """A session, killed after some seconds: repetitions shown as saved, what it was at, how long it lived."""
    command = f"{coach()} practice quick --folder '{folder}' --silent"
    begun_s = time.monotonic()
    window = Terminal(folder.parent, (100, 30), f"{command}; echo STATUS=$?; sleep 1000")
    player = Player(window, rng)
    try:
        program = _program(window)
        killer = threading.Timer(max(0.0, die_after_s), _kill, (program,))
        killer.start()
        while _alive(program):
            player.act()
            time.sleep(0.03)
        lived_s = time.monotonic() - begun_s
        killer.cancel()
        time.sleep(0.05)
        text = player.look()
    finally:
        window.close()
    return player.saved, "over" if "STATUS=0" in text else player.step, lived_s


def _program(window: Terminal) -> int:
    while True:
        with contextlib.suppress(IndexError):  # the shell has yet to start it
            return window.program()


def _kill(program: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.kill(program, signal.SIGKILL)


def _alive(program: int) -> bool:
    try:
        return Path(f"/proc/{program}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def kill_app_often(count: int, seed: int, folder: Path) -> Counter[str]:
    """Kill the command so often; how many died at which step. AssertionError at the first loss."""
    rng = random.Random(seed)
    begin_folder(folder)
    saved, step, longest_s = one_life(folder, rng, LONGEST_S)
    assert saved >= REPS_A_LIFE, (saved, step)
    assert step == "over", (saved, step)
    died_at: Counter[str] = Counter()
    number = told = 0
    while sum(died_at.values()) < count:
        if number % LIVES_A_FOLDER == 0:
            begin_folder(folder)
            told = 0
        number += 1
        saved, step, _ = one_life(folder, rng, rng.uniform(0, longest_s))
        told += saved
        if step != "over":
            died_at[step] += 1
        verify(folder, told)
    return died_at


def verify(folder: Path, told: int) -> None:
    """The log is whole and holds as many repetitions as the screen said, or a last one more a life."""
    places = Places(folder)
    verify_files(places)
    with Log.open(places.log, None, now_ms=START_MS, read_only=True) as log:
        if not log.exists:
            assert not told, "the log is gone"
            return
        verify_log(log, set())
        found = check_log(log).counts.get("rep", 0)
        assert told <= found <= told + LIVES_A_FOLDER, f"{told} shown as saved, {found} in the log"
