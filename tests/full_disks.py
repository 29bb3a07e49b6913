"""Fill the disk at random moments of practice, and see that nothing is lost and that it is said.

    python -m tests.full_disks 400 [--seed N] [--mount DIR]

A disk is full where a file may grow no further: by a limit of the process (setrlimit, RLIMIT_FSIZE), or with
`--mount` in a file system in memory of a few kilobytes that is mounted there (which takes the right to do so).
Repetitions, corrections and entries go on while it is full; later there is room again, or the program ends without.
What was told as saved stands in the file by then; what was not is said to wait, counts in the plan all the same, and
is on the disk in the end: written with the next word, or by the file that the last words name, copied to where they
say.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

from coach.learning.learning import LearningFold
from coach.learning.planner import history_of
from coach.log.entries import Entry, practice_day
from coach.log.lines import is_whole, lines_in
from coach.log.log import Log, Refusal
from tests.kills import assert_cached_is_anew, one_id
from tests.logs import FAULTS, NOON, id_at, passage_named, rep_at
from tests.trials import command_line, named, print_tally, tally_of

LIMIT_FROM, LIMIT_TO = 0, 12_000
MOUNTED_BYTES = 64 * 1024


def fill_by_limit(folder: Path, rng: random.Random) -> Callable[[], None]:
    """No file may grow beyond some bytes; the way back."""
    # A module that is first imported meanwhile would leave half a compiled file for every later program.
    sys.dont_write_bytecode = True
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (rng.randrange(LIMIT_FROM, LIMIT_TO), before[1]))
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, before)


def fill_by_ballast(folder: Path, rng: random.Random) -> Callable[[], None]:
    """A file takes all the room but some bytes; the way back."""
    ballast = folder / "ballast"
    free = shutil.disk_usage(folder).free
    with ballast.open("wb") as file, suppress(OSError):
        file.write(bytes(max(free - rng.choice([0, 0, 4096, 8192]), 0)))
    return lambda: ballast.unlink()


def fill_once(
    folder: Path, fill: Callable[[Path, random.Random], Callable[[], None]], rng: random.Random
) -> str:
    """One run into a full disk; how it ended. AssertionError where a word is lost or was refused wrongly."""
    place, elsewhere = folder / "progress" / "log", Path(tempfile.mkdtemp())
    words = rng.randrange(4, 30)
    full_at, room_at = rng.randrange(words), rng.randrange(words)
    room: Callable[[], None] | None = None
    sent: list[str] = []
    waited = 0
    try:
        with Log.open(place, "Ada", now_ms=NOON, machine=lambda: "here") as log:
            for number in range(words):
                if number == full_at:
                    room = fill(folder, rng)
                if number == room_at and room and rng.random() < 0.7:
                    room = room()
                refusal = say(log, number, rng)
                sent = [one_id(word) for word in log.sent]
                waited += bool(log.waiting)
                assert bool(refusal) == bool(log.waiting), refusal
                assert not refusal or refusal.waiting == len(log.waiting), refusal
                check_saved(place, sent, [one_id(word) for word in log.waiting])
                today = practice_day(NOON, 60)
                history_of(log, log.state(LearningFold(), today), today)
            lines = log.last_words([elsewhere])
            ended = "saved in the end" if not lines else "kept elsewhere"
        if room:
            room()
        if lines:
            place.mkdir(parents=True, exist_ok=True)
            ended += take_in(lines, elsewhere, place)
        with Log.open(place, "Ada", now_ms=NOON, machine=lambda: "here", read_only=True) as log:
            check_saved(place, sent, [])
            assert not log.book.shelf.problems or lines, log.book.shelf.problems
            assert_cached_is_anew(log, LearningFold(), log.player.id)
    finally:
        shutil.rmtree(elsewhere)
    return f"{ended}, {'waited' if waited else 'never full'}"


def take_in(lines: list[str], elsewhere: Path, place: Path) -> str:
    """Do what the last words say."""
    for kept in elsewhere.glob("unsaved-*.jsonl"):
        assert str(kept) in lines[0]
        assert lines[1].endswith(f"cp {kept} {place}")
        shutil.copy(kept, place)
        return ""
    assert "and nowhere else either" in lines[0]
    (place / "by-hand.jsonl").write_text("\n".join(lines[2:]) + "\n", "utf-8")
    return " by hand"


def say(log: Log, number: int, rng: random.Random) -> Refusal | None:
    """One word more; what the disk refused."""
    at_ms = NOON + number * 30_000
    if number and rng.random() < 0.2 and log.reps():
        return log.correct(log.reps()[-1], (), at_ms)
    if rng.random() < 0.2:
        entry = Entry(
            id_at(at_ms, "note"), log.player.id, at_ms, 60, "note", {"text": "x" * rng.randrange(900)}
        )
        return log.send(entry)
    passage = passage_named(f"lantern {rng.randrange(9)}")
    return log.send((rep_at(log, at_ms, rng.choice(FAULTS), passage), passage))


def check_saved(place: Path, sent: list[str], waiting: list[str]) -> None:
    """What does not wait stands in the files, read by nothing but their lines."""
    data = b"".join(path.read_bytes() for path in place.glob("*.jsonl"))
    standing = {line.split(b'"')[3].decode() for line in lines_in(data) if is_whole(line)}
    lost = set(sent) - set(waiting) - standing
    assert not lost, f"{len(lost)} of {len(sent)} were told as saved and are not there"


def fill_often(count: int, seed: int, folder: Path, mount: Path | None = None) -> Counter[str]:
    """Fill so many disks; how it ended."""
    rng = random.Random(seed)
    seen: Counter[str] = Counter()
    for number in range(count):
        place = (mount or folder) / f"practice{number}"
        place.mkdir(parents=True)
        fill = fill_by_ballast if mount else fill_by_limit
        with named(f"number {number} of seed {seed}"):
            seen[fill_once(place, fill, rng)] += 1
        shutil.rmtree(place)
    return seen


def main() -> int:
    parser = command_line(__doc__)
    parser.add_argument("--mount", type=Path, help="an empty folder to mount a small file system on")
    chosen = parser.parse_args()
    if chosen.mount:
        chosen.mount.mkdir(parents=True, exist_ok=True)
        size = f"size={MOUNTED_BYTES}"
        subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(chosen.mount)], check=True)
    try:
        seen = tally_of(partial(fill_often, mount=chosen.mount), chosen)
    finally:
        if chosen.mount:
            os.sync()
            subprocess.run(["umount", str(chosen.mount)], check=True)
    return print_tally(f"{sum(seen.values())} full disks, nothing lost:", sorted(seen.items()))


if __name__ == "__main__":
    sys.exit(main())
