"""Kill a practising process at random moments, and see that nothing which it told as saved is lost.

    python -m tests.kills 1000 [--seed N] [--folder DIR]
    python -m tests.kills 200 --app [--seed N] [--folder DIR]

Without `--app` each life is a forked process that does on the real disk what the program does, with the program's own
desk, practice host and log: first start, sessions, undo, corrections, notes, what is known already, an answers file's
worth at once, another name, export, backup, forgetting a student. It tells on a pipe what it is doing and what is
saved. With `--app` it is the installed command in a terminal (tmux), and saved is what its screen showed as saved. A
life is ended by SIGKILL at a moment drawn evenly from the length of a whole life, so that every part of it is hit as
often as it lasts. After each kill the log has to open, to hold everything that was told, and to be whole but for a
line that was cut off while nobody had been told of it; the cached states have to equal those folded anew; every other
file has to be whole, the old one or the new one. Folders live on from life to life, and a new one is begun now and
then.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TypeVar

from coach.commands.common import write_file
from coach.folder.actions import Phase
from coach.folder.settings import load_settings, save_settings
from coach.ground.places import Places
from coach.learning.learning import LearningFold
from coach.log.book import Word
from coach.log.entries import Entry, Rep, Suggestion, new_id
from coach.log.fold import Fold
from coach.log.lines import is_whole, lines_in
from coach.log.log import Log, Refusal
from coach.log.upkeep import backup_log, check_log, forget
from coach.music.excerpt import LoggedPassage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.report.reps_csv import reps_csv
from coach.report.sums import SumsFold
from coach.score.load import load_drill
from coach.session.desk import Desk
from coach.session.entered import HandClock
from coach.session.events import Confirm, Go, Mark, RepEnded, Skip, Stop, Undo
from tests.trials import command_line, print_tally, tally_of

State = TypeVar("State")
START_MS = 1_772_470_800_000
"""2 March 2026, 17:00 UTC."""
DAY_MS = 86_400_000
LAST_DAY = date(2100, 1, 1)
LIVES_A_FOLDER = 12
PASSAGE = LoggedPassage.of("ferry:rope:harmonics:phrase:full:", "0123456789ab", "Rope", ())
WITHOUT_IDS = """# a comment that stays
drill: 1
title: Night Ferry
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 2/4
tempo: {start: 200, goal: 240}
phrases:
  - name: Rope
    bars:
      - harmonics: 1 G:<7>, 2 G:<5>
