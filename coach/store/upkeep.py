"""Care of the log: is it whole, a copy of it, and the removal of a person.

A check asks SQLite (`integrity_check`), compares every raw row with its checksum, looks for entries whose partner is
missing, and replays the raw rows in memory to compare what follows from them to the digit.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from coach.ground.problem import CoachError, Problem
from coach.store.derive import DERIVED_TABLES
from coach.store.lock import lock_name
from coach.store.log import Log, stamp
from coach.store.salvage import readable
from coach.store.schema import (
    APPLICATION_ID,
    RAW_COLUMNS,
    DamagedLogError,
    checksum,
    copy_database,
    damage,
    told,
    transaction,
)


@dataclass(frozen=True, slots=True)
class Health:
    """What a check found; `problems` is empty for a log that is whole."""

    rows: dict[str, int]
    """Raw rows by table."""
    problems: tuple[Problem, ...]


def check_log(log: Log, replay: bool = True) -> Health:
    """Look through the whole log. DamagedLogError where SQLite itself can't read it."""
    where = str(log.path or "the log")
    with told(log.path):
        verdicts = [str(row[0]) for row in log.connection.execute("PRAGMA integrity_check(20)")]
        if verdicts != ["ok"]:
            raise DamagedLogError([damage(where, verdict) for verdict in verdicts])
        problems: list[Problem] = []
        rows: dict[str, int] = {}
        for table, columns in RAW_COLUMNS.items():
            rows[table] = 0
            for *values, crc in log.connection.execute(f"SELECT {','.join(columns)}, crc FROM {table}"):
                rows[table] += 1
                if checksum(table, values) != crc:
                    problems.append(damage(where, f"{table}, entry {values[0]!r} does not fit its checksum"))
        for count_sql, sentence in _PARTNERS:
            count = log.connection.execute(count_sql).fetchone()[0]
            if count:
                problems.append(Problem(sentence.format(count=count), where, severity="warning"))
        if problems:
            return Health(rows, tuple(problems))
        if replay and not _equals_replay(log):
            problems.append(
                Problem(
                    "what follows from the repetitions (memories, ladders, days) is not what a replay gives",
                    where,
                    guess="`coach log rebuild` computes it anew",
                )
            )
    return Health(rows, tuple(problems))


_PARTNERS = (
    (
        "SELECT count(*) FROM reps WHERE passage NOT IN (SELECT id FROM passages)",
        "{count} repetitions lost what they played; they count again once it is practised or merged again",
    ),
    (
        "SELECT count(*) FROM reps WHERE player NOT IN (SELECT id FROM players)",
        "{count} repetitions belong to nobody who is known here",
    ),
    (
        "SELECT count(*) FROM corrections WHERE rep NOT IN (SELECT id FROM reps)",
        "{count} corrections wait for a repetition that is not here",
    ),
)


def derived_text(log: Log) -> list[tuple[object, ...]]:
    """Every derived row, in order: equal lists are equal to the digit."""
    rows: list[tuple[object, ...]] = []
    for table in DERIVED_TABLES:
        rows += log.connection.execute(f"SELECT '{table}', * FROM {table} ORDER BY 2, 3, 4").fetchall()
    return rows


def _equals_replay(log: Log) -> bool:
    memory = sqlite3.connect(":memory:", isolation_level=None)
    with Log(memory, None) as copy:
        log.connection.backup(memory)
        copy.use_folds(None)
        copy.rebuild()
        return derived_text(copy) == derived_text(log)


def backup_log(log: Log, now_ms: int, target: Path | None = None) -> Path:
    """A copy of the log in a new file, beside the log unless told otherwise; never over an existing file."""
    if log.path is None:
        raise CoachError(Problem("there is no log yet, so there is nothing to back up"))
    target = target or log.path.with_name(f"{log.path.stem}.backup.{stamp(now_ms)}{log.path.suffix}")
    try:
        with told(log.path):
            copy_database(log.connection, target)
    except OSError as error:
        raise CoachError(
            Problem(f"can't be written: {(error.strerror or str(error)).lower()}", str(target))
        ) from error
    return target


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was removed with a person."""

    rows: int
    cleaned: tuple[Path, ...]
    """Files that the person was removed from: the log and its backups."""
    unreadable: tuple[Path, ...]
    """Files beside the log that can't be read, and so may still hold the person."""


def forget_player(log: Log, now_ms: int) -> Forgotten:
    """Remove the log's player from it and from every copy beside it; freed pages are overwritten with zeros.

    Copies elsewhere and exported files are not touched. CoachError while the player has a session open.
    """
    assert log.path is not None
    player = log.player
    log.hold(now_ms)
    cleaned: list[Path] = []
    unreadable: list[Path] = []
    with told(log.path):
        rows = _erase(log.connection, player.id)
        cleaned.append(log.path)
    for path in sorted(log.path.parent.glob(f"{log.path.stem}.*")):
        if path == log.path or (path.suffix.endswith("-journal") and not path.stat().st_size):
            continue
        if path.suffix != log.path.suffix or not readable(path):
            unreadable.append(path)
            continue
        connection = sqlite3.connect(path, isolation_level=None)
        try:
            if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID and _erase(
                connection, player.id
            ):
                cleaned.append(path)
        finally:
            connection.close()
    log.close()
    (log.path.parent / lock_name(player.id)).unlink(missing_ok=True)
    return Forgotten(rows, tuple(cleaned), tuple(unreadable))


def _erase(connection: sqlite3.Connection, player_id: str) -> int:
    """Delete all of a player's rows and the passages nobody else played; returns how many raw rows."""
    connection.execute("PRAGMA secure_delete = ON")
    have = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    removed = 0
    with transaction(connection):
        for table, column in (
            ("corrections", "player"),
            ("entries", "player"),
            ("reps", "player"),
            ("players", "id"),
            *((table, "player") for table in DERIVED_TABLES),
        ):
            if table in have:
                cursor = connection.execute(f"DELETE FROM {table} WHERE {column} = ?", (player_id,))
                removed += cursor.rowcount if table in RAW_COLUMNS else 0
        removed += connection.execute(
            "DELETE FROM passages WHERE id NOT IN (SELECT passage FROM reps)"
        ).rowcount
    connection.execute("VACUUM")
    return removed
