"""The log's tables, how an older file becomes a newer one, and how SQLite's errors are told.

Conventions: raw tables hold what happened and are never changed in place; each row ends in a checksum, so that a
flipped bit is found and a good row can be told from a bad one even in a file that SQLite refuses. Derived tables can
be dropped and rebuilt from the raw ones at any time. Days are proleptic ordinals of the practice day.

Journal: rollback with TRUNCATE and synchronous FULL. The file's own journal is synced before the pages are written,
then the pages, then the truncation (sqlite.org/pragma.html: synchronous, journal_mode), so that a commit is on the
disk when it returns. Write-ahead logging would save two syncs a rep, which nobody notices between two repetitions;
but it keeps recent commits in a second file, which a player who copies or synchronises the log by hand would leave
behind, and it silently drops everything after a damaged frame.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from coach.ground.files import free_path, sync_folder
from coach.ground.problem import CoachError, Problem

APPLICATION_ID = 0x57524C47
"""`WRLG` in the file's header: tells the log from any other SQLite file."""

Value = str | int | None
Parsed = TypeVar("Parsed")

RAW_COLUMNS: dict[str, tuple[str, ...]] = {
    "players": ("id", "name", "at_ms"),
    "passages": ("id", "excerpt", "body"),
    "reps": (
        "id",
        "player",
        "day",
        "at_ms",
        "utc_offset_min",
        "passage",
        "tempo_bpm",
        "goal_bpm",
        "faults",
        "rung_bpm",
        "purpose",
        "turn",
        "listened",
        "duration_ms",
    ),
    "corrections": ("id", "rep", "player", "at_ms", "faults", "void"),
    "entries": ("id", "player", "at_ms", "utc_offset_min", "kind", "body"),
}
"""Raw tables and their columns, the checksum left out."""

_RAW_TABLES = """
CREATE TABLE players (id TEXT PRIMARY KEY, name TEXT NOT NULL, at_ms INTEGER NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE passages (id TEXT PRIMARY KEY, excerpt TEXT NOT NULL, body TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE reps (
    id TEXT PRIMARY KEY, player TEXT NOT NULL, day INTEGER NOT NULL, at_ms INTEGER NOT NULL,
    utc_offset_min INTEGER NOT NULL, passage TEXT NOT NULL, tempo_bpm INTEGER NOT NULL, goal_bpm INTEGER NOT NULL,
    faults TEXT, rung_bpm INTEGER NOT NULL, purpose TEXT NOT NULL, turn TEXT NOT NULL,
    listened INTEGER NOT NULL, duration_ms INTEGER NOT NULL, crc INTEGER NOT NULL
);
CREATE INDEX reps_by_day ON reps (player, day);
CREATE TABLE corrections (
    id TEXT PRIMARY KEY, rep TEXT NOT NULL, player TEXT NOT NULL, at_ms INTEGER NOT NULL, faults TEXT,
    void INTEGER NOT NULL, crc INTEGER NOT NULL
);
CREATE INDEX corrections_by_rep ON corrections (rep);
CREATE TABLE entries (
    id TEXT PRIMARY KEY, player TEXT NOT NULL, at_ms INTEGER NOT NULL, utc_offset_min INTEGER NOT NULL,
    kind TEXT NOT NULL, body TEXT NOT NULL, crc INTEGER NOT NULL
);
CREATE INDEX entries_by_player ON entries (player, kind, at_ms);
"""

_DERIVED_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE evidence (
    player TEXT NOT NULL, key TEXT NOT NULL, day INTEGER NOT NULL, body TEXT NOT NULL, memory TEXT, ladder TEXT,
    PRIMARY KEY (player, key, day)
) WITHOUT ROWID;
CREATE TABLE states (
    player TEXT NOT NULL, key TEXT NOT NULL, day INTEGER NOT NULL, memory TEXT NOT NULL, before TEXT, ladder TEXT,
    ladder_before TEXT, PRIMARY KEY (player, key)
) WITHOUT ROWID;
CREATE TABLE days (
    player TEXT NOT NULL, day INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (player, day)
) WITHOUT ROWID;
"""

MIGRATIONS: tuple[str, ...] = (_RAW_TABLES, _DERIVED_TABLES)
"""SQL that leads from schema version n to n + 1; an empty file is version 0."""

PASSAGES_ARE_MISSING = "INSERT OR REPLACE INTO meta VALUES ('lost passages', 'yes')"
NOTE_LOST_PASSAGES = (
    "INSERT OR REPLACE INTO meta SELECT 'lost passages', 'yes' "
    "WHERE EXISTS (SELECT 1 FROM reps WHERE passage NOT IN (SELECT id FROM passages))"
)
"""Remembers that some reps can't be read until their passage is logged again."""

