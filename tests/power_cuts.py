"""Cut the power at random moments of a recorded run, and see that nothing which was shown as saved is lost.

    python -m tests.power_cuts 3000 [--seed N]

A run of the program's own log is recorded: every write, cut, sync of a file or a folder, rename and removal that
reaches the disk, in order, and between them what was shown as saved. A cut is a moment of that record. What was
synced by then is on the disk; of what was not, a disk keeps any part in any order: each write wholly, in part (torn
at any byte or with a stretch of zeros in it), or not at all, whatever came before or after it; a file's length may
have grown without its bytes; names that were made, changed or removed since their folder's sync are there or not.
From what is left the log is opened again: everything shown as saved has to count, nothing else may but what was on
its way, and practice goes on. (What a disk may do with unsynced writes: Pillai et al. 2014, OSDI, 'All file systems
are not created equal', table 1.)
"""

from __future__ import annotations

import os
import random
import shutil
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from coach.learning.learning import LearningFold
from coach.log.entries import Entry
from coach.log.log import Log
from tests.kills import LAST_DAY, assert_cached_is_anew, one_id
from tests.logs import DAY, FAULTS, NOON, id_at, passage_named, rep_at
from tests.trials import command_line, print_tally, tally_of

SECTOR = 512


@dataclass(frozen=True)
class Step:
    """One thing that reached the disk's queue. `file` numbers a file from 1, whatever its name; `path` is a name."""

    what: str
    file: int = 0
    path: str = ""
    at: int = 0
    data: bytes = b""
    ids: tuple[str, ...] = ()


@dataclass
class Recorder:
    """Records what the program does to files below a folder."""

    root: Path
    steps: list[Step] = field(default_factory=list)
    descriptors: dict[int, tuple[int, str]] = field(default_factory=dict)
    """Open descriptors: the file's number, 0 for a folder, and its path."""
    numbers: dict[tuple[int, int], int] = field(default_factory=dict)

    def inside(self, path: Any) -> bool:
        return str(path).startswith(str(self.root))

    def number(self, descriptor: int) -> int:
        status = os.fstat(descriptor)
        return self.numbers.setdefault((status.st_dev, status.st_ino), len(self.numbers) + 1)

    @contextmanager
    def recording(self) -> Iterator[None]:
        real = {name: getattr(os, name) for name in _RECORDED}
        with ExitStack() as stack:
            for name, wrap in _RECORDED.items():
                stack.enter_context(mock.patch.object(os, name, wrap(self, real[name])))
            yield

    def shown(self, ids: tuple[str, ...]) -> None:
        self.steps.append(Step("shown", ids=ids))


def _open(recorder: Recorder, real: Callable[..., int]) -> Callable[..., int]:
    def opened(path: Any, flags: int, *rest: Any, **options: Any) -> int:
        new = recorder.inside(path) and not os.path.lexists(path)
        descriptor = real(path, flags, *rest, **options)
        if recorder.inside(path):
            folder = os.path.isdir(path)
            number = 0 if folder else recorder.number(descriptor)
            recorder.descriptors[descriptor] = number, str(path)
            if new and flags & os.O_CREAT:
                recorder.steps.append(Step("name", number, str(path)))
        return descriptor

    return opened


def _close(recorder: Recorder, real: Callable[[int], None]) -> Callable[[int], None]:
    def close(descriptor: int) -> None:
        recorder.descriptors.pop(descriptor, None)
        real(descriptor)

    return close


def _write(recorder: Recorder, real: Callable[..., int]) -> Callable[..., int]:
    def write(descriptor: int, data: bytes) -> int:
        number, _ = recorder.descriptors.get(descriptor, (0, ""))
        at = os.fstat(descriptor).st_size
        length = real(descriptor, data)
        if number:
            recorder.steps.append(Step("write", number, at=at, data=bytes(data[:length])))
        return length

    return write


