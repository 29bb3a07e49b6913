"""The states of folds, kept beside the log so that a start reads only what was added since.

A file for each fold and player, `progress/cache/<fold>-<player>.json`, holds the state after all repetitions up to a
practice day, the checkpoint; the later repetitions, those of days to come among them; and how far each file of the log
was read. It is believed where its own checksum, the fold's version, the player's ids and the beginning of each file
are what they were; anything else folds anew. A correction of a later repetition folds from the checkpoint, of an
earlier one anew. So does a late line, one of a day before the checkpoint. How to plug a fold in: `coach.log.fold`.
"""

from __future__ import annotations

import json
import zlib
from contextlib import suppress
from dataclasses import field
from datetime import date
from pathlib import Path
from typing import Any, Generic, TypeVar

from coach.ground.frozen import mutable
from coach.ground.own_files import keep_checked, read_checked
from coach.log.book import Book, Pair
from coach.log.entries import Correction, Rep
from coach.log.fold import Fold, folded
from coach.log.lines import line_of, record_of
from coach.log.people import Player
from coach.music.excerpt import LoggedPassage

State = TypeVar("State")
MOST_OPEN = 5_000
"""With more repetitions beyond its checkpoint a cache is not worth its reading."""


@mutable
class Kept(Generic[State]):
    """One fold of one player. `text` is the state's JSON at the checkpoint."""

    version: str
    ids: tuple[str, ...]
    text: str
    day: int = 0
    """The checkpoint: every repetition that counts of a practice day up to this ordinal is in `text`."""
    marks: dict[str, tuple[int, int]] = field(default_factory=dict)
    """How far each file was read: its size, and the CRC-32 of these bytes."""
    open: dict[str, Rep] = field(default_factory=dict)
    """By id, as first rated, the repetitions that are not in `text`."""
    lacking: set[str] = field(default_factory=set)
    """Passages that repetitions in `text` lacked."""
    applied: list[Pair] = field(default_factory=list)
    """What `state` holds beyond the checkpoint,"""
    state: State | None = None
    """where it was made in this run."""

    def move(self, fold: Fold[State], day: int, pairs: list[Pair]) -> None:
        """Bring the checkpoint up to a day: `pairs` are all that count between."""
        unmoved = self.state if not self.applied else None
        state = folded(fold, pairs, fold.state(json.loads(self.text)) if unmoved is None else unmoved)
        self.text = _text(fold, state)
        self.day, self.state, self.applied = day, None, []
        self.lacking |= {rep.passage for rep, passage in pairs if not passage.events}
        self.open = {key: rep for key, rep in self.open.items() if rep.day_number > day}

    def current(self, fold: Fold[State], pairs: list[Pair]) -> State:
        """The state after the checkpoint and these repetitions."""
        known = len(self.applied)
        if self.state is None or pairs[:known] != self.applied:
            self.state, known = fold.state(json.loads(self.text)), 0
        self.state = folded(fold, pairs[known:], self.state)
        self.applied = pairs
        return self.state


