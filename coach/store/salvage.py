"""What can be saved from a damaged log, without asking SQLite: rows are found on their pages and proved by checksum.

Conventions: the damaged file is only read; it stays, under another name, beside the new one. A row is good when its
columns fit a raw table and its checksum is right, so that it does not matter which page it was found on, and copies
count once. Derived tables are rebuilt from what was saved.

Source of the page and record formats: sqlite.org/fileformat2.html, sections 1.3 to 2.1 (table leaf pages, cells,
overflow pages, serial types).
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from coach.ground.files import free_path, sync_folder
from coach.ground.plain import counted
from coach.ground.problem import CoachError, Problem
from coach.store.lock import alone
from coach.store.schema import (
    NOTE_LOST_PASSAGES,
    RAW_COLUMNS,
    Value,
    checksum,
    connect,
    insert_sql,
    name_the_nameless,
    prepare,
    told,
    transaction,
)

PAGE_SIZE = 4096
"""The page size of every log that this program makes; used where the header's own number is broken."""
_TABLE_LEAF = 0x0D
_MOST_BYTES = 4_000_000
"""No row of a log is longer; a larger length is a broken one."""


@dataclass(frozen=True, slots=True)
class Salvage:
    """What was saved, and where the damaged file is kept."""

    kept: Path
    saved: dict[str, int]
    """Rows saved by raw table."""

    @property
    def sentence(self) -> str:
        reps = self.saved["reps"]
        return (
            f"The practice log was damaged. {counted(reps, 'repetition')} could be read and were "
            f"saved to a new log; the damaged file is kept as {self.kept.name}."
        )


def mend_log(path: Path, now_ms: int, own: Collection[str] = ()) -> Salvage:
    """Put a new log with every good row in the place of a damaged one, which is kept under another name.

    CoachError where there is nothing to read or no room, and while a session is open on it: that would go on writing
    to the file that is put away. `own` are the ids of players whom this process itself holds.
    """
    from coach.store.log import stamp

    moment = stamp(now_ms)
    try:
        with alone(path.parent, own):
            return _mended(path, moment)
    except OSError as error:
        raise CoachError(
            Problem(f"the damaged log can't be mended: {(error.strerror or str(error)).lower()}", str(path))
        ) from error


def _mended(path: Path, moment: str) -> Salvage:
    kept = free_path(path.with_name(f"{path.stem}.damaged.{moment}{path.suffix}"))
    fresh = path.with_name(f"{path.stem}.saved.{moment}{path.suffix}.part")
    for left_over in (fresh, journal_of(fresh)):
        left_over.unlink(missing_ok=True)
    try:
        # A copy first: at no moment is there less than one whole file, even when the power goes.
        shutil.copy2(path, kept)
        journal = journal_of(path)
        if journal.exists() and journal.stat().st_size:
            shutil.copy2(journal, journal_of(kept))
        with kept.open("rb+") as file:
            os.fsync(file.fileno())
        saved = _copy_good_rows(path.read_bytes(), fresh)
    except BaseException:
        # On a full disk half a copy keeps nothing, and takes what room there is.
        for half in (kept, journal_of(kept), fresh, journal_of(fresh)):
            half.unlink(missing_ok=True)
        raise
    journal.unlink(missing_ok=True)
    os.replace(fresh, path)
    journal_of(fresh).unlink(missing_ok=True)
    sync_folder(path.parent)
    return Salvage(kept, saved)


def good_rows(data: bytes) -> Iterator[tuple[str, tuple[Value, ...]]]:
    """Every raw row (table and columns without the checksum) that can be proved good in a log's bytes."""
    size = _page_size(data)
    for start in range(0, len(data), size):
        page = data[start : start + size]
        for record in _records(data, page, start, size):
            for table, columns in RAW_COLUMNS.items():
                fits = len(record) == len(columns) + 1
                if fits and checksum(table, record[:-1]) == record[-1]:
                    yield table, record[:-1]


