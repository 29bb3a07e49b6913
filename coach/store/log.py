"""The practice log of one folder, opened for one player.

Conventions: every write is one transaction and on the disk when the call returns; nothing that was written is changed
in place. Reading gives effective results: of a rep's corrections the latest by (time, id) decides, and a void one
drops the rep. Times are UTC in ms beside the local offset in minutes; days are practice days (04:00 to 04:00).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from types import TracebackType

from coach.ground.places import make_folder
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem, UsageError
from coach.log.entries import Correction, Entry, Rep, new_id
from coach.music.excerpt import LoggedPassage
from coach.store.derive import Deriver, Folds, keys_of
from coach.store.lock import PlayerLock, lock_name
from coach.store.reader import Player, Reader
from coach.store.rows import SELECT_REPS, correction_values, entry_values, rep_of, rep_values
from coach.store.schema import (
    DamagedLogError,
    DamagedStateError,
    Value,
    checksum,
    connect,
    damage,
    insert_sql,
    prepare,
    prove_sound,
    told,
    transaction,
    unsealed,
)

DEFAULT_NAME = "player"
LONGEST_NAME = 60
_CHECKED_AT_OPEN_BYTES = 16_000_000
"""A file up to this size is checked when it is opened for practice; larger ones by `coach log check`."""
_CHECKED_WITH_INDEXES_BYTES = 1_000_000
"""Up to this size its indexes are compared with their tables, too: some 7 ms for each million bytes."""


class Log(Reader):
    """An open log; use as a context manager."""

    def __init__(
        self, connection: sqlite3.Connection, path: Path | None, notices: Iterable[str] = ()
    ) -> None:
        super().__init__(connection, path)
        self.notices: tuple[str, ...] = tuple(notices)
        """What the player should be told: a migration, a mended file, a lock that is not to be had."""
        self.read_only = False
        self._deriver = Deriver(connection, self.counted)
        self._locks: dict[str, PlayerLock] = {}

    @classmethod
    def open(
        cls,
        path: Path,
        player_name: str | None = "",
        *,
        now_ms: int,
        read_only: bool = False,
        mend: bool = False,
        folds: Folds | None = None,
        random_bytes: Callable[[int], bytes] = os.urandom,
    ) -> Log:
        """Open or begin the log at `path` for a player.

        Without a name: the only player there is, or a new one called `player`; UsageError where there are several.
        A new name is a new player; None chooses nobody. With `read_only` nothing is created: a missing file reads as
        an empty log, and the player may be missing (`player_or_none`). With `mend` a damaged file is kept under
        another name and its good part goes on; else it raises DamagedLogError. `folds` are the player's settings of
        ladder and memory: where they differ from the last ones, all that follows from the reps is computed anew;
        None keeps the last.
        CoachError where the file can't be used.
        """
        begin = partial(cls._begin, path, player_name, now_ms, read_only, folds, random_bytes)
        try:
            return begin(mend)
        except DamagedLogError:
            if not mend or not path.exists():
                raise
        from coach.store.salvage import mend_log

        mended = mend_log(path, now_ms).sentence
        log = begin(mend)
        log.notices = (mended, *log.notices)
        return log

    @classmethod
    def _begin(
        cls,
        path: Path,
        player_name: str | None,
        now_ms: int,
        read_only: bool,
        folds: Folds | None,
        random_bytes: Callable[[int], bytes],
        mend: bool,
    ) -> Log:
        if path.is_file() and not path.stat().st_size and any(path.parent.glob(lock_name("*"))):
            # Somebody has practised here. Without that it was only begun and never written.
            raise DamagedLogError(damage(str(path), "the file is empty"))
        if read_only and not (path.exists() and (path.is_dir() or path.stat().st_size)):
            log = cls(connect(None), None)
            prepare(log.connection, None, "")
        else:
            if not read_only:
                make_folder(path.parent)
            elif path.is_dir():
                raise CoachError(Problem("is a folder; the log is a file", str(path)))
            log = cls(*_opened(path, now_ms, thorough=not read_only))
        try:
            log.use_folds(folds)
            if mend:
                log.heal()
            if player_name is not None:
                log.choose_player(player_name, now_ms, create=not read_only, random_bytes=random_bytes)
            if read_only:
                log.connection.execute("PRAGMA query_only = ON")
                log.read_only = True
        except BaseException:
            log.close()
            raise
        return log

    def mend(self, now_ms: int) -> str:
        """Mend the file in the middle of a session, and go on with what could be saved; the sentence to tell.

        CoachError where it can't be mended; then the log stays as it is.
        """
        from coach.store.salvage import mend_log

        assert self.path is not None
        sentence = mend_log(self.path, now_ms, own=self._locks).sentence
        folds = self._deriver.folds
        self.connection.close()
        self.connection, self.path, _ = _opened(self.path, now_ms, thorough=False)
        self._passages.clear()
        self._deriver = Deriver(self.connection, self.counted)
        self.use_folds(folds)
        if self._player is not None:
            # The name that is known here stands, should it have been lost there.
            with told(self.path), transaction(self.connection):
                self.connection.execute(
                    "DELETE FROM players WHERE id = ? AND at_ms < ?", (self._player.id, self._player.at_ms)
                )
                self.insert("players", (self._player.id, self._player.name, self._player.at_ms))
        self.notices = (*self.notices, sentence)
        return sentence

    def close(self) -> None:
        """Let the file and the player go; calling it again does nothing."""
        for lock in self._locks.values():
            lock.release()
        self._locks.clear()
        self.connection.close()

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

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

    def name_meant(self, name: str) -> str:
        """The name of the player whom `choose_player` would turn to or create.

        UsageError where several could be meant.
        """
        known = [player.name for player in self.players()]
        if name and plain_text(name).casefold() not in (one.casefold() for one in known):
            ends = [player.name for player in self.players() if player.id.endswith(name.upper())]
            return ends[0] if len(name) >= 6 and ends else name
        if not known:
            return name or DEFAULT_NAME
        self.choose_player(name, 0, create=False)
        return self.player.name

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
        self._hold(self.player, now_ms)

    def hold_all(self, now_ms: int) -> None:
        """Take every player until `close`; CoachError where a session has one of them."""
        for player in self.players():
            self._hold(player, now_ms)

    def _hold(self, player: Player, now_ms: int) -> None:
        if self.path is not None and player.id not in self._locks:
            since = datetime.fromtimestamp(now_ms / 1000, UTC).isoformat(timespec="minutes")
            with _file_errors(self.path):
                self._locks[player.id] = PlayerLock(self.path.parent, player.id, player.name, since)

    def save_rep(self, rep: Rep, passage: LoggedPassage) -> None:
        """Log one repetition, durable at return. Saving the same rep again changes nothing.

        ValueError where the passage is another one than the rep's, or another rep has this id.
        """
        if passage.id != rep.passage or passage.excerpt != rep.excerpt:
            raise ValueError(f"rep {rep.id} is of passage {rep.passage}, not of {passage.id}")
        with told(self.path), transaction(self.connection):
            self.add_passage(passage)
            if self.insert("reps", rep_values(rep)):
                self._derived(rep.player, lambda: self._deriver.append(rep, passage))
            elif self.original(rep.id) != rep:
                raise ValueError(f"another repetition has the id {rep.id}")

    def correct(self, correction: Correction) -> None:
        """Log a later word on a rep; the rep itself stays as it was. KeyError where there is no such rep."""
        with told(self.path), transaction(self.connection):
            place = self.place_of(correction.rep)
            if place is None:
                raise KeyError(correction.rep)
            player, day, passage_id = place
            self.insert("corrections", correction_values(correction, player))
            with suppress(KeyError):  # Its passage was lost: it counts when the passage is back.
                self.refresh(player, {day: keys_of(self.passage(passage_id))})

    def undo_last(self, now_ms: int, random_bytes: Callable[[int], bytes] = os.urandom) -> Rep | None:
        """Let the player's latest rep that counts count no more; that rep, or None where there is none.

        The rep stays in the log; a later correction (`correct`) rates it anew.
        """
        with told(self.path):
            rows = self.connection.execute(
                f"{SELECT_REPS} WHERE player = ? ORDER BY day DESC, at_ms DESC, reps.id DESC",
                (self.player.id,),
            )
            for row in rows:
                rep = self._corrected(rep_of(row))
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
        try:
            self.correct(Correction(new_id(at_ms, random_bytes(10)), rep.id, at_ms, None, void=True))
        except KeyError:
            raise DamagedLogError(
                damage(str(self.path), f"repetition {rep.id} is not in its index")
            ) from None
        return rep

    def add_entry(self, entry: Entry) -> None:
        """Log anything else, durable at return."""
        with told(self.path), transaction(self.connection):
            self.insert("entries", entry_values(entry))

    def refresh(self, player: str, touched: Mapping[date, Iterable[str]]) -> None:
        """Recompute what follows from reps of these days and keys, inside a transaction of the caller's."""
        self._derived(player, lambda: self._deriver.refresh(player, touched))

    def _derived(self, player: str, update: Callable[[], None]) -> None:
        """Bring the derived tables up to date; where they are damaged, anew from the raw rows."""
        try:
            update()
        except DamagedStateError:
            self._deriver.rebuild(player)

    def use_folds(self, folds: Folds | None) -> None:
        """Fold as the settings say; rebuild where the tables were made by other folds."""
        with told(self.path):
            row = self.connection.execute("SELECT value FROM meta WHERE key = 'folds'").fetchone()
            last = Folds.from_json(row[0]) if row else None
            self._deriver.folds = folds or last or Folds()
            if last != self._deriver.folds:
                prove_sound(self.connection, str(self.path))
                self.rebuild()

    def heal(self) -> None:
        """Prove what the plan will read, and compute it anew where it is damaged."""
        try:
            with told(self.path):
                for row in self.connection.execute(
                    "SELECT memory, before, ladder, ladder_before FROM states"
                ):
                    for text in filter(None, row):
                        unsealed(text)
                for (body,) in self.connection.execute("SELECT body FROM days"):
                    unsealed(body)
        except DamagedStateError as error:
            self.rebuild()
            self.notices = (*self.notices, f"Mended from the repetitions: {error.problems[0].message}.")

    def rebuild_player(self, player: str) -> None:
        """Recompute everything that follows from a player's raw rows, inside a transaction of the caller's."""
        self._deriver.rebuild(player)

    def rebuild(self) -> None:
        """Recompute everything that follows from the raw rows, for every player."""
        with told(self.path), transaction(self.connection):
            for player in self.players():
                self._deriver.rebuild(player.id)
            self.connection.execute(
                "INSERT OR REPLACE INTO meta VALUES ('folds', ?)", (self._deriver.folds.to_json(),)
            )

    def add_passage(self, passage: LoggedPassage) -> bool:
        """Add a passage inside a transaction; False where it is there. Reps that had lost it count again."""
        if not self.insert("passages", (passage.id, passage.excerpt, passage.to_json())):
            return False
        if self.connection.execute("SELECT 1 FROM meta WHERE key = 'lost passages'").fetchone():
            for player, day in sorted(self.places_of(passage.id)):
                self.refresh(player, {day: keys_of(passage)})
        return True

    def insert(self, table: str, values: Sequence[Value]) -> bool:
        """Add a raw row inside a transaction; False where a row of this id is there already."""
        cursor = self.connection.execute(insert_sql(table), (*values, checksum(table, values)))
        return cursor.rowcount > 0


