"""The log's folder as records in memory: names, entries, corrections, passages; repetitions are read when asked for.

Conventions as in `coach.log.log`. Repetitions are by far the most and a start needs few of them: their lines stay on
the disk. A word that the disk has refused (`waiting`) counts here as if it stood there.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, time
from pathlib import Path

from coach.ground.codec import UnfitError
from coach.log.entries import DAY_MS, Correction, Entry, Named, Rep, new_id
from coach.log.lines import (
    ID_AT,
    PASSAGE_ID_AT,
    PASSAGE_STARTS,
    REP_STARTS,
    Record,
    line_of,
    record_of,
)
from coach.log.people import Player, players_of
from coach.log.shelf import Shelf, View
from coach.music.excerpt import LoggedPassage

Pair = tuple[Rep, LoggedPassage]
Word = Pair | Correction | Entry | Named
"""What is written: a repetition comes with what it played."""
_MARGIN_MS = 2 * DAY_MS
"""By how much a practice day may lie off the time in an id: any zone, and some to spare."""


class Book:
    """All records of one log."""

    def __init__(self, folder: Path, cache: Path) -> None:
        self.folder = folder
        self.shelf = Shelf(folder, cache, self._take_line)
        self.waiting: list[Word] = []
        """What the disk has refused so far, in order."""
        self._names: dict[str, Named] = {}
        self._entries: dict[str, Entry] = {}
        self._corrections: dict[str, dict[str, Correction]] = {}
        self._passages: dict[str, bytes | LoggedPassage] = {}
        self._needed: dict[str, bytes] = {}
        """Lines that words of this run refer to, by id."""

    def refresh(self) -> bool:
        """Take in what was added since by whomever; False where something else had changed, and all was read anew."""
        if self.shelf.read():
            return True
        self._read(self.shelf.anew())
        return False

    def read_anew(self) -> None:
        """Read all files anew, without a word of what stood there before."""
        self._read(Shelf(self.folder, self.shelf.cache, self._take_line))

    def _read(self, shelf: Shelf) -> None:
        for known in (self._names, self._entries, self._corrections, self._passages):
            known.clear()
        self.shelf = shelf
        self.shelf.read()
        for word in self.waiting:
            self.take(word)

    def take(self, word: Word) -> None:
        """Let a word count that is on its way to the disk."""
        self._take_record(word[1] if isinstance(word, tuple) else word)

    def _take_line(self, view: View, start: int, line: bytes) -> None:
        if line.startswith(PASSAGE_STARTS):
            self._passages.setdefault(line[PASSAGE_ID_AT].decode("ascii", "replace"), line)
            return
        try:
            self._take_record(record_of(line))
        except UnfitError as error:
            self.shelf.unfit(view, start, error)

    def _take_record(self, record: Record) -> None:
        match record:
            case Named():
                self._names.setdefault(record.id, record)
            case Entry():
                self._entries.setdefault(record.id, record)
            case Correction():
                self._corrections.setdefault(record.rep, {}).setdefault(record.id, record)
            case LoggedPassage():
                self._passages.setdefault(record.id, record)
            case Rep():
                pass

    def players(self) -> list[Player]:
        """Everybody in this folder, by name; whose name was lost is called by the end of the id."""
        known = {named.player for named in self._names.values()}
        nameless = {one for view in self.shelf.views.values() for one in view.players}
        nameless |= {entry.player for entry in self._entries.values()}
        return players_of(
            [
                *self._names.values(),
                *(Named(one, one, 0, f"recovered {one[-6:]}") for one in nameless - known),
            ]
        )

    def person(self, player: str) -> Player:
        """Whose id this is."""
        mine = [one for one in self.players() if player in one.ids]
        return mine[0] if mine else Player(player, player, (player,))

    def name_of(self, player: str) -> Named | None:
        """The line that names an id; None where it was lost."""
        names = [one for one in self._names.values() if one.player == player]
        return max(names, key=lambda one: (one.at_ms, one.id), default=None)

    def originals(
        self,
        person: Player,
        since: date | None = None,
        until: date | None = None,
        drill: str = "",
        ending: str = "",
    ) -> dict[str, Rep]:
        """A person's repetitions by id as they were first rated, whether they count or not, in no order.

        From `since` to `until`, both included; of one drill; with ids that end so.
        """
        low = _id_from(since, -_MARGIN_MS) if since else b""
        high = _id_from(until, 2 * _MARGIN_MS) if until else b"a"
        excerpts, tail = b'"excerpt":"' + drill.encode() + b":" if drill else b"", ending.upper().encode()
        known: dict[str, Rep] = {}
        with collector_paused():
            for view, start, line in self._rep_lines():
                rep_id = line[ID_AT]
                if low <= rep_id <= high and excerpts in line and rep_id.endswith(tail):
                    rep = self._rep_in(view, start, line, person.ids)
                    if rep is not None:
                        known.setdefault(rep.id, rep)
        for word in self.waiting:
            if (
                isinstance(word, tuple)
                and word[0].player in person.ids
                and word[0].id.encode().endswith(tail)
            ):
                known.setdefault(word[0].id, word[0])
        first, last = since or date.min, until or date.max
        return {
            key: rep
            for key, rep in known.items()
            if (not (since or until) or first <= rep.day <= last)
            and rep.excerpt.startswith(f"{drill}:" * bool(drill))
        }

    def _rep_lines(self) -> Iterator[tuple[View, int, bytes]]:
        """Every whole line of a repetition, with its file and where it starts there."""
        for view, start, line in self.shelf.whole_lines():
            if line.startswith(REP_STARTS):
                yield view, start, line

    def _rep_in(self, view: View, start: int, line: bytes, ids: Sequence[str]) -> Rep | None:
        """The repetition in a line, where it is one of this person's."""
        try:
            rep = record_of(line)
        except UnfitError as error:
            self.shelf.unfit(view, start, error)
            return None
        if not isinstance(rep, Rep) or rep.player not in ids:
            return None
        return rep if rep.player == ids[0] else replace(rep, player=ids[0])

    def place_of(self, rep_id: str) -> str:
        """File and line of a repetition, as in `log/k7m2qp-2026.jsonl:57`; the folder where it waits for the disk."""
        for view, start, line in self._rep_lines():
            if line[ID_AT] == rep_id.encode():
                number = self.shelf.data(view.name)[:start].count(b"\n") + 1
                return f"{self.shelf.path(view.name)}:{number}"
        return str(self.folder)

    def added(self, name: str, since: int, person: Player) -> Iterator[Rep | Correction | LoggedPassage]:
        """What stands in a file from a place on, of this person's; corrections and passages are anybody's."""
        view = self.shelf.views[name]
        for start, line in self.shelf.lines(view, since):
            if line.startswith(REP_STARTS):
                rep = self._rep_in(view, start, line, person.ids)
                if rep is not None:
                    yield rep
            elif line.startswith(_OF_REPS):
                try:
                    record = record_of(line)
                except UnfitError:
                    continue  # Told when it was read first.
                if isinstance(record, Correction | LoggedPassage):
                    yield record

    def corrected(self, rep: Rep) -> Rep | None:
        """A repetition as it counts; None where it does not."""
        words = self.corrections(rep.id)
        late = [word.suggestions for word in words if word.suggestions]
        heard = replace(rep, suggestions=late[-1]) if late else rep
        results = [word for word in words if not word.suggestions]
        if not results:
            return heard
        return None if results[-1].void else heard.rated_as(results[-1].faults)

    def counting(self, originals: dict[str, Rep]) -> list[Pair]:
        """Those that count, as they count, with what they played, in order of (practice day, id)."""
        amended = self._corrections
        words = (self.corrected(rep) if rep.id in amended else rep for rep in originals.values())
        reps = [rep for rep in words if rep is not None]
        reps.sort(key=lambda rep: (rep.day_number, rep.id))
        return [(rep, self.passage_of(rep)) for rep in reps]

    def corrections(self, rep_id: str) -> list[Correction]:
        """Every later word on a repetition, the one that counts last."""
        words = self._corrections.get(rep_id)
        return sorted(words.values(), key=lambda word: (word.at_ms, word.id)) if words else []

    def passage(self, passage_id: str) -> LoggedPassage:
        """What a repetition played; KeyError where it is unknown."""
        known = self._passages[passage_id]
        if isinstance(known, bytes):
            try:
                record = record_of(known)
            except UnfitError:
                record = None
            if not isinstance(record, LoggedPassage):
                del self._passages[passage_id]
                raise KeyError(passage_id)
            known = self._passages[passage_id] = record
        return known

    def passage_of(self, rep: Rep) -> LoggedPassage:
        """What a repetition played; without events where its line was lost."""
        try:
            return self.passage(rep.passage)
        except KeyError:
            return LoggedPassage(rep.passage, rep.excerpt, "", "", ())

    def passages(self) -> Iterator[LoggedPassage]:
        """Everything that was ever played here, in the order of the files."""
        for passage_id in list(self._passages):
            try:
                yield self.passage(passage_id)
            except KeyError:
                continue

    def needs_of(self, word: Word) -> list[bytes]:
        """The lines that a word's line refers to: who, and what was played."""
        player = word[0].player if isinstance(word, tuple) else word.player if isinstance(word, Entry) else ""
        named = self.name_of(player) if player else None
        records: list[Named | LoggedPassage] = [named] if named else []
        records += [word[1]] if isinstance(word, tuple) else []
        # A session plays the same again and again; its line is as long as what is played.
        for record in records:
            if record.id not in self._needed:
                self._needed[record.id] = line_of(record)
        return [self._needed[record.id] for record in records]

    def entries_of(self, person: Player, kind: str = "") -> list[Entry]:
        """A person's other entries, all or of one kind, in order of (time, id)."""
        chosen = (
            one for one in self._entries.values() if one.player in person.ids and kind in ("", one.kind)
        )
        return sorted(chosen, key=lambda entry: (entry.at_ms, entry.id))


@contextmanager
def collector_paused() -> Iterator[None]:
    """Without the search for garbage, of which reading makes none: it takes a quarter of the time of a large log."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


_OF_REPS = (b'{"correction":', PASSAGE_STARTS)


def record_in(word: Word) -> Record:
    """The record whose line a word is."""
    return word[0] if isinstance(word, tuple) else word


def lines_of(book: Book, words: Sequence[Word]) -> list[bytes]:
    """Words as the lines of a file, each once, what a line refers to before it."""
    lines = (line for word in words for line in (*book.needs_of(word), line_of(record_in(word))))
    return list(dict.fromkeys(lines))


def _id_from(day: date, margin_ms: int) -> bytes:
    """The least id of a moment some milliseconds from a day's beginning."""
    at_ms = round(datetime.combine(day, time(), UTC).timestamp() * 1000) + margin_ms
    return new_id(min(max(at_ms, 0), (1 << 48) - 1), bytes(10)).encode()
