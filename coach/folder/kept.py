"""What was read of drill and settings files, kept between starts, so that a file that is as it was is not read again.

It lies beside what the program keeps of this machine and user, in one file that may go at any time. What is kept holds
as Python's own bytecode does: while the file, and every file of the program, has the size and the times it had. Only
values are made from it: the program's own classes of data, and nothing that runs.
"""

from __future__ import annotations

import io
import os
import pickle
import stat
import sys
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any, TypeVar

import coach
from coach.ground.own_files import keep_checked, read_checked, stamp_of
from coach.ground.places import state_file

T = TypeVar("T")
MOST_KEPT = 600
"""Files, the last read."""
SETTLED_S = 2.0
"""A file that changed less long ago may change again within one tick of its file system's clock."""
_OTHERS = {("fractions", "Fraction"), ("datetime", "date")}


class Kept:
    """Values by the file that they were read from; `save` when all is read."""

    def __init__(self, file: Path, stamp: str) -> None:
        self._file = file
        self._stamp = stamp
        self._values = _load(file, stamp)
        self._changed = False

    @classmethod
    def open(cls) -> Kept:
        """That of this user."""
        return cls(state_file("read"), program_stamp())

    def read(self, path: Path, read: Callable[[Path], T]) -> T:
        """What `read` makes of a file, whose errors pass; kept, where the file is as it was then."""
        mark, name = _mark(path), str(path)
        known, data = self._values.get(name, ((), b""))
        if mark and known == mark:
            with suppress(Exception):  # Whatever is wrong with what was kept, the file is there to be read.
                value: T = _Reader(io.BytesIO(data)).load()
                return value
        value = read(path)
        if mark and mark == _mark(path) and time.time() - mark[0] / 1e9 > SETTLED_S:
            self._values.pop(name, None)
            self._values[name] = mark, pickle.dumps(value, 5)
            self._changed = True
        return value

    def save(self) -> None:
        """Write what is new; where the disk refuses, the next start reads the files again."""
        if not self._changed:
            return
        last = dict(list(self._values.items())[-MOST_KEPT:])
        keep_checked(self._file, pickle.dumps((self._stamp, last), 5))


def program_stamp() -> str:
    """What changes with any file of the program, or with Python."""
    root = os.path.dirname(coach.__file__)
    return f"{sys.version} {zlib.crc32(repr(sorted(_sources(root))).encode())}"


def _sources(folder: str) -> Iterator[tuple[str, int, int]]:
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(".py"):
                status = entry.stat()
                yield entry.path, status.st_mtime_ns, status.st_size
            elif "." not in entry.name and entry.is_dir():
                yield from _sources(entry.path)


def _mark(path: Path) -> tuple[int, ...]:
    """What changes with a file; nothing where there is none, or a link, whose target may change."""
    try:
        status = path.lstat()
    except OSError:
        return ()
    return stamp_of(status) if stat.S_ISREG(status.st_mode) else ()


def _load(file: Path, stamp: str) -> dict[str, tuple[tuple[int, ...], bytes]]:
    with suppress(Exception):  # It may be cut off, another version's, or not ours at all.
        of, values = _Reader(io.BytesIO(read_checked(file))).load()
        if of == stamp:
            return dict(values)
    return {}


class _Reader(pickle.Unpickler):
    """Makes values, and refuses everything else that a pickle can do."""

    def find_class(self, module: str, name: str) -> Any:
        if module.startswith("coach.") or (module, name) in _OTHERS:
            found = super().find_class(module, name)
            if isinstance(found, type) and (
                is_dataclass(found) or issubclass(found, Enum) or module in ("fractions", "datetime")
            ):
                return found
        raise pickle.UnpicklingError(f"{module}.{name}")