def _fsync(recorder: Recorder, real: Callable[[int], None]) -> Callable[[int], None]:
    def fsync(descriptor: int) -> None:
        real(descriptor)
        if descriptor in recorder.descriptors:
            number, path = recorder.descriptors[descriptor]
            recorder.steps.append(Step("sync", number, path) if number else Step("sync folder", path=path))

    return fsync


def _replace(recorder: Recorder, real: Callable[..., None]) -> Callable[..., None]:
    def replace(source: Any, target: Any) -> None:
        status = os.stat(source)
        number = recorder.numbers.setdefault((status.st_dev, status.st_ino), len(recorder.numbers) + 1)
        real(source, target)
        if recorder.inside(target):
            recorder.steps.append(Step("rename", number, str(target), data=str(source).encode()))

    return replace


def _mkdir(recorder: Recorder, real: Callable[..., None]) -> Callable[..., None]:
    def mkdir(path: Any, *rest: Any, **options: Any) -> None:
        real(path, *rest, **options)
        if recorder.inside(path):
            recorder.steps.append(Step("folder", path=str(path)))

    return mkdir


def _unlink(recorder: Recorder, real: Callable[..., None]) -> Callable[..., None]:
    def unlink(path: Any, *rest: Any, **options: Any) -> None:
        real(path, *rest, **options)
        if recorder.inside(path):
            recorder.steps.append(Step("remove", path=str(path)))

    return unlink


_RECORDED: dict[str, Callable[[Recorder, Any], Any]] = {
    "open": _open,
    "close": _close,
    "write": _write,
    "fsync": _fsync,
    "replace": _replace,
    "unlink": _unlink,
    "mkdir": _mkdir,
}
"""What the log calls of the system; files of the cache are written by Python's own buffers, whose writes and syncs are
not seen here, so that a cut leaves any of them missing, which a cache has to bear."""


def record(folder: Path, rng: random.Random, words: int) -> list[Step]:
    """A run of some starts: sessions, corrections, entries; the log's own files alone, which are what counts."""
    recorder = Recorder(folder)
    with recorder.recording():
        for start in range(3):
            with Log.open(folder / "log", "Ada", now_ms=NOON, machine=lambda: "here") as log:
                log.state(LearningFold(), LAST_DAY)
                for index in range(words):
                    at_ms = NOON + start * DAY * 200 + index * 60_000
                    passage = passage_named(f"lantern {rng.randrange(5)}")
                    rep = rep_at(log, at_ms, rng.choice(FAULTS), passage)
                    many = [(rep, passage)]
                    if rng.random() < 0.1:
                        later = rep_at(log, at_ms + 5, (), passage)
                        many.append((later, passage))
                    assert log.send(*many) is None
                    recorder.shown(tuple(map(one_id, many)))
                    if rng.random() < 0.2:
                        assert log.correct(rep, (), at_ms + 9) is None
                        recorder.shown((log.corrections(rep.id)[-1].id,))
                    if rng.random() < 0.1:
                        entry = Entry(id_at(at_ms, "entry"), log.player.id, at_ms, 60, "note", {"text": "x"})
                        assert log.send(entry) is None
                        recorder.shown((entry.id,))
    return recorder.steps


def left_by(steps: list[Step], rng: random.Random) -> tuple[dict[str, bytes], set[str]]:
    """What stands on the disk after a cut behind these steps, and the ids that were shown as saved by then."""
    content: dict[int, bytes] = {}
    pending: dict[int, list[Step]] = {}
    names: dict[str, int] = {}
    """By path; a folder's number is 0."""
    unsure: list[Step] = []
    shown: set[str] = set()
    for step in steps:
        match step.what:
            case "write":
                pending.setdefault(step.file, []).append(step)
            case "sync":
                for write in pending.pop(step.file, []):
                    content[step.file] = _put(content.get(step.file, b""), write.at, write.data)
                content.setdefault(step.file, b"")
            case "sync folder":
                for change in [one for one in unsure if os.path.dirname(one.path) == step.path]:
                    _rename(names, change)
                    unsure.remove(change)
            case "shown":
                shown |= set(step.ids)
            case _:
                unsure.append(step)
    for number, writes in pending.items():
        content[number] = _torn(content.get(number, b""), writes, rng)
    for change in unsure:
        if rng.random() < 0.5:
            _rename(names, change)
    files = {
        path: content.get(number, b"")
        for path, number in names.items()
        if number and str(Path(path).parent) in names
    }
    return files, shown