"""


@dataclass
class Told:
    """What the processes of one folder told as saved: ids."""

    ids: set[str] = field(default_factory=set)
    deed: str = "start"
    """What the last life was at when it ended."""

    def hear(self, lines: bytes) -> None:
        """Take in what was written on the pipe; the last line may be cut off."""
        for line in lines.split(b"\n")[:-1]:
            word, _, rest = line.decode().partition(" ")
            if word == "deed":
                self.deed = rest
            else:
                self.ids |= set(rest.split())


class TellingLog(Log):
    """A log that tells on a pipe what its calls have returned for."""

    pipe = -1

    def retry(self) -> Refusal | None:
        waiting = [one_id(word) for word in self.waiting]
        refusal = super().retry()
        still = {one_id(word) for word in self.waiting}
        saved = [one for one in waiting if one not in still]
        if saved and self.pipe >= 0:
            os.write(self.pipe, f"saved {' '.join(saved)}\n".encode())
        return refusal


def one_id(word: Word) -> str:
    return word[0].id if isinstance(word, tuple) else word.id


class Life:
    """One life of the practising process: deeds in a random order, told on a pipe."""

    def __init__(self, folder: Path, seed: int, pipe: int) -> None:
        self.places = Places(folder)
        self.rng = random.Random(seed)
        self.pipe = pipe
        self.clock = HandClock(START_MS + self.rng.randrange(30) * DAY_MS + seed % 1000, 60)

    def say(self, line: str) -> None:
        os.write(self.pipe, f"{line}\n".encode())

    def run(self) -> None:
        """All of a life: a session, and deeds before and after it."""
        TellingLog.pipe = self.pipe
        deeds = [
            self.correct,
            self.note,
            self.know,
            self.enter,
            self.rename,
            self.export,
            self.copy,
            self.forget,
        ]
        chosen = [self.session, *self.rng.sample([*deeds, self.settings], 4)]
        if self.places.log.exists():
            self.rng.shuffle(chosen)
        for deed in chosen:
            self.say(f"deed {deed.__name__}")
            deed()
        self.say("deed end")

    def session(self) -> None:
        self.say("deed open" if self.places.log.exists() else "deed first start")
        elsewhere = self.places.folder.parent / "elsewhere"
        names = [str(elsewhere / "ferry.yaml")] if self.rng.random() < 0.5 else []
        with Desk.open(
            self.places, clock=self.clock, player="Ada", names=names, minutes=30, silent=True
        ) as desk:
            desk.log.__class__ = TellingLog
            self.say("deed plan")
            # Few drills: planning takes longest, and writes nothing.
            practice = desk.practice(desk.plan(drills=desk.library.drills[:2]))
            self.say("deed practise")
            for _ in range(self.rng.randrange(3, 12)):
                self.clock.advance(7)
                session = practice.session
                if session.phase is Phase.DONE:
                    break
                if session.phase is Phase.REST:
                    practice.send(Skip())
                    continue
                if session.phase is Phase.READY:
                    practice.send(Go())
                practice.send(RepEnded())
                if practice.session.music is not None and self.rng.random() < 0.4:
                    label = self.rng.randrange(len(practice.session.music.task.passage.events)) + 1
                    practice.send(Mark(fault=Fault(label, CHOKED)))
                practice.send(Confirm())
                if self.rng.random() < 0.2:
                    practice.send(Undo())
            practice.send(Stop())
            self.say("deed close")

    def correct(self) -> None:
        with self.opened() as log:
            for rep in log.reps()[-3:]:
                log.correct(rep, (Fault(1, CHOKED),), self.clock.now_ms, void=self.rng.random() < 0.3)
                log.add_suggestions(rep, [Suggestion(1, "unsure", 0.5, "microphone")], self.clock.now_ms)

    def note(self) -> None:
        with self.opened() as log:
            at_ms = self.clock.now_ms
            log.send(Entry(self.fresh_id(at_ms), log.player.id, at_ms, 60, "note", {"text": "a thumb"}))

    def know(self) -> None:
        with Desk.open(self.places, clock=self.clock, player="Ada", silent=True) as desk:
            desk.log.__class__ = TellingLog
            desk.know(self.rng.choice(desk.library.drills[:2]), "", self.rng.choice((0, 60, 70)))

    def enter(self) -> None:
        with self.opened(f"student {self.rng.randrange(3)}") as log:
            log.send_all([rep_of(log, self.clock.now_ms + n, self.rng) for n in range(20)])

    def rename(self) -> None:
        with self.opened() as log:
            log.rename(log.player.ids, self.rng.choice(["Ada", "ADA"]), self.clock.now_ms)

    def export(self) -> None:
        with self.opened() as log:
            write_file(str(self.places.folder / "out.csv"), reps_csv(log, [log.player.id]))

    def copy(self) -> None:
        with self.opened() as log:
            # A kill may leave a file without a line.
            if any(log.book.shelf.whole_lines()):
                backup_log(log, self.clock.now_ms + self.rng.randrange(10**9))

    def forget(self) -> None:
        with self.opened() as log:
            name = f"passer-by {self.rng.randrange(3)}"
            log.choose_player(name, self.clock.now_ms)
            TellingLog.pipe = -1
            log.send_all([rep_of(log, self.clock.now_ms + n, self.rng) for n in range(20)])
            TellingLog.pipe = self.pipe
            log.refresh()
            forget(log, log.player)
            log.sent.clear()

    def settings(self) -> None:
        values = {"screen": {"theme": self.rng.choice(["dusk", "paper"])}}
        save_settings(self.places.settings, values)

    def opened(self, name: str = "Ada") -> Log:
        return TellingLog.open(self.places.log, name, now_ms=self.clock.now_ms)

    def fresh_id(self, at_ms: int) -> str:
        return new_id(at_ms, self.rng.randbytes(10))


def rep_of(log: Log, at_ms: int, rng: random.Random) -> tuple[Rep, LoggedPassage]:
    """A clean repetition of a rope."""
    rep = Rep(
        id=new_id(at_ms, rng.randbytes(10)),
        player=log.player.id,
        at_ms=at_ms,
        utc_offset_min=60,
        passage=PASSAGE.id,
        excerpt=PASSAGE.excerpt,
        tempo_bpm=60,
        goal_bpm=80,
        faults=(),
        purpose="climb",
        turn=new_id(at_ms, bytes(10)),
        duration_ms=9000,
    )
    return rep, PASSAGE


def begin_folder(folder: Path) -> None:
    """A practice folder as it is before the first start, with a drill that has no ids yet."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "drills").mkdir(parents=True)
    (folder / "drills" / "ferry.yaml").write_text(WITHOUT_IDS)
    elsewhere = folder.parent / "elsewhere"
    elsewhere.mkdir(exist_ok=True)
    (elsewhere / "ferry.yaml").write_text(WITHOUT_IDS.replace("200", "180").replace("Ferry", "Barge"))