CURRENT = len(MIGRATIONS)
_NO_VERSION = 100
"""No program ever wrote a schema so high: the number is broken."""


class DamagedLogError(CoachError):
    """The log's file is broken; nothing has been changed in it."""


class DamagedStateError(DamagedLogError):
    """What follows from the raw rows is broken; the raw rows may be whole."""

    def __init__(self, detail: str) -> None:
        super().__init__(
            Problem(
                f"what follows from the repetitions can't be read: {detail}",
                "the log",
                guess="`coach log rebuild` computes it anew from the repetitions",
            )
        )


def sealed(text: str) -> str:
    """A derived text with its CRC-32 in front, eight hexadecimal digits."""
    return f"{zlib.crc32(text.encode()):08x}{text}"


def unsealed(text: str) -> str:
    """The inverse of `sealed`; DamagedStateError where the text does not fit its checksum."""
    if isinstance(text, str) and text[:8] == f"{zlib.crc32(text[8:].encode('utf-8', 'surrogatepass')):08x}":
        return text[8:]
    raise DamagedStateError(f"{text!r:.40} does not fit its checksum")


def derived(parse: Callable[[str], Parsed], text: str) -> Parsed:
    """A sealed derived text as the value that it stands for; DamagedStateError where it stands for none."""
    plain = unsealed(text)
    try:
        return parse(plain)
    except (ValueError, LookupError, TypeError, AttributeError, OverflowError) as error:
        raise DamagedStateError(f"{plain[:40]!r}: {error}") from error


def checksum(table: str, values: Sequence[Value]) -> int:
    """CRC-32 of a raw row: of its table's name and its columns as canonical JSON."""
    # A damaged row may hold bytes, which no raw column does.
    text = json.dumps([table, *values], separators=(",", ":"), ensure_ascii=False, default=repr)
    return zlib.crc32(text.encode("utf-8", "surrogatepass"))


def insert_sql(table: str) -> str:
    """The statement that adds a raw row with its checksum, and does nothing where the id is there."""
    columns = (*RAW_COLUMNS[table], "crc")
    marks = ",".join("?" * len(columns))
    return f"INSERT INTO {table} ({','.join(columns)}) VALUES ({marks}) ON CONFLICT DO NOTHING"


def name_the_nameless(connection: sqlite3.Connection) -> None:
    """A name for every player who has entries but lost theirs; any name given at any time replaces it."""
    players = connection.execute(
        "SELECT player FROM reps UNION SELECT player FROM entries EXCEPT SELECT id FROM players"
    ).fetchall()
    for (player,) in players:
        values = (player, f"recovered {player[-6:]}", 0)
        connection.execute(insert_sql("players"), (*values, checksum("players", values)))


def connect(path: Path | None, read_only: bool = False) -> sqlite3.Connection:
    """A connection in explicit-transaction mode, durable at commit; None is a log in memory."""
    name = f"{path.resolve().as_uri()}{'?mode=ro' if read_only else ''}" if path else ":memory:"
    connection = sqlite3.connect(name, timeout=5.0, isolation_level=None, uri=path is not None)
    try:
        connection.execute("PRAGMA journal_mode = TRUNCATE")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One write transaction: all of it or none; inside another one, a part of that."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextmanager
def told(path: Path | None) -> Iterator[None]:
    """SQLite's errors as sentences for the player; damage as `DamagedLogError`."""
    where = str(path or "the log")
    try:
        yield
    except UnicodeDecodeError as error:  # from a message of SQLite's that quotes a broken schema
        raise DamagedLogError(damage(where, "its schema is no text")) from error
    except sqlite3.Error as error:
        extended = getattr(error, "sqlite_errorcode", None) or 0
        code, text = extended & 0xFF, str(error)
        if code in _DAMAGE or _BROKEN.search(text):
            raise DamagedLogError(damage(where, text)) from error
        usual = _SENTENCES.get(code, (f"the log can't be used: {text}", ""))
        message, guess = _SENTENCES.get(extended, usual)
        raise CoachError(Problem(message, where, guess=guess)) from error