def checked_name(name: str) -> str:
    """A player's name, one printable line; UsageError where it is empty or too long."""
    plain = plain_text(name)
    if not plain or len(plain) > LONGEST_NAME:
        raise UsageError(
            Problem(f"a name has 1 to {LONGEST_NAME} letters, this one has {len(plain)}", "--player")
        )
    return plain


def _opened(path: Path, now_ms: int, thorough: bool) -> tuple[sqlite3.Connection, Path, tuple[str, ...]]:
    """A connection at the current schema, its path, and the notices of a migration."""
    with _file_errors(path), told(path):
        with suppress(FileNotFoundError), path.open("rb") as file:
            # The two bytes that make SQLite only read a file, or refuse it (sqlite.org/fileformat2.html, 1.3.3).
            if set(file.read(20)[18:]) - {1, 2}:
                raise DamagedLogError(damage(str(path), "its header is not as it was made"))
        read_only = path.exists() and not os.access(path, os.W_OK)
        connection = connect(path, read_only)
        try:
            size = path.stat().st_size
            if thorough and size <= _CHECKED_AT_OPEN_BYTES:
                prove_sound(connection, str(path), quick=size > _CHECKED_WITH_INDEXES_BYTES)
            return connection, path, prepare(connection, path, stamp(now_ms))
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