def live(folder: Path, seed: int, die_after_s: float | None) -> tuple[bytes, float]:
    """One life in a process of its own, killed after some seconds; what it told, and how long it lived."""
    reading, writing = os.pipe()
    begun = time.monotonic()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 1
        try:
            Life(folder, seed, writing).run()
            status = 0
        except BaseException as error:
            os.write(writing, f"deed failed: {error!r}\n".encode())
        finally:
            os._exit(status)
    os.close(writing)
    if die_after_s is not None:
        time.sleep(die_after_s)
        os.kill(child, signal.SIGKILL)
    heard = b""
    while part := os.read(reading, 65536):
        heard += part
    os.close(reading)
    os.waitpid(child, 0)
    return heard, time.monotonic() - begun


def verify(folder: Path, told: Told) -> None:
    """Everything that has to hold after a kill; AssertionError or CoachError where it does not."""
    places = Places(folder)
    verify_files(places)
    with Log.open(places.log, None, now_ms=START_MS, read_only=True) as log:
        if not log.exists:
            assert not told.ids, "the log is gone"
            return
        verify_log(log, told.ids)


def verify_log(log: Log, ids: set[str]) -> None:
    """The log is whole but for lines cut off, holds these ids, and its cached states are those folded anew."""
    problems = [one for one in check_log(log).problems if "is cut off" not in one.message]
    assert not problems, problems
    shelf = log.book.shelf
    lost = ids - {line.split(b'"')[3].decode() for _, _, line in shelf.whole_lines()}
    assert not lost, f"{len(lost)} of {len(ids)} are lost"
    for player in log.players():
        assert_cached_is_anew(log, LearningFold(), player.id)
        assert_cached_is_anew(log, SumsFold(), player.id)


def assert_cached_is_anew(log: Log, fold: Fold[State], player: str, day: date = LAST_DAY) -> None:
    """What a fold makes of the log is the same with its cache and without, to the digit."""
    cached = fold.plain(log.state(fold, day, player))
    empty = log.folder.parent / "anew"
    bare = Log(log.folder, None, empty)
    assert fold.plain(bare.state(fold, day, player)) == cached, f"{fold.name} of {player}"
    for path in empty.glob("*"):
        path.unlink()


def verify_files(places: Places) -> None:
    """Every file but the log is whole."""
    load_settings(places.settings)
    for path in (places.drills).glob("*.yaml"):
        load_drill(path)
    out = places.folder / "out.csv"
    assert not out.exists() or out.read_bytes().endswith(b"\r\n")
    for path in (places.progress / "backups").glob("*.jsonl"):
        assert all(is_whole(line) for line in lines_in(path.read_bytes())), path
        path.unlink()


def kill_often(count: int, seed: int, folder: Path) -> Counter[str]:
    """Kill so many lives; how many died at which deed. AssertionError at the first loss."""
    rng = random.Random(seed)
    begin_folder(folder)
    whole = [live(folder, seed + index, None) for index in range(3)]
    assert all(heard.endswith(b"deed end\n") for heard, _ in whole), whole
    longest_s = max(lived_s for _, lived_s in whole)
    died_at: Counter[str] = Counter()
    told = Told()
    number = 0
    while sum(died_at.values()) < count:
        if number % LIVES_A_FOLDER == 0:
            begin_folder(folder)
            told = Told()
        number += 1
        heard, _ = live(folder, seed * 100_003 + number, rng.uniform(0, longest_s))
        told.deed = "fork"
        told.hear(heard)
        assert not told.deed.startswith("failed"), told.deed
        # A life that was over before its end came was not killed.
        if told.deed != "end":
            died_at[told.deed] += 1
        verify(folder, told)
    return died_at


def main() -> int:
    parser = command_line(__doc__)
    parser.add_argument("--app", action="store_true", help="the installed command in a terminal")
    parser.add_argument(
        "--folder", type=Path, help="a folder on the disk to be tried (default: a temporary one)"
    )
    chosen = parser.parse_args()
    kill: Callable[[int, int, Path], Counter[str]] = kill_often
    if chosen.app:
        from tests.kills_app import kill_app_often as kill
    died_at = tally_of(kill, chosen, chosen.folder)
    return print_tally(f"{sum(died_at.values())} kills, nothing lost; killed at:", died_at.most_common())


if __name__ == "__main__":
    sys.exit(main())