def damage(where: str, detail: str) -> Problem:
    """The sentence for a damaged log."""
    return Problem(
        f"the practice log is damaged: {detail}",
        where,
        guess="`coach log check --mend` saves every good entry to a new file and keeps the damaged one",
    )


_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
"""The statements are ours: an error in one (SQLITE_ERROR) is a table that is not as it was made."""
_BROKEN = re.compile("malformed|decode to UTF-8")

_SENTENCES: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_BUSY: ("another program is writing to the log", "is a second window open? try again"),
    sqlite3.SQLITE_FULL: (
        "the disk is full: the last entry was not saved, all earlier ones are safe",
        "make room, then do it again",
    ),
    sqlite3.SQLITE_IOERR: (
        "the disk can't be read or written: the last entry was not saved",
        "is the drive still there, and is there room on it?",
    ),
    sqlite3.SQLITE_READONLY: ("nothing may be written to the log", "who owns the file and its folder?"),
    sqlite3.SQLITE_READONLY_DBMOVED: (
        "the log was moved or replaced while it was in use: what comes now is not written to it",
        "put it back where it was",
    ),
    sqlite3.SQLITE_CANTOPEN: ("the log can't be opened", "may you read and write this file and its folder?"),
    sqlite3.SQLITE_PERM: ("the log may not be opened", "who owns the file?"),
}


def prove_sound(connection: sqlite3.Connection, where: str, quick: bool = False) -> None:
    """DamagedLogError where SQLite finds the file's pages not to hold together: writing would make it worse.

    A `quick` look leaves out whether the indexes agree with their tables.
    """
    check = "quick_check" if quick else "integrity_check"
    verdict = str(connection.execute(f"PRAGMA {check}(1)").fetchone()[0])
    if verdict != "ok":
        raise DamagedLogError(damage(where, verdict))


def prepare(connection: sqlite3.Connection, path: Path | None, backup_stamp: str) -> tuple[str, ...]:
    """Bring a file to the current schema, with a copy of it first; returns what the player should know.

    CoachError where the file is of a newer program or no log of ours; DamagedLogError where it is broken.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    where = str(path or "the log")
    if version > _NO_VERSION or (owner != APPLICATION_ID and tables.issuperset(RAW_COLUMNS)):
        raise DamagedLogError(damage(where, "its header is not as it was made"))
    if owner not in (0, APPLICATION_ID) or (owner == 0 and tables):
        raise CoachError(
            Problem("this SQLite file is no practice log", where, guess="was another file put in its place?")
        )
    if version > CURRENT:
        raise CoachError(
            Problem(
                f"the log has schema {version}; this program knows schemas up to {CURRENT}",
                where,
                guess="a newer version wrote it: update the program; nothing was changed",
            )
        )
    if version == CURRENT:
        return ()
    notices: tuple[str, ...] = ()
    prove_sound(connection, where)
    if version and path:
        kept = free_path(path.with_name(f"{path.stem}.schema-{version}.{backup_stamp}{path.suffix}"))
        copy_database(connection, kept)
        notices = (f"The log was brought to schema {CURRENT}; the file as it was is kept as {kept.name}.",)
    with transaction(connection):
        # Another process may have been faster between the look and the lock.
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        for step in MIGRATIONS[version:]:
            for statement in filter(str.strip, step.split(";")):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {CURRENT}")
    return notices


def copy_database(connection: sqlite3.Connection, target: Path) -> None:
    """A consistent copy of an open database in a new file; an existing file is never overwritten."""
    if target.exists():
        raise CoachError(Problem("exists already; a backup never overwrites", str(target)))
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        copy = sqlite3.connect(part)
        try:
            connection.backup(copy)
        finally:
            copy.close()
        with part.open("rb+") as file:
            sync(file.fileno())
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    part.rename(target)
    sync_folder(target.parent)


def sync(descriptor: int) -> None:
    """Force a file to the disk."""
    os.fsync(descriptor)
