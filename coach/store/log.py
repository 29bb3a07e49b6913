"""The practice log of one folder, opened for one player.

Conventions: every write is one transaction and on the disk when the call returns; nothing that was written is changed
in place. Reading gives effective results: of a rep's corrections the latest by (time, id) decides, and a void one
drops the rep. Times are UTC in ms beside the local offset in minutes; days are practice days (04:00 to 04:00).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType

from coach.core.excerpt import LoggedPassage
from coach.core.log import Correction, Entry, Fault, Rep, faults_text, new_id, parse_faults
from coach.core.plain import plain_text
from coach.core.problem import CoachError, Problem, UsageError
from coach.places import make_folder
from coach.store.lock import PlayerLock
from coach.store.schema import (
    DamagedLogError,
    Value,
    checksum,
    connect,
    damage,
    insert_sql,
    prepare,
    told,
    transaction,
)

DEFAULT_NAME = "player"
LONGEST_NAME = 60
_CHECKED_AT_OPEN_BYTES = 16_000_000
"""A file up to this size is checked whole when it is opened for practice; larger ones by `coach log check`."""


@dataclass(frozen=True, slots=True)
class Player:
    """A person who practises from this folder."""

    id: str
    name: str
    at_ms: int
    """When the name was given."""


class Log:
    """An open log; use as a context manager."""

    def __init__(
        self, connection: sqlite3.Connection, path: Path | None, notices: Iterable[str] = ()
    ) -> None:
        self.connection = connection
        self.path = path
        self.notices: tuple[str, ...] = tuple(notices)
        """What the player should be told: a migration, a mended file, a lock that is not to be had."""
        self._player: Player | None = None
        self._lock: PlayerLock | None = None

    @classmethod
    def open(
        cls,
        path: Path,
        player_name: str = "",
        *,
        now_ms: int,
        read_only: bool = False,
        mend: bool = False,
        random_bytes: Callable[[int], bytes] = os.urandom,
    ) -> Log:
        """Open or begin the log at `path` for a player.

        Without a name: the only player there is, or a new one called `player`; UsageError where there are several.
        A new name is a new player. With `read_only` nothing is created: a missing file reads as an empty log, and
        the player may be missing (`player_or_none`). With `mend` a damaged file is kept under another name and its
        good part goes on; else it raises DamagedLogError.
        CoachError where the file can't be used.
        """
        notices: tuple[str, ...] = ()
        if read_only and not path.exists():
            log = cls(connect(None), None)
            prepare(log.connection, None, "")
        else:
            if not read_only:
                make_folder(path.parent)
            elif path.is_dir():
                raise CoachError(Problem("is a folder; the log is a file", str(path)))
            try:
                connection, notices = _opened(path, now_ms, thorough=not read_only)
            except DamagedLogError:
                if not mend:
                    raise
                from coach.store.salvage import mend_log

                mended = mend_log(path, now_ms).sentence
                connection, notices = _opened(path, now_ms, thorough=True)
                notices = (mended, *notices)
            log = cls(connection, path, notices)
        try:
            log.choose_player(player_name, now_ms, create=not read_only, random_bytes=random_bytes)
            if read_only:
                log.connection.execute("PRAGMA query_only = ON")
        except BaseException:
            log.close()
            raise
        return log

    def close(self) -> None:
        """Let the file and the player go; calling it again does nothing."""
        if self._lock:
            self._lock.release()
            self._lock = None
        self.connection.close()

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def player(self) -> Player:
        """The player whose log this is; CoachError where a read-only log has none yet."""
        if self._player is None:
            raise CoachError(
                Problem(
                    "nobody has practised here yet", str(self.path or "the log"), guess="begin with `coach`"
                )
            )
        return self._player

    @property
    def player_or_none(self) -> Player | None:
        return self._player

    def choose_player(
        self,
        name: str,
        now_ms: int,
        create: bool = True,
        random_bytes: Callable[[int], bytes] = os.urandom,
    ) -> None:
        """Turn to a player by name (any case) or by the last letters of the id; see `open`."""
        known = self.players()
        if name:
            chosen = [player for player in known if player.name.casefold() == plain_text(name).casefold()]
            chosen = chosen or [
                player for player in known if len(name) >= 6 and player.id.endswith(name.upper())
            ]
        else:
            chosen = known
        if len(chosen) > 1:
            names = ", ".join(f"{player.name} ({player.id[-6:]})" for player in chosen)
            raise UsageError(
                Problem(
                    f"several players are called {name!r}: {names}" if name else f"several players: {names}",
                    "--player",
                    guess="name one; the letters in brackets tell players of one name apart",
                )
            )
        if chosen:
            self._player = chosen[0]
        elif create:
            self._player = self.create_player(name or DEFAULT_NAME, now_ms, random_bytes)
        elif name and known:
            raise UsageError(
                Problem(
                    f"nobody called {plain_text(name)!r} has practised here",
                    "--player",
                    guess="known: " + ", ".join(player.name for player in known),
                )
            )

    def players(self) -> list[Player]:
        """Everybody in this folder, by name."""
        with told(self.path):
            rows = self.connection.execute("SELECT id, name, at_ms FROM players").fetchall()
        return sorted((Player(*row) for row in rows), key=lambda player: (player.name.casefold(), player.id))

    def create_player(
        self, name: str, now_ms: int, random_bytes: Callable[[int], bytes] = os.urandom
    ) -> Player:
        """A new player; UsageError for an unusable name."""
        player = Player(new_id(now_ms, random_bytes(10)), checked_name(name), now_ms)
        with told(self.path), transaction(self.connection):
            self.insert("players", (player.id, player.name, player.at_ms))
        return player

    def rename_player(self, name: str, now_ms: int) -> None:
        """Give the chosen player another name; after a merge the latest name stands."""
        renamed = Player(self.player.id, checked_name(name), max(now_ms, self.player.at_ms + 1))
        values = (renamed.id, renamed.name, renamed.at_ms)
        with told(self.path), transaction(self.connection):
            self.connection.execute(
                "UPDATE players SET name = ?, at_ms = ?, crc = ? WHERE id = ?",
                (renamed.name, renamed.at_ms, checksum("players", values), renamed.id),
            )
        self._player = renamed

    def hold(self, now_ms: int) -> None:
        """Take the player for a session until `close`; CoachError where another session has them."""
        if self.path is not None and self._lock is None:
            since = datetime.fromtimestamp(now_ms / 1000, UTC).isoformat(timespec="minutes")
            with _file_errors(self.path):
                self._lock = PlayerLock(self.path.parent, self.player.id, self.player.name, since)

    def save_rep(self, rep: Rep, passage: LoggedPassage) -> None:
        """Log one repetition, durable at return. Saving the same rep again changes nothing.

        ValueError where the passage is another one than the rep's.
        """
        if passage.id != rep.passage or passage.excerpt != rep.excerpt:
            raise ValueError(f"rep {rep.id} is of passage {rep.passage}, not of {passage.id}")
        with told(self.path), transaction(self.connection):
            self.insert("passages", (passage.id, passage.excerpt, passage.to_json()))
            self.insert("reps", rep_values(rep))

    def correct(self, correction: Correction) -> None:
        """Log a later word on a rep; the rep itself stays as it was. KeyError where there is no such rep."""
        with told(self.path), transaction(self.connection):
            row = self.connection.execute(
                "SELECT player, day FROM reps WHERE id = ?", (correction.rep,)
            ).fetchone()
            if row is None:
                raise KeyError(correction.rep)
            self.insert("corrections", correction_values(correction, row[0]))

    def undo_last(self, now_ms: int, random_bytes: Callable[[int], bytes] = os.urandom) -> Rep | None:
        """Let the player's latest rep that counts count no more; that rep, or None where there is none.

        The rep stays in the log; a later correction (`correct`) rates it anew.
        """
        with told(self.path):
            rows = self.connection.execute(
                f"{_REPS} WHERE player = ? ORDER BY at_ms DESC, reps.id DESC", (self.player.id,)
            )
            for row in rows:
                rep = self._corrected(_rep(row))
                if rep is not None:
                    break
            else:
                return None
            rows.close()
        # A clock set back must not make the undo older than the word it takes back.
        latest = self.connection.execute(
            "SELECT max(at_ms) FROM corrections WHERE rep = ?", (rep.id,)
        ).fetchone()[0]
        at_ms = max(now_ms, rep.at_ms, (latest or 0) + 1)
        self.correct(Correction(new_id(at_ms, random_bytes(10)), rep.id, at_ms, None, void=True))
        return rep

    def add_entry(self, entry: Entry) -> None:
        """Log anything else, durable at return."""
        with told(self.path), transaction(self.connection):
            self.insert("entries", entry_values(entry))

    def reps(
        self,
        since: date | None = None,
        until: date | None = None,
        drill: str = "",
        player: str = "",
    ) -> list[Rep]:
        """The player's reps from `since` to `until` (both included) as they count now, in order of (time, id).

        `drill` is a drill's id, `player` a player's id (default: the chosen player).
        """
        player = player or self.player.id
        first = since.toordinal() if since else 0
        last = until.toordinal() if until else 10_000_000
        where = "player = ? AND day BETWEEN ? AND ?"
        values: list[Value] = [player, first, last]
        if drill:
            where += " AND passage IN (SELECT id FROM passages WHERE excerpt GLOB ?)"
            values.append(f"{glob_escaped(drill)}:*")
        with told(self.path):
            rows = self.connection.execute(f"{_REPS} WHERE {where}", values).fetchall()
            words = self._corrections(
                f"SELECT rep FROM corrections WHERE rep IN (SELECT id FROM reps WHERE {where})", values
            )
        corrected = (_with_word(_rep(row), words.get(row[0])) for row in rows)
        return sorted((rep for rep in corrected if rep), key=lambda rep: (rep.at_ms, rep.id))

    def rep(self, rep_id: str) -> Rep | None:
        """One rep as it counts now; None where it was never logged or is void."""
        original = self.original(rep_id)
        return self._corrected(original) if original else None

    def original(self, rep_id: str) -> Rep | None:
        """One rep as it was first rated; None where it was never logged."""
        with told(self.path):
            row = self.connection.execute(f"{_REPS} WHERE reps.id = ?", (rep_id,)).fetchone()
        return _rep(row) if row else None

    def corrections(self, rep_id: str) -> list[Correction]:
        """Every later word on a rep, the one that counts last."""
        with told(self.path):
            rows = self.connection.execute(
                "SELECT id, rep, at_ms, faults, void FROM corrections WHERE rep = ? ORDER BY at_ms, id",
                (rep_id,),
            ).fetchall()
        return [_correction(row) for row in rows]

    def passage(self, passage_id: str) -> LoggedPassage:
        """What a rep played; KeyError where it is unknown."""
        with told(self.path):
            row = self.connection.execute("SELECT body FROM passages WHERE id = ?", (passage_id,)).fetchone()
        if row is None:
            raise KeyError(passage_id)
        return LoggedPassage.from_json(row[0])

    def passages(self, ids: Iterable[str]) -> dict[str, LoggedPassage]:
        """Several passages by id; unknown ones are left out."""
        found: dict[str, LoggedPassage] = {}
        with told(self.path):
            for some in _chunks(sorted(set(ids)), 500):
                marks = ",".join("?" * len(some))
                for passage_id, body in self.connection.execute(
                    f"SELECT id, body FROM passages WHERE id IN ({marks})", some
                ):
                    found[passage_id] = LoggedPassage.from_json(body)
        return found

    def entries(self, kind: str = "", player: str = "") -> list[Entry]:
        """The player's other entries, all or of one kind, in order of (time, id)."""
        values = [player or self.player.id] + ([kind] if kind else [])
        with told(self.path):
            rows = self.connection.execute(
                "SELECT id, player, at_ms, utc_offset_min, kind, body FROM entries WHERE player = ?"
                f"{' AND kind = ?' if kind else ''} ORDER BY at_ms, id",
                values,
            ).fetchall()
        return [Entry(*row) for row in rows]

    def insert(self, table: str, values: Sequence[Value]) -> bool:
        """Add a raw row inside a transaction; False where a row of this id is there already."""
        cursor = self.connection.execute(insert_sql(table), (*values, checksum(table, values)))
        return cursor.rowcount > 0

    def _corrected(self, rep: Rep) -> Rep | None:
        words = self.corrections(rep.id)
        return _with_word(rep, words[-1] if words else None)

    def _corrections(self, chosen_sql: str, values: Sequence[Value]) -> dict[str, Correction]:
        """The word that counts for each of the chosen reps that has one."""
        rows = self.connection.execute(
            "SELECT id, rep, at_ms, faults, void FROM corrections "
            f"WHERE rep IN ({chosen_sql}) ORDER BY at_ms, id",
            values,
        )
        return {row[1]: _correction(row) for row in rows}


