"""The log's folder as this run has read it: every file's lines, what is damaged, and what is gone since the last run.

`progress/cache/seen.json` keeps what was read last: of each file its size, a checksum of its bytes, where its lines
stand that are no repetitions, and every line's own checksum. So the next run need not look through what it knows, and
notices what is gone: a file that was removed, cut off or replaced, and each line of it by number. It may be deleted at
any time; then the log is read anew, and nobody knows what is gone.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import time
import zlib
from array import array
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import field
from pathlib import Path
from typing import Any

from coach.ground.codec import UnfitError
from coach.ground.frozen import mutable
from coach.ground.own_files import keep_checked, read_checked, refuse_link, stamp_of
from coach.ground.plain import listed
from coach.ground.problem import NEWER_WROTE_IT, CoachError, Problem, Severity, reason_of
from coach.log.disk import read_whole
from coach.log.lines import PLAYER_AT, REP_STARTS, fault_in, is_whole, lines_in
from coach.log.pen import ENDING, Written

_WAITS_S = (0.0, 0.01, 0.02, 0.05, 0.1)
"""A program that synchronises a folder takes a file away for a moment while it replaces it."""

Take = Callable[["View", int, bytes], None]
"""Called with each whole line that is no repetition: its file, where it starts, and the line without its line feed."""


@mutable
class View:
    """One file as far as it was read; a last line without its line feed is not."""

    name: str
    size: int = 0
    crc: int = 0
    """CRC-32 of these bytes."""
    others: list[int] = field(default_factory=list)
    """Where the whole lines start that are no repetitions."""
    crcs: array[int] = field(default_factory=lambda: array("I"))
    """CRC-32 of each line."""
    bad: set[int] = field(default_factory=set)
    """Where the lines start that are not whole."""
    players: set[str] = field(default_factory=set)
    """Ids of all whose repetitions stand in it."""
    stamp: tuple[int, ...] = ()
    """Size, times and number of the file as it was looked at: unchanged, it need not be read again."""


@mutable
class Shelf:
    """All files of one log. `folder` holds them, `cache` what may be deleted."""

    folder: Path
    cache: Path
    take: Take
    views: dict[str, View] = field(default_factory=dict)
    problems: dict[Problem, None] = field(default_factory=dict)
    """Lines that don't count and files that were refused, as met in this run."""
    trusting: bool = True
    """Whether what an earlier run saw to be whole need not be looked through."""
    gone: dict[str, dict[int, int]] = field(default_factory=dict)
    """Of each file the lines that were seen there once and stand nowhere now: CRC-32 to line number."""
    refused: set[str] = field(default_factory=set)
    """Files that could not be read."""
    moved: bool = False
    """Whether bytes were asked for, since the last `read`, that stand there no more: nothing that follows is kept."""
    _seen: dict[str, View] | None = None
    _written: bytes = b""

    def anew(self) -> Shelf:
        """A shelf that has read nothing yet and knows what this one has seen."""
        shelf = Shelf(self.folder, self.cache, self.take, gone=self.gone)
        shelf._seen = self._known()
        return shelf

    def path(self, name: str) -> Path:
        return self.folder / name

    def read(self) -> bool:
        """Take in what was added since; False where anything else changed, and all has to be read anew."""
        self.moved = False
        stamps = dict(self._stamps())
        if not stamps.keys() >= self.views.keys():
            return False
        for name, stamp in stamps.items():
            view = self.views.get(name)
            if (view is None or view.stamp != stamp) and not self._read_file(name, stamp):
                return False
        self._compare()
        return True

    def data(self, name: str) -> bytes:
        """The bytes of a file as far as it was read; empty where it has gone or is another one now (`moved`)."""
        view = self.views[name]
        for wait_s in _WAITS_S:
            time.sleep(wait_s)
            with suppress(CoachError):
                data = read_whole(self.path(name))[: view.size]
                if zlib.crc32(data) == view.crc:
                    return data
        self.moved = True
        return b""

    def lines(self, view: View, since: int = 0) -> Iterator[tuple[int, bytes]]:
        """The whole lines of a file from a place on, each with where it starts."""
        start = since
        for line in lines_in(self.data(view.name)[since:]):
            if start not in view.bad:
                yield start, line
            start += len(line) + 1

    def whole_lines(self) -> Iterator[tuple[View, int, bytes]]:
        """Every whole line of every file, with its file and where it starts there."""
        for _, view in sorted(self.views.items()):
            for start, line in self.lines(view):
                yield view, start, line

    def added(self, written: Written) -> None:
        """Take in what this run wrote, where nobody else has touched the file since; else the next `read` finds it."""
        name = written.path.name
        view = self.views.get(name)
        if view is None and not written.start:
            view = self.views[name] = View(name, stamp=written.before)
        if view is None or view.size != written.start or view.stamp != written.before:
            return
        self._take_lines(view, written.data, len(view.crcs))
        view.stamp = written.after

    def keep(self) -> None:
        """Write down what was seen; where that can't be, nothing is lost."""
        views = {
            name: [
                *(view.size, view.crc, view.others, sorted(view.bad), sorted(view.players)),
                base64.b64encode(view.crcs.tobytes()).decode(),
            ]
            for name, view in self._known().items()
        }
        gone = {name: sorted(lines.items()) for name, lines in self.gone.items()}
        body = json.dumps({"files": views, "gone": gone}, separators=(",", ":")).encode()
        if body != self._written:
            keep_checked(self.cache / "seen.json", body)
            self._written = body

    def unfit(self, view: View, start: int, error: UnfitError) -> None:
        """Tell of a line that fits its checksum and holds no record that this program knows."""
        self.doubt(view, start, str(error), guess=NEWER_WROTE_IT)

    def doubt(
        self, view: View, start: int, message: str, severity: Severity = "error", guess: str = ""
    ) -> None:
        """Tell of a line that fits its checksum but does not count, or counts only in part."""
        with suppress(CoachError):
            number = read_whole(self.path(view.name))[:start].count(b"\n") + 1
            self._report(Problem(message, self._where(view), number, guess=guess, severity=severity))

    def accept(self) -> None:
        """Go on without what is gone."""
        self.gone.clear()

    def _stamps(self) -> Iterator[tuple[str, tuple[int, ...]]]:
        refuse_link(self.folder)
        try:
            with os.scandir(self.folder) as entries:
                names = sorted(
                    entry.name for entry in entries if entry.name.endswith(ENDING) and entry.name[0] != "."
                )
        except FileNotFoundError:
            return
        except OSError as error:
            raise CoachError(f"can't be read: {reason_of(error)}", str(self.folder)) from error
        for name in names:
            with suppress(FileNotFoundError):
                yield name, stamp_of(self.path(name).lstat())

    def _read_file(self, name: str, stamp: tuple[int, ...]) -> bool:
        """Take in a file that is new or has grown; False where it is another one than was read."""
        view = self.views.get(name)
        try:
            data = read_whole(self.path(name))
        except CoachError as error:
            self._report(*error.problems)
            self.refused.add(name)
            return view is None
        self.refused.discard(name)
        if view is None:
            view = self.views[name] = self._remembered(name, data)
        elif not _begins_as(data, view):
            return False
        self._take_lines(view, data[view.size :], len(view.crcs))
        view.stamp = stamp
        return True

    def _remembered(self, name: str, data: bytes) -> View:
        """What an earlier run saw of this file, where that still stands in it; else a view of nothing."""
        seen = self.seen.get(name)
        if not self.trusting or seen is None or not _begins_as(data, seen):
            return View(name)
        for start in seen.others:
            self.take(seen, start, data[start : data.index(b"\n", start)])
        return seen

    def _take_lines(self, view: View, data: bytes, number: int) -> None:
        start, base = 0, view.size
        while (stop := data.find(b"\n", start)) >= 0:
            line = data[start:stop]
            number += 1
            view.crcs.append(zlib.crc32(line))
            if not is_whole(line):
                view.bad.add(base + start)
                self._report(Problem(f"{fault_in(line)}; left where it is", self._where(view), number))
            elif line.startswith(REP_STARTS):
                view.players.add(line[PLAYER_AT].decode("ascii", "replace"))
            else:
                view.others.append(base + start)
                self.take(view, base + start, line)
            start = stop + 1
        view.crc = zlib.crc32(memoryview(data)[:start], view.crc)
        view.size += start
        if start < len(data):
            self._report(Problem(fault_in(data[start:]), self._where(view), number + 1, severity="warning"))

    def _where(self, view: View) -> str:
        return str(self.path(view.name))

    def _report(self, *problems: Problem) -> None:
        self.problems.update(dict.fromkeys(problems))

    @property
    def seen(self) -> dict[str, View]:
        """What the last run saw."""
        if self._seen is None:
            self._seen, self.gone = {}, {}
            with suppress(ValueError, TypeError, KeyError, LookupError, OverflowError, binascii.Error):
                known = json.loads(read_checked(self.cache / "seen.json"))
                self.gone = {
                    name: {int(crc): int(number) for crc, number in lines}
                    for name, lines in known["gone"].items()
                }
                self._seen = {name: _view(name, row) for name, row in known["files"].items()}
        return self._seen

    def _compare(self) -> None:
        """Find what was seen earlier and stands nowhere now."""
        changed = [
            old
            for name, old in self.seen.items()
            if name not in self.refused and not _continues(self.views.get(name), old)
        ]
        if not changed and not self.gone:
            return
        there = {crc for view in self.views.values() for crc in view.crcs}
        for old in changed:
            lines = self.gone.setdefault(old.name, {})
            lines.update({crc: number for number, crc in enumerate(old.crcs, 1)})
        for name in list(self.gone):
            self.gone[name] = {crc: number for crc, number in self.gone[name].items() if crc not in there}
            if not self.gone[name]:
                del self.gone[name]
        for old in changed:
            if old.name not in self.gone:
                self._report(self._moved(old))
        self._seen = self._known()

    def _moved(self, old: View) -> Problem:
        """That all lines of a file still stand somewhere, but not where they stood."""
        view = self.views.get(old.name)
        if view is None:
            text, line = "the file is gone, but all its lines are in other files", 0
        else:
            pairs = enumerate(zip(view.crcs, old.crcs, strict=False), 1)
            line = next((number for number, (one, other) in pairs if one != other), len(view.crcs) + 1)
            text = "from here on, lines have moved or changed order; none is lost"
        return Problem(text, self._where(old), line, severity="warning")

    def _known(self) -> dict[str, View]:
        return {**{name: self.seen[name] for name in self.refused & self.seen.keys()}, **self.views}

    def gone_problems(self) -> list[Problem]:
        """What was seen earlier and stands nowhere now, a sentence for each file."""
        return [
            Problem(
                f"missing: {_lines(sorted(lines.values()))}, in no other file either",
                str(self.path(name)),
                min(lines.values()),
                guess="put the file back from a backup or another machine; "
                "`coach log check --accept` carries on without it",
            )
            for name, lines in sorted(self.gone.items())
        ]


def _lines(numbers: Sequence[int]) -> str:
    """Line numbers as people say them: `line 3`, `lines 3 to 17`, `lines 3 to 17 and 20`."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    words = [f"{first:,} to {last:,}" if last > first else f"{first:,}" for first, last in runs]
    return f"line{'' if len(numbers) == 1 else 's'} {listed(words, 4)}"


def _begins_as(data: bytes, view: View) -> bool:
    """Whether a file's bytes begin with all that was read of it."""
    return len(data) >= view.size and zlib.crc32(memoryview(data)[: view.size]) == view.crc


def _continues(view: View | None, old: View) -> bool:
    """Whether a file still begins with all that was seen of it."""
    return view is not None and view.crcs[: len(old.crcs)] == old.crcs


def _view(name: str, row: Any) -> View:
    size, crc, others, bad, players, crcs = row
    view = View(name, int(size), int(crc), list(map(int, others)))
    view.crcs.frombytes(base64.b64decode(crcs))
    view.bad, view.players = set(map(int, bad)), set(map(str, players))
    return view
