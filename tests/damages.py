"""Damage the log at random, and see that it is told, that nothing else is lost with it, and that it is left as it is.

    python -m tests.damages 6000 [--seed N]

Kinds of damage to one or several of its files, with the cache beside it kept, deleted or damaged too: cut off anywhere,
bits flipped, a stretch of zeros or noise, lines swapped, doubled, taken out or put into another file, an older version
of a file in its place, a file emptied, removed, renamed, copied under another name, a text or a link or a pipe in its
place. Every whole line that still stands in some file counts, once; no record differs from what was logged; a line
that is gone or changed is told with its file and its number; nothing ends in anything but a word for the player; and no
file of the log is touched by reading, while what is logged next stands on a line of its own.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

from coach.learning.learning import LearningFold
from coach.learning.planner import history_of
from coach.log.book import Word
from coach.log.entries import Correction, Entry, Rep
from coach.log.lines import Record, is_whole, lines_in, record_of
from coach.log.log import Log
from coach.log.upkeep import check_log
from coach.report.sums import sums_of
from tests.kills import assert_cached_is_anew
from tests.logs import DAY, FAULTS, NOON, id_at, known_at, passage_named, rep_at
from tests.trials import command_line, named, print_tally, tally_of

LATER = date(2027, 12, 1)
Files = dict[str, bytes]


@dataclass(frozen=True)
class Sample:
    """A whole log: its files, what a cache made of them, and an older state of the same."""

    files: Files
    cache: Files
    older: Files


def sample_log(folder: Path, reps: int) -> Sample:
    """A log of two machines and two players over a turn of the year, with corrections and entries."""
    place = folder / "progress" / "log"
    older: Files = {}
    for part in range(2):
        if part:
            older = contents(place)
        for machine in ("here", "there"):
            for name in ("Ada", "Ben"):
                with Log.open(place, name, now_ms=NOON, machine=partial(str, machine)) as log:
                    practise(log, part * reps, reps // 4, machine)
                    log.state(LearningFold(), LATER)
                    sums_of(log, LATER)
    return Sample(contents(place), contents(place.parent / "cache"), older)


def practise(log: Log, first: int, reps: int, machine: str) -> None:
    for index in range(first, first + reps):
        at_ms = NOON + index * DAY // 7 + (machine == "there") * 1000 + ("Ben" in log.player.name) * 500
        passage = passage_named(f"lantern {index % 9}")
        rep = rep_at(log, at_ms, FAULTS[index % 7], passage)
        words: list[Word] = [(rep, passage)]
        if index % 5 == 0:
            words.append(Correction(id_at(at_ms, "word"), rep.id, at_ms + 9, None, void=index % 2 == 0))
        if index % 11 == 0:
            words.append(Entry(id_at(at_ms, "entry"), log.player.id, at_ms, 60, "hurt", {"n": index}))
        if index % 13 == 0:
            words.append(known_at(log, at_ms + 11, passage, (0, 48, 64)[index % 3]))
        log.send_all(words)


def contents(folder: Path) -> Files:
    return {
        path.name: path.read_bytes()
        for path in sorted(folder.iterdir())
        if path.is_file() and not path.is_symlink()
    }


def put(folder: Path, files: Files) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)


# Each of these changes the files in place; `name` is one of them.


def flip(files: Files, name: str, older: Files, rng: random.Random) -> None:
    data = bytearray(files[name])
    for _ in range(rng.choice([1, 1, 1, 3, 20, 200])):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    files[name] = bytes(data)


def noise(files: Files, name: str, older: Files, rng: random.Random) -> None:
    data = bytearray(files[name])
    at, length = rng.randrange(len(data)), rng.choice([1, 8, 100, 4096])
    length = min(length, len(data) - at)
    data[at : at + length] = rng.choice([bytes(length), rng.randbytes(length), b"\n" * length])
    files[name] = bytes(data)


def cut(files: Files, name: str, older: Files, rng: random.Random) -> None:
    files[name] = files[name][: rng.randrange(len(files[name]))]


def cut_out(files: Files, name: str, older: Files, rng: random.Random) -> None:
    data, at = files[name], rng.randrange(len(files[name]))
    files[name] = data[:at] + data[at + rng.randrange(1, 3000) :]


def swap(files: Files, name: str, older: Files, rng: random.Random) -> None:
    lines = files[name].splitlines(keepends=True)
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    files[name] = b"".join(lines)


def reorder(files: Files, name: str, older: Files, rng: random.Random) -> None:
    lines = files[name].splitlines(keepends=True)
    rng.shuffle(lines)
    files[name] = b"".join(lines)


def double(files: Files, name: str, older: Files, rng: random.Random) -> None:
    lines = files[name].splitlines(keepends=True)
    lines.insert(rng.randrange(len(lines)), rng.choice(lines))
    files[name] = b"".join(lines)


def take_out(files: Files, name: str, older: Files, rng: random.Random) -> None:
    lines = files[name].splitlines(keepends=True)
    del lines[rng.randrange(len(lines))]
    files[name] = b"".join(lines)


def move(files: Files, name: str, older: Files, rng: random.Random) -> None:
    lines = files[name].splitlines(keepends=True)
    line = lines.pop(rng.randrange(len(lines)))
    files[name] = b"".join(lines)
    other = rng.choice(sorted(files))
    files[other] = files[other] + line


def replace_by_older(files: Files, name: str, older: Files, rng: random.Random) -> None:
    files[name] = older.get(name, b"")


def empty(files: Files, name: str, older: Files, rng: random.Random) -> None:
    files[name] = b""


def remove(files: Files, name: str, older: Files, rng: random.Random) -> None:
    del files[name]


def rename(files: Files, name: str, older: Files, rng: random.Random) -> None:
    files[f"{name.removesuffix('.jsonl')} (copy of {rng.randrange(9)}).jsonl"] = files.pop(name)


def copy(files: Files, name: str, older: Files, rng: random.Random) -> None:
    files[f"conflict {rng.randrange(9)} {name}"] = files[name]


def text(files: Files, name: str, older: Files, rng: random.Random) -> None:
    files[name] = b"drill: 1\ntitle: this is no log\n" * rng.randrange(1, 300)


KINDS: tuple[Callable[[Files, str, Files, random.Random], None], ...] = (
    *(flip, flip, flip, noise, noise, cut, cut, cut_out, swap, reorder, double, take_out, move),
    *(replace_by_older, empty, remove, rename, copy, text),
)
PLANTED = ("link", "pipe", "folder")


def damage_once(folder: Path, sample: Sample, rng: random.Random) -> str:
    """Damage a copy of a log, use it, write to it; the damage and what was told. AssertionError where it is lost."""
    shutil.rmtree(folder, ignore_errors=True)
    place, outside = folder / "progress" / "log", folder / "outside.txt"
    files = dict(sample.files)
    kinds = [rng.choice(KINDS) for _ in range(rng.choice([1, 1, 1, 2, 4]))]
    for kind in kinds:
        whole = [name for name, data in files.items() if data]
        if whole:
            kind(files, rng.choice(sorted(whole)), sample.older, rng)
    put(place, files)
    caches = rng.choice(["kept", "kept", "kept", "deleted", "damaged"])
    damage_cache(place.parent / "cache", sample.cache, caches, rng)
    planted = rng.choice(PLANTED) if rng.random() < 0.1 else ""
    outside.write_bytes(b"nobody writes here\n")
    if planted:
        plant(place / "planted-2026.jsonl", planted, outside)
    verdict = look_through(place, files, sample, seen=caches == "kept", thorough=rng.random() < 0.2)
    assert contents(place) == files, "reading changed a file"
    write_on(place, files)
    assert outside.read_bytes() == b"nobody writes here\n"
    names = "+".join(sorted({kind.__name__ for kind in kinds})) if len(kinds) < 3 else "several"
    return f"{names}{', ' + planted if planted else ''}, cache {caches}: {verdict}"


def damage_cache(cache: Path, files: Files, how: str, rng: random.Random) -> None:
    if how != "deleted":
        put(cache, files)
    if how == "damaged":
        for name in files:
            changed = {name: files[name]}
            rng.choice([flip, cut, empty, text])(changed, name, {}, rng)
            put(cache, changed)


def plant(path: Path, what: str, outside: Path) -> None:
    if what == "link":
        path.symlink_to(outside)
    elif what == "pipe":
        os.mkfifo(path)
    else:
        path.mkdir()


def lines_of(files: Files) -> set[bytes]:
    """Every whole line that holds a record."""
    return {line for data in files.values() for line in lines_in(data) if is_whole(line)}


def look_through(place: Path, files: Files, sample: Sample, seen: bool, thorough: bool) -> str:
    """All that a plan and a report read, against what stands in the files; a word of what was told."""
    standing = lines_of(files)
    logged = lines_of(sample.files)
    assert standing <= logged, "a line that nobody logged is whole"
    records: dict[tuple[str, str], Record] = {}
    for line in standing:
        record = record_of(line)
        records[type(record).__name__, record.id] = record
    with Log.open(place, None, now_ms=NOON, read_only=True) as log:
        problems = check_log(log).problems
        for player in log.players():
            log.choose_player(player.id, NOON, create=False)
            expected = {
                one.id for one in records.values() if isinstance(one, Rep) and one.player in player.ids
            }
            originals = log.book.originals(log.player)
            assert originals.keys() == expected, f"{len(expected ^ originals.keys())} repetitions differ"
            if thorough:
                history_of(log, log.state(LearningFold(), LATER), LATER)
                assert_cached_is_anew(log, LearningFold(), player.id, LATER)
        entries = {record.id for record in records.values() if isinstance(record, Entry)}
        found = {entry.id for player in log.players() for entry in log.entries(player=player.id)}
        assert found == entries
    lost = logged - standing
    where = [problem for problem in problems if problem.line and problem.where]
    if lost and seen:
        assert where, f"{len(lost)} lines are gone and nothing was told"
    torn = any(line and not is_whole(line) for data in files.values() for line in data.split(b"\n"))
    assert where or not torn, "a damaged line was not told"
    return "told" if problems else "whole"


def write_on(place: Path, files: Files) -> None:
    """Practise on: the new line counts, and every byte that stood there stands."""
    with Log.open(place, "Ada", now_ms=NOON, machine=lambda: "here") as log:
        passage = passage_named("lantern 1")
        rep = rep_at(log, NOON + 99 * DAY, passage=passage)
        assert log.send((rep, passage)) is None
        assert rep.id in log.book.originals(log.player)
    for name, data in files.items():
        assert (place / name).read_bytes().startswith(data), f"{name} was changed"
    assert is_whole((place / "here-2027.jsonl").read_bytes().splitlines()[-1])


def damage_often(count: int, seed: int, folder: Path) -> Counter[str]:
    """Damage so many logs; how often which damage was told or was none."""
    rng = random.Random(seed)
    samples = []
    for reps in (4, 40, 160):
        samples.append(sample_log(folder / f"{reps}", reps))
    seen: Counter[str] = Counter()
    for number in range(count):
        with named(f"number {number} of seed {seed}"):
            seen[damage_once(folder / "work", rng.choice(samples), rng)] += 1
    return seen


def main() -> int:
    seen = tally_of(damage_often, command_line(__doc__).parse_args())
    kinds: Counter[str] = Counter()
    for what, times in seen.items():
        kinds[what.partition(", cache")[0] + what.rpartition(":")[2].rjust(6)] += times
    rows = [(what, times) for what, times in sorted(kinds.items()) if times > 2]
    return print_tally(f"{sum(seen.values())} damages, nothing whole lost:", rows)


if __name__ == "__main__":
    sys.exit(main())