def checked_name(name: str) -> str:
    """A player's name, one printable line; UsageError where it is empty or too long."""
    plain = plain_text(name)
    if not plain or len(plain) > LONGEST_NAME:
        raise UsageError(
            Problem(f"a name has 1 to {LONGEST_NAME} letters, this one has {len(plain)}", "--player")
        )
    return plain


def rep_values(rep: Rep) -> tuple[Value, ...]:
    """A rep as its raw row."""
    return (
        rep.id,
        rep.player,
        rep.day.toordinal(),
        rep.at_ms,
        rep.utc_offset_min,
        rep.passage,
        rep.tempo_bpm,
        rep.goal_bpm,
        None if rep.faults is None else faults_text(rep.faults),
        rep.purpose,
        rep.turn,
        int(rep.listened),
        rep.duration_ms,
    )


def correction_values(correction: Correction, player: str) -> tuple[Value, ...]:
    """A correction as its raw row."""
    faults = None if correction.faults is None else faults_text(correction.faults)
    return (correction.id, correction.rep, player, correction.at_ms, faults, int(correction.void))


def entry_values(entry: Entry) -> tuple[Value, ...]:
    """An entry as its raw row."""
    return (entry.id, entry.player, entry.at_ms, entry.utc_offset_min, entry.kind, entry.body)


