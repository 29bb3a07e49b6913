"""Damage the log at random, and see that it is found, told, mended as far as it is whole, and kept as it was.

    python -m tests.damages 5000 [--seed N]

Kinds of damage: cut off anywhere, bits flipped, pages of zeros, noise or another page's content, the header, an empty
file, a text in its place, a half-written transaction whose journal was left, removed or broken. Every repetition on a
page that the damage did not touch has to be saved; nothing that is saved may differ from what was logged; nothing may
end in anything but a word for the player; and every damaged file is kept, byte for byte.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from coach.ground.problem import CoachError
from coach.log.entries import Correction, Entry
from coach.store.lock import lock_name
from coach.store.log import Log
from coach.store.salvage import good_rows, journal_of, mend_log
from coach.store.schema import DamagedLogError, Value
from coach.store.upkeep import check_log
from tests.test_store import DAY, NOON, id_at, passage_named, rep_at
from tests.test_store_derived import FAULTS

PAGE = 4096
Row = tuple[str, tuple[Value, ...]]


@dataclass(frozen=True)
class Sample:
    """A whole log: its bytes, its raw rows, and on which pages each lies."""

    data: bytes
    rows: frozenset[Row]
    pages: dict[Row, frozenset[int]]
    torn: bytes
    """The same in the middle of a transaction, pages half written,"""
    journal: bytes
    """and the journal that leads back."""


def sample_log(folder: Path, reps: int) -> Sample:
    """A log of some days by two players, with corrections and entries."""
    path = folder / "sample.sqlite3"
    with Log.open(path, "Ada", now_ms=NOON) as log:
        log.connection.execute("PRAGMA synchronous = OFF")
        for index in range(reps):
            if index == reps // 2:
                log.choose_player("Ben", NOON)
            at_ms = NOON + index * DAY // 7
            passage = passage_named(f"lantern {index % 9}")
            rep = rep_at(log, at_ms, FAULTS[index % 7], passage)
            log.save_rep(rep, passage)
            if index % 5 == 0:
                log.correct(Correction(id_at(at_ms, "word"), rep.id, at_ms + 9, None, void=index % 2 == 0))
            if index % 11 == 0:
                log.add_entry(Entry(id_at(at_ms, "entry"), log.player.id, at_ms, 60, "hurt", "{}" * index))
        data = path.read_bytes()
        torn, journal = _torn(log, path)
    rows = frozenset(good_rows(data))
    return Sample(data, rows, {row: _pages_of(data, row) for row in rows}, torn, journal)


def _torn(log: Log, path: Path) -> tuple[bytes, bytes]:
    """What lies on the disk while a transaction's pages are half written."""
    log.connection.execute("PRAGMA cache_size = 5")
    log.connection.execute("BEGIN IMMEDIATE")
    log.connection.execute("UPDATE reps SET crc = crc + 1, purpose = 'broken' WHERE rowid % 3 = 0")
    log.connection.execute("UPDATE evidence SET body = body || 'broken'")
    torn, journal = path.read_bytes(), journal_of(path).read_bytes()
    log.connection.execute("ROLLBACK")
    return torn, journal