class States:
    """The states of folds over one log, each computed when it is first asked for."""

    def __init__(self, book: Book, folder: Path) -> None:
        self.book = book
        self.folder = folder
        self.ahead: dict[str, Rep] = {}
        """By id, repetitions dated after the day that was last asked for."""
        self._kept: dict[tuple[str, str], Kept[Any]] = {}

    def state(self, fold: Fold[State], person: Player, day: date) -> State:
        """The state after all of a person's repetitions up to a practice day."""
        number = day.toordinal()
        kept = self._believed(fold, person)
        waiting = [word[0] for word in self.book.waiting if isinstance(word, tuple)]
        if kept is None:
            kept = self._anew(fold, person, number)
            if not waiting and not self.book.shelf.moved and len(kept.open) <= MOST_OPEN:
                self._keep(fold, person, kept)
        elif number <= kept.day or any(rep.day_number <= kept.day for rep in waiting):
            kept = self._anew(fold, person, number)
        mine = {rep.id: rep for rep in waiting if rep.player in person.ids and rep.day_number > kept.day}
        pairs = self.book.counting(kept.open | mine)
        self.ahead = {rep.id: rep for rep, _ in pairs if rep.day_number > number}
        before = [pair for pair in pairs if pair[0].day_number < number]
        if before and not waiting and not self.book.shelf.moved:
            kept.move(fold, number - 1, before)
            pairs = pairs[len(before) :]
            self._keep(fold, person, kept)
        return kept.current(fold, [pair for pair in pairs if pair[0].day_number <= number])

    def _believed(self, fold: Fold[State], person: Player) -> Kept[State] | None:
        """What is kept of a fold, brought up to what the files hold now; None where it has to be folded anew."""
        kept = self._kept.get((fold.name, person.id))
        if kept is None or (kept.version, kept.ids) != (fold.version, person.ids):
            kept = load(self._path(fold, person), fold, person)
        if kept is None or not self._catch_up(kept, person):
            return None
        self._kept[fold.name, person.id] = kept
        return kept

    def _catch_up(self, kept: Kept[Any], person: Player) -> bool:
        """Take in what was added to the files; False where something else changed, or it changes what was folded."""
        views = self.book.shelf.views
        if not kept.marks.keys() <= views.keys():
            return False
        corrected = set()
        for name, view in views.items():
            size, crc = kept.marks.get(name, (0, 0))
            if (size, crc) == (view.size, view.crc):
                continue
            if zlib.crc32(self.book.shelf.data(name)[:size]) != crc or size > view.size:
                return False
            for record in self.book.added(name, size, person):
                match record:
                    case Rep():
                        if record.day_number <= kept.day:
                            return False
                        kept.open.setdefault(record.id, record)
                    case Correction():
                        corrected.add(record.rep)
                    case LoggedPassage():
                        if record.id in kept.lacking:
                            return False
            kept.marks[name] = view.size, view.crc
        return not any(
            self.book.originals(person, ending=rep_id) for rep_id in corrected if rep_id not in kept.open
        )

    def _anew(self, fold: Fold[State], person: Player, number: int) -> Kept[State]:
        """Everything folded up to the day before `number`, the rest open."""
        originals = self.book.originals(person)
        kept: Kept[State] = Kept(fold.version, person.ids, _text(fold, fold.initial()), open=originals)
        kept.marks = {name: (view.size, view.crc) for name, view in self.book.shelf.views.items()}
        before = [pair for pair in self.book.counting(originals) if pair[0].day_number < number]
        kept.move(fold, number - 1, before)
        return kept

    def _keep(self, fold: Fold[State], person: Player, kept: Kept[State]) -> None:
        self._kept[fold.name, person.id] = kept
        if kept.marks:
            save(self._path(fold, person), kept)

    def _path(self, fold: Fold[State], person: Player) -> Path:
        return self.folder / f"{fold.name}-{person.id}.json"


def load(path: Path, fold: Fold[State], person: Player) -> Kept[State] | None:
    """What a cache holds; None where it is missing, broken, or of another version or other ids."""
    with suppress(ValueError, KeyError, TypeError, AttributeError, LookupError, RecursionError):
        head, _, text = read_checked(path).partition(b"\n")
        facts = json.loads(head)
        if (facts["version"], tuple(facts["ids"])) == (fold.version, person.ids):
            reps = [record_of(line.encode()) for line in facts["open"]]
            return Kept(
                fold.version,
                person.ids,
                text.decode(),
                int(facts["day"]),
                {name: (int(size), int(crc)) for name, (size, crc) in facts["marks"].items()},
                {rep.id: rep for rep in reps if isinstance(rep, Rep)},
                set(facts["lacking"]),
                state=fold.state(json.loads(text)),
            )
    return None


def save(path: Path, kept: Kept[Any]) -> None:
    """Write a cache; where it can't be written, the next start folds anew."""
    facts = {
        "version": kept.version,
        "ids": kept.ids,
        "day": kept.day,
        "marks": kept.marks,
        "open": [line_of(rep)[:-1].decode() for rep in kept.open.values()],
        "lacking": sorted(kept.lacking),
    }
    head = json.dumps(facts, separators=(",", ":"))
    keep_checked(path, f"{head}\n{kept.text}".encode())


def _text(fold: Fold[State], state: State) -> str:
    return json.dumps(fold.plain(state), separators=(",", ":"), allow_nan=False)
