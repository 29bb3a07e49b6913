"""How much of a session is music: the installed command in tmux, played in real time by a bot that reads its screen.

    python -m tests.music_share --minutes 20

The bot plays two-bar phrases at about 60 bpm, in rounds: of its events `--slips` fail up to there, and 30 of 100
above 64 bpm. A clean pass takes it one key, pressed in the bar of clicks. It reads what is new for `READ_S` before it
plays: while nothing plays, or where the screen says what comes `then` while clicks count or a rating waits, in all
`READ_S` of those. It tunes for `TUNE_S`. Music is the time from the first beat to the last of each pass that the log
holds, count-ins left out, of all seconds from the key that begins the session to its summary.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from coach.ground.places import Places
from coach.log.entries import Rep
from coach.log.log import Log
from tests.real.test_terminal_real import Terminal, coach

PHRASES, EVENTS, BEATS = 9, 6, 8
TOO_FAST_SLIPS, TOO_FAST_BPM = 0.3, 64
_RUNG = re.compile(r"\brung (\d+)")
_TRACK = re.compile(r"\d·{5}")
"""The beats of a bar, on the screen while clicks count."""
_THEN = re.compile(r"\bthen (.+? at \d+)")
LOOK_S, KEY_S, READ_S, TUNE_S = 0.1, 0.6, 3.0, 10.0
BAR = """      - bass: 1 E:0 for 4
        harmonics: 1 {0}:<12>, 3 {1}:<7>
"""
HEAD = """drill: 1
id: two-bars
title: Two Bars
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: START, goal: GOAL}
phrases:
"""


def drill_text(tempo_bpm: int) -> str:
    """Phrases of two bars, each on other strings, to be played faster by half in the end."""
    strings = ("GD", "DG", "GG", "DD", "GA", "AG", "DA", "AD", "AA")
    phrases = (
        f"  - id: p{number}\n    name: Lane {number}\n    bars:\n{BAR.format(*pair)}{BAR.format(*reversed(pair))}"
        for number, pair in enumerate(strings[:PHRASES], 1)
    )
    head = HEAD.replace("START", str(tempo_bpm)).replace("GOAL", str(tempo_bpm * 3 // 2))
    return head + "".join(phrases)


@dataclass(frozen=True)
class Share:
    """Seconds of music and of the whole session, passes, and the keys that rated them."""

    music_s: float
    whole_s: float
    passes: int
    clean: int
    keys: int

    @property
    def part(self) -> float:
        return self.music_s / self.whole_s


class Bot:
    """Presses what a player would press, by the key line that the screen shows."""

    def __init__(self, window: Terminal, rng: random.Random, slips: float, fast_slips: float) -> None:
        self.window, self.rng, self.usual_slips, self.fast_slips = window, rng, slips, fast_slips
        self.keys = 0
        self.seen = ""
        self.since_s = self.looked_s = time.monotonic()
        self.then, self.read_s = "", 0.0

    def step(self) -> str:
        """One look: what the screen asks for now, and a key where it is time for one."""
        text = self.window.text()
        asked, rung = self.asked(text), _RUNG.search(text)
        self.slips = self.fast_slips if rung and int(rung[1]) > TOO_FAST_BPM else self.usual_slips
        now_s = time.monotonic()
        if asked != self.seen:
            self.seen, self.since_s = asked, now_s
        self._read_on(text, asked, now_s)
        unread_s = max(0.0, READ_S - self.read_s) if self.then else 0.0
        rated_s = KEY_S if _TRACK.search(text) else max(KEY_S, unread_s)
        wait_s = {"clean": rated_s, "go": READ_S, "go on": TUNE_S}.get(asked)
        if wait_s is not None and now_s - self.since_s >= wait_s:
            self.answer(asked)
            self.seen = ""
        return asked

    def _read_on(self, text: str, asked: str, now_s: float) -> None:
        """Read what is said to come, where a player has eyes for it: not while a pass is played."""
        then = _THEN.search(text)
        if (then[1] if then else "") != self.then:
            self.then, self.read_s = then[1] if then else "", 0.0
        elif asked == "clean" or "count-in" in text:
            self.read_s += now_s - self.looked_s
        self.looked_s = now_s

    @staticmethod
    def asked(text: str) -> str:
        """What the space key does now, as the key line says; a repetition that sounds asks nothing."""
        line = text.rstrip().splitlines()[-1] if text.strip() else ""
        return next(
            (word for word in ("break off", "clean", "go on", "go", "summary") if f"space {word}" in line), ""
        )

    def answer(self, asked: str) -> None:
        slips = [
            str(label)
            for label in range(1, EVENTS + 1)
            if asked == "clean" and self.rng.random() < self.slips
        ]
        for key in (*slips, "Space"):
            self.window.type(key)
            self.keys += asked == "clean"


def music_s(rep: Rep) -> float:
    """From the first beat of a pass to its last."""
    return BEATS * 60 / rep.tempo_bpm


def opened(folder: Path, minutes: int, tempo_bpm: int = 60) -> Terminal:
    """The plan of a session on the drill, on the screen."""
    (folder / "drills").mkdir(parents=True)
    (folder / "drills" / "two-bars.yaml").write_text(drill_text(tempo_bpm))
    (folder / "settings.yaml").write_text("screen: {tour_seen: true}\n")
    command = f"{coach()} practice --folder {folder} --silent --minutes {minutes}"
    window = Terminal(folder, (100, 30), command)
    window.wait("minutes planned")
    return window


def logged(folder: Path) -> list[Rep]:
    with Log.open(Places(folder).log, "", now_ms=0, read_only=True) as log:
        return log.reps()


def play(
    folder: Path,
    minutes: int,
    longest_s: float,
    slips: float,
    fast_slips: float = TOO_FAST_SLIPS,
    seed: int = 1,
    tempo_bpm: int = 60,
) -> Share:
    """A session of so many minutes, or its first `longest_s`, and what it was made of."""
    window = opened(folder, minutes, tempo_bpm)
    try:
        bot, began_s = Bot(window, random.Random(seed), slips, fast_slips), time.monotonic()
        window.type("Space")
        # To the end of the session, or of a pass and its rating: the next pass sounds when the last one is saved.
        while (asked := bot.step()) != "summary" and (
            asked != "break off" or time.monotonic() - began_s < longest_s
        ):
            time.sleep(LOOK_S)
        whole_s = time.monotonic() - began_s
    finally:
        window.close()
    reps = logged(folder)
    return Share(sum(map(music_s, reps)), whole_s, len(reps), sum(rep.clean for rep in reps), bot.keys)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=int, default=20)
    parser.add_argument(
        "--slips", type=float, default=0.05, help="part of the events that fail (default: 0.05)"
    )
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        share = play(
            Path(folder) / "practice",
            options.minutes,
            90.0 * options.minutes,
            options.slips,
            seed=options.seed,
        )
    line = (
        f"{share.part:.1%} of {share.whole_s:.0f} s is music: {share.passes} passes, {share.clean} clean, "
        f"{share.keys} keys to rate them\n"
    )
    sys.stdout.write(line)


if __name__ == "__main__":
    main()