def glob_escaped(text: str) -> str:
    """Text that a GLOB pattern takes as it stands."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)


# A rep whose passage was lost with a damaged page can't be read until the passage is saved again.
_REPS = (
    "SELECT reps.id, player, at_ms, utc_offset_min, passage, excerpt, tempo_bpm, goal_bpm, faults, purpose, turn, "
    "listened, duration_ms FROM reps JOIN passages ON passages.id = reps.passage"
)


def _rep(row: tuple[str, str, int, int, str, str, int, int, str | None, str, str, int, int]) -> Rep:
    return Rep(
        id=row[0],
        player=row[1],
        at_ms=row[2],
        utc_offset_min=row[3],
        passage=row[4],
        excerpt=row[5],
        tempo_bpm=row[6],
        goal_bpm=row[7],
        faults=_faults(row[8], row[0]),
        purpose=row[9],
        turn=row[10],
        listened=bool(row[11]),
        duration_ms=row[12],
    )


def _correction(row: tuple[str, str, int, str | None, int]) -> Correction:
    return Correction(row[0], row[1], row[2], _faults(row[3], row[0]), bool(row[4]))


def _faults(text: str | None, row_id: str) -> tuple[Fault, ...] | None:
    try:
        return None if text is None else parse_faults(text)
    except ValueError as error:
        raise DamagedLogError(damage("the log", f"entry {plain_text(row_id)}: {error}")) from None


def _with_word(rep: Rep, word: Correction | None) -> Rep | None:
    if word is None:
        return rep
    return None if word.void else rep.rated_as(word.faults)


def _chunks(items: Sequence[str], size: int) -> Iterator[Sequence[str]]:
    for start in range(0, len(items), size):
        yield items[start : start + size]


def _opened(path: Path, now_ms: int, thorough: bool) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """A connection at the current schema and the notices of a migration."""
    with _file_errors(path), told(path):
        read_only = path.exists() and not os.access(path, os.W_OK)
        connection = connect(path, read_only)
        try:
            if thorough and path.stat().st_size <= _CHECKED_AT_OPEN_BYTES:
                verdict = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
                if verdict != "ok":
                    raise DamagedLogError(damage(str(path), verdict))
            return connection, prepare(connection, path, stamp(now_ms))
        except BaseException:
            connection.close()
            raise


def stamp(now_ms: int) -> str:
    """A moment as file names carry it: UTC, `20261203T182011Z`."""
    return datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")


@contextmanager
def _file_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise CoachError(
            Problem(f"the log can't be used: {(error.strerror or str(error)).lower()}", str(path))
        ) from error