def _pages_of(data: bytes, row: Row) -> frozenset[int]:
    """The pages without which a row is not found; by trial, so that its overflow is known, too."""
    home = {number for number in range(len(data) // PAGE) if row in _alone(data, number)}
    return frozenset(home) if home else frozenset(range(len(data) // PAGE))


_FOUND: dict[tuple[int, int], frozenset[Row]] = {}


def _alone(data: bytes, number: int) -> frozenset[Row]:
    key = (id(data), number)
    if key not in _FOUND:
        head = data[:PAGE]
        page = data[number * PAGE : (number + 1) * PAGE]
        _FOUND[key] = frozenset(good_rows(head + page if number else head)) - (
            frozenset(good_rows(head)) if number else frozenset()
        )
    return _FOUND[key]


def flip(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice([1, 1, 1, 3, 20, 200])):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def blank(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice([1, 1, 4])):
        at = rng.randrange(len(data) // PAGE) * PAGE
        data[at : at + PAGE] = bytes(PAGE)


def noise(data: bytearray, rng: random.Random) -> None:
    at, length = rng.randrange(len(data)), rng.choice([8, 100, PAGE, 3 * PAGE])
    data[at : at + length] = rng.randbytes(length)


def swap(data: bytearray, rng: random.Random) -> None:
    one, other = (rng.randrange(len(data) // PAGE) * PAGE for _ in range(2))
    data[one : one + PAGE], data[other : other + PAGE] = data[other : other + PAGE], data[one : one + PAGE]


def header(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice([1, 3])):
        data[rng.randrange(100)] = rng.randrange(256)


def cut(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(len(data)) :]


def empty(data: bytearray, rng: random.Random) -> None:
    del data[:]


def text(data: bytearray, rng: random.Random) -> None:
    data[:] = b"drill: 1\ntitle: this is no log\n" * rng.randrange(1, 300)


KINDS = (flip, flip, flip, blank, noise, swap, header, cut, empty, text)


def damage_once(folder: Path, sample: Sample, rng: random.Random) -> str:
    """Damage a copy of a log, use it, mend it; the damage and what was seen. AssertionError where it is lost."""
    for path in folder.iterdir():
        path.unlink()
    log_path = folder / "log.sqlite3"
    practised = rng.random() < 0.5
    if practised:
        (folder / lock_name("ADA")).touch()
    kind = rng.choice(KINDS)
    name, touched = kind.__name__, sample.data
    torn = rng.random() < 0.15
    broken = bytearray(sample.torn if torn else sample.data)
    if torn:
        name = "torn, " + rng.choice(("journal left", "journal removed", "journal cut", "journal broken"))
        journal = bytearray(sample.journal)
        if name.endswith("cut"):
            cut(journal, rng)
        elif name.endswith("broken"):
            flip(journal, rng)
        if not name.endswith("removed"):
            journal_of(log_path).write_bytes(journal)
    else:
        kind(broken, rng)
    log_path.write_bytes(broken)
    unread = log_path.read_bytes()
    with suppress(CoachError), Log.open(log_path, None, now_ms=NOON, read_only=True) as log:
        look_through(log)
    if not torn:
        assert log_path.read_bytes() == unread, f"{name}: reading changed the file"
    verdict = mended_or_whole(folder, log_path)
    assert not (kind is empty and practised and not torn and verdict == "whole"), (
        "an emptied log is not found"
    )
    expected = {
        row for row in sample.rows if not torn and all(_same(touched, broken, at) for at in sample.pages[row])
    }
    if torn and name.endswith("left"):
        expected = set(sample.rows)
    saved = set(good_rows(log_path.read_bytes())) if log_path.exists() else set()
    assert expected <= saved, f"{name}: {len(expected - saved)} rows on whole pages are lost"
    foreign = {row for row in saved - sample.rows if row[0] != "players"}
    assert not foreign, f"{name}: rows that nobody logged: {foreign}"
    return f"{name}: {verdict}"


def _same(whole: bytes, broken: bytearray, page: int) -> bool:
    span = slice(page * PAGE, (page + 1) * PAGE)
    return (
        whole[:PAGE] == broken[:PAGE] and whole[span] == broken[span] if page else whole[span] == broken[span]
    )


def look_through(log: Log) -> None:
    """Everything that a report and a plan read; each may say that the log is damaged."""
    for player in (*log.players(),):
        with suppress(CoachError):
            log.choose_player(player.id, NOON, create=False)
            for ask in (log.reps, log.memories, log.ladders, log.days, log.entries):
                with suppress(CoachError):
                    ask()
            with suppress(CoachError):
                log.history(date(2026, 12, 20))


def mended_or_whole(folder: Path, path: Path) -> str:
    """Look and mend as `coach log check --mend` does, twice, with the backup's name taken; what was seen."""
    before = path.read_bytes()
    try:
        with Log.open(path, None, now_ms=NOON, read_only=True) as log:
            health = check_log(log)
        broken = any(problem.severity == "error" for problem in health.problems)
        if not broken:
            return "whole"
    except DamagedLogError:
        pass
    except CoachError as error:
        # Nothing is mended that says of itself that it is no log, or a newer one.
        assert path.read_bytes() == before
        return f"refused: {error.problems[0].message[:24]}"
    before = path.read_bytes()
    first = mend_log(path, NOON)
    assert first.kept.read_bytes() == before
    after = path.read_bytes()
    second = mend_log(path, NOON)
    assert second.kept != first.kept
    assert first.kept.read_bytes() == before
    assert second.kept.read_bytes() == after
    with Log.open(path, "Ada", now_ms=NOON, mend=True) as log:
        assert not [problem for problem in check_log(log).problems if problem.severity == "error"]
        log.save_rep(
            rep_at(log, NOON + 99 * DAY, passage=passage_named("lantern 1")), passage_named("lantern 1")
        )
        log.connection.execute("DELETE FROM reps WHERE at_ms = ?", (NOON + 99 * DAY,))
    assert not [one for one in folder.iterdir() if ".part" in one.name]
    return "mended"


def damage_often(count: int, seed: int, folder: Path) -> Counter[str]:
    """Damage so many logs; how often which damage was seen to be what."""
    rng = random.Random(seed)
    samples = []
    for reps in (3, 40, 160):
        place = folder / f"{reps}"
        place.mkdir()
        samples.append(sample_log(place, reps))
    work = folder / "work"
    work.mkdir()
    seen: Counter[str] = Counter()
    for number in range(count):
        try:
            seen[damage_once(work, rng.choice(samples), rng)] += 1
        except BaseException:
            sys.stderr.write(f"number {number} of seed {seed}\n")
            raise
    return seen


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("count", type=int)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        seen = damage_often(chosen.count, chosen.seed, Path(scratch))
    lines = [f"{sum(seen.values())} damages, nothing whole lost:"]
    lines += [f"  {times:5}  {what}" for what, times in sorted(seen.items())]
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