def _copy_good_rows(data: bytes, fresh: Path) -> dict[str, int]:
    saved = dict.fromkeys(RAW_COLUMNS, 0)
    connection = connect(fresh)
    try:
        with told(fresh):
            prepare(connection, None, "")
            with transaction(connection):
                for table, values in good_rows(data):
                    row = (*values, checksum(table, values))
                    saved[table] += connection.execute(insert_sql(table), row).rowcount
                name_the_nameless(connection)
                connection.execute(NOTE_LOST_PASSAGES)
    finally:
        connection.close()
    return saved


def _page_size(data: bytes) -> int:
    if len(data) < 18 or not data.startswith(b"SQLite format 3\0"):
        return PAGE_SIZE
    size = int.from_bytes(data[16:18])
    size = 65536 if size == 1 else size
    return size if 512 <= size <= 65536 and size & (size - 1) == 0 else PAGE_SIZE


def _records(data: bytes, page: bytes, start: int, size: int) -> Iterator[tuple[Value, ...]]:
    """The records of a table leaf page; whatever does not hold together is passed over."""
    header = 100 if start == 0 else 0
    if len(page) < header + 8 or page[header] != _TABLE_LEAF:
        return
    cells = int.from_bytes(page[header + 3 : header + 5])
    for index in range(min(cells, size // 6)):
        at = header + 8 + 2 * index
        offset = int.from_bytes(page[at : at + 2])
        if not header + 8 <= offset < len(page):
            continue
        try:
            yield _record(_payload(data, page, offset, size))
        except (IndexError, ValueError):
            continue


def _payload(data: bytes, page: bytes, offset: int, size: int) -> bytes:
    """A cell's bytes, those on its overflow pages included."""
    length, offset = _varint(page, offset)
    _, offset = _varint(page, offset)
    if not 0 < length <= _MOST_BYTES:
        raise ValueError("no length")
    most, least = size - 35, (size - 12) * 32 // 255 - 23
    if length <= most:
        return page[offset : offset + length]
    local = least + (length - least) % (size - 4)
    local = local if local <= most else least
    parts = [page[offset : offset + local]]
    following = int.from_bytes(page[offset + local : offset + local + 4])
    missing = length - local
    while missing > 0:
        begin = (following - 1) * size
        overflow = data[begin : begin + size] if following > 0 else b""
        if len(overflow) < 5:
            raise ValueError("the overflow chain breaks off")
        parts.append(overflow[4 : 4 + missing])
        missing -= size - 4
        following = int.from_bytes(overflow[:4])
    return b"".join(parts)


def _record(payload: bytes) -> tuple[Value, ...]:
    header_length, at = _varint(payload, 0)
    if header_length > len(payload):
        raise ValueError("no header")
    kinds = []
    while at < header_length:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    values: list[Value] = []
    at = header_length
    for kind in kinds:
        length = _INT_BYTES[kind] if kind < 12 else (kind - 12) // 2
        body = payload[at : at + length]
        if len(body) != length:
            raise ValueError("cut off")
        at += length
        if kind == 0:
            values.append(None)
        elif kind in (8, 9):
            values.append(kind - 8)
        elif kind < 7:
            values.append(int.from_bytes(body, signed=True))
        elif kind >= 13 and kind % 2:
            values.append(body.decode())
        else:
            raise ValueError("no raw column holds a float or a blob")
    return tuple(values)


_INT_BYTES = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0, 0, 0)
"""Length in bytes of the serial types 0 to 11 (7 is a float, which no raw column holds)."""


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A big-endian variable-length number of at most nine bytes, and the place after it."""
    value = 0
    for count in range(9):
        byte = data[at + count]
        if count == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    raise ValueError("no number")


def journal_of(path: Path) -> Path:
    """Where SQLite keeps the way back of a file's last transaction."""
    return path.with_name(path.name + "-journal")


def readable(path: Path) -> bool:
    """Whether SQLite can read the whole file."""
    try:
        connection = sqlite3.connect(path)
        try:
            return bool(connection.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")
        finally:
            connection.close()
    except sqlite3.Error:
        return False
