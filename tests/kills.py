"""Kill a practising process at random moments, and see that nothing which it told as saved is lost.

    python -m tests.kills 1000 [--seed N] [--folder DIR]
    python -m tests.kills 200 --app [--seed N] [--folder DIR]

Without `--app` each life is a forked process that does on the real disk what the program does, with the program's own
desk, practice host and log: first start, sessions, corrections, migration, merge, export, copy, rebuild, salvage. It
tells on a pipe what it is doing and what is saved. With `--app` it is the installed command in a terminal (tmux), and
saved is what its screen showed as saved. A life is ended by SIGKILL at a moment drawn evenly from the length of a whole
life, so that every part of it is hit as often as it lasts. After each kill the log has to open, to pass
`integrity_check` and our own check with its replay, and to hold everything that was told; every other file has to be
whole, the old one or the new one. Folders live on from life to life, and a new one is begun now and then.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from coach.folder.settings import load_settings
from coach.ground.places import Places
from coach.log.entries import Correction, Entry, Rep, new_id
from coach.music.excerpt import LoggedPassage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.score.load import load_drill
from coach.session.desk import Desk
from coach.session.entered import HandClock
from coach.session.events import Confirm, Go, Mark, RepEnded, Skip, Stop, Undo
from coach.session.states import Phase
from coach.store.exchange import export_lines, merge_lines
from coach.store.log import Log
from coach.store.upkeep import backup_log, check_log

START_MS = 1_772_470_800_000
"""2 March 2026, 17:00 UTC."""
DAY_MS = 86_400_000
LIVES_A_FOLDER = 12
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
    """What the processes of one folder told as saved; ids by raw table."""

    ids: dict[str, set[str]] = field(default_factory=lambda: {"reps": set(), "corrections": set()})
    deed: str = "start"
    """What the last life was at when it ended."""

    def hear(self, lines: bytes) -> None:
        """Take in what was written on the pipe; the last line may be cut off."""
        for line in lines.split(b"\n")[:-1]:
            word, _, rest = line.decode().partition(" ")
            if word == "deed":
                self.deed = rest
            else:
                self.ids[word] |= set(rest.split())


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
        deeds = [self.merge, self.export, self.copy, self.rebuild, self.migrate, self.mend, self.settings]
        chosen = [self.session, *self.rng.sample(deeds, 4)]
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
            self.say("deed plan")
            # Few drills: planning takes longest, and writes nothing.
            practice = desk.practice(desk.plan(drills=desk.library.drills[:2]))
            self.say("deed practise")
            heard: dict[str, set[str]] = {"reps": set(), "corrections": set()}
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
                if not practice.unsaved:
                    self.tell_saved(desk.log, heard)
            practice.send(Stop())
            self.tell_saved(desk.log, heard)
            self.say("deed close")

    def tell_saved(self, log: Log, heard: dict[str, set[str]]) -> None:
        """Tell what the host's calls have returned for: its connection sees all that it committed."""
        for table, known in heard.items():
            ids = {row[0] for row in log.connection.execute(f"SELECT id FROM {table}")} - known
            known |= ids
            if ids:
                self.say(f"{table} {' '.join(sorted(ids))}")

    def merge(self) -> None:
        lines = student_log(self.rng.randrange(1000), self.rng.randrange(1, 30))
        with self.opened() as log:
            merge_lines(log, lines, "student.jsonl")
            self.tell_saved(log, {"reps": set(), "corrections": set()})

    def export(self) -> None:
        from coach.commands.common import write_output

        with self.opened(read_only=True) as log:
            players = [player.id for player in log.players()]
            write_output(
                str(self.places.folder / "out.jsonl"), export_lines(log, players, self.clock.now_ms, "test")
            )

    def copy(self) -> None:
        with self.opened(read_only=True) as log:
            backup_log(log, self.clock.now_ms + self.rng.randrange(10**9))

    def rebuild(self) -> None:
        with self.opened() as log:
            log.rebuild()

    def migrate(self) -> None:
        make_older(self.places.log)
        with self.opened() as log:
            log.players()

    def mend(self) -> None:
        break_without_loss(self.places.log, self.rng)
        with self.opened(mend=True) as log:
            log.players()

    def settings(self) -> None:
        from coach.folder.settings import save_settings

        save_settings(self.places.settings, {"screen": {"theme": self.rng.choice(["dusk", "paper"])}})

    def opened(self, read_only: bool = False, mend: bool = False) -> Log:
        return Log.open(self.places.log, None, now_ms=self.clock.now_ms, read_only=read_only, mend=mend)


