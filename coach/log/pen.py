"""The pen of one run of the program: it appends lines to this machine's own file of the log, and looks after them.

Which file: `<machine>-<year>.jsonl`, which no other machine writes. Two processes of one machine may write at once:
each line goes out by one append under a lock that is held for that moment, so that neither needs a file of its own.

The pen remembers every line of its run. Before each write, and at the end, it looks whether anybody else has touched
the file; what a synchronising program replaced, cut, overwrote or removed is written again.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import field
from pathlib import Path

from coach.ground.files import sync_folder
from coach.ground.frozen import frozen, mutable
from coach.ground.own_files import make_own_folder, stamp_of
from coach.ground.problem import CoachError, reason_of
from coach.log.disk import all_of, append, opened_for_append, same_file
from coach.log.lines import lines_in

ENDING = ".jsonl"
_MOST_TRIES = 5


@mutable
class _Page:
    """One file that this run has written to."""

    path: Path
    stamp: tuple[int, ...] = ()
    """The file as this run left it: with any other stamp it is another one, or somebody else has written to it."""
    mine: dict[bytes, None] = field(default_factory=dict)
    """Every line of this run, in order, line feeds included, and before them the lines that they need."""
    there: set[bytes] = field(default_factory=set)
    """Lines that stand in the file, as far as is known."""


@frozen
class Written:
    """What one call added to a file."""

    path: Path
    start: int
    """Size of the file before."""
    data: bytes
    before: tuple[int, ...]
    """Stamp of the file before,"""
    after: tuple[int, ...]
    """and with what was added; empty where more was."""


class Pen:
    """Appends to the files of one machine in one log's folder. `machine` names it when the first line is written."""

    def __init__(self, folder: Path, machine: Callable[[], str]) -> None:
        self.folder = folder
        self._machine = machine
        self._pages: dict[int, _Page] = {}
        """By year."""

    def write(self, year: int, lines: Sequence[bytes], needs: Sequence[bytes] = ()) -> Written:
        """Add lines, on the disk when the call returns, after those of `needs` that this file lacks.

        CoachError where they could not be written: then none of them counts.
        """
        if year not in self._pages:
            self._pages[year] = _Page(self.folder / f"{self._machine()}-{year}{ENDING}")
        page = self._pages[year]
        written = self._put(page, lines, needs)
        page.mine.update(dict.fromkeys([*needs, *lines]))
        return written

    def settle(self, besides: int | None = None) -> list[Written]:
        """Write again what this run wrote and what is gone since; CoachError where that can't be done.

        `besides` is a year whose file needs no look.
        """
        pages = [page for year, page in self._pages.items() if page.mine and year != besides]
        return [self._put(page, (), ()) for page in pages]

    def _put(self, page: _Page, lines: Sequence[bytes], needs: Sequence[bytes]) -> Written:
        path = page.path
        try:
            make_own_folder(self.folder)
            for _ in range(_MOST_TRIES):
                with opened_for_append(path) as descriptor:
                    written = _added(descriptor, page, lines, needs)
                    if same_file(path, descriptor):
                        return written
        except OSError as error:
            guess = "is there room, and may you write here?"
            raise CoachError(f"can't be written: {reason_of(error)}", str(path), guess) from error
        raise CoachError("another program keeps replacing it", str(path))


def _added(descriptor: int, page: _Page, lines: Sequence[bytes], needs: Sequence[bytes]) -> Written:
    """Add the lines to an open file, and before them what it lacks of this run's and of what they need."""
    status = os.fstat(descriptor)
    before, size, wanted = stamp_of(status), status.st_size, needs
    if page.stamp != before:
        page.there = {line + b"\n" for line in lines_in(all_of(descriptor))}
        page.stamp, wanted = (), [*page.mine, *needs]
    lacking = [line for line in wanted if line not in page.there and line not in lines]
    pieces = [*dict.fromkeys(lacking), *lines]
    data = b"".join(pieces)
    if data:
        os.lseek(descriptor, max(size - 1, 0), os.SEEK_SET)
        if size and os.read(descriptor, 1) != b"\n":
            data = b"\n" + data  # What was torn off stays a line of its own.
        append(descriptor, data)
        if not size:
            sync_folder(page.path.parent)
    page.there.update(pieces)
    after = os.fstat(descriptor)
    # Where nothing can be locked, another program's line may have come between.
    page.stamp = stamp_of(after) if after.st_size == size + len(data) else ()
    return Written(page.path, size, data, before, page.stamp)