def _put(data: bytes, at: int, piece: bytes) -> bytes:
    data = data.ljust(at, b"\0")
    return data[:at] + piece + data[at + len(piece) :]


def _torn(data: bytes, writes: list[Step], rng: random.Random) -> bytes:
    """Any part of unsynced writes, in any order, torn; lengths that grew without their bytes."""
    chosen = [write for write in writes if rng.random() < 0.7]
    rng.shuffle(chosen)
    for write in chosen:
        piece = write.data
        action = rng.random()
        if action < 0.3:
            piece = piece[: rng.randrange(len(piece) + 1)]
        elif action < 0.6:
            at = rng.randrange(len(piece))
            length = rng.choice([1, 16, SECTOR])
            piece = piece[:at] + bytes(min(length, len(piece) - at)) + piece[at + length :]
        data = _put(data, write.at, piece)
    if writes and rng.random() < 0.2:
        data = data.ljust(writes[-1].at + len(writes[-1].data), b"\0")
    return data


def _rename(names: dict[str, int], step: Step) -> None:
    if step.what == "remove":
        names.pop(step.path, None)
        return
    if step.what == "rename":
        names.pop(step.data.decode(), None)
    names[step.path] = step.file


def cut_once(folder: Path, steps: list[Step], root: Path, rng: random.Random) -> str:
    """Cut somewhere, open what is left, practise on. AssertionError where something shown is lost."""
    shutil.rmtree(folder, ignore_errors=True)
    moment = rng.randrange(len(steps) + 1)
    files, shown = left_by(steps[:moment], rng)
    for name, data in files.items():
        path = folder / Path(name).relative_to(root)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    with Log.open(folder / "log", "Ada", now_ms=NOON, machine=lambda: "here") as log:
        standing = {line.split(b'"')[3].decode() for _, _, line in log.book.shelf.whole_lines()}
        lost = shown - standing
        assert not lost, f"{len(lost)} of {len(shown)} shown as saved are lost, cut behind step {moment}"
        damaged = bool(log.book.shelf.problems)
        if log.exists:
            assert_cached_is_anew(log, LearningFold(), log.player.id)
        passage = passage_named("lantern 1")
        rep = rep_at(log, NOON + 900 * DAY, passage=passage)
        assert log.send((rep, passage)) is None
    with Log.open(folder / "log", "Ada", now_ms=NOON, read_only=True) as log:
        assert rep.id in log.book.originals(log.player)
    return "a damaged line was told" if damaged else "whole"


def cut_often(count: int, seed: int, folder: Path) -> Counter[str]:
    """Cut so often; what was seen."""
    rng = random.Random(seed)
    seen: Counter[str] = Counter()
    number = 0
    while number < count:
        root = folder / f"run{number}"
        root.mkdir(parents=True)
        steps = record(root, rng, rng.choice([2, 5, 20]))
        for _ in range(min(count - number, 100)):
            number += 1
            seen[cut_once(folder / "cut", steps, root, rng)] += 1
        shutil.rmtree(root)
    return seen


def main() -> int:
    seen = tally_of(cut_often, command_line(__doc__).parse_args())
    heading = f"{sum(seen.values())} cuts, nothing that was shown as saved lost:"
    return print_tally(heading, sorted(seen.items()))


if __name__ == "__main__":
    sys.exit(main())