def make_older(path: Path) -> None:
    """Bring the log back to the first schema, as an older program left it: nothing but raw rows."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = TRUNCATE")
    connection.execute("BEGIN IMMEDIATE")
    for table in ("meta", "evidence", "states", "days"):
        connection.execute(f"DROP TABLE {table}")
    connection.execute("PRAGMA user_version = 1")
    connection.execute("COMMIT")
    connection.close()


def break_without_loss(path: Path, rng: random.Random) -> None:
    """Damage the log where no raw row lies, in one write: its header, or the root page of a table's index."""
    connection = sqlite3.connect(path)
    pages = connection.execute("SELECT rootpage FROM sqlite_master WHERE type = 'index'").fetchall()
    connection.close()
    at = (rng.choice(pages)[0] - 1) * 4096 if rng.random() < 0.5 else 20
    with path.open("rb+") as file:
        file.seek(at)
        file.write(b"\xff" * 16)


def student_log(number: int, reps: int) -> list[bytes]:
    """A student's exported log of some repetitions, the same for the same numbers."""
    passage = LoggedPassage.of("ferry:rope:harmonics:phrase:full:", "0123456789ab", "Rope", ())
    rng = random.Random(number)
    with Log(sqlite3.connect(":memory:", isolation_level=None), None) as log:
        from coach.store.schema import prepare

        prepare(log.connection, None, "")
        log.use_folds(None)
        log.choose_player(f"student {number}", START_MS, random_bytes=rng.randbytes)
        for index in range(reps):
            at_ms = START_MS + index * DAY_MS // 5
            rep = Rep(
                id=new_id(at_ms, rng.randbytes(10)),
                player=log.player.id,
                at_ms=at_ms,
                utc_offset_min=60,
                passage=passage.id,
                excerpt=passage.excerpt,
                tempo_bpm=60,
                goal_bpm=80,
                faults=(),
                purpose="build",
                turn=new_id(at_ms, bytes(10)),
                duration_ms=9000,
            )
            log.save_rep(rep, passage)
        word = Correction(new_id(START_MS, rng.randbytes(10)), rep.id, rep.at_ms + 5, None)
        log.correct(word)
        log.add_entry(Entry(new_id(START_MS, rng.randbytes(10)), log.player.id, START_MS, 60, "hurt", "{}"))
        return [line.encode() for line in export_lines(log, [log.player.id], START_MS, "test")]


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
    if not places.log.exists():
        assert not any(told.ids.values()), "the log is gone"
        return
    with Log.open(places.log, None, now_ms=START_MS, mend=True) as log:
        log.hold_all(START_MS)
        assert [row[0] for row in log.connection.execute("PRAGMA integrity_check")] == ["ok"]
        assert check_log(log).problems == ()
        for table, ids in told.ids.items():
            saved = {row[0] for row in log.connection.execute(f"SELECT id FROM {table}")}
            assert ids <= saved, f"{len(ids - saved)} {table} are lost"


def verify_files(places: Places) -> None:
    """Every file but the log is whole."""
    load_settings(places.settings)
    for path in (places.drills).glob("*.yaml"):
        load_drill(path)
    out = places.folder / "out.jsonl"
    if out.exists():
        last = json.loads(out.read_text().splitlines()[-1])
        assert last["end"] == len(out.read_text().splitlines()) - 2
    for path in places.progress.glob("log.backup.*.sqlite3"):
        connection = sqlite3.connect(path)
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        connection.close()
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
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("count", type=int)
    parser.add_argument("--app", action="store_true", help="the installed command in a terminal")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--folder", type=Path, help="a folder on the disk to be tried (default: a temporary one)"
    )
    chosen = parser.parse_args()
    kill: Callable[[int, int, Path], Counter[str]] = kill_often
    if chosen.app:
        from tests.kills_app import kill_app_often as kill
    with tempfile.TemporaryDirectory(dir=chosen.folder) as scratch:
        died_at = kill(chosen.count, chosen.seed, Path(scratch) / "practice")
    lines = [f"{sum(died_at.values())} kills, nothing lost; killed at:"]
    lines += [f"  {times:5}  {deed}" for deed, times in died_at.most_common()]
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
